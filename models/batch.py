"""A batch of spokes: its middle spoke, spoke-to-spoke spread, what is not known of both, and draws for a forecast."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.chain import BEDDING_UNIT_N, Chain
from models.errors import InputError
from models.unknown import AREA, TIMES_S, SpectrumEnd, Spread, Uncertainty

Floats = NDArray[np.float64]
PARTS = ("elastic", "recoverable", "bedding", "flow")
MOST_EXPONENT = 10.0  # of bedding-in with load: far beyond any that a fit finds
NONLINEARITY = "recoverable_nonlinearity"
LEAST_NONLINEARITY = 0.91  # of 1 + q 1000 N: below it the strain would not rise with load
MOST_UNLIKE = 4.0  # natural log: no spoke is taken for fifty times another of its batch, however little is known


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
        end = self.uncertainty.recoverable_end
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
                "log_shift": None if self.uncertainty.log_shift is None else self.uncertainty.log_shift.tolist(),
                "flow_load_N": self.uncertainty.flow_load_N,
                "fibre_area_mm2": self.uncertainty.fibre_area_mm2,
                "recoverable_end": None if end is None else asdict(end),
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
        except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
            raise InputError(f"key 'chain': {_why(error)}") from None
        if chain.shape:
            raise InputError("key 'chain': one spoke is wanted, and a list stands where one number is allowed")
        if float(chain.bedding_exponent) > MOST_EXPONENT:
            raise InputError(
                f"key 'chain': bedding_exponent is {float(chain.bedding_exponent):g}; a power of the load up to "
                f"{MOST_EXPONENT:g} is allowed"
            )
        for part, taus in (
            ("recoverable", chain.recoverable_tau_s),
            ("bedding", chain.bedding_tau_s[chain.bedding_tau_s > 0]),
        ):
            if ((taus < TIMES_S[0]) | (taus > TIMES_S[1])).any():
                raise InputError(
                    f"key 'chain': tau_s of {part} must lie between {TIMES_S[0]:g} and {TIMES_S[1]:g} s"
                    + (", or be 0" if part == "bedding" else "")
                )
        s = d["spread"]
        try:
            spread = Spread(
                log_sd=np.array([float(s["log_sd"].get(p, 0.0)) for p in PARTS]),
                correlation=np.array(s.get("correlation", np.eye(4)), dtype=np.float64),
                spokes=int(s.get("spokes", 1)),
                degrees_of_freedom=None if s.get("degrees_of_freedom") is None else float(s["degrees_of_freedom"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            raise InputError(f"key 'spread': {_why(error)}") from None
        u = d.get("uncertainty")
        if u is None:
            uncertainty = _from_spread(chain, spread)
        else:
            try:
                names = tuple(map(str, u["names"]))
                covariance = np.array(u["log_covariance"], dtype=np.float64)
                uncertainty = Uncertainty(
                    names=names,
                    log_covariance=covariance if names or covariance.size else np.zeros((0, 0)),
                    log_shift=None if u.get("log_shift") is None else np.array(u["log_shift"], dtype=np.float64),
                    flow_load_N=None if u.get("flow_load_N") is None else float(u["flow_load_N"]),
                    fibre_area_mm2=None if u.get("fibre_area_mm2") is None else float(u["fibre_area_mm2"]),
                    recoverable_end=_end_from(u.get("recoverable_end")),
                )
            except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
                raise InputError(f"key 'uncertainty': {_why(error)}") from None
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
        for key in ("candidates", "source", "warnings"):
            entries = d.get(key, ())
            of_tables = key != "warnings"
            if not isinstance(entries, list | tuple) or (
                of_tables and not all(isinstance(e, Mapping) for e in entries)
            ):
                raise InputError(f"key '{key}' must be a list{' of tables' if of_tables else ''}")
        covers = d.get("covers", {})
        if not isinstance(covers, Mapping):
            raise InputError("key 'covers' must be a table")
        for key, numbers in (("load_N", 2), ("temperature_C", 2), ("longest_hold_s", 1), ("gauge_length_mm", 1)):
            value = covers.get(key)
            values = value if numbers == 2 else [value]
            if value is not None and not (
                isinstance(values, list | tuple) and len(values) == numbers and all(_is_number(v) for v in values)
            ):
                raise InputError(f"key 'covers.{key}' must be {'two numbers' if numbers == 2 else 'a number'}")
        return cls(
            batch=str(d["batch"]),
            law=str(d.get("law", "")),
            chain=chain,
            spread=spread,
            uncertainty=uncertainty,
            candidates=tuple(d.get("candidates", ())),
            covers=covers,
            warnings=tuple(d.get("warnings", ())),
            source=tuple(d.get("source", ())),
            made_with=str(d.get("made_with", "")),
            extra={k: v for k, v in d.items() if k not in known},
        )


def _end_from(d: Mapping[str, Any] | None) -> SpectrumEnd | None:
    if d is None:
        return None
    return SpectrumEnd(**{f.name: float(d[f.name]) for f in fields(SpectrumEnd)})


def _why(error: Exception) -> str:
    """What is wrong with a part of the file, in words."""
    if isinstance(error, KeyError):
        return f"{error.args[0]} is missing"
    if isinstance(error, ValueError):
        return str(error)
    return "is not in the form that 'longhold fit' writes"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < np.inf


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
    return (
        names
        | {"stiffening", "toe", "toe_scale", "bedding_exponent", NONLINEARITY, AREA}
        | {f"activation_{p}" for p in PARTS[1:]}
    )


def _root(cov: Floats) -> Floats:
    """A square root of a positive semi-definite matrix (which a Cholesky factor may refuse)."""
    values, vectors = np.linalg.eigh(cov)
    root: Floats = vectors * np.sqrt(np.clip(values, 0.0, None))
    return root


def multiplied(chain: Chain, factors: Mapping[str, Floats], flow_load_N: float | None) -> Chain:
    """The chain with its values multiplied by ``factors`` (each of one leading shape), named as in `Uncertainty`."""

    def factor(name: str) -> Floats:
        return factors.get(name, np.ones(()))

    def each(part: str, n: int) -> Floats:
        own = [factor(f"{part}[{k}]") for k in range(n)]
        return np.stack(np.broadcast_arrays(*own), axis=-1) if n else np.ones((0,))

    n_flow = chain.flow_rate_per_s.shape[-1]
    scale = chain.flow_force_scale_N * each("flow_scale", n_flow)
    rate = chain.flow_rate_per_s * each("flow", n_flow)
    if flow_load_N is not None:
        # sinh(x)/sinh(x') without overflow: the rate at flow_load_N stays when the scale moves
        x, x1 = flow_load_N / chain.flow_force_scale_N, flow_load_N / scale
        rate = rate * np.exp(x - x1) * np.expm1(-2.0 * x) / np.expm1(-2.0 * x1)
    was = 1.0 + BEDDING_UNIT_N * chain.recoverable_nonlinearity_per_N
    now = np.maximum(was * factor(NONLINEARITY), LEAST_NONLINEARITY)
    recoverable = each("recoverable", chain.recoverable_tau_s.size) * (was / now)[..., None]
    return replace(
        chain,
        EA0_N=chain.EA0_N / factor("elastic"),
        stiffening_per_N=chain.stiffening_per_N * factor("stiffening"),
        toe_N=chain.toe_N * factor("toe"),
        toe_scale_N=chain.toe_scale_N * factor("toe_scale"),
        recoverable_compliance_per_N=chain.recoverable_compliance_per_N * recoverable,
        recoverable_nonlinearity_per_N=(now - 1.0) / BEDDING_UNIT_N,
        bedding_compliance_per_N=chain.bedding_compliance_per_N * each("bedding", chain.bedding_tau_s.size),
        bedding_exponent=chain.bedding_exponent * factor("bedding_exponent"),
        flow_rate_per_s=rate,
        flow_force_scale_N=scale,
        activation_recoverable_kJ_per_mol=chain.activation_recoverable_kJ_per_mol * factor("activation_recoverable"),
        activation_bedding_kJ_per_mol=chain.activation_bedding_kJ_per_mol * factor("activation_bedding"),
        activation_flow_kJ_per_mol=chain.activation_flow_kJ_per_mol * factor("activation_flow"),
    )


def given_fibre_area(batch: Batch, area_mm2: float) -> Batch:
    """The batch when the fibre's area is known: what hangs on it moves, and is known better.

    With C the covariance of the logarithms and a the place of ``fibre_area``: the means move by
    C[:, a]/C[a, a] ln(area/assumed), and what is left of the covariance is C - C[:, a] C[a, :]/C[a, a] (a normal
    distribution, one of its variables given). A batch that does not have ``fibre_area`` among its names is returned as
    it is.

    Raises
    ------
    InputError
        If the area is not positive.
    """
    u = batch.uncertainty
    if AREA not in u.names:
        return batch
    if not 0 < area_mm2 < np.inf:
        raise InputError(f"the fibre's area must be positive, not {area_mm2:g} mm2")
    assert u.fibre_area_mm2 is not None
    a = u.names.index(AREA)
    C = u.log_covariance
    gain = C[:, a] / C[a, a] if C[a, a] > 0 else np.zeros(len(u.names))
    moved = gain * np.log(area_mm2 / u.fibre_area_mm2)
    kept = np.arange(len(u.names)) != a
    names = tuple(n for n in u.names if n != AREA)
    left = C - np.outer(gain, C[a])
    return replace(
        batch,
        chain=multiplied(batch.chain, dict(zip(names, np.exp(moved[kept]), strict=True)), u.flow_load_N),
        uncertainty=replace(
            u,
            names=names,
            log_covariance=left[np.ix_(kept, kept)],
            log_shift=None if u.log_shift is None else u.log_shift[kept],
            fibre_area_mm2=None,
        ),
    )


def draw_chains(batch: Batch, rng: np.random.Generator, draws: int, spokes: int) -> Chain:
    """New spokes of a batch, as far as it is known.

    Each draw takes one middle spoke from the batch's uncertainty and one spread from what the number of tested spokes
    allows (a scaled inverse chi-square of ``degrees_of_freedom``, by default ``spokes - 1``, of at least 3; one for
    each part), then ``spokes`` spokes.

    Returns
    -------
    Chain of leading shape (draws, spokes); parameters that no spoke has of its own have shape (draws, 1).
    """
    u = batch.uncertainty
    z = rng.standard_normal((draws, len(u.names))) @ _root(u.log_covariance).T
    if u.log_shift is not None:
        z = z + u.log_shift
    middle = {name: np.exp(z[:, i : i + 1]) for i, name in enumerate(u.names)}
    if u.recoverable_end is not None:
        tau = batch.chain.recoverable_tau_s
        for k, left in enumerate(u.recoverable_end.draw(rng, draws, tau).T):
            name = f"recoverable[{k}]"
            middle[name] = middle.get(name, 1.0) * left[:, None]
    # every value has its own draws, also one that is known
    everyone = {name: np.ones((draws, 1)) for name in _drawable(batch.chain)}
    chain = multiplied(batch.chain, everyone | middle, u.flow_load_N)
    nu = batch.spread.degrees_of_freedom
    nu = max(batch.spread.spokes - 1, 3) if nu is None else nu
    wide = np.sqrt(nu / rng.chisquare(nu, size=(draws, 1, 4)))
    root = _root(batch.spread.correlation)
    away = (rng.standard_normal((draws, spokes, 4)) @ root.T) * (batch.spread.log_sd * wide)
    own = np.exp(np.clip(away, -MOST_UNLIKE, MOST_UNLIKE))  # (draws, spokes, 4)
    return chain.scaled(elastic=own[..., 0], recoverable=own[..., 1], bedding=own[..., 2], flow=own[..., 3])
