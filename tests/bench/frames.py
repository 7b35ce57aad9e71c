"""Simulated frames for tests: in this process, over Modbus TCP on loopback, and over RTU on a pseudo-terminal."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.frame import Command, Frame, FrameReading
from bench.framefile import FrameFile, frame_from_text
from bench.invented import invented_frame_text
from bench.modbusframe import ModbusFrame
from bench.plantframe import PlantFrame, make_plant
from bench.server import serve
from bench.simulated import Side, link_to

START_UTC = 1_750_000_000.0
TOKEN = 77


def frame_file(stations: int = 2, changes: dict[str, str] | None = None) -> FrameFile:
    """The invented frame, with pieces of its text replaced (each must be there)."""
    text = invented_frame_text(stations)
    for old, new in (changes or {}).items():
        assert old in text, old
        text = text.replace(old, new)
    return frame_from_text(text, Path("FRAME.toml"))


@asynccontextmanager
async def served(
    file: FrameFile,
    *,
    pty: bool = False,
    seed: int = 1,
    virtual: bool = True,
    timeout_s: float = 3.0,
    line_model: bool = False,
) -> AsyncIterator[tuple[FrameFile, Side]]:
    """A simulated frame served by this process: the frame file led to it, and its private socket.

    The time-out is long, so that a busy machine is not taken for a silent frame.
    """
    ours, theirs = socket.socketpair()
    where: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        serve(
            file,
            seed=seed,
            port=0,
            pty=pty,
            side=theirs,
            virtual=virtual,
            line_model=line_model,
            ready=where.set_result,
        )
    )
    side = Side(ours)
    try:
        link = link_to(file, await where).model_copy(update={"timeout_s": timeout_s})
        yield replace(file, link=link), side
    finally:
        side.close()
        await task
        theirs.close()


@dataclass
class Rig:
    """A frame under test with its clock, and what only a simulation can do."""

    frame: Frame
    clock: VirtualClock
    side: Side | PlantSide

    async def pass_s(self, seconds: float, commands: list[Command] | None = None, tick_s: float = 0.1) -> FrameReading:
        """Tick for so long as a controller does: read, write (and feed), wait; the last reading."""
        end = self.clock.now_s() + seconds
        reading = await self.frame.read()
        while self.clock.now_s() < end - 1e-9:
            await self.frame.write(commands or [])
            await self.clock.sleep_until(min(end, self.clock.now_s() + tick_s))
            reading = await self.frame.read()
        return reading

    async def pass_unfed_s(self, seconds: float) -> None:
        """Let time pass without a word to the frame."""
        await self.clock.sleep_until(self.clock.now_s() + seconds)


class PlantSide:
    """The same as Side for a plant in this process."""

    def __init__(self, frame: PlantFrame) -> None:
        self._plant = frame.plant

    async def cue(self, cue: Cue | str, station: int | None = None, value: float = 0.0) -> None:
        self._plant.cue(cue, station, value)

    async def clear(self, cue: Cue | str, station: int | None = None) -> None:
        self._plant.clear(cue, station)

    async def truth(self) -> dict[str, Any]:
        p = self._plant
        return {
            "load_N": p.spokes.load_N.tolist(),
            "motor_mm": p.motor_mm.tolist(),
            "owner": p.owner,
            "lamp": p.lamp,
            "limits": p.limits,
        }


@asynccontextmanager
async def rig(kind: str, file: FrameFile | None = None, timeout_s: float = 3.0) -> AsyncIterator[Rig]:
    """One of plant, tcp, rtu."""
    file = file or frame_file()
    if kind == "plant":
        plant = make_plant(file, seed=1)

        async def advance(dt_s: float) -> None:
            plant.advance(dt_s)

        clock = VirtualClock(START_UTC, advance)
        frame = PlantFrame(plant, clock)
        async with frame:
            yield Rig(frame, clock, PlantSide(frame))
        return
    async with served(file, pty=kind == "rtu", timeout_s=timeout_s) as (led, side):
        clock = VirtualClock(START_UTC, side.advance)
        async with ModbusFrame(led, clock) as modbus:
            yield Rig(modbus, clock, side)
