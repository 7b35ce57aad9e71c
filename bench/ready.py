"""Whether a spoke on the frame is ready for its wheel: what its batch says of it, brought up to date by its own record.

The draws of the batch are spokes that might hang there. Each is led through the load history that was measured, and the
draws are moved towards what the spoke really did: an ensemble smoother with two assimilations of the same data at
doubled variance (Emerick and Reynolds 2013, Ensemble smoother with multiple data assimilation, from memory). Whether
its slow modes end, which no such record shows, is drawn afterwards. Each draw is then led on: off the frame, slack,
laced, set, and left alone in a wheel of one number (`models.relax`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from bench.spokes import in_series
from bench.steps import ReadyRule
from models.batch import Batch, draw_chains
from models.chain import Chain, ChainState, advance, advance_with_slopes, elastic_strain, thermal_strain, virgin
from models.relax import Session, in_wheel
from models.thin import Thinned

Floats = NDArray[np.float64]
DRAWS = 400
ASSIMILATIONS = 2
OFFSET_SD_MM = 0.02  # of the seated zero
STEP_SD_MM = 1.0  # of an offset after a jump that nobody knows the size of
LEAST_REMAINDER_MM = 0.003  # correlated over about a decade of time: temperature of the frame, what no model follows
SAME_DECADE = np.log(10.0)
TIMES = 12  # looked at from delivery to the horizon
OFF_S = 30.0  # what it takes to unload

_PARAMETERS = (
    "EA0_N",
    "stiffening_per_N",
    "toe_N",
    "toe_scale_N",
    "recoverable_compliance_per_N",
    "bedding_compliance_per_N",
    "bedding_exponent",
    "flow_rate_per_s",
    "flow_force_scale_N",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the record says of one station."""

    station: str
    ready: bool
    says: str
    probability: float | None = None  # that the loss stays within the tolerance; None where nothing can be said yet
    loss_percent: tuple[float, float] | None = None  # median, and at the asked probability


def judge(
    rule: ReadyRule,
    batch: Batch,
    record: Thinned,
    *,
    station: str,
    spokes: int = 1,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> Verdict:
    """One station's verdict from its thinned record so far (elongation that of all its spokes)."""
    record = sparser(record)
    likely = updated(batch, record, spokes=spokes, rng=rng, draws=draws, remainder_mm=_remainder_mm(batch))
    one = likely.one
    length_mm = record.gauge_length_mm / spokes
    th = float(record.temperature_C[-1])
    load = float(record.load_N[-1])
    state = led_to_the_end(one, record)
    state = advance(one, state, OFF_S, load, 0.0, th)[0]
    state = advance(one, state, 3600.0 * rule.rest_h, 0.0, 0.0, rule.temperature_C)[0]
    lacing = rule.lacing_tension_N
    if rule.laced_h > 0:
        state = advance(one, state, 3600.0 * rule.laced_h, lacing, lacing, rule.temperature_C)[0]
    hours = np.geomspace(max(rule.delivery_h, 1e-3), rule.horizon_h, TIMES)
    tension, _ = in_wheel(
        one,
        state,
        [
            Session(at_s=3600.0 * at, tension_N=N, hold_s=3600.0 * (rule.pass_session_h if i else rule.session_h))
            for i, (at, N) in enumerate(rule.sessions)
        ],
        3600.0 * hours,
        rule.followup,
        rule.temperature_C,
        load0_N=lacing if rule.laced_h > 0 else 0.0,
        seating_strain=rule.seating_mm / length_mm,
        steps_per_decade=8,
        first_step_s=60.0,
    )
    loss = 100.0 * (1.0 - tension.min(axis=0) / rule.target_N)
    within = float((loss <= rule.tolerance_percent).mean())
    middle, far = (float(x) for x in np.quantile(loss, (0.5, rule.probability)))
    says = (
        f"remaining loss {middle:.1f} % of {rule.target_N:.0f} N from {rule.delivery_h:g} to {rule.horizon_h:g} h "
        f"after {rule.rest_h:g} h slack (at most {far:.1f} % with probability {rule.probability:g}); allowed is "
        f"{rule.tolerance_percent:g} %, kept with probability {within:.2f}"
    )
    return Verdict(
        station=station,
        ready=within >= rule.probability,
        says=says,
        probability=within,
        loss_percent=(middle, far),
    )


# the spoke, as far as it is known -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """Draws of what may hang on a station, given its record."""

    line: Chain  # (draws,) all spokes in a row as one of their length
    one: Chain  # (draws,) one of them


def updated(
    batch: Batch,
    record: Thinned,
    *,
    spokes: int,
    rng: np.random.Generator,
    draws: int,
    remainder_mm: float,
) -> Likely:
    """Draws of the batch, moved towards what the record shows."""
    end = batch.uncertainty.recoverable_end
    going_on = replace(batch, uncertainty=replace(batch.uncertainty, recoverable_end=None))
    drawn = draw_chains(going_on, rng, draws, spokes)
    flat = drawn.take(np.unravel_index(np.arange(draws * spokes), (draws, spokes)))
    line = in_series(flat, (spokes,) * draws)
    first = flat.take(np.arange(0, draws * spokes, spokes))
    own = _packed(first) - _packed(line)  # how one spoke differs from the mean of its line
    theta = _packed(line)
    free = theta.std(axis=0) > 1e-9
    pieces = int(record.piece.max()) + 1
    offset = rng.standard_normal((draws, pieces)) * np.where(np.arange(pieces) == 0, OFFSET_SD_MM, STEP_SD_MM)
    offset *= spokes**0.5
    measured = record.elongation_mm
    floor = remainder_mm * spokes
    noise = np.square(record.noise_mm) / record.count + np.square(0.1 * floor)
    covariance = np.diag(noise) + _remainder(record, floor)
    root = np.linalg.cholesky(covariance)
    for _ in range(ASSIMILATIONS):
        predicted = record.gauge_length_mm * led(_unpacked(line, theta), record).T + offset[:, record.piece]
        vary = np.hstack([theta[:, free], offset])
        a_theta, a_y = vary - vary.mean(axis=0), predicted - predicted.mean(axis=0)
        wide = a_y.T @ a_y / (draws - 1) + ASSIMILATIONS * covariance
        disturbed = measured + ASSIMILATIONS**0.5 * rng.standard_normal((draws, measured.size)) @ root.T
        gain = np.linalg.solve(wide, a_y.T @ a_theta / (draws - 1))
        vary = vary + (disturbed - predicted) @ gain
        theta = theta.copy()
        theta[:, free], offset = vary[:, : int(free.sum())], vary[:, int(free.sum()) :]
    left = np.ones(1) if end is None else end.draw(rng, draws, line.recoverable_tau_s)
    line, one = (
        replace(c, recoverable_compliance_per_N=left * c.recoverable_compliance_per_N)
        for c in (_unpacked(line, theta), _unpacked(line, theta + own))
    )
    return Likely(line=line, one=one)


def sparser(record: Thinned) -> Thinned:
    """Every other mean while the load stands still: what no model follows is alike over far longer than a mean."""
    n = record.time_s.size
    begins = np.concatenate([[True], np.diff(record.since_s) < 0.0])
    nth = np.arange(n) - np.maximum.accumulate(np.where(begins, np.arange(n), 0))
    keep = (record.rate_N_per_s != 0.0) | (nth % 2 == 0) | np.append(begins[1:], True)
    keep[1:] |= np.diff(record.piece) != 0
    own = {f.name: getattr(record, f.name) for f in fields(record)}
    return replace(record, **{name: a[keep] for name, a in own.items() if isinstance(a, np.ndarray)})


def led(chain: Chain, record: Thinned) -> Floats:
    """(n, draws) strain under the load history of a record, counted from the seated spoke."""
    load, th = np.maximum(record.load_N, 0.0)[:, None], record.temperature_C[:, None]
    left = np.stack([state.strain for state in _states(chain, record)])
    out: Floats = left + elastic_strain(chain, load) + thermal_strain(chain, th) - thermal_strain(chain, th[0])
    return out


def led_to_the_end(chain: Chain, record: Thinned) -> ChainState:
    """The state under that history at its last row."""
    *_, state = _states(chain, record)
    return state


def _states(chain: Chain, record: Thinned) -> Iterator[ChainState]:
    """At each row of a record, led through its load history."""
    state = virgin(chain)
    before_s, before_N = 0.0, float(record.load_N[0])
    for t, load, th in zip(
        record.time_s.tolist(), np.maximum(record.load_N, 0.0).tolist(), record.temperature_C.tolist(), strict=True
    ):
        state, _ = advance_with_slopes(chain, state, max(t - before_s, 0.0), before_N, load, th)
        yield state
        before_s, before_N = t, load


def _remainder(record: Thinned, sd_mm: float) -> Floats:
    """Covariance of what no model follows: alike within a decade of time after the same change of load."""
    age = np.log(record.since_s + 10.0)
    way = np.concatenate([[0.0], np.cumsum(np.minimum(np.abs(np.diff(age)), SAME_DECADE))])
    out: Floats = sd_mm**2 * np.exp(-np.abs(way[:, None] - way[None, :]) / SAME_DECADE)
    return out


def _remainder_mm(batch: Batch) -> float:
    """What the batch's own fit left unexplained."""
    verdicts = batch.extra.get("verdicts", {})
    found = verdicts.get("remainder_um") if isinstance(verdicts, dict) else None
    value = float(found) / 1000.0 if isinstance(found, int | float) and np.isfinite(found) else 0.0
    return max(value, LEAST_REMAINDER_MM)


def _packed(chain: Chain) -> Floats:
    """(draws, p) natural logarithms of the parameters in which draws may differ."""
    n = chain.shape[0]
    parts = [np.broadcast_to(a, (n, *a.shape[1:])).reshape(n, -1) for a in _values(chain)]
    return np.log(np.maximum(np.concatenate(parts, axis=1), 1e-300))


def _values(chain: Chain) -> list[Floats]:
    return [np.atleast_1d(getattr(chain, name)) for name in _PARAMETERS]


def _unpacked(like: Chain, theta: Floats) -> Chain:
    """The chain of `_packed` values, in the form of ``like``."""
    changes: dict[str, Floats] = {}
    at = 0
    for name, old in zip(_PARAMETERS, _values(like), strict=True):
        width = int(np.prod(old.shape[1:], dtype=int))
        value = np.exp(theta[:, at : at + width]).reshape(theta.shape[0], *old.shape[1:])
        changes[name] = np.where(np.broadcast_to(old, value.shape) > 0, value, 0.0)
        at += width
    return replace(like, **changes)  # type: ignore[arg-type]
