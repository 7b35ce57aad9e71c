"""What is not known of a batch: how its spokes differ, the errors of its middle spoke, an end of its slow modes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError

Floats = NDArray[np.float64]
AREA = "fibre_area"
TIMES_S = (1e-6, 1e15)  # time constants outside are no spoke's, and their arithmetic overflows
MOST_UNSURE = 10.0  # natural log, sd: whoever knows a value no better than times or over 22,000 knows nothing
LEAST_LEFT = 1e-6  # of a mode beyond the spectrum's end


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
class SpectrumEnd:
    """Where the recoverable modes may come to an end, beyond what a test has seen: that makes creep less, never more.

    With ``probability`` there is an end, at a time of which only the decade's range is known (even in its logarithm);
    a mode of time constant tau is then exp(-tau/end) of what the chain says, as in a tempered power law.
    """

    probability: float  # 0 to 1
    from_s: float
    to_s: float

    def __post_init__(self) -> None:
        if not 0 <= self.probability <= 1:
            raise InputError(f"uncertainty: recoverable_end: probability is {self.probability:g}; 0 to 1 is allowed")
        if not TIMES_S[0] <= self.from_s <= self.to_s <= TIMES_S[1]:
            raise InputError(
                f"uncertainty: recoverable_end: from_s, then to_s must lie between {TIMES_S[0]:g} and {TIMES_S[1]:g} s"
            )

    def draw(self, rng: np.random.Generator, draws: int, tau_s: Floats) -> Floats:
        """(draws, modes) share of each mode that is there."""
        ends = rng.random((draws, 1)) < self.probability
        end_s = self.from_s * (self.to_s / self.from_s) ** rng.random((draws, 1))
        return np.where(ends, np.maximum(np.exp(-tau_s / end_s), LEAST_LEFT), 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """What is not known of the batch's middle spoke: joint log-normal errors of named chain parameters.

    Names: ``elastic``, ``recoverable[k]``, ``bedding[j]``, ``flow[i]`` multiply a compliance or a rate;
    ``flow_scale[i]`` multiplies a force scale; ``stiffening``, ``toe``, ``toe_scale``, ``bedding_exponent`` and
    ``activation_recoverable``, ``activation_bedding``, ``activation_flow`` multiply the chain's value of that name;
    ``recoverable_nonlinearity`` multiplies 1 + q 1000 N of g(T) = T (1 + q T), the recoverable strain at 1000 N staying
    as it is.
    ``recoverable_end`` is drawn besides: whether the recoverable modes end beyond the test, and when.
    ``fibre_area`` multiplies no value of the chain: it is the fibre's area over ``fibre_area_mm2``, which a test of
    loads and lengths does not tell and on which others of the parameters hang (`given_fibre_area`).
    """

    names: tuple[str, ...]  # (p,)
    log_covariance: Floats  # (p, p)
    log_shift: Floats | None = None  # (p,) mean of the logarithms, where it is not that of the chain; None: nothing
    flow_load_N: float | None = None  # flow[i] multiplies the rate at this load; None: the factor of the sinh
    fibre_area_mm2: float | None = None  # that the chain's values go with; needed where ``fibre_area`` is among names
    recoverable_end: SpectrumEnd | None = None

    def __post_init__(self) -> None:
        p = len(self.names)
        if self.log_covariance.shape != (p, p):
            raise InputError(f"uncertainty: log_covariance must be {p} x {p} for {p} names")
        if len(set(self.names)) != p:
            raise InputError("uncertainty: a name stands twice")
        if self.log_shift is not None and (self.log_shift.shape != (p,) or not np.isfinite(self.log_shift).all()):
            raise InputError(f"uncertainty: log_shift must be {p} finite numbers for {p} names")
        if self.flow_load_N is not None and not self.flow_load_N > 0:
            raise InputError("uncertainty: flow_load_N must be positive")
        if self.fibre_area_mm2 is not None and not 0 < self.fibre_area_mm2 < np.inf:
            raise InputError("uncertainty: fibre_area_mm2 must be positive")
        if AREA in self.names and self.fibre_area_mm2 is None:
            raise InputError(f"uncertainty: '{AREA}' stands among names, so fibre_area_mm2 is needed")
        if not np.isfinite(self.log_covariance).all():
            raise InputError("uncertainty: log_covariance must be finite; what is not known cannot be drawn from")
        if p and np.diag(self.log_covariance).max() > MOST_UNSURE**2:
            i = int(np.diag(self.log_covariance).argmax())
            raise InputError(
                f"uncertainty: log_covariance of '{self.names[i]}' is {self.log_covariance[i, i]:g}; at most "
                f"{MOST_UNSURE**2:g} is allowed"
            )
        if self.log_shift is not None and np.abs(self.log_shift).max(initial=0.0) > MOST_UNSURE:
            raise InputError(f"uncertainty: log_shift must lie within {MOST_UNSURE:g} of 0")
        if p and np.linalg.eigvalsh(self.log_covariance).min() < -1e-8:
            raise InputError("uncertainty: log_covariance is not positive semi-definite")
