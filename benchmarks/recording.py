"""A day and a night recorded in virtual time: memory, bytes on disk, and the file read again."""

from __future__ import annotations

import asyncio
import os
import tempfile
from pathlib import Path

from bench.alerts import Alerts
from bench.clock import VirtualClock
from bench.journal import SAMPLE
from bench.live import LiveRun
from bench.plantframe import PlantFrame, make_plant
from bench.record import journal_path
from bench.runfile import read_run, read_table
from bench.session import begin_run
from bench.status import Mailbox, Snapshot
from benchmarks.frames import program
from benchmarks.measure import Section, hand_over, now_MB, seconds, timed
from tests.bench.frames import frame_file

STATIONS, HOURS = 2, 24.0


async def record(out: Path) -> dict[str, float]:
    """Run the shipped controller and recorder over the simulated frame; what was held and written, by its name."""
    file = frame_file(STATIONS)
    plant = make_plant(file, seed=1)
    seen: dict[str, float] = {}

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    def on_tick(now: Snapshot) -> None:
        if now.at_s > 3600.0:
            seen.setdefault("MB after an hour", now_MB())
        seen["MB"] = max(seen.get("MB", 0.0), now_MB()) if now.at_s > 3600.0 else now_MB()
        seen["journal_bytes"] = journal_path(out).stat().st_size

    clock = VirtualClock(1.8e9, advance)
    async with PlantFrame(plant, clock, bus_s=file.simulation.answer_s) as frame:
        await begin_run(
            frame, clock, program(STATIONS, HOURS), out, frame_text=file.text, frame_where="frame.toml",
            mailbox=Mailbox(), alerts=Alerts.off(), on_tick=on_tick, recorder_options={"live": False},
        )  # fmt: skip
    return seen


def main() -> None:
    """Memory, disk, reading."""
    section = Section(title="Recording")
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["XDG_RUNTIME_DIR"] = scratch
        out = Path(scratch) / "day.h5"
        seen: dict[str, float] = {}
        took = timed(lambda: seen.update(asyncio.run(record(out))))
        rows = len(read_table(out))
        section.add(
            f"a day and a night ({HOURS:g} h) on {STATIONS} stations, controlled and recorded in virtual time",
            seconds(took), f"{HOURS * 3600 / took:.0f} x as fast as the clock on the wall",
        )  # fmt: skip
        section.add(
            "memory from the first hour to the last",
            f"{seen['MB after an hour']:.1f} MB, at most {seen['MB']:.1f} MB", "asked: flat within 5 MB",
        )  # fmt: skip
        section.add(
            f"journal of {rows} samples",
            f"{seen['journal_bytes'] / rows:.1f} bytes a station and sample, {SAMPLE.itemsize} of it the sample",
            "asked: under 60",
        )  # fmt: skip
        section.add("run file (HDF5)", f"{out.stat().st_size / rows:.1f} bytes a station and sample", "asked: under 60")
        section.add("reading the run file", seconds(timed(lambda: read_run(out))))

        def follow() -> None:
            live = LiveRun(out)
            live.refresh()
            live.close()

        section.add("the same for a picture of it", seconds(timed(follow)))
    hand_over(section)


if __name__ == "__main__":
    main()
