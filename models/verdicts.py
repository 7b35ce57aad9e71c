"""What a test can tell and what it cannot, with the cheapest further test; odd spokes; what a night gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.batch import PARTS, Batch, draw_chains
from models.chain import elastic_strain
from models.fit import Fitted
from models.prior import SPREAD_LOG_SD, Prior
from models.table import SLACK_N

Floats = NDArray[np.float64]
UNSURE = 0.35  # natural log: a part known no better than this is not told from the others
HARDLY_MOVED = 0.6  # of the prior's sd: the data said little
LEAST_WARMING_K = 8.0  # a test that spans less has no warm step
LEAST_REST_S = 600.0  # a shorter rest tells nothing of what comes back
ODD = 3.5  # sd: a spoke that far from its batch is named
LIMITS = {"elastic": 0.02, "recoverable": 0.06, "bedding": 0.06, "flow": 0.3}  # least sd that oddness is judged by


@dataclass(frozen=True, slots=True, kw_only=True)
class CannotTell:
    """Two things that this test does not tell apart."""

    what: str
    because: str
    test: str  # the cheapest further test that would tell

    def as_dict(self) -> dict[str, str]:
        return {"what": self.what, "because": self.because, "test": self.test}

    def __str__(self) -> str:
        return f"cannot tell {self.what}: {self.because}. Cheapest test that would: {self.test}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What the middle spoke does in a night at one load: strains with their 90 % bands over what is not known."""

    load_N: float
    hours: float
    elastic: tuple[float, float, float]  # p05, p50, p95
    comes_back: tuple[float, float, float]  # recoverable
    stays: tuple[float, float, float]  # bedding-in and flow
    correlation: float  # of what stays with all the rest: near -1 where only the sum of both is known


def night(batch: Batch, load_N: float, hours: float = 12.0, draws: int = 2000) -> Night:
    """The parts of the strain after ``hours`` at ``load_N``, from the batch's own uncertainty (no spread)."""
    still = replace(batch, spread=replace(batch.spread, log_sd=np.zeros(4)))
    c = draw_chains(still, np.random.default_rng(0), draws, 1).take((slice(None), 0))
    t = hours * 3600.0
    back = (c.recoverable_compliance_per_N * -np.expm1(-t / c.recoverable_tau_s)).sum(-1) * load_N
    tau = np.where(c.bedding_tau_s > 0, c.bedding_tau_s, 1e-9)
    bed = (c.bedding_compliance_per_N * -np.expm1(-t / tau)).sum(-1) * 1000.0 * (load_N / 1000.0) ** c.bedding_exponent
    flow = (c.flow_rate_per_s * np.sinh(np.minimum(load_N / c.flow_force_scale_N, 300.0))).sum(-1) * t
    stays = np.broadcast_to(bed + flow, back.shape)

    def three(x: Floats) -> tuple[float, float, float]:
        low, middle, high = np.percentile(x, [5, 50, 95])
        return float(low), float(middle), float(high)

    spring = np.broadcast_to(elastic_strain(c, load_N), back.shape)
    rest = spring + back
    known = min(rest.std(), stays.std()) > 0
    return Night(
        load_N=load_N,
        hours=hours,
        elastic=three(spring),
        comes_back=three(back),
        stays=three(stays),
        correlation=float(np.corrcoef(rest, stays)[0, 1]) if known else 0.0,
    )


def _split(longest_rest_s: float, rested: bool, log_sd: float) -> str:
    """Why what comes back is not told from what stays."""
    if rested:
        return f"their split after a night is known to a factor of {np.exp(log_sd):.1f} only"
    if longest_rest_s < 1.0:
        return "the spokes were never let rest after load"
    return f"the spokes rested for {longest_rest_s / 60.0:.2g} min at most after load, which tells nothing of it"


def cannot_tell(f: Fitted, batch: Batch) -> list[CannotTell]:
    """What this test leaves open, judged from the joint errors of the fit."""
    assert f.covariance is not None
    out: list[CannotTell] = []
    covers = batch.covers
    top = max(covers["held_N"], default=covers["load_N"][1])
    parts = night(batch, top)
    rested = covers["longest_rest_s"] > LEAST_REST_S
    stay_sd = np.log(parts.stays[2] / max(parts.stays[0], 1e-12)) / 3.29
    back_sd = np.log(parts.comes_back[2] / max(parts.comes_back[0], 1e-12)) / 3.29
    if not rested or max(stay_sd, back_sd) > UNSURE:
        out.append(
            CannotTell(
                what="creep that comes back from bedding-in that stays",
                because=_split(covers["longest_rest_s"], rested, max(stay_sd, back_sd)),
                test=f"after the hold, 2 h at rest (below {SLACK_N:.0f} N), then a second hold of 2 h or more",
            )
        )
    i, j = f.prior.names.index("flow[0]"), f.prior.names.index("flow_scale[0]")
    sd, before = np.sqrt(np.diag(f.covariance)), _sd_with_stiffness(f.prior)
    seen = rested and sd[i] < HARDLY_MOVED * before[i]
    if sd[i] > UNSURE or not seen:
        out.append(
            CannotTell(
                what="flow from a slow recoverable mode",
                because=f"at {f.at_N:.0f} N flow is known to a factor of {np.exp(min(sd[i], 5.0)):.1f} only, "
                + ("mostly from experience" if not seen else "from this test"),
                test="one spoke at the highest load allowed, warm (50 degC) or for several days, then at rest",
            )
        )
    levels = [x for x in covers["held_N"] if x > 0.3 * top]
    if len(levels) < 2 or sd[j] > HARDLY_MOVED * before[j]:
        out.append(
            CannotTell(
                what="how fast flow grows with load",
                because="only one load was held" if len(levels) < 2 else "flow is too small at the loads held",
                test=f"a second, higher hold (1.4 x {top:.0f} N or more, where the spoke and frame allow it)",
            )
        )
    low, high = covers["temperature_C"]
    warm = high - low >= LEAST_WARMING_K
    out.append(
        CannotTell(
            what="what warmth does",
            because=f"the test saw {low:.0f} to {high:.0f} degC, "
            + ("but activation energies stay" if warm else "activation energies are")
            + " from experience",
            test="two batches of spokes, or two nights, at temperatures 15 K or more apart"
            if warm
            else "a warm step of 15 K or more during a hold",
        )
    )
    return out


def _sd_with_stiffness(p: Prior) -> Floats:
    """(p,) sd before the test, but for what the spoke's mere stiffness says: any test finds that, at once."""
    el = p.names.index("elastic")
    by = p.covariance[el]
    out: Floats = np.sqrt(np.maximum(np.diag(p.covariance) - by * by / by[el], 0.0))
    return out


def odd_spokes(f: Fitted, labels: Sequence[str]) -> list[str]:
    """Spokes that do not belong to their batch, named, with the part in which they differ."""
    n = f.scales.shape[0]
    out: list[str] = []
    if n < 3:
        return out
    for k, part in enumerate(PARTS[:3]):
        x = np.log(np.maximum(f.scales[:, k], 1e-3))
        for i in range(n):
            others = np.delete(x, i)
            middle = float(np.median(others))
            spread = max(SPREAD_LOG_SD[k], LIMITS[part], 1.4826 * float(np.median(np.abs(others - middle))))
            away = x[i] - middle
            if abs(away) > ODD * float(np.hypot(spread, f.scales_sd[i, k])) * np.sqrt(1 + 1 / (n - 1)):
                out.append(
                    f"spoke {labels[i]} is odd: its {part.replace('bedding', 'bedding-in')} part is "
                    f"{100 * np.expm1(away):+.0f} % off the others'; kept, but look at its ends and its label"
                )
    return out


def spoke_rows(f: Fitted, labels: Sequence[str]) -> list[dict[str, Any]]:
    """Each tested spoke's own scales, for the batch file."""
    return [
        {
            "spoke": label,
            "scales": {p: float(f.scales[i, k]) for k, p in enumerate(PARTS)},
            "scales_sd": {p: float(f.scales_sd[i, k]) for k, p in enumerate(PARTS)},
            "zero_mm": float(f.offset_mm[i]),
        }
        for i, label in enumerate(labels)
    ]


def in_words(batch: Batch) -> list[str]:
    """The batch for a builder: what a night gives, what comes back, what is not known."""
    length = float(batch.covers.get("gauge_length_mm", 0.0))
    held = batch.covers.get("held_N") or [1000.0]
    load = min(held, key=lambda x: abs(x - 1000.0))
    n = night(batch, load)
    mm = [length * np.array(x) for x in (n.comes_back, n.stays, n.elastic)]
    total = mm[0][1] + mm[1][1]
    out = [
        f"Beside its {mm[2][1]:.2f} mm of spring, a {length:.0f} mm spoke of batch {batch.batch} gives {total:.2f} mm "
        f"in {n.hours:.0f} h at {load:.0f} N.",
        f"Of that, {mm[1][1]:.2f} mm never comes back ({mm[1][0]:.2f} to {mm[1][2]:.2f}), and {mm[0][1]:.2f} mm "
        f"returns when the spoke lies slack ({mm[0][0]:.2f} to {mm[0][2]:.2f}).",
    ]
    if n.correlation < -0.5:
        out.append(
            "What stays and what does not are known better together than apart: more of the one is less of the other."
        )
    sd = dict(zip(PARTS, batch.spread.log_sd, strict=True))
    out.append(
        f"Spokes of one batch differ by {100 * sd['elastic']:.0f} % in stiffness, {100 * sd['recoverable']:.0f} % in "
        f"the part that returns, {100 * sd['bedding']:.0f} % in bedding-in ({batch.spread.spokes} spokes tested)."
    )
    return out
