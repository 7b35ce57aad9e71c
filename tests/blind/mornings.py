"""A plan followed as a builder does who reads the wheel each morning and asks `longhold retension` what to do.

The schedule's stretch, lacing, set and touches are done as planned and noted in the wheel's record. At the time of its
next pass, else after the night, and on the morning of delivery, all spokes are read with the trial's error. Where the
answer says that the wheel as it stands holds as asked no nipple is turned, though a pass were planned; else a pass goes
to the tension that the answer names. Nothing looks at the truth but the count at the end: a wheel that was delivered
and does not hold is brought back to target, one night after the other, as every other count of the trial does.
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.blind import report
from tests.blind.executor import Bench, Locked, Reading

SET_AT = datetime(2025, 3, 10, 9, 0, tzinfo=UTC)
MOST = 12  # passes
BEFORE_DELIVERY_H = 0.75  # read so long before it
ANEW_AFTER_H = 6.0  # a wheel read so shortly before is not read again for its delivery


class Refused(RuntimeError):
    """The program did not answer where it had to."""


def longhold(*args: object) -> str:
    """One command of the program, in this process; what it prints."""
    from tui.cli import run

    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        status = run([str(a) for a in args])
    if status != 0:
        raise Refused(f"{args[:3]}: {complained.getvalue()[-500:]}")
    return said.getvalue()


def _time(hours: float) -> str:
    """ISO 8601 of so many hours after the start of the set."""
    return (SET_AT + timedelta(seconds=round(hours * 3600.0))).strftime("%Y-%m-%dT%H:%M:%SZ")


def one_wheel(bench: Bench, number: int) -> Bench:
    """A single wheel of a trial's."""
    spokes = bench.spokes.take(np.arange(number * bench.n, (number + 1) * bench.n))
    own = slice(number, number + 1)
    reading = Reading(
        repeat=bench.reading.repeat,
        bias=bench.reading.bias[own],
        seat_mm=bench.reading.seat_mm[own],
        seat_at_once=bench.reading.seat_at_once,
    )
    return Bench(bench.build, bench.wheel, spokes, reading, bench.seed)


def record_of(folder: Path, build_file: Path, schedule: Mapping[str, Any], spokes: int) -> Path:
    """The record of a wheel that was stretched, laced and set as planned: the same for all wheels of a plan."""
    by_kind = {s["kind"]: s for s in schedule["steps"]}
    record, schedule_file = folder / "wheel.json", folder / "followed.json"
    schedule_file.write_text(json.dumps(schedule), encoding="utf-8")
    stretch, laced = by_kind.get("prestretch"), by_kind.get("laced")
    before = -(laced["hours"] if laced else 0.0)
    longest = max((g["rest_h"] for g in (stretch or {}).get("groups", ())), default=0.0)
    begun = _time(before - longest - 48.0)
    longhold(
        "wheel", "new", build_file, "--batch", folder / "batch.json", "--plan", schedule_file, "--name", "blind",
        "--out", record, "--force", "--now", begun,
    )  # fmt: skip
    schedule_file.unlink()
    if stretch is not None:
        rest = by_kind["rest"]["hours"]
        everyone = [{"positions": list(range(1, spokes + 1)), "rest_h": rest}]
        for group in sorted(stretch.get("groups") or everyone, key=lambda g: -g["rest_h"]):
            positions = ",".join(str(p) for p in group["positions"])
            longhold(
                "wheel", "note", record, "stretched", "--positions", positions, "--at",
                _time(before - group["rest_h"]), "--now", _time(before),
            )  # fmt: skip
    if laced is not None:
        longhold("wheel", "note", record, "laced", "--at", _time(before), "--now", _time(0.0))
    for s in schedule["steps"]:
        if s["kind"] in ("set", "touch"):
            _note(record, s["at_h"], s["tension_N"])
    return record


def _note(record: Path, at_h: float, tension_N: Mapping[str, float], *more: object) -> None:
    longhold(
        "wheel", "note", record, "session", "--at", _time(at_h), "--set", f"{tension_N['left']:.1f}", "--set",
        f"{tension_N['right']:.1f}", "--now", _time(at_h + 2.0), *more,
    )  # fmt: skip


@dataclass
class Walk:
    """One wheel on its way."""

    bench: Bench
    folder: Path
    build_file: Path
    record: Path
    rng: np.random.Generator
    planned_h: list[float]  # passes of the schedule
    claims: list[float] = field(default_factory=list)  # what each answer said of the wheel as it was then left
    passes: int = 0
    looks: int = 0
    worked_until_h: float = 0.0  # end of the last pass

    def read(self, wheel: Locked) -> Path:
        """All spokes read, as a sheet."""
        error = self.bench.reading.repeat * self.rng.standard_normal(self.bench.n)
        read = wheel.tension[0] * (1.0 + error) / (1.0 + self.bench.reading.bias[0])
        path = self.folder / "readings.csv"
        rows = [f"{i},{t:.1f},before" for i, t in enumerate(read, start=1)]
        path.write_text("\n".join(["position,tension_N,when", *rows]) + "\n", encoding="utf-8")
        return path

    def morning(self, wheel: Locked) -> tuple[Locked, float | None]:
        """Read, ask, and do what the answer says; the wheel after it, and at what hour it is to be read next, if at all."""
        asked = float(self.bench.build["tension"]["probability"])
        at_h = wheel.time_s / 3600.0
        sheet = self.read(wheel)
        answer = json.loads(
            longhold(
                "retension",
                self.build_file,
                "--readings",
                sheet,
                "--wheel",
                self.record,
                "--now",
                _time(at_h),
                "--json",
            )
        )
        alone = float(answer["probability_left_alone"] or 0.0)  # none where the wheel did what its batch rules out
        self.looks += 1
        if alone >= asked or self.looks > MOST or answer["later"] is not None:
            self.claims.append(alone)
            longhold(
                "wheel", "note", self.record, "reading", "--readings", sheet, "--at", _time(at_h), "--now", _time(at_h)
            )
            put_off = alone < asked and self.looks <= MOST
            return wheel, at_h + float(answer["later"]["in_h"]) if put_off else None
        to, said = answer["set_tension_N"], float(answer["probability_settled"])
        if answer["better"] is not None:
            to, said = answer["better"]["tension_N"], float(answer["better"]["probability"])
        _note(self.record, at_h, to, "--session", "pass", "--readings", sheet)
        self.passes += 1
        self.claims.append(said)
        after = self.bench.retension(wheel, to, self.rng)
        self.worked_until_h = after.time_s / 3600.0
        return after, None if said >= asked else self.next_h(after)

    def next_h(self, wheel: Locked) -> float:
        """When a wheel that was just worked on is looked at again: at its next planned pass, else after the night."""
        soonest = wheel.time_s / 3600.0 + float(self.bench.build["shop"]["pass_interval_h"])
        return next((t for t in self.planned_h if t >= soonest - 1e-6), soonest)

    def until_settled(self, wheel: Locked, at_h: float) -> Locked:
        """Morning after morning from the hour ``at_h``, until an answer asks for none."""
        look_h: float | None = at_h
        while look_h is not None:
            wheel.to(look_h * 3600.0)
            wheel, look_h = self.morning(wheel)
        return wheel


def follow(bench: Bench, folder: Path, build_file: Path, schedule: Mapping[str, Any], record: Path, number: int) -> Any:
    """One wheel through its mornings: passes taken, what was last said, whether it holds, further passes it needed."""
    steps = schedule["steps"]
    rng = np.random.default_rng([bench.seed, 28, number])
    wheel = bench.first_set(bench.prepare(steps), next(s for s in steps if s["kind"] == "set")["tension_N"], rng)
    for s in steps:
        if s["kind"] == "touch":
            wheel.to(float(s["at_h"]) * 3600.0)
            wheel = bench.retension(wheel, s["tension_N"], rng)
    own = folder / f"wheel-{number}.json"
    own.write_bytes(record.read_bytes())
    planned = [float(s["at_h"]) for s in steps if s["kind"] == "pass"]
    walk = Walk(bench=bench, folder=folder, build_file=build_file, record=own, rng=rng, planned_h=planned)
    wheel = walk.until_settled(wheel, walk.next_h(wheel))
    planned_h = float(next(s for s in steps if s["kind"] == "deliver")["at_h"])
    if wheel.time_s / 3600.0 < planned_h - ANEW_AFTER_H:
        wheel = walk.until_settled(wheel, planned_h - BEFORE_DELIVERY_H)
    deliver_h = max(planned_h, wheel.time_s / 3600.0, walk.worked_until_h + 1.0)
    outcome = bench.outlook(copy.copy(wheel), deliver_h)
    tolerance = float(bench.build["tension"]["tolerance_percent"])
    [further] = report.known(bench.further(wheel, deliver_h, rng, [tolerance])[0])
    own.unlink()
    (folder / "readings.csv").unlink()
    return {
        "passes": walk.passes,
        "claimed": walk.claims[-1],
        "claims": walk.claims,
        "holds": bool(outcome.holds[0]),
        "further": further,
        "late_h": deliver_h - planned_h,
        "at_horizon_percent": outcome.side_error_percent[-1, 0].tolist(),
    }


def all_wheels(bench: Bench, folder: Path, build_file: Path, schedule: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every wheel of a plan, each by itself; ``batch.json`` is in the folder."""
    record = record_of(folder, build_file, schedule, bench.n)
    done = [follow(one_wheel(bench, k), folder, build_file, schedule, record, k) for k in range(bench.w)]
    record.unlink()
    return done
