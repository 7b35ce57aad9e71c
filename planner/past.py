"""What a wheel has gone through, as far as it was noted: nights on the frame, rest, lacing, sessions, readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.life import usual_schedule
from planner.schedule import Schedule

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchNight:
    """Some of the wheel's spokes on the frame."""

    positions: tuple[int, ...]  # 1 to N
    load_N: float
    hours: float
    temperature_C: float
    rest_h: float  # from the end of the night to lacing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sitting:
    """A session that took place."""

    kind: str  # set, touch or pass
    at_h: float  # its start, from the start of the set
    hours: float
    wanted_N: tuple[float, float]  # set tension, left and right
    after_N: Floats | None = None  # (n,) read at its end, at the shop's temperature; None: not read


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """All spokes read while the nipples were left alone."""

    at_h: float  # from the start of the set
    tension_N: Floats  # (n,) at the shop's temperature
    good: NDArray[np.bool_] | None = None  # (n,) readings that fit; None: all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turned:
    """Nipples turned in the session that is going on, read before it."""

    before_N: Floats  # (n,) as read before, at the shop's temperature
    after_N: Floats  # (n,) as foretold for after the turns


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Past:
    """A wheel's history from the frame to now."""

    nights: tuple[BenchNight, ...]  # positions named by none are unstretched
    rest_load_N: float
    laced_h: float
    lacing_N: float
    sittings: tuple[Sitting, ...]
    seen: tuple[Seen, ...] = field(default=())
    turned: tuple[Turned, ...] = field(default=())  # since the last session that is over
    now_h: float = 0.0  # from the start of the set
    words: str = ""  # how this is known, or what was assumed

    @property
    def stands_since_h(self) -> float:
        """End of the last session, h from the start of the set."""
        last = self.sittings[-1]
        return last.at_h + last.hours


def past_of_schedule(schedule: Schedule, build: Build, sessions: int, now_h: float, words: str = "") -> Past:
    """As if the first ``sessions`` sessions of a schedule had gone as planned."""
    stretch, shop, n = schedule.prestretch, build.shop, build.wheel.spokes
    rests = schedule.rest_h(n)
    nights = []
    if stretch is not None:
        for rest in sorted(set(rests)):
            own = tuple(p + 1 for p in range(n) if rests[p] == rest)
            nights.append(
                BenchNight(
                    positions=own,
                    load_N=stretch.load_N,
                    hours=stretch.hours,
                    temperature_C=stretch.temperature_C,
                    rest_h=rest,
                )
            )
    return Past(
        nights=tuple(nights),
        rest_load_N=schedule.rest.load_N if schedule.rest else 0.0,
        laced_h=schedule.laced.hours if schedule.laced else 0.0,
        lacing_N=schedule.laced.tension_N if schedule.laced else 0.0,
        sittings=tuple(
            Sitting(kind=s.kind, at_h=s.at_h, hours=s.length_h(shop), wanted_N=s.tension_N)
            for s in schedule.sessions[:sessions]
        ),
        now_h=now_h,
        words=words,
    )


def likely_pasts(build: Build, targets_N: tuple[float, float], most_passes: int = 3) -> list[Past]:
    """Where nothing was noted: set to target unstretched, with none to some passes, or after a night on the frame.

    Each was left alone for a night since; how much it lost tells which it was.
    """
    shop = build.shop
    usual = usual_schedule(build)
    out = []
    for passes in range(most_passes):
        sittings = [Sitting(kind="set", at_h=0.0, hours=shop.set_session_h, wanted_N=targets_N)]
        for _ in range(passes):
            at = sittings[-1].at_h + sittings[-1].hours + shop.pass_interval_h
            sittings.append(Sitting(kind="pass", at_h=at, hours=shop.pass_session_h, wanted_N=targets_N))
        out.append(
            Past(
                nights=(),
                rest_load_N=0.0,
                laced_h=shop.laced_h,
                lacing_N=shop.lacing_tension_N,
                sittings=tuple(sittings),
                now_h=sittings[-1].at_h + sittings[-1].hours + shop.pass_interval_h,
                words=f"unstretched, set to target, {passes} passes before" if passes else "unstretched, set to target",
            )
        )
    stretched = past_of_schedule(
        usual, build, 1, shop.set_session_h + shop.pass_interval_h, "stretched for a night, set to target"
    )
    sitting = Sitting(kind="set", at_h=0.0, hours=shop.set_session_h, wanted_N=targets_N)
    return [*out, Past(**{f: getattr(stretched, f) for f in Past.__slots__ if f != "sittings"}, sittings=(sitting,))]
