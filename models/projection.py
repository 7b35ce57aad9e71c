"""The least-squares problem of a fit: the shared parameters outside, each spoke's scales and zero solved inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import basis as bs
from models.batch import NONLINEARITY
from models.chain import BEDDING_UNIT_N
from models.prior import Prior
from models.whiten import Data

Floats = NDArray[np.float64]
OFFSET_SD_MM = 0.5
ALIKE = np.array([1.0, 1.0, 1.0, 2e-3])  # else a wrong flow could hide behind scales of nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """A named law for the recoverable part: few numbers in, logarithms of the modes' compliances out."""

    name: str
    start: Floats  # (f,)
    sd: Floats  # (f,) width of a weak normal prior about the start
    names: tuple[str, ...]
    log_compliance: Callable[[Floats], Floats]  # (f,) -> (K,)
    linear_flow: bool = False  # flow in proportion to load, as of a dashpot, at a rate of which nothing is assumed


def expected(data: Data, p: Prior) -> Floats:
    """(p + W,) what is expected before the test: the prior's middle, and nothing of what the spokes share."""
    return np.concatenate([p.mean, np.zeros(data.shared.shape[-1])])


class Projection:
    """Residuals and Jacobian of the shared parameters with the spokes' scales solved inside."""

    def __init__(
        self, data: Data, p: Prior, spread_sd: Floats, law: Law | None = None, *, flow_alike: bool = False
    ) -> None:
        self.data, self.p, self.law = data, p, law
        self.rec, self.bed = p.index("recoverable"), p.index("bedding")
        self.nonlinear = p.names.index(NONLINEARITY)
        self.toe = [p.names.index("toe"), p.names.index("toe_scale")]
        keep = [i for i in range(len(p.names)) if law is None or i not in self.rec]
        self.keep = keep
        self.n_law = 0 if law is None else len(law.start)
        cov = p.covariance[np.ix_(keep, keep)]
        self.prior_root = np.linalg.inv(np.linalg.cholesky(cov))
        self.n_shared = data.shared.shape[-1]
        self.free = len(keep) + self.n_law + self.n_shared
        lengths = np.array([s.gauge_length_mm for s in data.spokes])
        own_sd = spread_sd * (ALIKE if flow_alike else 1.0)
        self.inner_sd = np.concatenate(
            [np.broadcast_to(own_sd, (len(data.spokes), 4)), (OFFSET_SD_MM / lengths)[:, None]], axis=1
        )
        # of log-normal scales about the middle spoke, whose own are 1: a few spokes' mean lies above their median
        self.inner_mean = np.append(np.exp(0.5 * spread_sd**2), 0.0)
        self._at: Floats | None = None

    def full(self, theta: Floats) -> tuple[Floats, Floats]:
        """All logarithms, and their derivative with the turned parameters (without what the spokes share)."""
        p = len(self.p.names)
        value, d = np.zeros(p), np.zeros((p, theta.size - self.n_shared))
        for col, i in enumerate(self.keep):
            value[i], d[i, col] = theta[col], 1.0
        if self.law is not None:
            phi = theta[len(self.keep) : -self.n_shared]
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
        toe, toe_scale = np.exp(value[self.toe])
        e, *de = ((data.root @ x[..., None])[..., 0] * compliance for x in bs.elastic(basis.load_N, s, toe, toe_scale))
        more = np.exp(value[self.nonlinear])  # 1 + q 1000 N; the compliances are those at 1000 N
        c = np.exp(value[self.rec]) / more
        r_k = (data.recoverable + (more - 1.0) / BEDDING_UNIT_N * data.squared) * c
        dr = (data.squared / BEDDING_UNIT_N - data.recoverable) @ c
        w, dw = bs.at_exponent(basis, float(m))
        b_unit = np.tensordot(w, data.bedding, axes=1)
        b_j = b_unit * np.exp(value[self.bed])
        db = (np.tensordot(dw, data.bedding, axes=1) * np.exp(value[self.bed])).sum(-1)
        f, df = bs.flow(basis, float(np.exp(value[-1])), data.at_N)
        rate = np.exp(value[-2])
        f, df = ((data.root @ x[..., None])[..., 0] * rate for x in (f, df))
        columns = np.stack([e, r_k.sum(-1), b_j.sum(-1), f, data.one], axis=-1)  # (S, n, 5)
        y = data.y - data.shared @ theta[-self.n_shared :]
        aug = np.concatenate([columns, np.eye(5) / self.inner_sd[:, None, :]], axis=1)
        target = np.concatenate([y, self.inner_mean / self.inner_sd], axis=1)
        q, r = np.linalg.qr(aug)
        a = np.linalg.solve(r, np.einsum("smk,sm->sk", q, target)[..., None])[..., 0]
        miss = target - np.einsum("smk,sk->sm", aug, a)
        # derivatives of the model with each logarithm, scales held
        jac = np.zeros((S, n + 5, len(self.p.names)))
        jac[:, :n, 0] = e * a[:, :1]
        for i, x in zip((1, *self.toe), de, strict=True):
            jac[:, :n, i] = x * a[:, :1]
        jac[:, :n, 2] = db * a[:, 2:3]
        jac[:, :n, self.nonlinear] = dr * a[:, 1:2]
        jac[:, :n, self.rec] = r_k * a[:, 1, None, None]
        jac[:, :n, self.bed] = b_j * a[:, 2, None, None]
        jac[:, :n, -2] = f * a[:, 3:4]
        jac[:, :n, -1] = df * a[:, 3:4]
        jac = jac @ d
        shared = np.zeros((S, n + 5, self.n_shared))
        shared[:, :n] = data.shared
        jac = np.concatenate([jac, shared], axis=2)
        jac = jac - q @ (np.swapaxes(q, 1, 2) @ jac)
        own = self.prior_root @ (theta[: len(self.keep)] - self.p.mean[self.keep])
        rows = [miss.reshape(-1), own, theta[-self.n_shared :]]
        drows = [-jac.reshape(-1, theta.size), np.zeros((own.size, theta.size)), np.eye(theta.size)[-self.n_shared :]]
        drows[1][:, : len(self.keep)] = self.prior_root
        if self.law is not None:
            rows.append((theta[len(self.keep) : -self.n_shared] - self.law.start) / self.law.sd)
            extra = np.zeros((self.n_law, theta.size))
            extra[np.arange(self.n_law), len(self.keep) + np.arange(self.n_law)] = 1.0 / self.law.sd
            drows.append(extra)
        self._at = theta.copy()
        self.residual, self.jacobian = np.concatenate(rows), np.concatenate(drows)
        self.a, self.r, self.miss = a, r, miss[:, :n]
        self.columns = columns
        self.value, self.d = value, d
