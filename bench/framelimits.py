"""Limits of the frame as a whole, as pure functions of a fresh reading: interlocks, owner, freshness, temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from bench.errors import BenchError, FrameFault
from bench.faults import RULES, Fault
from bench.frame import FrameFacts, FrameReading
from bench.limits import Seen, Violation
from bench.roles import FRAME_ROLES
from bench.steps import RunLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameWatch:
    """What the checks of the whole frame remember."""

    frame_ms: int
    now_s: float
    at_utc: float
    limits: Mapping[str, float | None]  # the frame's own by role, as they stood at the first reading
    pending: tuple[tuple[Fault, float, int], ...] = ()


def first_frame_watch(reading: FrameReading) -> FrameWatch:
    """The memory after the very first reading."""
    return FrameWatch(frame_ms=reading.frame_ms, now_s=reading.now_s, at_utc=reading.at_utc, limits=reading.own_limits)


def device_dt_s(before_ms: int, after_ms: int) -> float:
    """Device time between two counters of 32 bits, s; negative where it went back."""
    d = (after_ms - before_ms) & 0xFFFFFFFF
    return (d - 0x100000000 if d >= 0x80000000 else d) / 1000.0


def fault_of(error: BenchError) -> Fault:
    """Which fault a reading that failed stands for."""
    words = str(error)
    if "jumped back" in words:
        return Fault.RESTARTED
    if isinstance(error, FrameFault):
        return Fault.REFUSED
    return Fault.STALE if "stale" in words or "late answer" in words else Fault.SILENCE


def check_frame(
    watch: FrameWatch,
    reading: FrameReading,
    facts: FrameFacts,
    limits: RunLimits,
    *,
    token: int,
    cabinet_C: float | None,
    at_s: float,
) -> tuple[FrameWatch, tuple[Violation, ...]]:
    """Every limit of the frame as a whole; ``cabinet_C`` is the most that the cabinet may be at, None where off."""
    seen: Seen = {}
    if not reading.estop_closed:
        seen[Fault.ESTOP] = (0.0, 1.0, "")
    if not reading.guard_closed:
        seen[Fault.GUARD] = (0.0, 1.0, "")
    if not reading.power_ok:
        seen[Fault.POWER] = (0.0, 1.0, "")
    if reading.local:
        seen[Fault.LOCAL] = (1.0, 0.0, "")
    elif reading.owner_token != token:
        seen[Fault.OWNER_LOST] = (float(reading.owner_token), float(token), "(owner's token)")
    if reading.deadman_ms != facts.deadman_ms:
        seen[Fault.DEADMAN] = (float(reading.deadman_ms), float(facts.deadman_ms), "ms")
    for role, count in facts.writable_limits.items():
        stood, stands = watch.limits[role], reading.own_limits[role]
        if stood is not None and (stands is None or not abs(stands - stood) <= count):
            measured = math.nan if stands is None else stands
            seen[Fault.OWN_LIMIT] = (measured, stood, f"{FRAME_ROLES[role].limit} ({role})")
    air = reading.air_temperature_C
    low, high = limits.temperature_C
    if air is not None and math.isfinite(air) and not low <= air <= high:
        seen[Fault.TEMPERATURE] = (air, high if air > high else low, "degC")
    inside = reading.cabinet_temperature_C
    if cabinet_C is not None and inside is None:
        seen[Fault.CABINET] = (0.0, 1.0, "")
    elif cabinet_C is not None and inside is not None and inside > cabinet_C + 5.0:
        seen[Fault.CABINET] = (inside, cabinet_C + 5.0, "degC")
    elif cabinet_C is not None and (reading.cabinet_cutout_ok is False or reading.cabinet_door_closed is False):
        seen[Fault.CABINET] = (0.0, 1.0, "")
    dt = device_dt_s(watch.frame_ms, reading.frame_ms)
    if dt < 0:
        seen[Fault.RESTARTED] = (dt, 0.0, "s")
    elif dt == 0 and reading.now_s > watch.now_s:
        seen[Fault.STALE] = (reading.now_s - watch.now_s, 0.0, "s without a count")
    stepped = (reading.at_utc - watch.at_utc) - (reading.now_s - watch.now_s)
    if abs(stepped) > 2.0:
        seen[Fault.CLOCK_STEP] = (stepped, 2.0, "s")
    before = {fault: (since, n) for fault, since, n in watch.pending}
    pending, raised = [], []
    for fault, (measured, limit, unit) in seen.items():
        since, n = before.get(fault, (at_s, 0))
        pending.append((fault, since, n + 1))
        rule = RULES[fault]
        if n + 1 >= rule.persist_ticks and at_s - since >= rule.persist_s:
            raised.append(
                Violation(fault=fault, station=None, measured=measured, limit=limit, unit=unit, since_s=since)
            )
    watch = replace(
        watch, frame_ms=reading.frame_ms, now_s=reading.now_s, at_utc=reading.at_utc, pending=tuple(pending)
    )
    return watch, tuple(raised)
