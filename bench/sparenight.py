"""A night of spare spokes on a chord against what their batch promised: the proof that a plan carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.program import program_from_text
from bench.ready import led_to_the_end
from bench.record import Run, table_of
from bench.results import ChordNight, chord_nights
from bench.spokes import in_series
from bench.steps import StepKind
from models.batch import Batch, draw_chains
from models.errors import InputError
from models.history import Measured
from models.relax import relax
from models.table import records
from models.thin import Thinned, thin

Floats = NDArray[np.float64]
DRAWS = 400
BAND = (0.05, 0.5, 0.95)
CELL_PERCENT = 0.3  # what a load cell may be off, where its frame file does not say
EXPANSION_PER_K = 12e-6  # of the fibre (it shortens when it warms) and of a steel frame of its length, which add up
UNKNOWN_C = 1.0  # change of temperature where none was measured


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareNight:
    """Measured tension of spare spokes left alone as in a wheel, and what the batch gave for it."""

    nights: tuple[ChordNight, ...]
    time_h: Floats  # (n,) since they were left alone
    measured_N: Floats  # (n,) mean of the stations
    band_N: Floats  # (3, n) 5, 50 and 95 % of what a mean of so many new spokes of the batch does
    set_N: float  # at which they were left alone, mean of the stations
    held_N: tuple[float, ...]  # loads at which they were held for more than a minute
    cell_percent: float  # allowed on top: uncertainty (k = 2) of the load cells
    warmth_N: Floats  # (n,) allowed on top: what the change of temperature may have done to spoke and frame

    @property
    def within(self) -> bool:
        """Whether the measured mean stays all night in the band, widened by cells and temperature."""
        slack = 0.01 * self.cell_percent * self.measured_N + self.warmth_N
        good = (self.measured_N >= self.band_N[0] - slack) & (self.measured_N <= self.band_N[2] + slack)
        return bool(good.all())

    def as_dict(self) -> dict[str, Any]:
        """Key ``proof`` of schedule.json."""
        return {
            "spokes": [label for night in self.nights for label in night.spokes],
            "followup": self.nights[0].followup,
            "time_h": self.time_h.tolist(),
            "tension_N": self.measured_N.tolist(),
            "expected_N": {
                "p05": self.band_N[0].tolist(),
                "p50": self.band_N[1].tolist(),
                "p95": self.band_N[2].tolist(),
            },
            "allowed_for_cells_percent": self.cell_percent,
            "allowed_for_temperature_N": self.warmth_N.tolist(),
            "within": self.within,
        }


def spare_night(run: Run, batch: Batch, *, seed: int = 0, draws: int = DRAWS) -> SpareNight:
    """Judge the chord hold of a run: draws of the batch go through the load that each spoke really bore, and then on.

    Raises
    ------
    InputError
        The run has no chord hold, or more than one for a station, or with different follow-ups.
    """
    nights = chord_nights(run)
    if not nights:
        raise InputError(f"{run.path}: no chord hold was reached in this run: nothing to compare with a plan")
    if len({n.station for n in nights}) != len(nights) or len({n.followup for n in nights}) != 1:
        raise InputError(f"{run.path}: more than one chord hold: give a run with one night on one chord")
    program = program_from_text(run.meta.program_text, "the run's program")
    EA_N = program.EA_N
    rng = np.random.default_rng(seed)
    longest_h = min(float(n.time_h[-1]) for n in nights)
    time_h = np.concatenate([[0.0], np.geomspace(1.0 / 60.0, longest_h, 24)])
    measured = np.stack([np.interp(time_h, n.time_h, n.tension_N) for n in nights])
    # one middle spoke of the batch for all stations of a draw: what is not known of the batch is theirs in common
    counts = [len(n.spokes) for n in nights]
    drawn = draw_chains(batch, rng, draws, sum(counts))
    expected, warmth = [], []
    at = 0
    for night, count in zip(nights, counts, strict=True):
        own = drawn.take((slice(None), slice(at, at + count)))
        at += count
        flat = own.take(np.unravel_index(np.arange(draws * count), (draws, count)))
        line = in_series(flat, (count,) * draws)
        before = _until(run, night)
        state = led_to_the_end(line, before)
        th = float(before.temperature_C[-1])
        change = np.nan_to_num(night.temperature_C - night.temperature_C[0], nan=UNKNOWN_C)
        warmth.append(np.interp(time_h, night.time_h, np.abs(change)))
        start_N = float(night.tension_N[0])
        phi = night.followup * line.EA0_N / EA_N  # the frame kept phi L/EA with the program's EA
        expected.append(relax(line, state, 3600.0 * time_h, start_N, phi, th, steps_per_decade=10)[0])
    band = np.quantile(np.mean(expected, axis=0), BAND, axis=1)
    cells = [run.meta.calibration[n.station].get("cell_uncertainty_percent") for n in nights]
    known = [float(c) for c in cells if isinstance(c, int | float)]
    return SpareNight(
        nights=tuple(nights),
        time_h=time_h,
        measured_N=measured.mean(axis=0),
        band_N=band,
        set_N=float(measured[:, 0].mean()),
        held_N=tuple(s.load_N for s in program.steps if s.kind is StepKind.HOLD and s.duration_s > 60.0),
        cell_percent=max(known, default=CELL_PERCENT),
        warmth_N=np.mean(warmth, axis=0) * 2.0 * EXPANSION_PER_K * EA_N / (1.0 + nights[0].followup),
    )


def _until(run: Run, night: ChordNight) -> Thinned:
    """The record of a station up to the moment at which it was left alone."""
    record = run.stations[night.station]
    alone = Run(path=run.path, meta=run.meta, stations={night.station: record}, events=run.events)
    table = table_of(alone)
    found, _ = records(table[table["time_s"] <= night.began_s], run.path.name)
    whole: Measured = found[0].measured
    return thin(whole, found[0].breaks_s)
