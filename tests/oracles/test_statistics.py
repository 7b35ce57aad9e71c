"""Statistics that the project relies on, against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from models.batch import PARTS, Batch, draw_chains
from models.fit_least_squares import fit_curve
from models.statistics import aicc, share_interval
from tests.golden import default_chain
from tests.oracles.nist import certified
from tests.oracles.test_nist import three_exponentials


def test_aicc_of_three_exponentials_on_lanczos3():
    # NIST Lanczos3 (n 24, 6 parameters, certified RSS 1.6117193594E-08); formula of Hurvich & Tsai 1989; computed
    assert aicc(1.6117193594e-8, 24, 6) == pytest.approx(-485.914393, abs=1e-6)
    data = certified("Lanczos3")
    assert fit_curve(three_exponentials, data.x, data.y, data.start[1]).aicc == pytest.approx(-485.914393, abs=1e-5)


def test_aicc_agrees_with_an_independent_library():
    from statsmodels.tools.eval_measures import aicc as other

    # statsmodels takes the log-likelihood, which differs from n ln(RSS/n) by n (1 + ln 2 pi)
    n, rss, parameters = 24, 1.6117193594e-8, 6
    log_likelihood = -0.5 * n * (math.log(2 * math.pi * rss / n) + 1)
    assert other(log_likelihood, n, parameters + 1) == pytest.approx(
        aicc(rss, n, parameters) + n * (1 + math.log(2 * math.pi)), rel=1e-12
    )


@pytest.mark.parametrize("points, parameters", [(4, 2), (8, 6)])
def test_aicc_is_not_made_up_where_it_is_undefined(points, parameters):
    assert aicc(1.0, points, parameters) is None


# Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score); from memory, high confidence
@pytest.mark.parametrize(
    "hits, trials, low, high",
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_of_a_share_is_newcombes(hits, trials, low, high):
    assert share_interval(hits, trials) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize("hits, trials", [(950, 1000), (9500, 10000), (20, 20), (0, 5)])
def test_the_interval_of_a_share_agrees_with_an_independent_library(hits, trials):
    assert share_interval(hits, trials) == pytest.approx(
        proportion_confint(hits, trials, method="wilson"), rel=1e-12, abs=1e-15
    )


def test_a_share_that_is_none_is_refused():
    with pytest.raises(ValueError, match="not a share"):
        share_interval(3, 2)


@pytest.mark.parametrize("spokes, factor", [(10, 2.3726), (30, 2.0790)])
def test_draws_of_a_new_spoke_are_as_wide_as_a_prediction_interval(spokes, factor):
    # one future value from n of a normal population: mean +- t(0.975, n - 1) sqrt(1 + 1/n) s; Hahn & Meeker,
    # Statistical Intervals (formula; values computed). The batch's middle spoke is known to s/sqrt(n), taken as normal,
    # so with five spokes or fewer the draws of a file without its own uncertainty come out some 5 % narrower.
    batch = Batch.from_dict(
        {
            "batch": "invented",
            "chain": default_chain().as_dict(),
            "spread": {"log_sd": dict.fromkeys(PARTS, 0.1), "spokes": spokes},
        }
    )
    chain = draw_chains(batch, np.random.default_rng(1), 200_000, 1)
    scale = np.log(chain.flow_rate_per_s[:, 0, 0] / batch.chain.flow_rate_per_s[0]) / 0.1
    assert np.quantile(np.abs(scale), 0.95) == pytest.approx(factor, rel=0.02)
