"""From records to a batch: fit, compare laws, write down what is known and what is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from models.choose import as_dicts, average, compare
from models.errors import InputError
from models.fit import Fitted, fit
from models.posterior import with_moments
from models.prior import ACTIVATION_LOG_SD, SPREAD_DF, recoverable_end
from models.robust import fit_robustly, in_words
from models.table import SLACK_N, Finding, Record
from models.thin import Thinned, thin
from models.unknown import AREA, Spread, Uncertainty
from models.verdicts import cannot_tell, odd_spokes, spoke_rows

Floats = NDArray[np.float64]


def fit_batch(
    records: Sequence[Record],
    name: str,
    *,
    findings: Sequence[Finding] = (),
    linear_density_g_per_m: float | None = None,
    robust: bool = False,
    source: Sequence[Mapping[str, Any]] = (),
    made_with: str = "",
) -> Batch:
    """Fit one batch from its spokes' records; ``robust``: without the means that the rest of a spoke contradicts.

    Raises
    ------
    InputError
        If no record is left, or the data leave the fit without error bars (a forecast could not be honest).
    """
    if not records:
        raise InputError("no spoke to fit")
    spokes = [thin(r.measured, r.breaks_s) for r in records]
    labels = [s.spoke for s in spokes]
    aside: list[str] = []
    if robust:
        general, data, doubts = fit_robustly(spokes, linear_density_g_per_m=linear_density_g_per_m)
        aside = in_words(spokes, doubts)
    else:
        general, data = fit(spokes, linear_density_g_per_m=linear_density_g_per_m)
    with ThreadPoolExecutor(1) as beside:
        moments = beside.submit(with_moments, data, general)
        candidates = compare(data, general)
    averaged = average(candidates, moments.result())
    if averaged is None:
        raise InputError("the data leave the fit without error bars: nothing can be forecast from them")
    mean, covariance = averaged
    middle = replace(general, value=mean, covariance=covariance)
    best = max(candidates, key=lambda c: c.weight)
    covered = covers(spokes)
    batch = Batch(
        batch=name,
        law=best.name,
        chain=middle.chain(),
        spread=Spread(
            log_sd=general.spread_sd,
            correlation=np.eye(4),
            spokes=len(spokes),
            degrees_of_freedom=SPREAD_DF + len(spokes) - 1,
        ),
        uncertainty=uncertainty(middle, covered["longest_hold_s"]),
        covers=covered,
        source=tuple(source),
        made_with=made_with,
    )
    open_questions = cannot_tell(middle, batch)
    warnings = [str(f) for f in findings] + aside
    warnings += odd_spokes(general, labels)
    if not general.converged:
        warnings.append(f"the fit did not settle ({general.message}): treat every figure with suspicion")
    if len(spokes) < 3:
        warnings.append(
            f"{len(spokes)} spoke(s) tested: how much spokes of this batch differ is mostly from experience"
        )
    warnings += [str(q) for q in open_questions]
    return replace(
        batch,
        candidates=tuple(as_dicts(candidates, [q.what for q in open_questions])),
        warnings=tuple(warnings),
        extra={
            "verdicts": {
                "converged": general.converged,
                "covariance_known": general.covariance is not None,
                "decades_covered": decades(spokes),
                "remainder_um": 1000.0 * general.remainder_mm,
                "noise_um": 1000.0 * float(np.median([s.noise_mm for s in spokes])),
                "cannot_tell": [q.as_dict() for q in open_questions],
            },
            "spokes": spoke_rows(general, labels),
        },
    )


def uncertainty(f: Fitted, longest_hold_s: float) -> Uncertainty:
    """Joint errors of the middle spoke; activation energies, which an isothermal test leaves alone, and whether the
    recoverable modes end beyond the test, from experience.
    """
    assert f.covariance is not None
    p = len(f.prior.names)
    cov = np.zeros((p + 3, p + 3))
    cov[:p, :p] = f.covariance
    cov[p:, p:] = np.diag(np.square(ACTIVATION_LOG_SD))
    return Uncertainty(
        names=(*f.prior.names, "activation_recoverable", "activation_bedding", "activation_flow"),
        log_covariance=cov,
        flow_load_N=f.at_N,
        fibre_area_mm2=f.prior.area_mm2 * f.of(AREA),
        recoverable_end=recoverable_end(longest_hold_s, f.reference_C),
    )


def decades(spokes: Sequence[Thinned]) -> float:
    """Decades of time under load that the test covers, from the first mean after a change of load on."""
    longest = max(float(s.since_s[s.load_N > 0.5 * s.load_N.max()].max()) for s in spokes)
    return float(np.log10(max(longest, 1.0)))


def covers(spokes: Sequence[Thinned]) -> dict[str, Any]:
    """Loads, times and temperatures that the test saw."""
    loads = np.concatenate([s.load_N for s in spokes])
    th = np.concatenate([s.temperature_C for s in spokes])
    still = [s.load_N[(s.since_s > 120.0) & (s.rate_N_per_s == 0) & (s.load_N > SLACK_N)] for s in spokes]
    held = {round(float(x) / 25.0) * 25.0 for x in np.concatenate(still)}
    return {
        "load_N": [float(loads.min()), float(loads.max())],
        "held_N": sorted(held),
        "temperature_C": [float(th.min()), float(th.max())],
        "duration_s": max(float(s.time_s[-1] - s.time_s[0]) for s in spokes),
        "longest_hold_s": max(float(s.since_s[s.load_N > 0.5 * s.load_N.max()].max()) for s in spokes),
        "longest_rest_s": max(_rest(s) for s in spokes),
        "gauge_length_mm": float(np.median([s.gauge_length_mm for s in spokes])),
    }


def _rest(s: Thinned) -> float:
    """Longest time at rest after load, s."""
    after = np.arange(s.load_N.size) > int(np.argmax(s.load_N > 0.5 * s.load_N.max()))
    return float(s.since_s[after & (s.load_N < SLACK_N)].max(initial=0.0))
