"""What a run shows of itself while it runs, and what a person may ask of it: a local socket with owner-only rights."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import stat
import tempfile
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bench.machine import PROGRAM_STATES, StationState
from bench.station import Station
from bench.steps import Program, Step, StepKind
from models.errors import InputError

REQUESTS = ("pause", "go on", "ease off", "end step")
LONGEST_LINE = 10_000
LONGEST_BASE = 65


@dataclass(frozen=True, slots=True, kw_only=True)
class StationNow:
    """One station at the last tick."""

    name: str
    spoke: str
    state: str
    step: str
    load_N: float
    set_load_N: float
    elongation_mm: float | None
    ended: str | None
    can_ask: tuple[str, ...] = ()  # what a person may ask of it now
    slack_s: float | None = None  # how long the spoke has hung slack after its load; None where it bears


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The run at the last tick."""

    at_s: float
    longest_s: float  # time that the program takes
    stations: tuple[StationNow, ...]
    lateness_p99_ms: float

    def as_dict(self) -> dict[str, Any]:
        """As the socket answers."""
        return {
            "at_s": self.at_s,
            "longest_s": self.longest_s,
            "lateness_p99_ms": self.lateness_p99_ms,
            "stations": [{k: getattr(s, k) for k in StationNow.__slots__} for s in self.stations],
        }


def snapshot_of(stations: Sequence[Station], program: Program, at_s: float, lateness_p99_s: float) -> Snapshot:
    """The run as it stands."""
    return Snapshot(
        at_s=at_s,
        longest_s=program.longest_s,
        lateness_p99_ms=1000.0 * lateness_p99_s,
        stations=tuple(
            StationNow(
                name=s.name,
                spoke=s.spoke,
                state=s.state.value,
                step=program.steps[s.step].name,
                load_N=s.watch.load_N,
                set_load_N=s.set_load_N,
                elongation_mm=None
                if s.zero_mm is None
                else s.watch.position_mm - s.zero_mm - s.watch.load_N * s.facts.frame_compliance_mm_per_N,
                ended=s.ended,
                can_ask=possible_requests(s.state, program.steps[s.step]),
                slack_s=None if s.off_s is None else at_s - s.off_s,
            )
            for s in stations
        ),
    )


@dataclass(slots=True)
class Mailbox:
    """Requests on their way to the loop, and the last snapshot on its way out."""

    requests: deque[tuple[str | None, str]] = field(default_factory=lambda: deque(maxlen=100))
    stop: bool = False  # a person stops the program: motion ends, the load stays on
    snapshot: Snapshot | None = None
    sleeper: asyncio.Task[Any] | None = None  # the loop's task while it sleeps

    def stop_now(self) -> None:
        """Ctrl-C: the loop ends at its next pass, and does not sleep until then."""
        self.stop = True
        self.wake()

    def wake(self) -> None:
        """End the loop's sleep early."""
        if self.sleeper is not None:
            self.sleeper.cancel()

    def ask(self, station: str | None, what: str) -> None:
        """A person's request; None for every station. Raises InputError where there is no such request."""
        if what not in REQUESTS:
            raise InputError(f"there is no request '{what}': it can be {', '.join(REQUESTS)}")
        self.requests.append((station, what))
        self.wake()


def runtime_folder() -> Path:
    """A folder of this user's that only its owner may enter. Raises InputError if it is somebody else's."""
    base = os.environ.get("XDG_RUNTIME_DIR", "")
    short = 0 < len(base) <= LONGEST_BASE  # the system allows a socket's path about a hundred characters
    folder = Path(base) / "longhold" if short else Path(tempfile.gettempdir()) / f"longhold-{os.getuid()}"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    seen = folder.lstat()
    if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != os.getuid() or seen.st_mode & 0o077:
        raise InputError(f"{folder}: must be a folder that only you may enter (chmod 700)")
    return folder


def socket_path(run: Path) -> Path:
    """Where a run listens. Raises InputError as `runtime_folder`."""
    return runtime_folder() / (hashlib.sha256(str(run.resolve()).encode()).hexdigest()[:24] + ".sock")


def possible_requests(state: StationState, step: Step) -> tuple[str, ...]:
    """What a person may ask of a station in this state; what cannot be is not offered."""
    if state is StationState.PAUSED:
        return ("go on", "ease off")
    if state not in PROGRAM_STATES:
        return ("ease off",) if state is StationState.DONE else ()
    ends = state in (StationState.HOLDING, StationState.RECOVERING, StationState.SLACK)
    return ("pause", "ease off", "end step") if ends and step.kind is not StepKind.RAMP else ("pause", "ease off")


class RequestServer:
    """Listens on the run's local socket: one JSON line in, one out. It cannot raise a limit."""

    def __init__(self, run: Path, mailbox: Mailbox, *, gives_way: bool = False) -> None:
        """``gives_way``: this process only records, and ends when another asks it to."""
        self._gives_way = gives_way
        self._path = socket_path(run)
        self._mailbox = mailbox
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._path.unlink(missing_ok=True)
        before = os.umask(0o177)
        try:
            self._server = await asyncio.start_unix_server(self._serve, str(self._path), limit=LONGEST_LINE)
        finally:
            os.umask(before)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
        self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(5.0):
                line = await reader.readline()
            writer.write(json.dumps(self._answer(line)).encode() + b"\n")
            await writer.drain()
        except (TimeoutError, ValueError, OSError):
            return
        finally:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
            if not isinstance(request, Mapping) or not set(request) <= {"ask", "station"}:
                raise InputError('a request is {"ask": ..., "station": ...}')
            what, station = request.get("ask"), request.get("station")
            snapshot = self._mailbox.snapshot
            if what == "status":
                return {"ok": True, "status": None if snapshot is None else snapshot.as_dict()}
            if what == "give way" and self._gives_way:
                self._mailbox.stop_now()
                return {"ok": True}
            names = [s.name for s in snapshot.stations] if snapshot is not None else []
            if station is not None and station not in names:
                raise InputError(f"there is no station {station!r} in this run: it has {', '.join(names)}")
            self._mailbox.ask(station, str(what))
        except (InputError, ValueError, RecursionError) as error:
            return {"ok": False, "error": str(error)}
        return {"ok": True}


async def send_request(run: Path, what: str, station: str | None = None) -> dict[str, Any]:
    """Ask a running run; ``what`` is one of REQUESTS, "status", or "give way" (to who only records it).

    Raises
    ------
    InputError
        If nothing listens, or the run says no.
    """
    path = socket_path(run)
    try:
        async with asyncio.timeout(5.0):
            reader, writer = await asyncio.open_unix_connection(str(path))
            try:
                writer.write(json.dumps({"ask": what, "station": station}).encode() + b"\n")
                answer: dict[str, Any] = json.loads(await reader.readline())
            finally:
                writer.close()
                await writer.wait_closed()
    except (OSError, TimeoutError, ValueError):
        raise InputError(f"{run}: no run of this name is going on here") from None
    if not answer.get("ok"):
        raise InputError(f"{run}: {answer.get('error')}")
    return answer
