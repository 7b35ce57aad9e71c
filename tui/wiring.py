"""Where bench, models and planner are put together for a person: nowhere else do they meet."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bench.errors import FrameFault
from bench.journal import Event
from bench.live import LiveRun
from bench.program import program_from_text, read_program
from bench.record import RunMeta, journal_path
from bench.steps import Program, Until, check_against
from models.errors import InputError
from tui.screens.attach import Attachment
from tui.screens.view import Note, Record, Trace
from tui.summary import Night, night_of

if TYPE_CHECKING:
    from bench.session import Session

Floats = NDArray[np.float64]
INVENTED = "(invented"  # in the name of a frame or a program: demo data

# what the monitor needs of a run's columns
_COLUMNS: dict[str, type] = {
    "time": np.float64,
    "load": np.float32,
    "set_load": np.float32,
    "elongation": np.float32,
    "temperature": np.float32,
    "step": np.uint8,
}


class _Growing:
    """A column that is added to; its array is a view, not a copy."""

    def __init__(self, kind: type) -> None:
        self._store: NDArray[Any] = np.empty(1024, dtype=kind)
        self._n = 0

    def add(self, values: NDArray[Any]) -> None:
        need = self._n + values.size
        if need > self._store.size:
            bigger = np.empty(need + need // 4, dtype=self._store.dtype)
            bigger[: self._n] = self._store[: self._n]
            self._store = bigger
        self._store[self._n : need] = values
        self._n = need

    @property
    def array(self) -> NDArray[Any]:
        return self._store[: self._n]


def planned_s(program: Program) -> tuple[float | None, ...]:
    """How long each step of a program is planned to take, its way to the load included; None where it is open."""
    out: list[float | None] = []
    load_N = 0.0
    for step in program.steps:
        way_s = abs(step.load_N - load_N) / step.rate_N_per_s
        out.append(way_s + step.duration_s if step.until is Until.TIME else None)
        load_N = step.load_N
    return tuple(out)


@lru_cache(maxsize=8)
def _of_program(program_text: str) -> tuple[tuple[float | None, ...], float | None]:
    """How long each step is planned to take, and what a spoke may lose in its wheel where a hold waits for that."""
    try:
        program = program_from_text(program_text, "the run's program")
    except InputError:  # a run of another version: its steps are shown without their planned length
        return (), None
    return planned_s(program), None if program.ready is None else program.ready.tolerance_percent


class OpenRun:
    """A run file, live or finished, as the monitor reads it: only what is new is read at each look."""

    def __init__(self, path: Path) -> None:
        self._live = LiveRun(path)
        self._events: list[Event] = []
        self._columns: dict[str, dict[str, _Growing]] = {}

    def refresh(self) -> Record:
        """Everything up to the newest whole record; raises InputError where the file cannot be read any more."""
        update = self._live.refresh()
        self._events += update.events
        for name, rows in update.rows.items():
            columns = self._columns.setdefault(name, {c: _Growing(kind) for c, kind in _COLUMNS.items()})
            for c, column in columns.items():
                column.add(rows[c])
        meta = self._live.meta
        traces = [self._trace(s["name"], s["spoke"], meta) for s in meta.header["stations"]]
        return Record(
            title=meta.name,
            demo=INVENTED in meta.frame_name or INVENTED in meta.name,
            started_utc=meta.start_utc,
            ended=update.status.ended is not None and not update.status.being_written,
            written=update.status.being_written,
            traces=tuple(traces),
            notes=tuple(
                Note(at_utc=e.utc, time_s=e.time_s, station=e.station, kind=e.kind, message=e.message, data=e.data)
                for e in self._events
            ),
            allowed_loss_percent=_of_program(meta.program_text)[1],
        )

    def _trace(self, name: str, spoke: str, meta: RunMeta) -> Trace:
        empty = {c: _Growing(kind) for c, kind in _COLUMNS.items()}
        columns = self._columns.get(name, empty)
        return Trace(
            name=name,
            spoke=spoke,
            gauge_length_mm=float(meta.header["gauge_length_mm"]),
            time_s=columns["time"].array,
            load_N=columns["load"].array,
            set_load_N=columns["set_load"].array,
            elongation_mm=columns["elongation"].array,
            temperature_C=columns["temperature"].array,
            step=columns["step"].array,
            step_names=self._live.step_names,
            step_s=_of_program(meta.program_text)[0],
        )

    def close(self) -> None:
        """Let go of the file; the run is not touched."""
        self._live.close()


def attach(path: Path) -> Attachment:
    """The monitor's hold on a run: its journal while it grows, its sealed file after."""
    return Attachment(path, OpenRun, growing=journal_path(path))


async def _night(
    program_path: Path, frame_path: Path, out: Path, seed: int, start_utc: float, progress: Callable[[float], None]
) -> Session:
    # imported here: the monitor needs none of it
    from bench.alerts import Alerts
    from bench.clock import VirtualClock
    from bench.modbusframe import ModbusFrame
    from bench.session import begin_run
    from bench.simulated import start_simulated
    from bench.status import Mailbox, Snapshot

    program = read_program(program_path)
    mailbox = Mailbox()
    shown = 0.0

    def on_tick(now: Snapshot) -> None:
        nonlocal shown
        share = now.at_s / now.longest_s
        if share - shown >= 0.01:
            shown = share
            progress(share)

    async with start_simulated(frame_path, virtual=True, seed=seed) as simulated:
        check_against(program, simulated.file.facts)
        clock = VirtualClock(start_utc, simulated.advance)
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):  # not the main thread: no signals
            asyncio.get_running_loop().add_signal_handler(signal.SIGINT, mailbox.stop_now)
        async with ModbusFrame(simulated.file, clock) as frame:
            session = await begin_run(
                frame,
                clock,
                program,
                out,
                frame_text=simulated.file.text,
                frame_where=frame_path.name,
                mailbox=mailbox,
                alerts=Alerts.off(),
                on_tick=on_tick,
                recorder_options={"live": False},
            )
    if mailbox.stop:
        raise KeyboardInterrupt
    return session


def simulated_night(
    program_path: Path,
    frame_path: Path,
    out: Path,
    *,
    seed: int,
    start_utc: float,
    progress: Callable[[float], None],
) -> Night:
    """Run a program on the simulated twin of a frame, over Modbus TCP, through the shipped controller, in virtual time.

    The frame is served by a process of its own on loopback; its clock is stepped through a private socket.

    Raises
    ------
    FrameFault
        If the night did not end as programmed; what was recorded is kept.
    KeyboardInterrupt
        If Ctrl-C was pressed; the run file is whole.
    """
    session = asyncio.run(_night(program_path, frame_path, out, seed, start_utc, progress))
    if not session.outcome.finished:
        raise FrameFault(
            f"the night did not end as programmed: {session.outcome.message}; what was recorded is in {out}"
        )
    return night_of(OpenRun(out).refresh())
