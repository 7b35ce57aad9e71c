"""LAWS, the table of named creep laws, and their way to the chain on which everything runs, with its error stated."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import gamma
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from models import creep
from models.bounds import Bounds, bounds_of
from models.chain import Chain, advance, total_strain, virgin
from models.errors import InputError
from models.spectra import modes_of_curve, modes_of_spectrum

Floats = NDArray[np.float64]
Parameters = Mapping[str, Any]
Span = tuple[float, float]
Loads = Sequence[float]
Part = Literal["elastic", "recoverable", "solid", "bedding", "flow", "temperature"]
ToChain = Callable[[Parameters, Span, float, Loads], dict[str, Any]]
GOAL = 2e-4  # of the spoke's strain
PART_GOAL = 1e-3  # of the law's own part
PER_DECADE = (2.0, 3.0, 4.0, 6.0, 9.0, 12.0)
LINEAR_SCALE_N = 1e7  # sinh(T/T0) is T/T0 within 1e-7 up to 5 kN


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """One law: its function, the closed form of its relaxation where there is one, and its modes."""

    name: str
    part: Part  # "solid": elastic part and all
    function: Callable[..., Floats]  # (time_s, load_N, *, ...) -> strain; (temperature_C, *, ...) for "temperature"
    to_chain: ToChain  # (parameters, span_s, modes per decade, loads_N) -> keywords of Chain.of
    relaxation: Callable[..., Floats] | None = None  # (time_s, load0_N, *, EA0_N, ..., phi) -> load; None: none known
    exact: bool = True  # the chain is the law itself; else it follows it over the span asked for

    @property
    def formula(self) -> str:
        """First line of the function's docstring."""
        return (self.function.__doc__ or "").partition("\n")[0]

    @property
    def bounds(self) -> dict[str, Bounds]:
        """Unit and range of each parameter."""
        own = bounds_of(self.function)
        return {name: own[name] for name in own if name not in ("time_s", "load_N", "temperature_C")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """A spoke's laws as a chain."""

    chain: Chain
    error: float  # largest relative error of the spoke's strain at constant load, over the span and the loads
    part_error: Mapping[str, float]  # the same of each law that the chain only follows, against its own part alone
    span_s: Span  # times between which that holds; outside the chain is not the law
    loads_N: tuple[float, ...]


def _one(p: Parameters, *names: str) -> list[Floats]:
    return [np.atleast_1d(np.asarray(p[name], dtype=np.float64)) for name in names]


def _elastic(p: Parameters, _span: Span, _per_decade: float, _loads: Loads) -> dict[str, Any]:
    return dict(p)


def _kelvin(p: Parameters, _span: Span, _per_decade: float, _loads: Loads) -> dict[str, Any]:
    out: dict[str, Any] = {"recoverable": tuple(_one(p, "tau_s", "compliance_per_N"))}
    if "EA0_N" in p:
        out["EA0_N"] = p["EA0_N"]
    if "nonlinearity_per_N" in p:
        out["recoverable_nonlinearity_per_N"] = p["nonlinearity_per_N"]
    if "viscosity_N_s" in p:
        out["flow"] = ([LINEAR_SCALE_N / p["viscosity_N_s"]], [LINEAR_SCALE_N])
    return out


def _power(p: Parameters, span: Span, per_decade: float, _loads: Loads) -> dict[str, Any]:
    """L(tau) = C n tau^n/Gamma(1 - n) for J = C t^n; a springpot has C = 1/(V Gamma(1 + n))."""
    if "springpot_N_s" in p:
        n = float(p["order"])
        c = 1.0 / (float(p["springpot_N_s"]) * gamma(1.0 + n))
    else:
        n, c = float(p["exponent"]), float(p["compliance_per_N"])
    if c == 0.0:
        return {}
    return {"recoverable": modes_of_spectrum(lambda u: np.log(c * n / gamma(1.0 - n)) + n * u, span, per_decade)}


def _logarithmic(p: Parameters, span: Span, per_decade: float, _loads: Loads) -> dict[str, Any]:
    """L(tau) = C exp(-t0/tau) for J = C ln(1 + t/t0)."""
    c, onset = float(p["compliance_per_N"]), float(p["onset_s"])
    if c == 0.0:
        return {}
    reach = max(800.0, abs(np.log(span[1] / onset)) + 100.0)

    def log_density(u: Floats) -> Floats:
        exponent: Floats = np.exp(np.minimum(np.log(onset) - u, 700.0))
        density: Floats = np.log(c) - exponent
        return density

    return {"recoverable": modes_of_spectrum(log_density, span, per_decade, reach=reach)}


def _curve(law: Callable[..., Floats]) -> ToChain:
    def modes(p: Parameters, span: Span, per_decade: float, _loads: Loads) -> dict[str, Any]:
        if float(p["compliance_per_N"]) == 0.0:
            return {}
        if p.get("exponent") == 1.0:
            return {"recoverable": tuple(_one(p, "tau_s", "compliance_per_N"))}
        return {"recoverable": modes_of_curve(lambda t: law(t, 1.0, **p), span, per_decade)}

    return modes


def _log_bedding(p: Parameters, span: Span, per_decade: float, loads: Loads) -> dict[str, Any]:
    tau, compliance = _logarithmic(p, span, per_decade, loads).get("recoverable", (np.empty(0), np.empty(0)))
    at_once = float(p["at_once_per_N"])
    return {
        "bedding": (np.concatenate([[0.0], tau]), np.concatenate([[at_once], compliance])),
        "bedding_exponent": p.get("bedding_exponent", 1.0),
    }


def _flows(p: Parameters, _span: Span, _per_decade: float, _loads: Loads) -> dict[str, Any]:
    if "rate_per_s" in p:
        return {"flow": tuple(_one(p, "rate_per_s", "force_scale_N"))}
    rates, scales = _one(p, "rate_1_per_s", "rate_2_per_s"), _one(p, "force_scale_1_N", "force_scale_2_N")
    return {"flow": (np.concatenate(rates), np.concatenate(scales))}


def _shared_flows(p: Parameters, _span: Span, per_decade: float, loads: Loads) -> dict[str, Any]:
    """Non-negative least squares on sinh(T/T_i) over the loads: good only below where the second process takes over."""
    from scipy.optimize import nnls

    load = np.linspace(min(loads) if len(loads) > 1 else 0.5 * min(loads), max(loads), 60)
    load = load[load > 0.0]
    rate = creep.flows_sharing_load(1.0, load, **p)
    scale = np.geomspace(0.5 * float(p["force_scale_1_N"]), 20.0 * max(loads), int(10 * per_decade))
    scale = scale[max(loads) / scale < 300.0]
    columns = np.sinh(load[:, None] / scale) / rate[:, None]
    size = columns.max(axis=0)
    share, _ = nnls(columns / size, np.ones(load.size), maxiter=100 * scale.size)
    kept = share > 0.0
    return {"flow": ((share / size)[kept], scale[kept])}


def _activation(p: Parameters, _span: Span, _per_decade: float, _loads: Loads) -> dict[str, Any]:
    q = p["activation_kJ_per_mol"]
    return {"activation_kJ_per_mol": (q, q, q)}


LAWS: dict[str, Law] = {
    law.name: law
    for law in (
        Law(name="linear elastic", part="elastic", function=creep.linear_elastic, to_chain=_elastic),
        Law(name="stiffening elastic", part="elastic", function=creep.stiffening_elastic, to_chain=_elastic),
        Law(
            name="Kelvin chain",
            part="recoverable",
            function=creep.kelvin_chain,
            relaxation=creep.kelvin_chain_relaxation,
            to_chain=_kelvin,
        ),
        Law(
            name="standard linear solid",
            part="solid",
            function=creep.standard_linear_solid,
            relaxation=creep.standard_linear_solid_relaxation,
            to_chain=_kelvin,
        ),
        Law(
            name="Burgers",
            part="solid",
            function=creep.burgers,
            relaxation=creep.burgers_relaxation,
            to_chain=_kelvin,
        ),
        Law(
            name="power law",
            part="recoverable",
            function=creep.power_law,
            relaxation=creep.power_law_relaxation,
            to_chain=_power,
            exact=False,
        ),
        Law(name="logarithmic", part="recoverable", function=creep.logarithmic, to_chain=_logarithmic, exact=False),
        Law(
            name="stretched exponential",
            part="recoverable",
            function=creep.stretched_exponential,
            to_chain=_curve(creep.stretched_exponential),
            exact=False,
        ),
        Law(
            name="springpot",
            part="recoverable",
            function=creep.springpot,
            relaxation=creep.springpot_relaxation,
            to_chain=_power,
            exact=False,
        ),
        Law(
            name="fractional Kelvin",
            part="recoverable",
            function=creep.fractional_kelvin,
            to_chain=_curve(creep.fractional_kelvin),
            exact=False,
        ),
        Law(name="nonlinear recoverable", part="recoverable", function=creep.nonlinear_recoverable, to_chain=_kelvin),
        Law(
            name="log-time bedding-in",
            part="bedding",
            function=creep.log_time_bedding,
            to_chain=_log_bedding,
            exact=False,
        ),
        Law(
            name="activated flow",
            part="flow",
            function=creep.activated_flow,
            relaxation=creep.activated_flow_relaxation,
            to_chain=_flows,
        ),
        Law(name="two activated flows", part="flow", function=creep.two_activated_flows, to_chain=_flows),
        Law(
            name="flows sharing the load",
            part="flow",
            function=creep.flows_sharing_load,
            to_chain=_shared_flows,
            exact=False,
        ),
        Law(name="Arrhenius", part="temperature", function=creep.arrhenius, to_chain=_activation),
        Law(name="expansion", part="temperature", function=creep.expansion, to_chain=_elastic),
    )
}


def strain_at(laws: Mapping[str, Parameters], time_s: Floats, load_N: float) -> Floats:
    """(n,) strain of a spoke of these laws at a constant load applied at time 0, at the reference temperature."""
    total = np.zeros_like(time_s)
    for name, parameters in laws.items():
        if LAWS[name].part != "temperature":
            total = total + LAWS[name].function(time_s, load_N, **parameters)
    return total


def _chain_strain(chain: Chain, time_s: Floats, load_N: float) -> Floats:
    """The same of a chain: one exact step from virgin to each time."""
    out = np.empty_like(time_s)
    start, _ = advance(chain, virgin(chain), 0.0, 0.0, load_N, chain.reference_C)
    for i, t in enumerate(time_s):
        state, _ = advance(chain, start, float(t), load_N, load_N, chain.reference_C)
        out[i] = total_strain(chain, state, load_N, chain.reference_C)
    return out


def to_chain(
    laws: Mapping[str, Parameters],
    *,
    span_s: Span,
    loads_N: Loads = (1000.0,),
    reference_C: float = 20.0,
    goal: float = GOAL,
) -> Converted:
    """The chain that follows a spoke made of named laws.

    Parameters
    ----------
    laws : mapping of names in `LAWS` to their parameters
        One elastic law or one solid, and at most one of each other part, e.g.
        ``{"linear elastic": {"EA0_N": 433e3}, "power law": {"compliance_per_N": 3e-7, "exponent": 0.1}}``.
        Arrhenius and expansion count as two parts.
    span_s : (t_min, t_max)
        Times in s, counted from a change of load, between which the chain must follow the laws.
    loads_N : sequence of float
        Loads in N between which it must; only laws that are not linear in load ask for more than one.
    goal : float
        Relative error of the strain at which, with `PART_GOAL`, no more modes are added (2 to 12 a decade).

    Returns
    -------
    Converted
        With the error that was found, whether or not it is within the goal.

    Raises
    ------
    InputError
        An unknown law, a parameter missing, unknown or out of its bounds, two laws for one part, no elastic part.
    """
    low, high = span_s
    if not 0.0 < low < high < np.inf:
        raise InputError(f"span_s is {span_s}; two rising, positive times in s are needed")
    if not loads_N or min(loads_N) <= 0.0:
        raise InputError("loads_N: at least one load above 0 is needed")
    taken: dict[str, str] = {}
    for name, parameters in laws.items():
        if name not in LAWS:
            raise InputError(f"there is no law '{name}'; there are {', '.join(LAWS)}")
        law = LAWS[name]
        unknown = set(parameters) - set(law.bounds) - {"reference_C"}
        if unknown:
            raise InputError(f"{name}: no parameter '{sorted(unknown)[0]}'; there are {', '.join(law.bounds)}")
        missing = set(law.bounds) - set(parameters) - {"bedding_exponent"}
        if missing:
            raise InputError(f"{name}: parameter '{sorted(missing)[0]}' is missing ({law.bounds[sorted(missing)[0]]})")
        for key, value in parameters.items():
            if key in law.bounds and not law.bounds[key].allow(value):
                raise InputError(f"{name}: {key} is {value}; {law.bounds[key]} is allowed")
        for part in _claims(law):
            if part in taken:
                raise InputError(f"'{name}' and '{taken[part]}' both give the {part} part; one is allowed")
            taken[part] = name
    if "elastic" not in taken:
        raise InputError("an elastic part is missing: add 'linear elastic' or 'stiffening elastic', or take a solid")
    decades = max(1.0, float(np.log10(high / low)))
    time = np.geomspace(low, high, int(20 * decades) + 1)
    best: Converted | None = None
    for per_decade in PER_DECADE:
        parts = {
            name: LAWS[name].to_chain({k: v for k, v in p.items() if k != "reference_C"}, span_s, per_decade, loads_N)
            for name, p in laws.items()
        }
        chain = Chain.of(reference_C=reference_C, **{k: v for part in parts.values() for k, v in part.items()})
        error = _error(chain, laws, time, loads_N)
        alone: dict[str, float] = {}
        for name, own in parts.items():
            if not LAWS[name].exact and own:
                weightless: dict[str, Any] = {"EA0_N": 1e30, "reference_C": reference_C} | own
                alone[name] = _error(Chain.of(**weightless), {name: laws[name]}, time, loads_N)
        if best is None or error < best.error:
            best = Converted(chain=chain, error=error, part_error=alone, span_s=span_s, loads_N=tuple(loads_N))
        if error <= goal and max(alone.values(), default=0.0) <= PART_GOAL:
            break
    assert best is not None
    return best


def _error(chain: Chain, laws: Mapping[str, Parameters], time_s: Floats, loads_N: Loads) -> float:
    return max(
        float(np.abs(_chain_strain(chain, time_s, load) / strain_at(laws, time_s, load) - 1.0).max())
        for load in loads_N
    )


def _claims(law: Law) -> tuple[str, ...]:
    """The parts of a spoke that a law gives; only one law may give each."""
    if law.part == "solid":
        return ("elastic", "recoverable", "flow") if "viscosity_N_s" in law.bounds else ("elastic", "recoverable")
    return (law.name,) if law.part == "temperature" else (law.part,)
