"""What the tests of guided work share: keys, looks, a person at a prompt, the simulated frame, each screen with its example."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.events import Key
from textual.pilot import Pilot

from bench.clock import VirtualClock
from bench.framefile import read_frame_file
from bench.plantframe import PlantFrame, make_plant
from models.gauge import Gauge
from planner.build import Build, build_of, load_build
from planner.wheel import Wheel, wheel_of
from tests.tui.test_monitor import PICTURES
from tests.tui.test_monitor import screen_text as seen_on
from tui.guide import Guide
from tui.placing import Placing
from tui.planplay import Played
from tui.screens.placing import PlacingScreen
from tui.screens.plan import PlanScreen
from tui.screens.readings import ReadingsScreen
from tui.screens.turns import TurnsScreen
from tui.typed import Sheet
from tui.walk import Walk, walk_of

DATA = Path(__file__).parents[2] / "datasets" / "demo"
FRAME = DATA / "frame.toml"


async def press(pilot: Pilot[Any], *keys: str) -> str:
    await pilot.press(*keys)
    await pilot.pause()
    return seen_on(pilot.app)


def approved(name: str, size: tuple[int, int], seen: str) -> None:
    """To approve a changed look: APPROVE_SCREENS=1 pytest tests/tui -k approved, then read the difference."""
    path = PICTURES / f"{name}-{size[0]}x{size[1]}.txt"
    if os.environ.get("APPROVE_SCREENS"):
        path.write_text(seen, encoding="utf-8")
    assert max(map(len, seen.splitlines())) <= size[0]
    assert seen == path.read_text(encoding="utf-8")


def typed(*numbers: object) -> list[str]:
    """Keys that type numbers, each with Enter."""
    out: list[str] = []
    for number in numbers:
        out += [{".": "full_stop", "-": "minus", ",": "comma"}.get(c, c) for c in str(number)] + ["enter"]
    return out


@pytest.fixture(scope="module")
def wheel() -> Wheel:
    return wheel_of(load_build(DATA / "build.toml"))


async def burst(pilot: Pilot[Any], *keys: str) -> None:
    """Keys that are all there before the first is looked at: a scanner, or a line that lags."""
    names = {".": "full_stop"}
    for key in keys:
        pilot.app.post_message(Key(names.get(key, key), key if len(key) == 1 else None))
    await pilot.pause()
    await pilot.pause()


def lines(*given: str) -> Iterator[str]:
    yield from given
    while True:
        yield "q"


def asking(*given: str) -> tuple[Callable[[str], str], list[str]]:
    """A person who gives these lines, then q."""
    left, prompts = lines(*given), []

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return next(left)

    return ask, prompts


def sheet_screen(wheel: Wheel, gauge: Gauge | None = None) -> tuple[Guide[str], Sheet, list[int]]:
    sheet, kept = Sheet(wheel=wheel, gauge=gauge), []
    screen = ReadingsScreen(
        sheet, name="Front 7", what="before any nipple is turned", keep=lambda s: kept.append(s.read)
    )
    return Guide(screen), sheet, kept


def an_answer() -> dict[str, Any]:
    """Two rounds of a wheel of four spokes."""
    return {
        "rounds": [
            [{"position": 1, "turns": 0.5}, {"position": 3, "turns": -0.125}],
            [{"position": 1, "turns": 1.25}],
        ],
        "turns": [1.75, 0.0, -0.125, 0.0],
        "tension_now_N": [900.0, 980.0, 1000.0, 985.0],
        "tension_after_N": [980.0, 981.0, 982.0, 983.0],
        "read_N": [901.0, 979.0, 1001.0, 985.0],
        "outliers": [],
        "set_tension_N": {"left": 981.0, "right": 981.0},
        "session": "pass",
        "why": "because",
        "another_night": False,
    }  # fmt: skip


def turns_screen(answer: dict[str, Any] | None = None) -> tuple[Guide[str], Walk, list[int]]:
    walk, kept = walk_of(answer or an_answer(), "answer.json"), []
    return Guide(TurnsScreen(walk, name="Front 7", keep=lambda w: kept.append(w.done))), walk, kept


class Bench:
    """The simulated frame, looked at; ``ticks`` is how many more times it lives, None without end."""

    def __init__(self) -> None:
        self.ticks: int | None = None
        self.given, self.used_up = asyncio.Event(), asyncio.Event()
        self.plant = make_plant(read_frame_file(FRAME), seed=1)
        self.clock = VirtualClock(0.0, self.advance)
        self.frame = PlantFrame(self.plant, self.clock)

    async def advance(self, dt_s: float) -> None:
        while self.ticks is not None and self.ticks <= 0:
            self.given.clear()
            self.used_up.set()
            await self.given.wait()
        if self.ticks is not None:
            self.ticks -= 1
        self.plant.advance(dt_s)

    def give(self, ticks: int) -> None:
        """Let it live so many ticks; ``used_up`` is set when they are."""
        self.ticks = ticks
        self.used_up.clear()
        self.given.set()

    async def look(self) -> Any:
        await self.clock.sleep_until(self.clock.now_s() + 0.5)
        return await self.frame.read()

    def placing(self) -> Placing:
        return Placing(facts=self.plant.facts, labels=[f"K07-{i:02d}" for i in range(1, 5)])


def placing_screen(bench: Bench) -> tuple[Guide[str], Placing, PlacingScreen]:
    placing = bench.placing()
    screen = PlacingScreen(placing, what="K07, 12 h", look=bench.look, every_s=None)
    return Guide(screen), placing, screen


def made(build: Build, progress: Callable[[str], None]) -> Played:
    """An instant plan that says what was asked of it."""
    from tui.pictures import Tension

    t = build.tension
    hours = np.geomspace(1.5, t.horizon_h, 30)
    curve = 1000.0 - 20.0 * np.log10(hours)
    band = {s: Tension(time_h=hours, low_N=curve - 30, middle_N=curve, high_N=curve + 30) for s in ("left", "right")}
    passes = 0 if t.tolerance_percent >= 9 else 1
    steps: list[dict[str, Any]] = [{"kind": "set", "at_h": 0.0, "tension_N": {"left": 981.0, "right": 981.0}}]
    if passes:
        steps.append({"kind": "pass", "at_h": 15.0, "tension_N": {"left": 990.0, "right": 990.0}})
    steps.append({"kind": "deliver", "at_h": t.delivery_h})
    schedule = {
        "steps": steps, "passes": passes, "holds": True, "target_N": {"left": 981.0, "right": 981.0},
        "untreated": {"passes": 3, "passes_to_hold": 5, "forecast_percent_at_horizon": -9.0},
        "forecast": {"probability_holds": 0.93},
        "tradeoff": [
            {"passes": passes, "bench_nights": 1, "hands_on_h": 3.0, "peak_N": 1226.0, "probability_holds": 0.93,
             "steps": steps},
            {"passes": 2, "bench_nights": 0, "hands_on_h": 2.5, "peak_N": 1100.0, "probability_holds": 0.97,
             "steps": []},
        ],
    }  # fmt: skip

    class Plan:
        pass

    plan: Any = Plan()
    plan.build = build
    progress("half way")
    return Played(plan=plan, schedule=schedule, course=band, untreated=band)


ASKED = build_of({"name": "front", "tension": {"tolerance_percent": 9, "delivery_h": 48, "horizon_h": 336}})


def plan_app(make: Any = made) -> Guide[Build]:
    return Guide(PlanScreen(ASKED, make, name="front, batch K07", wait_s=0.0))


async def settle(pilot: Pilot[Any]) -> str:
    for _ in range(3):
        await pilot.pause()
        await pilot.app.workers.wait_for_complete()
    await pilot.pause()
    return seen_on(pilot.app)
