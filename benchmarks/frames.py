"""The frame's link and the controller: a tick against the line's own time, lateness, rehearsal."""

from __future__ import annotations

import asyncio
import resource
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from bench.clock import RealClock
from bench.frame import Command
from bench.framefile import SerialLink
from bench.invented import invented_frame_text
from bench.modbusframe import ModbusFrame
from bench.program import program_from_text
from bench.rehearse import rehearse
from bench.simulated import start_simulated
from bench.transport import silence_s, wire_s
from benchmarks.measure import Section, by_the_clock, growth, hand_over, seconds, timed
from tests.bench.frames import frame_file, served

PROGRAM = """\
name = "benchmark (invented)"
gauge_length_mm = 280.0
[stations]
{stations}
[tick]
motion_s = 0.1
hold_s = 1.0
[spoke]
EA_N = 400000
break_load_N = 3600
[limits]
max_load_N = 1650
[[steps]]
kind = "seat"
load_N = 20
[[steps]]
kind = "hold"
load_N = 1500
rate_N_per_s = 10
hours = {hours}
[[steps]]
kind = "unload"
"""


def program(stations: int, hours: float):
    """A hold on so many stations."""
    names = "\n".join(f'{"ABCDEFGHIJKLMNOP"[i]} = "K-{i + 1}"' for i in range(stations))
    return program_from_text(PROGRAM.format(stations=names, hours=hours), "benchmark")


async def serial_tick(baud: int, stations: int) -> tuple[float, float]:
    """Seconds of one reading of everything over a line of that speed, and the wire's own time for its frames."""
    file = frame_file(stations)
    serial = SerialLink(kind="serial", port="/dev/null", baud=baud, parity="none", stop_bits=1, timeout_s=2.0)
    file = replace(file, link=serial)
    clock, took = RealClock(), []
    async with served(file, pty=True, virtual=False, line_model=True) as (led, _), ModbusFrame(led, clock) as frame:
        await frame.read()
        for _ in range(12):
            start = clock.now_s()
            await frame.read()
            took.append(clock.now_s() - start)
        octets = sum(8 + 5 + 2 * block.count for block in frame._blocks)
        wire = wire_s(baud, octets) + 2 * len(frame._blocks) * silence_s(baud)
    return float(np.median(took)), wire


async def lateness(stations: int, tick_s: float, run_s: float, folder: Path) -> tuple[np.ndarray, float]:
    """How late each tick was, s, and the share of one core that the controller took; the frame is another process."""
    path = folder / f"frame-{stations}.toml"
    path.write_text(invented_frame_text(stations), encoding="utf-8")
    async with start_simulated(path, virtual=False, seed=1) as simulated:
        clock = RealClock()
        async with ModbusFrame(simulated.file, clock) as frame:
            await frame.claim(77)
            still = tuple(Command(station=i, enable=False, target_mm=0.0, speed_mm_per_s=1.0) for i in range(stations))
            begin, late = clock.now_s(), []
            used = resource.getrusage(resource.RUSAGE_SELF)
            n = int(run_s / tick_s)
            for k in range(n):
                await clock.sleep_until(begin + k * tick_s)
                late.append(clock.now_s() - (begin + k * tick_s))
                await frame.read()
                await frame.write(still)
            now = resource.getrusage(resource.RUSAGE_SELF)
            cpu = (now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime) / (clock.now_s() - begin)
            await frame.release()
    return np.array(late), cpu


def main() -> None:
    """Link, lateness, rehearsal."""
    section = Section(title="The frame")
    for baud in (9600, 19200, 38400, 57600, 115200):
        took, wire = asyncio.run(serial_tick(baud, 4))
        section.add(
            f"reading a frame of 4 stations over a serial line at {baud} baud", f"{seconds(took)} by the clock",
            f"the wire's own time {seconds(wire)}: {took / wire:.2f} x (asked: within 1.3 x)",
        )  # fmt: skip
    with tempfile.TemporaryDirectory() as scratch:
        for stations, rate_Hz in ((8, 10), (16, 20)):
            late, cpu = asyncio.run(lateness(stations, 1 / rate_Hz, 12.0, Path(scratch)))
            section.add(
                f"lateness of {late.size} ticks, {stations} stations at {rate_Hz} Hz over TCP",
                f"median {seconds(float(np.median(late)))}, 99 % {seconds(float(np.quantile(late, 0.99)))}, "
                f"worst {seconds(float(late.max()))}, {100 * float(np.mean(late < 0.01)):.1f} % under 10 ms; "
                f"{100 * cpu:.0f} % of a core",
                "asked: 99.9 % under 10 ms, under 25 % of a core" if stations == 8 else "asked: keeps up",
            )
    sizes = [1, 2, 4, 8, 16]
    times = [timed(lambda n=n: asyncio.run(rehearse(program(n, 0.25), frame_file(n)))) for n in sizes]
    section.add("rehearsing a quarter of an hour: growth with stations", growth(sizes, times))
    hours = [0.5, 1, 2, 4, 8]
    times = [timed(lambda h=h: asyncio.run(rehearse(program(1, h), frame_file(1)))) for h in hours]
    section.add("rehearsing one station: growth with hours", growth(hours, times))
    night = by_the_clock(lambda: asyncio.run(rehearse(program(8, 12.0), frame_file(8))))
    section.add("a night of 12 h on 8 stations, rehearsed", night, "asked: under 60 s")
    section.notes.append("Lateness is what the machine allows: whatever else runs on it is in that figure.")
    hand_over(section)


if __name__ == "__main__":
    main()
