"""From records to a batch: fit, compare laws by what they forecast, and write down what is known and what is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch, Spread, Uncertainty
from models.errors import InputError
from models.fit import Fitted, fit
from models.prior import ACTIVATION_LOG_SD, SPREAD_DF
from models.table import Finding, Record
from models.thin import Thinned, thin

Floats = NDArray[np.float64]
GENERAL = "smooth Kelvin chain"


def fit_batch(
    records: Sequence[Record],
    name: str,
    *,
    findings: Sequence[Finding] = (),
    linear_density_g_per_m: float | None = None,
    source: Sequence[Mapping[str, Any]] = (),
    made_with: str = "",
) -> Batch:
    """Fit one batch from its spokes' records.

    Raises
    ------
    InputError
        If no record is left, or the data leave the fit without an answer.
    """
    if not records:
        raise InputError("no spoke to fit")
    spokes = [thin(r.measured, r.breaks_s) for r in records]
    fitted, _data = fit(spokes, linear_density_g_per_m=linear_density_g_per_m)
    if fitted.covariance is None:
        raise InputError("the data leave the fit without error bars: nothing can be forecast from them")
    return Batch(
        batch=name,
        law=GENERAL,
        chain=fitted.chain(),
        spread=Spread(
            log_sd=fitted.spread_sd,
            correlation=np.eye(4),
            spokes=len(spokes),
            degrees_of_freedom=SPREAD_DF + len(spokes) - 1,
        ),
        uncertainty=uncertainty(fitted),
        candidates=(),
        covers=covers(spokes),
        warnings=tuple(str(f) for f in findings),
        source=tuple(source),
        made_with=made_with,
    )


def uncertainty(f: Fitted) -> Uncertainty:
    """Joint errors of the middle spoke; activation energies, which an isothermal test leaves alone, from experience."""
    assert f.covariance is not None
    p = len(f.prior.names)
    cov = np.zeros((p + 3, p + 3))
    cov[:p, :p] = f.covariance
    cov[p:, p:] = np.diag(np.square(ACTIVATION_LOG_SD))
    return Uncertainty(
        names=(*f.prior.names, "activation_recoverable", "activation_bedding", "activation_flow"),
        log_covariance=cov,
        flow_load_N=f.at_N,
    )


def covers(spokes: Sequence[Thinned]) -> dict[str, Any]:
    """Loads, times and temperatures that the test saw."""
    loads = np.concatenate([s.load_N for s in spokes])
    th = np.concatenate([s.temperature_C for s in spokes])
    levels = sorted({round(float(x) / 25.0) * 25 for s in spokes for x in s.load_N[s.since_s > 120.0] if x > 60.0})
    return {
        "load_N": [float(loads.min()), float(loads.max())],
        "held_N": levels,
        "temperature_C": [float(th.min()), float(th.max())],
        "duration_s": max(float(s.time_s[-1] - s.time_s[0]) for s in spokes),
        "longest_hold_s": max(float(s.since_s[s.load_N > 0.5 * s.load_N.max()].max()) for s in spokes),
        "longest_rest_s": max(float(s.since_s[s.load_N < 60.0].max(initial=0.0)) for s in spokes),
        "gauge_length_mm": float(np.median([s.gauge_length_mm for s in spokes])),
    }
