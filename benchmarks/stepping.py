"""Exact stepping against scipy's stiff solver, and how it grows."""

from __future__ import annotations

from functools import partial

import numpy as np

from benchmarks.measure import Section, growth, hand_over, seconds, timed
from models.batch import Batch, draw_chains
from models.chain import Chain, virgin
from models.history import LoadHistory
from models.relax import relax
from models.simulate import strain_under_load
from tests.golden import default_chain
from tests.models import stiff


def month() -> LoadHistory:
    """A bench night, a rest, and a month in use with a pass."""
    h = 3600.0
    return LoadHistory.of(
        [0, 60, 12 * h, 12 * h + 60, 12.5 * h, 12.5 * h + 60, 26 * h, 26 * h + 60, 720 * h],
        [0, 1500, 1500, 0, 0, 1000, 850, 1000, 880],
    )


def batch(chain: Chain) -> Batch:
    """The default batch with a usual scatter."""
    return Batch.from_dict(
        {
            "batch": "invented",
            "chain": chain.as_dict(),
            "spread": {"log_sd": {"elastic": 0.03, "recoverable": 0.1, "bedding": 0.1, "flow": 0.4}, "spokes": 4},
        }
    )


def main() -> None:
    """Ratios in one run, and growth."""
    section = Section(title="Stepping a spoke through time")
    chain, history = default_chain(), month()
    ours, theirs = strain_under_load(chain, history)[0], stiff.strain(chain, history)
    apart = float(np.abs(ours / np.where(theirs == 0, 1, theirs) - 1)[1:].max())
    one_s = timed(lambda: strain_under_load(chain, history))
    stiff_s = timed(lambda: stiff.strain(chain, history))
    section.add(
        "one spoke through a night, a rest and a month", seconds(one_s),
        f"LSODA at 1e-10: {seconds(stiff_s)}; they differ by {100 * apart:.1g} %", stiff_s / one_s,
    )  # fmt: skip
    rng = np.random.default_rng(1)
    many = draw_chains(batch(chain), rng, 1000, 28)
    many_s = timed(lambda: strain_under_load(many, history))
    section.add(
        "28 000 spokes at once, each its own parameters", seconds(many_s),
        f"LSODA one by one, by its time for one: {seconds(28_000 * stiff_s)}", 28_000 * stiff_s / many_s,
    )  # fmt: skip
    at = np.geomspace(60.0, 720 * 3600.0, 40)
    relaxing_s = timed(lambda: relax(chain, virgin(chain), at, 1000.0, 0.2, 20.0))
    y0 = np.zeros(chain.recoverable_tau_s.size + int((chain.bedding_tau_s > 0).sum()) + chain.flow_rate_per_s.size)
    at_once = float(chain.bedding_compliance_per_N[chain.bedding_tau_s == 0].sum()) * 1000.0
    total = 1000.0 * 1.2 / float(chain.EA0_N) + at_once
    slow_s = timed(
        lambda: stiff.relaxation(chain, y0, total - at_once, 0.2 / float(chain.EA0_N), 20.0, at), least_s=0.05
    )
    section.add(
        "one spoke at a fixed length in a wheel, a month", seconds(relaxing_s), f"LSODA: {seconds(slow_s)}",
        slow_s / relaxing_s,
    )  # fmt: skip
    times = np.geomspace(60.0, 720 * 3600.0, 12)
    fewer = draw_chains(batch(chain), rng, 250, 28)
    wheels_s = timed(lambda: relax(fewer, virgin(fewer), times, 1000.0, 0.2, 20.0))
    section.add(
        "7 000 spokes at a fixed length, a month", seconds(wheels_s), f"LSODA one by one: {seconds(7_000 * slow_s)}",
        7_000 * slow_s / wheels_s,
    )  # fmt: skip
    sizes = [250, 500, 1000, 2000, 4000]
    took = []
    for n in sizes:
        drawn = draw_chains(batch(chain), rng, n, 28)
        took.append(timed(partial(strain_under_load, drawn, history)))
    section.add("growth with draws (of 28 spokes)", growth(sizes, took))
    rows = [100, 200, 400, 800, 1600]
    took = [
        timed(lambda n=n: strain_under_load(chain, LoadHistory.of(np.geomspace(1, 1e6, n), np.full(n, 1000.0))))
        for n in rows
    ]
    section.add("growth with rows of the history", growth(rows, took))
    section.notes.append(
        "LSODA runs at a relative tolerance of 1e-10. What the two differ by is bedding-in while a load falls or rises "
        "slowly: its target is taken as straight within a step."
    )
    hand_over(section)


if __name__ == "__main__":
    main()
