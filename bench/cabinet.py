"""The heated cabinet in a program: asked for a temperature once every station waits for it, off when none can go on."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bench.frame import FrameReading
from bench.machine import ENDED, StationState
from bench.station import Station
from bench.steps import Program, Step, StepKind


class Cabinet:
    """What the cabinet was asked for, and how long it has stood there."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self.asked_C: float | None = None  # None: off
        self._soak_since_s: float | None = None
        self._lowest_C = math.inf  # that it has come down to since it was last asked for less

    def allowed_C(self, reading: FrameReading) -> float | None:
        """The most it may stand at: what it was asked for, or on its way down from more, what it has come down to."""
        if self.asked_C is None:
            self._lowest_C = math.inf
            return None
        inside = reading.cabinet_temperature_C
        self._lowest_C = max(self.asked_C, self._lowest_C if inside is None else min(self._lowest_C, inside))
        return self.asked_C if math.isinf(self._lowest_C) else self._lowest_C

    def _step(self, stations: Sequence[Station]) -> Step | None:
        """The temperature step at which every live station stands; None where they do not."""
        live = [s for s in stations if s.state not in ENDED and s.state is not StationState.CUT_OFF]
        numbers = {s.step for s in live}
        if len(numbers) != 1:
            return None
        step = self._program.steps[numbers.pop()]
        return step if step.kind is StepKind.TEMPERATURE else None

    def wanted_C(self, stations: Sequence[Station], *, safe: bool) -> float | None:
        """What it should be asked for now; ``safe``: no fault stands against heating."""
        step = self._step(stations)
        live = any(s.state not in ENDED and s.state is not StationState.CUT_OFF for s in stations)
        if not live or not safe:
            return None
        return self.asked_C if step is None else step.temperature_C

    def soaked(self, stations: Sequence[Station], reading: FrameReading, at_s: float) -> bool:
        """Whether it has stood at its temperature as long as the step asks."""
        step = self._step(stations)
        inside = reading.cabinet_temperature_C
        if step is None or inside is None or self.asked_C != step.temperature_C:
            self._soak_since_s = None
            return False
        if abs(inside - step.temperature_C) > step.within_C:
            self._soak_since_s = None
            return False
        self._soak_since_s = at_s if self._soak_since_s is None else self._soak_since_s
        return at_s - self._soak_since_s >= step.soak_s
