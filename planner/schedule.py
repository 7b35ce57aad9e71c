"""A tensioning schedule: its steps, how they are written, whether a build allows them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from models.errors import InputError

if TYPE_CHECKING:
    from planner.build import Build, Shop

SLACK_OF_A_CHECK = 1e-6  # hours and ratios compare equal within this
MOST = 1e6  # N, h or degC: more is a slip of the pen


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Spokes that were stretched in the same run of the frame, and how long each rests before it is laced."""

    positions: tuple[int, ...]  # 1 to N
    rest_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prestretch:
    """On the frame: the load reached within a minute, held, unloaded within a minute."""

    load_N: float
    hours: float  # from when the load is reached
    temperature_C: float
    groups: tuple[Group, ...] = ()  # empty: all spokes rest alike


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Off the frame, before lacing; where spokes rest for different times this is the shortest."""

    hours: float
    temperature_C: float
    load_N: float = 0.0  # 0: slack


@dataclass(frozen=True, slots=True, kw_only=True)
class Laced:
    """In the wheel at a small tension, before the first set."""

    hours: float
    tension_N: float
    temperature_C: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Nipples are turned: the first set, a touch on the same day, or a pass after a night."""

    kind: str  # set, touch or pass
    at_h: float  # from the start of the set session
    left_N: float
    right_N: float

    @property
    def tension_N(self) -> tuple[float, float]:
        """Mean set tension of the left and the right side, N."""
        return self.left_N, self.right_N

    def length_h(self, shop: Shop) -> float:
        """How long the session takes."""
        return shop.set_session_h if self.kind == "set" else shop.pass_session_h


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliver:
    """The wheel leaves the shop."""

    at_h: float


Step = Prestretch | Rest | Laced | Session | Deliver
SESSIONS = ("set", "touch", "pass")


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """All steps of one wheel, in order."""

    prestretch: Prestretch | None = None
    rest: Rest | None = None
    laced: Laced | None = None
    sessions: tuple[Session, ...] = field(default=())
    deliver: Deliver

    @property
    def passes(self) -> int:
        """Overnight passes: sessions after a night's rest."""
        return sum(s.kind == "pass" for s in self.sessions)

    @property
    def touches(self) -> int:
        """Sessions on the day of the set."""
        return sum(s.kind == "touch" for s in self.sessions)

    def rest_h(self, spokes: int) -> list[float]:
        """Rest of each position between frame and lacing, h."""
        shortest = self.rest.hours if self.rest else 0.0
        out = [shortest] * spokes
        for group in self.prestretch.groups if self.prestretch else ():
            for p in group.positions:
                out[p - 1] = group.rest_h
        return out

    def __iter__(self) -> Iterator[Step]:
        for step in (self.prestretch, self.rest, self.laced):
            if step is not None:
                yield step
        yield from self.sessions
        yield self.deliver

    def as_list(self) -> list[dict[str, Any]]:
        """The ``steps`` of schedule.json."""
        return [_written(step) for step in self]


def _written(step: Step) -> dict[str, Any]:
    match step:
        case Prestretch():
            out: dict[str, Any] = {
                "kind": "prestretch",
                "load_N": step.load_N,
                "hours": step.hours,
                "temperature_C": step.temperature_C,
            }
            if step.groups:
                out["groups"] = [{"positions": list(g.positions), "rest_h": g.rest_h} for g in step.groups]
            return out
        case Rest():
            return {
                "kind": "rest",
                "hours": step.hours,
                "load_N": step.load_N,
                "temperature_C": step.temperature_C,
            }
        case Laced():
            return {
                "kind": "laced",
                "hours": step.hours,
                "tension_N": step.tension_N,
                "temperature_C": step.temperature_C,
            }
        case Session():
            return {
                "kind": step.kind,
                "at_h": step.at_h,
                "tension_N": {"left": step.left_N, "right": step.right_N},
            }
        case Deliver():
            return {"kind": "deliver", "at_h": step.at_h}


def _number(given: Mapping[str, Any], key: str, default: float | None = None) -> float:
    """One number of a step, in a range that no schedule leaves."""
    value = given[key] if default is None else given.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= MOST:
        raise ValueError(f"{key} is {value!r}; allowed is a number from -{MOST:g} to {MOST:g}")
    return float(value)


def schedule_of(steps: Sequence[Mapping[str, Any]], temperature_C: float = 20.0) -> Schedule:
    """Read the ``steps`` of schedule.json; ``temperature_C`` serves where a step gives none.

    Raises
    ------
    InputError
        Names the step and what is wrong with it: an unknown kind, a missing key, a wrong order.
    """
    order = {"prestretch": 0, "rest": 1, "laced": 2, "set": 3, "touch": 4, "pass": 4, "deliver": 5}
    found: dict[str, Any] = {}
    sessions: list[Session] = []
    last = -1
    for i, step in enumerate(steps, start=1):
        kind = step.get("kind") if isinstance(step, Mapping) else None
        if not isinstance(kind, str) or kind not in order:
            raise InputError(f"steps: step {i}: kind {kind!r} is unknown; allowed are {', '.join(order)}")
        where = f"steps: step {i} ({kind})"
        if order[kind] < last or (order[kind] == last and kind not in ("touch", "pass")):
            raise InputError(f"{where}: comes too late or twice; the order is {', '.join(order)}")
        last = order[kind]
        try:
            th = _number(step, "temperature_C", temperature_C)
            match kind:
                case "prestretch":
                    found[kind] = Prestretch(
                        load_N=_number(step, "load_N"),
                        hours=_number(step, "hours"),
                        temperature_C=th,
                        groups=tuple(
                            Group(positions=tuple(int(p) for p in g["positions"]), rest_h=_number(g, "rest_h"))
                            for g in step.get("groups", ())
                        ),
                    )
                case "rest":
                    found[kind] = Rest(
                        hours=_number(step, "hours"), load_N=_number(step, "load_N", 0.0), temperature_C=th
                    )
                case "laced":
                    found[kind] = Laced(
                        hours=_number(step, "hours"), tension_N=_number(step, "tension_N"), temperature_C=th
                    )
                case "deliver":
                    found[kind] = Deliver(at_h=_number(step, "at_h"))
                case _:
                    tension = step["tension_N"]
                    if not isinstance(tension, Mapping):
                        raise ValueError(f"tension_N is {tension!r}; allowed is an object of left and right")
                    sessions.append(
                        Session(
                            kind=kind,
                            at_h=_number(step, "at_h"),
                            left_N=_number(tension, "left"),
                            right_N=_number(tension, "right"),
                        )
                    )
        except KeyError as error:
            raise InputError(f"{where}: key {error} is missing") from None
        except (TypeError, ValueError, AttributeError) as error:
            raise InputError(f"{where}: {error}") from None
    if not sessions or sessions[0].kind != "set":
        raise InputError("steps: exactly one set, with at_h 0, comes before any touch or pass")
    if "deliver" not in found:
        raise InputError("steps: the last step is deliver")
    return Schedule(sessions=tuple(sessions), **found)


def peak_tension_N(schedule: Schedule, shop: Shop) -> float:
    """The highest tension that a session asks of a spoke, squeezes included, N."""
    return max(max(s.tension_N) for s in schedule.sessions) * shop.squeezed_peak


def check_schedule(schedule: Schedule, build: Build, buckling_N: float | None = None) -> list[str]:
    """What in a schedule breaks a value of the build, each in one sentence; empty where it may be done.

    Parameters
    ----------
    buckling_N : float, optional
        0.6 of the tension at which the rim leaves its plane by itself (`Wheel.buckling_tension_N`); not held
        against the schedule where it is left out.
    """
    return [
        *_before_the_wheel(schedule, build),
        *_times(schedule, build),
        *_tensions(schedule, build, buckling_N),
    ]


def _over(value: float, limit: float) -> bool:
    return value > limit * (1.0 + SLACK_OF_A_CHECK) + SLACK_OF_A_CHECK


def _before_the_wheel(schedule: Schedule, build: Build) -> list[str]:
    shop, out = build.shop, []
    stretch, rest, laced = schedule.prestretch, schedule.rest, schedule.laced
    if stretch is not None:
        if not stretch.load_N > 0 or not stretch.hours >= 0:
            out.append(f"prestretch: {stretch.load_N:g} N for {stretch.hours:g} h is no stretch")
        if _over(stretch.load_N, build.bench_limit_N()):
            out.append(f"prestretch: load {stretch.load_N:g} N is over the bench's limit, {build.bench_limit_N():g} N")
        if _over(stretch.hours, shop.max_bench_h):
            out.append(f"prestretch: {stretch.hours:g} h is over shop.max_bench_h = {shop.max_bench_h:g}")
        if not any(abs(stretch.temperature_C - t) < 1e-6 for t in shop.bench_temperature_C):
            allowed = ", ".join(f"{t:g}" for t in shop.bench_temperature_C)
            out.append(f"prestretch: {stretch.temperature_C:g} degC is not one of shop.bench_temperature_C ({allowed})")
        if not shop.overnight_bench and _over(stretch.hours, shop.day_h):
            out.append(
                f"prestretch: {stretch.hours:g} h does not fit a working day of {shop.day_h:g} h without a night"
            )
        out += _groups(stretch, rest, build)
    if rest is not None and _over(shop.slack_h, rest.hours):
        out.append(f"rest: {rest.hours:g} h is shorter than shop.slack_h = {shop.slack_h:g}")
    if stretch is not None and rest is None and shop.slack_h > 0:
        out.append(f"rest: none, and shop.slack_h = {shop.slack_h:g} h pass at least between frame and lacing")
    if rest is not None and rest.load_N < 0:
        out.append(f"rest: load {rest.load_N:g} N is below 0")
    if laced is None:
        if shop.laced_h > 0:
            out.append(f"laced: none, and shop.laced_h = {shop.laced_h:g} h pass at least before the first set")
    else:
        if _over(shop.laced_h, laced.hours):
            out.append(f"laced: {laced.hours:g} h is shorter than shop.laced_h = {shop.laced_h:g}")
        if abs(laced.tension_N - shop.lacing_tension_N) > 1e-6 * max(shop.lacing_tension_N, 1.0):
            out.append(f"laced: tension {laced.tension_N:g} N is not shop.lacing_tension_N = {shop.lacing_tension_N:g}")
    return out


def _groups(stretch: Prestretch, rest: Rest | None, build: Build) -> list[str]:
    shop, n = build.shop, build.wheel.spokes
    places = shop.stations * shop.spokes_per_station
    if not stretch.groups:
        return [] if n <= places else [f"prestretch: {n} spokes do not fit on {places} places at once: give groups"]
    out = []
    named = sorted(p for g in stretch.groups for p in g.positions)
    if named != list(range(1, n + 1)):
        out.append(f"prestretch: groups must name each of the positions 1 to {n} once")
    for g in stretch.groups:
        if len(g.positions) > places:
            out.append(f"prestretch: a group of {len(g.positions)} spokes does not fit on {places} places")
        if _over(shop.slack_h, g.rest_h):
            out.append(f"prestretch: rest_h {g.rest_h:g} is shorter than shop.slack_h = {shop.slack_h:g}")
    shortest = min(g.rest_h for g in stretch.groups)
    if rest is not None and abs(rest.hours - shortest) > 1e-3:
        out.append(f"rest: {rest.hours:g} h is not the shortest rest of the groups, {shortest:g} h")
    ends = sorted(g.rest_h for g in stretch.groups)
    if any(_over(stretch.hours, later - earlier) for earlier, later in pairwise(ends)):
        out.append(f"prestretch: runs of {stretch.hours:g} h on the same places overlap")
    return out


def _times(schedule: Schedule, build: Build) -> list[str]:
    shop, out = build.shop, []
    first, *later = schedule.sessions
    if first.kind != "set" or first.at_h != 0.0:
        out.append(f"{first.kind}: the first session is the set, with at_h 0 (not {first.at_h:g})")
    end_h = first.at_h + first.length_h(shop)
    night_h = end_h  # end of the last set or pass
    for s in later:
        what = f"{s.kind} at {s.at_h:g} h"
        if s.kind == "set":
            out.append(f"{what}: there is exactly one set")
        if _over(end_h, s.at_h):
            out.append(f"{what}: begins before the session before it has ended ({end_h:g} h)")
        if s.kind == "touch":
            if _over(shop.set_session_h + 1.0, s.at_h):
                out.append(f"{what}: a touch comes at least 1 h after the set ({shop.set_session_h + 1.0:g} h)")
            if _over(s.at_h + s.length_h(shop), shop.day_h):
                out.append(f"{what}: is not over on the day of the set (working day of {shop.day_h:g} h)")
        elif s.kind == "pass":
            if _over(night_h + shop.pass_interval_h, s.at_h):
                out.append(
                    f"{what}: less than shop.pass_interval_h = {shop.pass_interval_h:g} h after the last set or pass"
                )
            night_h = s.at_h + s.length_h(shop)
        end_h = s.at_h + s.length_h(shop)
    if _over(end_h, schedule.deliver.at_h):
        out.append(f"deliver at {schedule.deliver.at_h:g} h: the last session ends at {end_h:g} h")
    if _over(schedule.deliver.at_h, build.tension.delivery_h):
        out.append(
            f"deliver at {schedule.deliver.at_h:g} h: later than tension.delivery_h = {build.tension.delivery_h:g}"
        )
    return out


def _tensions(schedule: Schedule, build: Build, buckling_N: float | None) -> list[str]:
    limits = {name: limit for name, (limit, _) in build.wheel_limits_N().items()}
    if buckling_N is not None:
        limits["lateral buckling"] = buckling_N
    out = []
    for s in schedule.sessions:
        peak = max(s.tension_N) * build.shop.squeezed_peak
        if min(s.tension_N) <= 0:
            out.append(f"{s.kind} at {s.at_h:g} h: tension must be above 0")
        for name, limit in limits.items():
            if _over(peak, limit):
                out.append(f"{s.kind} at {s.at_h:g} h: {peak:.0f} N is over the {name}'s limit, {limit:.0f} N")
    return out


def hour_of(clock: Any) -> float:
    """Time of day in hours."""
    return float(clock.hour + clock.minute / 60.0 + clock.second / 3600.0)
