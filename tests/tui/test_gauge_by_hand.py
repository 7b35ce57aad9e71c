"""A gauge calibrated on the simulated frame by what a person types, through the command line, to its printed table."""

from __future__ import annotations

import io
import json
import queue
import re
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.framefile import read_frame_file
from bench.plant import Plant
from bench.plantframe import PlantFrame, make_plant
from bench.runfile import is_sealed
from tui.cli import run

DATA = Path(__file__).parents[2] / "datasets" / "demo"
PATH_MM = 0.06


def dial(load_N: float) -> float:
    """What the invented gauge shows, div."""
    return 4.0 + 0.0215 * load_N - 2.6e-6 * load_N**2


class Stand(io.StringIO):
    """A person before the terminal: reads the prompts that are written to it, moves the gauge, types lines.

    A line is typed 3 s after what it answers, by the frame's clock, which stands still until the line is taken.
    """

    def __init__(self, plant: Plant, *, with_gauge: bool) -> None:
        super().__init__()
        self.plant, self.with_gauge = plant, with_gauge
        self.due: list[tuple[float, str]] = []
        self.lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.listened = threading.Semaphore(0)
        self.rng = np.random.default_rng(4)
        self.readings = 0

    def write(self, text: str) -> int:
        if "Put the gauge on" in text:
            held_N = float(re.findall(r"([\d.]+) N, drive off", text)[0])
            self._gauge(on=True)
            k = 1.0 / (280.0 / float(self.plant.spokes.chain.EA0_N[0]) + 4e-4)  # spoke and the frame's own give
            shows = dial(held_N + (k * PATH_MM if self.with_gauge else 0.0)) + 0.04 * self.rng.standard_normal()
            self.readings += 1
            if self.readings == 3:
                self._type("twenty")
            if self.readings == 7:
                self._type(f"{shows + 5:.1f}")  # a slip of the finger, then as it is
            self._type(f"{shows:.1f}")
        elif "Take it off" in text:
            self._gauge(on=False)
            self._type("")
        return super().write(text)

    def _gauge(self, *, on: bool) -> None:
        if self.with_gauge:
            self.plant.cue(Cue.FITTING_SLIPS, 0, -PATH_MM if on else PATH_MM)

    def _type(self, line: str) -> None:
        self.due.append((max([self.plant.time_s, *(at for at, _ in self.due)]) + 3.0, f"{line}\n"))

    async def advance(self, dt_s: float) -> None:
        """The frame's time, and the lines that are due in it."""
        self.plant.advance(dt_s)
        if self.due and self.plant.time_s >= self.due[0][0]:
            self.listened.acquire()
            self.lines.put(self.due.pop(0)[1])
            self.listened.acquire()  # the line was handed on and the next is waited for
            self.listened.release()

    def readline(self, *_: object) -> str:
        self.listened.release()
        return self.lines.get()

    def isatty(self) -> bool:
        return False


def typed(folder: Path, monkeypatch: pytest.MonkeyPatch, *, with_gauge: bool = True) -> tuple[int, str]:
    plant = make_plant(read_frame_file(DATA / "frame.toml"), seed=5)
    stand = Stand(plant, with_gauge=with_gauge)
    clock = VirtualClock(1.8e9, stand.advance)
    monkeypatch.chdir(folder)
    monkeypatch.setattr("bench.clock.RealClock", lambda: clock)
    monkeypatch.setattr("bench.modbusframe.ModbusFrame", lambda file, _clock: PlantFrame(plant, clock))
    argv = ["gauge", "calibrate", "--frame", str(DATA / "frame.toml"), "--station", "A", "--unit", "div"]
    argv += ["--batch", "K07", "--gauge-length-mm", "280", "--bed-min", "1", "--settle-s", "5", "--series", "1"]
    with monkeypatch.context() as at_the_stand:
        at_the_stand.setattr(sys, "stdout", stand)
        at_the_stand.setattr(sys, "stdin", stand)
        return run([*argv, "--out", "gauge.json"]), stand.getvalue()


def test_a_gauge_is_calibrated_by_typed_readings_and_its_table_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, said = typed(tmp_path, monkeypatch)
    assert status == 0, said + capsys.readouterr().err
    assert said.count("Put the gauge on") == 9 and "Calibration record" in said
    assert said.count("a number is needed") == 1 and said.count("does not fit") == 1
    assert len(Path("gauge.csv").read_text().splitlines()) == 10 and is_sealed(Path("gauge.h5"))
    record = json.loads(Path("gauge.json").read_text())
    assert record["spoke_batch"] == "K07" and "invented" not in record
    assert record["path_mm"] == pytest.approx(PATH_MM, rel=0.1)
    capsys.readouterr()
    at_550 = ("--wheel-stiffness-N-per-mm", "550")

    # both ways, by the gauge's own law: under it, and in a wheel less path x stiffness there
    def read(*question: str) -> dict[str, float]:
        assert run(["gauge", "read", "gauge.json", *question, *at_550, "--json"]) == 0
        row: dict[str, float] = json.loads(capsys.readouterr().out)["results"][0]
        return row

    for load in (500.0, 900.0, 1200.0):
        row = read("--reading", f"{dial(load):.3f}")
        assert row["tension_under_gauge_N"] == pytest.approx(load, abs=8.0)
        assert row["tension_N"] == pytest.approx(load - 550.0 * PATH_MM, abs=10.0)
        assert read("--tension", f"{row['tension_N']:.6f} N")["reading"] == pytest.approx(dial(load), abs=0.01)

    assert run(["gauge", "read", "gauge.json", *at_550, "--pdf", "gauge.pdf"]) == 0
    page = PdfReader("gauge.pdf").pages[0].extract_text()
    assert "K07" in page and "DEMO" not in page and "550" in page
    for line in capsys.readouterr().out.split("\n\n")[1].splitlines()[2:]:  # round readings
        shown, tension, _kgf, _U = (float(cell) for cell in line.split())
        assert dial(tension + 550.0 * PATH_MM) == pytest.approx(shown, abs=0.25)


def test_readings_of_a_gauge_that_adds_nothing_are_kept_and_a_way_on_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _ = typed(tmp_path, monkeypatch, with_gauge=False)
    said = capsys.readouterr().err
    assert status == 2 and not Path("gauge.json").exists()
    way_on = re.findall(r"without the gauge's path: longhold (.+)", said)
    assert way_on, said
    assert run(way_on[0].split()) == 0
    assert json.loads(Path("gauge.json").read_text())["path_mm"] is None
