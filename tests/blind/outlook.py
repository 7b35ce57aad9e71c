"""The forecast half of the blind trial: an in-wheel chord history and a load history, and what hidden spokes do under them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.blind.hidden import HiddenBatch, HiddenSpokes, State, middle_spokes

Floats = NDArray[np.float64]
SEAT_N = 20.0
LAST_SET_S = 15.6 * 3600.0 - 1.0  # the one pass of `wheel_chord` ends a second later, counted from the first set


def strain_under_load(spokes: HiddenSpokes, time_s: Floats, load_N: Floats, temperature_C: float) -> Floats:
    """(T, S) strain counted, as a forecast does, from the new spoke as it is seated at `SEAT_N`."""
    n = spokes.count
    load = np.full(n, SEAT_N)
    state = spokes.step(spokes.virgin(), 0.0, np.zeros(n), load, temperature_C)
    seated = spokes.strain(state, load, temperature_C)
    out = np.empty((time_s.size, n))
    for i, dt in enumerate(np.diff(time_s, prepend=time_s[0])):
        new = np.full(n, load_N[i])
        state, load = spokes.step(state, float(dt), load, new, temperature_C), new
        out[i] = spokes.strain(state, load, temperature_C) - seated
    return out


def _to_strain(
    spokes: HiddenSpokes, state: State, dt: float, load: Floats, want: Floats, give: float, th: float
) -> tuple[State, Floats]:
    """One step to a total of strain + give x load (1/N): Newton, and halving where bedding-in makes it jump about."""
    _, gain1, _ = spokes.recoverable_weights(dt, th)
    slope = spokes.elastic_slope(load) + (spokes.recoverable @ gain1) * spokes.drive_slope(load) + give

    def over(guess: Floats) -> Floats:
        new = spokes.step(state, dt, load, guess, th)
        return spokes.elastic_strain(guess) + spokes.creep_strain(new) + give * guess - want

    guess = load.copy()
    for _ in range(15):
        change = over(guess) / slope
        guess = np.maximum(guess - change, 0.0)
        if np.abs(change).max() < 1e-3:
            return spokes.step(state, dt, load, guess, th), guess
    low, high = np.zeros_like(load), np.full_like(load, 5000.0)
    for _ in range(45):
        guess = 0.5 * (low + high)
        too_far = over(guess) > 0
        low, high = np.where(too_far, low, guess), np.where(too_far, guess, high)
    return spokes.step(state, dt, load, guess, th), guess


def tension_under_chord(
    spokes: HiddenSpokes, time_s: Floats, chord_mm: Floats, length_mm: float, temperature_C: float
) -> Floats:
    """(T, S) N; chord counts from the seated length at 20 N."""
    n = spokes.count
    load = np.full(n, SEAT_N)
    state = spokes.step(spokes.virgin(), 0.0, np.zeros(n), load, temperature_C)
    seated = spokes.elastic_strain(load) + spokes.creep_strain(state)
    out = np.empty((time_s.size, n))
    out[0] = load
    for i in range(1, time_s.size):
        want = seated + chord_mm[i] / length_mm
        state, load = _to_strain(spokes, state, float(time_s[i] - time_s[i - 1]), load, want, 0.0, temperature_C)
        out[i] = load
    return out


def wheel_chord(
    batch: HiddenBatch,
    length_mm: float,
    follow_up: float,
    days: float,
    rng: np.random.Generator,
    stretch: tuple[float, float] | None = None,
) -> tuple[Floats, Floats, float]:
    """Time and chord of a middle spoke in a mean-field wheel, and when its first set begins, s: set in steps, one pass
    after a night, then left alone; before that on the frame at a load (N) for hours, and laced, where it is stretched."""
    one = middle_spokes(batch)
    give = follow_up / batch.EA_N
    target = float(rng.uniform(900.0, 1050.0))
    th = 20.0
    time, chord = [0.0], [0.0]
    load = np.array([SEAT_N])
    state = one.step(one.virgin(), 0.0, np.zeros(1), load, th)
    seated = float((one.elastic_strain(load) + one.creep_strain(state))[0])

    def note(dt: float) -> None:
        time.append(time[-1] + dt)
        chord.append(length_mm * (float((one.elastic_strain(load) + one.creep_strain(state))[0]) - seated))

    def held(to: float, seconds: float) -> None:
        nonlocal state, load
        start = float(load[0])
        for x in np.linspace(0.0, 1.0, 13)[1:]:
            new = np.array([start + x * (to - start)])
            state, load = one.step(state, 5.0, load, new, th), new
            note(5.0)
        for dt in np.diff(np.concatenate([[0.0], np.geomspace(5.0, seconds, 30)])):
            state = one.step(state, float(dt), load, load, th)
            note(float(dt))

    def alone(seconds: float) -> None:
        nonlocal state, load
        total = one.elastic_strain(load) + one.creep_strain(state) + give * load
        for dt in np.diff(np.concatenate([[0.0], np.geomspace(5.0, seconds, 120)])):
            state, load = _to_strain(one, state, float(dt), load, total, give, th)
            note(float(dt))

    if stretch is not None:
        for N, hours in (stretch, (SEAT_N, 0.5), (100.0, 11.5)):
            held(N, 3600.0 * hours)
    begins_s = time[-1]
    for share in (0.3, 0.6, 0.85):
        held(share * target, 720.0)
    held(target, 1500.0)
    alone(14 * 3600.0)
    held(target, 1800.0)
    alone(days * 86400.0 + begins_s - time[-1])
    return np.array(time), np.array(chord), begins_s


def bench_then_wheel_load(days: float, rng: np.random.Generator) -> tuple[Floats, Floats, float]:
    """Time and load: a stretch, slack, lacing, then a tension that falls as in a wheel; and when the wheel began, s."""
    stretch, rest = float(rng.uniform(1200.0, 1550.0)), float(rng.uniform(0.5, 20.0)) * 3600.0
    pieces = [(stretch, float(rng.uniform(4.0, 10.0)) * 3600.0), (0.0, rest), (100.0, 11.5 * 3600.0)]
    time, load = [0.0], [SEAT_N]
    for to, seconds in pieces:
        time += list(time[-1] + np.concatenate([[60.0], 60.0 + np.geomspace(5.0, seconds, 40)]))
        load += [to] * 41
    begins_s = time[-1]
    t = np.geomspace(60.0, days * 86400.0 - begins_s, 120)
    target = float(rng.uniform(900.0, 1050.0))
    fall = float(rng.uniform(0.0, 0.02))
    load += list(target * (1.0 - fall * np.log10(t / 60.0)))
    time += list(begins_s + t)
    return np.array(time), np.array(load), begins_s


def write_history(path: Path, time_s: Floats, name: str, values: Floats) -> None:
    """HISTORY.csv at 20 degC throughout."""
    with path.open("w", newline="", encoding="utf-8") as f:
        writer = csv.writer(f)
        writer.writerow(["time_s", name, "temperature_C"])
        writer.writerows([f"{t:.3f}", f"{v:.6f}", "20.0"] for t, v in zip(time_s, values, strict=True))
