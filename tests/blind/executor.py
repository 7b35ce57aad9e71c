"""Executes a schedule on hidden spokes, by the contract's rules and with its own integrator.

All wheels of a trial share one build and run side by side: tensions are (W, N), the spokes are W x N flat. Between
sessions each wheel obeys: fibre length x strain + (give of the rim) x tension + seating = a constant set when the
nipples are left alone; solved at each step by Newton's method with the creep of the step inside.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.blind.hidden import HiddenSpokes, State
from tests.blind.wheelref import Wheel

Floats = NDArray[np.float64]
FIRST_STEP_S = 2.0
STEPS_PER_DECADE = 24
SEATING_TAU_S = 1200.0


class InvalidSchedule(Exception):
    """The schedule breaks a value of the build, or the order of steps."""


def log_steps(duration_s: float, first_s: float = FIRST_STEP_S) -> Floats:
    """Step lengths that sum to the duration, even in the logarithm of time."""
    if duration_s <= 0:
        return np.empty(0)
    if duration_s <= first_s:
        return np.array([duration_s])
    n = max(2, math.ceil(STEPS_PER_DECADE * math.log10(duration_s / first_s)))
    edges = np.concatenate([[0.0], np.geomspace(first_s, duration_s, n + 1)])
    return np.diff(edges)


def hold(
    spokes: HiddenSpokes, state: State, duration_s: float, load0: Floats, load1: Floats, temperature_C: float
) -> State:
    """Load reached at once from load0 and held."""
    state = spokes.step(state, 0.0, load0, load1, temperature_C)
    for dt in log_steps(duration_s):
        state = spokes.step(state, float(dt), load1, load1, temperature_C)
    return state


def ramp(
    spokes: HiddenSpokes,
    state: State,
    duration_s: float,
    load0: Floats,
    load1: Floats,
    temperature_C: float,
    parts: int = 12,
) -> State:
    """Load moved evenly from load0 to load1."""
    for i in range(parts):
        a, b = load0 + (load1 - load0) * i / parts, load0 + (load1 - load0) * (i + 1) / parts
        state = spokes.step(state, duration_s / parts, a, b, temperature_C)
    return state


@dataclass
class Locked:
    """Wheels whose nipples are left alone: the constant of each chord, and how far the rim gives."""

    spokes: HiddenSpokes
    state: State
    tension: Floats  # (W, N)
    length_mm: float
    give: Floats  # (N, N)
    seating: Callable[[float], Floats]  # absolute time, s -> (W, N) mm
    time_s: float
    temperature_C: float
    constant: Floats = field(init=False)
    since_s: float = field(init=False)  # when the nipples were left alone

    def __post_init__(self) -> None:
        self.since_s = self.time_s
        self.constant = self._chord(self.state, self.tension) + self.seating(self.time_s)

    def _chord(self, state: State, tension: Floats) -> Floats:
        strain = self.spokes.elastic_strain(tension.ravel()) + self.spokes.creep_strain(state)
        return self.length_mm * strain.reshape(tension.shape) + tension @ self.give.T

    def step(self, dt: float) -> None:
        """Advance by dt; tension falls by what creep and seating take."""
        t0 = self.tension
        flat0 = t0.ravel()
        after = self.seating(self.time_s + dt)
        _, gain1, _ = self.spokes.recoverable_weights(dt, self.temperature_C)
        slope = self.spokes.elastic_slope(flat0) + (self.spokes.recoverable @ gain1) * self.spokes.drive_slope(flat0)
        jac = np.broadcast_to(self.give, (*t0.shape, t0.shape[1])).copy()
        index = np.arange(t0.shape[1])
        jac[:, index, index] += self.length_mm * slope.reshape(t0.shape)
        inverse = np.linalg.inv(jac)
        guess = t0.copy()
        for _ in range(40):
            state = self.spokes.step(self.state, dt, flat0, guess.ravel(), self.temperature_C)
            miss = self._chord(state, guess) + after - self.constant
            change = np.einsum("wij,wj->wi", inverse, miss)
            guess = np.maximum(guess - change, 1e-3)
            if np.abs(change).max() < 1e-4:
                break
        else:
            raise RuntimeError("the wheel's tensions did not settle in a step")
        self.state = self.spokes.step(self.state, dt, flat0, guess.ravel(), self.temperature_C)
        self.tension = guess
        self.time_s += dt

    def to(self, time_s: float, first_s: float = FIRST_STEP_S) -> None:
        """Advance to an absolute time, in steps even in the logarithm of the time since the nipples were left alone."""
        gone = self.time_s - self.since_s
        if gone < first_s:
            steps = log_steps(time_s - self.time_s, first_s)
        else:
            n = max(1, math.ceil(STEPS_PER_DECADE * math.log10((time_s - self.since_s) / gone) - 1e-9))
            steps = np.diff(np.geomspace(gone, time_s - self.since_s, n + 1)) if time_s > self.time_s else np.empty(0)
        for dt in steps:
            self.step(float(dt))


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How well the builder sets tensions and what each wheel's seating is; drawn once for a set of wheels."""

    repeat: float  # sd of one reading, ratio
    bias: Floats  # (W,) ratio shared by all readings of a wheel
    seat_mm: Floats  # (W, N)
    seat_at_once: float  # share of the seating that comes the moment the nipples are left alone

    def seating(self, start_s: float) -> Callable[[float], Floats]:
        def at(time_s: float) -> Floats:
            t = max(time_s - start_s, 0.0)
            share = (
                0.0
                if time_s <= start_s
                else self.seat_at_once + (1.0 - self.seat_at_once) * -math.expm1(-t / SEATING_TAU_S)
            )
            return self.seat_mm * share

        return at


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What W wheels did under a schedule."""

    time_h: Floats  # (T,) from deliver to horizon
    tension_N: Floats  # (T, W, N)
    left_N: float  # targets
    right_N: float
    holds: NDArray[np.bool_]  # (W,)
    mean_ok: NDArray[np.bool_]  # (W,) side means alone
    spread_ok: NDArray[np.bool_]  # (W,)
    side_error_percent: Floats  # (T, W, 2) side mean against its own target
    spread_percent: Floats  # (T, W, 2)


def judge(time_h: Floats, tension: Floats, targets: tuple[float, float], tolerance: float, balance: float) -> Outcome:
    """The contract's 'holds', on tensions (T, W, N)."""
    means = np.stack([tension[..., ::2].mean(-1), tension[..., 1::2].mean(-1)], axis=-1)  # (T, W, 2)
    error = 100.0 * (means / np.array(targets) - 1.0)
    off = [np.abs(tension[..., side::2] / means[..., side : side + 1] - 1.0) for side in (0, 1)]
    spread = np.stack([100.0 * np.quantile(side, 0.95, axis=-1) for side in off], axis=-1)
    mean_ok = (np.abs(error) <= tolerance).all(axis=(0, 2))
    spread_ok = (spread <= balance).all(axis=(0, 2))
    return Outcome(
        time_h=time_h,
        tension_N=tension,
        left_N=targets[0],
        right_N=targets[1],
        holds=mean_ok & spread_ok,
        mean_ok=mean_ok,
        spread_ok=spread_ok,
        side_error_percent=error,
        spread_percent=spread,
    )


class Bench:
    """Runs schedules on W wheels of one build."""

    def __init__(
        self, build: Mapping[str, Any], wheel: Wheel, spokes: HiddenSpokes, reading: Reading, seed: int
    ) -> None:
        self.build, self.wheel, self.spokes, self.reading, self.seed = build, wheel, spokes, reading, seed
        self.n = wheel.ring.spokes
        self.w = spokes.count // self.n
        self.length_mm = float(build["spoke"]["fibre_length_mm"])
        self.shop_C = float(build["shop"]["temperature_C"])
        self.targets = wheel.side_targets(float(build["tension"]["target_N"]))

    # before the wheel ----------------------------------------------------------------------------------------------
    def _bench_night(self, step: Mapping[str, Any], rest_h: Floats, rest_N: float, rest_C: float) -> State:
        """All spokes through the stretch and each its own rest (N,) hours."""
        spokes, zero = self.spokes, np.zeros(self.spokes.count)
        load, th = np.full(spokes.count, float(step["load_N"])), float(step.get("temperature_C", self.shop_C))
        state = ramp(spokes, spokes.virgin(), 30.0, zero, load, th)
        for dt in log_steps(float(step["hours"]) * 3600.0):
            state = spokes.step(state, float(dt), load, load, th)
        if th != self.shop_C:  # cooled under load
            for dt in log_steps(1200.0, 60.0):
                state = spokes.step(state, float(dt), load, load, self.shop_C)
        rest = np.full(spokes.count, rest_N)
        state = ramp(spokes, state, 30.0, load, rest, self.shop_C)
        return self._rest(state, rest_h, rest, rest_C)

    def _rest(self, state: State, rest_h: Floats, load: Floats, th: float) -> State:
        out = {k: getattr(state, k).copy() for k in ("r", "b", "peak", "f")}
        every = np.tile(rest_h, self.w)
        for hours in np.unique(every):
            which = np.flatnonzero(every == hours)
            some = self.spokes.take(which)
            part = State(r=state.r[which], b=state.b[which], peak=state.peak[which], f=state.f[which])
            for dt in log_steps(float(hours) * 3600.0):
                part = some.step(part, float(dt), load[which], load[which], th)
            for k in out:
                out[k][which] = getattr(part, k)
        return State(**out)

    def prepare(self, steps: Sequence[Mapping[str, Any]]) -> State:
        """Stretch, rest and lacing of a schedule, on new spokes."""
        by_kind = {s["kind"]: s for s in steps}
        state = self.spokes.virgin()
        rest = by_kind.get("rest")
        load = np.zeros(self.spokes.count)
        if rest is not None:
            load = np.full(self.spokes.count, float(rest.get("load_N", 0.0)))
        if "prestretch" in by_kind:
            stretch = by_kind["prestretch"]
            shortest = float(rest["hours"]) if rest is not None else 0.0
            rest_h = np.full(self.n, shortest)
            for group in stretch.get("groups", ()):
                rest_h[np.array(group["positions"]) - 1] = float(group["rest_h"])
            th = float((rest or {}).get("temperature_C", self.shop_C))
            state = self._bench_night(stretch, rest_h, float(load[0]), th)
        if "laced" in by_kind:
            laced = by_kind["laced"]
            to = np.full(self.spokes.count, float(laced["tension_N"]))
            th = float(laced.get("temperature_C", self.shop_C))
            state = ramp(self.spokes, state, 30.0, load, to, th)
            for dt in log_steps(float(laced["hours"]) * 3600.0):
                state = self.spokes.step(state, float(dt), to, to, th)
            load = to
        self._load = load
        return state

    # sessions ------------------------------------------------------------------------------------------------------
    def _set_tensions(self, tension: Mapping[str, float], rng: np.random.Generator) -> Floats:
        wanted = self.wheel.pattern(float(tension["left"]), float(tension["right"]))
        noise = self.reading.repeat * rng.standard_normal((self.w, self.n)) + self.reading.bias[:, None]
        return self.wheel.reachable(wanted * (1.0 + noise))

    def _lock(self, state: State, tension: Floats, time_s: float, seat_start_s: float) -> Locked:
        return Locked(
            spokes=self.spokes,
            state=state,
            tension=tension,
            length_mm=self.length_mm,
            give=self.wheel.give(tension.mean(axis=0)),
            seating=self.reading.seating(seat_start_s),
            time_s=time_s,
            temperature_C=self.shop_C,
        )

    def first_set(self, state: State, tension: Mapping[str, float], rng: np.random.Generator) -> Locked:
        """The set session: rising shares, stress relief before the last turn up, then nipples left alone."""
        shop = self.build["shop"]
        full = self._set_tensions(tension, rng)
        load, spent_h = self._load, 0.0
        relief = shop.get("stress_relief") or {"squeezes": 0}
        below = [i for i, (share, _) in enumerate(shop["set_profile"]) if share < 1.0]
        for i, (share, hours) in enumerate(shop["set_profile"]):
            to = (share * full).ravel()
            each_s = (float(relief["seconds"]) + 30.0) if relief["squeezes"] and i == below[-1] else 0.0
            squeezes_s = each_s * int(relief["squeezes"])
            state = hold(self.spokes, state, hours * 3600.0 - squeezes_s, load, to, self.shop_C)
            if each_s:
                for _ in range(int(relief["squeezes"])):
                    peak = to * float(relief["peak_fraction"])
                    state = hold(self.spokes, state, float(relief["seconds"]), to, peak, self.shop_C)
                    state = hold(self.spokes, state, 30.0, peak, to, self.shop_C)
            load, spent_h = to, spent_h + hours
        to = full.ravel()
        left_s = (float(shop["set_session_h"]) - spent_h) * 3600.0
        state = hold(self.spokes, state, left_s, load, to, self.shop_C)
        end_s = float(shop["set_session_h"]) * 3600.0
        return self._lock(state, full, end_s, end_s)

    def retension(self, wheel: Locked, tension: Mapping[str, float], rng: np.random.Generator) -> Locked:
        """A touch or a pass: brought to its tension at once, held for the session, left alone."""
        full = self._set_tensions(tension, rng)
        session_s = float(self.build["shop"]["pass_session_h"]) * 3600.0
        state = hold(self.spokes, wheel.state, session_s, wheel.tension.ravel(), full.ravel(), self.shop_C)
        return self._lock(state, full, wheel.time_s + session_s, float(self.build["shop"]["set_session_h"]) * 3600.0)

    def outlook(self, wheel: Locked, deliver_h: float) -> Outcome:
        """From delivery to the horizon, at 60 times even in log time; consumes the wheel."""
        limits = self.build["tension"]
        wheel.to(max(deliver_h * 3600.0, wheel.time_s))
        time_h = np.geomspace(wheel.time_s / 3600.0, float(limits["horizon_h"]), 60)
        out = [wheel.tension.copy()]
        for t in time_h[1:]:
            wheel.to(float(t) * 3600.0)
            out.append(wheel.tension.copy())
        return judge(
            time_h, np.array(out), self.targets, float(limits["tolerance_percent"]), float(limits["balance_percent"])
        )

    def _last_session(self, steps: Sequence[Mapping[str, Any]]) -> tuple[Locked, np.random.Generator, float]:
        """The wheels after the schedule's last session, the readings' generator, the hour of delivery."""
        rng = np.random.default_rng([self.seed, 7])
        state = self.prepare(steps)
        wheel: Locked | None = None
        for s in steps:
            if s["kind"] == "set":
                wheel = self.first_set(state, s["tension_N"], rng)
            elif s["kind"] in ("touch", "pass"):
                assert wheel is not None
                wheel.to(float(s["at_h"]) * 3600.0)
                wheel = self.retension(wheel, s["tension_N"], rng)
        assert wheel is not None
        return wheel, rng, float(next(s for s in steps if s["kind"] == "deliver")["at_h"])

    def execute(self, steps: Sequence[Mapping[str, Any]]) -> Outcome:
        """The whole schedule, from delivery to the horizon."""
        wheel, _, deliver_h = self._last_session(steps)
        return self.outlook(wheel, deliver_h)

    def passes_to_hold(
        self, steps: Sequence[Mapping[str, Any]], tolerances: Sequence[float], set_high: float = 0.0, most: int = 12
    ) -> Floats:
        """`further` passes after the schedule's own; NaN above `most`."""
        wheel, rng, deliver_h = self._last_session(steps)
        return self.further(wheel, deliver_h, rng, tolerances, set_high, most)

    def further(
        self, wheel: Locked, deliver_h: float, rng: np.random.Generator, tolerances: Sequence[float],
        set_high: float = 0.0, most: int = 12,
    ) -> Floats:  # fmt: skip
        """(tolerances, W) least number of further passes, one each night, after which a wheel holds; NaN above `most`.

        Passes are to the target, or above it by the share `set_high` of the tolerance. Delivery moves to an hour after
        the last of them where that is later than planned.
        """
        count, balance = np.full((len(tolerances), self.w), np.nan), float(self.build["tension"]["balance_percent"])
        begun, drawn = (wheel, deliver_h), rng.bit_generator.state
        for i, tolerance in enumerate(tolerances if set_high else tolerances[:1]):  # one run serves all tolerances
            (wheel, deliver_h), rng.bit_generator.state = begun, drawn
            wheel = copy.copy(wheel)
            high = 1.0 + set_high * tolerance / 100.0
            to = {"left": high * self.targets[0], "right": high * self.targets[1]}
            for extra in range(most + 1):
                if extra:
                    wheel.to(wheel.time_s + float(self.build["shop"]["pass_interval_h"]) * 3600.0)
                    wheel = self.retension(wheel, to, rng)
                    deliver_h = max(deliver_h, wheel.time_s / 3600.0 + 1.0)
                out = self.outlook(copy.copy(wheel), deliver_h)
                served = [i] if set_high else range(len(tolerances))
                for k in served:
                    again = judge(out.time_h, out.tension_N, self.targets, tolerances[k], balance)
                    count[k, again.holds & np.isnan(count[k])] = extra
                if not np.isnan(count[list(served)]).any():
                    break
        return count

    def untreated_steps(self) -> list[dict[str, Any]]:
        """The trade's way: laced as the shop laces, set to target, nothing else."""
        shop = self.build["shop"]
        return [
            {"kind": "laced", "hours": shop["laced_h"], "tension_N": shop["lacing_tension_N"]},
            {"kind": "set", "at_h": 0.0, "tension_N": {"left": self.targets[0], "right": self.targets[1]}},
            {"kind": "deliver", "at_h": float(self.build["tension"]["delivery_h"])},
        ]

    def untreated_passes(self, most: int = 12) -> Floats:
        """(W,) the trade's count: retensions until a night in which neither side's mean lost more than settled_percent."""
        rng = np.random.default_rng([self.seed, 7])
        steps = self.untreated_steps()
        wheel = self.first_set(self.prepare(steps), steps[1]["tension_N"], rng)
        night_s = float(self.build["shop"]["pass_interval_h"]) * 3600.0
        count = np.full(self.w, np.nan)
        for done in range(most + 1):
            before = np.stack([wheel.tension[:, ::2].mean(1), wheel.tension[:, 1::2].mean(1)])
            wheel.to(wheel.time_s + night_s)
            after = np.stack([wheel.tension[:, ::2].mean(1), wheel.tension[:, 1::2].mean(1)])
            lost = 100.0 * (1.0 - after / before).max(axis=0)
            settled = (lost <= float(self.build["tension"]["settled_percent"])) & np.isnan(count)
            count[settled] = done
            if not np.isnan(count).any():
                break
            wheel = self.retension(wheel, steps[1]["tension_N"], rng)
        return count
