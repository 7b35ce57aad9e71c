"""Walks a frame before it is trusted: what it says of itself, its cells' noise, the proofs, and small guarded moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.clock import Clock
from bench.errors import FrameFault
from bench.frame import Command, Frame, FrameFacts, FrameReading, StationFacts
from bench.ownlimits import stated_limits, write_limits
from bench.proofs import prove_deadman, prove_speed, prove_step
from bench.roles import FRAME_ROLES

MOST_UNLOADED_N = 30.0  # guarded moves are made with nothing on the station
MOVE_MM = 0.2
MOVE_MM_PER_S = 0.1
NOISE_FACTOR = 3.0  # a cell this much noisier than its file says is a fault
FROZEN_READINGS = 10  # so many equal readings of a noisy cell are a frozen one


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing that was looked at."""

    what: str
    good: bool | None  # None: shown, not judged
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A few seconds of readings, and what each cost on the bus."""

    readings: tuple[FrameReading, ...]
    bus_s: tuple[float, ...]

    def load_N(self, station: int) -> tuple[float, float]:
        """Mean and standard deviation of a cell; NaN where it read nothing."""
        loads = np.array([r.stations[station].load_N for r in self.readings])
        return float(loads.mean()), float(loads.std(ddof=1))


async def look(frame: Frame, clock: Clock, timer: Clock, readings: int) -> Look:
    """Read so many times, one tick apart; moves nothing and writes nothing. ``timer`` measures the bus."""
    seen: list[FrameReading] = []
    spent: list[float] = []
    due = clock.now_s()
    for _ in range(readings):
        await clock.sleep_until(due)
        before = timer.now_s()
        seen.append(await frame.read())
        spent.append(timer.now_s() - before)
        due = max(due + frame.facts.tick_s, clock.now_s())
    return Look(readings=tuple(seen), bus_s=tuple(spent))


def judge(
    facts: FrameFacts, seen: Look, *, identity: str | None = None, serial: str | None = None
) -> tuple[Check, ...]:
    """What the readings say of the frame as a whole."""
    last = seen.readings[-1]
    checks = []

    def note(what: str, good: bool | None, says: str) -> None:
        checks.append(Check(what=what, good=good, says=says))

    if identity is not None:
        note("identity", None, identity or "(empty)")
    if serial is not None:
        agrees = None if facts.serial is None else serial == facts.serial
        note("serial", agrees, serial if agrees is not False else f"{serial}, but the frame file says {facts.serial}")
    note("emergency stop", last.estop_closed, "chain closed" if last.estop_closed else "chain open: nothing may move")
    if "guard" not in facts.absent:
        note("guard", last.guard_closed, "closed" if last.guard_closed else "open: nothing may move")
    if "power_ok" not in facts.absent:
        note("power", last.power_ok, "motor power is there" if last.power_ok else "no motor power")
    if "local_remote" not in facts.absent:
        note("panel", not last.local, "remote" if not last.local else "the local panel holds the frame")
    if "owner_token" not in facts.absent:
        note(
            "owner",
            last.owner_token == 0,
            "nobody commands it" if last.owner_token == 0 else f"another controller does (token {last.owner_token})",
        )
    if "deadman_ms" not in facts.absent:
        same = abs(last.deadman_ms - facts.deadman_ms) <= 1
        note(
            "deadman",
            same,
            f"{last.deadman_ms} ms" + ("" if same else f" read back, but the frame file says {facts.deadman_ms} ms"),
        )
    proof = prove_deadman(deadman_s=last.deadman_ms / 1000.0, tick_s=facts.tick_s)
    note("deadman and tick", proof.holds, proof.says)
    for role, stated in facts.stated_limits.items():
        what = f"{role.removeprefix('max_')} limit"
        read_back, unit = last.own_limits[role], FRAME_ROLES[role].limit
        if read_back is not None and role in facts.writable_limits:
            words = f"{read_back:g} {unit} in the frame; each run writes its own, never above {stated:g} {unit}"
            note(what, None, words)
        elif read_back is not None:
            same = math.isclose(read_back, stated, rel_tol=1e-3)
            says = f"{read_back:g} {unit} in the frame"
            note(what, same, says + ("" if same else f", but {stated:g} {unit} in the frame file"))
    for what, value in (("air", last.air_temperature_C), ("frame temperature", last.frame_temperature_C)):
        if value is not None:
            note(what, -10.0 <= value <= 60.0, f"{value:.2f} degC")
    if last.cabinet_temperature_C is not None:
        note("cabinet", last.cabinet_cutout_ok, f"{last.cabinet_temperature_C:.1f} degC")
    bus = np.array(seen.bus_s)
    share = float(np.quantile(bus, 0.95)) / facts.tick_s
    note(
        "bus",
        share <= 0.5,
        f"reading everything takes {1000 * float(np.median(bus)):.2f} ms (worst {1000 * float(bus.max()):.2f} ms), "
        f"{100 * share:.0f} % of the tick of {facts.tick_s:g} s"
        + (
            ""
            if share <= 0.5
            else f": writing takes as long again; set link.tick_s to {2.5 * share * facts.tick_s:.2g}"
        ),
    )
    return tuple(checks)


def judge_station(facts: FrameFacts, seen: Look, station: int) -> tuple[Check, ...]:
    """What the readings say of one station."""
    stated, last = facts.stations[station], seen.readings[-1].stations[station]
    mean, noise = seen.load_N(station)
    checks = []

    def note(what: str, good: bool | None, says: str) -> None:
        checks.append(Check(what=f"{stated.name}: {what}", good=good, says=says))

    if any(r.stations[station].load_fault for r in seen.readings) or not math.isfinite(mean):
        note("load cell", False, "reports a fault, or reads nothing: is it plugged in?")
    elif stated.cell_range_N is not None and abs(mean) >= 0.999 * stated.cell_range_N:
        note("load cell", False, f"reads {mean:.1f} N, the end of its range: saturated or unplugged")
    elif noise < 1e-9 and stated.load_noise_N > 0 and len(seen.readings) >= FROZEN_READINGS:
        note("load cell", False, f"reads {mean:.1f} N without any noise: frozen?")
    elif noise > NOISE_FACTOR * stated.load_noise_N > 0:
        note("load cell", False, f"noise {noise:.2f} N, but the frame file says {stated.load_noise_N:g} N")
    else:
        note("load cell", True, f"reads {mean:.2f} N (its zero, if nothing hangs on it), noise {noise:.2f} N")
    note(
        "position",
        last.position_valid,
        f"{last.position_mm:.4f} mm" if last.position_valid else "lost: the encoder needs its reference",
    )
    ends = [n for n, at in (("slack", last.limit_low), ("pulled", last.limit_high)) if at]
    note("travel switches", not ends, f"reached at the {' and '.join(ends)} end" if ends else "clear")
    if "drive_fault" not in facts.absent:
        note("drive", last.drive_fault == 0, "no fault" if last.drive_fault == 0 else f"fault {last.drive_fault}")
    return tuple(checks)


def prove_station(
    facts: FrameFacts,
    station: StationFacts,
    *,
    deadman_s: float,
    set_load_N: float,
    ramp_N_per_s: float,
    stiffness_N_per_mm: float,
    band_fraction: float,
) -> tuple[Check, ...]:
    """The proofs of bench.proofs for a ramp to ``set_load_N`` and a hold within ``band_fraction`` of it."""
    proofs = (
        prove_speed(
            station,
            speed_mm_per_s=ramp_N_per_s / stiffness_N_per_mm,
            tick_s=facts.tick_s,
            deadman_s=deadman_s,
            set_load_N=set_load_N,
            stiffness_N_per_mm=stiffness_N_per_mm,
        ),
        prove_step(station, stiffness_N_per_mm=stiffness_N_per_mm, band_N=band_fraction * set_load_N),
    )
    return tuple(Check(what=f"{station.name}: proof of {p.name}", good=p.holds, says=p.says) for p in proofs)


async def try_axis(
    frame: Frame, clock: Clock, station: int, *, move_mm: float = MOVE_MM, speed_mm_per_s: float = MOVE_MM_PER_S
) -> tuple[Check, ...]:
    """Small guarded moves of one unloaded station of a claimed frame: direction, scale, and that the deadman stops it.

    Whatever happens, the drive is switched off at the end. Ends early, with a check that says why, when the load
    changes, an interlock opens or the drive faults.
    """
    facts = frame.facts.stations[station]
    guard = _Guard(frame, clock, station)
    checks: list[Check] = []

    def note(what: str, good: bool, says: str) -> None:
        checks.append(Check(what=f"{facts.name}: {what}", good=good, says=says))

    try:
        start = await guard.begin()
        low, high = facts.travel_mm
        if not (low <= start and start + move_mm + coasting_mm(frame.facts, speed_mm_per_s) <= high):
            note(
                "guarded move", False, f"at {start:.3f} mm there is no room: move it by its panel, away from both ends"
            )
            return tuple(checks)
        _, said = await write_limits(frame, stated_limits(frame.facts, station), await frame.read())
        for one in said:
            note(f"{one.data['limit']} written", True, one.message)
        await guard.go(start + move_mm, speed_mm_per_s)
        moved = guard.position_mm - start
        allowed = max(0.05 * move_mm, 3 * facts.step_mm)
        good = abs(moved - move_mm) <= allowed
        note(
            "direction and scale",
            good,
            f"asked for {move_mm:+.3f} mm, the encoder shows {moved:+.4f} mm"
            + ("" if good else ": wrong way round" if moved < 0 else ": the scale of position or move_target is wrong"),
        )
        if good:
            await guard.go(start, speed_mm_per_s)
            note("deadman stops the motor", *await _let_it_die(frame, clock, guard, start, speed_mm_per_s))
    except FrameFault as fault:
        note("guarded move", False, str(fault))
    finally:
        await guard.off()
    return tuple(checks)


def coasting_mm(facts: FrameFacts, speed_mm_per_s: float = MOVE_MM_PER_S) -> float:
    """How far the deadman's trial asks the drive to go; it must stop on the way."""
    return speed_mm_per_s * (facts.deadman_ms / 1000.0 + 2.0)


async def _let_it_die(
    frame: Frame, clock: Clock, guard: _Guard, start_mm: float, speed_mm_per_s: float
) -> tuple[bool, str]:
    """Start a move, do not feed the deadman, and see the motor stop by itself before the target."""
    deadman_s, tick_s = frame.facts.deadman_ms / 1000.0, frame.facts.tick_s
    target = start_mm + coasting_mm(frame.facts, speed_mm_per_s)
    await frame.write([guard.command(target, speed_mm_per_s)])
    fed_s = clock.now_s()
    while clock.now_s() < fed_s + deadman_s + 1.0:
        await clock.sleep_until(clock.now_s() + tick_s)
        await guard.check()
    before = guard.position_mm
    await clock.sleep_until(clock.now_s() + max(tick_s, 0.1))
    reading = (await frame.read()).stations[guard.station]
    ran_s = (reading.position_mm - start_mm) / speed_mm_per_s
    stands = abs(reading.position_mm - before) <= 2 * frame.facts.stations[guard.station].step_mm
    good = stands and ran_s <= deadman_s + 2 * tick_s + 0.1
    if good:
        return True, f"left alone, it stopped by itself after {max(ran_s, 0):.2f} s (deadman {deadman_s:g} s)"
    return False, f"left alone, it ran for {ran_s:.2f} s although the deadman is {deadman_s:g} s: do not use this frame"


class _Guard:
    """Moves one unloaded station and stops it at the first surprise."""

    def __init__(self, frame: Frame, clock: Clock, station: int) -> None:
        self._frame, self._clock, self.station = frame, clock, station
        self.position_mm = math.nan
        self._load_N = 0.0

    def command(self, target_mm: float, speed_mm_per_s: float, *, enable: bool = True) -> Command:
        return Command(station=self.station, enable=enable, target_mm=target_mm, speed_mm_per_s=speed_mm_per_s)

    async def begin(self) -> float:
        """Where it stands; raises FrameFault if it is loaded."""
        loads = []
        for _ in range(5):
            await self.check()
            await self._frame.write(())  # feeds: a frame forgets a silent controller
            loads.append(self._load_N)
            await self._clock.sleep_until(self._clock.now_s() + self._frame.facts.tick_s)
        if abs(sum(loads) / len(loads)) > MOST_UNLOADED_N:
            raise FrameFault(f"it carries {sum(loads) / len(loads):.0f} N: take the spoke off first")
        return self.position_mm

    async def check(self) -> None:
        """One reading; raises FrameFault at the first surprise."""
        r = await self._frame.read()
        s = r.stations[self.station]
        self.position_mm, self._load_N = s.position_mm, s.load_N
        for bad, says in (
            (not r.estop_closed, "the emergency-stop chain opened"),
            (not r.guard_closed, "the guard was opened"),
            (not r.power_ok, "motor power is gone"),
            (r.local, "the local panel took the frame"),
            (s.load_fault, "the load cell reports a fault"),
            (not s.position_valid, "the position is lost"),
            (s.drive_fault != 0, f"the drive reports fault {s.drive_fault}"),
            (not abs(s.load_N) <= 2 * MOST_UNLOADED_N, f"the load changed to {s.load_N:.0f} N"),
        ):
            if bad:
                raise FrameFault(f"stopped: {says}")

    async def go(self, target_mm: float, speed_mm_per_s: float) -> None:
        """Move there, feeding the deadman; returns when it stands or twice the time has passed."""
        command = self.command(target_mm, speed_mm_per_s)
        tick_s = self._frame.facts.tick_s
        least_s = abs(target_mm - self.position_mm) / speed_mm_per_s
        began_s, still = self._clock.now_s(), 0
        while self._clock.now_s() < began_s + 2 * least_s + 5 * tick_s and still < 3:
            before = self.position_mm
            await self._frame.write([command])
            await self._clock.sleep_until(self._clock.now_s() + tick_s)
            await self.check()
            stands = self.position_mm == before and self._clock.now_s() >= began_s + least_s
            still = still + 1 if stands else 0

    async def off(self) -> None:
        if math.isfinite(self.position_mm):
            facts = self._frame.facts.stations[self.station]
            stay = min(max(self.position_mm, facts.travel_mm[0]), facts.travel_mm[1])
            await self._frame.write([self.command(stay, facts.max_speed_mm_per_s, enable=False)])


async def measure(frame: Frame, clock: Clock, station: int, readings: int) -> tuple[float, float]:
    """Mean load and position of one station over so many ticks: one point of a span or of a compliance."""
    seen = await look(frame, clock, clock, readings)
    positions = [r.stations[station].position_mm for r in seen.readings]
    return seen.load_N(station)[0], sum(positions) / len(positions)


def faults(checks: Sequence[Check]) -> int:
    """How many checks found a fault."""
    return sum(1 for c in checks if c.good is False)
