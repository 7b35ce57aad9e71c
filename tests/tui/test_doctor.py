"""The check of the installation, and how the monitor's command refuses what it cannot show."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tui.cli import run
from tui.commands import doctor


def test_a_sound_installation_has_no_fault_and_leaves_nothing_behind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = run(["doctor", "--folder", str(tmp_path), "--json"])
    answer = json.loads(capsys.readouterr().out)
    faults = {c["what"] for c in answer["checks"] if c["state"] == "fault"}
    assert faults <= {"serial ports"}  # a machine may have a port that this user must not open
    assert status == (1 if faults else 0)
    assert {c["what"] for c in answer["checks"]} >= {"python", "packages", "folder", "run file", "clock", "terminal"}
    assert list(tmp_path.iterdir()) == []


def test_every_fault_says_what_to_do(tmp_path: Path) -> None:
    for finding in doctor.findings(tmp_path):
        assert finding.state in ("good", "note", "fault")
        assert finding.to_do or finding.state == "good", finding


def test_a_missing_package_is_a_fault_named_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "PACKAGES", ("numpy", "a_package_that_is_not_there"))
    assert run(["doctor", "--folder", str(tmp_path)]) == 1
    shown = capsys.readouterr().out
    assert "missing: a_package_that_is_not_there" in shown
    assert "to mend before a night" in shown


def test_too_little_room_for_a_night_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "LEAST_FREE_MB", 10**12)
    (finding,) = [f for f in doctor.findings(tmp_path) if f.what == "folder"]
    assert finding.state == "fault" and "make room" in finding.to_do


@pytest.mark.parametrize(
    ("written", "mode", "package", "state", "said"),
    [
        (None, 0, True, "note", "nobody is told"),
        ("json://somewhere\n", 0o600, True, "good", "1 address"),
        ("json://somewhere\n", 0o644, True, "fault", "chmod 600"),
        ("json://somewhere\n", 0o600, False, "fault", "longhold[alerts]"),
    ],
)
def test_whether_a_person_would_be_told_is_checked_and_no_address_is_shown(
    written: str | None,
    mode: int,
    package: bool,
    state: str,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("LONGHOLD_ALERTS", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    if written is not None:
        file = tmp_path / ".config" / "longhold" / "alerts"
        file.parent.mkdir(parents=True)
        file.write_text(written)
        file.chmod(mode)
    if not package:
        monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    finding = doctor._alerts()
    assert finding.state == state and said in f"{finding.found} {finding.to_do}"
    assert "somewhere" not in finding.found


def test_a_folder_that_is_none_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["doctor", "--folder", str(tmp_path / "nowhere")]) == 2
    assert "is not a folder" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("gone.h5", None, "no such file"),
        ("table.csv", b"time_s,load_N\n", "not a run file (HDF5 was expected)"),
    ],
)
def test_watch_refuses_what_is_no_run_file(
    tmp_path: Path, name: str, content: bytes | None, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    assert run(["watch", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and str(path) in err and said in err


def test_watch_without_a_terminal_says_what_to_type(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["watch"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and "needs a terminal" in err and "longhold next" in err


def test_watch_on_a_folder_names_the_file_to_give(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["watch", str(tmp_path)]) == 2
    assert "is a folder" in capsys.readouterr().err
