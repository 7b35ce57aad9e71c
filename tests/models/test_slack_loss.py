"""What a slack braid may give back of its bedding, as the fit's errors allow for it."""

from __future__ import annotations

import numpy as np

from models.thin import Thinned
from models.whiten import slack_loss

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
