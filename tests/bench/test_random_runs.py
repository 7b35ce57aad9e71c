"""Whole runs of the shipped loop under random happenings: nothing moves while tripped, a trip latches, ends are said."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.errors import FrameFault, LineTrouble
from bench.frame import FrameReading
from bench.journal import STATE_MASK
from bench.machine import ENDED, TRIPPED, RunState, StationState, state_of
from bench.status import REQUESTS, Mailbox
from tests.bench.fake_frame import FakeFrame, Memory, make_program, play
from tests.bench.test_runner import frame

S = StationState
PROGRAM = make_program(
    "seat seconds=2",
    "hold load_N=500 rate_N_per_s=20 hours=0.01",
    "recover hours=0.005",
    "hold load_N=800 rate_N_per_s=20 hours=0.01",
    "unload",
    "touch hours=0.04",
    stations=2,
)
LONGEST_S = 330.0
STOPS_WITHIN_MM = 0.05  # what is left of the last bounded move, and a tick at the fastest that the loop asks for
ON_READING = {
    "guard": lambda r: replace(r, guard_closed=False),
    "estop": lambda r: replace(r, estop_closed=False),
    "power": lambda r: replace(r, power_ok=False),
    "panel": lambda r: replace(r, local=True),
    "owner": lambda r: replace(r, owner_token=99),
    "deadman": lambda r: replace(r, deadman_ms=100),
    "hot": lambda r: replace(r, air_temperature_C=60.0),
    "clock": lambda r: replace(r, at_utc=r.at_utc + 3600.0),
    "restart": lambda r: replace(r, frame_ms=3),
}
ON_STATION: dict[str, dict[str, object]] = {
    "cell": {"load_fault": True},
    "load is no number": {"load_N": float("nan")},
    "over-load": {"load_N": 1700.0},
    "saturated": {"load_N": 2500.0},
    "lost": {"position_valid": False},
    "position is no number": {"position_mm": float("nan")},
    "drive": {"drive_fault": 4},
    "dropped": {"enabled": False},
    "switch": {"limit_high": True},
}
HAPPENINGS = (
    *ON_READING,
    *ON_STATION,
    "breaks",
    "slips",
    "leans",
    "silence",
    "refusal",
    "full",
    "all clear",
    *REQUESTS,
)


@dataclass
class World:
    """A frame on which things happen, and what is watched of it."""

    f: FakeFrame
    memory: Memory
    box: Mailbox
    on: dict[tuple[str, int], None] = field(default_factory=dict)
    tripped_at_mm: dict[int, float] = field(default_factory=dict)

    def tampered(self, r: FrameReading) -> FrameReading:
        for what, i in self.on:
            if what in ON_READING:
                r = ON_READING[what](r)
            else:
                changed = replace(r.stations[i], **ON_STATION[what])  # type: ignore[arg-type]
                r = replace(r, stations=tuple(changed if j == i else s for j, s in enumerate(r.stations)))
        return r

    def happen(self, what: str, i: int) -> None:
        if what in ON_READING or what in ON_STATION:
            self.on[what, i] = None
        elif what == "breaks":
            self.f.spokes[i].gone = True
        elif what in ("slips", "leans"):
            self.f.spokes[i].crept_mm += 0.05 if what == "slips" else -0.05
        elif what in ("silence", "refusal"):
            self.f.trouble = silence if what == "silence" else refusal
        elif what == "full":
            self.memory.full = True
        elif what == "all clear":
            self.on.clear()
            self.f.trouble, self.memory.full = None, False
        else:
            self.box.ask("AB"[i], what)

    def watch(self, states: dict[int, StationState]) -> None:
        """Once tripped, a drive comes to rest and stays there."""
        for i, state in states.items():
            x = self.f.drives[i].x_mm
            if i in self.tripped_at_mm:
                assert state in TRIPPED, f"station {i} went from a trip to '{state.value}'"
                assert abs(x - self.tripped_at_mm[i]) < STOPS_WITHIN_MM, f"station {i} moves while tripped"
            elif state in TRIPPED:
                self.tripped_at_mm[i] = x


def silence() -> None:
    raise LineTrouble("no answer within 0.2 s")


def refusal() -> None:
    raise FrameFault("device 1 refused: exception 4")


happenings = st.tuples(
    st.floats(5.0, 250.0),  # when it begins to go wrong; from then on one thing comes soon after the other
    st.lists(st.tuples(st.floats(0.2, 8.0), st.sampled_from(HAPPENINGS), st.integers(0, 1)), min_size=1, max_size=12),
)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(happenings)
@example((100.0, [(1.0, "switch", 0), (2.0, "over-load", 0), (5.0, "ease off", 0)]))  # kept, then asked to unload
@example((100.0, [(1.0, "drive", 0), (1.0, "all clear", 0), (1.0, "go on", 0), (1.0, "end step", 0)]))
@example((100.0, [(1.0, "switch", 0), (1.0, "all clear", 0), (1.0, "full", 0), (9.0, "breaks", 1)]))
def test_whatever_happens_in_a_run_nothing_moves_while_tripped(
    happened: tuple[float, list[tuple[float, str, int]]],
) -> None:
    world = World(frame(2), Memory(), Mailbox())
    f = world.f
    f.tamper = world.tampered
    advance = f.advance

    async def watched(dt_s: float) -> None:
        await advance(dt_s)
        now = world.box.snapshot
        if now is not None:
            world.watch({i: StationState(s.state) for i, s in enumerate(now.stations)})

    f.clock._on_advance = watched
    at: dict[float, Callable[[], object]] = {}
    when, things = happened
    for gap, what, i in things:
        when += gap
        at[when] = lambda what=what, i=i: world.happen(what, i)  # type: ignore[misc]
    at[LONGEST_S + 60.0] = world.box.stop_now  # a pause that nobody ends
    outcome, memory = asyncio.run(play(f, PROGRAM, world.memory, at=at, mailbox=world.box))
    assert outcome.state is not RunState.RUNNING and outcome.message
    for station in outcome.stations:
        assert station.state in ENDED | {S.EASING_OFF} or outcome.state in (RunState.LINK_LOST, RunState.STOPPED)
        assert station.state is not S.DONE or not station.under_load
    # the record tells the same story: a trip is never left
    last: dict[int, StationState] = {}
    for row in memory.rows:
        state = state_of(row.flags & STATE_MASK)
        if last.get(row.station) in TRIPPED:
            assert state in TRIPPED
        last[row.station] = state
    # and whatever clears by itself, nothing moves after the end
    world.on.clear()
    f.trouble = None
    asyncio.run(f.advance(10.0))
    rest = [d.x_mm for d in f.drives]
    asyncio.run(f.advance(60.0))
    assert [d.x_mm for d in f.drives] == rest
