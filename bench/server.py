"""The simulated frame as a Modbus server in a process of its own: TCP, or RTU on a pseudo-terminal.

Frames and messages are coded by pymodbus. Time is real, or is told through a private socket by whoever started the
process: never by a Modbus master.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import socket
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.clock import RealClock
from bench.cues import Cue
from bench.framefile import FrameFile, TcpLink, read_frame_file
from bench.image import RegisterImage
from bench.plantframe import make_plant
from bench.responder import Responder, RtuPort, TcpPort
from bench.simulated import Simulated, start_simulated
from models.errors import InputError

__all__ = ["Simulated", "start_simulated"]

REAL_PIECE_S = 0.05
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedFault:
    """A fault that the simulated frame shows after so long."""

    at_s: float
    cue: Cue
    station: int | None = None
    value: float = 0.0


class _Side:
    """The private socket of whoever started the process: tells the time, cues faults, asks for the truth."""

    def __init__(self, sock: socket.socket, image: RegisterImage) -> None:
        self._sock, self._image = sock, image
        self._buffer = b""
        self.closed = asyncio.Event()
        sock.setblocking(False)
        asyncio.get_running_loop().add_reader(sock, self.drain)

    def drain(self) -> None:
        """Do everything that was said so far; called ahead of each Modbus message, so that order is kept."""
        try:
            data = self._sock.recv(65536)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            data = b""
        if not data:
            asyncio.get_running_loop().remove_reader(self._sock)
            self.closed.set()
            return
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            if line[:1] == b"a":
                self._image.plant.advance(float(line[1:]))
            else:
                self._sock.sendall(json.dumps(self._do(json.loads(line))).encode() + b"\n")

    def _do(self, request: dict[str, Any]) -> dict[str, Any]:
        plant = self._image.plant
        try:
            if "cue" in request:
                plant.cue(request["cue"], request.get("station"), float(request.get("value", 0.0)))
            elif "clear" in request:
                plant.clear(request["clear"], request.get("station"))
            elif "new_spoke" in request:
                plant.spokes.replace(int(request["new_spoke"]))
                plant.gone[int(request["new_spoke"])] = False
        except (ValueError, IndexError) as error:
            return {"error": str(error)}
        return {
            "time_s": plant.time_s,
            "load_N": plant.spokes.load_N.tolist(),
            "motor_mm": plant.motor_mm.tolist(),
            "enabled": plant.enabled.tolist(),
            "owner": plant.owner,
            "lamp": plant.lamp,
            "limits": plant.limits,
        }


async def serve(
    file: FrameFile,
    *,
    seed: int,
    batch: Any = None,
    host: str = LOOPBACK,
    port: int | None = None,
    pty: bool = False,
    line_model: bool = False,
    faults: Sequence[TimedFault] = (),
    side: socket.socket | None = None,
    virtual: bool = False,
    ready: Callable[[dict[str, Any]], None],
) -> None:
    """Serve the simulated twin of a frame until cancelled (or until ``side`` closes).

    Parameters
    ----------
    host : where to listen: this machine only, unless the user names another address
    port : where to listen instead of the port that the file names
    pty : serve RTU on a new pseudo-terminal instead of TCP
    line_model : delay RTU answers as the file's baud rate would
    side : private socket of whoever started this; the server ends when it closes
    faults : shown when the simulated frame has lived that long (real time)
    virtual : time passes only as ``side`` says
    ready : told {"host", "port"} or {"path"} once the server listens
    """
    plant = make_plant(file, seed=seed, batch=batch)
    image = RegisterImage(file, plant)
    loop = asyncio.get_running_loop()
    clock = RealClock()
    told = None if side is None else _Side(side, image)
    waiting = sorted(faults, key=lambda f: f.at_s)
    lived_s = clock.now_s()

    def live() -> None:
        nonlocal lived_s
        now_s = clock.now_s()
        if now_s - lived_s >= 0.001:
            plant.advance(now_s - lived_s)
            lived_s = now_s

    def before() -> None:
        if told is not None:
            told.drain()
        if not virtual:
            live()

    server = Responder(image, before, 0.0 if virtual else file.simulation.answer_s)
    open_ports: set[asyncio.Transport] = set()
    rtu: RtuPort | None = None
    tcp: asyncio.Server | None = None
    try:
        if pty:
            baud = None if isinstance(file.link, TcpLink) or not line_model else file.link.baud
            rtu = RtuPort(server, baud)
            ready({"path": rtu.path})
        else:
            at_port = port if port is not None else file.link.port if isinstance(file.link, TcpLink) else 0
            try:
                tcp = await loop.create_server(lambda: TcpPort(server, open_ports), host, at_port)
            except OSError as error:
                raise InputError(
                    f"cannot listen on {host}:{at_port}: {error.strerror or error}; give another --port"
                ) from None
            ready({"host": host, "port": tcp.sockets[0].getsockname()[1]})
        while told is None or not told.closed.is_set():
            if virtual and told is not None:
                await told.closed.wait()
            else:
                await clock.sleep_until(clock.now_s() + REAL_PIECE_S)
                live()
                while waiting and plant.time_s >= waiting[0].at_s:
                    due = waiting.pop(0)
                    plant.cue(due.cue, due.station, due.value)
    finally:
        for transport in list(open_ports):
            transport.abort()
        if tcp is not None:
            tcp.close()
        if rtu is not None:
            rtu.close()


def main(argv: list[str] | None = None) -> None:
    """The process that `bench.simulated.start_simulated` starts."""
    parser = argparse.ArgumentParser(prog="python -m bench.server")
    parser.add_argument("frame", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--batch", type=Path)
    parser.add_argument("--pty", action="store_true")
    parser.add_argument("--line-model", action="store_true")
    parser.add_argument("--real-time", action="store_true")
    parser.add_argument("--side", type=int, required=True, help="file descriptor of the private socket")
    args = parser.parse_args(argv)
    sock = socket.socket(fileno=args.side)

    def ready(where: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(where) + "\n")
        sys.stdout.flush()

    async def run() -> None:
        batch = None
        if args.batch is not None:
            from models.batch import Batch

            batch = Batch.from_dict(json.loads(args.batch.read_text(encoding="utf-8")))
        await serve(
            read_frame_file(args.frame),
            seed=args.seed,
            batch=batch,
            port=0,
            pty=args.pty,
            line_model=args.line_model,
            side=sock,
            virtual=not args.real_time,
            ready=ready,
        )

    asyncio.run(run())


if __name__ == "__main__":
    main()
