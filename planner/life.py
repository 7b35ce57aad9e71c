"""A spoke's whole life as a load history: stretched, rested, laced, set, kept at tension to the horizon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, elastic_strain, thermal_strain
from models.history import LoadHistory
from models.simulate import strain_under_load
from planner.relaxation import set_stages
from planner.schedule import Deliver, Laced, Prestretch, Rest, Schedule, Session

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
MARKS = ("slack", "laced", "set", "horizon")
RAMP_S = 60.0  # to the bench load and down again
USUAL_STRETCH = 1.5  # of the target tension, where no schedule is given
USUAL_STRETCH_H = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Strains:
    """Strain of a spoke at the marks of its life, counted from new, unloaded, at the chain's reference temperature.

    Marks: slack (off the frame, just before lacing), laced (just before the first set), set (end of the first set),
    horizon. Arrays (4, ...).
    """

    total: Floats
    elastic: Floats
    lasting: Floats  # bedding-in and flow
    recoverable: Floats


def usual_schedule(build: Build) -> Schedule:
    """One night on the frame and a set to target: what is taken where no schedule is given."""
    shop, target = build.shop, build.tension.target_N
    return Schedule(
        prestretch=Prestretch(
            load_N=min(build.bench_limit_N(), USUAL_STRETCH * target),
            hours=min(USUAL_STRETCH_H, shop.max_bench_h),
            temperature_C=shop.bench_temperature_C[0],
        ),
        rest=Rest(hours=shop.slack_h, temperature_C=shop.standing_C),
        laced=Laced(hours=shop.laced_h, tension_N=shop.lacing_tension_N, temperature_C=shop.standing_C),
        sessions=(Session(kind="set", at_h=0.0, left_N=target, right_N=target),),
        deliver=Deliver(at_h=build.tension.delivery_h),
    )


def life_of(build: Build, schedule: Schedule, final_N: float, side: int) -> tuple[LoadHistory, dict[str, int]]:
    """The load history of a spoke of one side (0 left, 1 right) and the index of each mark in it.

    Sessions set the schedule's tensions; from the last session on the spoke is taken to stand at ``final_N``, the
    tension that the wheel is asked to hold (so the elongation is what the thread has to take up, not what is lost).
    """
    shop = build.shop
    t, load, th = [0.0], [0.0], [shop.temperature_C]

    def go(seconds: float, load_N: float, temperature_C: float | None = None) -> None:
        t.append(t[-1] + seconds)
        load.append(load_N)
        th.append(th[-1] if temperature_C is None else temperature_C)

    marks: dict[str, int] = {}
    stretch = schedule.prestretch
    if stretch is not None:
        go(0.0, 0.0, stretch.temperature_C)
        go(RAMP_S, stretch.load_N)
        go(stretch.hours * 3600.0, stretch.load_N)
        go(0.0, stretch.load_N, shop.temperature_C)
        go(RAMP_S, 0.0)
    if schedule.rest is not None:
        go(0.0, schedule.rest.load_N)
        go(schedule.rest.hours * 3600.0, schedule.rest.load_N)
    go(0.0, 0.0)
    marks["slack"] = len(t) - 1
    lacing = shop.lacing_tension_N if schedule.laced is None else schedule.laced.tension_N
    go(0.0, lacing)
    if schedule.laced is not None:
        go(schedule.laced.hours * 3600.0, lacing)
    marks["laced"] = len(t) - 1
    start = t[-1]

    for k, session in enumerate(schedule.sessions):
        tension = session.tension_N[side]
        if k:
            go(max(start + session.at_h * 3600.0 - t[-1], 0.0), load[-1])
            go(0.0, tension)
            go(session.length_h(shop) * 3600.0, tension)
            continue
        for seconds, share in set_stages(shop):
            go(0.0, share * tension)
            go(seconds, share * tension)
        marks["set"] = len(t) - 1
    go(0.0, final_N)
    go(max(start + build.tension.horizon_h * 3600.0 - t[-1], 0.0), final_N)
    marks["horizon"] = len(t) - 1
    return LoadHistory.of(t, load, th), marks


def strains_of(chain: Chain, build: Build, schedule: Schedule, final_N: float, side: int) -> Strains:
    """Strains at the marks for chains of leading shape (...), split into parts."""
    history, marks = life_of(build, schedule, final_N, side)
    total, elastic, lasting, recoverable = [], [], [], []
    state, begin = None, 0
    for name in MARKS:
        end = marks[name] + 1
        part = LoadHistory.of(history.time_s[begin:end], history.load_N[begin:end], history.temperature_C[begin:end])
        strain, state = strain_under_load(chain, part, state)
        total.append(strain[-1] - thermal_strain(chain, part.temperature_C[-1]))
        elastic.append(np.broadcast_to(elastic_strain(chain, part.load_N[-1]), chain.shape))
        lasting.append(state.bedding.sum(-1) + state.flow.sum(-1))
        recoverable.append(state.recoverable.sum(-1))
        begin = end - 1
    return Strains(
        total=np.array(total), elastic=np.array(elastic), lasting=np.array(lasting), recoverable=np.array(recoverable)
    )
