"""Starts a simulated frame in a process of its own; tells it the time and its faults through a private socket."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bench.cues import Cue
from bench.errors import LineTrouble
from bench.framefile import FrameFile, SerialLink, TcpLink, read_frame_file

_NO_PARITY: dict[str, Any] = {"parity": "none", "stop_bits": 1}  # a pseudo-terminal refuses to be told of parity
PATIENCE_S = 2.0  # time-out of the link where time is virtual
START_S = 20.0  # a loaded machine takes its time to import numpy


class Side:
    """The private socket to a simulated frame: tells it the time (virtual time only) and the faults to show.

    ``advance`` is for VirtualClock.on_advance. It does not wait for an answer: the server reads this socket before it
    answers any Modbus message, and a local socket hands over at once what was sent, so order is kept.
    """

    def __init__(self, sock: socket.socket) -> None:
        sock.setblocking(False)
        self._sock = sock

    def close(self) -> None:
        """The simulated frame ends when it sees this."""
        self._sock.close()

    async def advance(self, dt_s: float) -> None:
        """Let the simulated frame live ``dt_s`` seconds more (virtual time only)."""
        await self._tell(b"a%.9f\n" % dt_s)

    async def cue(self, cue: Cue | str, station: int | None = None, value: float = 0.0) -> None:
        """Show a fault; see bench.cues."""
        await self._ask({"cue": str(cue), "station": station, "value": value})

    async def clear(self, cue: Cue | str, station: int | None = None) -> None:
        """Let a fault go."""
        await self._ask({"clear": str(cue), "station": station})

    async def truth(self) -> dict[str, Any]:
        """What really is: time_s, true load_N, motor_mm, enabled, owner, lamp, the frame's own limits."""
        return await self._ask({})

    async def _tell(self, data: bytes) -> None:
        try:
            if self._sock.send(data) == len(data):
                return
            raise LineTrouble("the simulated frame does not take the time any more")
        except BlockingIOError:
            await asyncio.get_running_loop().sock_sendall(self._sock, data)
        except OSError as error:
            raise LineTrouble(f"the simulated frame has ended ({error})") from None

    async def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        await self._tell(json.dumps(request).encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            piece = await asyncio.get_running_loop().sock_recv(self._sock, 65536)
            if not piece:
                raise LineTrouble("the simulated frame has ended")
            answer += piece
        result: dict[str, Any] = json.loads(answer)
        if "error" in result:
            raise ValueError(result["error"])
        return result


class Simulated:
    """A simulated frame in a process of its own, reached by Modbus at ``host`` and ``port`` (or ``path``)."""

    def __init__(
        self,
        path: Path,
        *,
        virtual: bool = True,
        seed: int = 0,
        batch: Path | None = None,
        pty: bool = False,
        line_model: bool = False,
    ) -> None:
        self._path, self._virtual = path, virtual
        self._arguments = [str(path), "--seed", str(seed)]
        self._arguments += [] if batch is None else ["--batch", str(batch)]
        self._arguments += ["--pty"] if pty else []
        self._arguments += ["--line-model"] if line_model else []
        self._arguments += [] if virtual else ["--real-time"]
        self._process: asyncio.subprocess.Process | None = None
        self.side: Side  # while it runs
        self.host = ""
        self.port = 0
        self.path = ""  # of the serial line, if it is one
        self.file: FrameFile  # the frame file with its link pointing here

    async def __aenter__(self) -> Self:
        file = read_frame_file(self._path)
        ours, theirs = socket.socketpair()
        try:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "bench.server",
                *self._arguments,
                "--side",
                str(theirs.fileno()),
                pass_fds=(theirs.fileno(),),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                start_new_session=True,  # Ctrl-C stops the controller first, and it then closes this process
            )
        finally:
            theirs.close()
        self.side = Side(ours)
        assert self._process.stdout is not None
        try:
            async with asyncio.timeout(START_S):
                line = await self._process.stdout.readline()
            where: dict[str, Any] = json.loads(line)
        except (TimeoutError, ValueError):
            await self.__aexit__(None, None, None)
            raise LineTrouble("the simulated frame did not start; its own message stands above") from None
        self.host, self.port = where.get("host", ""), where.get("port", 0)
        self.path = where.get("path", "")
        link = link_to(file, where)
        if self._virtual:  # a busy computer must not look like a silent frame
            link = link.model_copy(update={"timeout_s": max(link.timeout_s, PATIENCE_S)})
        self.file = replace(file, link=link)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self.side.close()
            try:
                async with asyncio.timeout(5.0):
                    await self._process.wait()
            except TimeoutError:
                self._process.kill()
                await self._process.wait()
            self._process = None

    async def advance(self, dt_s: float) -> None:
        """For VirtualClock.on_advance."""
        await self.side.advance(dt_s)


def link_to(file: FrameFile, where: dict[str, Any]) -> TcpLink | SerialLink:
    """The link of a frame file, led to where its simulated twin is served."""
    link = file.link
    serial = "path" in where
    if serial and isinstance(link, SerialLink):
        return link.model_copy(update={"port": where["path"], **_NO_PARITY})
    kept = {name: getattr(link, name) for name in ("order", "tick_s", "timeout_s", "max_gap", "most_registers")}
    if serial:
        device = max(1, link.device)
        return SerialLink(kind="serial", port=where["path"], baud=115200, device=device, **_NO_PARITY, **kept)
    return TcpLink(kind="tcp", host=where["host"], port=where["port"], device=link.device, **kept)


def start_simulated(path: Path, *, virtual: bool = True, seed: int = 0, batch: Path | None = None) -> Simulated:
    """A simulated frame on a free loopback port; use it with ``async with``."""
    return Simulated(path, virtual=virtual, seed=seed, batch=batch)
