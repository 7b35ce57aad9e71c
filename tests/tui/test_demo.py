"""The demo: refuses to overwrite, leaves whole files when stopped, and does the whole job."""

from __future__ import annotations

import json
import os
import signal
import tomllib
from pathlib import Path

import pytest

from bench.record import journal_path
from models.batch import Batch
from planner.build import build_of
from planner.schedule import check_schedule, schedule_of
from tui import demo_scenario
from tui.cli import run
from tui.commands.demo import INPUTS, RESULTS
from tui.wiring import OpenRun, simulated_night

SHORT_PROGRAM = demo_scenario.PROGRAM.replace("hours = 1.0", "hours = 0.25").replace("hours = 8.5", "hours = 0.3")
SHORT_PROGRAM = SHORT_PROGRAM.replace("hours = 1.5", "hours = 0.15\nrate_N_per_s = 50")
SHORT_PROGRAM = SHORT_PROGRAM.replace("rate_N_per_s = 10\n", "rate_N_per_s = 50\n")
EASY_BUILD = demo_scenario.BUILD.replace("tolerance_percent = 9 ", "tolerance_percent = 40 ").replace(
    "balance_percent = 8 ", "balance_percent = 40 "
)


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo with an evening instead of a night, and a wheel that is easy to please."""
    assert SHORT_PROGRAM != demo_scenario.PROGRAM and EASY_BUILD != demo_scenario.BUILD
    monkeypatch.setattr(demo_scenario, "PROGRAM", SHORT_PROGRAM)
    monkeypatch.setattr(demo_scenario, "BUILD", EASY_BUILD)


def inputs(folder: Path, program: str = SHORT_PROGRAM) -> tuple[Path, Path, Path]:
    (folder / "program.toml").write_text(program, encoding="utf-8")
    (folder / "frame.toml").write_text(demo_scenario.frame_text(), encoding="utf-8")
    return folder / "program.toml", folder / "frame.toml", folder / "run.h5"


def test_the_whole_job_from_the_frame_to_the_cards(
    short: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "demo"
    assert run(["demo", "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert said.err == ""  # quiet where there is no terminal
    assert {p.name for p in out.iterdir()} == {*INPUTS, *RESULTS}
    for trade_word in ("Untreated:", "With the plan:", "Set the wheel to", "longhold plan", "invented"):
        assert trade_word in said.out
    record = OpenRun(out / "run.h5").refresh()
    assert record.ended and record.demo and len(record.traces) == 4
    assert {t.spoke for t in record.traces} == set(demo_scenario.SPOKES)
    batch = json.loads((out / "batch.json").read_text())
    assert Batch.from_dict(batch).batch == demo_scenario.BATCH
    schedule = json.loads((out / "schedule.json").read_text())
    build = build_of(tomllib.loads(EASY_BUILD))
    assert check_schedule(schedule_of(schedule["steps"]), build) == []
    assert schedule["holds"] and schedule["passes"] <= schedule["untreated"]["passes"]
    summary = (out / "summary.md").read_text(encoding="utf-8")
    assert "Invented demo data" in summary and len(summary.splitlines()) < 80
    for png in out.glob("*.png"):
        assert png.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    for pdf in out.glob("*.pdf"):
        assert pdf.read_bytes().startswith(b"%PDF") and pdf.read_bytes().rstrip().endswith(b"%%EOF")


@pytest.mark.parametrize("force", [False, True])
def test_a_folder_with_something_in_it_is_left_alone_unless_forced(
    tmp_path: Path, force: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "summary.md").write_text("mine")
    (tmp_path / "letter.txt").write_text("mine too")

    def stop(*_args: object, **_named: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tui.wiring.simulated_night", stop)
    status = run(["demo", "--out", str(tmp_path), *(["--force"] if force else [])])
    assert (tmp_path / "letter.txt").read_text() == "mine too"
    if force:
        assert status == 130
        assert not (tmp_path / "summary.md").exists()  # no old result beside new ones
    else:
        assert status == 2
        assert "--force" in capsys.readouterr().err
        assert {p.name for p in tmp_path.iterdir()} == {"summary.md", "letter.txt"}


def test_a_file_in_the_folders_place_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "demo").write_text("mine")
    assert run(["demo", "--out", str(tmp_path / "demo")]) == 2
    assert str(tmp_path / "demo") in capsys.readouterr().err
    assert run(["demo", "--out", str(tmp_path / "no" / "such")]) == 2
    assert "is not a folder" in capsys.readouterr().err


def test_ctrl_c_in_the_night_leaves_a_whole_run_file_that_says_so(tmp_path: Path) -> None:
    program, frame, out = inputs(tmp_path)
    asked = False

    def interrupt(_share: float) -> None:
        nonlocal asked
        if not asked:
            asked = True
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        simulated_night(program, frame, out, seed=7, start_utc=demo_scenario.START_UTC, progress=interrupt)
    record = OpenRun(out).refresh()
    assert record.end_s > 0 and all(t.time_s.size for t in record.traces)
    assert any("stopped by a person" in n.message for n in record.notes)
    assert out.read_bytes()[:8] == b"\x89HDF\r\n\x1a\n"
    assert journal_path(out).exists()  # the run may be gone on with


def test_the_same_night_twice_gives_the_same_loads(tmp_path: Path) -> None:
    seat, _, _ = SHORT_PROGRAM.partition('[[steps]]\nkind = "hold"')
    brief = seat + '[[steps]]\nkind = "hold"\nload_N = 200\nhours = 0.005\n\n[[steps]]\nkind = "unload"\n'
    seen = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        program, frame, out = inputs(folder, brief)
        simulated_night(program, frame, out, seed=7, start_utc=demo_scenario.START_UTC, progress=lambda _: None)
        seen.append(OpenRun(out).refresh())
    for a, b in zip(seen[0].traces, seen[1].traces, strict=True):
        assert a.time_s.tolist() == b.time_s.tolist()
        assert a.load_N.tolist() == b.load_N.tolist()
