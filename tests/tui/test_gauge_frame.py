"""A gauge calibrated on the frame: the stand's loop against a simulated frame and its faults."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.errors import BenchError, FrameFault, LineTrouble
from bench.framefile import read_frame_file
from bench.gaugeprogram import Level, gauge_program
from bench.gaugestand import Answer, Asks, GaugeStand, Moving, Standing, Stood
from bench.journal import Event, Row
from bench.plant import Plant
from bench.plantframe import PlantFrame, make_plant
from bench.program import program_from_text
from bench.runner import prepare, run_program
from bench.status import Mailbox
from tui.cli import run

FRAME = Path(__file__).parents[2] / "datasets" / "demo" / "frame.toml"
PATH_MM = 0.06
LOADS_N = (300.0, 500.0, 700.0, 900.0)


def program(series: int = 1) -> tuple[str, tuple[Level, ...]]:
    return gauge_program(
        station="A", spoke="T7-01", batch="T7", gauge_length_mm=280.0, EA_N=400e3, loads_N=LOADS_N, series=series,
        bed_N=950.0, bed_min=1.0, settle_s=5.0, break_load_N=None,
    )  # fmt: skip


class Kept:
    """A sink that keeps everything."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.events: list[Event] = []

    def record(self, rows, events=()) -> bool:
        self.rows += rows
        self.events += events
        return True

    def said(self) -> str:
        return "\n".join(e.message for e in self.events)


class Hand:
    """A person with a gauge of known path who reads 1 div for each 50 N; ``then`` may meddle at each look."""

    def __init__(self, plant: Plant, then: Callable[[Hand, Standing], Answer | None] | None = None) -> None:
        self.plant, self.then = plant, then
        self.on, self.since_s = False, 0.0
        self.seen: list[Standing] = []
        self.moved: list[Moving] = []

    def put(self, on: bool) -> None:
        if on is not self.on:
            self.plant.cue(Cue.FITTING_SLIPS, 0, -PATH_MM if on else PATH_MM)
            self.on, self.since_s = on, self.plant.time_s

    def see(self, now: Moving) -> Answer | None:
        self.moved.append(now)
        return None

    def look(self, now: Standing) -> Answer | None:
        self.seen.append(now)
        if self.then is not None:
            said = self.then(self, now)
            if said is not None:
                return said
        waited = self.plant.time_s - self.since_s > 2.0
        if now.asks is Asks.READING:
            if self.on and waited:
                return Answer(kind="reading", reading=round(now.load_N / 50.0, 2))
            self.put(True)
            return None
        self.put(False)
        return Answer(kind="clear") if waited else None


async def stand(
    then: Callable[[Hand, Standing], Answer | None] | None = None, series: int = 1
) -> tuple[Stood | BenchError, Hand, Kept, PlantFrame]:
    plant = make_plant(read_frame_file(FRAME), seed=3)
    text, levels = program(series)
    hand, sink = Hand(plant, then), Kept()

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock = VirtualClock(1.8e9, advance)
    async with PlantFrame(plant, clock) as frame:
        loop = GaugeStand(frame, clock, program_from_text(text, "g"), levels, hand, sink, 7, settle_s=5.0)
        try:
            return await loop.run(), hand, sink, frame
        except BenchError as error:
            return error, hand, sink, frame


async def test_every_load_is_read_up_and_down_with_the_position_held_and_the_load_logged_before_and_under() -> None:
    stood, _, sink, frame = await stand()
    assert isinstance(stood, Stood) and stood.ended == "done" and abs(stood.load_N) < 5.0
    assert [(p.level.load_N, p.level.rising) for p in stood.points] == [
        (300, True), (500, True), (700, True), (900, True), (700, False), (500, False), (300, False),
    ]  # fmt: skip
    # a spring held at a length: path = rise over its stiffness at once, EA/L and the frame in series
    k = 1.0 / (280.0 / float(frame.plant.spokes.chain.EA0_N[0]) + 4e-4)
    for p in stood.points:
        assert p.load_before_N == pytest.approx(p.level.load_N, rel=0.01)
        assert (p.load_N - p.load_before_N) / k == pytest.approx(PATH_MM, rel=0.06)
        assert p.reading == pytest.approx(p.load_N / 50.0, abs=0.011)
    assert stood.stiffness_N_per_mm == pytest.approx(k, rel=0.15)
    standing = [r for r in sink.rows if any(abs(r.time_s - e.time_s) < 2.0 for e in sink.events if e.kind == "gauge")]
    assert len(standing) > 10
    assert frame.plant.owner == 0  # given back


async def test_while_a_gauge_is_read_the_drive_is_off_and_the_guard_may_be_open() -> None:
    enabled: list[bool] = []

    def opens(hand: Hand, now: Standing) -> Answer | None:
        enabled.append(bool(hand.plant.enabled[0]))
        if now.asks is Asks.READING:
            hand.plant.cue(Cue.GUARD)
        else:
            hand.plant.clear(Cue.GUARD)
        return None

    stood, hand, sink, _ = await stand(opens)
    assert isinstance(stood, Stood) and len(stood.points) == 7
    assert enabled and not any(enabled)
    assert any(not s.guard_closed for s in hand.seen)
    assert "guard" not in " ".join(e.message for e in sink.events if e.kind == "fault")


async def test_nothing_moves_while_the_guard_is_open_or_the_gauge_is_on_whatever_is_typed() -> None:
    refused: list[tuple[str, ...]] = []
    where: list[float] = []

    def hasty(hand: Hand, now: Standing) -> Answer | None:
        if now.number != 2 or now.asks is Asks.READING or len(refused) >= 40:
            hand.plant.clear(Cue.GUARD)
            return None
        hand.plant.cue(Cue.GUARD)
        refused.append(now.why_not)
        where.append(float(hand.plant.motor_mm[0]))
        return Answer(kind="clear")

    stood, _, _, _ = await stand(hasty)
    assert isinstance(stood, Stood) and len(stood.points) == 7
    assert len(refused) == 40 and max(where) == min(where)
    assert all("the guard is open: close it" in why for why in refused[1:])
    assert any("the gauge is still on" in w for why in refused for w in why)


async def test_a_drive_that_gives_way_when_it_is_off_ends_it_with_a_plain_word() -> None:
    def slides(hand: Hand, now: Standing) -> Answer | None:
        if now.number == 3:
            hand.plant.motor_mm[0] -= 0.01
        return None

    ended, _, _, frame = await stand(slides)
    assert isinstance(ended, FrameFault)
    assert "does not hold by itself" in str(ended) and "N are on" in str(ended)
    assert frame.plant.owner == 0


async def test_a_spoke_that_lets_go_under_the_gauge_ends_it() -> None:
    def breaks(hand: Hand, now: Standing) -> Answer | None:
        if now.number == 2 and now.asks is Asks.READING and hand.on:
            hand.plant.cue(Cue.SPOKE_BREAKS, 0)
        return None

    ended, hand, _, _ = await stand(breaks)
    assert isinstance(ended, FrameFault) and "look at the spoke and its ends" in str(ended)
    assert all(s.number <= 2 for s in hand.seen)


async def test_a_frame_that_falls_silent_ends_it_after_its_deadman() -> None:
    def silent(hand: Hand, now: Standing) -> Answer | None:
        if now.number == 2:
            hand.plant.cue(Cue.SILENCE)
        return None

    ended, _, _, _ = await stand(silent)
    assert isinstance(ended, LineTrouble)


async def test_stop_unloads_the_spoke_once_the_gauge_is_off_and_keeps_what_was_read() -> None:
    stopped: list[float] = []

    def enough(hand: Hand, now: Standing) -> Answer | None:
        if now.number == 3 and now.asks is Asks.READING and hand.on:
            stopped.append(now.load_N)
            return Answer(kind="stop")
        return None

    stood, hand, _, frame = await stand(enough)
    assert isinstance(stood, Stood)
    assert len(stood.points) == 2 and len(stopped) == 1
    assert stood.ended == "eased off at a person's request" and abs(stood.load_N) < 5.0
    assert {s.asks for s in hand.seen if s.number == 3} == {Asks.READING, Asks.LEAVE}
    assert float(frame.plant.spokes.load_N[0]) < 1.0


async def test_a_reading_can_be_left_out_and_the_one_before_declared_void() -> None:
    said: list[int] = []

    def corrects(hand: Hand, now: Standing) -> Answer | None:
        if now.asks is Asks.READING and now.number == 3 and 3 not in said:
            said.append(3)
            return Answer(kind="void")
        if now.asks is Asks.READING and now.number == 5 and 5 not in said:
            said.append(5)
            return Answer(kind="skip")
        return None

    stood, _, sink, _ = await stand(corrects)
    assert isinstance(stood, Stood)
    assert [p.level.load_N for p in stood.points] == [300, 700, 900, 500, 300]
    assert "is void" in sink.said()


async def test_an_open_guard_while_the_spoke_is_moved_trips_as_in_any_run() -> None:
    plant = make_plant(read_frame_file(FRAME), seed=3)
    text, levels = program()

    class Meddler(Hand):
        def see(self, now: Moving) -> Answer | None:
            if now.load_N > 500.0:
                plant.cue(Cue.GUARD)
            return None

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock = VirtualClock(1.8e9, advance)
    async with PlantFrame(plant, clock) as frame:
        loop = GaugeStand(frame, clock, program_from_text(text, "g"), levels, Meddler(plant), Kept(), 7, settle_s=5.0)
        with pytest.raises(FrameFault, match="guard open; the spoke is still under"):
            await loop.run()
    assert not plant.enabled[0]


async def test_the_same_program_can_be_run_and_stepped_by_requests_like_any_other() -> None:
    plant = make_plant(read_frame_file(FRAME), seed=3)
    text, levels = program()
    box, sink = Mailbox(), Kept()

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    def on_tick(now) -> None:
        if now.stations[0].step.startswith("gauge") and now.stations[0].state == "holding":
            box.ask("A", "end step")

    clock = VirtualClock(1.8e9, advance)
    steps = program_from_text(text, "g")
    async with PlantFrame(plant, clock) as frame:
        outcome = await run_program(
            frame, clock, steps, sink, await prepare(frame, steps, 7), mailbox=box, on_tick=on_tick
        )
    assert outcome.finished and outcome.run_s < 1500.0
    assert len(levels) == 7 and [steps.steps[v.step].load_N for v in levels] == [v.load_N for v in levels]


# -- the command ------------------------------------------------------------------------------------------------------


def test_a_rehearsal_reads_an_invented_gauge_on_the_twin_and_finds_its_curve(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "trial.json"
    argv = ["gauge", "calibrate", "--frame", str(FRAME), "--rehearse", "--unit", "div", "--out", str(out)]
    argv += ["--loads", "400,600,800,1000,1200", "--series", "1", "--bed-min", "1", "--gauge-length-mm", "280"]
    assert run(argv) == 0
    said = capsys.readouterr()
    assert "invented" in said.err and "9 readings are in" in said.err
    record = json.loads(out.read_text())
    assert record["spoke_batch"] == "invented spokes of a rehearsal"
    assert record["path_mm"] == pytest.approx(0.06, rel=0.1)  # the gauge's own (tui/gaugebench.py)
    from models.gauge import Gauge

    gauge = Gauge.from_dict(record)
    for load in (500.0, 900.0, 1200.0):
        shows = 4.0 + 0.0215 * load - 2.6e-6 * load**2
        assert float(gauge.tension_N(shows)[0]) == pytest.approx(load, abs=8.0)
    table = out.with_suffix(".csv").read_text().splitlines()
    assert len(table) == 10 and table[1].endswith("Z")
    assert (
        run(["gauge", "calibrate", str(out.with_suffix(".csv")), "--unit", "div", "--json"]) == 0
    )  # reads its own table


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ((), "give either READINGS.csv"),
        (("x.csv", "--frame", str(FRAME)), "give either READINGS.csv"),
        (("--frame", str(FRAME), "--loads", "400,600,800"), "3 different loads"),
        (("--frame", str(FRAME), "--loads", "400,600,800,heavy"), "--loads"),
        (("--frame", str(FRAME), "--station", "Z"), "--station is 'Z'; the frame has A, B, C, D"),
        (("--frame", str(FRAME), "--bed", "500 N"), "at least the highest of --loads"),
        (
            ("--frame", str(FRAME), "--loads", "400,600,800,1900"),
            "2052 N",
        ),  # bedding at 1.08 x is over the frame's limit
        (("--frame", "no.toml"), "no.toml"),
    ],
)
def test_what_cannot_be_calibrated_is_refused_before_anything_moves(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    more: tuple[str, ...],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["gauge", "calibrate", *more, "--unit", "div", "--out", "g.json"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err and "Traceback" not in err
    assert list(tmp_path.iterdir()) == []
