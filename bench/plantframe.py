"""The simulated frame as a Frame in this process: for rehearsals and tests, through the shipped controller."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

import numpy as np

from bench.clock import Clock
from bench.cues import Cue
from bench.errors import FrameFault, LineTrouble
from bench.frame import Command, FrameFacts, FrameReading, StationReading, check_command, check_limit
from bench.framefile import FrameFile
from bench.freshness import Freshness
from bench.invented import invented_batch
from bench.plant import Plant, PlantSettings
from bench.spokes import in_series as series
from models.batch import Batch, draw_chains


def make_plant(
    file: FrameFile,
    *,
    seed: int,
    batch: Batch | None = None,
    in_series: Sequence[int] | None = None,
    bar_mm_per_N: float = 0.0,
) -> Plant:
    """The simulated twin of a frame, with new spokes of ``batch`` (the invented one if left out) on its stations.

    ``in_series``: how many spokes hang in a row on each station, joined by bars; else as the file's [simulation] says.
    """
    rng = np.random.default_rng(seed)
    s = file.simulation
    row = tuple(in_series or (s.spokes_in_series,) * len(file.facts.stations))
    chain = series(draw_chains(batch or invented_batch(), rng, 1, sum(row)).take(0), row)
    settings = PlantSettings(
        gauge_length_mm=s.gauge_length_mm,
        in_series=row,
        bar_mm_per_N=bar_mm_per_N,
        acceleration_mm_per_s2=s.acceleration_mm_per_s2,
        seat_mm=s.seat_mm,
        seat_sd_mm=s.seat_sd_mm,
        air_C=s.air_C,
        air_swing_C=s.air_swing_C,
    )
    return Plant(file.facts, chain, rng, settings)


class PlantFrame:
    """Implements bench.frame.Frame on a plant; time passes by ``advance``, which is for VirtualClock.on_advance."""

    def __init__(self, plant: Plant, clock: Clock, *, timeout_s: float = 0.2, bus_s: float = 0.0) -> None:
        """``bus_s``: what each reading and each writing takes."""
        self.plant, self._clock, self._timeout_s, self._bus_s = plant, clock, timeout_s, bus_s
        self._fresh = Freshness()
        self._cached: FrameReading | None = None

    @property
    def facts(self) -> FrameFacts:
        return self.plant.facts

    async def advance(self, dt_s: float) -> None:
        """For VirtualClock.on_advance."""
        self.plant.advance(dt_s)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    async def claim(self, token: int) -> None:
        reading = await self.read()
        if reading.local:
            raise FrameFault("the frame is held by its local panel: switch it to remote at the panel, then start again")
        if reading.owner_token not in (0, token):
            raise FrameFault(
                f"the frame is held by another controller (token {reading.owner_token}): end it there first; "
                "two controllers must not command one frame"
            )
        self._link()
        self.plant.take(token)
        self.plant.feed()

    async def release(self) -> None:
        self._link()
        self.plant.take(0)

    def _link(self) -> None:
        """What the link's faults on cue do to a request."""
        for (cue, _), value in self.plant.cues.items():
            if cue is Cue.SILENCE:
                raise LineTrouble(f"simulated link: no answer within {self._timeout_s:g} s")
            if cue is Cue.LATE and value > self._timeout_s:
                raise LineTrouble(f"simulated link: no answer within {self._timeout_s:g} s")
            if cue in (Cue.GARBAGE, Cue.SHORT, Cue.FOREIGN_ANSWER):
                raise LineTrouble("simulated link: a wrong answer")
            if cue is Cue.EXCEPTION:
                code = int(value) or 4
                words = f"simulated link: the device refused: exception {code}"
                raise LineTrouble(words) if code in (5, 6, 10, 11) else FrameFault(words)

    async def _bus(self) -> None:
        if self._bus_s:
            await self._clock.sleep_until(self._clock.now_s() + self._bus_s)

    async def read(self) -> FrameReading:
        await self._bus()
        p = self.plant
        if p.cues:
            self._link()
        now_s = self._clock.now_s()
        if (Cue.STALE, None) in p.cues and self._cached is not None:
            self._fresh.check(self._cached.frame_ms, now_s)
            return self._cached
        self._fresh.check(p.frame_ms, now_s)
        faults, valid = p.load_fault, p.position_valid
        moving, enabled = p.moving.tolist(), p.enabled.tolist()
        codes, low, high = p.drive_fault.tolist(), p.limit_low.tolist(), p.limit_high.tolist()
        absent = p.facts.absent
        self._cached = FrameReading(
            now_s=now_s,
            at_utc=self._clock.utc(),
            frame_ms=p.frame_ms,
            estop_closed=p.estop_closed,
            guard_closed=p.guard_closed,
            power_ok=p.power_ok,
            deadman_ms=p.facts.deadman_ms,
            owner_token=p.owner,
            local=p.local,
            air_temperature_C=None if "air_temperature" in absent else p.air_C,
            frame_temperature_C=None if "frame_temperature" in absent else p.frame_C,
            cabinet_temperature_C=p.cabinet_C if p.facts.has_cabinet else None,
            stations=tuple(
                StationReading(
                    load_N=p.load_N[i],
                    load_fault=faults[i],
                    position_mm=p.position_mm[i],
                    position_valid=valid[i],
                    moving=moving[i],
                    enabled=enabled[i],
                    drive_fault=codes[i],
                    limit_low=low[i],
                    limit_high=high[i],
                    brake=None if "brake" in absent else not enabled[i],
                )
                for i in range(len(codes))
            ),
            max_load_N=p.limits["max_load"],
            max_speed_mm_per_s=p.limits["max_speed"],
            cabinet_door_closed=(Cue.CABINET_DOOR, None) not in p.cues if p.facts.has_cabinet else None,
            cabinet_cutout_ok=(Cue.CABINET_CUTOUT, None) not in p.cues if p.facts.has_cabinet else None,
        )
        return self._cached

    async def write(self, commands: Sequence[Command]) -> None:
        await self._bus()
        p = self.plant
        if p.cues:
            self._link()
        for c in commands:
            check_command(p.facts, c)
            if c.fault_reset:
                p.reset_fault(c.station)
            p.command(c.station, enable=c.enable, target_mm=c.target_mm, speed_mm_per_s=c.speed_mm_per_s)
        p.feed()

    async def set_limit(self, role: str, value: float) -> None:
        self._link()
        check_limit(self.plant.facts, role, value)
        self.plant.set_limit(role, value)

    async def set_cabinet_C(self, temperature_C: float | None) -> None:
        if not self.plant.facts.has_cabinet:
            raise FrameFault("this frame has no cabinet: its file maps none")
        self._link()
        self.plant.cabinet_set_C = temperature_C

    async def set_lamp(self, lamp: int) -> None:
        self._link()
        self.plant.lamp = lamp
