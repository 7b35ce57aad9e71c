"""The fit: one batch's middle spoke and its spokes' scales from thinned records, with lmfit; the only user of lmfit.

    elongation/L = o_i + a_i1 T/EA0(T) + a_i2 sum r_k + a_i3 sum b_j + a_i4 f + (alpha + frame) (th - th_ref) + error

The scales a_i and zero offsets o_i of spoke i enter linearly and are solved inside (variable projection, Kaufman's
Jacobian); lmfit turns the shared, non-linear parameters outside, as logarithms with a joint normal prior. The error
is not white: noise of the means, drift of the instrument, an elastic curve that is not quite the law's, and a
correlated remainder whose size the data decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import lmfit
import numpy as np
from numpy.typing import NDArray

from models import basis as bs
from models.batch import LEAST_NONLINEARITY, NONLINEARITY
from models.chain import BEDDING_UNIT_N, Chain
from models.errors import InputError
from models.prior import ACTIVATION_KJ, ACTIVATION_LOG_SD, SPREAD_DF, SPREAD_LOG_SD, Prior, prior
from models.projection import Law, Projection, expected
from models.thin import Thinned
from models.whiten import EXPANSION_PER_K, REMAINDER_MM, Data, anew, errors_of, prepare, some_of

Floats = NDArray[np.float64]
SPOKES_ENOUGH = 8  # to compare laws, to tell the size of the remainder, and where to look


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One fit, with its verdicts kept apart."""

    prior: Prior
    value: Floats  # (p,) natural logarithms of prior.names
    covariance: Floats | None  # (p, p); None where it is not known
    scales: Floats  # (S, 4) of each spoke: elastic, recoverable, bedding, flow
    scales_sd: Floats  # (S, 4)
    offset_mm: Floats  # (S,)
    shared: Floats  # (W,) of `Data.shared`, in sd
    spread_sd: Floats  # (4,)
    flow_alike: bool  # all spokes flow by one scale
    remainder_mm: float
    chi2: float  # of the data, whitened
    points: int
    cost: float  # -2 ln of likelihood times prior, without constants
    converged: bool
    evaluations: int
    message: str
    at_N: float
    reference_C: float
    recoverable_tau_s: Floats
    bedding_tau_s: Floats
    free: int = 0  # shared parameters turned
    law_values: dict[str, tuple[float, float | None]] = field(default_factory=dict)  # value, standard error

    @property
    def theta(self) -> Floats:
        """(p + W,) where another fit may start."""
        return np.concatenate([self.value, self.shared])

    def of(self, name: str) -> float:
        """One parameter's value (not its logarithm)."""
        return float(np.exp(self.value[self.prior.names.index(name)]))

    def chain(self) -> Chain:
        """The middle spoke."""
        v = self.value
        p = self.prior
        scale = self.of("flow_scale[0]")
        more = max(self.of(NONLINEARITY), LEAST_NONLINEARITY)
        return Chain.of(
            EA0_N=float(np.exp(-v[0])),
            stiffening_per_N=self.of("stiffening"),
            toe=(self.of("toe"), self.of("toe_scale")),
            recoverable=(self.recoverable_tau_s, np.exp(v[p.index("recoverable")]) / more),
            recoverable_nonlinearity_per_N=(more - 1.0) / BEDDING_UNIT_N,
            bedding=(self.bedding_tau_s, np.exp(v[p.index("bedding")])),
            bedding_exponent=self.of("bedding_exponent"),
            flow=([self.of("flow[0]") / float(np.sinh(self.at_N / scale))], [scale]),
            activation_kJ_per_mol=ACTIVATION_KJ,
            expansion_per_K=EXPANSION_PER_K,
            reference_C=self.reference_C,
        )


def reference_temperature_C(spokes: Sequence[Thinned]) -> float:
    """Middle temperature of the test, to a tenth of a degree."""
    return round(float(np.median(np.concatenate([s.temperature_C for s in spokes]))), 1)


def turn(
    data: Data, p: Prior, spread_sd: Floats, start: Floats, law: Law | None = None, *, flow_alike: bool = True
) -> Fitted:
    """Turn the shared parameters until the sum of squares (data, priors) is least.

    ``start``: (p + W,) logarithms of all parameters, then what the spokes share, in sd.
    """
    model = Projection(data, p, spread_sd, law, flow_alike=flow_alike)
    parameters = lmfit.Parameters()
    W = model.n_shared
    first = np.concatenate([start[:-W][model.keep], [] if law is None else law.start, start[-W:]])
    for i, v in enumerate(first):
        parameters.add(f"p{i:02d}", value=float(v))
    low = np.concatenate(
        [p.mean[model.keep] - 6 * np.sqrt(np.diag(p.covariance)[model.keep]), np.full(model.n_law + W, -np.inf)]
    )
    high = 2 * np.concatenate([p.mean[model.keep], np.zeros(model.n_law + W)]) - low

    def unpack(q: lmfit.Parameters) -> Floats:
        clipped: Floats = np.clip(np.array([q[f"p{i:02d}"].value for i in range(first.size)]), low, high)
        return clipped

    def residual(q: lmfit.Parameters) -> Floats:
        model.evaluate(unpack(q))
        return model.residual

    def jacobian(q: lmfit.Parameters) -> Floats:
        model.evaluate(unpack(q))
        return model.jacobian

    with np.errstate(over="ignore"):
        try:
            out = lmfit.minimize(
                residual,
                parameters,
                method="leastsq",
                Dfun=jacobian,
                scale_covar=False,
                calc_covar=False,
                ftol=1e-7 if law is None else 1e-5,
                xtol=1e-7,
                max_nfev=200 if law is None else 80,
            )
        except ValueError:  # not a number among the residuals
            raise InputError("no spoke can do what this table says: loads, elongations or times are off") from None
        theta = unpack(out.params)
        model.evaluate(theta)
    hessian = model.jacobian.T @ model.jacobian
    covariance: Floats | None = None
    try:
        shared = np.linalg.inv(hessian)
        covariance = model.d @ shared[:-W, :-W] @ model.d.T
        covariance = 0.5 * (covariance + covariance.T)
        if not np.isfinite(covariance).all() or (np.diag(shared) < 0).any():
            covariance = None
    except np.linalg.LinAlgError:
        covariance = None
    values: dict[str, tuple[float, float | None]] = {}
    for k, name in enumerate(() if law is None else law.names):
        at = len(model.keep) + k
        values[name] = (float(theta[at]), None if covariance is None else float(np.sqrt(shared[at, at])))
    inner = np.linalg.inv(model.r)
    sd = np.sqrt(np.einsum("skj,skj->sk", inner, inner))
    lengths = np.array([s.gauge_length_mm for s in data.spokes])
    points = int(data.use.sum())
    chi2 = float((model.miss**2).sum())
    return Fitted(
        prior=p,
        value=model.value,
        covariance=covariance,
        scales=model.a[:, :4],
        scales_sd=sd[:, :4],
        offset_mm=model.a[:, 4] * lengths,
        shared=theta[-W:],
        spread_sd=spread_sd,
        flow_alike=flow_alike,
        remainder_mm=0.0,
        chi2=chi2,
        points=points,
        cost=float((model.residual**2).sum()) + data.log_det,
        converged=bool(out.success),
        evaluations=int(out.nfev),
        message=str(out.message),
        at_N=data.at_N,
        reference_C=data.basis.reference_C,
        recoverable_tau_s=_taus(data, p, "recoverable"),
        bedding_tau_s=_taus(data, p, "bedding"),
        free=model.free,
        law_values=values,
    )


def residuals(data: Data, f: Fitted) -> tuple[Floats, Floats]:
    """(S, n) data less a fit (of these spokes, perhaps of fewer rows): whitened, and as it stands in mm."""
    model = Projection(data, f.prior, f.spread_sd, flow_alike=f.flow_alike)
    model.evaluate(f.theta)
    lengths = np.array([s.gauge_length_mm for s in data.spokes])
    a = np.concatenate([f.scales, (f.offset_mm / lengths)[:, None]], axis=1)
    white = data.y - data.shared @ f.shared - np.einsum("smk,sk->sm", model.columns, a)
    plain = np.zeros_like(white)
    for i, length in enumerate(lengths):
        rows = np.flatnonzero(data.use[i])
        plain[i, rows] = np.linalg.solve(data.root[i][np.ix_(rows, rows)], white[i, rows]) * length
    return white, plain


def told_by_data(data: Data, f: Fitted) -> float:
    """How many of the shared parameters the data fix: the trace of what they add to what was known before."""
    if f.covariance is None:
        return float("nan")
    known = np.linalg.inv(f.prior.covariance)
    return float(max(0.0, len(f.prior.names) - np.trace(known @ f.covariance)))


def turn_from_several(data: Data, p: Prior, spread_sd: Floats, start: Floats) -> Fitted:
    """The best of a few starts: as given, and with flow and the slowest modes put back to what is expected.

    One night hardly tells flow from slow modes, so the sum of squares has more than one hollow. Another lies where the
    scales of the spokes turn a part around or to nothing: then what is expected is a start too.
    """
    best = turn(data, p, spread_sd, start)
    if not _in_reason(best.scales[:, :3]):
        other = turn(data, p, spread_sd, expected(data, p))
        best = other if other.cost < best.cost else best
    for _ in range(3):
        again = best.theta.copy()
        flow, slow = p.names.index("flow[0]"), p.index("recoverable")
        known = int(np.searchsorted(_taus(data, p, "recoverable"), 5e3))
        again[flow : flow + 2] = p.mean[flow : flow + 2]
        again[slow[known:]] = again[slow[known - 1]] + p.mean[slow[known:]] - p.mean[slow[known - 1]]
        other = turn(data, p, spread_sd, again)
        if not other.cost < best.cost - 0.1:
            break
        best = other
    return best


def _in_reason(scales: Floats) -> bool:
    return bool((scales > 0.25).all() and (scales < 4.0).all())


def _taus(data: Data, p: Prior, part: str) -> Floats:
    return bs.RECOVERABLE_TAU_S if part == "recoverable" else bs.BEDDING_TAU_S


def crude_EA_N(spokes: Sequence[Thinned]) -> float:
    """Stiffness from the largest quick changes of load, N: good to a tenth or two, for priors and starts."""
    found = []
    for s in spokes:
        top = s.load_N.max()
        best = 0.0
        high = np.flatnonzero(s.load_N > 0.9 * top)
        low = np.flatnonzero(s.load_N < 0.3 * top)
        for i in (high[0], high[-1]):
            if not low.size:
                continue
            j = low[np.argmin(np.abs(low - i))]
            de = s.strain[i] - s.strain[j]
            if de > 0:
                best = max(best, float((s.load_N[i] - s.load_N[j]) / de))
        if best > 0:
            found.append(best)
    rested = any((s.load_N[np.argmax(s.load_N > 0.9 * s.load_N.max()) :] < 0.3 * s.load_N.max()).any() for s in spokes)
    # a first loading beds in too, an unloading does not; both creep a little, and are soft at low load
    return float(np.median(found)) * (1.3 if rested else 1.65) if found else 4e5


def start_from(data: Data, p: Prior) -> Floats:
    """Where to begin: the prior's shapes, each part's level by least squares on the plain columns."""
    model = Projection(data, p, np.array(SPREAD_LOG_SD))
    theta = expected(data, p)
    model.evaluate(theta)
    columns = np.concatenate(list(model.columns[..., [0, 1, 2]]))
    from scipy.optimize import nnls

    one = np.concatenate(list(model.columns[..., 4]))
    y = np.concatenate(list(data.y))
    q = one / np.linalg.norm(one)
    level, _ = nnls(columns - np.outer(q, q @ columns), y - q * (q @ y))
    level = np.clip(level, 0.1, 10.0)
    out = theta.copy()
    out[0] += np.log(level[0])
    out[model.rec] += np.log(level[1])
    out[model.bed] += np.log(level[2])
    return out


def learn_spread(f: Fitted) -> Floats:
    """(4,) spoke-to-spoke sd, drawn towards experience where the spokes are few or say little."""
    s0 = np.array(SPREAD_LOG_SD)
    n = f.scales.shape[0]
    middle = f.scales.mean(axis=0)
    seen = (f.scales / middle - 1.0) ** 2 + f.scales_sd**2
    out: Floats = np.sqrt((SPREAD_DF * s0**2 + seen.sum(axis=0)) / (SPREAD_DF + n))
    return out


def _with_own_flow(data: Data, p: Prior, spread: Floats, alike: Fitted) -> Fitted:
    """Let each spoke flow by its own scale, where that fits clearly better and the scales stay in reason."""
    own = turn(data, p, spread, alike.theta, flow_alike=False)
    if _in_reason(own.scales[:, 3]) and own.cost < alike.cost - 4.0:
        return own
    sd = np.array(alike.scales_sd)
    sd[:, 3] = spread[3]
    return replace(alike, scales_sd=sd)


def _remainder(
    data: Data,
    p: Prior,
    f: Fitted,
    now_mm: float,
) -> float:
    """The size of the correlated remainder that makes the data most likely, among REMAINDER_MM, by Laplace.

    A few spokes tell a size that is only told within a factor of two.
    """
    costs: dict[float, float] = {}
    some = some_of(data, SPOKES_ENOUGH)

    def cost(size: float) -> float:
        if size not in costs:
            trial = anew(some, remainder_mm=size, alike=1)
            model = Projection(trial, p, f.spread_sd, flow_alike=f.flow_alike)
            model.evaluate(f.theta)
            h = model.jacobian.T @ model.jacobian
            inner = 2.0 * np.log(np.abs(np.diagonal(model.r, axis1=1, axis2=2))).sum()
            costs[size] = float((model.residual**2).sum()) + trial.log_det + float(inner + np.linalg.slogdet(h)[1])
        return costs[size]

    i = REMAINDER_MM.index(now_mm)
    while i > 0 and cost(REMAINDER_MM[i - 1]) < cost(REMAINDER_MM[i]):
        i -= 1
    while i + 1 < len(REMAINDER_MM) and cost(REMAINDER_MM[i + 1]) < cost(REMAINDER_MM[i]):
        i += 1
    return REMAINDER_MM[i]


def fit(
    spokes: Sequence[Thinned],
    *,
    linear_density_g_per_m: float | None = None,
    use: NDArray[np.bool_] | None = None,
    doubtful: Sequence[NDArray[np.bool_]] | None = None,
) -> tuple[Fitted, Data]:
    """Fit a batch: the smooth general chain, its spokes, the errors' size and the spread, in that order, twice.

    ``doubtful``: for each spoke (n,) means that say nothing.
    """
    reference = reference_temperature_C(spokes)
    basis = bs.build(spokes, reference, ACTIVATION_KJ)
    EA_N = crude_EA_N(spokes)
    top = max(float(s.load_N.max()) for s in spokes)
    at_N = 1000.0 if top >= 700.0 else top
    p = prior(EA_N, at_N, bs.RECOVERABLE_TAU_S, bs.BEDDING_TAU_S, reference, linear_density_g_per_m)
    basis = bs.with_activation_errors(basis, spokes, p, at_N, ACTIVATION_KJ, ACTIVATION_LOG_SD)
    spread = np.array(SPREAD_LOG_SD)
    remainder = 1.6e-3
    aside = [None] * len(spokes) if doubtful is None else doubtful
    errors = [errors_of(s, EA_N, gone) for s, gone in zip(spokes, aside, strict=True)]
    data = prepare(spokes, basis, EA_N, remainder, at_N, use, errors=errors)
    some = some_of(data, SPOKES_ENOUGH)
    fitted = turn_from_several(some, p, spread, start_from(some, p))
    search = turn_from_several
    if some is not data:  # which hollow, a few spokes tell
        search = turn
        fitted = turn(data, p, spread, fitted.theta)
    for _ in range(3):
        fitted = _with_own_flow(data, p, spread, fitted)
        before, remainder = remainder, _remainder(data, p, fitted, remainder)
        spread = learn_spread(fitted)
        data = anew(data, remainder_mm=remainder)
        fitted = search(data, p, spread, fitted.theta)
        if remainder == before:
            break
    fitted = _with_own_flow(data, p, spread, fitted)
    return replace(fitted, remainder_mm=remainder, spread_sd=learn_spread(fitted)), data
