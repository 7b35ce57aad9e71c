"""Alerts: off by default, secrets only from the environment or an owner-only file, never in the way of the run."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bench.alerts import VARIABLE, Alerts, addresses, silent_for_s
from bench.journal import Event
from bench.runner import prepare, run_program
from bench.session import Announcing
from bench.status import Mailbox, Snapshot
from models.errors import InputError
from tests.bench.fake_frame import Memory, make_program
from tests.bench.test_runner import frame


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


def test_on_a_full_disk_a_fault_is_told_once_and_not_with_every_tick() -> None:
    told: list[str] = []
    alerts, memory = Alerts(lambda _, text: bool(told.append(text)) or True), Memory(full=True)
    sink = Announcing(memory, alerts, "night")
    waiting = [Event(time_s=3.0, utc=0.0, station="", kind="fault", message="recorder cannot write", data={})]
    for _ in range(50):  # what could not be kept is handed over again
        assert not sink.record([], waiting)
    alerts.close()
    assert told == ["night: recorder cannot write"] and alerts.failed == 0


async def test_a_hold_that_waits_for_the_builder_says_so_once() -> None:
    told: list[tuple[str, str]] = []
    alerts, box = Alerts(lambda title, text: bool(told.append((title, text))) or True), Mailbox()
    f, memory = frame(2), Memory()
    program = make_program("seat seconds=2", "hold load_N=600 until='asked' max_hours=5", "unload", stations=2)
    sink = Announcing(memory, alerts, "night")
    prepared = await prepare(f, program, 7)

    when = 200.0

    def lace(now: Snapshot) -> None:
        nonlocal when
        if now.at_s > when:
            when = math.inf
            box.ask(None, "end step")

    outcome = await run_program(f, f.clock, program, sink, prepared, mailbox=box, on_tick=lace)
    alerts.close()
    assert outcome.finished
    waits = [text for title, text in told if title == "longhold: waiting"]
    assert waits == ["night: 2 hold 600 N: holds until a person asks for the next step, 5 h at most"]
    assert [title for title, _ in told] == ["longhold: waiting", "longhold: finished"]


def test_a_run_that_writes_nothing_is_called_silent_only_after_a_while() -> None:
    assert silent_for_s(1000.0, 1025.0, 1.0) is None
    assert silent_for_s(1000.0, 1031.0, 1.0) == 31.0
    assert silent_for_s(1000.0, 1100.0, 30.0) is None, "a slow tick is no silence"
