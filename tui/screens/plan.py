"""A plan on the screen: schedule, trade-off, expected tension; a requirement changed, and the plan made again."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import numpy as np
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.events import Resize
from textual.screen import Screen
from textual.widgets import Static

from models.errors import LongholdError
from planner.build import Build
from tui import planplay
from tui.planplay import KNOBS, Played
from tui.screens import parts
from tui.screens.keys import KeyLine
from tui.screens.plot import Curve, plot
from tui.summary import steps_in_words, verdict

WAIT_S = 0.7  # after the last key, before a plan is made
H = 3600.0
TALL = 38  # lines from which on everything is shown at once
VIEWS = ("schedule", "trade-off", "tension")

Make = Callable[[Build, Callable[[str], None]], Played]


class PlanScreen(Screen[Build]):
    """Ends with the build as it was changed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "turn(-1)", "less"),
        Binding("right", "turn(1)", "more"),
        Binding("tab,down", "choose(1)", "which"),
        Binding("shift+tab,up", "choose(-1)", show=False),
        Binding("1", "view(0)", "steps"),
        Binding("2", "view(1)", "trade-off"),
        Binding("3", "view(2)", "tension"),
        Binding("enter", "now", "now"),
        Binding("q,escape", "leave", "leave"),
    ]

    def __init__(self, build: Build, make: Make, *, name: str, wait_s: float = WAIT_S) -> None:
        """``make`` works the plan out; it runs in a thread."""
        super().__init__()
        self.asked, self.build, self.make, self.name_of, self.wait_s = build, build, make, name, wait_s
        self.chosen, self.view = 0, 0
        self.played: Played | None = None
        self.played_for: Build | None = None
        self.words, self.trouble = "", ""
        self._round = 0

    def compose(self) -> ComposeResult:
        yield Static(id="heading")
        yield Static(id="knobs")
        yield Static(id="verdict")
        with VerticalScroll(id="all", can_focus=False):
            yield Static(id="all-rows")
        yield KeyLine()

    def on_mount(self) -> None:
        self.show()
        self.plan_now()

    def on_resize(self, _event: Resize) -> None:
        self.call_after_refresh(self.show)

    # planning -------------------------------------------------------------------------------------------------------

    def plan_now(self) -> None:
        """Work the plan out in a thread; an answer to an older question is dropped."""
        self._round += 1
        this, build = self._round, self.build
        self.words, self.trouble = "planning ...", ""
        self.show()

        def work() -> None:
            def progress(words: str) -> None:
                if this == self._round:
                    self.app.call_from_thread(self.said, words)

            try:
                found = self.make(build, progress)
            except LongholdError as error:
                self.app.call_from_thread(self.no_plan, this, str(error))
            else:
                self.app.call_from_thread(self.came, this, build, found)

        self.run_worker(work, thread=True, exit_on_error=True)

    def said(self, words: str) -> None:
        """How far the planning is."""
        self.words = f"planning: {words} ..."
        self.show()

    def came(self, this: int, build: Build, found: Played) -> None:
        """A plan."""
        if this == self._round:
            self.played, self.played_for, self.words = found, build, ""
            self.show()

    def no_plan(self, this: int, why: str) -> None:
        """None, and why."""
        if this == self._round:
            self.played, self.words, self.trouble = None, "", why
            self.show()

    def _soon(self) -> None:
        """Plan when no key has come for a moment."""
        self._round += 1
        this = self._round
        self.words = "changed; planning in a moment"
        self.set_timer(max(self.wait_s, 0.001), lambda: self.plan_now() if this == self._round else None)

    # keys -----------------------------------------------------------------------------------------------------------

    def action_turn(self, by: int) -> None:
        try:
            changed = planplay.turned(self.build, KNOBS[self.chosen], by)
        except LongholdError as error:
            self.words = str(error)
        else:
            if changed != self.build:
                self.build = changed
                self._soon()
        self.show()

    def action_choose(self, by: int) -> None:
        self.chosen = (self.chosen + by) % len(KNOBS)
        self.show()

    def action_view(self, which: int) -> None:
        self.view = which
        self.show()

    def action_now(self) -> None:
        self.plan_now()

    def action_leave(self) -> None:
        self._round += 1
        self.dismiss(self.build)

    # what is shown ----------------------------------------------------------------------------------------------------

    def show(self) -> None:
        """Draw everything as it stands."""
        if not self.is_mounted:
            return
        width, height = self.app.size
        self.query_one("#heading", Static).update(f" Plan   {self.name_of}"[:width])
        self.query_one("#knobs", Static).update(self._knobs())
        self.query_one("#verdict", Static).update(self._verdict())
        body = Text()
        if self.played is not None:
            views = range(len(VIEWS)) if height >= TALL else (self.view,)
            for which in views:
                body.append_text(self._view(self.played, which, width, 9 if len(views) > 1 else max(height - 11, 6)))
                body.append("\n")
        body.rstrip()
        self.query_one("#all-rows", Static).update(body)

    def _knobs(self) -> Text:
        out = Text(" ")
        for i, knob in enumerate(KNOBS):
            words = f"{knob.words} {planplay.text(self.build, knob)}"
            changed = "*" if planplay.value(self.build, knob) != planplay.value(self.asked, knob) else ""
            here = i == self.chosen
            out.append(f"{'>' if here else ' '}{words}{changed} ", style="bold reverse" if here else "")
        return out

    def _verdict(self) -> Text:
        if self.trouble:
            return Text(f" {self.trouble}", style="bold")
        out = Text()
        if self.played is not None:
            old = " (before the last change)" if self.played_for != self.build else ""
            lines = verdict(self.played.schedule)
            out.append(f" {lines[0]}\n")
            out.append(f" {' '.join(lines[1:])}{old}", style="bold")
        if self.words:
            out.append(f"{chr(10) if out else ''} {self.words}", style="italic")
        return out

    def _view(self, played: Played, which: int, width: int, height: int) -> Text:
        schedule = played.schedule
        if which == 0:
            steps = [f" {i}. {words}" for i, words in enumerate(steps_in_words(schedule["steps"]), start=1)]
            return _titled("Schedule", "\n".join(steps))
        if which == 1:
            return _titled("What else was weighed", "\n".join(f" {row}" for row in planplay.tradeoff_rows(schedule)))
        return Text("\n").join(tension_plot(played, width, height))


def _titled(title: str, body: str) -> Text:
    out = Text()
    out.append(f" {title}\n", style="bold")
    out.append(f"{body}\n")
    return out


def tension_plot(played: Played, width: int, height: int) -> list[Text]:
    """Expected mean tension of the tighter side with its band, the target band and the untreated wheel, as lines."""
    target = played.schedule["target_N"]
    side = max(target, key=lambda s: float(target[s]))
    plan, trade = played.course[side], played.untreated[side]
    tolerance = played.plan.build.tension.tolerance_percent / 100.0
    deliver_h = next(float(s["at_h"]) for s in played.schedule["steps"] if s["kind"] == "deliver")
    span = np.array([deliver_h, float(plan.time_h[-1])]) * H
    edges = [np.full(2, float(target[side]) * (1 + sign * tolerance)) for sign in (-1, 1)]
    curves = [
        *(Curve(x=span, y=edge, style="", dashed=True) for edge in edges),
        Curve(x=trade.time_h * H, y=trade.middle_N, style="", dashed=True),
        *(Curve(x=plan.time_h * H, y=y, style=parts.SET) for y in (plan.low_N, plan.high_N)),
        Curve(x=plan.time_h * H, y=plan.middle_N, style=parts.MEASURED),
    ]
    title = f" N, {side} side, from the set: plan 5, 50, 95 %; dashed untreated, target ± {100 * tolerance:g} %"
    return plot(curves, width=width, height=height, title=title, log_time=True,
                x_range=(float(plan.time_h[0]) * H, float(plan.time_h[-1]) * H), y_least=20.0)  # fmt: skip
