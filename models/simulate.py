"""Run a chain through a load history or a chord history: the one forward calculation used everywhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, ChainState, advance, total_strain, virgin
from models.follow import advance_to_strain
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
    tolerance_N: float = 1e-2,
) -> tuple[Floats, ChainState]:
    """Load at each point of a history of total strain (chord over length, plus ``follow_per_N`` times load).

    Parameters
    ----------
    time_s : (n,) s
    strain : (n,) or (n, ...)
        Total strain to be kept, linear in time between points.
    temperature_C : (n,) degC
    load0_N : array_like (...)
        Load in N just before the first point.
    follow_per_N : array_like (...)
        Compliance in series, as strain of the spoke per N.
    tolerance_N : float
        Each interval is cut until whole and halved steps agree to this; the error at the end of a night is below it.

    Returns
    -------
    load_N : array (n, ...)
        0 where the spoke hangs slack.
    state : ChainState at the last point.
    """
    state = virgin(chain) if state is None else state
    follow = np.asarray(follow_per_N, dtype=np.float64)
    strain = np.asarray(strain, dtype=np.float64)
    load: Floats = np.asarray(load0_N, dtype=np.float64)
    out = np.empty((time_s.size, *np.broadcast_shapes(chain.shape, strain.shape[1:], load.shape, follow.shape)))
    state, load = advance_to_strain(chain, state, 0.0, load, strain[0], float(temperature_C[0]), follow)
    out[0] = load
    step = np.inf

    def go(state: ChainState, load: Floats, i: int, at: float, end: float) -> tuple[ChainState, Floats]:
        """From ``at`` to ``end`` seconds after point i - 1, in one step at its mean temperature."""
        whole = time_s[i] - time_s[i - 1]
        share, middle = (end / whole, 0.5 * (at + end) / whole) if whole > 0 else (1.0, 0.5)
        warming = temperature_C[i] - temperature_C[i - 1]
        want = strain[i - 1] + share * (strain[i] - strain[i - 1])
        # the end of the step is not at its mean temperature: add the thermal strain between the two
        want = want - chain.expansion_per_K * (share - middle) * warming
        mean = float(temperature_C[i - 1] + middle * warming)
        return advance_to_strain(chain, state, end - at, load, want, mean, follow, 1e-4 * tolerance_N)

    for i in range(1, time_s.size):
        whole, at = float(time_s[i] - time_s[i - 1]), 0.0
        if whole == 0.0:
            state, load = go(state, load, i, 0.0, 0.0)
        while at < whole:
            end = min(whole, at + step)
            coarse = go(state, load, i, at, end)[1]
            half_state, half = go(state, load, i, at, 0.5 * (at + end))
            fine_state, fine = go(half_state, half, i, 0.5 * (at + end), end)
            miss = float(np.abs(fine - coarse).max())
            grow = min(max(0.9 * (tolerance_N / max(miss, 1e-12)) ** (1.0 / 3.0), 0.1), 4.0)
            if miss > tolerance_N and end - at > 1e-6:
                step = (end - at) * grow
                continue
            # an interval that ends early must not make the next step small
            step = max((end - at) * grow, step if end == whole else 0.0)
            state, load, at = fine_state, fine, end
        out[i] = load
    return out, state
