"""Bands of a forecast: the chain's own answer where all is known, honest widths where it is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.batch import Batch
from models.forecast import SEAT_N, beyond, coarsen, strain_bands, tension_bands
from models.history import LoadHistory
from models.learn import fit_batch
from models.likeness import compare_batches, in_words
from models.table import records
from models.unknown import Spread, Uncertainty
from tests.golden import GAUGE_LENGTH_MM, REFERENCE_C, default_chain
from tests.models import otherphysics

HOUR, DAY = 3600.0, 86400.0


def known(**changes: object) -> Batch:
    """A batch of which everything is known: one spoke, no spread, no uncertainty."""
    return Batch(
        batch="K07",
        law="",
        chain=default_chain(),
        spread=Spread(log_sd=np.zeros(4), correlation=np.eye(4), spokes=4),
        uncertainty=Uncertainty(names=(), log_covariance=np.zeros((0, 0))),
        **changes,  # type: ignore[arg-type]
    )


def test_constant_load_gives_the_golden_creep_table_from_the_seated_state() -> None:
    """Total strains of the default batch at 1000 N (two integrators agree on them), less the strain when seated.

    Seated at 20 N: elastic 20/EA0 and bedding-in at once, 0.7e-3 (20/1000)^0.7.
    """
    history = LoadHistory.of([0.0, 0.0, 60.0, HOUR, 10 * HOUR, 100 * HOUR], [20.0, *5 * [1000.0]], REFERENCE_C)
    bands = strain_bands(known(), history, np.random.default_rng(1), draws=100)
    seated = SEAT_N / float(default_chain().EA0_N) + 0.7e-3 * (SEAT_N / 1000.0) ** 0.7
    golden = np.array([3553.2e-6, 4367.0e-6, 4873.7e-6, 5370.0e-6]) - seated
    assert np.abs(bands.p50[2:] - golden).max() < 0.1e-6
    assert bands.p50[0] == pytest.approx(0.0, abs=1e-12)
    assert (bands.p95 - bands.p05).max() < 1e-12


def test_a_chord_history_made_from_a_load_history_gives_the_load_back() -> None:
    time = np.concatenate([[0.0], np.geomspace(1.0, 3 * DAY, 60)])
    history = LoadHistory.of(time, np.where(time > 0, 1000.0, SEAT_N), REFERENCE_C)
    ramped = LoadHistory.of(
        np.concatenate([[0.0], history.time_s[1:]]), np.minimum(SEAT_N + 980.0 * time, 1000.0), REFERENCE_C
    )
    strain = strain_bands(known(), ramped, np.random.default_rng(1), draws=100).p50
    chord = strain * GAUGE_LENGTH_MM
    th = np.full(time.size, REFERENCE_C)
    tension = tension_bands(known(), time, chord, th, GAUGE_LENGTH_MM, np.random.default_rng(1), draws=100)
    assert tension.p50[0] == pytest.approx(SEAT_N, abs=0.01)
    assert np.abs(tension.p50[1:] - 1000.0).max() < 1.5


def test_temperature_counts_from_the_first_row() -> None:
    """The fibre's expansion alone: -12e-6 /K times 10 K, whatever the temperature of the first row."""
    for first in (15.0, 25.0):
        history = LoadHistory.of([0.0, 1e-3], [SEAT_N, SEAT_N], [first, first + 10.0])
        bands = strain_bands(known(), history, np.random.default_rng(1), draws=100)
        assert bands.p50[0] == pytest.approx(0.0, abs=1e-12)
        assert bands.p50[1] == pytest.approx(-12e-5, abs=1e-7)


def test_a_long_history_is_thinned_without_changing_the_answer() -> None:
    time = np.arange(0.0, 4 * HOUR, 5.0)
    load = np.where(time < 60, SEAT_N, np.where(time < 2 * HOUR, 1000.0, np.where(time < 3 * HOUR, 15.0, 1200.0)))
    history = LoadHistory.of(time, load, REFERENCE_C)
    rows = coarsen(history)
    assert rows.size < 0.1 * time.size and rows[0] == 0 and rows[-1] == time.size - 1
    from models.chain import advance, virgin
    from models.simulate import strain_under_load

    chain = default_chain()
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, SEAT_N, REFERENCE_C)
    exact, _ = strain_under_load(chain, history, state=state)
    bands = strain_bands(known(), history, np.random.default_rng(1), draws=100)
    far = np.abs((bands.p50 - bands.p50[0]) - (exact - exact[0]))
    assert far.max() < 3e-6


def test_a_forecast_says_how_far_it_reaches_beyond_the_test() -> None:
    covers = {"longest_hold_s": 8 * HOUR, "load_N": [15.0, 1400.0], "temperature_C": [19.0, 22.0]}
    b = known(covers=covers)
    near = LoadHistory.of([0.0, 6 * HOUR], [SEAT_N, 1000.0], 20.0)
    far = LoadHistory.of([0.0, 60 * DAY], [SEAT_N, 1600.0], [20.0, 45.0])

    def said(h: LoadHistory) -> str:
        bands = strain_bands(b, h, np.random.default_rng(1), draws=100)
        return "\n".join(beyond(b, bands, h, h.temperature_C))

    assert said(near) == ""
    for words in ("2.3 decades of time", "1600 N; the test saw 1400 N", "20 to 45 degC; the test saw 19 to 22"):
        assert words in said(far)


@pytest.fixture(scope="module")
def blind() -> list[tuple[otherphysics.HiddenBatch, np.random.Generator, Batch]]:
    """Five hidden batches of other physics, one bench night of four spokes each, fitted blind."""
    out = []
    for seed in (101, 102, 103, 104, 105):
        rng = np.random.default_rng(seed)
        hidden = otherphysics.hidden_batch(rng)
        found, _ = records(otherphysics.night(hidden, hidden.scales(rng, 4), rng, "long", row_s=20.0))
        out.append((hidden, rng, fit_batch(found, f"hidden {seed}")))
    return out


def test_strain_of_new_hidden_spokes_a_month_on_lies_in_the_band(
    blind: list[tuple[otherphysics.HiddenBatch, np.random.Generator, Batch]],
) -> None:
    """The whole chain of reasoning against spokes whose physics is not the fit's; a big run is made by hand."""
    inside, far, total = 0, [], 0
    for hidden, rng, batch in blind:
        new = otherphysics.Spokes(hidden, hidden.scales(rng, 10))
        new.step(1e-3, np.full(10, SEAT_N), 20.0)
        zero = new.strain(np.full(10, SEAT_N), 20.0)
        edges = np.concatenate([[0.0], np.geomspace(1.0, 30 * DAY, 60)])
        for dt in np.diff(edges):
            strain = new.step(dt, np.full(10, 1000.0), 20.0) - zero
        history = LoadHistory.of([0.0, 0.0, DAY, 30 * DAY], [SEAT_N, 1000.0, 1000.0, 1000.0], 20.0)
        bands = strain_bands(batch, history, rng, draws=1500)
        inside += int(((strain > bands.p05[-1]) & (strain < bands.p95[-1])).sum())
        far.append(abs(float(np.median(strain)) / bands.p50[-1] - 1.0))
        total += 10
        assert bands.p95[-1] - bands.p05[-1] > bands.p95[-2] - bands.p05[-2]
    assert np.median(far) < 0.04
    assert inside >= 0.7 * total


def test_a_second_night_of_one_batch_is_called_alike_and_a_softer_batch_is_not(
    blind: list[tuple[otherphysics.HiddenBatch, np.random.Generator, Batch]],
) -> None:
    hidden, rng, batch = blind[0]
    found, _ = records(otherphysics.night(hidden, hidden.scales(rng, 4), rng, "long", row_s=30.0))
    again = compare_batches(fit_batch(found, "same"), batch)
    assert not any(r.differs for r in again)
    assert in_words(again, "old")[0].startswith("Like batch old")
    softer = replace(batch, chain=batch.chain.scaled(bedding=1.6))
    rows = compare_batches(softer, batch)
    odd = [r.part for r in rows if r.differs]
    assert odd == ["stretch that stays"]
    assert "+" in in_words(rows, "old")[0]
