"""A process that forks writers of runs on demand, so that fifty of them can be killed in a few seconds.

Reads lines ``run pipe`` from its standard input; forks a process that writes the run ``run`` through the shipped loop
and recorder, and reports each acknowledged sequence number, eight bytes, into the named pipe. Answers with its number.
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

import h5py  # noqa: F401  (so that a fork has it at once)

from bench.clock import VirtualClock
from tests.bench.fake_frame import make_program
from tests.bench.runs import recorded, two_spokes

LONG = make_program("seat seconds=1", "hold load_N=900 rate_N_per_s=20 hours=20", stations=2)


def write(run: Path, pipe: Path) -> None:
    fd = os.open(pipe, os.O_WRONLY)
    frame = two_spokes()
    assert isinstance(frame.clock, VirtualClock)
    asyncio.run(
        recorded(
            run,
            LONG,
            frame,
            sync_every_s=0.01,
            acknowledge=lambda sequence: os.write(fd, sequence.to_bytes(8, "little")),
        )
    )


def main() -> None:
    for line in sys.stdin:
        run, pipe = (Path(p) for p in line.rstrip("\n").split("\t"))
        number = os.fork()
        if number == 0:
            try:
                write(run, pipe)
            finally:
                os._exit(1)
        print(number, flush=True)
        os.waitpid(number, 0)


if __name__ == "__main__":
    main()
