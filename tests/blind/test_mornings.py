"""A plan followed morning by morning: what is done with each kind of answer, and what is counted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.blind import builds, hidden, mornings, report
from tests.blind.executor import Bench, Reading
from tests.blind.test_blind import made_up
from tests.blind.test_executor import default_batch

STEPS = [
    {"kind": "laced", "hours": 11.5, "tension_N": 100.0},
    {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1040.0, "right": 1040.0}},
    {"kind": "pass", "at_h": 20.0, "tension_N": {"left": 1030.0, "right": 1030.0}},
    {"kind": "deliver", "at_h": 48.0},
]


def bench() -> Bench:
    """One wheel of reference spokes, read without error."""
    build, wheel = next(
        (b, w)
        for seed in range(20)
        for b, w in [builds.draw_build(seed, hidden.draw_batch(seed))]
        if b["wheel"]["rim"] == builds.EXAMPLE_RIM
    )
    n = wheel.ring.spokes
    reading = Reading(repeat=0.0, bias=np.zeros(1), seat_mm=np.zeros((1, n)), seat_at_once=0.5)
    return Bench(build, wheel, hidden.middle_spokes(default_batch(), n), reading, 1)


class Program:
    """Stands in for `longhold`: gives prepared answers, keeps what it was told."""

    def __init__(self, *answers: dict[str, Any]) -> None:
        self.answers = list(answers)
        self.told: list[list[str]] = []

    def __call__(self, *args: object) -> str:
        words = [str(a) for a in args]
        self.told.append(words)
        return json.dumps(self.answers.pop(0)) if words[0] == "retension" else ""

    def after(self, kind: str, option: str) -> list[str]:
        """Values of an option of all notes of a kind."""
        return [t[t.index(option) + 1] for t in self.told if kind in t and option in t]


def says(alone: float, then: float = 0.5, **more: Any) -> dict[str, Any]:
    to = {"left": 1020.0, "right": 1020.0}
    return {
        "probability_left_alone": alone, "probability_settled": then, "set_tension_N": to, "better": None, "later": None,
    } | more  # fmt: skip


def followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *answers: dict[str, Any]) -> tuple[Any, Program]:
    program = Program(*answers)
    monkeypatch.setattr(mornings, "longhold", program)
    (tmp_path / "wheel.json").write_text("{}")
    found = mornings.follow(bench(), tmp_path, tmp_path / "b.toml", {"steps": STEPS}, tmp_path / "wheel.json", 0)
    assert not program.answers
    return found, program


def test_a_wheel_that_holds_as_it_stands_gets_no_pass_though_one_is_planned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found, program = followed(tmp_path, monkeypatch, says(0.95), says(0.93))
    assert (found["passes"], found["claimed"], found["late_h"]) == (0, 0.93, 0.0)
    # read when the pass was planned and before it leaves; both readings are noted, no session
    assert program.after("retension", "--now") == ["2025-03-11T05:00:00Z", "2025-03-12T08:15:00Z"]
    assert len(program.after("reading", "--at")) == 2 and not program.after("session", "--at")
    # unstretched reference spokes lose a fifth in a night: left alone they cannot hold, and that is counted
    assert not found["holds"] and found["further"] > 3.0


def test_a_pass_goes_to_the_better_tension_and_a_night_later_it_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    better = {"tension_N": {"left": 1050.0, "right": 1050.0}, "probability": 0.7}
    found, program = followed(tmp_path, monkeypatch, says(0.1, better=better), says(0.2, 0.92), says(0.94))
    assert found["passes"] == 2 and found["claims"] == [0.7, 0.92, 0.94]
    assert program.after("session", "--set") == ["1050.0", "1020.0"]
    assert program.after("session", "--at") == ["2025-03-11T05:00:00Z", "2025-03-11T19:30:00Z"]
    assert found["late_h"] == 0.0


def test_a_pass_that_can_wait_is_put_off_and_the_wheel_is_late(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    later = {"nights": 2, "in_h": 48.0, "tension_N": {"left": 1030.0, "right": 1030.0}, "probability": 0.92}
    found, program = followed(tmp_path, monkeypatch, says(0.1, later=later), says(0.2, 0.93))
    assert found["passes"] == 1 and found["claims"] == [0.1, 0.93]
    assert program.after("session", "--at") == ["2025-03-13T05:00:00Z"]
    assert found["late_h"] == pytest.approx(20.0 + 48.0 + 0.5 + 1.0 - 48.0)


def test_what_was_taken_needed_held_and_said_is_counted_over_all_wheels() -> None:
    units = [made_up(1, [0.0, 12.0], 0.95, [True, False], [10.0, None]), made_up(1, [0.0], 0.92, [True], [9.0])]
    assert report.plan_figures(units, "7")["mornings"] is None
    wheel = {"passes": 0, "claimed": 0.9, "holds": True, "further": 0.0, "late_h": 0.0}
    units[0]["plans"]["7"]["mornings"] = [
        wheel,
        {**wheel, "passes": 2, "holds": False, "further": None, "late_h": 30.0},
    ]
    f = report.plan_figures(units, "7")["mornings"]
    # the second plan was not followed so: its own count stands in
    assert f["taken"] == 1.0 and f["needed"] == pytest.approx((0 + 13 + 1) / 3)
    assert f["ratio"] == pytest.approx((0 + 13 + 1) / (10 + 13 + 9))
    assert (f["held"], f["claimed"], f["in_time"], f["late_h"]) == (0.5, pytest.approx(0.9), 0.5, 15.0)
