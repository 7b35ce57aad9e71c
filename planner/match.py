"""Which stretched spoke goes where: placed so that what each still has to creep leaves the wheel even."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.batch import PARTS, Batch
from models.chain import Chain
from models.errors import InputError
from planner.geometry import LEFT, RIGHT
from planner.life import MARKS, strains_of
from planner.schedule import Schedule
from planner.wheel import Wheel

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
RUNOUT_MM = 0.1  # a run-out that weighs as much as half the balance asked for
STARTS = 60
RANDOM_PLACINGS = 200
DRAWS = 24  # of what is not known of each spoke, to tell the gain honestly


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretched:
    """One spoke that has been on the frame."""

    spoke: str
    chain: Chain  # its own as fitted, shape ()
    scales_log_sd: Floats  # (4,) how well its own scales of PARTS are known; 0 where the file does not say


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """What uneven creep does to a wheel from the first set to the horizon."""

    spread_percent: float  # 95 % of spokes lie within this of their side's mean (worse side)
    lateral_mm: float  # total run-out sideways, highest less lowest
    radial_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Which spoke goes to which position, and what that gains."""

    spokes: tuple[str, ...]  # label at position 1, 2, ...
    left_over: tuple[str, ...]
    remaining_mm: Floats  # (n,) creep still to come of the spoke at each position
    matched: Evenness
    at_random: Evenness  # medians over random placings
    scales_known: bool  # whether both allow for how well the single spokes are known

    def as_dict(self) -> dict[str, Any]:
        """The JSON answer."""
        return {
            "positions": [
                {"position": i, "spoke": spoke, "remaining_mm": float(mm)}
                for i, (spoke, mm) in enumerate(zip(self.spokes, self.remaining_mm, strict=True), start=1)
            ],
            "left_over": list(self.left_over),
            "matched": asdict(self.matched),
            "at_random": asdict(self.at_random),
            "scales_known": self.scales_known,
        }


def stretched_of(batch: Batch, where: str) -> list[Stretched]:
    """The single spokes of a batch file (its key ``spokes``: label and scales of the four parts).

    Raises
    ------
    InputError
        If the batch holds no results of single spokes, or they are not as they should be.
    """
    rows = batch.extra.get("spokes")
    if not isinstance(rows, list) or not rows:
        raise InputError(
            f"{where}: key 'spokes' is missing: the batch holds no results of single spokes; fit the runs of the very "
            "spokes that go into the wheel"
        )
    out = []
    for i, row in enumerate(rows, start=1):
        try:
            label = str(row["spoke"])
            scales = dict.fromkeys(PARTS, 1.0) | {k: float(v) for k, v in _pairs(row["scales"]) if k in PARTS}
            log_sd = np.zeros(4)
            for k, v in _pairs(row.get("scales_sd") or {}):
                if k in PARTS and v is not None:  # null: not known
                    log_sd[PARTS.index(k)] = float(v) / scales[k]
        except (KeyError, TypeError, ValueError, AttributeError, ZeroDivisionError):
            raise InputError(
                f"{where}: key 'spokes', entry {i}: a spoke has a label 'spoke' and 'scales' of {', '.join(PARTS)}"
            ) from None
        if not all(np.isfinite(s) and s > 0 for s in scales.values()) or not (log_sd >= 0).all():
            raise InputError(f"{where}: key 'spokes', entry {i} ({label}): scales above 0, their sd not negative")
        out.append(Stretched(spoke=label, chain=batch.chain.scaled(**scales), scales_log_sd=log_sd))
    return out


def _pairs(given: Any) -> list[tuple[str, Any]]:
    return list(given.items()) if isinstance(given, Mapping) else list(zip(PARTS, given, strict=True))


def remaining_mm(
    wheel: Wheel, spokes: Sequence[Stretched], schedule: Schedule, rng: np.random.Generator, draws: int = DRAWS
) -> Floats:
    """(1 + draws, s, 2) creep from the first set to the horizon on the left, or on the right, mm.

    The first is as fitted, the rest are drawn from how well each spoke's own scales are known.
    """
    targets = wheel.side_targets_N()
    out = np.empty((1 + draws, len(spokes), 2))
    for i, spoke in enumerate(spokes):
        z = np.vstack([np.zeros(4), rng.standard_normal((draws, 4))]) * spoke.scales_log_sd
        chain = spoke.chain.scaled(**dict(zip(PARTS, np.exp(z).T, strict=True)))
        for side in (LEFT, RIGHT):
            fibre = float(wheel.fibre_mm[wheel.side == side].mean())
            strains = strains_of(chain, wheel.build, schedule, targets[side], side)
            creep = strains.lasting + strains.recoverable
            out[:, i, side] = fibre * (creep[MARKS.index("horizon")] - creep[MARKS.index("set")])
    return out


def match(wheel: Wheel, spokes: Sequence[Stretched], schedule: Schedule, rng: np.random.Generator) -> Matching:
    """Place the spokes so that the wheel stays even by itself.

    The cost is quadratic in the creep at each position, cost = d.Q d, with Q from the wheel's influence matrices:
    spread of tension over half the balance asked, sides' means over the tolerance, run-outs over `RUNOUT_MM`. Pairs
    are swapped (spares included) while that lowers it, from several random placings.

    Raises
    ------
    InputError
        If there are fewer spokes than positions.
    """
    n = wheel.n
    if len(spokes) < n:
        raise InputError(f"{len(spokes)} stretched spokes for a wheel of {n}")
    drawn = remaining_mm(wheel, spokes, schedule, rng)
    creep = drawn[0]
    known = all(s.scales_log_sd.any() for s in spokes)
    effect = _Effect.of(wheel)
    side = np.concatenate([wheel.side, np.full(len(spokes) - n, -1)])
    Q = np.zeros((len(spokes), len(spokes)))
    Q[:n, :n] = effect.cost(wheel.build)
    best: Ints | None = None
    best_cost = np.inf
    for start in range(STARTS):
        order = np.arange(len(spokes)) if start == 0 else rng.permutation(len(spokes))
        order, cost = _swap(order, creep, side, Q)
        if cost < best_cost - 1e-12:
            best, best_cost = order, cost
    assert best is not None
    really = drawn[1:] if known else drawn[:1]
    chance = [
        effect.evenness(really[k % len(really), rng.permutation(len(spokes))[:n], wheel.side])
        for k in range(RANDOM_PLACINGS)
    ]
    return Matching(
        spokes=tuple(spokes[i].spoke for i in best[:n]),
        left_over=tuple(spokes[i].spoke for i in best[n:]),
        remaining_mm=creep[best[:n], wheel.side],
        matched=_middle([effect.evenness(one[best[:n], wheel.side]) for one in really]),
        at_random=_middle(chance),
        scales_known=known,
    )


def _middle(cases: Sequence[Evenness]) -> Evenness:
    return Evenness(
        spread_percent=float(np.median([e.spread_percent for e in cases])),
        lateral_mm=float(np.median([e.lateral_mm for e in cases])),
        radial_mm=float(np.median([e.radial_mm for e in cases])),
    )


def _swap(order: Ints, creep: Floats, side: Ints, Q: Floats) -> tuple[Ints, float]:
    """Swap the best pair until no swap lowers the cost d.Q d. A place of side -1 is the shelf: no effect."""
    on_wheel = side >= 0
    where = np.where(on_wheel, side, 0)
    order = order.copy()
    diagonal = np.diag(Q)
    while True:
        d = np.where(on_wheel, creep[order, where], 0.0)
        g = Q @ d
        # creep that place i would have with the spoke of place j, less what it has
        change = np.where(on_wheel[:, None], creep[order][:, where].T - d[:, None], 0.0)
        gain = (
            2.0 * (change * g[:, None] + change.T * g[None, :])
            + change**2 * diagonal[:, None]
            + change.T**2 * diagonal[None, :]
            + 2.0 * change * change.T * Q
        )
        i, j = np.unravel_index(int(gain.argmin()), gain.shape)
        if gain[i, j] > -1e-12 * max(float(d @ g), 1e-12):
            return order, float(d @ g)
        order[[i, j]] = order[[j, i]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Effect:
    """What creep does: relative tension, and run-out, for 1 mm at each position."""

    relative: Floats  # (n, n) change of tension over the side's target
    mean: Floats  # (2, n) rows that take a side's mean
    side: Ints  # (n,)
    lateral: Floats  # (n, n)
    radial: Floats  # (n, n)

    @classmethod
    def of(cls, wheel: Wheel) -> _Effect:
        lateral, radial = wheel.runout()
        mean = np.array([(wheel.side == s) / (wheel.side == s).sum() for s in (LEFT, RIGHT)])
        return cls(
            relative=-wheel.influence() / wheel.tensions_N()[:, None],
            mean=mean,
            side=wheel.side,
            lateral=-lateral,
            radial=-radial,
        )

    def cost(self, build: Build) -> Floats:
        """(n, n) Q of the cost d.Q d."""
        n = self.side.size
        sides_mean = self.mean @ self.relative
        uneven = (self.relative - sides_mean[self.side]) / (0.005 * build.tension.balance_percent)
        lost = sides_mean / (0.01 * build.tension.tolerance_percent)
        radial = self.radial - self.radial.mean(axis=0)
        parts = (uneven / np.sqrt(n), lost, self.lateral / RUNOUT_MM / np.sqrt(n), radial / RUNOUT_MM / np.sqrt(n))
        Q: Floats = np.asarray(sum(p.T @ p for p in parts), dtype=np.float64)
        return Q

    def evenness(self, creep_mm: Floats) -> Evenness:
        """What a creep (n,) does."""
        tension = 1.0 + self.relative @ creep_mm
        spread = [
            float(np.quantile(np.abs(tension[self.side == s] / tension[self.side == s].mean() - 1.0), 0.95))
            for s in (LEFT, RIGHT)
        ]
        return Evenness(
            spread_percent=100.0 * max(spread),
            lateral_mm=float(np.ptp(self.lateral @ creep_mm)),
            radial_mm=float(np.ptp(self.radial @ creep_mm)),
        )
