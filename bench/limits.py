"""Limits of a station as pure functions: what a fresh reading breaks, level by level, every tick; nothing here acts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bench.faults import RULES, Fault, applies
from bench.frame import StationFacts, StationReading
from bench.machine import StationState as S
from bench.steps import RunLimits

SETTLED_S = 60.0  # a hold is settled this long after its load was reached
RECOVERS_N = 15.0  # a spoke that gives length back raises its own load: some 4 N in ten readings after 1500 N
SLIP_SHARE = 0.01  # of the load, lost in one step with the position unchanged
SLIP_STRAIN_PER_S = 1e-6  # slowest growth of strain that is taken for a slipping fitting
_HELD = frozenset({S.HOLDING, S.RECOVERING, S.PAUSED})
_TAUT_MOVES = frozenset({S.RAMPING, S.EASING_OFF, S.PULLING})
BROKEN_SHARE = 0.6  # of the highest load: what is left when a spoke has broken is less


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One broken limit: what was measured against what, since when."""

    fault: Fault
    station: int | None  # index on the frame; None: the frame
    measured: float
    limit: float
    unit: str  # empty for a yes or no
    since_s: float  # run time at which it was first seen

    def message(self, name: str | None) -> str:
        """Measured, limit, unit, since when, what happens, what to do."""
        rule = RULES[self.fault]
        who = f"station {name}: " if name is not None else ""
        figures = f": {self.measured:.6g} {self.unit} (limit {self.limit:.6g})" if self.unit else ""
        return (
            f"{who}{self.fault.value}: {rule.means}{figures}, since {clock_text(self.since_s)}; "
            f"{rule.reaction.value}; do: {rule.do}"
        )


def clock_text(seconds: float) -> str:
    """Run time as h:mm:ss."""
    whole = int(max(0.0, seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a station is asked to do at the moment, and what is known of its spoke."""

    state: S
    enable: bool
    target_mm: float | None  # last target sent; None before the first
    span_mm: tuple[float, float]  # between which positions the last two moves run
    speed_mm_per_s: float
    set_load_N: float  # 0 where none is set
    stiffness_N_per_mm: float
    zero_mm: float | None  # position of the seated, unloaded spoke; None before it is seated
    slack_from_mm: float | None  # where slack began to be taken up; None once the spoke bears
    reached_s: float | None  # run time at which the held load was reached
    creep_mm_per_s: float  # of the hold, smoothed
    slip_mm_per_s: float  # slowest growth of length that is taken for a slipping fitting


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What the checks of one station remember from reading to reading."""

    load_N: float
    position_mm: float
    same_load_mm: float  # position at which the load last changed
    same_load_n: int = 0  # readings since then
    quiet_mm: float  # a pair of position and load that went together a while ago
    quiet_N: float
    quiet_n: int = 0
    way_mm: float  # where the last stretch of motion began, and its load
    way_N: float
    band_mm: float  # position at which the load was last inside its band
    progress_mm: float  # where the drive last got on
    progress_s: float
    slips: int = 0
    least_mm_per_decade: float = math.inf  # slowest creep of this settled hold, per decade of time
    state: S = S.WAITING
    pending: tuple[tuple[Fault, float, int], ...] = ()  # fault, since when, readings in a row


def first_watch(reading: StationReading, at_s: float) -> Watch:
    """The memory after the very first reading."""
    x, f = reading.position_mm, reading.load_N
    return Watch(
        load_N=f,
        position_mm=x,
        same_load_mm=x,
        quiet_mm=x,
        quiet_N=f,
        way_mm=x,
        way_N=f,
        band_mm=x,
        progress_mm=x,
        progress_s=at_s,
    )


def check_station(
    watch: Watch,
    reading: StationReading,
    asked: Asked,
    facts: StationFacts,
    limits: RunLimits,
    *,
    station: int,
    at_s: float,
    dt_s: float,
    lag_s: float,
) -> tuple[Watch, tuple[Violation, ...]]:
    """Every limit of one station against one fresh reading.

    Parameters
    ----------
    at_s : float
        Run time of the reading, s.
    dt_s : float
        Device time since the reading before, s.
    lag_s : float
        How long a command takes from decision to its effect in a reading, s.

    Returns
    -------
    The memory for the next reading, and what is broken now.
    """
    x, f = reading.position_mm, reading.load_N
    state = asked.state
    seen: dict[Fault, tuple[float, float, str]] = {}
    if not (math.isfinite(x) and math.isfinite(f)):
        fault = Fault.POSITION_LOST if not math.isfinite(x) else Fault.CELL_FAULT
        seen[fault] = (0.0, 0.0, "")
        return _persist(watch, seen, state, station, at_s)
    sigma, step = facts.load_noise_N, facts.step_mm
    k = asked.stiffness_N_per_mm
    moved, gained = x - watch.position_mm, f - watch.load_N
    _plain(seen, reading, asked, facts, limits)
    _drive(seen, watch, reading, asked, facts, at_s, dt_s, lag_s)
    # the cell
    frozen_N = max(10.0 * sigma, 5.0)
    same = f == watch.load_N
    same_mm, same_n = (watch.same_load_mm, watch.same_load_n + 1) if same else (x, 0)
    if same_n >= 8 and abs(x - same_mm) * k > frozen_N and f > max(5.0 * sigma, 2.0):
        seen[Fault.CELL_FROZEN] = (abs(x - same_mm) * k, frozen_N, "N expected change")
    elif same_n >= 20 and sigma > 0 and asked.slack_from_mm is not None and abs(x - same_mm) > 0.0:
        seen[Fault.CELL_FROZEN] = (float(same_n), 20.0, "equal readings while slack is taken up")
    elif same_n >= 300 and sigma >= 0.1 and state in _HELD:
        seen[Fault.CELL_FROZEN] = (float(same_n), 300.0, "equal readings")
    # load and position against each other
    least = max(20.0 * sigma, 10.0)
    if watch.load_N >= least and f < 0.4 * watch.load_N and -moved * k < 0.5 * -gained:
        seen[Fault.LET_GO] = (f, 0.4 * watch.load_N, "N")
    jump_mm = 2.0 * max(asked.speed_mm_per_s, 0.0) * dt_s + 10.0 * step + 0.02
    if abs(moved) > jump_mm and watch.load_N >= least and abs(gained) < 0.3 * k * abs(moved):
        seen[Fault.ENCODER_JUMP] = (moved, jump_mm, "mm")
        seen.pop(Fault.OVER_SPEED, None)
        seen.pop(Fault.FOLLOWING, None)
    new = _Next(watch=watch, x=x, f=f, same_mm=same_mm, same_n=same_n)
    quiet = _quiet(seen, watch, new, asked, sigma)
    way = _way(seen, watch, new, asked, sigma, at_s)
    slips, least = _slip(seen, watch, asked, gained, moved, f, sigma, at_s)
    progress = (watch.progress_mm, watch.progress_s)
    waits = asked.target_mm is not None and abs(asked.target_mm - x) > max(3.0 * step, 0.002)
    if not waits or abs(x - watch.progress_mm) >= step:
        progress = (x, at_s)
    band = watch.band_mm
    if state is not watch.state or abs(f - asked.set_load_N) <= max(0.01 * asked.set_load_N, 5.0 * sigma):
        band = x
    watch = Watch(
        load_N=f,
        position_mm=x,
        same_load_mm=same_mm,
        same_load_n=same_n,
        quiet_mm=quiet[0],
        quiet_N=quiet[1],
        quiet_n=quiet[2],
        way_mm=way[0],
        way_N=way[1],
        band_mm=band,
        progress_mm=progress[0],
        progress_s=progress[1],
        slips=slips,
        least_mm_per_decade=least,
        state=state,
        pending=watch.pending,
    )
    return _persist(watch, seen, state, station, at_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Next:
    watch: Watch
    x: float
    f: float
    same_mm: float
    same_n: int


Seen = dict[Fault, tuple[float, float, str]]


def _plain(seen: Seen, reading: StationReading, asked: Asked, facts: StationFacts, limits: RunLimits) -> None:
    """What one reading alone tells."""
    x, f = reading.position_mm, reading.load_N
    if facts.cell_range_N is not None and abs(f) >= 0.995 * facts.cell_range_N and f > 0:
        seen[Fault.CELL_SATURATED] = (f, 0.995 * facts.cell_range_N, "N")
    elif reading.load_fault:
        seen[Fault.CELL_FAULT] = (f, 0.0, "")
    if f > limits.max_load_N and Fault.CELL_SATURATED not in seen and not reading.load_fault:
        seen[Fault.OVER_LOAD] = (f, limits.max_load_N, "N")
    low, high = facts.travel_mm
    slop = 3.0 * facts.step_mm
    if reading.limit_high or x > high + slop:
        seen[Fault.OVER_TRAVEL] = (x, high, "mm")
    elif reading.limit_low or x < low - slop:
        seen[Fault.OVER_TRAVEL] = (x, low, "mm")
    elif (
        x <= low + slop
        and asked.state in _TAUT_MOVES
        and asked.set_load_N == 0
        and f > 10.0 * facts.load_noise_N + 10.0
    ):
        seen[Fault.OVER_TRAVEL] = (x, low, "mm with the load still on")
    elif asked.zero_mm is not None and x - asked.zero_mm > limits.max_elongation_mm:
        seen[Fault.OVER_TRAVEL] = (x - asked.zero_mm, limits.max_elongation_mm, "mm beyond the seat")
    elif asked.slack_from_mm is not None and x - asked.slack_from_mm > limits.max_slack_mm:
        seen[Fault.OVER_TRAVEL] = (x - asked.slack_from_mm, limits.max_slack_mm, "mm pulled in and nothing bears")
    if not reading.position_valid:
        seen[Fault.POSITION_LOST] = (x, 0.0, "")
    if reading.drive_fault:
        seen[Fault.DRIVE_FAULT] = (float(reading.drive_fault), 0.0, "(the drive's code)")
    if asked.enable and not reading.enabled:
        seen[Fault.DRIVE_DROPPED] = (0.0, 1.0, "")


def _drive(
    seen: Seen,
    watch: Watch,
    reading: StationReading,
    asked: Asked,
    facts: StationFacts,
    at_s: float,
    dt_s: float,
    lag_s: float,
) -> None:
    """What the drive does against what it was told."""
    x, step = reading.position_mm, facts.step_mm
    moved = x - watch.position_mm
    if dt_s > 0:
        v = abs(moved) / dt_s
        fastest = min(1.3 * facts.max_speed_mm_per_s, 2.0 * asked.speed_mm_per_s + 0.005) + (5.0 * step + 0.002) / dt_s
        if v > fastest:
            seen[Fault.OVER_SPEED] = (v, fastest, "mm/s")
    low, high = asked.span_mm
    slop = asked.speed_mm_per_s * 2.0 * lag_s + 5.0 * step + 0.01
    if asked.target_mm is not None and not low - slop <= x <= high + slop:
        past = x - high if x > high else x - low
        seen[Fault.FOLLOWING] = (past, slop, "mm past its target")
    elif asked.target_mm is not None and asked.enable and asked.state not in (S.KEPT, S.DRIVE_OFF):
        away = asked.target_mm - x
        if abs(away) > max(3.0 * step, 0.002) and abs(x - watch.progress_mm) < step:
            longest = max(1.0, 4.0 * lag_s, 4.0 * step / max(asked.speed_mm_per_s, 1e-9))
            if at_s - watch.progress_s > longest:
                seen[Fault.FOLLOWING] = (away, max(3.0 * step, 0.002), f"mm short, at a stand for {longest:.1f} s")


def _quiet(seen: Seen, watch: Watch, new: _Next, asked: Asked, sigma: float) -> tuple[float, float, int]:
    """A load that rises more than its position explains."""
    held = asked.state in _HELD and asked.state is watch.state
    excess = new.f - watch.quiet_N - asked.stiffness_N_per_mm * (new.x - watch.quiet_mm)
    limit = max(10.0 * sigma, 0.02 * asked.set_load_N, 5.0)
    if asked.state is S.RECOVERING:
        limit += RECOVERS_N
    if held and excess > limit:
        seen[Fault.LOAD_WITHOUT_MOTION] = (excess, limit, "N unexplained")
        return watch.quiet_mm, watch.quiet_N, watch.quiet_n
    if not held or excess < -3.0 * sigma or watch.quiet_n >= 10:
        return new.x, new.f, 0
    return watch.quiet_mm, watch.quiet_N, watch.quiet_n + 1


def _way(seen: Seen, watch: Watch, new: _Next, asked: Asked, sigma: float, at_s: float) -> tuple[float, float]:
    """Motion that the load does not follow."""
    k, x, f = asked.stiffness_N_per_mm, new.x, new.f
    here = (x, f)
    if asked.state is not watch.state:
        return here
    if asked.state in _TAUT_MOVES:
        if asked.slack_from_mm is not None or (asked.state is S.PULLING and f < BROKEN_SHARE * watch.load_N):
            return here
        stretch = max(20.0 * sigma, 20.0)
        expected = k * abs(x - watch.way_mm)
        if expected < stretch:
            return watch.way_mm, watch.way_N
        toward = math.copysign(1.0, x - watch.way_mm)
        taut = f > max(10.0 * sigma, 10.0) or toward > 0
        if taut and toward * (f - watch.way_N) < 0.15 * expected:
            seen[Fault.MOTION_WITHOUT_LOAD] = (toward * (f - watch.way_N), 0.15 * expected, "N gained")
            return watch.way_mm, watch.way_N
        return here
    if asked.state in _HELD and _settled(asked, at_s, 30.0):
        # a correction that has no effect: far out of the band, and moved three times as far as it takes
        off = asked.set_load_N - f
        wide = max(0.01 * asked.set_load_N, 5.0 * sigma, 5.0)
        corrected = k * (x - watch.band_mm)
        if abs(off) > wide and off * corrected > 0 and abs(corrected) > 3.0 * wide + abs(off):
            seen[Fault.MOTION_WITHOUT_LOAD] = (-off, wide, f"N off after a correction of {corrected:.3g} N")
    return here


def _settled(asked: Asked, at_s: float, after_s: float = SETTLED_S) -> bool:
    return asked.reached_s is not None and at_s - asked.reached_s >= after_s


def _slip(
    seen: Seen, watch: Watch, asked: Asked, gained: float, moved: float, f: float, sigma: float, at_s: float
) -> tuple[int, float]:
    """End fittings: steps in a settled hold, or a rate of creep that grows."""
    if asked.state is S.PAUSED or asked.state not in _HELD or not _settled(asked, at_s):
        return watch.slips, math.inf
    k = asked.stiffness_N_per_mm
    slips = watch.slips
    limit = max(10.0 * sigma, SLIP_SHARE * asked.set_load_N)
    if gained < -limit and k * abs(moved) < 0.3 * -gained and f >= 0.4 * watch.load_N:
        slips += 1
        fault = Fault.SLIP if slips >= 2 else Fault.SLIP_SUSPECTED
        seen[fault] = (-gained, limit, "N lost in one step")
    # natural creep slows down like 1/t: what it gives in a decade of time hardly grows, whereas a slip's share does
    age_s = at_s - (asked.reached_s or 0.0)
    if age_s < 5.0 * SETTLED_S:
        return slips, math.inf
    per_decade = max(asked.creep_mm_per_s, 0.0) * age_s * math.log(10.0)
    if per_decade > 4.0 * watch.least_mm_per_decade and asked.creep_mm_per_s > asked.slip_mm_per_s:
        limit = 4.0 * watch.least_mm_per_decade
        seen.setdefault(Fault.SLIP, (per_decade, limit, "mm a decade"))
    return slips, min(watch.least_mm_per_decade, per_decade)


def _persist(watch: Watch, seen: Seen, state: S, station: int, at_s: float) -> tuple[Watch, tuple[Violation, ...]]:
    """Raise what has lasted as long as its rule asks."""
    if not seen:
        return (replace(watch, pending=()) if watch.pending else watch), ()
    before = {fault: (since, n) for fault, since, n in watch.pending}
    pending, raised = [], []
    for fault, (measured, limit, unit) in seen.items():
        if not applies(fault, state):
            continue
        since, n = before.get(fault, (at_s, 0))
        n += 1
        pending.append((fault, since, n))
        rule = RULES[fault]
        slow = fault is Fault.SLIP and unit == "mm a decade"  # a rate must last; a step is a step
        if n >= rule.persist_ticks and at_s - since >= (SETTLED_S if slow else rule.persist_s):
            raised.append(
                Violation(fault=fault, station=station, measured=measured, limit=limit, unit=unit, since_s=since)
            )
    return replace(watch, pending=tuple(pending)), tuple(raised)
