"""Typing a wheel's readings at the stand: one hand on the number keys, large figures, what does not fit is named."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from tui import format as show
from tui.screens.big import beside, big
from tui.screens.guided import GuidedScreen
from tui.typed import Sheet

if TYPE_CHECKING:
    from planner.present import Expected

CELL = 13  # columns of one spoke in the table
MOST_TYPED = 8  # characters


class ReadingsScreen(GuidedScreen):
    """Every key of a number pad has its use; nothing else is needed."""

    TITLE_WORDS: ClassVar[str] = "readings"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "enter", "take it"),
        Binding("minus", "undo", "undo"),
        Binding("plus", "move(1)", "leave out"),
        Binding("down,right", "move(1)", "next", show=False),
        Binding("up,left", "move(-1)", "back", show=False),
        Binding("asterisk,t", "switch", "reading/tension"),
        Binding("backspace", "rub", "rub out", show=False),
        Binding("q,escape", "leave", "leave"),
    ]

    def __init__(
        self,
        sheet: Sheet,
        *,
        name: str,
        what: str,
        keep: Callable[[Sheet], None],
        expect: Callable[[], Expected | None] | None = None,
        ends: str = "",
    ) -> None:
        """``keep`` is called after every change: what is read is never lost. ``expect`` works out, in a thread, what
        the wheel's record leads one to expect; ``ends``: more words for the end."""
        super().__init__()
        self.sheet, self.name_of, self.what, self.keep = sheet, name, what, keep
        self.expect, self.ends = expect, ends
        self.odd: dict[int, str] = {}

    def on_mount(self) -> None:
        super().on_mount()
        if self.expect is not None:
            self.run_worker(self._expect, thread=True, exit_on_error=True)

    def _expect(self) -> None:
        assert self.expect is not None
        found = self.expect()
        self.app.call_from_thread(self.came, found)

    def came(self, found: Expected | None) -> None:
        """What to expect is known now: everything typed so far is looked at again."""
        if found is not None and self.is_mounted:
            self.sheet.expected = found
            self.odd = self.sheet.odd()
            self.show()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There is nothing to switch to without a gauge's record."""
        return action != "switch" or self.sheet.gauge is not None

    # keys ---------------------------------------------------------------------------------------------------------

    def typed_key(self, character: str) -> bool:
        return character in "0123456789.," and self.write(character, MOST_TYPED)

    def action_enter(self) -> None:
        if not self.typed:
            if self.sheet.done:
                self.dismiss(f"all {self.sheet.count} spokes are read {self.ends}".rstrip())
                return
            self.say("type what was read; + leaves this spoke out for now", wrong=True)
            self.show()
            return
        position = self.sheet.cursor
        problem = self.sheet.put(self.typed)
        self.typed = ""
        if problem is not None:
            self.say(problem, wrong=True)
            self.show()
            return
        self.changed()
        if position in self.odd:
            self.say(f"position {position + 1}: {self.odd[position]}  (- undoes it)", wrong=True)
        elif self.sheet.done:
            others = f"; look again at {', '.join(str(i + 1) for i in sorted(self.odd))}" if self.odd else ""
            self.say(f"all {self.sheet.count} are read{others}. Enter ends, - undoes", wrong=bool(self.odd))
        else:
            self.say("")
        self.show()

    def action_undo(self) -> None:
        if self.typed:
            self.typed = ""
        else:
            position = self.sheet.undo()
            if position is None:
                self.say("nothing to undo", wrong=True)
            else:
                self.changed()
                self.say(f"position {position + 1} is taken back")
        self.show()

    def action_move(self, by: int) -> None:
        self.typed = ""
        self.sheet.move(by)
        self.say("")
        self.show()

    def action_switch(self) -> None:
        self.typed = ""
        problem = self.sheet.switch()
        self.say(problem or f"now type in {self.sheet.unit}", wrong=problem is not None)
        self.show()

    def action_leave(self) -> None:
        self.dismiss(None)

    def changed(self) -> None:
        """Check all again, and keep what is read."""
        self.odd = self.sheet.odd()
        self.keep(self.sheet)

    # what is shown --------------------------------------------------------------------------------------------------

    def heading(self) -> str:
        s = self.sheet
        return f"{self.name_of}   {s.read} of {s.count} read, in {s.unit}   {self.what}"

    def large(self, width: int) -> Text:
        s = self.sheet
        standing = s.values[s.cursor]
        number = self.typed or ("" if standing is None else f"{standing.number:g}")
        blocks = beside(
            [f"position, {s.side(s.cursor)}", *big(f"{s.cursor + 1:2d}")],
            [f"{'typing' if self.typed else 'reads'}, {s.unit}", *big(number or "_")],
            gap=6,
        )
        likely = s.likely_N(s.cursor)
        word = "likely" if s.expected is not None else "its side so far"
        now = "" if standing is None else f"stands at {show.force(standing.tension_N)}    "
        hint = f"{now}{word}: {show.force(likely)}"
        return Text("\n".join(f"  {line}" for line in [*blocks, hint]), no_wrap=True, overflow="ellipsis")

    def rows(self, width: int) -> Text:
        s = self.sheet
        columns = max(1, (width - 2) // CELL)
        lines = -(-s.count // columns)
        out = Text()
        for row in range(lines):
            for column in range(columns):
                i = column * lines + row
                if i >= s.count:
                    continue
                value = s.values[i]
                mark = ">" if i == s.cursor else "!" if i in self.odd else " "
                tension = "-" if value is None else show.number(value.tension_N)
                cell = f"{mark}{i + 1:>3} {s.side(i)[0]} {tension:>5}"
                style = "bold reverse" if i in self.odd else "bold" if i == s.cursor else ""
                out.append(f" {cell}", style=style)
                out.append(" " * (CELL - len(cell) - 1))
            out.append("\n")
        means = [s.side_mean_N(k) for k in range(2)]
        targets = s.wheel.side_targets_N()
        for name, mean, target in zip(("left", "right"), means, targets, strict=True):
            off = "" if mean is None else f", {show.signed(100 * (mean / target - 1))} % of target"
            out.append(f" {name:<5} mean so far {show.force(mean)}{off}\n")
        if self.odd:
            out.append(f" look again: {', '.join(str(i + 1) for i in sorted(self.odd))}\n", style="bold")
        out.rstrip()
        return out
