"""The search for a schedule, and how it grows with draws, spokes and the horizon."""

from __future__ import annotations

import json
import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

from benchmarks.measure import Section, by_the_clock, growth, hand_over, seconds, timed
from models.batch import Batch
from planner.answer import Plan
from planner.build import Build, build_of
from planner.search import find_plan
from planner.wheel import wheel_of

SAMPLES = sorted((Path(__file__).parents[1] / "datasets" / "formats").glob("[0-9]*"))[-1]
FEW = 250  # draws, where growth is looked at


def changed(table: dict[str, Any], part: str, **values: Any) -> Build:
    """The sample's build with other values."""
    other = deepcopy(table)
    other.setdefault(part, {}).update(values)
    return build_of(other, "benchmark")


def main() -> None:
    """One wheel, a pair, growth."""
    section = Section(title="Planning a wheel")
    table = tomllib.loads((SAMPLES / "build.toml").read_text(encoding="utf-8"))
    build = build_of(table, "benchmark")
    batch = Batch.from_dict(json.loads((SAMPLES / "batch.json").read_text(encoding="utf-8")))
    find_plan(build, batch, draws=20)  # what is imported on first use
    found: list[Plan] = []

    def plan(one: Build, **how: Any) -> None:
        found.append(find_plan(one, batch, seed=0, **how))

    section.add(
        "one wheel of 28 spokes, 1000 draws: the whole trade-off", by_the_clock(lambda: plan(build)),
        "asked: under 5 s on two cores",
    )  # fmt: skip
    winner = found[-1]
    section.notes.append(
        f"The search for one wheel screened {winner.screened} schedules by mean spokes and put whole wheels through "
        f"{winner.evaluated}; it found one of {winner.best.schedule.passes} overnight passes."
    )
    pair = changed(table, "order", wheels=2)
    section.add("a pair of wheels", by_the_clock(lambda: plan(pair)), "asked: under 10 s")
    one_s = timed(lambda: plan(build, cores=1))
    section.add("one wheel on one core", seconds(one_s))
    draws = [250, 500, 1000, 2000, 4000]
    section.add("growth with draws", growth(draws, [timed(lambda n=n: plan(build, draws=n, cores=1)) for n in draws]))
    counts = [8, 16, 32, 64]
    wheels = [changed(table, "wheel", spokes=n, crosses=1) for n in counts]
    took = [timed(lambda w=w: plan(w, draws=FEW, cores=1)) for w in wheels]
    section.add(f"growth with spokes ({FEW} draws)", growth(counts, took))
    hours = [168, 336, 672, 1344, 2688]
    horizons = [changed(table, "tension", horizon_h=h) for h in hours]
    took = [timed(lambda w=w: plan(w, draws=FEW, cores=1)) for w in horizons]
    section.add(f"growth with hours to the horizon ({FEW} draws)", growth(hours, took))
    for w, n in ((build, 28), (wheels[-1], 64)):
        wheel = wheel_of(w)
        section.add(f"influence of every nipple on every tension ({n} x {n}, at 1000 N)",
                    seconds(timed(lambda wheel=wheel: wheel.influence(1000.0, 4e5))))  # fmt: skip
    hand_over(section)


if __name__ == "__main__":
    main()
