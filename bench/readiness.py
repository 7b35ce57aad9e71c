"""The live fit: a process of its own reads the growing journal and says which spokes are ready; the loop never waits.

The loop asks now and then (a line of JSON) and takes what has been answered by its next pass. A process that dies or
hangs costs nothing but the criterion: the holds then go on to their longest time, and the record says so.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from bench.journal import Row
from bench.ready import Verdict, judge
from bench.steps import Program, ReadyRule
from models.batch import Batch
from models.errors import InputError

if TYPE_CHECKING:
    from bench.record import Run

LONGEST_ANSWER_S = 600.0  # run time after which a question counts as lost
STARTS = 3  # how often the process is started
NICE = 10


def looked_at(rule: ReadyRule, batch: Batch, run: Run, stations: Sequence[str]) -> list[Verdict]:
    """The verdict on each of these stations from the run so far."""
    import numpy as np

    from bench.record import table_of
    from models.table import records
    from models.thin import thin

    verdicts = []
    for name in stations:
        record = run.stations[name]
        try:
            alone = type(run)(path=run.path, meta=run.meta, stations={name: record}, events=run.events)
            found, _ = records(table_of(alone), run.path.name)
            thinned = thin(found[0].measured, found[0].breaks_s)
            seed = [int(1e3 * thinned.time_s[-1]), sum(name.encode())]
            verdict = judge(
                rule, batch, thinned, station=name, spokes=len(record.spokes), rng=np.random.default_rng(seed)
            )
        except (InputError, ArithmeticError, np.linalg.LinAlgError) as error:
            verdict = Verdict(station=name, ready=False, says=f"nothing can be said yet: {error}")
        verdicts.append(verdict)
    return verdicts


class InProcess:
    """The same for a rehearsal in virtual time: there a look takes no time, so that it is made at once."""

    def __init__(self, program: Program, batch: Batch, header: Mapping[str, Any]) -> None:
        assert program.ready is not None
        self._rule, self._batch, self._header = program.ready, batch, header
        self._rows: list[Row] = []
        self._next_s: dict[str, float] = {}
        self._verdicts: list[Verdict] = []

    def heard(self, rows: Sequence[Row]) -> None:
        """Rows as they are recorded."""
        self._rows.extend(rows)

    def ask(self, at_s: float, stations: Sequence[str]) -> None:
        """Look at the stations that are due; their first look is one interval after they are first asked for."""
        from bench.record import run_of_rows

        due = _due(self._next_s, at_s, stations, self._rule)
        if due:
            self._verdicts += looked_at(self._rule, self._batch, run_of_rows(self._header, self._rows), due)

    def verdicts(self) -> list[Verdict]:
        """What is new since the last call."""
        new, self._verdicts = self._verdicts, []
        return new


def _due(next_s: dict[str, float], at_s: float, stations: Sequence[str], rule: ReadyRule) -> list[str]:
    due = []
    for name in stations:
        if at_s >= next_s.setdefault(name, at_s + 60.0 * rule.every_min):
            next_s[name] = at_s + 60.0 * rule.every_min
            due.append(name)
    return due


class LiveFit:
    """Implements bench.outcome.Readiness beside a run that is recorded to ``run``."""

    def __init__(self, run: Path, rule: ReadyRule) -> None:
        self._run, self._rule = run, rule
        self._next_s: dict[str, float] = {}
        self._verdicts: list[Verdict] = []
        self._process: asyncio.subprocess.Process | None = None  # that is asked
        self._started: list[asyncio.subprocess.Process] = []
        self._again: asyncio.Task[None] | None = None  # a new start
        self._tasks: list[asyncio.Task[None]] = []  # starts and readers
        self._asked_s: float | None = None  # run time of the question that waits for its answer
        self._starts = 0

    async def __aenter__(self) -> Self:
        await self._start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._end()

    async def _start(self) -> None:
        self._starts += 1
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",
            "-m",
            "bench.readiness",
            str(self._run),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the run
        )
        self._process = process
        self._started.append(process)
        self._tasks.append(asyncio.create_task(self._listen(process)))

    async def _end(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for process in self._started:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
            await process.wait()

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            self._asked_s = None
            with contextlib.suppress(ValueError, TypeError):
                self._verdicts += [_verdict_of(d) for d in json.loads(line)]
        if self._process is process:
            self._lost("the live fit has ended")

    def _lost(self, why: str) -> None:
        words = f"{why}: holds that wait for it go on to their longest time" if self._starts >= STARTS else why
        self._verdicts.append(Verdict(station="", ready=False, says=words))
        self._asked_s = None
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()

    def ask(self, at_s: float, stations: Sequence[str]) -> None:
        """Have the stations looked at that are due; returns at once."""
        if self._asked_s is not None:
            if at_s - self._asked_s > LONGEST_ANSWER_S:
                self._lost("the live fit does not answer")
            return
        due = _due(self._next_s, at_s, stations, self._rule)
        if not due:
            return
        if self._process is None:
            self._next_s |= dict.fromkeys(due, at_s)  # asked for as soon as it has started
            if self._starts < STARTS and (self._again is None or self._again.done()):
                self._again = asyncio.get_running_loop().create_task(self._start())
                self._tasks.append(self._again)
            return
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(due).encode() + b"\n")
        except (OSError, RuntimeError):
            return  # it has just ended: the reader says so
        self._asked_s = at_s

    def verdicts(self) -> list[Verdict]:
        """What is new since the last call."""
        new, self._verdicts = self._verdicts, []
        return new


def _verdict_of(d: Mapping[str, Any]) -> Verdict:
    loss = d["loss_percent"]
    return Verdict(
        station=str(d["station"]),
        ready=d["ready"] is True,
        says=str(d["says"]),
        probability=d["probability"],
        loss_percent=None if loss is None else (float(loss[0]), float(loss[1])),
    )


def main(run: Path) -> None:
    """The process: a line of station names in, a line of verdicts out."""
    from bench.program import program_from_text
    from bench.record import journal_path, run_of_journal
    from bench.replay import JournalReader

    os.nice(NICE)
    journal = journal_path(run)
    header = JournalReader(journal).header
    program = program_from_text(header["program_text"], header["program_where"])
    batch = Batch.from_dict(header["ready_batch"])
    assert program.ready is not None
    for line in sys.stdin:
        found = looked_at(program.ready, batch, run_of_journal(run, journal), json.loads(line))
        answer = [{name: getattr(v, name) for name in Verdict.__slots__} for v in found]
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
