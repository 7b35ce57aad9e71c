"""Requests through the local socket: owner only, no limit can be raised, nothing hostile gets through."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.status import Mailbox, RequestServer, Snapshot, StationNow, send_request, socket_path
from models.errors import InputError
from tests.bench.runs import own_runtime_folder


@pytest.fixture(autouse=True)
def own_folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with own_runtime_folder(monkeypatch):
        yield


def mailbox() -> Mailbox:
    now = StationNow(
        name="A",
        spoke="T-1",
        state="holding",
        step="2 hold",
        load_N=980.0,
        set_load_N=981.0,
        elongation_mm=1.2,
        ended=None,
    )
    return Mailbox(snapshot=Snapshot(at_s=12.0, longest_s=100.0, stations=(now,), lateness_p99_ms=1.0))


async def test_a_request_reaches_the_loop(tmp_path: Path) -> None:
    run, box = tmp_path / "run.h5", mailbox()
    async with RequestServer(run, box):
        await send_request(run, "pause", "A")
        await send_request(run, "ease off")
    assert list(box.requests) == [("A", "pause"), (None, "ease off")]


async def test_the_status_is_answered(tmp_path: Path) -> None:
    run = tmp_path / "run.h5"
    async with RequestServer(run, mailbox()):
        answer = await send_request(run, "status")
    assert answer["status"]["stations"][0]["load_N"] == 980.0


async def test_only_the_owner_may_reach_the_socket(tmp_path: Path) -> None:
    run = tmp_path / "run.h5"
    async with RequestServer(run, mailbox()):
        path = socket_path(run)
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert not path.exists()


async def test_a_folder_that_others_may_enter_is_refused(tmp_path: Path) -> None:
    folder = socket_path(tmp_path / "run.h5").parent
    os.chmod(folder, 0o755)  # noqa: PTH101
    with pytest.raises(InputError, match="only you may enter"):
        socket_path(tmp_path / "run.h5")


@pytest.mark.parametrize(
    "line",
    [
        b"\n",
        b"not json\n",
        b'["pause"]\n',
        b'{"ask": "raise the limit"}\n',
        b'{"ask": "pause", "limit_N": 5000}\n',
        b'{"ask": "pause", "station": "Z"}\n',
        b"[" * 9000 + b"\n",
        b"x" * 50_000,
    ],
    ids=["empty", "text", "list", "unknown", "extra key", "no such station", "deep", "long"],
)
async def test_what_is_no_request_changes_nothing(tmp_path: Path, line: bytes) -> None:
    run, box = tmp_path / "run.h5", mailbox()
    async with RequestServer(run, box):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(run)))
        writer.write(line)
        writer.write_eof()
        answer = await reader.read()
        writer.close()
        await writer.wait_closed()
        if answer:
            assert json.loads(answer)["ok"] is False
        await send_request(run, "pause", "A")  # and it still listens
    assert list(box.requests) == [("A", "pause")]


def test_a_socket_fits_the_systems_limit_however_long_the_runtime_folder_is(monkeypatch: pytest.MonkeyPatch) -> None:
    with tempfile.TemporaryDirectory(prefix="lh") as folder:
        monkeypatch.setenv("XDG_RUNTIME_DIR", "/" + "x" * 200)
        monkeypatch.setattr("bench.status.tempfile.gettempdir", lambda: folder)
        assert len(str(socket_path(Path("/some/where/run.h5")))) < 100


async def test_asking_where_no_run_goes_on_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no run of this name is going on"):
        await send_request(tmp_path / "run.h5", "pause")
