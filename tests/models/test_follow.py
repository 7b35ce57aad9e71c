"""The end load of many draws at once, of which a few keep the search long after the others have ended."""

import numpy as np
import pytest

from models.chain import Chain, total_strain, virgin
from models.follow import advance_to_strain


def draws_and_state(spokes: int) -> tuple[Chain, np.ndarray]:
    """(40, spokes) spokes of which three flow so steeply that the first guess is far off, and their asked strain."""
    rng = np.random.default_rng(8)
    scale = np.full((40, 1, 1), 300.0)
    scale[[3, 17, 31], 0, 0] = [50.0, 2.0, 1.0]
    chain = Chain.of(
        EA0_N=433e3 * np.exp(0.04 * rng.standard_normal((40, spokes))),
        recoverable=([10.0, 1e4], 3e-7 * np.exp(0.1 * rng.standard_normal((40, spokes, 2)))),
        bedding=([0.0, 600.0], np.array([7e-7, 2e-7])),
        bedding_exponent=np.full((40, 1), 0.7),
        flow=(np.full((40, 1, 1), 1e-6), scale),
    )
    return chain, 1e-3 * rng.uniform(3.0, 7.0, (40, spokes))


@pytest.mark.parametrize("spokes", [1, 6])
def test_draws_solved_together_are_those_solved_one_by_one(spokes):
    chain, strain = draws_and_state(spokes)
    before = virgin(chain)
    follow = np.full((40, 1), 4e-7)
    together, load = advance_to_strain(chain, before, 43200.0, 0.0, strain, 20.0, follow)
    length = total_strain(chain, together, load, 20.0) + 4e-7 * load
    np.testing.assert_allclose(length, strain, rtol=1e-9)
    for i in (0, 3, 17, 31, 39):
        for j in range(spokes):
            one, own = advance_to_strain(
                chain.take((i, j)), before.take((i, j)), 43200.0, 0.0, strain[i, j], 20.0, 4e-7
            )
            assert load[i, j] == pytest.approx(float(own), abs=1e-6)
            np.testing.assert_allclose(together.flow[i, j], one.flow, rtol=1e-6, atol=1e-15)
            np.testing.assert_allclose(together.bedding[i, j], one.bedding, rtol=1e-9)
            np.testing.assert_allclose(together.recoverable[i, j], one.recoverable, rtol=1e-9)


def test_a_length_that_is_not_a_number_is_refused_and_does_not_pass_for_found():
    chain, strain = draws_and_state(1)
    strain[5] = np.nan
    with pytest.raises(ArithmeticError, match="no load found"):
        advance_to_strain(chain, virgin(chain), 60.0, 0.0, strain, 20.0)
