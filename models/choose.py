"""Which law: candidates ranked by how well they forecast the end of the test, held back, in log time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.candidates import GENERAL, laws
from models.fit import SPOKES_ENOUGH, Fitted, residuals, told_by_data, turn, turn_from_several
from models.prior import Prior
from models.projection import Law
from models.thin import Thinned
from models.whiten import Data, anew, some_of

Floats = NDArray[np.float64]
HELD_BACK_DECADES = 0.5  # of the last long hold
LEAST_HOLD_S = 600.0
LEAST_GENERAL = 0.8  # of the weight stays with the general chain, which contains the smooth laws, whatever their luck
FURTHEST = 1.0  # natural log: how far one law may pull the band of one parameter


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One law fitted to the whole test and, for its forecast, to the test without its end."""

    name: str
    fitted: Fitted
    parameters: float  # that the data fix
    aicc: float | None
    held_back_mm: float | None  # rms error of the forecast of the held-back end; None where there is no such end
    score: float | None  # log density of the held-back end, without constants
    weight: float  # shares of 1


def split(spokes: Sequence[Thinned], n: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """(S, n) rows to learn from and rows held back: the last half decade of each spoke's last long hold.

    What comes after that hold is left out of both. None where no spoke has such a hold.
    """
    learn, back = np.zeros((len(spokes), n), dtype=bool), np.zeros((len(spokes), n), dtype=bool)
    for i, s in enumerate(spokes):
        rows = np.arange(s.time_s.size)
        held = (s.load_N > 0.5 * s.load_N.max()) & (s.rate_N_per_s == 0)
        long = np.flatnonzero(held & (s.since_s > LEAST_HOLD_S))
        if not long.size:
            learn[i, rows] = True
            continue
        last = int(long[-1])
        same = held & (s.time_s - s.since_s > s.time_s[last] - s.since_s[last] - 2.0) & (rows <= last)
        cut = s.since_s[last] * 10.0**-HELD_BACK_DECADES
        end = same & (s.since_s > cut)
        first = int(np.argmax(end))
        learn[i, :first] = True
        back[i, first : last + 1] = end[first : last + 1]
    return (learn, back) if back.any() else None


def _for_law(p: Prior, law: Law | None) -> Prior:
    """A dashpot's flow goes with load, and its rate may be anything."""
    if law is None or not law.linear_flow:
        return p
    mean, cov = p.mean.copy(), p.covariance.copy()
    i, j = p.names.index("flow[0]"), p.names.index("flow_scale[0]")
    mean[i], mean[j] = np.log(1e-10), np.log(1e5)
    cov[[i, j], :] = 0.0
    cov[:, [i, j]] = 0.0
    cov[i, i], cov[j, j] = 3.0**2, 1e-3**2
    return replace(p, mean=mean, covariance=cov)


def compare(data: Data, general: Fitted) -> list[Candidate]:
    """Fit every law twice and weigh them; the general chain comes first.

    Weights go with the density of the held-back end under each law's forecast (errors of drift and of the law
    included), so that a law which fits the rest well and the end badly counts for little.
    """
    some = some_of(data, SPOKES_ENOUGH)
    spread, p = general.spread_sd, general.prior
    parts = split(some.spokes, some.y.shape[1])
    early = late = None
    if parts is not None:
        learn, back = parts
        early, late = anew(some, use=learn), anew(some, use=learn | back)
    rows: list[tuple[str, Fitted, float | None, float | None]] = []
    for law in (None, *laws(data.EA_N)):
        q = _for_law(p, law)
        if law is None:
            whole = turn(some, q, spread, general.theta) if some is not data else general
        else:
            whole = turn(some, q, spread, _start(general, q, law), law)
        held_mm = score = None
        if early is not None and late is not None:
            start = whole.theta
            # the end must not help to forecast itself: begin from what was known before the test
            before = (
                turn_from_several(early, q, spread, _blind(q, start))
                if law is None
                else turn(early, q, spread, _blind(q, start), law)
            )
            white, plain = residuals(late, before)
            held_mm = float(np.sqrt(np.mean(plain[back] ** 2)))
            score = float(-0.5 * np.sum(white[back] ** 2))
        rows.append((GENERAL if law is None else law.name, general if law is None else whole, held_mm, score))
    return _weigh(some, rows)


def _start(general: Fitted, q: Prior, law: Law) -> Floats:
    theta = general.theta.copy()
    if law.linear_flow:
        i = q.names.index("flow[0]")
        theta[i : i + 2] = q.mean[i : i + 2]
    return theta


def _blind(q: Prior, theta: Floats) -> Floats:
    out = theta.copy()
    out[q.index("recoverable")] = q.mean[q.index("recoverable")]
    i = q.names.index("flow[0]")
    out[i : i + 2] = q.mean[i : i + 2]
    return out


def _weigh(data: Data, rows: list[tuple[str, Fitted, float | None, float | None]]) -> list[Candidate]:
    scores = np.array([-np.inf if s is None else s for _, _, _, s in rows])
    if np.isfinite(scores).any():
        weight = np.exp(scores - scores.max())
        weight /= weight.sum()
        if weight[0] < LEAST_GENERAL:
            weight[1:] *= (1.0 - LEAST_GENERAL) / weight[1:].sum()
            weight[0] = LEAST_GENERAL
    else:
        weight = np.array([1.0] + [0.0] * (len(rows) - 1))
    out = []
    for (name, fitted, held, score), w in zip(rows, weight, strict=True):
        if name == GENERAL:
            fixed = told_by_data(data, fitted)
        else:
            fixed = float(
                len(fitted.law_values) + 8
            )  # stiffness, stiffening, two of the toe, bedding, exponent, two of flow
        n = fitted.points
        aicc = fitted.chi2 + 2 * fixed + 2 * fixed * (fixed + 1) / (n - fixed - 1) if n > fixed + 1 else None
        out.append(
            Candidate(
                name=name,
                fitted=fitted,
                parameters=fixed,
                aicc=None if aicc is None or not np.isfinite(aicc) else float(aicc),
                held_back_mm=held,
                score=score,
                weight=float(w),
            )
        )
    return out


def average(candidates: Sequence[Candidate], moments: Fitted) -> tuple[Floats, Floats] | None:
    """Middle and covariance of the logarithms over the laws by their weights: where laws disagree, it is wider.

    ``moments``: the general chain, which comes first, with the mean and covariance of its whole density. How the laws'
    best fits lie about its own best fit is taken to be how they lie about that mean.

    No law pulls a parameter further than `FURTHEST` from the general chain: one in which a mode is nearly nothing, or a
    dashpot stands for all slow modes, foretells an end half a decade on at its best and says nothing of a month. Nor is
    a band of more than that taken from a law where the general chain knows better. Laws of less than a fiftieth of the
    weight are left out. None where an error is not known.
    """
    kept = [c for c in candidates if c.weight >= 0.02]
    if any(c.fitted.covariance is None for c in kept) or not kept or moments.covariance is None:
        return None
    w = np.array([c.weight for c in kept])
    w = w / w.sum()
    values = np.array([c.fitted.value for c in kept])
    pulled = np.clip(values - candidates[0].fitted.value, -FURTHEST, FURTHEST)
    mean = moments.value + w @ pulled
    away = pulled - w @ pulled
    cov = np.einsum("l,li,lj->ij", w, away, away)
    widest = np.maximum(FURTHEST, np.sqrt(np.diag(moments.covariance)))
    for share, c in zip(w, kept, strict=True):
        own = moments.covariance if c is candidates[0] else c.fitted.covariance
        assert own is not None
        near = np.minimum(1.0, widest / np.maximum(np.sqrt(np.diag(own)), 1e-12))
        cov = cov + share * near[:, None] * own * near
    return mean, cov


def as_dicts(candidates: Sequence[Candidate], cannot_tell: Sequence[str]) -> list[dict[str, Any]]:
    """The candidates as BATCH.json lists them, the best forecast first."""
    order = sorted(candidates, key=lambda c: np.inf if c.held_back_mm is None else c.held_back_mm)
    return [_as_dict(c, cannot_tell) for c in order]


def _unit(name: str) -> str:
    if name == "stiffening" or name.startswith(("recoverable[", "bedding[", "elastic")) or "compliance" in name:
        return "1/N"
    if name.startswith("flow["):
        return "1/s"
    if name.startswith(("flow_scale", "toe")):
        return "N"
    return "s" if name.endswith("tau_s") else "1"


def _as_dict(c: Candidate, cannot_tell: Sequence[str]) -> dict[str, Any]:
    f = c.fitted
    sd = None if f.covariance is None else np.sqrt(np.diag(f.covariance))
    general = c.name == GENERAL
    parameters: dict[str, Any] = {}
    for i, name in enumerate(f.prior.names):
        if not general and name.startswith("recoverable["):
            continue
        value = float(np.exp(f.value[i]))
        parameters[name] = {
            "value": value,
            "unit": _unit(name),
            "standard_error": None if sd is None else float(value * sd[i]),
        }
    for name, (logarithm, error) in f.law_values.items():
        value = float(np.exp(logarithm))
        parameters[name.removeprefix("ln ")] = {
            "value": value,
            "unit": _unit(name),
            "standard_error": None if error is None else value * error,
        }
    return {
        "law": c.name,
        "parameters": parameters,
        "verdicts": {
            "converged": f.converged,
            "covariance_known": f.covariance is not None,
            "at_a_bound": _at_a_bound(f),
            "cannot_tell": list(cannot_tell) if general else [],
        },
        "parameters_fixed_by_data": None if not np.isfinite(c.parameters) else round(c.parameters, 1),
        "AICc": c.aicc,
        "held_back_error_um": None if c.held_back_mm is None else 1000.0 * c.held_back_mm,
        "weight": c.weight,
    }


def _at_a_bound(f: Fitted) -> list[str]:
    """Parameters more than four of the prior's standard deviations from what was expected."""
    sd = np.sqrt(np.diag(f.prior.covariance))
    law = [i for i, n in enumerate(f.prior.names) if not (f.law_values and n.startswith("recoverable["))]
    return [f.prior.names[i] for i in law if abs(f.value[i] - f.prior.mean[i]) > 4.0 * sd[i]]
