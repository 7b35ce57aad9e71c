"""What one turned nipple tells of the rim: its four stiffnesses, and the spokes', from the change of every tension."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from planner.rim import RimSection

if TYPE_CHECKING:
    from planner.build import RimTest
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
SPOKE_EA_LOG_SD = 0.25  # of the nominal axial stiffness: 55 to 115 GPa on the fibre's area, middle 70
STEP = 1e-3  # of a logarithm, for differences
FAR = 4.0  # a reading this many sd from what the best wheel does is no reading of this test


@dataclass(frozen=True, slots=True, kw_only=True)
class RimLearned:
    """The rim as sharpened by a test."""

    section: RimSection  # stiffness and log_sd after the test
    factors: Floats  # (4,) on the section before
    EA_factor: float  # on the spokes' nominal axial stiffness
    EA_log_sd: float  # of that factor after the test
    misfit_sd: Floats  # (n,) readings less best fit, in sd


def learn_rim(wheel: Wheel, test: RimTest, pitch_mm: float) -> RimLearned:
    """Gauss-Newton from the prior of the build file to what the test supports (logs of EA, both EI, GJ, spokes' EA).

    Raises
    ------
    InputError
        If some reading is far from anything a wheel like this can do.
    """
    i = test.position - 1
    s = test.turns * pitch_mm
    target = wheel.build.tension.target_N if test.tension_N is None else test.tension_N
    tension = wheel.side_targets_N(target)
    seen = np.array([*test.change_N, *test.lateral_mm])
    sd = np.array([test.change_sd_N] * wheel.n + [test.lateral_sd_mm] * len(test.lateral_mm))

    def expected(x: Floats) -> Floats:
        trial = wheel.with_rim(np.exp(x[:4]))
        EA = wheel.nominal_EA_N * np.exp(x[4])
        change = trial.influence(tension, EA)[:, i] * s
        if not test.lateral_mm:
            return change
        sideways: Floats = trial.runout(tension, EA)[0][:, i] * s
        # a dial reads run-out about the mean of the turn
        return np.concatenate([change, sideways - sideways.mean()])

    prior = np.array([*wheel.section.log_sd, SPOKE_EA_LOG_SD])
    if test.lateral_mm:
        seen[wheel.n :] -= seen[wheel.n :].mean()
    x = np.zeros(5)
    precision = np.diag(1.0 / prior**2)
    for _ in range(12):
        at = expected(x)
        J = np.column_stack([(expected(x + STEP * np.eye(5)[k]) - at) / STEP for k in range(5)]) / sd[:, None]
        precision = np.diag(1.0 / prior**2) + J.T @ J
        move = np.linalg.solve(precision, J.T @ ((seen - at) / sd) - x / prior**2)
        move *= min(1.0, 0.5 / max(np.abs(move).max(), 1e-12))
        x = x + move
        if np.abs(move).max() < 1e-4:
            break
    misfit = (seen - expected(x)) / sd
    worst = int(np.abs(misfit[: wheel.n]).argmax())
    if abs(misfit[worst]) > FAR:
        raise InputError(
            f"wheel.rim_test: the change at position {worst + 1}, {seen[worst]:.0f} N, is far from what a wheel like "
            f"this does ({expected(x)[worst]:.0f} N): read that spoke again, or check position, turns and sign"
        )
    log_sd = np.sqrt(np.diag(np.linalg.inv(precision)))
    known = (float(log_sd[0]), float(log_sd[1]), float(log_sd[2]), float(log_sd[3]))
    section = replace(wheel.section.scaled(np.exp(x[:4])), log_sd=known)
    return RimLearned(
        section=section,
        factors=np.exp(x[:4]),
        EA_factor=float(np.exp(x[4])),
        EA_log_sd=float(log_sd[4]),
        misfit_sd=misfit[: wheel.n],
    )
