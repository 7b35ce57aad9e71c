"""A shop's own ledger: plans' claims against what its wheels did, its seating, and when each wheel is due again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.asdone import past_of
from planner.learning import RATIO, Lives, live_through, weights, with_other_draws
from planner.outlook import H, Setting, Sides, draw_wheels, standing_until
from planner.past import Past, Seen
from planner.record import Record, hours_between, written
from planner.relaxation import SEATING_TAU_S
from planner.wheel import wheel_of

Floats = NDArray[np.float64]
DRAWS = 256
BEYOND = 5.0  # times the horizon: nothing is said of later than that
SERVICE_TIMES = 60
SETTLED_SEATS_H = 1.0  # after the set most of the seating is over
ESTIMATE_MM, ESTIMATE_SD_MM = 0.03, 0.02  # seating left after stress relief, before any wheel was read (estimate)
NINETY = 1.645  # sd of a normal error on either side hold 90 %
WHEELS_DIFFER_MM = 0.005  # sd from wheel to wheel of one shop (estimate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One reading of a delivered wheel against the band that its plan claimed."""

    wheel: str
    at_h: float  # from the start of the set
    side: str
    read_N: float  # mean of the side, at the shop's temperature
    low_N: float | None  # 5 and 95 % of the claim and of the reading's error together; None: no claim for that time
    high_N: float | None
    target_N: float

    @property
    def inside(self) -> bool | None:
        """Whether it lies in the claimed band; None: nothing was claimed."""
        return None if self.low_N is None or self.high_N is None else self.low_N <= self.read_N <= self.high_N


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """When a wheel should be read again."""

    wheel: str
    at_utc: datetime | None  # None: not set yet
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seating:
    """Settling of nipples and seats in one shop's wheels, a spoke's mean."""

    mean_mm: float
    sd_mm: float  # of what the next wheel will have
    wheels: int  # it was learned from; 0: the estimate alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Whether a wheel stayed within tolerance and balance at all its readings since delivery."""

    wheel: str
    claimed: float | None  # probability that its plan gave
    held: bool | None  # None: not read since delivery
    passes_planned: int | None
    passes_done: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """All wheels of a shop together."""

    held: tuple[Held, ...]
    checked: tuple[Checked, ...]
    service: tuple[Service, ...]
    seating: Seating
    spreads_mm: tuple[float, ...]  # each wheel's own estimate of its seating

    def as_dict(self) -> dict[str, Any]:
        """The JSON answer of ``wheel ledger``."""
        told = [c.inside for c in self.checked if c.inside is not None]
        off = [100.0 * (c.read_N / (0.5 * (c.low_N + c.high_N)) - 1.0) for c in self.checked if c.low_N and c.high_N]
        claims = [h for h in self.held if h.held is not None and h.claimed is not None]
        return {
            "wheels": [
                {
                    "wheel": h.wheel,
                    "claimed_probability": h.claimed,
                    "held": h.held,
                    "passes_planned": h.passes_planned,
                    "passes_done": h.passes_done,
                }
                for h in self.held
            ],
            "readings": [
                {
                    "wheel": c.wheel,
                    "at_h": round(c.at_h, 2),
                    "side": c.side,
                    "read_N": round(c.read_N, 1),
                    "band_p05_N": None if c.low_N is None else round(c.low_N, 1),
                    "band_p95_N": None if c.high_N is None else round(c.high_N, 1),
                    "inside": c.inside,
                }
                for c in self.checked
            ],
            "inside_90_percent_band": {"readings": len(told), "share": sum(told) / len(told) if told else None},
            "mean_off_percent": round(float(np.mean(off)), 2) if off else None,
            "held_share": sum(bool(h.held) for h in claims) / len(claims) if claims else None,
            "claimed_share": float(np.mean([h.claimed for h in claims])) if claims else None,
            "seating": {
                "seating_mm": round(self.seating.mean_mm, 4),
                "seating_sd_mm": round(self.seating.sd_mm, 4),
                "wheels": self.seating.wheels,
                "each_mm": [round(s, 4) for s in self.spreads_mm],
            },
            "service": [
                {"wheel": s.wheel, "at_utc": None if s.at_utc is None else written(s.at_utc), "why": s.why}
                for s in self.service
            ],
        }


def ledger_of(records: Sequence[Record], now: datetime, seed: int = 0) -> Ledger:
    """Read all records together."""
    held, checked, service = [], [], []
    estimates: list[tuple[float, float]] = []
    for record in records:
        held.append(_held(record, now))
        checked += _checked(record, now)
        service.append(with_other_draws(partial(service_date, record, now), seed))
        found = with_other_draws(partial(seating_of, record, now), seed)
        if found is not None:
            estimates.append(found)
    return Ledger(
        held=tuple(held),
        checked=tuple(checked),
        service=tuple(service),
        seating=shops_seating(estimates),
        spreads_mm=tuple(e[0] for e in estimates),
    )


def _past(record: Record, now: datetime) -> tuple[Past, Setting]:
    wheel = wheel_of(record.the_build)
    return past_of(record, wheel, now), Setting.of(record.the_build, wheel, record.the_batch)


def _since_delivery(record: Record, past: Past) -> list[Seen]:
    began, delivered = record.set_utc, record.delivered
    if began is None or delivered is None:
        return []
    return [s for s in past.seen if s.at_h >= hours_between(began, delivered.at_utc) - 1e-6]


def _held(record: Record, now: datetime) -> Held:
    plan = record.planned
    claimed = None if plan is None else plan.schedule.get("forecast", {}).get("probability_holds")
    passes = sum(s.session == "pass" for s in record.sessions)
    ok: bool | None = None
    if record.set_utc is not None and record.delivered is not None:
        past, setting = _past(record, now)
        asked, targets = record.the_build.tension, np.array(setting.targets_N)
        for seen in _since_delivery(record, past):
            sides = Sides.of(seen.tension_N[None], setting.wheel.side)
            off = 100.0 * np.abs(sides.mean_N[0] / targets - 1.0)
            # a reading's own error is no fault of the wheel: both are widened by two sd of it
            spread = float(np.hypot(asked.balance_percent, 2.0 * asked.reading_repeat_percent))
            tolerance = asked.tolerance_percent + 200.0 * _mean_sd(record)
            good = bool((off <= tolerance).all() and sides.spread_percent.max() <= spread)
            ok = good if ok is None else ok and good
    return Held(
        wheel=record.name,
        claimed=claimed if isinstance(claimed, int | float) else None,
        held=ok,
        passes_planned=None if plan is None else plan.schedule.get("passes"),
        passes_done=passes,
    )


def _mean_sd(record: Record) -> float:
    """Of a side's mean as read, ratio."""
    build = record.the_build
    repeat, bias = build.tension.reading_repeat_percent / 100.0, build.tension.reading_bias_percent / 100.0
    return float(np.hypot(repeat / np.sqrt(build.wheel.spokes / 2.0), bias))


def _checked(record: Record, now: datetime) -> list[Checked]:
    if record.set_utc is None:
        return []
    past, setting = _past(record, now)
    plan = record.planned
    forecast = {} if plan is None else plan.schedule.get("forecast", {})
    out = []
    for seen in _since_delivery(record, past):
        means = Sides.of(seen.tension_N[None], setting.wheel.side).mean_N[0]
        for k, side in enumerate(("left", "right")):
            low, high = _band(forecast, side, seen.at_h)
            if low is not None and high is not None:
                # what is read has the reading's error on top of what was claimed
                middle = 0.5 * (low + high)
                half = float(np.hypot(0.5 * (high - low), NINETY * _mean_sd(record) * middle))
                low, high = middle - half, middle + half
            out.append(
                Checked(
                    wheel=record.name,
                    at_h=seen.at_h,
                    side=side,
                    read_N=float(means[k]),
                    low_N=low,
                    high_N=high,
                    target_N=setting.targets_N[k],
                )
            )
    return out


def _band(forecast: Any, side: str, at_h: float) -> tuple[float | None, float | None]:
    """5 and 95 % of a side's mean at a time, straight in its logarithm between the forecast's times."""
    try:
        times = np.array(forecast["time_h"], dtype=np.float64)
        rows = [np.array(forecast["mean_tension_N"][side][p], dtype=np.float64) for p in ("p05", "p95")]
    except (KeyError, TypeError, ValueError):
        return None, None
    if times.size < 2 or any(r.shape != times.shape for r in rows) or not 0.95 * times[0] <= at_h <= 1.05 * times[-1]:
        return None, None
    low, high = (float(np.interp(np.log(at_h), np.log(times), r)) for r in rows)
    return low, high


# -- service ----------------------------------------------------------------------------------------------------------


def _lived(record: Record, now: datetime, seed: int) -> tuple[Setting, Lives, Floats]:
    past, setting = _past(record, now)
    rng = np.random.default_rng([seed, 10])
    draws = draw_wheels(record.the_build, setting.wheel, record.the_batch, rng, DRAWS)
    life = live_through(setting, draws, past)
    weight, _ = weights([life.log_weight])
    return setting, life, weight


def service_date(record: Record, now: datetime, seed: int = 0) -> Service:
    """When the wheels that fit this one's readings stay within tolerance with less than the asked probability.

    Nothing is said of later than `BEYOND` horizons: there the test of the batch no longer carries.
    """
    began = record.set_utc
    if began is None:
        return Service(wheel=record.name, at_utc=None, why="not set yet")
    last = max(e.at_utc for e in record.standing() if e.at_utc <= now or e.at_utc == began)
    setting, life, weight = _lived(record, last, seed)
    asked = record.the_build.tension
    start_h = max(life.standing.time_s / H + 1.0, 1.0)
    end_h = BEYOND * asked.horizon_h
    if start_h >= end_h:
        return Service(wheel=record.name, at_utc=now, why="beyond what its batch's test can tell: read it now")
    times = np.geomspace(start_h, end_h, SERVICE_TIMES)
    tensions, _ = standing_until(life.spokes, life.standing, times, RATIO)
    targets = np.array(setting.targets_N)
    for t, tension in zip(times, tensions, strict=True):
        off = 100.0 * np.abs(Sides.of(tension, setting.wheel.side).mean_N / targets - 1.0).max(axis=1)
        share = float(weight @ (off <= asked.tolerance_percent))
        if share < asked.probability:
            return Service(
                wheel=record.name,
                at_utc=began + timedelta(hours=float(t)),
                why=f"from then on fewer than {100 * asked.probability:.0f} % of the wheels that fit its readings are "
                f"within {asked.tolerance_percent:g} % of target",
            )
    return Service(
        wheel=record.name,
        at_utc=began + timedelta(hours=end_h),
        why=f"expected to stay within {asked.tolerance_percent:g} % until then; later than {BEYOND:g} horizons the "
        "batch's test does not tell",
    )


# -- seating ----------------------------------------------------------------------------------------------------------


def seating_of(record: Record, now: datetime, seed: int = 0) -> tuple[float, float] | None:
    """Mean seating of one wheel's spokes and its sd, mm, from the first reading after its set; None: not read.

    What the wheel lost beyond the creep that its batch foretells, over the loss for one mm that all spokes settle.
    """
    if record.set_utc is None:
        return None
    past, setting = _past(record, now)
    set_end = past.sittings[0].at_h + past.sittings[0].hours
    next_at = past.sittings[1].at_h if len(past.sittings) > 1 else np.inf
    early = [s for s in past.seen if set_end + SETTLED_SEATS_H <= s.at_h <= next_at + 1e-6]
    if not early:
        return None
    first = early[0]
    until = replace(past, sittings=past.sittings[:1], seen=(), turned=(), now_h=first.at_h)
    rng = np.random.default_rng([seed, 11])
    draws = draw_wheels(record.the_build, setting.wheel, record.the_batch, rng, DRAWS)
    none = replace(draws, seat_mm=np.zeros_like(draws.seat_mm))
    life = live_through(setting, none, until)
    would = life.now_N.mean(axis=1)
    answer = setting.wheel.influence(None, setting.EA_N).sum(axis=1).mean()  # N for one mm of all spokes
    settled = 0.5 + 0.5 * -np.expm1(-(first.at_h - set_end) * H / SEATING_TAU_S)
    read = float(first.tension_N.mean())
    asked = record.the_build.tension
    noise = read * asked.reading_repeat_percent / 100.0 / np.sqrt(setting.wheel.n)
    sd = float(np.hypot(would.std(), noise)) / (answer * settled)
    return float((would.mean() - read) / (answer * settled)), sd


def shops_seating(estimates: Sequence[tuple[float, float]]) -> Seating:
    """The estimate of the trade sharpened by a shop's own wheels: normal prior, each wheel a measurement of it."""
    precision = 1.0 / ESTIMATE_SD_MM**2
    mean = ESTIMATE_MM * precision
    for value, sd in estimates:
        weight = 1.0 / (sd**2 + WHEELS_DIFFER_MM**2)
        precision += weight
        mean += weight * value
    return Seating(
        mean_mm=max(mean / precision, 0.0),
        sd_mm=float(np.hypot(1.0 / np.sqrt(precision), WHEELS_DIFFER_MM if estimates else 0.0)),
        wheels=len(estimates),
    )
