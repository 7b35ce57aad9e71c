"""A batch of spokes: its middle spoke, spoke-to-spoke spread, what is not known of both, and draws for a forecast."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain
from models.errors import InputError

Floats = NDArray[np.float64]
PARTS = ("elastic", "recoverable", "bedding", "flow")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Spoke-to-spoke scatter: each spoke multiplies each part's compliance by its own log-normal scale."""

    log_sd: Floats  # (4,) sd of the natural logarithm of the scales of PARTS
    correlation: Floats  # (4, 4) between them
    spokes: int  # how many spokes the figures were learned from
    degrees_of_freedom: float | None = None  # that log_sd is worth; None: spokes - 1, at least 3

    def __post_init__(self) -> None:
        if self.log_sd.shape != (4,) or self.correlation.shape != (4, 4):
            raise InputError("spread: four log_sd (elastic, recoverable, bedding, flow) and a 4 x 4 correlation")
        if (self.log_sd < 0).any() or not np.isfinite(self.log_sd).all():
            raise InputError("spread: log_sd must be finite and not negative")
        if self.spokes < 1:
            raise InputError("spread: spokes must be at least 1")
        if not np.isfinite(self.correlation).all() or np.linalg.eigvalsh(self.correlation).min() < -1e-8:
            raise InputError("spread: correlation is not positive semi-definite")
        if self.degrees_of_freedom is not None and not self.degrees_of_freedom >= 1:
            raise InputError("spread: degrees_of_freedom must be at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """What is not known of the batch's middle spoke: joint log-normal errors of named chain parameters.

    Names: ``elastic``, ``recoverable[k]``, ``bedding[j]``, ``flow[i]`` multiply a compliance or a rate;
    ``flow_scale[i]`` multiplies a force scale; ``stiffening``, ``bedding_exponent`` and ``activation_recoverable``,
    ``activation_bedding``, ``activation_flow`` multiply the chain's value of that name.
    """

    names: tuple[str, ...]  # (p,)
    log_covariance: Floats  # (p, p)
    flow_load_N: float | None = None  # flow[i] multiplies the rate at this load; None: the factor of the sinh

    def __post_init__(self) -> None:
        p = len(self.names)
        if self.log_covariance.shape != (p, p):
            raise InputError(f"uncertainty: log_covariance must be {p} x {p} for {p} names")
        if len(set(self.names)) != p:
            raise InputError("uncertainty: a name stands twice")
        if self.flow_load_N is not None and not self.flow_load_N > 0:
            raise InputError("uncertainty: flow_load_N must be positive")
        if not np.isfinite(self.log_covariance).all():
            raise InputError("uncertainty: log_covariance must be finite; what is not known cannot be drawn from")
        if p and np.linalg.eigvalsh(self.log_covariance).min() < -1e-8:
            raise InputError("uncertainty: log_covariance is not positive semi-definite")


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Everything that `longhold fit` learned of one batch, as in BATCH.json."""

    batch: str
    law: str
    chain: Chain  # the middle spoke, shape ()
    spread: Spread
    uncertainty: Uncertainty
    candidates: tuple[Mapping[str, Any], ...] = ()
    covers: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    source: tuple[Mapping[str, Any], ...] = ()
    made_with: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)  # further keys of the file, kept as they are

    def as_dict(self) -> dict[str, Any]:
        """The content of BATCH.json."""
        return {
            "batch": self.batch,
            "law": self.law,
            "chain": self.chain.as_dict(),
            "spread": {
                "log_sd": dict(zip(PARTS, map(float, self.spread.log_sd), strict=True)),
                "correlation": self.spread.correlation.tolist(),
                "spokes": self.spread.spokes,
                "degrees_of_freedom": self.spread.degrees_of_freedom,
            },
            "uncertainty": {
                "names": list(self.uncertainty.names),
                "log_covariance": self.uncertainty.log_covariance.tolist(),
                "flow_load_N": self.uncertainty.flow_load_N,
            },
            "candidates": [dict(c) for c in self.candidates],
            "covers": dict(self.covers),
            "warnings": list(self.warnings),
            "source": [dict(s) for s in self.source],
            "made_with": self.made_with,
            **self.extra,
        }

    @classmethod
    def from_dict(cls, d: Mapping[str, Any]) -> Batch:
        """Read BATCH.json; only ``batch``, ``chain`` and ``spread`` are needed.

        Where the file carries no ``uncertainty``, that of the middle spoke is taken from the spread over the
        number of spokes tested.

        Raises
        ------
        InputError
            Names the key that is missing or wrong.
        """
        for key in ("batch", "chain", "spread"):
            if key not in d:
                raise InputError(f"key '{key}' is missing: a batch file needs batch, chain and spread")
        try:
            chain = Chain.from_dict(d["chain"])
        except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
            raise InputError(f"key 'chain': {error!s}") from None
        s = d["spread"]
        try:
            spread = Spread(
                log_sd=np.array([float(s["log_sd"].get(p, 0.0)) for p in PARTS]),
                correlation=np.array(s.get("correlation", np.eye(4)), dtype=np.float64),
                spokes=int(s.get("spokes", 1)),
                degrees_of_freedom=None if s.get("degrees_of_freedom") is None else float(s["degrees_of_freedom"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(f"key 'spread': {error!s}") from None
        u = d.get("uncertainty")
        if u is None:
            uncertainty = _from_spread(chain, spread)
        else:
            try:
                uncertainty = Uncertainty(
                    names=tuple(map(str, u["names"])),
                    log_covariance=np.array(u["log_covariance"], dtype=np.float64),
                    flow_load_N=None if u.get("flow_load_N") is None else float(u["flow_load_N"]),
                )
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise InputError(f"key 'uncertainty': {error!s}") from None
            known_names = _drawable(chain)
            for name in uncertainty.names:
                if name not in known_names:
                    raise InputError(f"uncertainty: the chain has no parameter '{name}'")
        known = {
            "batch",
            "law",
            "chain",
            "spread",
            "uncertainty",
            "candidates",
            "covers",
            "warnings",
            "source",
            "made_with",
        }
        return cls(
            batch=str(d["batch"]),
            law=str(d.get("law", "")),
            chain=chain,
            spread=spread,
            uncertainty=uncertainty,
            candidates=tuple(d.get("candidates", ())),
            covers=d.get("covers", {}),
            warnings=tuple(d.get("warnings", ())),
            source=tuple(d.get("source", ())),
            made_with=str(d.get("made_with", "")),
            extra={k: v for k, v in d.items() if k not in known},
        )


def _names_of(chain: Chain) -> list[tuple[str, int]]:
    """Multiplicative parameters of a chain with the index of the part they belong to."""
    return [
        ("elastic", 0),
        *((f"recoverable[{k}]", 1) for k in range(chain.recoverable_tau_s.size)),
        *((f"bedding[{j}]", 2) for j in range(chain.bedding_tau_s.size)),
        *((f"flow[{i}]", 3) for i in range(chain.flow_rate_per_s.shape[-1])),
    ]


def _from_spread(chain: Chain, spread: Spread) -> Uncertainty:
    named = _names_of(chain)
    cov = np.outer(spread.log_sd, spread.log_sd) * spread.correlation / spread.spokes
    part = [p for _, p in named]
    return Uncertainty(names=tuple(n for n, _ in named), log_covariance=cov[np.ix_(part, part)])


def _drawable(chain: Chain) -> set[str]:
    names = {name for name, _ in _names_of(chain)}
    names |= {f"flow_scale[{i}]" for i in range(chain.flow_rate_per_s.shape[-1])}
    return names | {"stiffening", "bedding_exponent"} | {f"activation_{p}" for p in PARTS[1:]}


def _root(cov: Floats) -> Floats:
    """A square root of a positive semi-definite matrix (which a Cholesky factor may refuse)."""
    values, vectors = np.linalg.eigh(cov)
    root: Floats = vectors * np.sqrt(np.clip(values, 0.0, None))
    return root


def draw_chains(batch: Batch, rng: np.random.Generator, draws: int, spokes: int) -> Chain:
    """New spokes of a batch, as far as it is known.

    Each draw takes one middle spoke from the batch's uncertainty and one spread from what the number of tested spokes
    allows (a scaled inverse chi-square of ``degrees_of_freedom``, by default ``spokes - 1``, of at least 3; one for
    each part), then ``spokes`` spokes.

    Returns
    -------
    Chain of leading shape (draws, spokes); parameters that no spoke has of its own have shape (draws, 1).
    """
    chain, u = batch.chain, batch.uncertainty
    z = rng.standard_normal((draws, len(u.names))) @ _root(u.log_covariance).T
    factors = {name: np.exp(z[:, i]) for i, name in enumerate(u.names)}

    def factor(name: str) -> Floats:
        return factors.get(name, np.ones(draws))[:, None]

    def each(part: str, n: int) -> Floats:
        if n == 0:
            return np.ones((draws, 1, 0))
        return np.stack([factor(f"{part}[{k}]") for k in range(n)], axis=-1)

    nu = batch.spread.degrees_of_freedom
    nu = max(batch.spread.spokes - 1, 3) if nu is None else nu
    wide = np.sqrt(nu / rng.chisquare(nu, size=(draws, 1, 4)))
    log_sd = batch.spread.log_sd
    root = _root(batch.spread.correlation)
    own = np.exp((rng.standard_normal((draws, spokes, 4)) @ root.T) * (log_sd * wide))  # (draws, spokes, 4)
    n_flow = chain.flow_rate_per_s.shape[-1]
    scale = chain.flow_force_scale_N * each("flow_scale", n_flow)
    rate = chain.flow_rate_per_s * each("flow", n_flow)
    if u.flow_load_N is not None:
        # sinh(x)/sinh(x') without overflow: the rate at flow_load_N stays when the scale moves
        x, x1 = u.flow_load_N / chain.flow_force_scale_N, u.flow_load_N / scale
        rate = rate * np.exp(x - x1) * np.expm1(-2.0 * x) / np.expm1(-2.0 * x1)
    return replace(
        chain,
        EA0_N=chain.EA0_N / (factor("elastic") * own[..., 0]),
        stiffening_per_N=chain.stiffening_per_N * factor("stiffening"),
        recoverable_compliance_per_N=chain.recoverable_compliance_per_N
        * each("recoverable", chain.recoverable_tau_s.size)
        * own[..., 1:2],
        bedding_compliance_per_N=chain.bedding_compliance_per_N
        * each("bedding", chain.bedding_tau_s.size)
        * own[..., 2:3],
        bedding_exponent=chain.bedding_exponent * factor("bedding_exponent"),
        flow_rate_per_s=rate * own[..., 3:4],
        flow_force_scale_N=scale,
        activation_recoverable_kJ_per_mol=chain.activation_recoverable_kJ_per_mol * factor("activation_recoverable"),
        activation_bedding_kJ_per_mol=chain.activation_bedding_kJ_per_mol * factor("activation_bedding"),
        activation_flow_kJ_per_mol=chain.activation_flow_kJ_per_mol * factor("activation_flow"),
    )
