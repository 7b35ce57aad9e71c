"""`longhold run`, `resume`, `export` and `program` as a person meets them: words, files, exit status."""

from __future__ import annotations

import io
import json
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.framefile import FrameFile, read_frame_file
from bench.invented import invented_frame_text
from bench.plant import Plant
from bench.plantframe import PlantFrame, make_plant
from bench.record import journal_path
from bench.runfile import is_sealed, read_run, read_table
from tests.bench.runs import own_runtime_folder
from tui.cli import run

PROGRAM = """
name = "short night"
batch = "K"
gauge_length_mm = 280
[stations]
A = "K-01"
B = "K-02"
[[steps]]
kind = "seat"
seconds = 2
[[steps]]
kind = "hold"
load_N = 600
rate_N_per_s = 20
hours = 0.1
[[steps]]
kind = "unload"
"""


class Bench:
    """A simulated frame in virtual time in the place of the real one behind Modbus."""

    def __init__(self, folder: Path) -> None:
        text = invented_frame_text(2) + "\n[simulation]\nseat_mm = 0.5\nseat_sd_mm = 0.1\n"
        self.frame_path, self.program_path = folder / "frame.toml", folder / "program.toml"
        self.frame_path.write_text(text)
        self.program_path.write_text(PROGRAM)
        self.file: FrameFile = read_frame_file(self.frame_path)
        self.plant: Plant = make_plant(self.file, seed=3)
        self.at: dict[float, Callable[[], Any]] = {}
        self.clock = VirtualClock(1.8e9, self.advance)
        self.out = folder / "run.h5"

    async def advance(self, dt_s: float) -> None:
        self.plant.advance(dt_s)
        for when in [w for w in self.at if self.plant.time_s >= w]:
            self.at.pop(when)()

    def run(self, *more: str) -> int:
        return run(["run", str(self.program_path), "--frame", str(self.frame_path), "--out", str(self.out), *more])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    made = Bench(tmp_path)
    monkeypatch.delenv("LONGHOLD_ALERTS", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr("bench.clock.RealClock", lambda: made.clock)
    monkeypatch.setattr("bench.modbusframe.ModbusFrame", lambda file, clock: PlantFrame(made.plant, clock))
    hangup = signal.getsignal(signal.SIGHUP)
    with own_runtime_folder(monkeypatch):
        yield made
    signal.signal(signal.SIGHUP, hangup)


def test_a_run_writes_one_whole_file_and_says_how_each_spoke_came_out(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.run() == 0
    said = capsys.readouterr()
    assert "run.h5: finished after 0:07" in said.out
    assert "A K-01: done, peak 60" in said.out and "held within 0.0" in said.out
    assert said.err == ""
    assert is_sealed(bench.out) and not journal_path(bench.out).exists()
    assert len(read_table(bench.out)) > 500


def test_with_json_the_result_stands_alone_on_stdout(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.run("--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["state"] == "finished" and answer["run"] == str(bench.out)
    a = answer["stations"][0]
    assert a["spoke"] == "K-01" and not a["under_load"] and a["faults"] == []
    assert a["hold_rms_percent"] < 0.25 and a["overshoot_percent"] < 0.5
    assert answer["lateness"]["ticks"] > 500


def test_an_existing_run_is_not_overwritten_without_force(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.out.write_bytes(b"older")
    assert bench.run() == 2
    assert "--force" in capsys.readouterr().err and bench.out.read_bytes() == b"older"
    assert bench.plant.time_s == 0.0, "nothing was touched"
    assert bench.run("--force") == 0 and is_sealed(bench.out)


def test_a_wrong_program_ends_with_2_and_writes_nothing(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.program_path.write_text(PROGRAM.replace("load_N = 600", "load_N = 2500"))
    assert bench.run("--json") == 2
    said = capsys.readouterr()
    assert said.out == "" and "station A allows 2000 N" in said.err
    assert not bench.out.exists() and not journal_path(bench.out).exists()


@pytest.mark.parametrize(
    ("cue", "words"),
    [
        (Cue.LOCAL_PANEL, "held by its local panel"),
        (Cue.FOREIGN_OWNER, "held by another controller"),
        (Cue.ESTOP, "emergency-stop chain is open"),
        (Cue.SILENCE, "no answer"),
    ],
)
def test_a_frame_that_cannot_be_had_ends_with_3_and_writes_nothing(
    bench: Bench, capsys: pytest.CaptureFixture[str], cue: Cue, words: str
) -> None:
    bench.plant.cue(cue)
    assert bench.run("--json") == 3
    said = capsys.readouterr()
    assert said.out == "" and words in said.err
    assert not bench.out.exists() and not journal_path(bench.out).exists()


def test_ctrl_c_ends_with_130_a_whole_file_and_the_words_spokes_still_under_load(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.at[100.0] = lambda: os.kill(os.getpid(), signal.SIGINT)
    assert bench.run("--json") == 130
    said = capsys.readouterr()
    assert "spokes still under load: A " in said.err and f"longhold resume {bench.out}" in said.err
    assert said.out == ""
    assert is_sealed(bench.out) and journal_path(bench.out).exists()
    assert read_run(bench.out).meta.ended == "stopped by a person"
    loads = bench.plant.spokes.load_N.copy()
    bench.plant.advance(60.0)
    assert (bench.plant.spokes.load_N > 0.9 * loads).all() and not bench.plant.moving.any()


def test_a_lost_terminal_is_nothing_to_a_run(bench: Bench) -> None:
    bench.at[100.0] = lambda: os.kill(os.getpid(), signal.SIGHUP)
    assert bench.run() == 0


def test_a_frame_fault_ends_with_3_keeps_what_was_logged_and_says_how_to_resume(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.at[100.0] = lambda: bench.plant.cue(Cue.GUARD)
    assert bench.run("--json") == 3
    said = capsys.readouterr()
    assert said.out == ""
    for part in ("guard open", "spokes still under load", str(bench.out), f"longhold resume {bench.out}"):
        assert part in said.err
    assert said.err.count("\n") == 1
    assert is_sealed(bench.out) and len(read_table(bench.out)) > 100


def test_a_spoke_that_lets_go_ends_with_1_and_the_others_are_finished(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.at[100.0] = lambda: bench.plant.cue(Cue.SPOKE_BREAKS, 0)
    assert bench.run("--json") == 1
    said = capsys.readouterr()
    answer = json.loads(said.out)
    assert answer["stations"][0]["faults"] == ["spoke let go"] and answer["stations"][1]["ended"] == "done"
    assert "reject: K-01" in said.err


def test_a_run_begun_again_over_one_that_has_not_ended_is_refused(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.at[100.0] = lambda: os.kill(os.getpid(), signal.SIGINT)
    assert bench.run() == 130
    bench.out.unlink()
    capsys.readouterr()
    assert bench.run() == 2
    assert "a run that has not ended: longhold resume" in capsys.readouterr().err


def stopped(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.at[100.0] = lambda: os.kill(os.getpid(), signal.SIGINT)
    assert bench.run() == 130
    capsys.readouterr()
    bench.plant.advance(30.0)


def test_resume_shows_the_real_state_and_goes_on_once_each_station_is_named(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped(bench, capsys)
    monkeypatch.setattr("sys.stdin", io.StringIO("station A may move\nstation B may move\n"))
    assert run(["resume", str(bench.out)]) == 0
    said = capsys.readouterr()
    assert "station A (K-01): load " in said.err and "valid" in said.err
    assert "type 'station A may move'" in said.err and "eyes" in said.err
    assert "finished" in said.out
    assert read_run(bench.out).meta.ended == "finished" and not journal_path(bench.out).exists()


@pytest.mark.parametrize(
    "typed", ["", "\n\n", "yes\nyes\n", "station B may move\nstation A may move\n", "STATION A MAY MOVE\n"]
)
def test_resume_moves_nothing_without_the_exact_words(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    stopped(bench, capsys)
    before = (journal_path(bench.out).read_bytes(), bench.plant.motor_mm.tolist())
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    assert run(["resume", str(bench.out)]) == 0
    assert "nothing was moved" in capsys.readouterr().err
    assert (journal_path(bench.out).read_bytes(), bench.plant.motor_mm.tolist()) == before


def test_resume_of_a_finished_run_says_so(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.run() == 0
    assert run(["resume", str(bench.out)]) == 2
    assert "nothing is left to resume" in capsys.readouterr().err


def test_export_writes_the_run_table_of_the_contract(
    bench: Bench, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import pandas as pd

    assert bench.run() == 0
    capsys.readouterr()
    table = tmp_path / "run.csv"
    assert run(["export", str(bench.out), "--out", str(table), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["spokes"] == ["K-01", "K-02"]
    read = pd.read_csv(table)
    ours = read_table(bench.out)
    assert list(read.columns) == list(ours.columns)
    assert (read["load_N"] - ours["load_N"]).abs().max() < 1e-3
    assert (read["elongation_mm"] - ours["elongation_mm"]).abs().max() < 1e-6
    assert run(["export", str(bench.out), "--out", str(table)]) == 2, "never overwritten without --force"


@pytest.mark.parametrize("content", [b"", b"time_s\n1\n", b"\x89HDF\r\n\x1a\n" + bytes(3000)])
def test_export_of_what_is_no_run_ends_with_2_and_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes
) -> None:
    bad = tmp_path / "bad.h5"
    bad.write_bytes(content)
    assert run(["export", str(bad), "--out", str(tmp_path / "x.csv")]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and str(bad) in said.err
    assert not (tmp_path / "x.csv").exists()


# programs ------------------------------------------------------------------------------------------------------------


def test_a_batch_program_is_written_and_rehearsed_on_the_twin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frame, out = tmp_path / "frame.toml", tmp_path / "new.toml"
    frame.write_text(invented_frame_text(2))
    made = ["program", "new-batch", "--hours", "1", "--frame", str(frame), "--batch", "K07", "--out", str(out)]
    assert run([*made, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["hours"] <= 1.0 and answer["peak_load_N"] == pytest.approx(1.5 * 981)
    assert 'A = "K07-01"' in out.read_text()
    assert run(made) == 2, "never overwritten without --force"
    capsys.readouterr()
    assert run(["program", "rehearse", str(out), "--frame", str(frame), "--night-hours", "1.2", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["simulated"] and answer["fits_night"] and answer["state"] == "finished"
    assert answer["hours"] == pytest.approx(1.0, abs=0.15)
    for s in answer["stations"]:
        assert 1471.0 < s["peak_load_N"] < 1480.0 and 5.0 < s["travel_used_mm"] < 12.0
        assert s["overshoot_percent"] < 0.5 and s["hold_rms_percent"] < 0.25


def test_a_rehearsal_that_does_not_fit_the_night_says_no(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frame, out = tmp_path / "frame.toml", tmp_path / "p.toml"
    frame.write_text(invented_frame_text(1))
    written = ["program", "prestretch", "--load", "100 kgf", "--hours", "0.1", "--stations", "1", "--out", str(out)]
    assert run(written) == 0
    capsys.readouterr()
    assert run(["program", "rehearse", str(out), "--frame", str(frame), "--night-hours", "0.1"]) == 1
    said = capsys.readouterr()
    assert "does not fit a night of 0.1 h" in said.out and "peak 98" in said.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["prestretch", "--load", "-5", "--hours", "1", "--stations", "1"], "--load"),
        (["prestretch", "--load", "100 kg", "--hours", "1", "--stations", "1"], "is not a force"),
        (["prestretch", "--load", "1500 N", "--hours", "1"], "give --stations"),
        (["new-batch", "--hours", "0.2", "--stations", "1"], "at least 1 h"),
        (["new-batch", "--hours", "8", "--stations", "1", "--high-load", "500 N"], "must be above --load"),
        (["new-batch", "--hours", "8", "--stations", "1", "--break-load", "1500 N"], "max_fraction_of_break"),
    ],
)
def test_a_wrong_wish_for_a_program_ends_with_2_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    out = tmp_path / "p.toml"
    assert run(["program", *arguments, "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert words in said.err and said.err.count("\n") == 1 and not out.exists()
