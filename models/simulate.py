"""Run a chain through a load history or a chord history: the one forward calculation used everywhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, ChainState, advance, advance_to_strain, total_strain, virgin
from models.history import LoadHistory

Floats = NDArray[np.float64]


def strain_under_load(
    chain: Chain, history: LoadHistory, state: ChainState | None = None, substeps: int = 1
) -> tuple[Floats, ChainState]:
    """Strain at each point of a load history.

    Parameters
    ----------
    chain : Chain of leading shape (...)
    history : LoadHistory of n points
        Load in N and temperature in degC, linear between points.
    state : ChainState, optional
        Where the spoke starts; a virgin one if left out.
    substeps : int
        Equal parts that each interval is cut into (bedding with an exponent and the temperature are taken
        as linear over a part).

    Returns
    -------
    strain : array (n, ...)
        Counted from the virgin, unloaded spoke at the reference temperature.
    state : ChainState at the last point.
    """
    state = virgin(chain) if state is None else state
    # a load that is there at the first instant is applied suddenly
    state, _ = advance(chain, state, 0.0, 0.0, history.load_N[0], float(history.temperature_C[0]))
    out = np.empty((history.time_s.size, *chain.shape))
    out[0] = total_strain(chain, state, history.load_N[0], history.temperature_C[0])
    for i in range(1, history.time_s.size):
        dt = (history.time_s[i] - history.time_s[i - 1]) / substeps
        loads = np.linspace(history.load_N[i - 1], history.load_N[i], substeps + 1)
        temps = np.linspace(history.temperature_C[i - 1], history.temperature_C[i], substeps + 1)
        for j in range(substeps):
            state, _ = advance(chain, state, dt, loads[j], loads[j + 1], float(0.5 * (temps[j] + temps[j + 1])))
        out[i] = total_strain(chain, state, history.load_N[i], history.temperature_C[i])
    return out, state


def load_under_chord(
    chain: Chain,
    time_s: Floats,
    strain: Floats,
    temperature_C: Floats,
    state: ChainState | None = None,
    load0_N: object = 0.0,
    follow_per_N: object = 0.0,
) -> tuple[Floats, ChainState]:
    """Load at each point of a history of total strain (chord over length, plus ``follow_per_N`` times load).

    Parameters
    ----------
    time_s : (n,) s
    strain : (n,) or (n, ...) total strain to be kept, linear in load between points
    temperature_C : (n,) degC
    load0_N : load in N just before the first point

    Returns
    -------
    load_N : array (n, ...)
    state : ChainState at the last point.
    """
    state = virgin(chain) if state is None else state
    load: Floats = np.broadcast_to(np.asarray(load0_N, dtype=np.float64), chain.shape)
    out = np.empty((time_s.size, *chain.shape))
    before = time_s[0]
    th_before = temperature_C[0]
    for i in range(time_s.size):
        th = float(temperature_C[i])
        # strain1 is compared at the step's mean temperature: add the difference of thermal strain
        mean = 0.5 * (th + float(th_before))
        want = strain[i] - chain.expansion_per_K * (th - mean)
        state, load = advance_to_strain(
            chain, state, float(time_s[i] - before), load, want, mean, follow_per_N=follow_per_N
        )
        out[i] = load
        before, th_before = time_s[i], th
    return out, state
