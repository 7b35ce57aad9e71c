"""The unit file that the how-to hands out: it starts nothing that moves, and the attendant finds the run it serves."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs" / "how-to" / "power-cut.md"
Unit = dict[tuple[str, str], list[str]]  # (section, key) -> values


def unit_text() -> str:
    (text,) = re.findall(
        r"```ini\n# /etc/systemd/system/\S+\.service\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S
    )
    return text


@pytest.fixture
def unit() -> Unit:
    found: Unit = defaultdict(list)
    section = ""
    for line in unit_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line:
            key, equals, value = line.partition("=")
            assert equals and section, line
            found[section, key].append(value)
    return found


def test_what_starts_with_the_computer_only_attends(unit: Unit) -> None:
    commands = [value for (_, key), values in unit.items() if key.startswith("Exec") for value in values]
    (command,) = commands
    program, verb, folder = command.split()
    assert program.startswith("/") and Path(program).name == "longhold"
    assert verb == "attend", "a run begins and goes on only when a person says so"
    assert unit["Unit", "RequiresMountsFor"] == [folder], "not before the disk of the runs is there"
    assert unit["Install", "WantedBy"] == ["multi-user.target"]


def test_it_comes_back_after_a_failure_as_often_as_it_takes(unit: Unit) -> None:
    """systemd gives up after 5 starts within 10 s unless told otherwise (systemd.unit, StartLimitIntervalSec)."""
    assert unit["Service", "Restart"] == ["on-failure"], "an attendant that was stopped stays stopped"
    (wait_s,) = unit["Service", "RestartSec"]
    assert 5 * float(wait_s) > 10.0


def test_it_waits_for_network_and_clock_and_runs_as_the_user_of_the_frame(unit: Unit) -> None:
    (after,), (wants,) = unit["Unit", "After"], unit["Unit", "Wants"]
    assert {"network-online.target", "time-sync.target"} <= set(after.split())
    assert "network-online.target" in wants.split()
    assert unit["Service", "User"] != ["root"] and len(unit["Service", "User"]) == 1


def test_attendant_and_run_meet_in_the_same_folder(unit: Unit) -> None:
    """Requests and the lock of a serial line live in XDG_RUNTIME_DIR, which a login has and a service has not."""
    (setting,) = unit["Service", "Environment"]
    number = setting.removeprefix("XDG_RUNTIME_DIR=/run/user/")
    assert number.isdigit() and number != "0"
    for key in ("After", "Wants"):  # it makes that folder
        assert f"user@{number}.service" in unit["Unit", key][0].split()
    assert "loginctl enable-linger" in PAGE.read_text(encoding="utf-8"), "the folder goes with the last login otherwise"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd on this computer")
@pytest.mark.parametrize(("old", "new"), [("", ""), ("Restart=", "Restrat="), ("on-failure", "sometimes")])
def test_systemd_itself_finds_nothing_wrong_with_it(tmp_path: Path, old: str, new: str) -> None:
    """And finds what is wrong with a misspelt one: it exits with 0 then, so its words count."""
    text = unit_text().replace("/usr/local/bin/longhold", "/bin/true")
    path = tmp_path / "longhold-attend.service"
    path.write_text(text.replace(old, new) if old else text, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)], capture_output=True, text=True, timeout=60
    )
    said = [line for line in done.stderr.splitlines() if path.name in line]
    assert bool(said) == bool(old), done.stderr
    assert done.returncode == 0
