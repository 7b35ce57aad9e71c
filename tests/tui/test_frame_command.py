"""`longhold frame simulate` and `longhold frame check` as a person uses them, in processes of their own."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import tui.commands.framecheck
import tui.commands.framespan
import tui.commands.interlocks
from bench.framecheck import Check
from bench.framefile import read_frame_file
from bench.interlocks import Interlock
from bench.invented import invented_frame_text
from tui.cli import run


def quick(stations: int, port: int = 5020) -> str:
    """The invented frame with a deadman of 0.5 s, so that a test need not wait for it."""
    text = invented_frame_text(stations, port=port)
    assert "deadman_ms = 3500" in text
    return text.replace("deadman_ms = 3500", "deadman_ms = 500")


@contextmanager
def simulated(tmp_path: Path, *options: str) -> Iterator[Path]:
    """`longhold frame simulate` on a free port; the frame file that leads there."""
    path = tmp_path / "FRAME.toml"
    path.write_text(quick(2), encoding="utf-8")
    command = [sys.executable, "-c", "from tui.cli import main; main()", "frame", "simulate", str(path), "--port", "0"]
    process = subprocess.Popen([*command, "--json", *options], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        text = ""
        while not text.rstrip().endswith("}"):
            line = process.stdout.readline()
            assert line, "it ended instead of serving"
            text += line
        where = json.loads(text)
        assert where["host"] == "127.0.0.1" and where["simulated"] is True
        path.write_text(quick(2, where["port"]), encoding="utf-8")
        yield path
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 130
        process.stdout.close()


def test_a_simulated_frame_is_checked_good_in_plain_words_and_in_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with simulated(tmp_path) as path:
        assert run(["frame", "check", str(path), "--readings", "5"]) == 0
        words = capsys.readouterr()
        assert run(["frame", "check", str(path), "--readings", "3", "--json", "--set-load", "1800 N"]) == 0
        answer = json.loads(capsys.readouterr().out)
    assert "without brake: whether a brake holds is not known" in words.out
    assert "emergency stop" in words.out and "FAULT" not in words.out and "injure" not in words.err
    assert answer["faults"] == 0 and [s["station"] for s in answer["stations"]] == ["A", "B"]
    assert answer["stations"][0]["load_noise_N"] < 2.0 and answer["stations"][0]["position_mm"] == 0.0
    # (2200 - 1800) N / (0.7 s x 1 / (280 / 432990 + 4e-4) N/mm)
    fastest = (2200 - 1800) / 0.7 * (280 / 432990 + 4e-4)
    assert answer["largest_speed_mm_per_s"][0]["loaded"] == pytest.approx(min(1.0, fastest), rel=1e-4)
    assert {a["role"] for a in answer["absent"]} == {"brake", "cabinet"}


def test_a_fault_on_cue_is_found_and_ends_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with simulated(tmp_path, "--fault", "guard@0", "--fault", "limit_low:B@0") as path:
        status = run(["frame", "check", str(path), "--readings", "10"])
    out = capsys.readouterr()
    assert status == 1 and "2 of" in out.err
    assert [line.split()[1] for line in out.out.splitlines() if line.startswith("FAULT")] == ["guard", "B:"]


def test_a_frame_that_is_not_there_ends_with_3_and_an_empty_stdout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "FRAME.toml"
    path.write_text(invented_frame_text(1, port=1), encoding="utf-8")
    assert run(["frame", "check", str(path), "--json"]) == 3
    out = capsys.readouterr()
    assert out.out == "" and "127.0.0.1:1" in out.err


def test_motion_needs_a_person_at_a_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "FRAME.toml"
    path.write_text(invented_frame_text(1), encoding="utf-8")
    assert run(["frame", "check", str(path), "--move"]) == 2
    assert "a person must sit at this terminal" in capsys.readouterr().err
    assert run(["frame", "check", str(path), "--move", "--yes"]) == 2


def test_only_the_stations_whose_phrase_was_typed_move(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["yes", "move B"])
    monkeypatch.setattr(tui.commands.framecheck, "person_at_terminal", lambda: True)
    monkeypatch.setattr("click.prompt", lambda *_args, **_how: next(answers))
    with simulated(tmp_path) as path:
        assert run(["frame", "check", str(path), "--move", "--readings", "3", "--json"]) == 0
    out = capsys.readouterr()
    assert "injure eyes and hands" in out.err and "no safety function" in out.err
    moved = {c["what"]: c["good"] for c in json.loads(out.out)["checks"] if "move" in c["what"] or "motor" in c["what"]}
    assert moved == {"A: guarded move": None, "B: deadman stops the motor": True}


def test_known_masses_give_a_span_to_put_into_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cell that reads 5 N at nothing and 1 % too little."""
    answers = iter(["0", "ten", "10 kg", "-5", "200 N", "200 N", ""])
    reads = iter([5.0 + 0.99 * f for f in (0.0, 98.0665, 200.0, 200.4)])

    async def measured(*_args: object) -> tuple[float, float]:
        return next(reads), 0.0

    monkeypatch.setattr("click.prompt", lambda *_args, **_how: next(answers))
    monkeypatch.setattr(tui.commands.framespan, "_measure", measured)
    with simulated(tmp_path) as path:
        command = ["frame", "check", str(path), "--span", "B", "--readings", "3", "--reference-percent", "0.1"]
        assert run(command) == 0
    out = capsys.readouterr()
    assert "'ten' is not a force" in out.err and "not negative" in out.err and "98.07 N known" in out.err
    put = dict(line.split(" = ") for line in out.out.splitlines() if line.startswith(("zero_N", "span", "uncertainty")))
    assert float(put["zero_N"]) == pytest.approx(5.0, abs=0.2)
    assert float(put["span"]) == pytest.approx(1 / 0.99, abs=2e-3)
    assert 0.1 < float(put["uncertainty_percent"]) < 0.5
    assert "keeps none of ISO 7500-1's classes" in out.out and "not a certificate" in out.out


def test_a_stiff_bar_gives_the_compliance_of_the_frame(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["", "", "", "end"])
    reads = iter([(100.0, 1.05), (600.0, 1.30), (1100.0, 1.55)])

    async def measured(*_args: object) -> tuple[float, float]:
        return next(reads)

    monkeypatch.setattr("click.prompt", lambda *_args, **_how: next(answers))
    monkeypatch.setattr(tui.commands.framespan, "_measure", measured)
    with simulated(tmp_path) as path:
        command = ["frame", "check", str(path), "--bar", "A", "--bar-compliance", "1e-4", "--readings", "3", "--json"]
        assert run(command) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["compliance"]["frame_compliance_mm_per_N"] == pytest.approx(4e-4)


def test_what_a_span_found_goes_into_the_frame_file_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["0", "100 N", "200 N", "200 N", ""])
    reads = iter([5.0 + 0.99 * f for f in (0.0, 100.0, 200.0, 200.0)])

    async def measured(*_args: object) -> tuple[float, float]:
        return next(reads), 0.0

    monkeypatch.setattr("click.prompt", lambda *_args, **_how: next(answers))
    monkeypatch.setattr(tui.commands.framespan, "_measure", measured)
    with simulated(tmp_path) as path:
        command = ["frame", "check", str(path), "--span", "B", "--readings", "3", "--reference-percent", "0.1"]
        assert run([*command, "--write", "--cell-serial", "LC-77", "--json"]) == 0
        written = read_frame_file(path)
    answer = json.loads(capsys.readouterr().out)
    station = written.facts.stations[1]
    assert station.cell_serial == "LC-77" and station.cell_calibrated_on == answer["written"]["calibrated_on"]
    assert station.cell_uncertainty_percent == pytest.approx(answer["span"]["uncertainty_percent"], abs=5e-4)
    assert written.zero_N[1] == pytest.approx(5.0, abs=0.01) and written.span[1] == pytest.approx(1 / 0.99, abs=1e-5)
    assert written.zero_N[0] == 0.0, "the other station is as it was"


def test_interlocks_are_walked_only_after_the_typed_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tui.commands.framecheck, "person_at_terminal", lambda: True)
    monkeypatch.setattr("click.prompt", lambda *_args, **_how: "yes")
    tried: list[str] = []

    async def walked(_frame: object, _clock: object, station: int, lock: Interlock, _say: object) -> Check:
        tried.append(lock.role)
        return Check(what=f"{station}: {lock.name}", good=lock.role != "guard", says="seen")

    monkeypatch.setattr(tui.commands.interlocks, "try_interlock", walked)
    with simulated(tmp_path) as path:
        command = ["frame", "check", str(path), "--interlocks", "B", "--readings", "3", "--json"]
        assert run(command) == 0 and tried == []
        assert "left out" in capsys.readouterr().out
        monkeypatch.setattr("click.prompt", lambda *_args, **_how: "energise B")
        assert run(command) == 1, "the guard is a fault"
    assert tried == ["estop_chain", "guard", "local_remote", "limit_high", "limit_low"]
    assert json.loads(capsys.readouterr().out)["faults"] == 1


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ("gard@3", "did you mean 'guard'"),
        ("guard", "SECONDS is missing|numbers"),
        ("guard@soon", "numbers"),
        ("guard:A@3", "whole frame"),
        ("stall@3", "needs a station"),
        ("stall:Z@3", "no station 'Z'"),
    ],
)
def test_a_fault_that_is_none_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, message: str
) -> None:
    import re

    path = tmp_path / "FRAME.toml"
    path.write_text(invented_frame_text(1), encoding="utf-8")
    assert run(["frame", "simulate", str(path), "--fault", option]) == 2
    assert re.search(message, capsys.readouterr().err)


@pytest.mark.parametrize(
    "options",
    [["--span", "Z"], ["--bar", "Z"], ["--interlocks", "Z"], ["--write"], ["--set-load", "9 stone"], ["--ramp", "0"]],
)
def test_wrong_options_of_a_check_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str]
) -> None:
    path = tmp_path / "FRAME.toml"
    path.write_text(invented_frame_text(1), encoding="utf-8")
    assert run(["frame", "check", str(path), *options]) == 2
    assert options[0] in capsys.readouterr().err
