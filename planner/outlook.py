"""Monte Carlo: many wheels of new spokes go through a schedule; what share of them holds, and with what bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch, draw_chains, given_fibre_area
from models.chain import Chain, elastic_slope_per_N, total_strain
from planner.coupling import Coupling, coupling_of
from planner.relaxation import (
    STEP_RATIO,
    Spokes,
    Standing,
    let_stand,
    prepared,
    through,
    without_fast_modes,
)
from planner.schedule import Schedule, Session

if TYPE_CHECKING:
    from planner.build import Build, Tension
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
H = 3600.0
OUTPUT_TIMES = 40  # log-spaced from delivery to horizon
SESSIONS_DRAWN = 16  # reading errors are drawn for so many sessions, then used again
CHUNK = 128  # draws stepped together: their arrays stay in the processor's cache
FAST_RECOVERABLE_S = 30.0  # modes up to here are taken as one
FAST_BEDDING_S = 150.0  # bedding up to here as coming at once: each stage of a session is longer
LEAST_SINCE_S = 30.0  # a wheel is not looked at sooner after a session
LEVEL_STEP = 0.02  # the wheel's stiffness is worked out at tensions rounded to this share of target


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """D wheels: new spokes of the batch as far as it is known, reading errors, seating, the rim as far as it is known.

    The same draws serve every schedule that is compared (common random numbers).
    """

    chain: Chain  # (D, n)
    reading: Floats  # (SESSIONS_DRAWN, D, n) standard normal; the last session takes the first row
    bias: Floats  # (D, 1) ratio, shared by all readings of a wheel
    seat_mm: Floats  # (D, n), not negative
    seat_at_once: Floats  # (D, 1) share that settles as soon as the nipples are left alone
    softer: Floats  # (D, 1) rim's true softness over the build file's

    @property
    def count(self) -> int:
        """D."""
        return int(self.bias.shape[0])

    def take(self, part: slice | NDArray[np.bool_]) -> Self:
        """Some of the wheels."""
        return replace(
            self,
            chain=some_of(self.chain, part),
            reading=self.reading[:, part],
            bias=self.bias[part],
            seat_mm=self.seat_mm[part],
            seat_at_once=self.seat_at_once[part],
            softer=self.softer[part],
        )

    def chunks(self) -> list[Draws]:
        """The draws in parts that are quick to step."""
        return [self.take(slice(i, i + CHUNK)) for i in range(0, self.count, CHUNK)]


def some_of(chain: Chain, part: slice | NDArray[np.bool_]) -> Chain:
    """Some wheels of a chain, as Chain.take does it, but what all spokes of a wheel share stays a single value."""
    own = {f.name: getattr(chain, f.name) for f in fields(chain) if f.name != "reference_C"}
    return replace(chain, **{name: a[part] for name, a in own.items() if a.ndim > 1})


def of_its_fibre(build: Build, batch: Batch) -> Batch:
    """The batch with what the build file says of the fibre counted in (a fit may not have known its area)."""
    if "linear_density_g_per_m" not in build.spoke.model_fields_set:
        return batch
    return given_fibre_area(batch, build.spoke.fibre_area_mm2)


def draw_wheels(build: Build, wheel: Wheel, batch: Batch, rng: np.random.Generator, draws: int) -> Draws:
    """New wheels: spokes from the batch (its spread and what is not known of it), reading errors, seating, rim."""
    n, tension = wheel.n, build.tension
    whole = draw_chains(of_its_fibre(build, batch), rng, draws, n)
    chain = without_fast_modes(whole, FAST_RECOVERABLE_S, FAST_BEDDING_S)
    seat = build.wheel.seating_mm + build.wheel.seating_sd_mm * rng.standard_normal((draws, n))
    return Draws(
        chain=chain,
        reading=rng.standard_normal((SESSIONS_DRAWN, draws, n)),
        bias=tension.reading_bias_percent / 100.0 * rng.standard_normal((draws, 1)),
        seat_mm=np.maximum(seat, 0.0),
        # how the settling divides is not known: anything from all at once to all within 20 min
        seat_at_once=rng.random((draws, 1)),
        softer=1.0 / wheel.section.draw_factors(rng, draws)[:, :1],
    )


def stiffness_at_target_N(build: Build, batch: Batch) -> float:
    """EA of the batch's middle spoke for a small change of tension at the build's target, N."""
    return 1.0 / float(elastic_slope_per_N(of_its_fibre(build, batch).chain, build.tension.target_N))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """A wheel as the calculation sees it: what is the same for all draws."""

    build: Build
    wheel: Wheel
    EA_N: float  # stiffness of a middle spoke at the target tension
    follow_up: float  # phi of the wheel with such spokes
    targets_N: tuple[float, float]  # left, right

    @classmethod
    def of(cls, build: Build, wheel: Wheel, batch: Batch) -> Setting:
        """The wheel with the batch's middle spokes in it."""
        EA = stiffness_at_target_N(build, batch)
        return cls(
            build=build,
            wheel=wheel,
            EA_N=EA,
            follow_up=float(wheel.follow_up(EA)),
            targets_N=wheel.side_targets_N(),
        )

    def coupling(self, session: Session) -> Coupling:
        """Influences at a session's tensions (rounded, so that they are worked out once)."""
        level = max(session.left_N / self.targets_N[0], session.right_N / self.targets_N[1])
        rounded = LEVEL_STEP * round(level / LEVEL_STEP)
        return coupling_of(self.wheel, self.EA_N, tuple(rounded * t for t in self.targets_N))

    def spokes(self, draws: Draws, coupling: Coupling) -> Spokes:
        """The draws as the relaxation takes them."""
        return Spokes(
            chain=draws.chain,
            coupling=coupling,
            temperature_C=self.build.shop.standing_C,
            sessions_C=self.build.shop.temperature_C,
            seat_mm=draws.seat_mm,
            seat_at_once=draws.seat_at_once,
            give_per_N=self.follow_up * (draws.softer - 1.0) / self.EA_N,
            set_end_s=self.build.shop.set_session_h * H,
        )

    def stands_N(self, draws: Draws, session: Session, row: int) -> Floats:
        """(D, n) true tensions at the end of a session: set tension x (1 + e), as far as a wheel can."""
        wanted = np.array(session.tension_N)[self.wheel.side]
        error = self.build.tension.reading_repeat_percent / 100.0 * draws.reading[row % SESSIONS_DRAWN] + draws.bias
        return self.wheel.reachable(wanted * (1.0 + error))


def through_sessions(
    setting: Setting, draws: Draws, schedule: Schedule, ratio: float = STEP_RATIO
) -> tuple[Spokes, Standing, Floats]:
    """Up to the end of the last session; also the thread that it has taken up since lacing, (D, n) mm."""
    build, shop = setting.build, setting.build.shop
    spokes = setting.spokes(draws, setting.coupling(schedule.sessions[-1]))
    state = prepared(draws.chain, schedule, shop.temperature_C)
    laced_N = schedule.laced.tension_N if schedule.laced else 0.0
    laced_strain = total_strain(draws.chain, state, laced_N, shop.temperature_C)
    standing = through(spokes, state, schedule.sessions, partial(setting.stands_N, draws), shop, ratio)
    grown = total_strain(draws.chain, standing.state, standing.tension_N, shop.temperature_C) - laced_strain
    rim = setting.follow_up * draws.softer * (standing.tension_N - laced_N) / setting.EA_N
    thread = setting.wheel.fibre_mm * (grown + rim) + spokes.seating_mm(standing.time_s)
    return spokes, standing, thread if build.spoke.thread_length_mm > 0 else np.zeros_like(thread)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlook:
    """What D wheels do under a schedule, from delivery to the horizon."""

    time_h: Floats  # (T,)
    targets_N: tuple[float, float]
    side_mean_N: Floats  # (T, D, 2) left, right
    spread_percent: Floats  # (T, D, 2) 0.95 quantile of each side's spokes about their mean
    thread_mm: Floats  # (D,) the most that a spoke of the wheel has taken up by the last session

    @property
    def worst_deviation_percent(self) -> Floats:
        """(D,) the farthest that a side's mean is from its own target at any time."""
        off: Floats = 100.0 * np.abs(self.side_mean_N / np.array(self.targets_N) - 1.0)
        worst: Floats = off.max(axis=(0, 2))
        return worst

    @property
    def worst_spread_percent(self) -> Floats:
        """(D,) the worst spread of a side at any time."""
        worst: Floats = self.spread_percent.max(axis=(0, 2))
        return worst

    def holds(self, tolerance_percent: float, balance_percent: float) -> NDArray[np.bool_]:
        """(D,) whether a wheel stays within both from delivery to horizon."""
        within: NDArray[np.bool_] = (self.worst_deviation_percent <= tolerance_percent) & (
            self.worst_spread_percent <= balance_percent
        )
        return within

    def share_that_holds(self, asked: Tension) -> float:
        """Share of the wheels that hold as asked."""
        return float(self.holds(asked.tolerance_percent, asked.balance_percent).mean())

    def forecast(self, probability_holds: float) -> dict[str, Any]:
        """The ``forecast`` of schedule.json."""

        def bands(values: Floats, names: Sequence[str]) -> dict[str, list[float]]:
            levels = [int(name[1:]) / 100.0 for name in names]
            rows = np.quantile(values, levels, axis=1)
            return {name: np.round(row, 3).tolist() for name, row in zip(names, rows, strict=True)}

        return {
            "time_h": np.round(self.time_h, 4).tolist(),
            "mean_tension_N": {
                side: bands(self.side_mean_N[:, :, k], ("p05", "p50", "p95"))
                for k, side in enumerate(("left", "right"))
            },
            "spread_percent": bands(self.spread_percent.max(axis=2), ("p50", "p95")),
            "probability_holds": probability_holds,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sides:
    """The two sides of (D, n) tensions."""

    mean_N: Floats  # (D, 2) left, right
    spread_percent: Floats  # (D, 2) 0.95 quantile of |T/mean - 1|

    @classmethod
    def of(cls, tension_N: Floats, side: NDArray[np.int64]) -> Sides:
        """Means and spreads of each side's spokes."""
        means, spreads = [], []
        for s in (0, 1):
            own = tension_N[:, side == s]
            mean = own.mean(axis=1, keepdims=True)
            means.append(mean[:, 0])
            spreads.append(100.0 * _quantile95(np.abs(own / mean - 1.0)))
        return cls(mean_N=np.stack(means, axis=1), spread_percent=np.stack(spreads, axis=1))


def _quantile95(values: Floats) -> Floats:
    """numpy's linear 0.95 quantile along the last axis; from the largest few only, which is quicker."""
    n = values.shape[-1]
    place = 0.95 * (n - 1)
    low = int(place)
    high = min(low + 1, n - 1)
    ordered = np.partition(values, (low, high), axis=-1)
    out: Floats = ordered[..., low] + (place - low) * (ordered[..., high] - ordered[..., low])
    return out


def output_times_h(build: Build, deliver_h: float, count: int = OUTPUT_TIMES) -> Floats:
    """Log-spaced times from delivery to the horizon."""
    return np.geomspace(deliver_h, build.tension.horizon_h, count)


def between(nodes: Floats, wanted: Floats) -> Floats:
    """(W, K) weights that give values at ``wanted`` from those at ``nodes`` (K,): piecewise cubic through four nodes.

    For K below four: the one polynomial through all.
    """
    k = nodes.size
    order = min(4, k)
    first = np.clip(np.searchsorted(nodes, wanted) - order // 2, 0, k - order)
    out = np.zeros((wanted.size, k))
    rows = np.arange(wanted.size)
    for i in range(order):
        weight = np.ones(wanted.size)
        for j in range(order):
            if j != i:
                weight *= (wanted - nodes[first + j]) / (nodes[first + i] - nodes[first + j])
        out[rows, first + i] = weight
    return out


def standing_until(spokes: Spokes, standing: Standing, time_h: Floats, ratio: float) -> tuple[list[Floats], Standing]:
    """Tensions (..., n) at each of ``time_h`` (h from the start of the set, rising), nipples left alone.

    Steps grow by ``ratio`` in the time since the last session; between their ends tension is smooth in the logarithm
    of that time and is interpolated there.
    """
    since = np.maximum(time_h * H - standing.time_s, LEAST_SINCE_S)
    count = max(5, int(np.ceil(np.log(since[-1] / since[0]) / np.log(ratio))) + 1)
    nodes = np.geomspace(since[0], since[-1], count)
    tensions, last = let_stand(spokes, standing, (standing.time_s + nodes).tolist(), ratio)
    weights = between(np.log(nodes), np.log(since))
    stack = np.stack(tensions)
    flat = weights @ stack.reshape(count, -1)
    return list(flat.reshape(time_h.size, *stack.shape[1:])), last


def look_ahead(
    setting: Setting, draws: Draws, schedule: Schedule, ratio: float = STEP_RATIO, cores: int = -1
) -> Outlook:
    """Put all draws through a schedule, on so many cores (-1: all)."""
    from joblib import Parallel, delayed

    time_h = output_times_h(setting.build, schedule.deliver.at_h)

    def one(part: Draws) -> tuple[Floats, Floats, Floats]:
        spokes, standing, thread = through_sessions(setting, part, schedule, ratio)
        tensions, _ = standing_until(spokes, standing, time_h, ratio)
        both = [Sides.of(t, setting.wheel.side) for t in tensions]
        return np.stack([s.mean_N for s in both]), np.stack([s.spread_percent for s in both]), thread.max(axis=1)

    setting.coupling(schedule.sessions[-1])  # worked out once, before the threads want it
    parts = Parallel(n_jobs=cores, backend="threading")(delayed(one)(part) for part in draws.chunks())
    return Outlook(
        time_h=time_h,
        targets_N=setting.targets_N,
        side_mean_N=np.concatenate([p[0] for p in parts], axis=1),
        spread_percent=np.concatenate([p[1] for p in parts], axis=1),
        thread_mm=np.concatenate([p[2] for p in parts]),
    )
