"""`longhold guide batch`: the night that `program new-batch` proposes, for the spokes that were really placed."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from bench.program import read_program
from bench.runfile import is_sealed, read_table
from tests.tui.test_run_command import Bench
from tests.tui.test_run_command import bench as bench
from tui.cli import run

DATA = Path(__file__).parents[2] / "datasets" / "demo"


def guided(bench: Bench, *more: str, lines: str, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.chdir(bench.frame_path.parent)
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))
    argv = ["guide", "batch", "--frame", str(bench.frame_path), "--batch", "K07", "--out", "night.h5", "--plain"]
    return run([*argv, *more])


def bullets(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.startswith("- ")]


def test_all_placed_it_runs_the_very_program_that_new_batch_writes_and_says_the_same_of_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert guided(bench, "--hours", "1", lines="\n\ngo\n", monkeypatch=monkeypatch) == 0
    mine = capsys.readouterr()
    made = ["program", "new-batch", "--hours", "1", "--frame", "frame.toml", "--batch", "K07", "--out", "by-hand.toml"]
    assert run(made) == 0
    hers = capsys.readouterr()
    assert Path("night.toml").read_text() == Path("by-hand.toml").read_text()
    assert len(bullets(mine.err)) >= 3 and bullets(mine.err) == bullets(hers.err)
    assert mine.err.index("It will not tell") < mine.err.index("Caution:"), "known before a spoke is placed"
    assert is_sealed(Path("night.h5"))
    loads = read_table(Path("night.h5"))["load_N"]
    assert loads.max() == pytest.approx(1471.5, rel=0.01)


def test_with_a_station_left_empty_the_night_is_that_of_the_spokes_there_and_is_said_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert guided(bench, "--hours", "1", lines="\nempty\ngo\n", monkeypatch=monkeypatch) == 0
    said = capsys.readouterr().err
    assert read_program(Path("night.toml")).spokes == (("A", "K07-01"),)
    first, after = said.split("with 1 of 2 stations:\n")
    assert bullets(first) != bullets(after) and len(bullets(after)) >= 3
    argv = ["program", "new-batch", "--hours", "1", "--stations", "1", "--batch", "K07", "--out", "one.toml"]
    assert run(argv) == 0
    assert bullets(capsys.readouterr().err) == bullets(after)
    assert Path("one.toml").read_text() == Path("night.toml").read_text()


def test_left_at_the_stations_nothing_is_moved_or_written(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert guided(bench, "--hours", "1", lines="\nq\n", monkeypatch=monkeypatch) == 0
    assert "nothing was moved, and nothing was written" in capsys.readouterr().err
    assert not Path("night.toml").exists() and not Path("night.h5").exists()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--build", "nowhere.toml"), "nowhere.toml"),
        (("--warm", "50"), "too short for a warm step"),
        (("--high-load", "900 N"), "--high-load is 900 N: must be above --load"),
        (("--break-load", "1500 N"), "max_fraction_of_break"),
        (("--batch", 'K"7'), "--batch is"),
    ],
)
def test_what_cannot_be_tested_is_refused_before_a_spoke_is_placed(
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    more: tuple[str, ...],
    words: str,
) -> None:
    assert guided(bench, "--hours", "2", *more, lines="\n\ngo\n", monkeypatch=monkeypatch) == 2
    said = capsys.readouterr()
    assert words in said.err and said.err.count("\n") == 1 and said.out == ""
    assert not Path("night.toml").exists()


def test_the_builds_wheel_length_and_break_load_are_those_of_the_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    argv = ["program", "new-batch", "--hours", "3", "--stations", "2", "--json"]
    answers = []
    for more, name in (((), "bare.toml"), (("--build", str(DATA / "build.toml")), "built.toml")):
        assert run([*argv, *more, "--out", name]) == 0
        answers.append(json.loads(capsys.readouterr().out)["expected"])
    assert answers[0] != answers[1]
    assert "break_load_N = 2700\n" in Path("built.toml").read_text()  # of datasets/demo/build.toml
    assert "break_load_N" not in Path("bare.toml").read_text()
    assert run([*argv, "--build", str(DATA / "build.toml"), "--break-load", "1600 N", "--out", "weak.toml"]) == 2
    assert "max_fraction_of_break" in capsys.readouterr().err
