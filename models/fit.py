"""The fit: one batch's middle spoke and its spokes' scales from thinned records, with lmfit; the only user of lmfit.

    elongation/L = o_i + a_i1 T/EA0(T) + a_i2 sum r_k + a_i3 sum b_j + a_i4 f + (alpha + frame) (th - th_ref) + error

The scales a_i and zero offsets o_i of spoke i enter linearly and are solved inside (variable projection, Kaufman's
Jacobian); lmfit turns the shared, non-linear parameters outside, as logarithms with a joint normal prior. The error
is not white: noise of the means, drift of the instrument, an elastic curve that is not quite the law's, and a
correlated remainder whose size the data decide.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import lmfit
import numpy as np
from numpy.typing import NDArray

from models import basis as bs
from models.chain import Chain
from models.prior import ACTIVATION_KJ, SPREAD_DF, SPREAD_LOG_SD, Prior, prior
from models.thin import Thinned

Floats = NDArray[np.float64]
EXPANSION_PER_K = -12e-6  # of the fibre, from data sheets; what the frame adds is fitted apart
FRAME_EXPANSION_SD_PER_K = 8e-6
OFFSET_SD_MM = 0.05
SYNCHRONY_S = 0.05  # load and elongation of one row may be so far apart in time
FLOOR_MM = 2e-4
SLACK_N = 40.0  # below it a braid counts as slack
# A slack braid may give back part of its bedding over hours (published for braided sutures: gone within a day), of
# which
# the chain knows nothing. Left out, it is taken for recoverable modes and the slow ones come out far too small.
SLACK_LOSS_TAU_S = (1e4, 2e4, 4e4)
PACKED_AGAIN = 0.9  # of the highest load so far: what was given back is packed again
SLACK_LOSS_STRAIN = 3e-4  # sd of the whole: a fifth of a usual bedding-in
DRIFT_MM = 1.0e-3  # of the instrument over 12 h
LAW_DRIFT_MM = 1.0e-3  # the same for what the law gets wrong
LOAD_CURVE = 0.003  # of the elastic strain: how far the true elastic curve may leave the law's
BEDDING_CURVE = 0.010  # the same while the load is the highest so far
REMAINDER_MM = (0.2e-3, 0.4e-3, 0.8e-3, 1.6e-3, 3.2e-3, 6.4e-3, 12.8e-3)
REMAINDER_DECADES = 0.6
ONE_FLOW = np.array([1.0, 1.0, 1.0, 2e-3])  # else a wrong flow could hide behind scales of nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """Whitened data of S spokes: everything that does not change during a fit."""

    spokes: tuple[Thinned, ...]
    basis: bs.Basis
    use: NDArray[np.bool_]  # (S, n) means that count
    root: Floats  # (S, n, n) inverse Cholesky factor of the error's covariance (strain); zero rows where unused
    y: Floats  # (S, n) whitened strain, the fibre's own expansion taken off
    recoverable: Floats  # (S, n, K) whitened
    bedding: Floats  # (M, S, n, J) whitened
    one: Floats  # (S, n)
    warm: Floats  # (S, n)
    at_N: float  # load at which flow is stated
    log_det: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One fit, with its verdicts kept apart."""

    prior: Prior
    value: Floats  # (p,) natural logarithms of prior.names
    covariance: Floats | None  # (p, p); None where it is not known
    scales: Floats  # (S, 4) of each spoke: elastic, recoverable, bedding, flow
    scales_sd: Floats  # (S, 4)
    offset_mm: Floats  # (S,)
    frame_expansion_per_K: float
    spread_sd: Floats  # (4,)
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
    law_values: dict[str, float] = field(default_factory=dict)

    @property
    def theta(self) -> Floats:
        """(p + 1,) where another fit may start."""
        return np.append(self.value, self.frame_expansion_per_K / FRAME_EXPANSION_SD_PER_K)

    def of(self, name: str) -> float:
        """One parameter's value (not its logarithm)."""
        return float(np.exp(self.value[self.prior.names.index(name)]))

    def chain(self) -> Chain:
        """The middle spoke."""
        v = self.value
        p = self.prior
        scale = self.of("flow_scale[0]")
        return Chain.of(
            EA0_N=float(np.exp(-v[0])),
            stiffening_per_N=self.of("stiffening"),
            recoverable=(self.recoverable_tau_s, np.exp(v[p.index("recoverable")])),
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


def _coordinate(s: Thinned) -> Floats:
    """Distance along the record in decades of time since the last change of load."""
    dt = np.diff(s.time_s, prepend=s.time_s[0])
    out: Floats = np.cumsum(np.minimum(dt / (2.303 * np.maximum(s.since_s, 1.0)), 0.1))
    return out


def slack_loss(s: Thinned, tau_s: float) -> Floats:
    """(n,) share of its bedding that a braid may have given back: it grows while slack, stays until packed anew."""
    out = np.zeros(s.time_s.size)
    share, top_N = 0.0, 0.0
    for i in range(1, out.size):
        if s.load_N[i] < SLACK_N < top_N:
            share -= (1.0 - share) * float(np.expm1(-(s.time_s[i] - s.time_s[i - 1]) / tau_s))
        elif s.load_N[i] >= PACKED_AGAIN * top_N:
            share = 0.0
        top_N = max(top_N, float(s.load_N[i]))
        out[i] = share
    return out


def error_covariance(s: Thinned, EA_N: float, remainder_mm: float, alike: int = 1) -> Floats:
    """(n, n) covariance of the errors of one spoke's mean strains.

    What the law gets wrong it gets wrong in all spokes alike, and more spokes do not average it out: with ``alike``
    spokes its variance in each is taken that many times, so that their mean keeps it.
    """
    length = s.gauge_length_mm
    white = s.noise_mm**2 / s.count + FLOOR_MM**2 + (s.rate_N_per_s * SYNCHRONY_S / EA_N * length) ** 2
    z = _coordinate(s)
    near = np.exp(-np.abs(z[:, None] - z) / REMAINDER_DECADES)
    curve = LOAD_CURVE * s.load_N.max() / EA_N * length
    load = np.exp(-np.abs(s.load_N[:, None] - s.load_N) / 400.0)
    drift = DRIFT_MM**2 / 43200.0 * np.minimum(s.time_s[:, None], s.time_s)
    virgin = s.load_N > 0.98 * np.maximum.accumulate(s.load_N)
    toe = (BEDDING_CURVE / LOAD_CURVE * curve) ** 2 * load * np.outer(virgin, virgin)
    law = remainder_mm**2 * near + curve**2 * load + toe + (LAW_DRIFT_MM / DRIFT_MM) ** 2 * drift
    total = np.diag(white) + alike * law + drift
    for tau in SLACK_LOSS_TAU_S:
        lost = SLACK_LOSS_STRAIN * length * slack_loss(s, tau)
        total += alike / len(SLACK_LOSS_TAU_S) * np.outer(lost, lost)
    for k in range(1, int(s.piece.max()) + 1):
        after = (s.piece >= k).astype(np.float64)
        total += np.outer(after, after)  # an offset of 1 mm: unknown
    out: Floats = total / length**2
    return out


def prepare(
    spokes: Sequence[Thinned],
    basis: bs.Basis,
    EA_N: float,
    remainder_mm: float,
    at_N: float,
    use: NDArray[np.bool_] | None = None,
    alike: int | None = None,
) -> Data:
    """Whiten data and columns with the errors' covariance (block by block, one block a spoke)."""
    S, n = basis.real.shape
    used = basis.real if use is None else basis.real & use
    root = np.zeros((S, n, n))
    log_det = 0.0
    for i, s in enumerate(spokes):
        rows = np.flatnonzero(used[i])
        lower = np.linalg.cholesky(error_covariance(s, EA_N, remainder_mm, alike or S)[np.ix_(rows, rows)])
        inverse = np.linalg.solve(lower, np.eye(rows.size))
        root[i, rows[:, None], rows] = inverse
        log_det += 2.0 * float(np.log(np.diag(lower)).sum())
    y = np.zeros((S, n))
    for i, s in enumerate(spokes):
        y[i, : s.time_s.size] = s.strain
    own = EXPANSION_PER_K * basis.warmer_K
    return Data(
        spokes=tuple(spokes),
        basis=basis,
        use=used,
        root=root,
        y=np.einsum("smn,sn->sm", root, y - own),
        recoverable=root @ basis.recoverable,
        bedding=root[None] @ basis.bedding,
        one=root.sum(-1),
        warm=np.einsum("smn,sn->sm", root, basis.warmer_K),
        at_N=at_N,
        log_det=log_det,
    )


class _Model:
    """Residuals and Jacobian of the shared parameters with the spokes' scales solved inside."""

    def __init__(self, data: Data, p: Prior, spread_sd: Floats, law: Law | None = None) -> None:
        self.data, self.p, self.law = data, p, law
        self.spread_sd = spread_sd
        self.rec, self.bed = p.index("recoverable"), p.index("bedding")
        keep = [i for i in range(len(p.names)) if law is None or i not in self.rec]
        self.keep = keep
        self.n_law = 0 if law is None else len(law.start)
        cov = p.covariance[np.ix_(keep, keep)]
        self.prior_root = np.linalg.inv(np.linalg.cholesky(cov))
        self.free = len(keep) + self.n_law + 1
        lengths = np.array([s.gauge_length_mm for s in data.spokes])
        self.inner_sd = np.concatenate(
            [np.broadcast_to(spread_sd, (len(data.spokes), 4)), (OFFSET_SD_MM / lengths)[:, None]], axis=1
        )
        self.inner_mean = np.array([1.0, 1.0, 1.0, 1.0, 0.0])
        self._at: Floats | None = None

    def full(self, theta: Floats) -> tuple[Floats, Floats]:
        """All logarithms, and their derivative with the turned parameters (without the frame's expansion)."""
        p = len(self.p.names)
        value, d = np.zeros(p), np.zeros((p, theta.size - 1))
        for col, i in enumerate(self.keep):
            value[i], d[i, col] = theta[col], 1.0
        if self.law is not None:
            phi = theta[len(self.keep) : -1]
            c = self.law.log_compliance(phi)
            value[self.rec] = c
            for k in range(phi.size):
                moved = phi.copy()
                moved[k] += 1e-4
                d[self.rec, len(self.keep) + k] = (self.law.log_compliance(moved) - c) / 1e-4
        return value, d

    def evaluate(self, theta: Floats) -> None:
        if self._at is not None and np.array_equal(self._at, theta):
            return
        data, basis = self.data, self.data.basis
        value, d = self.full(theta)
        S, n = data.y.shape
        compliance, s, m = np.exp(value[0]), np.exp(value[1]), np.exp(value[2])
        e, de = bs.elastic(basis.load_N, s)
        e, de = (np.einsum("smn,sn->sm", data.root, x) * compliance for x in (e, de))
        r_k = data.recoverable * np.exp(value[self.rec])
        w, dw = bs.at_exponent(basis, float(m))
        b_unit = np.tensordot(w, data.bedding, axes=1)
        b_j = b_unit * np.exp(value[self.bed])
        db = (np.tensordot(dw, data.bedding, axes=1) * np.exp(value[self.bed])).sum(-1)
        f, df = bs.flow(basis, float(np.exp(value[-1])), data.at_N)
        rate = np.exp(value[-2])
        f, df = (np.einsum("smn,sn->sm", data.root, x) * rate for x in (f, df))
        columns = np.stack([e, r_k.sum(-1), b_j.sum(-1), f, data.one], axis=-1)  # (S, n, 5)
        frame = theta[-1] * FRAME_EXPANSION_SD_PER_K
        y = data.y - frame * data.warm
        aug = np.concatenate([columns, np.eye(5) / self.inner_sd[:, None, :]], axis=1)
        target = np.concatenate([y, self.inner_mean / self.inner_sd], axis=1)
        q, r = np.linalg.qr(aug)
        a = np.linalg.solve(r, np.einsum("smk,sm->sk", q, target)[..., None])[..., 0]
        miss = target - np.einsum("smk,sk->sm", aug, a)
        # derivatives of the model with each logarithm, scales held
        jac = np.zeros((S, n + 5, len(self.p.names)))
        jac[:, :n, 0] = e * a[:, :1]
        jac[:, :n, 1] = de * a[:, :1]
        jac[:, :n, 2] = db * a[:, 2:3]
        jac[:, :n, self.rec] = r_k * a[:, 1, None, None]
        jac[:, :n, self.bed] = b_j * a[:, 2, None, None]
        jac[:, :n, -2] = f * a[:, 3:4]
        jac[:, :n, -1] = df * a[:, 3:4]
        jac = jac @ d
        warm = np.zeros((S, n + 5, 1))
        warm[:, :n, 0] = data.warm * FRAME_EXPANSION_SD_PER_K
        jac = np.concatenate([jac, warm], axis=2)
        jac = jac - q @ (np.swapaxes(q, 1, 2) @ jac)
        own = self.prior_root @ (theta[: len(self.keep)] - self.p.mean[self.keep])
        rows = [miss.reshape(-1), own, theta[-1:]]
        drows = [-jac.reshape(-1, theta.size), np.zeros((own.size, theta.size)), np.zeros((1, theta.size))]
        drows[1][:, : len(self.keep)] = self.prior_root
        drows[2][0, -1] = 1.0
        if self.law is not None:
            rows.append((theta[len(self.keep) : -1] - self.law.start) / self.law.sd)
            extra = np.zeros((self.n_law, theta.size))
            extra[np.arange(self.n_law), len(self.keep) + np.arange(self.n_law)] = 1.0 / self.law.sd
            drows.append(extra)
        self._at = theta.copy()
        self.residual, self.jacobian = np.concatenate(rows), np.concatenate(drows)
        self.a, self.r, self.miss = a, r, miss[:, :n]
        self.columns = columns
        self.value, self.d = value, d


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """A named law for the recoverable part: few numbers in, logarithms of the modes' compliances out."""

    name: str
    start: Floats  # (f,)
    sd: Floats  # (f,) width of a weak normal prior about the start
    names: tuple[str, ...]
    log_compliance: Callable[[Floats], Floats]  # (f,) -> (K,)


def turn(data: Data, p: Prior, spread_sd: Floats, start: Floats, law: Law | None = None) -> Fitted:
    """Turn the shared parameters until the sum of squares (data, priors) is least.

    ``start``: (p + 1,) logarithms of all parameters, then the frame's expansion in units of its prior's sd.
    """
    model = _Model(data, p, spread_sd, law)
    parameters = lmfit.Parameters()
    first = np.concatenate([start[:-1][model.keep], [] if law is None else law.start, start[-1:]])
    for i, v in enumerate(first):
        parameters.add(f"p{i:02d}", value=float(v))
    low = np.concatenate(
        [p.mean[model.keep] - 6 * np.sqrt(np.diag(p.covariance)[model.keep]), np.full(model.n_law + 1, -np.inf)]
    )
    high = 2 * np.concatenate([p.mean[model.keep], np.zeros(model.n_law + 1)]) - low

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
        out = lmfit.minimize(
            residual,
            parameters,
            method="leastsq",
            Dfun=jacobian,
            scale_covar=False,
            calc_covar=False,
            ftol=1e-7,
            xtol=1e-7,
            max_nfev=200,
        )
        theta = unpack(out.params)
        model.evaluate(theta)
    hessian = model.jacobian.T @ model.jacobian
    covariance: Floats | None = None
    try:
        shared = np.linalg.inv(hessian)
        covariance = model.d @ shared[:-1, :-1] @ model.d.T
        covariance = 0.5 * (covariance + covariance.T)
        if not np.isfinite(covariance).all() or (np.diag(shared) < 0).any():
            covariance = None
    except np.linalg.LinAlgError:
        covariance = None
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
        frame_expansion_per_K=float(theta[-1]) * FRAME_EXPANSION_SD_PER_K,
        spread_sd=spread_sd,
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
        law_values={} if law is None else dict(zip(law.names, theta[len(model.keep) : -1].tolist(), strict=True)),
    )


def turn_from_several(data: Data, p: Prior, spread_sd: Floats, start: Floats) -> Fitted:
    """The best of a few starts: as given, and with flow and the slowest modes put back to what is expected.

    One night hardly tells flow from slow modes, so the sum of squares has more than one hollow.
    """
    best = turn(data, p, spread_sd, start)
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


def _taus(data: Data, p: Prior, part: str) -> Floats:
    return bs.RECOVERABLE_TAU_S if part == "recoverable" else bs.BEDDING_TAU_S


def crude_EA_N(spokes: Sequence[Thinned]) -> float:
    """Stiffness from the largest quick changes of load, N: good to a few per cent, for priors and starts."""
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
    return float(np.median(found)) * 1.1 if found else 4e5


def start_from(data: Data, p: Prior) -> Floats:
    """Where to begin: the prior's shapes, each part's level by least squares on the plain columns."""
    model = _Model(data, p, np.full(4, 1e3))
    theta = np.concatenate([p.mean, [0.0]])
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
    own = turn(data, p, spread, alike.theta)
    sane = bool((own.scales[:, 3] > 0.25).all() and (own.scales[:, 3] < 4.0).all())
    if sane and own.cost < alike.cost - 4.0:
        return own
    sd = np.array(alike.scales_sd)
    sd[:, 3] = spread[3]
    return replace(alike, scales_sd=sd)


def _remainder(
    spokes: Sequence[Thinned],
    basis: bs.Basis,
    EA_N: float,
    at_N: float,
    use: NDArray[np.bool_] | None,
    p: Prior,
    f: Fitted,
    now_mm: float,
) -> float:
    """The size of the correlated remainder that makes the data most likely, among REMAINDER_MM, by Laplace."""
    costs: dict[float, float] = {}

    def cost(size: float) -> float:
        if size not in costs:
            trial = prepare(spokes, basis, EA_N, size, at_N, use, alike=1)
            model = _Model(trial, p, f.spread_sd)
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
) -> tuple[Fitted, Data]:
    """Fit a batch: the smooth general chain, its spokes, the errors' size and the spread, in that order, twice."""
    reference = reference_temperature_C(spokes)
    basis = bs.build(spokes, reference, ACTIVATION_KJ)
    EA_N = crude_EA_N(spokes)
    top = max(float(s.load_N.max()) for s in spokes)
    at_N = 1000.0 if top >= 700.0 else top
    p = prior(EA_N, at_N, bs.RECOVERABLE_TAU_S, bs.BEDDING_TAU_S, reference, linear_density_g_per_m)
    spread = np.array(SPREAD_LOG_SD)
    remainder = 1.6e-3
    data = prepare(spokes, basis, EA_N, remainder, at_N, use)
    start = start_from(data, p)
    fitted = turn_from_several(data, p, spread * ONE_FLOW, start)
    for _ in range(3):
        fitted = _with_own_flow(data, p, spread, fitted)
        before, remainder = remainder, _remainder(spokes, basis, EA_N, at_N, use, p, fitted, remainder)
        spread = learn_spread(fitted)
        data = prepare(spokes, basis, EA_N, remainder, at_N, use)
        fitted = turn_from_several(data, p, spread * ONE_FLOW, fitted.theta)
        if remainder == before:
            break
    fitted = _with_own_flow(data, p, spread, fitted)
    return replace(fitted, remainder_mm=remainder, spread_sd=learn_spread(fitted)), data
