"""Proving a new frame: what to do now in large words, what the frame says, what was seen."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from bench.errors import BenchError
from bench.frame import FrameReading
from tui import format as show
from tui.proving import Proving
from tui.screens.guided import GuidedScreen

EVERY_S = 0.3


class ProvingScreen(GuidedScreen):
    """Goes on by itself when the frame shows what was asked for."""

    TITLE_WORDS: ClassVar[str] = "a new frame"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "leave_out", "leave out"),
        Binding("minus,up", "back", "back by one"),
        Binding("enter", "end", "end"),
        Binding("q,escape", "leave", "leave"),
    ]

    def __init__(
        self,
        proof: Proving,
        *,
        what: str,
        names: list[str],
        look: Callable[[], Awaitable[FrameReading]],
        every_s: float | None = EVERY_S,
    ) -> None:
        """``look`` reads the frame without claiming it; ``every_s`` None: only when asked, for tests."""
        super().__init__()
        self.proof, self.what, self.names, self.look_at, self.every_s = proof, what, names, look, every_s
        self.reading: FrameReading | None = None

    def on_mount(self) -> None:
        super().on_mount()
        if self.every_s is not None:
            self.set_interval(self.every_s, lambda: self.run_worker(self.see(), exclusive=True))

    async def see(self) -> None:
        """One look at the frame."""
        try:
            self.reading = await self.look_at()
        except BenchError as error:
            self.reading = None
            self.say(f"the frame does not answer: {error}", wrong=True)
        else:
            amiss = self.proof.see(self.reading)
            self.say(amiss, wrong=bool(amiss))
        if self.is_mounted:
            self.show()

    def action_leave_out(self) -> None:
        self.proof.leave_out()
        self.say("")
        self.show()

    def action_back(self) -> None:
        self.proof.back()
        self.say("")
        self.show()

    def action_end(self) -> None:
        if self.proof.current is None:
            self.dismiss("proved")
        else:
            self.say("this goes on by itself when the frame shows it; s leaves it out", wrong=True)
            self.show()

    def action_leave(self) -> None:
        self.dismiss(None)

    # what is shown ----------------------------------------------------------------------------------------------------

    def heading(self) -> str:
        return f"A new frame   {self.what}   {len(self.proof.done)} of {len(self.proof.acts)}"

    def large(self, width: int) -> Text:
        act = self.proof.current
        now = self.reading
        if act is None:
            out = self.proof.left_out
            words = f"All was seen, but for: {', '.join(out)}. Enter ends." if out else "All was seen. Enter ends."
        else:
            words = act.words
        lines = [f"  {words}\n"]
        if now is not None:
            lines.append(
                f"  emergency stop {'closed' if now.estop_closed else 'OPEN'}   guard "
                f"{'closed' if now.guard_closed else 'OPEN'}"
            )
            loads = (f"{n} {show.with_unit(s.load_N, 'N', 1)}" for n, s in zip(self.names, now.stations, strict=True))
            lines.append("  " + "   ".join(loads))
        return Text("\n".join(lines), style="bold")

    def rows(self, width: int) -> Text:
        out = Text()
        for i, act in enumerate(self.proof.acts):
            done = self.proof.done[i] if i < len(self.proof.done) else False
            mark = ">" if i == len(self.proof.done) else " "
            said = {True: "seen", None: "left out", False: ""}[done]
            out.append(f" {mark} {act.name:<24} {said}\n", style="bold" if mark == ">" else "")
        out.rstrip()
        return out
