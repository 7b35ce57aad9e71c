"""A fit that sets aside what the rest of a spoke's creep contradicts: bumps go, creep stays, and it says so."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from models.batch import Batch
from models.learn import fit_batch
from models.robust import DOUBTFUL, doubtful
from models.table import Record
from models.verdicts import night
from tests.models.test_fit import some_night


@pytest.fixture(scope="module")
def found() -> list[Record]:
    return some_night(2, "levels")[2]


@pytest.fixture(scope="module")
def clean(found: list[Record]) -> Batch:
    return fit_batch(found, "clean")


def bumped(r: Record, from_s: float, seconds: float, mm: float) -> Record:
    """The sensor stands off for a while, the load does not: somebody leaned on the bench."""
    time_s = r.measured.history.time_s
    y = r.measured.elongation_mm + mm * ((time_s > from_s) & (time_s < from_s + seconds))
    return replace(r, measured=replace(r.measured, elongation_mm=y))


def stays(b: Batch) -> np.ndarray:
    return np.array(night(b, 1000.0).stays)


@pytest.mark.parametrize(("from_s", "seconds", "mm"), [(400.0, 60.0, 0.05), (3 * 3600.0, 1500.0, 0.03)])
def test_a_bump_of_a_minute_or_half_an_hour_leaves_the_batch_where_it_was(
    found: list[Record], clean: Batch, from_s: float, seconds: float, mm: float
) -> None:
    bad = [bumped(r, from_s, seconds, mm) if i == 1 else r for i, r in enumerate(found)]
    plain, robust = fit_batch(bad, "plain"), fit_batch(bad, "robust", robust=True)
    assert stays(robust) == pytest.approx(stays(clean), rel=2e-3)
    assert np.abs(stays(plain) / stays(clean) - 1.0).max() > 3e-3
    (said,) = [w for w in robust.warnings if "set aside" in w]
    first_h = float(re.findall(r"(?:at|between) ([0-9.]+)", said)[0])
    assert said.startswith("spoke T02") and from_s - 60.0 < 3600.0 * first_h < from_s + seconds
    assert not any("set aside" in w for w in plain.warnings)


def test_a_night_without_a_bump_keeps_every_mean(found: list[Record], clean: Batch) -> None:
    robust = fit_batch(found, "clean", robust=True)
    assert np.array_equal(robust.uncertainty.log_covariance, clean.uncertainty.log_covariance)
    assert not any("set aside" in w for w in robust.warnings)


def test_what_is_doubted_is_told_from_noise_in_its_own_errors() -> None:
    """Noise with memory: a row of good readings that wander together is not doubted, one apart from them is."""
    rng = np.random.default_rng(7)
    n = 120
    at = np.arange(n)
    covariance = 0.01**2 * np.exp(-np.abs(at[:, None] - at) / 200.0) + 0.001**2 * np.eye(n)
    for _ in range(20):
        r = np.linalg.cholesky(covariance) @ rng.standard_normal(n)
        kept = doubtful(r, covariance, 6)
        assert kept is not None and not kept.any()
        off = r.copy()
        off[50:53] += 0.02  # twice the size of the wandering, some ten times what that changes from one to the next
        gone = doubtful(off, covariance, 6)
        assert gone is not None and set(np.flatnonzero(gone)) == {50, 51, 52}
    assert DOUBTFUL > 4.0


def test_where_too_much_would_go_nothing_does() -> None:
    r = np.where(np.arange(40) % 2 == 0, 1.0, -1.0)
    assert doubtful(r, 0.01**2 * np.eye(40), 2) is None
