"""A braid that gives bedding back while slack must not make the fit believe that its slow creep is small."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from models.batch import draw_chains
from models.choose import fit_batch
from models.fit import slack_loss
from models.history import LoadHistory
from models.simulate import strain_under_load
from models.table import records
from models.thin import Thinned
from tests.blind import hidden, unit
from tui.tables import read_table

HOUR = 3600.0


def record(time_h: list[float], load_N: list[float]) -> Thinned:
    n = len(time_h)
    t = np.array(time_h) * HOUR
    values: dict[str, object] = {name: np.zeros(n) for name in Thinned.__dataclass_fields__}
    values |= {"time_s": t, "load_N": np.array(load_N), "spoke": "K01", "gauge_length_mm": 285.0}
    return Thinned(**values)  # type: ignore[arg-type]


def test_the_share_given_back_grows_while_slack_and_is_packed_again_only_by_a_load_as_high() -> None:
    tau = 2.0 * HOUR
    s = record([0, 0.1, 4, 4.1, 6.1, 6.2, 8, 8.1, 9.1, 9.2], [15, 1500, 1500, 15, 15, 1000, 1000, 15, 15, 1500])
    lost = slack_loss(s, tau)
    assert (lost[:3] == 0.0).all()  # nothing has been bedded in before the first load
    after_rest = 1.0 - np.exp(-2.1 / 2.0)
    assert np.isclose(lost[4], after_rest, rtol=1e-12)
    assert (lost[5:7] == lost[4]).all()  # 1000 N packs nothing that 1500 N had packed
    assert np.isclose(lost[8], 1.0 - np.exp(-3.2 / 2.0), rtol=1e-12)
    assert lost[9] == 0.0


def test_slow_creep_is_forecast_within_its_band_where_bedding_comes_back_while_slack(tmp_path: Path) -> None:
    """A hidden batch that gives back 16 % of its bedding with 7.5 h: its month of creep was once 9 sd off."""
    batch, build, _, _, _ = unit.make_night(3003, tmp_path)
    assert batch.loss_share > 0.15
    length = float(build["spoke"]["fibre_length_mm"])
    some, _ = records(read_table(tmp_path / "night.csv"), "night.csv", gauge_length_mm=length, temperature_C=20.0)
    fitted = fit_batch(some, "BLIND")
    times = np.concatenate([[0.0, 30.0], np.geomspace(60.0, 720.0 * HOUR, 60)])
    month = LoadHistory.of(times, np.where(times > 0, 1000.0, 0.0), 20.0)
    two_days = int(np.searchsorted(times, 48.0 * HOUR))
    drawn = draw_chains(fitted, np.random.default_rng(1), 300, 1)
    strain, _ = strain_under_load(drawn, month)
    forecast = (strain[-1] - strain[two_days])[:, 0]
    spoke = hidden.middle_spokes(batch)
    load = np.array([1000.0])
    state, true = spoke.step(spoke.virgin(), 0.0, 0 * load, load, 20.0), {}
    for i in range(1, times.size):
        state = spoke.step(state, float(times[i] - times[i - 1]), load, load, 20.0)
        true[i] = float(spoke.creep_strain(state)[0])
    miss = np.median(forecast) - (true[times.size - 1] - true[two_days])
    print(miss, np.median(forecast), forecast.std())
    assert abs(miss) < 2.5 * forecast.std()
