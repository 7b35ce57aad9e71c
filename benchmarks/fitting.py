"""The fit of a batch: a whole night's samples, against a plain fit by numerical convolution, and how it grows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.invented import invented_batch
from bench.ready import judge
from benchmarks.measure import Section, by_the_clock, growth, hand_over, peak_MB, seconds, timed
from benchmarks.stepping import batch
from models.batch import draw_chains
from models.chain import Chain
from models.fit import fit
from models.history import LoadHistory, Measured
from models.learn import fit_batch
from models.simulate import strain_under_load
from models.table import Record
from models.thin import thin
from tests.bench.test_ready import RULE
from tests.golden import default_chain

LENGTH_MM = 280.0
NOISE_MM = 5e-4
H = 3600.0


def night(hours: float) -> LoadHistory:
    """Hold, recovery, higher hold, recovery: the corners."""
    parts = np.array([0.0, 0.25, 0.35, 0.85, 1.0]) * hours * H
    return LoadHistory.of(
        [0, 60, parts[1], parts[1] + 30, parts[2], parts[2] + 60, parts[3], parts[3] + 30, parts[4]],
        [15, 1000, 1000, 15, 15, 1500, 1500, 15, 15],
        20.0,
    )


def measured(chain: Chain, hours: float, rate_Hz: float, label: str, seed: int) -> Measured:
    """One spoke's record at a steady rate: stepped exactly on a fine log grid, read between its points, with noise."""
    corners = night(hours)
    fine = np.unique(
        np.concatenate(
            [a + np.geomspace(0.05, b - a, 160) for a, b in zip(corners.time_s[:-1], corners.time_s[1:], strict=True)]
            + [corners.time_s]
        )
    )
    history = LoadHistory.of(fine, np.interp(fine, corners.time_s, corners.load_N), 20.0)
    strain = strain_under_load(chain, history)[0]
    time = np.arange(0.0, hours * H, 1.0 / rate_Hz)
    rng = np.random.default_rng(seed)
    load = np.interp(time, corners.time_s, corners.load_N)
    y = LENGTH_MM * np.interp(time, fine, strain) + rng.normal(0.0, NOISE_MM, time.size)
    return Measured(
        spoke=label,
        history=LoadHistory.of(time, load, np.full(time.size, 20.0)),
        elongation_mm=y,
        gauge_length_mm=LENGTH_MM,
    )


def record(m: Measured) -> Record:
    """As the reader hands it over."""
    return Record(measured=m, breaks_s=())


def by_convolution(m: Measured, convolve: Callable[..., np.ndarray]) -> tuple[np.ndarray, int]:
    """A plain fit: all samples, the hereditary integral of a power law by convolution, numerical derivatives.

    Returns the compliance at once and its growth (1/N, 1/N, exponent), and how often the model was evaluated.
    """
    import lmfit

    time, load = m.history.time_s, m.history.load_N
    rises = np.diff(load, prepend=0.0)
    calls = 0

    def model(parameters: lmfit.Parameters) -> np.ndarray:
        nonlocal calls
        calls += 1
        p = parameters.valuesdict()
        creep = p["j0"] + p["j1"] * time ** p["n"]
        return LENGTH_MM * 1e-6 * convolve(rises, creep)[: time.size] - m.elongation_mm

    parameters = lmfit.Parameters()
    parameters.add("j0", value=2.0, min=0.0)
    parameters.add("j1", value=0.5, min=0.0)
    parameters.add("n", value=0.1, min=0.001, max=0.9)
    found = lmfit.minimize(model, parameters)
    return np.array([v.value for v in found.params.values()]), calls


def main() -> None:
    """One spoke beside the plain fit, 32 spokes, growth."""
    from scipy.signal import fftconvolve

    section = Section(title="Fitting a batch")
    linear = Chain.of(
        EA0_N=432_990.0,
        recoverable=([10.0, 100.0, 1e3, 1e4, 1e5], np.array([0.13, 0.145, 0.163, 0.182, 0.205]) / 432_990.0),
        reference_C=20.0,
    )
    fit_batch([record(measured(linear, 1.0, 1.0, "warm-up", 2))], "warm-up")
    coarse, fine = measured(linear, 12.0, 0.2, "K-1", 1), measured(linear, 12.0, 10.0, "K-1", 1)
    numbers = len(fit([thin(fine)])[0].prior.names)
    ours_s = timed(lambda: fit([thin(fine)]), least_s=1.0)
    all_laws_s = timed(lambda: fit_batch([record(fine)], "one"), least_s=1.0)
    plain: list[tuple[np.ndarray, int]] = []
    direct_s = timed(lambda: plain.append(by_convolution(coarse, np.convolve)), least_s=0.0)
    calls = plain[-1][1]
    grown = (fine.history.time_s.size / coarse.history.time_s.size) ** 2
    section.add(
        f"one spoke, 12 h at 10 Hz: thinned, the general law ({numbers} numbers) with its error bars", seconds(ours_s),
        f"plain fit of one power law (3 numbers), direct convolution, {calls} evaluations: {seconds(direct_s)} at "
        f"0.2 Hz; it grows with the square of the samples: {seconds(direct_s * grown)}", direct_s * grown / ours_s,
    )  # fmt: skip
    fast_s = timed(lambda: plain.append(by_convolution(fine, fftconvolve)), least_s=0.0)
    values, calls = plain[-1]
    section.add(
        "the same, beside the best that a convolution can do", seconds(ours_s),
        f"the plain fit with an FFT, {calls} evaluations: {seconds(fast_s)}", fast_s / ours_s,
    )  # fmt: skip
    section.add("the same with six candidate laws and held-back ends", seconds(all_laws_s))
    at = np.geomspace(60.0, 30 * 24 * H, 40)
    truth = strain_under_load(linear, LoadHistory.of([0.0, *at], np.full(41, 1000.0), 20.0))[0][1:] / 1000.0
    chain = fit_batch([record(fine)], "one").chain
    mine = strain_under_load(chain, LoadHistory.of([0.0, *at], np.full(41, 1000.0), 20.0))[0][1:] / 1000.0
    by_plain = 1e-6 * (values[0] + values[1] * at ** values[2])
    seen = at <= 12 * H
    for name, where in (("1 min to 12 h (seen)", seen), ("12 h to 30 days (not seen)", ~seen)):
        off, plain_off = (100 * np.abs(x / truth - 1)[where].max() for x in (mine, by_plain))
        section.add(f"largest error of creep at constant load, {name}", f"{off:.2g} %", f"plain fit {plain_off:.2g} %")
    chains = draw_chains(batch(default_chain()), np.random.default_rng(3), 1, 32)
    spokes = [measured(chains.take((0, k)), 12.0, 10.0, f"K-{k + 1}", 10 + k) for k in range(32)]
    before = peak_MB()
    section.add(
        "32 spokes, 12 h at 10 Hz (13.8 million samples): thinned, fitted, laws compared",
        by_the_clock(lambda: fit_batch([record(s) for s in spokes], "all")),
        f"asked: under 10 s on two cores, under 1.5 GB; peak here {peak_MB():.0f} MB, {before:.0f} of it the data",
    )
    thinned_s = timed(lambda: thin(spokes[0]))
    section.add("one spoke's 432 000 samples to bins", seconds(thinned_s))
    invented, rng = invented_batch(), np.random.default_rng(4)
    thinned = thin(spokes[0])
    judged_s = timed(lambda: judge(RULE, invented, thinned, station="A", rng=rng))
    section.add("one spoke's live refit: is it ready for its wheel?", seconds(judged_s), "asked: under 0.3 s")
    sizes = [1, 2, 4, 8, 16]
    took = [timed(lambda n=n: fit_batch([record(s) for s in spokes[:n]], "some")) for n in sizes]
    section.add("growth with spokes", growth(sizes, took))
    hours = [1, 2, 4, 8, 16]
    took = [
        timed(lambda h=h: fit_batch([record(measured(chains.take((0, 0)), float(h), 10.0, "K-1", 5))], "one"))
        for h in hours
    ]
    section.add("growth with hours (one spoke at 10 Hz, making the data included)", growth(hours, took))
    section.notes.append(
        "A fit looks at a few hundred means over bins that grow in log time; only making these grows with hours x rate."
    )
    section.notes.append(
        "The spoke of the plain fit's rows creeps no more after some days, which no night can show: both fits go on. "
        "What a forecast promises is its band, not its middle."
    )
    hand_over(section)


if __name__ == "__main__":
    main()
