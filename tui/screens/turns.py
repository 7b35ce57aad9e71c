"""Walking a retension session at the stand: which nipple, how far, what is left; Enter when it is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from tui import format as show
from tui.screens.big import beside, big
from tui.screens.guided import GuidedScreen
from tui.turns import fraction
from tui.walk import Walk

CELL = 13


class TurnsScreen(GuidedScreen):
    """One nipple after the other."""

    TITLE_WORDS: ClassVar[str] = "turns"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "done", "done, next"),
        Binding("minus,backspace", "undo", "back by one"),
        Binding("q,escape", "leave", "leave (goes on from here)"),
    ]

    def __init__(self, walk: Walk, *, name: str, keep: Callable[[Walk], None]) -> None:
        super().__init__()
        self.walk_through, self.name_of, self.keep = walk, name, keep
        if walk.look_first:
            self.say(f"LOOK FIRST at {walk.look_first[0]}", wrong=True)

    def action_done(self) -> None:
        walk = self.walk_through
        if walk.over:
            self.dismiss("all turns are done: read all spokes again")
            return
        walk.do()
        self.keep(walk)
        self.say("all turns are done. Enter ends: then read all spokes again" if walk.over else "")
        self.show()

    def action_undo(self) -> None:
        if self.walk_through.undo():
            self.keep(self.walk_through)
            move = self.walk_through.current
            assert move is not None
            self.say(f"position {move.position} counts as not turned; turn it back if it was")
        else:
            self.say("this is the first one", wrong=True)
        self.show()

    def action_leave(self) -> None:
        self.dismiss(None)

    # what is shown --------------------------------------------------------------------------------------------------

    def heading(self) -> str:
        w = self.walk_through
        left, right = w.set_N
        both = show.force(left) if round(left) == round(right) else f"{left:.0f} N left, {right:.0f} N right"
        return f"{self.name_of}   {w.session} to {both}   {w.done} of {len(w.moves)} done"

    def large(self, width: int) -> Text:
        w = self.walk_through
        move = w.current
        if move is None:
            return Text("\n\n  Nothing is left to turn.\n\n\n\n  Read all spokes again.")
        which = f"round {move.round} of {w.rounds}" if w.rounds > 1 else "in one round"
        blocks = beside(
            ["position", *big(str(move.position))],
            ["turn (+ tightens)", *big(fraction(move.turns).replace(" ", "  "))],
            gap=6,
        )
        left = w.left_of(move.position) - move.turns
        more = f", {fraction(left)} more in later rounds" if abs(left) > 1e-9 else ""
        i = move.position - 1
        hint = f"{which}; from {w.now_N[i]:.0f} N to {w.after_N[i]:.0f} N in the end{more}"
        lines = [*blocks, hint, w.left_in_words()]
        return Text("\n".join(f"  {line}" for line in lines), no_wrap=True, overflow="ellipsis")

    def rows(self, width: int) -> Text:
        w = self.walk_through
        current = w.current
        columns = max(1, (width - 2) // CELL)
        lines = -(-w.spokes // columns)
        out = Text()
        out.append(" turns left for each nipple\n", style="underline")
        for row in range(lines):
            for column in range(columns):
                i = column * lines + row
                if i >= w.spokes:
                    continue
                left = w.left_of(i + 1)
                here = current is not None and current.position == i + 1
                cell = f"{'>' if here else ' '}{i + 1:>3} {fraction(left) if left else 'done':>6}"
                out.append(f" {cell}", style="bold" if here else "")
                out.append(" " * (CELL - len(cell) - 1))
            out.append("\n")
        out.rstrip()
        return out
