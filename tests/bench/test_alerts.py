"""Alerts: off by default, secrets only from the environment or an owner-only file, never in the way of the run."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.alerts import VARIABLE, Alerts, addresses, silent_for_s
from bench.journal import Event
from bench.session import Announcing
from models.errors import InputError
from tests.bench.fake_frame import Memory


def test_without_a_word_from_the_user_nothing_is_sent(tmp_path: Path) -> None:
    assert addresses({}, tmp_path) == []
    off = Alerts.off()
    off.tell("fault", "x")
    assert not off.on and off.failed == 0


def test_addresses_come_from_the_environment_or_from_a_file_of_the_owner_alone(tmp_path: Path) -> None:
    assert addresses({VARIABLE: "json://one json://two"}, tmp_path) == ["json://one", "json://two"]
    file = tmp_path / ".config" / "longhold" / "alerts"
    file.parent.mkdir(parents=True)
    file.write_text("# mine\njson://secret@host\n\n")
    file.chmod(0o600)
    assert addresses({}, tmp_path) == ["json://secret@host"]
    file.chmod(0o644)
    with pytest.raises(InputError, match="chmod 600") as caught:
        addresses({}, tmp_path)
    assert "secret@host" not in str(caught.value)


def test_an_address_that_is_none_is_named_by_its_number_not_by_its_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "json://localhost no-such-thing://token123")
    with pytest.raises(InputError, match="alert address 2 of 2") as caught:
        Alerts.from_surroundings()
    assert "token123" not in str(caught.value)


def test_faults_and_ends_are_told_and_a_service_that_fails_is_only_counted() -> None:
    told: list[tuple[str, str]] = []

    def send(title: str, text: str) -> bool:
        told.append((title, text))
        if len(told) == 2:
            raise RuntimeError("the service is down")
        return True

    alerts, memory = Alerts(send), Memory()
    sink = Announcing(memory, alerts, "night")
    for kind, message in (
        ("step", "hold begun"),
        ("fault", "over-load"),
        ("end", "finished after 1:00:00"),
        ("end", "faulted"),
    ):
        assert sink.record([], [Event(time_s=0.0, utc=0.0, station="A", kind=kind, message=message, data={})])
    alerts.close()
    assert told == [
        ("longhold: fault", "night: over-load"),
        ("longhold: finished", "night: finished after 1:00:00"),
        ("longhold: waiting", "night: faulted"),
    ]
    assert alerts.failed == 1 and len(memory.events) == 4


def test_a_run_that_writes_nothing_is_called_silent_only_after_a_while() -> None:
    assert silent_for_s(1000.0, 1025.0, 1.0) is None
    assert silent_for_s(1000.0, 1031.0, 1.0) == 31.0
    assert silent_for_s(1000.0, 1100.0, 30.0) is None, "a slow tick is no silence"
