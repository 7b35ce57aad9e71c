"""A program on the simulated frame in virtual time, through the shipped loop: the run table that it leaves behind."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from bench.clock import VirtualClock
from bench.framefile import FrameFile, frame_from_text
from bench.invented import invented_frame_text
from bench.journal import Event, Row
from bench.plantframe import PlantFrame, make_plant
from bench.program import program_from_text
from bench.record import run_of_rows, table_of
from bench.runner import prepare, run_program
from bench.start import run_header
from bench.steps import check_against, lines_of
from models.chain import Chain

CABINET = """
[cabinet]
setpoint = { address = 300, type = "int16", scale = 0.01 }
actual = { table = "input", address = 300, type = "int16", scale = 0.01 }
door = { table = "input", address = 301, bit = 0 }
cutout = { table = "input", address = 301, bit = 1 }
"""


SLOW_TICK = "hold_s = 6"


def frame(stations: int, cabinet: bool = False) -> FrameFile:
    """The invented frame, with a heated cabinet or without; its deadman lets a quiet hold be read every six seconds."""
    text = invented_frame_text(stations)
    assert "deadman_ms = 3500" in text
    text = text.replace("deadman_ms = 3500", "deadman_ms = 18000")
    if cabinet:
        assert 'absent = ["brake", "cabinet"]' in text
        text = text.replace('absent = ["brake", "cabinet"]', 'absent = ["brake"]').replace(
            "# registers of one station", CABINET + "\n# registers of one station", 1
        )
    return frame_from_text(text, Path("frame.toml"))


class _Rows:
    """A sink that keeps everything."""

    def __init__(self) -> None:
        self.rows: list[Row] = []

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        self.rows.extend(rows)
        return True


def night(text: str, file: FrameFile, seed: int = 0) -> tuple[pd.DataFrame, Chain]:
    """The table of a whole night of this program, read every six seconds in a hold; and the spokes that hung there."""
    assert "hold_s = 1 " in text
    text = text.replace("hold_s = 1 ", f"{SLOW_TICK} ")
    return asyncio.run(_night(text, file, seed))


async def _night(text: str, file: FrameFile, seed: int) -> tuple[pd.DataFrame, Chain]:
    program = program_from_text(text, "night.toml")
    check_against(program, file.facts)
    row = [1] * len(file.facts.stations)
    for line in lines_of(program, file.facts):
        row[line.index] = line.spokes
    plant = make_plant(file, seed=seed, in_series=row)

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock, sink = VirtualClock(1_750_000_000.0, advance), _Rows()
    async with PlantFrame(plant, clock, bus_s=file.simulation.answer_s) as link:
        outcome = await run_program(link, clock, program, sink, await prepare(link, program, 1))
    assert outcome.finished, outcome.message
    header = run_header(
        program, file.facts, frame_text=file.text, frame_where="frame.toml", token=1, start_utc=1_750_000_000.0
    )
    return table_of(run_of_rows(header, sink.rows)), plant.spokes.chain
