"""Walking a frame: each fault is found, and guarded moves stop at the first surprise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.cues import Cue
from bench.framecheck import Check, faults, judge, judge_station, look, measure, try_axis
from bench.plantframe import PlantFrame
from tests.bench.frames import TOKEN, Rig, frame_file, rig


async def found(on: Rig, readings: int = 20) -> dict[str, Check]:
    seen = await look(on.frame, on.clock, on.clock, readings)
    checks = judge(on.frame.facts, seen, identity="x", serial="INVENTED-2")
    for i in range(len(on.frame.facts.stations)):
        checks += judge_station(on.frame.facts, seen, i)
    return {c.what: c for c in checks}


async def test_a_good_frame_has_no_fault_and_looking_moves_nothing() -> None:
    async with rig("plant") as on:
        checks = await found(on)
        assert faults(list(checks.values())) == 0 and len(checks) > 15
        assert checks["serial"].good is True and "noise" in checks["A: load cell"].says
        truth = await on.side.truth()
        assert truth["motor_mm"] == [0.0, 0.0] and truth["owner"] == 0


@pytest.mark.parametrize(
    ("cue", "station", "value", "what", "says"),
    [
        (Cue.ESTOP, None, 0.0, "emergency stop", "chain open"),
        (Cue.GUARD, None, 0.0, "guard", "open"),
        (Cue.POWER_DIP, None, 0.0, "power", "no motor power"),
        (Cue.LOCAL_PANEL, None, 0.0, "panel", "local panel"),
        (Cue.FOREIGN_OWNER, None, 99.0, "owner", "token 99"),
        (Cue.AIR, None, 75.0, "air", "75.00 degC"),
        (Cue.CELL_UNPLUGGED, 1, 0.0, "B: load cell", "plugged in"),
        (Cue.CELL_SATURATES, 1, 0.0, "B: load cell", "end of its range"),
        (Cue.CELL_FROZEN, 1, 0.0, "B: load cell", "frozen"),
        (Cue.CELL_OPEN, 1, 0.0, "B: load cell", "frozen"),
        (Cue.POSITION_LOST, 1, 0.0, "B: position", "lost"),
        (Cue.LIMIT_HIGH, 1, 0.0, "B: travel switches", "pulled end"),
        (Cue.DRIVE_FAULT, 1, 12.0, "B: drive", "fault 12"),
    ],
)
async def test_each_fault_is_found_and_named(cue: Cue, station: int | None, value: float, what: str, says: str) -> None:
    async with rig("plant") as on:
        await on.clock.sleep_until(1.0)
        await on.side.cue(cue, station, value)
        checks = await found(on)
        bad = [c for c in checks.values() if c.good is False]
        assert [c.what for c in bad] == [what] and says in bad[0].says


async def test_a_cell_noisier_than_its_file_says_is_a_fault() -> None:
    async with rig("plant", frame_file(2, {"load_noise_N = 0.3": "load_noise_N = 3.0"})) as on:
        quiet = replace(on.frame.facts.stations[0], load_noise_N=0.5)
        seen = await look(on.frame, on.clock, on.clock, 50)
        facts = replace(on.frame.facts, stations=(quiet, on.frame.facts.stations[1]))
        assert [faults(judge_station(facts, seen, i)) for i in (0, 1)] == [1, 0]


async def test_what_the_device_says_of_itself_is_held_against_the_file() -> None:
    async with rig("plant") as on:
        seen = await look(on.frame, on.clock, on.clock, 3)
        facts = on.frame.facts
        other = replace(
            facts,
            serial="MINE-7",
            deadman_ms=2000,
            stations=tuple(replace(s, max_load_N=1500.0) for s in facts.stations),
        )
        bad = {c.what: c.says for c in judge(other, seen, serial="INVENTED-2") if c.good is False}
    assert set(bad) == {"serial", "deadman", "load limit"}
    assert "MINE-7" in bad["serial"] and "2000 ms" in bad["deadman"] and "1500 N" in bad["load limit"]


async def test_a_slow_bus_is_a_fault_and_a_tick_is_advised() -> None:
    class Slow:
        """A timer on which each reading takes 80 ms."""

        now = 0.0

        def now_s(self) -> float:
            self.now += 0.08
            return self.now

        utc = now_s

        async def sleep_until(self, when_s: float) -> None:
            raise AssertionError("only times")

    async with rig("plant") as on:
        seen = await look(on.frame, on.clock, Slow(), 5)
        bus = next(c for c in judge(on.frame.facts, seen) if c.what == "bus")
    assert bus.good is False and "link.tick_s to 0.2" in bus.says


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
async def test_guarded_moves_prove_direction_scale_and_the_deadman(kind: str) -> None:
    async with rig(kind) as on:
        await on.frame.claim(TOKEN)
        checks = {c.what: c for c in await try_axis(on.frame, on.clock, 1)}
        assert set(checks) == {"B: direction and scale", "B: deadman stops the motor"}
        assert all(c.good for c in checks.values()), checks
        assert "3.5" in checks["B: deadman stops the motor"].says
        truth = await on.side.truth()
        assert truth["motor_mm"][0] == 0.0 and truth["motor_mm"][1] == pytest.approx(0.35, abs=0.02)
        reading = await on.frame.read()
        assert not reading.stations[1].enabled


async def trial(change: Callable[[PlantFrame], None]) -> tuple[list[Check], Rig]:
    async with rig("plant") as on:
        await on.frame.claim(TOKEN)
        assert isinstance(on.frame, PlantFrame)
        change(on.frame)
        return list(await try_axis(on.frame, on.clock, 0)), on


async def test_an_axis_that_stands_still_or_runs_the_wrong_scale_is_a_fault() -> None:
    checks, _ = await trial(lambda f: f.plant.cue(Cue.STALL, 0))
    assert [c.good for c in checks] == [False] and "+0.0000 mm" in checks[0].says


async def test_a_drive_that_ignores_the_deadman_is_found() -> None:
    def deathless(frame: PlantFrame) -> None:
        advance = frame.plant.advance

        def fed(dt_s: float) -> None:
            frame.plant.feed()
            advance(dt_s)

        frame.plant.advance = fed  # type: ignore[method-assign]

    checks, on = await trial(deathless)
    assert checks[-1].good is False and "do not use this frame" in checks[-1].says
    assert not (await on.frame.read()).stations[0].enabled


@pytest.mark.parametrize(
    ("cue", "station", "says"),
    [
        (Cue.GUARD, None, "guard"),
        (Cue.ESTOP, None, "emergency-stop"),
        (Cue.POWER_DIP, None, "power"),
        (Cue.LOCAL_PANEL, None, "panel"),
        (Cue.POSITION_LOST, 0, "position"),
        (Cue.DRIVE_FAULT, 0, "fault 99"),
        (Cue.CELL_UNPLUGGED, 0, "load cell"),
        (Cue.CELL_SATURATES, 0, "load changed"),
    ],
)
async def test_a_surprise_in_a_guarded_move_stops_it_and_is_told(cue: Cue, station: int | None, says: str) -> None:
    def later(frame: PlantFrame) -> None:
        advance = frame.plant.advance

        def cued(dt_s: float) -> None:
            advance(dt_s)
            if frame.plant.time_s >= 1.0 and not hit:
                hit.append(True)
                frame.plant.cue(cue, station)

        hit: list[bool] = []
        frame.plant.advance = cued  # type: ignore[method-assign]

    checks, on = await trial(later)
    assert len(checks) == 1 and checks[0].good is False and says in checks[0].says
    truth = await on.side.truth()
    assert 0.0 < truth["motor_mm"][0] < 0.15  # between the start and the surprise; then off
    assert not (await on.frame.read()).stations[0].enabled


async def test_a_loaded_station_is_not_tried() -> None:
    def pull(frame: PlantFrame) -> None:
        frame.plant.command(0, enable=True, target_mm=7.0, speed_mm_per_s=1.0)
        for _ in range(100):
            frame.plant.feed()
            frame.plant.advance(0.1)

    checks, on = await trial(pull)
    assert (checks[0].good is False and "take the spoke off" in checks[0].says) or "load changed" in checks[0].says
    assert (await on.side.truth())["motor_mm"][0] == pytest.approx(7.0)


async def test_a_point_of_a_span_is_a_mean_over_many_readings() -> None:
    async with rig("plant") as on:
        load, position = await measure(on.frame, on.clock, 0, 100)
        assert abs(load) < 1.0 and position == 0.0
