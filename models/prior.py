"""What is known of braided polyethylene spokes before a test: middle values and widths of every chain parameter.

Where each width comes from (published of gel-spun polyethylene where so said, else the project's own estimates of a
heat-set braid):

- fibre area: stiffness is modulus times area, modulus 55 to 115 GPa, so that a stiff spoke has more fibre and flows
  less; a stated linear density gives the area (2 %), and the stiffness from it before the test has told;
- flow at a given *stress*: 2e-11 1/s at 160 MPa and 23 degC, log-normal of 0.5: times or over 3 is then about two
  standard deviations (a rigging braid's published design figure, 1.7e-4 a year at 112 MPa, lies at 0.8 of it);
  activation volume 0.045 to 0.12 nm3, evenly. With the area not known the stress is not, so flow at a *load* is known
  far worse;
- recoverable part: a power law of time (published) of exponent 0.03 to 0.08, evenly; level within a half of the middle;
  bumps of a tenth, about a decade wide, as a relaxation's are; linear in stress (published), the check of design being
  that 2000 N creeps 1.8 to 2.3 times as much as 1000 N: that range is taken as two standard deviations either way;
- its end: a spectrum may go on or come to an end, days to years out (a usual reckoning stops at 1e6 s). An end makes
  creep less, never more, so it is no width of a normal distribution: one batch in three is drawn with one;
- elastic part: soft while hardly loaded (published of braided sutures, whose low-strain stiffness was under half of the
  later one), over by some 200 N;
- bedding-in: seven tenths at once, the rest evenly over the logarithm of time up to some hours, fading out above.

The widths decide how far a forecast beyond the test may be trusted: modes slower than the test follow their neighbours,
with bumps and as a random walk, so their uncertainty grows with every decade.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.chain import TOE_SCALE_N
from models.kernels import shift
from models.units import ZERO_CELSIUS_K, fibre_area_mm2
from models.unknown import AREA, SpectrumEnd

Floats = NDArray[np.float64]

FIBRE_MODULUS_MPA = 80e3  # middle of 55 to 115 GPa, by ratio: EA is this times the fibre's area
MODULUS_LOG_SD = 0.22  # of an even spread over 55 to 115 GPa
AREA_LOG_SD = 0.02  # of an area from a stated linear density
ACTIVATION_VOLUME_NM3 = 0.08
ACTIVATION_VOLUME_LOG_SD = 0.28  # of an even spread over 0.045 to 0.12
FLOW_RATE_PER_S = 2.0e-11  # at 160 MPa and 23 degC
FLOW_STRESS_MPA = 160.0
KNOWN_AT_C = 23.0  # flow, and the end of the recoverable modes
FLOW_LOG_SD = 0.50
ACTIVATION_KJ = (100.0, 100.0, 120.0)
ACTIVATION_LOG_SD = (0.10, 0.15, 0.10)
RECOVERABLE_PER_DECADE = 0.16  # of the elastic compliance, at 1000 s
RECOVERABLE_LEVEL_LOG_SD = 0.35
RECOVERABLE_GROWTH = 0.125  # natural log per decade of time: 13 % more in each, an exponent of 0.055
RECOVERABLE_GROWTH_SD = 0.035
RECOVERABLE_WALK_SD = 0.04  # natural log per root decade: slow wandering off that line
RECOVERABLE_BUMP_SD = 0.10  # natural log: bumps about the line
RECOVERABLE_BUMP_DECADES = 1.0  # and how wide they are
RECOVERABLE_ENDS = 1.0 / 3.0  # of batches: so many have a spectrum that comes to an end,
RECOVERABLE_END_S = (1e6, 3e8)  # somewhere here at 23 degC, evenly in the logarithm of time,
SEEN_TO_GO_ON = 10.0  # but no sooner than so many times the longest hold of a test that saw none
RECOVERABLE_NONLINEARITY = 0.02  # ln(1 + q 1000 N)
RECOVERABLE_NONLINEARITY_SD = 0.06
BEDDING_SHARE_OF_ELASTIC = 0.45  # at 1000 N, heat-set braid; a loose one beds in many times as much
BEDDING_LOG_SD = 0.75
BEDDING_AT_ONCE = 0.72
BEDDING_SLOW = 0.035  # of each half decade after
BEDDING_AT_ONCE_LOG_SD = 0.15
BEDDING_FADES_S = 6e4  # modes slower than this are less and less
BEDDING_SLOW_LOG_SD = 0.5  # of all slow modes together
BEDDING_SHARE_LOG_SD = 0.7  # of each
BEDDING_SHARE_DECADES = 0.7
BEDDING_EXPONENT = 0.75
BEDDING_EXPONENT_LOG_SD = 0.18
ELASTIC_LOG_SD = 0.4
STIFFENING_PER_N = 4e-5
STIFFENING_LOG_SD = 1.0
TOE_SHARE = 0.08  # of the elastic strain at 1000 N: a braid is soft while hardly loaded
TOE_LOG_SD = 1.0
TOE_SCALE_LOG_SD = 0.4
SPREAD_LOG_SD = (0.04, 0.12, 0.12, 0.45)  # spoke to spoke within a batch: elastic, recoverable, bedding, flow
SPREAD_DF = 4.0  # these are worth so many spokes
_BOLTZMANN_J_PER_K = 1.380649e-23


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Joint normal of the natural logarithms of the named parameters of the middle spoke."""

    names: tuple[str, ...]  # (p,)
    mean: Floats  # (p,)
    covariance: Floats  # (p, p)
    area_mm2: float  # the fibre's, that flow goes with

    def index(self, part: str) -> list[int]:
        """Where the parameters of one part stand."""
        return [i for i, n in enumerate(self.names) if n == part or n.startswith(part + "[")]


def prior(
    EA_N: float,
    at_N: float,
    recoverable_tau_s: Floats,
    bedding_tau_s: Floats,
    reference_C: float,
    linear_density_g_per_m: float | None = None,
) -> Prior:
    """The prior for a spoke of about the stiffness ``EA_N``, flow stated at the load ``at_N``.

    ``elastic`` is the compliance 1/EA0; ``flow[0]`` the flow rate in 1/s at ``at_N``; ``flow_scale[0]`` T0 in N.
    """
    k, j = recoverable_tau_s.size, bedding_tau_s.size
    head = ("elastic", "stiffening", "bedding_exponent", "recoverable_nonlinearity", AREA, "toe", "toe_scale")
    names = (
        *head,
        *(f"recoverable[{i}]" for i in range(k)),
        *(f"bedding[{i}]" for i in range(j)),
        "flow[0]",
        "flow_scale[0]",
    )
    p = len(names)
    mean, cov = np.zeros(p), np.zeros((p, p))
    if linear_density_g_per_m is None:
        area = EA_N / FIBRE_MODULUS_MPA
    else:
        area = fibre_area_mm2(linear_density_g_per_m)
        EA_N = area * FIBRE_MODULUS_MPA
    mean[0] = -math.log(EA_N)
    mean[1], cov[1, 1] = math.log(STIFFENING_PER_N), STIFFENING_LOG_SD**2
    mean[2], cov[2, 2] = math.log(BEDDING_EXPONENT), BEDDING_EXPONENT_LOG_SD**2
    mean[5], cov[5, 5] = math.log(TOE_SHARE * 1000.0), TOE_LOG_SD**2
    mean[6], cov[6, 6] = math.log(TOE_SCALE_N), TOE_SCALE_LOG_SD**2
    mean[3], cov[3, 3] = RECOVERABLE_NONLINEARITY, RECOVERABLE_NONLINEARITY_SD**2
    r = slice(len(head), len(head) + k)
    b = slice(len(head) + k, len(head) + k + j)
    mean[r], cov[r, r] = _recoverable(recoverable_tau_s, EA_N)
    mean[b], cov[b, b] = _bedding(bedding_tau_s, EA_N)
    f = [4, p - 2, p - 1]
    with_area = np.zeros(p)
    mean[f], with_area[f], own = _flow(at_N, area, reference_C)
    cov[np.ix_(f, f)] += own
    # recoverable part and bedding-in are shares of the elastic compliance, which is the area's times the modulus's
    with_elastic = np.zeros(p)
    with_elastic[[0, *range(r.start, b.stop)]] = 1.0
    if linear_density_g_per_m is None:  # the area comes from the stiffness
        stiffness_sd, area_sd, modulus = ELASTIC_LOG_SD, MODULUS_LOG_SD, with_area
    else:  # and the other way round
        stiffness_sd, area_sd, modulus = AREA_LOG_SD, MODULUS_LOG_SD, with_elastic
    for sd, moves in ((stiffness_sd, with_elastic - with_area), (area_sd, modulus)):
        cov += sd**2 * np.outer(moves, moves)
    return Prior(names=names, mean=mean, covariance=cov, area_mm2=area)


def recoverable_end(longest_hold_s: float, reference_C: float) -> SpectrumEnd:
    """Where the spectrum may end at the reference temperature, after a test whose longest hold saw it going on."""
    slower = float(shift(ACTIVATION_KJ[0], KNOWN_AT_C, reference_C))
    earliest, latest = (t * slower for t in RECOVERABLE_END_S)
    from_s = max(earliest, SEEN_TO_GO_ON * longest_hold_s)
    still = math.log(latest / min(from_s, latest)) / math.log(latest / earliest)  # of the range
    left = RECOVERABLE_ENDS * still
    return SpectrumEnd(probability=left / (1.0 - RECOVERABLE_ENDS + left), from_s=from_s, to_s=max(latest, from_s))


def _near(x: Floats, length: float) -> Floats:
    return np.exp(-np.abs(x[:, None] - x) / length)


def _recoverable(tau_s: Floats, EA_N: float) -> tuple[Floats, Floats]:
    """A power law of time with bumps: mean and covariance of ln compliance."""
    decade = np.log10(tau_s) - 3.0
    spacing = float(np.diff(decade).mean()) if tau_s.size > 1 else 1.0
    line = math.log(RECOVERABLE_PER_DECADE * spacing / EA_N) + RECOVERABLE_GROWTH * decade
    steps = decade - decade[0]
    cov = (
        RECOVERABLE_LEVEL_LOG_SD**2
        + RECOVERABLE_GROWTH_SD**2 * np.outer(decade, decade)
        + RECOVERABLE_WALK_SD**2 * np.minimum(steps[:, None], steps[None, :])
        + RECOVERABLE_BUMP_SD**2 * np.exp(-0.5 * ((decade[:, None] - decade) / RECOVERABLE_BUMP_DECADES) ** 2)
        + 1e-6 * np.eye(tau_s.size)
    )
    return line, cov


def _bedding(tau_s: Floats, EA_N: float) -> tuple[Floats, Floats]:
    """Most at once, the rest even in the logarithm of time: mean and covariance of ln compliance."""
    slow = tau_s > 0
    decade = np.log10(np.where(slow, tau_s, 1e-9))
    share = np.where(slow, BEDDING_SLOW / (1.0 + tau_s / BEDDING_FADES_S), BEDDING_AT_ONCE)
    mean = np.log(BEDDING_SHARE_OF_ELASTIC / EA_N * share)
    own = np.where(
        np.outer(slow, slow),
        BEDDING_SLOW_LOG_SD**2 + BEDDING_SHARE_LOG_SD**2 * _near(decade, BEDDING_SHARE_DECADES),
        np.diag(np.where(slow, 0.0, BEDDING_AT_ONCE_LOG_SD**2)),
    )
    return mean, BEDDING_LOG_SD**2 + own


def _flow(at_N: float, area_mm2: float, reference_C: float) -> tuple[Floats, Floats, Floats]:
    """Of the logarithms of area over the assumed one, rate at ``at_N``, and force scale: mean, what each moves by the
    area's, and the covariance that has nothing to do with the area.

    The stress scale kT/v counts on the fibre's area, and the rate at ``at_N`` comes from that at 160 MPa: more area
    is less stress, a larger v a steeper way from 160 MPa.
    """
    kelvin = reference_C + ZERO_CELSIUS_K
    scale_MPa = _BOLTZMANN_J_PER_K * kelvin / (ACTIVATION_VOLUME_NM3 * 1e-27) / 1e6
    x, x0 = at_N / area_mm2 / scale_MPa, FLOW_STRESS_MPA / scale_MPa
    mean = np.array(
        [
            0.0,
            math.log(FLOW_RATE_PER_S * shift(ACTIVATION_KJ[2], reference_C, KNOWN_AT_C)) + _ln_sinh(x) - _ln_sinh(x0),
            math.log(scale_MPa * area_mm2),
        ]
    )
    by_area = np.array([1.0, -x / math.tanh(x), 1.0])
    by_scale = np.array([0.0, -x / math.tanh(x) + x0 / math.tanh(x0), 1.0])
    by_rate = np.array([0.0, 1.0, 0.0])
    own = ACTIVATION_VOLUME_LOG_SD**2 * np.outer(by_scale, by_scale) + FLOW_LOG_SD**2 * np.outer(by_rate, by_rate)
    return mean, by_area, own


def _ln_sinh(x: float) -> float:
    return x + math.log(-math.expm1(-2.0 * x) / 2.0)
