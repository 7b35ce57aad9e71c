"""Guided work: playing with a plan, on the screen and at plain prompts."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from models.errors import CannotAnswer
from planner.build import Build, build_of
from tests.tui.guides import ASKED, approved, asking, made, plan_app, press, seen_on, settle
from tui import guidance, planplay
from tui.planplay import KNOBS, Played
from tui.screens.plan import PlanScreen


@pytest.mark.parametrize("size", [(80, 24), (120, 44)], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("view", ["1", "2", "3"], ids=["steps", "tradeoff", "tension"])
async def test_a_plan_looks_as_it_was_approved(view: str, size: tuple[int, int]) -> None:
    app = plan_app()
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, view)
        seen = seen_on(app)
    approved(f"guide-plan-{view}", size, seen)


async def test_a_changed_requirement_makes_the_plan_again() -> None:
    app = plan_app()
    async with app.run_test(size=(100, 30)) as pilot:
        seen = await settle(pilot)
        assert ">tolerance 9 % " in seen and "With the plan: no overnight passes" in seen
        await press(pilot, "left")
        seen = await settle(pilot)
        assert ">tolerance 8 %*" in seen and "With the plan: 1 overnight pass" in seen
        await press(pilot, "tab", "right", "tab", "right")
        seen = await settle(pilot)
        assert "nights to delivery 3*" in seen and ">horizon 21 d*" in seen
        await pilot.press("q")
    assert app.return_value is not None
    assert planplay.lines_of(ASKED, app.return_value) == [
        "[tension]", "tolerance_percent = 8", "delivery_h = 72", "horizon_h = 504",
    ]  # fmt: skip


async def test_an_answer_to_an_older_question_is_dropped() -> None:
    app = plan_app()
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, PlanScreen)
        old, build = screen._round, screen.build
        screen.plan_now()
        await settle(pilot)
        stood = screen.played
        screen.came(old, build, made(build, lambda _: None))
        assert screen.played is stood


async def test_where_no_plan_can_be_given_the_reason_stands_there() -> None:
    def refuses(build: Build, progress: Callable[[str], None]) -> Played:
        raise CannotAnswer("tension.target_N = 981: the rim limit leaves no room for it")

    app = plan_app(refuses)
    async with app.run_test(size=(100, 30)) as pilot:
        assert "the rim limit leaves no room" in await settle(pilot)
        before = await press(pilot, "x")
        assert await press(pilot, "2", "9", "delete") == before


@pytest.mark.parametrize(
    ("key", "by", "text"),
    [
        ("tolerance", -20, "1 %"),
        ("tolerance", 40, "25 %"),
        ("sure", -1, "85 %"),
        ("horizon", 1, "21 d"),
        ("stations", 1, "5"),
    ],
)
def test_a_knob_stops_at_what_is_possible(key: str, by: int, text: str) -> None:
    knob = next(k for k in KNOBS if k.key == key)
    assert planplay.text(planplay.turned(ASKED, knob, by), knob) == text


def test_delivery_never_comes_after_the_horizon() -> None:
    nights, horizon = (next(k for k in KNOBS if k.key == key) for key in ("nights", "horizon"))
    short = planplay.changed(ASKED, horizon, 3)
    with pytest.raises(planplay.InputError, match="horizon must lie after the delivery"):
        planplay.changed(short, nights, 5)


def test_prompts_play_with_the_same_plan() -> None:
    said: list[str] = []
    ask, _ = asking("tolerance 8", "colour 3", "nights many", "tolerance 99", "nights 3", "")
    after = guidance.plan(ASKED, made, ask, said.append)
    assert (after.tension.tolerance_percent, after.tension.delivery_h) == (8, 72)
    errors = [s for s in said if s.startswith("!")]
    assert len(errors) == 3 and "none of tolerance, nights" in errors[0] and "'many' is no number" in errors[1]
    assert sum("With the plan: 1 overnight pass" in s for s in said) == 3  # 8 %, 3 nights, and once more as it is


def test_a_real_plan_is_made_for_the_screen() -> None:
    from tests.planner.batches import RIM, batch

    small = build_of({"wheel": {"spokes": 12, "crosses": 1, "rim": RIM}, "shop": {"stations": 12}})
    found = planplay.played(small, batch(creep=0.6), draws=100)
    assert found.schedule["steps"] and set(found.course) == {"left", "right"}
    assert found.course["left"].time_h[-1] == pytest.approx(small.tension.horizon_h)
    assert "<- this plan" in "\n".join(planplay.tradeoff_rows(found.schedule))
