"""The monitor on a run of a day and a night with 16 stations: first picture, share of a core, memory."""

from __future__ import annotations

import asyncio
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from bench.journal import Journal, Row
from bench.record import journal_path
from bench.start import run_header
from benchmarks.frames import program
from benchmarks.measure import Section, hand_over, peak_MB, seconds
from tests.bench.frames import frame_file
from tui.monitor import Monitor
from tui.wiring import attach

STATIONS, HOURS, WATCHED_S = 16, 24.0, 20.0
EVERY_S = 30.0  # between rows, after the dense beginning


def write(path: Path) -> int:
    """An invented record as a run in progress has it: a journal, dense at first; how many rows."""
    file, asked = frame_file(STATIONS), program(STATIONS, HOURS)
    header = run_header(
        asked, file.facts, frame_text=file.text, frame_where="frame.toml", token=1, start_utc=time.time() - 3600 * HOURS
    )
    journal = Journal.create(journal_path(path), header)
    late = np.arange(200.0, 3600.0 * HOURS, EVERY_S)
    at = np.concatenate([np.arange(0.0, 100.0, 0.1), np.geomspace(100.0, 190.0, 100), late])
    for t in at:
        load = min(1500.0, 10.0 * t)
        journal.append(
            [
                Row(
                    station=i, step=1, flags=0, time_s=t, utc=header["start_utc"] + t, frame_ms=int(1000 * t),
                    load_N=load, position_mm=5.0, elongation_mm=load / 1000 + 0.05 * np.log1p(t), set_load_N=load,
                    elongation_raw_mm=load / 1000 + 0.05 * np.log1p(t), temperature_C=21.0,
                )
                for i in range(STATIONS)
            ],
            [],
        )  # fmt: skip
    journal.close()
    return STATIONS * at.size


async def watch(path: Path) -> tuple[float, float]:
    """Seconds of processor to the first picture, and the share of a core from then on."""
    begin_s = time.process_time()
    app = Monitor([attach(path)])
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        first_s = time.process_time() - begin_s
        await pilot.press("2")
        used_s, start_s = time.process_time(), time.perf_counter()
        await asyncio.sleep(WATCHED_S)
        share = (time.process_time() - used_s) / (time.perf_counter() - start_s)
    return first_s, share


def main() -> None:
    """First picture, share, memory."""
    section = Section(title="Watching")
    imported_s = time.process_time()
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["XDG_RUNTIME_DIR"] = scratch
        path = Path(scratch) / "day.h5"
        rows = write(path)
        first_s, share = asyncio.run(watch(path))
    section.add(
        f"the monitor's first picture of {STATIONS} stations, {HOURS:g} h, {rows} samples",
        f"{seconds(first_s)} of processor, and {seconds(imported_s)} for what is imported", "asked: within 1 s",
    )  # fmt: skip
    section.add("then, one station in detail, read once a second", f"{100 * share:.1f} % of a core", "asked: under 5 %")
    section.add("memory at most, writing the record included", f"{peak_MB():.0f} MB", "asked: under 150 MB")
    hand_over(section)


if __name__ == "__main__":
    main()
