"""Faults of the machine outside a run: folders that cannot be written, full disks, files that vanish, two writers.

The faults are the system's own: a refused system call (by an audit hook, so that they also hold for a user who may do
anything), and a real limit on the size of a file, which stands for a full disk.
"""

from __future__ import annotations

import errno
import json
import os
import re
import resource
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import tui.orders
from tests.hostile.drive import drive, problems
from tests.hostile.readers import SAMPLES
from tui.cli import run
from tui.out import write_whole

NEEDS = ("batch.json", "build.toml", "frame.toml", "gauge-readings.csv", "run.h5", "run.csv", "wheel.json", "readings.csv",
         "history.csv", "gauge.json", "schedule.json", "program.toml", "cut-off.h5.journal", "orders.toml", "sheet.csv",
         "gauged.csv", "answer.json")  # fmt: skip
WRITERS = {  # a command line and what it writes
    "export run.h5 --out out.csv --json": "out.csv",
    "gauge calibrate gauge-readings.csv --unit div --out out.json --json": "out.json",
    "program new-batch --hours 12 --frame frame.toml --out out.toml --json": "out.toml",
    "wheel new build.toml --batch batch.json --out out.json --json": "out.json",
    "wheel calendar wheel.json --out out.ics --now 2026-03-03T12:00Z --json": "out.ics",
    "wheel note wheel.json delivered --at 2026-03-05T10:00Z --now 2026-03-05T12:00Z --json": "wheel.json",
    "fit run.csv --name S1 --out out.json --json": "out.json",
    "retension build.toml --readings readings.csv --pdf sheet.pdf": "sheet.pdf",
    "plan build.toml --batch batch.json --out front": "front/schedule.json",
    "plan --orders orders.toml --out plans --json": "plans/orders.json",
}
READERS = {
    "forecast batch.json --history history.csv --draws 100 --json": ("batch.json", "history.csv"),
    "gauge read gauge.json --json": ("gauge.json",),
    "retension build.toml --readings readings.csv --wheel wheel.json --json": ("build.toml", "readings.csv", "wheel.json"),
    "wheel next wheel.json --quick --json": ("wheel.json",),
    "length build.toml --batch batch.json --schedule schedule.json --json": ("build.toml", "batch.json", "schedule.json"),
    "export run.h5 --out out.csv --json": ("run.h5",),
    "fit run.csv --name S1 --out out.json --json": ("run.csv",),
    "frame check frame.toml --json": ("frame.toml",),
    "run program.toml --frame frame.toml --out out.h5 --json": ("program.toml", "frame.toml"),
    "resume cut-off.h5 --json": ("cut-off.h5.journal",),
    "plan build.toml --batch batch.json --json": ("build.toml", "batch.json"),
    "plan --orders orders.toml --out plans --json": ("orders.toml", "build.toml", "batch.json"),
    "match batch.json --out out.csv --json": ("batch.json",),
    "guide readings wheel.json --out sheet.csv --plain": ("wheel.json", "sheet.csv"),
    "guide turns answer.json --plain": ("answer.json",),
    "retension build.toml --readings gauged.csv --gauge gauge.json --json": ("gauge.json", "gauged.csv"),
    "wheel ledger wheel.json --json": ("wheel.json",),
    "wheel calendar wheel.json --out out.ics --json": ("wheel.json",),
    "program rehearse program.toml --frame frame.toml --json": ("program.toml", "frame.toml"),
}  # fmt: skip


class Refuse:
    """Refuses to open what matches, as the system would."""

    def __init__(self) -> None:
        self.match: Any = None
        self.code = 0
        sys.addaudithook(self._hook)

    def _hook(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.match is None or event not in ("open", "os.rename", "os.mkdir", "os.link"):
            return
        path = arguments[0]
        if isinstance(path, int):
            return
        name = os.fsdecode(path)
        flags = arguments[2] if event == "open" else os.O_WRONLY
        writes = isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
        if self.match(name, writes):
            raise OSError(self.code, os.strerror(self.code), name)


_REFUSE: list[Refuse] = []


@contextmanager
def refused(match: Any, code: int) -> Iterator[None]:
    """While the block runs, opening (and renaming, making) what matches fails with this error."""
    if not _REFUSE:
        _REFUSE.append(Refuse())
    hook = _REFUSE[0]
    hook.match, hook.code = match, code
    try:
        yield
    finally:
        hook.match = None


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    work = tmp_path / "work"
    work.mkdir()
    for name in NEEDS:
        shutil.copyfile(SAMPLES / name, work / name)
    return work


def contents(folder: Path) -> dict[str, bytes]:
    files = (p for p in folder.rglob("*") if p.is_file() and not p.name.endswith(".lock"))
    return {str(p.relative_to(folder)): p.read_bytes() for p in files}


@pytest.fixture(scope="module")
def one_plan() -> Any:
    """A search takes seconds, and what is looked at here is what becomes of its answer."""
    from models.batch import Batch
    from planner.build import load_build
    from planner.search import find_plan

    batch = Batch.from_dict(json.loads((SAMPLES / "batch.json").read_bytes()))
    return find_plan(load_build(SAMPLES / "build.toml"), batch, draws=100)


@pytest.fixture
def planned(one_plan: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every search finds that plan."""

    def orders(book: Any, **_: Any) -> Any:
        found = one_plan.as_dict()
        return (tui.orders.Planned(name=o.name, wheels=1, schedule=found, words="as planned\n") for o in book)

    monkeypatch.setattr("planner.search.find_plan", lambda *_, **__: one_plan)
    monkeypatch.setattr(tui.orders, "plan_orders", orders)


@pytest.mark.usefixtures("planned")
@pytest.mark.parametrize("code", [errno.EACCES, errno.EROFS, errno.ENOSPC], ids=errno.errorcode.get)
@pytest.mark.parametrize("command", WRITERS)
def test_a_folder_that_cannot_be_written_is_named_and_left_as_it_was(command: str, code: int, folder: Path) -> None:
    drive(shlex.split(command), folder, 60.0)  # whatever is imported or cached on first use is there now
    shutil.copyfile(SAMPLES / "wheel.json", folder / "wheel.json")
    made = folder / WRITERS[command]
    if made.parent != folder:
        shutil.rmtree(made.parent)
    elif made.name != "wheel.json":
        made.unlink()
    before = contents(folder)
    inside = str(folder)

    def ours(name: str, writes: bool) -> bool:
        return writes and (name.startswith(inside) or "/" not in name)

    with refused(ours, code):
        outcome = drive(shlex.split(command), folder, 60.0)
    assert outcome.status == 2, outcome
    assert problems(outcome, shlex.split(command)) == []
    assert os.strerror(code) in outcome.stderr
    assert contents(folder) == before


@pytest.mark.usefixtures("planned")
@pytest.mark.parametrize("command", WRITERS)
def test_a_disk_that_fills_up_leaves_the_old_result_whole_and_no_scraps(command: str, folder: Path) -> None:
    named = WRITERS[command]
    force = [] if named == "wheel.json" else ["--force"]
    if force:
        (folder / named).parent.mkdir(exist_ok=True)
        (folder / named).write_text("an older result", encoding="utf-8")
    before = contents(folder)
    argv = [*shlex.split(command), *force]
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, hard))
    try:
        outcome = drive(argv, folder, 60.0)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, handler)
    assert outcome.status == 2, outcome
    assert problems(outcome, argv) == []
    assert contents(folder) == before


@pytest.mark.usefixtures("planned")
@pytest.mark.parametrize("code", [errno.ENOENT, errno.EIO, errno.EACCES], ids=errno.errorcode.get)
@pytest.mark.parametrize(("command", "file"), [(c, f) for c, files in READERS.items() for f in files])
def test_a_file_that_vanishes_or_cannot_be_read_is_named(command: str, file: str, code: int, folder: Path) -> None:
    """It is there when the program looks and gone when it opens it, or its disk is failing."""

    def that_one(name: str, writes: bool) -> bool:
        return not writes and name.endswith(file)

    with refused(that_one, code):
        outcome = drive(shlex.split(command), folder, 60.0)
    assert outcome.status == 2, outcome
    assert problems(outcome, shlex.split(command)) == []
    assert file in outcome.stderr
    assert outcome.wrote == () or all(n.endswith(".lock") for n in outcome.wrote)


@pytest.mark.parametrize("code", [errno.EACCES, errno.ENOSPC], ids=errno.errorcode.get)
def test_a_demonstration_that_cannot_be_written_says_so_at_once(code: int, folder: Path) -> None:
    with refused(lambda name, writes: writes and "shown" in name, code):
        outcome = drive(["demo", "--out", "shown"], folder, 60.0)
    assert outcome.status == 2 and problems(outcome, ["demo"]) == []
    assert os.strerror(code) in outcome.stderr


@pytest.mark.parametrize("now", ["1970-01-01T00:00Z", "2026-03-03T08:30Z", "2099-01-01T00:00Z"])
def test_what_is_in_work_is_still_shown_when_the_clock_was_moved(now: str, folder: Path) -> None:
    before = contents(folder)
    argv = ["next", ".", "--now", now, "--json"]
    outcome = drive(argv, folder, 60.0)
    assert outcome.status == 0 and problems(outcome, argv) == []
    assert {"wheel.json", "cut-off.h5"} <= {Path(i["file"]).name for i in json.loads(outcome.stdout)["items"]}
    assert contents(folder) == before


def test_entries_of_several_programs_at_once_are_all_kept(folder: Path) -> None:
    before = len(json.loads((folder / "wheel.json").read_bytes())["entries"])
    code = "import sys; from tui.cli import run; sys.exit(run(sys.argv[1:]))"
    several = [
        subprocess.Popen(
            [sys.executable, "-c", code, "wheel", "note", str(folder / "wheel.json"), "void", "--entry", str(k),
             "--now", "2026-03-05T12:00Z"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )
        for k in (1, 2, 3)
    ]  # fmt: skip
    said = [p.communicate(timeout=120)[1] for p in several]
    done = sum(p.returncode == 0 for p in several)
    entries = json.loads((folder / "wheel.json").read_bytes())["entries"]
    assert [e["n"] for e in entries] == list(range(1, before + done + 1)), "no entry is lost, none is there twice"
    assert done >= 1
    assert all(p.returncode in (0, 2) for p in several), said


def test_of_two_writers_of_one_new_result_the_second_is_refused(tmp_path: Path) -> None:
    """Both found the name free; neither may overwrite the other's result."""
    path = tmp_path / "batch.json"
    go, refusals = threading.Barrier(8), []

    def write(k: int) -> None:
        go.wait()
        try:
            write_whole(path, str(k) * 5000, fresh=True)
        except Exception as error:
            refusals.append(str(error))

    threads = [threading.Thread(target=write, args=(k,)) for k in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(refusals) == 7 and all("meanwhile; give --force" in r for r in refusals)
    assert re.fullmatch(r"(\d)\1{4999}", path.read_text())
    assert [p.name for p in tmp_path.iterdir()] == ["batch.json"], "no temporary file is left"


def test_on_a_file_system_without_links_it_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    path = tmp_path / "batch.json"
    write_whole(path, "first", fresh=True)
    with pytest.raises(Exception, match="meanwhile"):
        write_whole(path, "second", fresh=True)
    assert path.read_text() == "first"
    write_whole(path, "third")
    assert path.read_text() == "third" and [p.name for p in tmp_path.iterdir()] == ["batch.json"]


@pytest.mark.parametrize("now", ["1970-01-01T00:00Z", "2026-03-03T08:30Z"])
def test_a_clock_that_was_set_back_is_pointed_out_and_nothing_is_noted_before_what_came_first(
    now: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wheel = folder / "wheel.json"
    before = wheel.read_bytes()
    assert run(["wheel", "next", str(wheel), "--quick", "--now", now]) == 0
    assert "is the computer's clock right?" in capsys.readouterr().err
    assert run(["wheel", "note", str(wheel), "delivered", "--now", now]) == 2
    assert "before the last session ended" in capsys.readouterr().err
    assert wheel.read_bytes() == before


def test_a_clock_that_was_set_forward_makes_no_trouble(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wheel = folder / "wheel.json"
    assert run(["wheel", "next", str(wheel), "--quick", "--now", "2099-01-01T00:00Z"]) == 0
    said = capsys.readouterr()
    assert "OVERDUE" in said.out and "clock" not in said.err
