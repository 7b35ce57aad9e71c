"""Placing spokes for a batch test: which station, its live load, the label; then the word that lets it go."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from bench.errors import BenchError
from bench.frame import FrameReading
from tui import format as show
from tui.placing import GO, LONGEST_LABEL, Placing, interlocks
from tui.screens.big import beside, big
from tui.screens.guided import GuidedScreen

EVERY_S = 0.5


class PlacingScreen(GuidedScreen):
    """Labels are typed; Enter takes one; ``go`` begins."""

    TITLE_WORDS: ClassVar[str] = "batch test"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "enter", "take it"),
        Binding("up", "back", "station before"),
        Binding("backspace", "rub", "rub out", show=False),
        Binding("escape", "leave", "leave, nothing moves"),
    ]

    def __init__(
        self,
        placing: Placing,
        *,
        what: str,
        look: Callable[[], Awaitable[FrameReading]],
        every_s: float | None = EVERY_S,
    ) -> None:
        """``look`` reads the frame without claiming it; ``every_s`` None: once, for tests."""
        super().__init__()
        self.placing, self.what, self.look, self.every_s = placing, what, look, every_s
        self.reading: FrameReading | None = None
        self.trouble = ""
        self.typed = placing.labels[placing.cursor]

    def on_mount(self) -> None:
        super().on_mount()
        self.run_worker(self.see(), exclusive=True)
        if self.every_s is not None:
            self.set_interval(self.every_s, lambda: self.run_worker(self.see(), exclusive=True))

    async def see(self) -> None:
        """One look at the frame."""
        try:
            self.reading, self.trouble = await self.look(), ""
        except BenchError as error:
            self.reading, self.trouble = None, str(error)
        if self.is_mounted:
            self.show()

    # keys ---------------------------------------------------------------------------------------------------------

    def typed_key(self, character: str) -> bool:
        return self.write(character, LONGEST_LABEL)

    def action_enter(self) -> None:
        p = self.placing
        if p.all_said:
            self.begin()
            return
        if self.reading is None:
            self.say(f"the frame does not answer: {self.trouble}", wrong=True)
        else:
            problem = p.accept(self.typed, self.reading)
            self.say(problem or "", wrong=problem is not None)
            if problem is None:
                self.typed = "" if p.all_said else p.labels[p.cursor]
        self.show()

    def begin(self) -> None:
        """The last question."""
        p = self.placing
        stands = [] if self.reading is None else interlocks(self.reading)
        if not p.on_stations:
            self.say("no station has a spoke", wrong=True)
        elif self.typed.strip().lower() != GO:
            self.say(f"type {GO} and Enter once everybody is clear; up goes back", wrong=True)
        elif self.reading is None or stands:
            self.say(f"not yet: {', '.join(stands) or self.trouble}", wrong=True)
        else:
            self.dismiss(GO)
            return
        self.typed = ""
        self.show()

    def action_back(self) -> None:
        self.placing.back()
        self.typed = self.placing.labels[self.placing.cursor]
        self.say("")
        self.show()

    def action_leave(self) -> None:
        self.dismiss(None)

    # what is shown --------------------------------------------------------------------------------------------------

    def heading(self) -> str:
        p = self.placing
        return f"Batch test   {self.what}   {len(p.on_stations)} of {len(p.labels)} stations have a spoke"

    def large(self, width: int) -> Text:
        p = self.placing
        if p.all_said:
            stands = ["the frame does not answer"] if self.reading is None else interlocks(self.reading)
            lines = [
                "All stations are seen to.",
                "Guard closed, eye protection on, nobody in line with a spoke.",
                f"In the way: {', '.join(stands)}." if stands else "Nothing stands in the way.",
                "",
                f"Type {GO} and press Enter to begin: {self.typed}_",
            ]
            return Text("\n".join(f"  {line}" for line in lines))
        load = None if self.reading is None else self.reading.stations[p.cursor].load_N
        blocks = beside(
            [f"station {p.names[p.cursor]}: load, N", *big(show.number(load, 1) if load is not None else "_")],
        )
        lines = [
            *blocks,
            "Place a new spoke: both ends seated, not twisted, slack.",
            f"Its label: {self.typed}_   (empty: this station stays empty)",
        ]
        return Text("\n".join(f"  {line}" for line in lines), no_wrap=True, overflow="ellipsis")

    def rows(self, width: int) -> Text:
        p, out = self.placing, Text()
        for i, (name, label, there) in enumerate(zip(p.names, p.labels, p.placed, strict=True)):
            load = None if self.reading is None else self.reading.stations[i].load_N
            mark = ">" if i == p.cursor and not p.all_said else " "
            said = (label or "stays empty") if there else "to be placed"
            out.append(
                f" {mark} {name:<6} {show.with_unit(load, 'N', 1):>10}   {said}\n", style="bold" if mark == ">" else ""
            )
        if self.trouble:
            out.append(f" {self.trouble}\n", style="bold")
        out.rstrip()
        return out
