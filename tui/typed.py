"""A wheel's readings as they are typed at the stand: one spoke after the other, undone, checked against the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from models.units import parse_force_N
from planner.present import (
    Expected,
    where_it_stands,
)
from tui import format as show
from tui.readings import HIGHEST_N

if TYPE_CHECKING:
    from models.gauge import Gauge
    from planner.record import Record
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
UNREAD_N = 1e6  # sd of a spoke that has not been read yet
LEAST_KNOWN = 4  # readings before one can be called odd, where nothing is known of the wheel
LEAST_UNEVEN = 0.025  # of tension from spoke to spoke, sd: wheels are not evener than that before they are trued
ODD_SD = 3.3  # one spoke in a thousand of a sound wheel
FAR_OFF = 0.5  # of the side's target: a first reading so far off is asked about


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """One spoke's reading."""

    number: float  # as typed: N, or in the gauge's unit
    tension_N: float  # of the spoke with the gauge off


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What is undone in one go."""

    position: int  # 0-based
    before: Typed | None
    cursor: int


@dataclass(slots=True, kw_only=True, eq=False)
class Sheet:
    """A round of readings in the making; positions are 0-based inside, 1-based in all words."""

    wheel: Wheel
    gauge: Gauge | None  # None: tensions are typed
    expected: Expected | None = None  # from the wheel's record; None: nothing is known of it
    values: list[Typed | None] = field(default_factory=list)
    cursor: int = 0
    in_tension: bool = False  # tensions are typed although there is a gauge
    _undo: list[Step] = field(default_factory=list)
    _influence: Floats = field(default_factory=lambda: np.empty((0, 0)))

    def __post_init__(self) -> None:
        n = self.wheel.n
        self.values = self.values or [None] * n
        self._influence = self.wheel.influence(np.array(self.wheel.side_targets_N())[self.wheel.side])
        self.in_tension = self.in_tension or self.gauge is None

    # what stands --------------------------------------------------------------------------------------------------

    @property
    def count(self) -> int:
        """Spokes of the wheel."""
        return self.wheel.n

    @property
    def read(self) -> int:
        """Spokes read so far."""
        return sum(v is not None for v in self.values)

    @property
    def done(self) -> bool:
        """Whether every spoke is read."""
        return self.read == self.count

    @property
    def unit(self) -> str:
        """Of what is typed."""
        return "N" if self.in_tension or self.gauge is None else self.gauge.reading_unit

    @property
    def tension_N(self) -> list[float | None]:
        """Of each spoke, None where it is not read yet."""
        return [None if v is None else v.tension_N for v in self.values]

    def side(self, position: int) -> str:
        """left or right."""
        return "right" if self.wheel.side[position] else "left"

    def side_mean_N(self, side: int) -> float | None:
        """Mean of the spokes of a side that were read (0 left, 1 right)."""
        values = [t for i, t in enumerate(self.tension_N) if t is not None and self.wheel.side[i] == side]
        return sum(values) / len(values) if values else None

    def likely_N(self, position: int) -> float | None:
        """What this spoke may be expected to read; None while nothing is known."""
        if self.expected is not None:
            return float(self.expected.tension_N[position])
        return self.side_mean_N(int(self.wheel.side[position]))

    # typing -------------------------------------------------------------------------------------------------------

    def put(self, text: str) -> str | None:
        """Take what was typed for the spoke under the cursor and go on to the next that is not read.

        Returns
        -------
        None, or why it was not taken.
        """
        try:
            value = self._value(text, self.cursor)
        except InputError as error:
            return str(error)
        self._undo.append(Step(position=self.cursor, before=self.values[self.cursor], cursor=self.cursor))
        self.values[self.cursor] = value
        self.cursor = self._next_unread()
        return None

    def _value(self, text: str, position: int) -> Typed:
        word = text.strip().replace(",", ".")
        try:
            number = float(word)
        except ValueError:
            if not self.in_tension:
                raise InputError(f"'{text.strip()}' is no number") from None
            try:
                number = parse_force_N(word)
            except ValueError:
                raise InputError(f"'{text.strip()}' is no tension: a number in N, or such as 95 kgf") from None
        if not math.isfinite(number):
            raise InputError(f"'{text.strip()}' is no number")
        if self.in_tension or self.gauge is None:
            tension = number
        else:
            stiffness = float(self._influence[position, position])
            tension = float(self.gauge.true_tension_N(number, stiffness)[0])
        if not 0.0 <= tension <= HIGHEST_N:
            raise InputError(f"{show.number(tension)} N is no tension of a spoke: 0 to {HIGHEST_N:g} N is possible")
        return Typed(number=number, tension_N=tension)

    def _next_unread(self) -> int:
        """The next spoke that is not read, round the wheel; the same where all are."""
        for k in range(1, self.count + 1):
            i = (self.cursor + k) % self.count
            if self.values[i] is None:
                return i
        return self.cursor

    def undo(self) -> int | None:
        """Take the last reading back; the position it is of, or None where nothing was typed."""
        if not self._undo:
            return None
        step = self._undo.pop()
        self.values[step.position] = step.before
        self.cursor = step.cursor
        return step.position

    def move(self, by: int) -> None:
        """To another spoke."""
        self.cursor = (self.cursor + by) % self.count

    def switch(self) -> str | None:
        """Type tensions instead of readings, or the other way round; what stands keeps its tension."""
        if self.gauge is None:
            return "no gauge's record was given: tensions are typed"
        self.in_tension = not self.in_tension
        return None

    # checking -----------------------------------------------------------------------------------------------------

    def odd(self) -> dict[int, str]:
        """Readings that do not fit: position (0-based) -> why, in words."""
        known = np.array([v is not None for v in self.values])
        if not known.any():
            return {}
        read = np.array([np.nan if t is None else t for t in self.tension_N])
        targets = np.array(self.wheel.side_targets_N())[self.wheel.side]
        if self.expected is None and known.sum() < LEAST_KNOWN:
            off = np.flatnonzero(known & (np.abs(read / targets - 1.0) > FAR_OFF))
            return {int(i): f"{read[i]:.0f} N is far from {targets[i]:.0f} N, the target of its side" for i in off}
        if self.expected is None and not self.done:
            return _beside(read / targets, known)
        expected = self.expected or Expected.of_any_wheel(self.wheel, read, self._influence)
        repeat = self.wheel.build.tension.reading_repeat_percent / 100.0
        filled = np.where(known, read, expected.tension_N)
        sd = np.where(known, np.maximum(repeat * np.abs(filled), 0.5), UNREAD_N)
        pitch = self.wheel.build.spoke.thread_pitch_mm
        found = where_it_stands(self._influence, filled, sd, expected, pitch)
        return {o.position - 1: o.why for o in found.outliers if known[o.position - 1]}

    def fill(self, tension_N: Sequence[float | None]) -> None:
        """Go on from a round that was begun before."""
        self.values = [None if t is None else Typed(number=t, tension_N=t) for t in tension_N]
        self.cursor = 0 if self.values[0] is None else self._next_unread()

    # out ----------------------------------------------------------------------------------------------------------

    def csv(self, *, when: str, at_utc: Sequence[datetime | None] = (), temperature_C: float | None = None) -> str:
        """READINGS.csv of what is read; always as tension, so that both ways of typing may be mixed."""
        head = ["position", "tension_N", "typed", "when"]
        if temperature_C is not None:
            head.append("temperature_C")
        lines = [",".join(head)]
        for i, v in enumerate(self.values):
            if v is None:
                continue
            row = [str(i + 1), f"{v.tension_N:.2f}", f"{v.number:g}", when]
            if temperature_C is not None:
                row.append(f"{temperature_C:g}")
            lines.append(",".join(row))
        return "\n".join(lines) + "\n"


def _beside(ratio: Floats, known: NDArray[np.bool_]) -> dict[int, str]:
    """Spokes far from the middle of those read so far, each by its side's target; the rim's balance waits for all."""
    middle = float(np.median(ratio[known]))
    off = ratio / middle - 1.0
    sd = max(float(np.median(np.abs(off[known]))) / NormalDist().inv_cdf(0.75), LEAST_UNEVEN)
    return {
        int(i): f"{show.signed(100 * off[i], 0)} % from the middle of its side so far: read it again"
        for i in np.flatnonzero(known & (np.abs(off) > ODD_SD * sd))
    }


def expected_of(record: Record, now: datetime, seed: int = 0) -> Expected | None:
    """What the record leads one to expect of each spoke now; None where it says too little. Takes a second or two."""
    from models.chain import elastic_slope_per_N
    from planner.asdone import past_of
    from planner.learning import expected_now, wheels_like_it, with_other_draws
    from planner.outlook import Setting
    from planner.wheel import wheel_of

    build, batch = record.the_build, record.the_batch
    wheel = wheel_of(build)
    EA_N = 1.0 / float(elastic_slope_per_N(batch.chain, build.tension.target_N))
    influence = wheel.influence(np.array(wheel.side_targets_N())[wheel.side], EA_N)
    if record.turned:
        last = record.turned[-1]
        after, before = np.array(last.after_N), np.array(last.before_N)
        repeat = build.tension.reading_repeat_percent / 100.0
        return Expected.after_turns(wheel, before, after, repeat * after, influence)
    if record.set_utc is None or record.set_utc > now:
        return None
    setting = Setting.of(build, wheel, batch)
    past = past_of(record, wheel, now)

    def work(with_seed: int) -> Expected:
        lives = wheels_like_it(setting, batch, [past], np.random.default_rng([with_seed, 5]))
        return expected_now(setting, lives, influence)

    return with_other_draws(work, seed)
