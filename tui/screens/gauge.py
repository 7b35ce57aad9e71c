"""Reading a gauge on the frame: the load large, what to do now, the number as it is typed; hands free of the mouse."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from bench.errors import BenchError
from bench.gaugestand import Answer, Asks, Moving, Person, Standing, Stood
from tui import format as show
from tui.gaugebench import Typing
from tui.screens.big import beside, big
from tui.screens.guided import GuidedScreen

DRAW_EVERY = 4  # ticks
MOST_TYPED = 8


class GaugeScreen(GuidedScreen):
    """Is the person of the stand's loop: looks at each tick, answers when a key said so."""

    TITLE_WORDS: ClassVar[str] = "gauge"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "enter", "take it / clear"),
        Binding("minus", "void", "the one before was wrong"),
        Binding("s", "skip", "leave out"),
        Binding("backspace", "rub", show=False),
        Binding("q,escape", "stop", "unload and stop"),
    ]

    def __init__(self, stand: Callable[[Person], Awaitable[Stood]], *, name: str, unit: str, typing: Typing) -> None:
        super().__init__()
        self.stand, self.name_of, self.unit, self.typing = stand, name, unit, typing
        self.now: Standing | Moving | None = None
        self.pending: Answer | None = None
        self.stood: Stood | None = None
        self.failed: BenchError | None = None
        self._ticks = 0

    def on_mount(self) -> None:
        super().on_mount()
        self.run_worker(self.go(), exit_on_error=True)

    async def go(self) -> None:
        """The whole calibration; the screen ends with it."""
        try:
            self.stood = await self.stand(self)
        except BenchError as error:
            self.failed = error
        self.dismiss("ended" if self.stood is not None else None)

    # the person -----------------------------------------------------------------------------------------------------

    def look(self, now: Standing) -> Answer | None:
        return self._tick(now)

    def see(self, now: Moving) -> Answer | None:
        return self._tick(now)

    def _tick(self, now: Standing | Moving) -> Answer | None:
        before, self.now = self.now, now
        answer, self.pending = self.pending, None
        self._ticks += 1
        turned = type(before) is not type(now) or (
            isinstance(now, Standing) and isinstance(before, Standing) and now.asks is not before.asks
        )
        if turned:
            self.typed = ""
            if isinstance(now, Moving):
                self.say("")
        if turned or self._ticks % DRAW_EVERY == 0:
            self.show()
        return answer

    # keys -----------------------------------------------------------------------------------------------------------

    def typed_key(self, character: str) -> bool:
        asks = isinstance(self.now, Standing) and self.now.asks is Asks.READING
        return asks and character in "0123456789.," and self.write(character, MOST_TYPED)

    def action_enter(self) -> None:
        if not isinstance(self.now, Standing):
            self.say("the spoke is being moved: wait", wrong=True)
        elif self.now.asks is Asks.READING and not self.typed:
            self.say("type what the gauge shows", wrong=True)
        else:
            self._hear(self.typed)
        self.show()

    def _hear(self, line: str) -> None:
        if isinstance(self.now, Standing):
            self.pending, words = self.typing.hear(line, self.now)
            self.say(words, wrong=self.pending is None)
            self.typed = ""

    def action_void(self) -> None:
        if isinstance(self.now, Standing) and self.now.asks is Asks.READING:
            self._hear("-")
        self.show()

    def action_skip(self) -> None:
        if isinstance(self.now, Standing) and self.now.asks is Asks.READING:
            self._hear("s")
        self.show()

    def action_stop(self) -> None:
        if isinstance(self.now, Moving):
            self.pending = Answer(kind="stop")
            self.say("the spoke is unloaded, then it ends")
        elif isinstance(self.now, Standing) and self.now.asks is Asks.READING:
            self._hear("q")
        else:
            self.say("gauge off, hands away, guard closed, Enter; then q", wrong=True)
        self.show()

    # what is shown ----------------------------------------------------------------------------------------------------

    def heading(self) -> str:
        return f"Gauge on the frame   {self.name_of}   {show.counted(len(self.typing.points), 'reading')} so far"

    def large(self, width: int) -> Text:
        now = self.now
        load = [f"load, N{' (drive off)' if isinstance(now, Standing) else ''}"]
        load += big(show.number(None if now is None else now.load_N, 1).replace("-", "") or "_")
        if isinstance(now, Standing) and now.asks is Asks.READING:
            blocks = beside(load, [f"typing, {self.unit}", *big(self.typed or "_")], gap=6)
        else:
            blocks = load
        return Text("\n".join(f"  {line}" for line in blocks), no_wrap=True, overflow="ellipsis")

    def rows(self, width: int) -> Text:
        now, out = self.now, Text()
        if now is None:
            out.append(" looking at the frame ...")
        elif isinstance(now, Moving):
            out.append(f" {now.what}: to {now.set_load_N:.0f} N, left {show.duration(now.left_s)}\n", style="bold")
            out.append(" The spoke is being moved: guard closed, hands away.\n")
        else:
            way = "rising" if now.level.rising else "falling"
            out.append(f" {now.number} of {now.of}: {now.level.load_N:.0f} N, {way}, series {now.level.series}\n")
            if now.asks is Asks.READING:
                out.append(" Put the gauge on, read it, leave it on, type what it shows, Enter.\n", style="bold")
            else:
                out.append(" Take the gauge off, hands away, close the guard. Then Enter.\n", style="bold")
                for why in now.why_not:
                    out.append(f" not yet: {why}\n", style="bold reverse")
            out.append(f" without the gauge {now.before_N:.1f} N; guard {'closed' if now.guard_closed else 'OPEN'}\n")
        for p in self.typing.points[-6:][::-1]:
            out.append(f"   {p.load_N:7.1f} N  reads {p.reading:g}{'' if p.level.rising else '  (falling)'}\n")
        out.rstrip()
        return out
