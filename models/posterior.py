"""What the data leave open of the shared parameters, beyond a best fit and its curvature: moments of the whole density.

Where a part is hardly told (what a night without a rest leaves of bedding-in and recoverable modes), the density of the
logarithms is skewed: its middle lies off its peak, and its width is not what the curvature at the peak says. Chains of
draws whose steps keep the normal density of peak and curvature need to weigh only what differs from it (pCN: Cotter,
Roberts, Stuart & White 2013, MCMC methods for functions, Statistical Science 28, 424, from memory). Many run side by
side, so that each step is a few products of matrices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models import basis as bs
from models.chain import BEDDING_UNIT_N
from models.fit import Fitted
from models.projection import Projection
from models.whiten import Data

Floats = NDArray[np.float64]
CHAINS = (12, 48)  # fewest and most; between them, as many as make about
SPOKES = 400  # chains times spokes: so a large batch does not take longer
STEPS = 400
SETTLING = 100  # first steps, left out
STRIDES = (0.5, 0.9)  # how far a step goes, of the peak's own width; drawn evenly
NODES = 24  # sets of parameters at which the curved columns are taken,
WIDER = 1.5  # drawn so many times wider than the normal density
NEGLIGIBLE = 1e-7  # of a column
LEAST_TAKEN = 0.05  # of the steps: with fewer the draws are those of a few places


class Density:
    """-2 ln of likelihood times prior, but for a constant, the spokes' scales integrated out; for many sets at once.

    All that a spoke can do lies, but for parts in ten million, in far fewer directions than it has means: those of its
    linear columns and of the curved ones (elasticity, flow) at the sets ``about``. Only along these is it looked at.
    """

    def __init__(self, data: Data, model: Projection, about: Floats) -> None:
        self.data, self.model = data, model
        self.weight = 1.0 / model.inner_sd  # (S, 5)
        S, n = data.y.shape
        bedding = np.moveaxis(data.bedding, 0, 2).reshape(S, n, -1)  # (S, n, M J)
        linear = np.concatenate(
            [
                data.recoverable,
                data.squared,
                bedding,
                data.one[..., None],
                data.shared,
                *self._curved(about, data.root),
            ],
            axis=2,
        )
        linear /= np.maximum(np.sqrt(np.square(linear).sum(axis=1, keepdims=True)), 1e-300)
        directions, size, _ = np.linalg.svd(linear, full_matrices=False)
        count = int((size > NEGLIGIBLE * size[:, :1]).sum(axis=1).max())
        along = directions[..., :count].swapaxes(1, 2)  # (S, q, n)
        self.root, self.recoverable, self.squared = along @ data.root, along @ data.recoverable, along @ data.squared
        self.bedding, self.shared = along @ bedding, along @ data.shared
        self.y, self.one = along @ data.y[..., None], along @ data.one[..., None]  # (S, q, 1)

    def _curved(self, theta: Floats, root: Floats) -> list[Floats]:
        """(S, q, B) whitened strain of elasticity and of flow."""
        model = self.model
        of = np.exp(theta[:, : theta.shape[1] - model.n_shared])[..., None, None]  # (B, p, 1, 1)
        toe, toe_scale = (of[:, i] for i in model.toe)
        e = sum(bs.elastic_N(self.data.basis.load_N, of[:, 1], toe, toe_scale)) * of[:, 0]
        f = bs.flow_strain(self.data.basis, of[:, -1], self.data.at_N) * of[:, -2]
        return [root @ np.moveaxis(x, 0, -1) for x in (e, f)]

    def __call__(self, theta: Floats) -> Floats:
        """(B,) of (B, p + W)."""
        model = self.model
        W = model.n_shared
        value, shared = theta[:, : theta.shape[1] - W], theta[:, -W:]
        e, f = self._curved(theta, self.root)  # (S, q, B)
        more = np.exp(value[:, model.nonlinear])
        c = (np.exp(value[:, model.rec]) / more[:, None]).T  # (K, B)
        r = self.recoverable @ c + self.squared @ (c * (more - 1.0) / BEDDING_UNIT_N)
        w = bs.exponent_weights(self.data.basis, np.exp(value[:, 2]))  # (B, M)
        b = self.bedding @ (w[:, :, None] * np.exp(value[:, model.bed])[:, None, :]).reshape(w.shape[0], -1).T
        one = np.broadcast_to(self.one, e.shape)
        columns = np.stack([e, r, b, f, one], axis=-1).swapaxes(1, 2)  # (S, B, q, 5)
        y = np.moveaxis(self.y - self.shared @ shared.T, 1, 2)[..., None]  # (S, B, q, 1)
        across = columns.swapaxes(-1, -2)
        own = np.square(self.weight)[:, None, :]
        gram = across @ columns + own[..., None] * np.eye(5)
        a = np.linalg.solve(gram, across @ y + (own * model.inner_mean)[..., None])
        miss = (y - columns @ a)[..., 0]
        off = (a[..., 0] - model.inner_mean) * self.weight[:, None, :]
        before = (value[:, model.keep] - model.p.mean[model.keep]) @ model.prior_root.T
        total: Floats = (
            np.square(miss).sum(axis=(0, 2))
            + np.square(off).sum(axis=(0, 2))
            + np.square(before).sum(axis=1)
            + np.square(shared).sum(axis=1)
            + np.linalg.slogdet(gram)[1].sum(axis=0)
        )
        return total


def with_moments(data: Data, f: Fitted, seed: int = 0) -> Fitted:
    """The fit with the mean of its logarithms and their covariance as the whole density has them.

    As it is where its errors are not known, or where the chains get hardly anywhere.
    """
    if f.covariance is None:
        return f
    model = Projection(data, f.prior, f.spread_sd, flow_alike=f.flow_alike)
    model.evaluate(f.theta)
    many = int(np.clip(SPOKES // len(data.spokes), *CHAINS))
    try:
        root = np.linalg.inv(np.linalg.cholesky(model.jacobian.T @ model.jacobian)).T
        rng = np.random.default_rng(seed)
        about = f.theta + WIDER * rng.standard_normal((NODES, f.theta.size)) @ root.T
        with np.errstate(all="ignore"):  # a draw so far off that it overflows counts as nothing, and says nothing
            drawn, taken = chains(Density(data, model, about), f.theta, root, many, rng)
    except np.linalg.LinAlgError:
        return f
    if taken < LEAST_TAKEN:
        return f
    value = drawn[:, : f.value.size]
    return replace(f, value=value.mean(axis=0), covariance=np.cov(value, rowvar=False))


def chains(
    density: Callable[[Floats], Floats], peak: Floats, root: Floats, many: int, rng: np.random.Generator
) -> tuple[Floats, float]:
    """Draws from a density about its peak, by ``many`` chains that begin in the normal density N(peak, root root').

    Parameters
    ----------
    density
        (B, p) -> (B,) of -2 ln of the density, but for a constant; what is not a number counts as nothing at all.

    Returns
    -------
    (settled steps x chains, p) draws, and the share of steps that were taken.
    """

    def at(z: Floats) -> Floats:
        found = density(peak + z @ root.T)
        return np.where(np.isfinite(found), found, np.inf)

    z = rng.standard_normal((many, peak.size))
    here = at(z)
    kept, taken = [], 0.0
    for step in range(STEPS):
        stride = rng.choice(STRIDES, size=(many, 1))
        to = np.sqrt(1.0 - stride**2) * z + stride * rng.standard_normal(z.shape)
        there = at(to)
        to_go = np.isfinite(there)
        gain = here[to_go] - there[to_go] + (np.square(to) - np.square(z)).sum(axis=1)[to_go]
        take = to_go.copy()
        take[to_go] = np.log(rng.random(int(to_go.sum()))) < 0.5 * gain
        z[take], here[take] = to[take], there[take]
        if step >= SETTLING:
            kept.append(z.copy())
            taken += float(take.mean()) / (STEPS - SETTLING)
    return peak + np.concatenate(kept) @ root.T, taken
