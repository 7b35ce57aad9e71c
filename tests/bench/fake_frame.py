"""A frame that is an instant stub: a spring and a logarithmic creep on each station, a bus that may take its time."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

import numpy as np

from bench.clock import VirtualClock
from bench.errors import FrameFault
from bench.frame import Command, FrameFacts, FrameReading, StationFacts, StationReading, check_command, check_limit
from bench.journal import Event, Row
from bench.outcome import Outcome, Prepared, Readiness
from bench.program import program_from_text
from bench.runner import prepare, run_program
from bench.status import Mailbox, Snapshot
from bench.steps import Program

START_UTC = 1_800_000_000.0
GAUGE_MM = 280.0


def station_facts(name: str, **changed: Any) -> StationFacts:
    """A plausible station."""
    facts: dict[str, Any] = {
        "name": name,
        "max_load_N": 2000.0,
        "max_speed_mm_per_s": 1.0,
        "travel_mm": (0.0, 60.0),
        "step_mm": 0.0005,
        "trip_load_N": 2200.0,
        "frame_compliance_mm_per_N": 4e-4,
        "load_noise_N": 0.3,
        "cell_range_N": 2500.0,
    }
    return StationFacts(**(facts | changed))


def frame_facts(stations: int = 1, **changed: Any) -> FrameFacts:
    """A plausible frame."""
    facts: dict[str, Any] = {
        "name": "fake",
        "serial": None,
        "stations": tuple(station_facts("ABCDEFGH"[i]) for i in range(stations)),
        "deadman_ms": 3500,
        "tick_s": 0.1,
        "stations_shielded": True,
        "has_cabinet": False,
    }
    return FrameFacts(**(facts | changed))


@dataclass
class Spoke:
    """A spring with frame in series, and creep growing like the logarithm of the time under load."""

    k_N_per_mm: float = 950.0  # spoke and frame
    seat_mm: float = 0.5
    creep_mm_per_decade: float = 0.08  # at 1000 N
    gone: bool = False
    loaded_s: float = 0.0
    crept_mm: float = 0.0

    def load_N(self, x_mm: float) -> float:
        return 0.0 if self.gone else max(0.0, self.k_N_per_mm * (x_mm - self.seat_mm - self.crept_mm))

    def live(self, x_mm: float, dt_s: float) -> None:
        load = self.load_N(x_mm)
        if load > 1.0:
            rate = self.creep_mm_per_decade * load / 1000.0 / math.log(10.0) / (self.loaded_s + 2.0)
            self.loaded_s += dt_s
            self.crept_mm += rate * dt_s


@dataclass
class Drive:
    """Moves to its target at its speed and stops there."""

    x_mm: float = 0.0
    target_mm: float = 0.0
    speed_mm_per_s: float = 0.0
    enabled: bool = False

    def live(self, dt_s: float) -> None:
        if self.enabled:
            way = self.target_mm - self.x_mm
            self.x_mm += math.copysign(min(abs(way), self.speed_mm_per_s * dt_s), way)


Tamper = Callable[[FrameReading], FrameReading]


class FakeFrame:
    """Implements bench.frame.Frame. ``bus_s`` is what each read and each write takes."""

    def __init__(
        self, facts: FrameFacts | None = None, *, bus_s: float = 0.0, noise_N: float = 0.3, seed: int = 1
    ) -> None:
        self.facts = facts or frame_facts()
        n = len(self.facts.stations)
        self.clock = VirtualClock(START_UTC, self.advance)
        self.spokes = [Spoke() for _ in range(n)]
        self.drives = [Drive() for _ in range(n)]
        self.bus_s, self.noise_N = bus_s, noise_N
        self.rng = np.random.default_rng(seed)
        self.time_s = 0.0
        self.owner = 0
        self.deadman_left_s = 0.0
        self.lamp = 0
        self.limits: dict[str, float] = {}  # the frame's own, as they stand there
        self.cabinet_C: float | None = None
        self.cabinet_asked: list[float | None] = []
        self.tamper: Tamper | None = None  # changes what is read: faults on cue
        self.trouble: Callable[[], None] | None = None  # raises on read and write: a broken link
        self.commands: list[tuple[float, Command]] = []
        self.true_load_N: list[tuple[float, tuple[float, ...]]] = []

    async def advance(self, dt_s: float) -> None:
        left = dt_s
        while left > 1e-12:
            moving = any(d.enabled and abs(d.target_mm - d.x_mm) > 1e-9 for d in self.drives)
            dt = min(left, 0.02 if moving else 0.5)
            for spoke, drive in zip(self.spokes, self.drives, strict=True):
                drive.live(dt)
                spoke.live(drive.x_mm, dt)
            fed, self.deadman_left_s = self.deadman_left_s > 0, self.deadman_left_s - dt
            if fed and self.deadman_left_s <= 0:
                self.owner = 0
                for d in self.drives:
                    d.enabled = False
            left -= dt
            self.time_s += dt
            if moving:
                self._note_truth()
        self._note_truth()

    def _note_truth(self) -> None:
        loads = tuple(s.load_N(d.x_mm) for s, d in zip(self.spokes, self.drives, strict=True))
        self.true_load_N.append((self.time_s, loads))

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    async def claim(self, token: int) -> None:
        reading = await self.read()
        if reading.local:
            raise FrameFault("the frame is held by its local panel")
        if reading.owner_token not in (0, token):
            raise FrameFault(f"the frame is held by another controller (token {reading.owner_token})")
        self.owner = token
        await self.write(())

    async def release(self) -> None:
        if self.trouble is not None:
            self.trouble()
        self.owner = 0

    async def read(self) -> FrameReading:
        if self.bus_s:
            await self.clock.sleep_until(self.clock.now_s() + self.bus_s)
        if self.trouble is not None:
            self.trouble()
        stations = []
        for i, (spoke, drive) in enumerate(zip(self.spokes, self.drives, strict=True)):
            noise = self.noise_N * float(self.rng.standard_normal()) if self.noise_N else 0.0
            stations.append(
                StationReading(
                    load_N=round(spoke.load_N(drive.x_mm) + noise, 2),
                    load_fault=False,
                    position_mm=round(drive.x_mm, 4),
                    position_valid=True,
                    moving=drive.enabled and abs(drive.target_mm - drive.x_mm) > 1e-9,
                    enabled=drive.enabled,
                    drive_fault=0,
                    limit_low=False,
                    limit_high=False,
                    brake=None,
                )
            )
            assert i < len(self.facts.stations)
        reading = FrameReading(
            now_s=self.clock.now_s(),
            at_utc=self.clock.utc(),
            frame_ms=round(1000 * self.time_s) & 0xFFFFFFFF,
            estop_closed=True,
            guard_closed=True,
            power_ok=True,
            deadman_ms=self.facts.deadman_ms,
            owner_token=self.owner,
            local=False,
            air_temperature_C=21.0,
            frame_temperature_C=21.0,
            cabinet_temperature_C=self.cabinet_C,
            stations=tuple(stations),
            max_load_N=self.limits.get("max_load"),
            max_speed_mm_per_s=self.limits.get("max_speed"),
        )
        return self.tamper(reading) if self.tamper is not None else reading

    async def write(self, commands: Sequence[Command]) -> None:
        if self.bus_s:
            await self.clock.sleep_until(self.clock.now_s() + self.bus_s)
        if self.trouble is not None:
            self.trouble()
        for c in commands:
            check_command(self.facts, c)
            self.commands.append((self.time_s, c))
            drive = self.drives[c.station]
            step = self.facts.stations[c.station].step_mm
            drive.enabled = c.enable
            drive.target_mm = round(c.target_mm / step) * step if c.enable else drive.x_mm
            drive.speed_mm_per_s = c.speed_mm_per_s
        self.deadman_left_s = self.facts.deadman_ms / 1000.0

    async def set_limit(self, role: str, value: float) -> None:
        if self.trouble is not None:
            self.trouble()
        check_limit(self.facts, role, value)
        self.limits[role] = value

    async def set_cabinet_C(self, temperature_C: float | None) -> None:
        self.cabinet_asked.append(temperature_C)
        self.cabinet_C = 21.0 if temperature_C is None else temperature_C

    async def set_lamp(self, lamp: int) -> None:
        self.lamp = lamp


@dataclass
class Memory:
    """A sink that keeps everything; ``full`` makes it refuse."""

    rows: list[Row] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    full: bool = False

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        if self.full:
            return False
        self.rows.extend(rows)
        self.events.extend(events)
        return True

    def said(self, kind: str, station: str | None = None) -> list[str]:
        return [e.message for e in self.events if e.kind == kind and station in (None, e.station)]


def program_text(steps: str, stations: int = 1, extra: str = "") -> str:
    names = "\n".join(f'{"ABCDEFGH"[i]} = "T-{i + 1}"' for i in range(stations))
    return f'name = "trial"\nbatch = "T"\ngauge_length_mm = {GAUGE_MM}\n{extra}\n[stations]\n{names}\n[spoke]\nEA_N = 430000\n{steps}'


def steps_text(*steps: str) -> str:
    """``"hold load_N=1000 hours=0.1"`` for each step; an underscore before a unit stands for a blank."""
    out = []
    for step in steps:
        kind, *pairs = step.split()
        lines = [p.replace("=", " = ", 1).replace("_kgf", " kgf") for p in pairs]
        out.append("\n".join(["[[steps]]", f'kind = "{kind}"', *lines]))
    return "\n".join(out)


READY = """[ready]
batch = "batch.json"
tolerance_percent = 7
target_N = 1000
sessions = [[0, 1030]]
followup = 0.3
rest_h = 0.5
laced_h = 1
horizon_h = 336
every_min = 1
"""


def make_program(*steps: str, stations: int = 1, extra: str = "") -> Program:
    return program_from_text(program_text(steps_text(*steps), stations, extra), "trial.toml")


async def play(
    frame: FakeFrame,
    program: Program,
    memory: Memory | None = None,
    *,
    at: dict[float, Callable[[], object]] | None = None,
    mailbox: Mailbox | None = None,
    readiness: Readiness | None = None,
    prepared: Prepared | None = None,
) -> tuple[Outcome, Memory]:
    """Run a program in virtual time; ``at`` run time, s, -> what is done then, once."""
    memory = memory or Memory()
    left = dict(at or {})

    def on_tick(now: Snapshot) -> None:
        for when in [w for w in left if now.at_s >= w]:
            left.pop(when)()

    ready = prepared or await prepare(frame, program, 7)
    outcome = await run_program(
        frame, frame.clock, program, memory, ready, mailbox=mailbox, readiness=readiness, on_tick=on_tick
    )
    return outcome, memory
