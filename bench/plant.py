"""The simulated frame: spokes that creep, drives, sensors and interlocks in virtual time; shows faults on cue.

Everything in it is invented. It knows nothing of Modbus or asyncio: time passes only when `Plant.advance` is called.

Long because spokes, drives, sensors and cues act on each other within one step of time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.cues import STATION_CUES, Cue
from bench.frame import FrameFacts
from bench.spokes import Spokes
from models.chain import Chain

Floats = NDArray[np.float64]

OVERLOAD = 1  # drive fault codes
OVERTRAVEL = 2
BEYOND_TRAVEL_MM = 0.5  # where the travel switches stand, outside the travel that may be asked for
MOVING_PIECE_S = 0.1  # longest step while something moves, or while it moves by no more than
MOVING_PIECE_MM = 0.01  # this
ACCELERATING_PIECE_S = 0.01
FINE_PIECE_S = 0.01  # where the overload cut-out may act within a longer one
REST_PIECE_S = 60.0
DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantSettings:
    """The invented frame's own properties, beside what its frame file states."""

    gauge_length_mm: float = 280.0  # of one spoke
    in_series: tuple[int, ...] = ()  # spokes in a row on each station; empty: one
    bar_mm_per_N: float = 0.0  # compliance of one bar between two of them
    acceleration_mm_per_s2: float | None = None  # of the drives; None: they are at their speed at once
    seat_mm: float = 6.0  # position at which a spoke begins to bear
    seat_sd_mm: float = 0.3
    air_C: float = 20.0
    air_swing_C: float = 1.0  # half of the daily swing
    start_h: float = 18.0  # time of day at which the simulation starts
    frame_lag_s: float = 7200.0  # the frame follows the air
    cabinet_lag_s: float = 900.0
    frame_expansion_mm_per_K: float = 0.0033  # distance of the spoke's two anchors
    backlash_mm: float = 0.02
    load_count_N: float = 0.1  # what the cell's amplifier resolves
    load_zero_sd_N: float = 0.2
    load_zero_per_K: float = 0.02
    position_count_mm: float = 0.0001


class Plant:
    """A frame with one spoke on each station, moved on by `advance`."""

    def __init__(
        self, facts: FrameFacts, chain: Chain, rng: np.random.Generator, settings: PlantSettings | None = None
    ) -> None:
        """``chain`` of leading shape (stations,): one draw for each station."""
        n = len(facts.stations)
        if chain.shape != (n,):
            raise ValueError(f"{n} stations need {n} spokes, not a chain of shape {chain.shape}")
        s = settings or PlantSettings()
        self.facts, self.settings, self._rng = facts, s, rng
        row = np.array(s.in_series or (1,) * n, dtype=np.float64)
        bars = (row - 1.0) * s.bar_mm_per_N
        compliance = np.array([st.frame_compliance_mm_per_N for st in facts.stations]) + bars
        self.spokes = Spokes(chain, row * s.gauge_length_mm, compliance)
        self._step_mm = np.array([st.step_mm for st in facts.stations])
        self._max_speed = np.array([st.max_speed_mm_per_s for st in facts.stations])
        self._low = np.array([st.travel_mm[0] for st in facts.stations]) - BEYOND_TRAVEL_MM
        self._high = np.array([st.travel_mm[1] for st in facts.stations]) + BEYOND_TRAVEL_MM
        self._owned = "owner_token" not in facts.absent
        self._own_speed = "move_speed" in facts.absent
        self._trip_N = np.array([st.trip_load_N for st in facts.stations])
        self.built_in = facts.stated_limits  # most that can be written to its own limits, and what stands at the start
        self.limits = dict(self.built_in)  # N and mm/s; they act where they can be written
        self._most_N_per_mm = chain.EA0_N / (row * s.gauge_length_mm)
        self._noise_N = np.array([st.load_noise_N for st in facts.stations])
        self._range_N = np.array([st.cell_range_N or 1.25 * st.trip_load_N for st in facts.stations])
        self._seat_mm = s.seat_mm + s.seat_sd_mm * rng.standard_normal(n)
        self._zero_N = s.load_zero_sd_N * rng.standard_normal(n)
        self.time_s = 0.0
        self._counted_from_s = 0.0
        self.motor_mm: Floats = np.maximum(self._low + BEYOND_TRAVEL_MM, 0.0)
        self.carriage_mm: Floats = self.motor_mm - s.backlash_mm
        self.target_mm: Floats = self.motor_mm.copy()
        self.speed_mm_per_s: Floats = np.zeros(n)
        self._velocity: Floats = np.zeros(n)  # of drives that take time to get up to speed
        self.enabled = np.zeros(n, bool)
        self.moving = np.zeros(n, bool)
        self.drive_fault = np.zeros(n, int)
        self.gone = np.zeros(n, bool)
        self._slip_mm: Floats = np.zeros(n)
        self._drift_N: Floats = np.zeros(n)
        self._encoder_off_mm: Floats = np.zeros(n)
        self._position_valid = np.ones(n, bool)
        self.owner = 0
        self.lamp = 0
        self.cabinet_set_C: float | None = None
        self._deadman_left_s = 0.0
        self.cues: dict[tuple[Cue, int | None], float] = {}
        self.air_C = self._air()
        self.frame_C = self.air_C
        self.cabinet_C = self.air_C
        self.load_N: list[float] = []  # as the cells report
        self.position_mm: list[float] = []
        self.samples = 0
        self._sample()

    # what a controller may do ------------------------------------------------------------------------------------

    def command(self, station: int, *, enable: bool, target_mm: float, speed_mm_per_s: float) -> None:
        """One bounded absolute move; refused (the drive stays off) while the frame does not allow motion."""
        if not enable or not self.may_move or self.drive_fault[station]:
            self._drop(station)
            return
        step = self._step_mm[station]
        self.enabled[station] = True
        self.target_mm[station] = round(target_mm / step) * step
        fastest = min(self._max_speed[station], self.limits["max_speed"])
        self.speed_mm_per_s[station] = fastest if self._own_speed else min(abs(speed_mm_per_s), fastest)

    def set_limit(self, role: str, value: float) -> None:
        """Write one of the frame's own limits: taken only from who commands it, and only up to what is built in."""
        held = self.owner != 0 or not self._owned
        if held and not self.local and value > 0:
            self.limits[role] = min(value, self.built_in[role])
            self.speed_mm_per_s = np.minimum(self.speed_mm_per_s, self.limits["max_speed"])

    @property
    def _cut_out_N(self) -> Floats:
        """Load at which each drive is switched off."""
        if "max_load" not in self.facts.writable_limits:
            return self._trip_N
        cut_out: Floats = np.minimum(self._trip_N, self.limits["max_load"])
        return cut_out

    def reset_fault(self, station: int) -> None:
        """Clear a drive fault; the drive stays off."""
        self.drive_fault[station] = 0
        self._drop(station)

    def feed(self) -> None:
        """Feed the deadman."""
        self._deadman_left_s = self.facts.deadman_ms / 1000.0

    def take(self, token: int) -> None:
        """Write the owner register: kept while another token stands there, 0 gives the frame back."""
        if self.owner in (0, token) or token == 0:
            self.owner = token

    @property
    def may_move(self) -> bool:
        """Every interlock of the frame allows motion."""
        held = self.owner != 0 or not self._owned
        unlocked = not self.local and self.estop_closed and self.guard_closed and self.power_ok
        return self._deadman_left_s > 0 and held and unlocked

    # what it shows -----------------------------------------------------------------------------------------------

    @property
    def frame_ms(self) -> int:
        """The device's own counter."""
        return round((self.time_s - self._counted_from_s) * 1000.0) & 0xFFFFFFFF

    @property
    def estop_closed(self) -> bool:
        return (Cue.ESTOP, None) not in self.cues

    @property
    def guard_closed(self) -> bool:
        return (Cue.GUARD, None) not in self.cues

    @property
    def power_ok(self) -> bool:
        return (Cue.POWER_DIP, None) not in self.cues

    @property
    def local(self) -> bool:
        return (Cue.LOCAL_PANEL, None) in self.cues

    @property
    def load_fault(self) -> list[bool]:
        return [(Cue.CELL_UNPLUGGED, i) in self.cues for i in range(len(self.enabled))]

    @property
    def position_valid(self) -> list[bool]:
        return [bool(v) and (Cue.POSITION_LOST, i) not in self.cues for i, v in enumerate(self._position_valid)]

    @property
    def limit_low(self) -> NDArray[np.bool_]:
        return self._reached(self.motor_mm <= self._low, Cue.LIMIT_LOW)

    @property
    def limit_high(self) -> NDArray[np.bool_]:
        return self._reached(self.motor_mm >= self._high, Cue.LIMIT_HIGH)

    def _reached(self, reached: NDArray[np.bool_], forced: Cue) -> NDArray[np.bool_]:
        for cue, station in self.cues:
            if cue is forced:
                reached[station] = True
        return reached

    # faults ------------------------------------------------------------------------------------------------------

    def cue(self, cue: Cue | str, station: int | None = None, value: float = 0.0) -> None:
        """Show a fault until `clear`; what happens once and for good (a break, a slip, a restart) needs no clearing.

        Raises
        ------
        ValueError
            If a fault of a station comes without one, or the other way round.
        """
        cue = Cue(cue)
        if (cue in STATION_CUES) != (station is not None):
            raise ValueError(f"{cue} {'needs a station' if station is None else 'is a fault of the whole frame'}")
        if station is not None and not 0 <= station < len(self.enabled):
            raise ValueError(f"there is no station {station}")
        i = 0 if station is None else station
        if cue is Cue.SPOKE_BREAKS:
            self.gone[i] = True
        elif cue is Cue.FITTING_SLIPS:
            self._slip_mm[i] += value
        elif cue is Cue.ENCODER_JUMPS:
            self._encoder_off_mm[i] += value
        elif cue is Cue.DRIVE_FAULT:
            self.drive_fault[i] = int(value) or 99
            self._drop(i)
        elif cue is Cue.RESTART:
            self._counted_from_s = self.time_s
            self._position_valid[:] = False
            self.owner = 0
            self.limits = dict(self.built_in)
            self._deadman_left_s = 0.0
            self._stop_all()
        else:
            self.cues[cue, station] = value
            if cue is Cue.FOREIGN_OWNER:
                self.owner = int(value) or 4711
            if not self.may_move:
                self._stop_all()
        self._sample()

    def clear(self, cue: Cue | str, station: int | None = None) -> None:
        """The fault is gone; what it did to the drives stays."""
        value = self.cues.pop((Cue(cue), station), None)
        if Cue(cue) is Cue.FOREIGN_OWNER and value is not None:
            self.owner = 0
        self._sample()

    # time --------------------------------------------------------------------------------------------------------

    def advance(self, dt_s: float) -> None:
        """Live ``dt_s`` seconds, then sample every sensor."""
        left = dt_s
        while left > 1e-9:
            left -= self._piece(left)
        self._sample()

    def _piece(self, longest_s: float) -> float:
        """Live up to the next event; returns the seconds lived."""
        way = self.target_mm - self.motor_mm
        self.moving = self._under_way(way)
        dt = min(longest_s, REST_PIECE_S)
        velocity = None
        odd = self.cues and any(c in _MOVES for c, _ in self.cues)
        if odd or self.moving.any():
            if self.settings.acceleration_mm_per_s2 is None:
                velocity = np.where(self.moving, np.sign(way) * self.speed_mm_per_s, 0.0)
            else:
                dt = min(dt, ACCELERATING_PIECE_S)
                velocity = self._up_to_speed(way, self.settings.acceleration_mm_per_s2, dt)
            if odd:
                self._odd_motion(velocity)
            fastest = max(float(np.abs(velocity).max()), 1e-9)
            dt = min(dt, MOVING_PIECE_S if odd else max(MOVING_PIECE_S, MOVING_PIECE_MM / fastest))
            # up to when the last one arrives; who arrives earlier waits out the rest of so short a step
            last = float((np.abs(way) / np.where(self.moving, self.speed_mm_per_s, np.inf)).max())
            if not odd:
                dt = min(dt, max(last, 1e-6))
            if (self.spokes.load_N + velocity * dt * self._most_N_per_mm > self._cut_out_N).any():
                dt = min(dt, FINE_PIECE_S)
        if self._deadman_left_s > 0:
            dt = min(dt, self._deadman_left_s)
        if velocity is not None:
            self._move(velocity, way, dt)
        self._live(dt)
        self.time_s += dt
        if self._deadman_left_s > 0:
            self._deadman_left_s = max(0.0, self._deadman_left_s - dt)
            if self._deadman_left_s < 1e-9:
                self._deadman_left_s = 0.0
                self.owner = 0 if (Cue.FOREIGN_OWNER, None) not in self.cues else self.owner
                self._stop_all()
        return dt

    def _up_to_speed(self, way: Floats, acceleration_mm_per_s2: float, dt: float) -> Floats:
        """Velocity that the drives have after ``dt``: never more than lets them stop at their targets."""
        a = acceleration_mm_per_s2
        stops = np.sqrt(2.0 * a * np.abs(way) + (0.5 * a * dt) ** 2) - 0.5 * a * dt
        want = np.where(self.moving, np.sign(way) * np.minimum(self.speed_mm_per_s, stops), 0.0)
        self._velocity = self._velocity + np.clip(want - self._velocity, -a * dt, a * dt)
        self._velocity[~self.enabled] = 0.0
        return self._velocity

    def _under_way(self, way: Floats) -> NDArray[np.bool_]:
        return self.enabled & (np.abs(way) > 1e-9) & (self.speed_mm_per_s > 0)

    def _odd_motion(self, velocity: Floats) -> None:
        for (cue, station), value in self.cues.items():
            if station is None:
                continue
            if cue is Cue.RUNAWAY and self.enabled[station]:
                velocity[station] = value or self._max_speed[station]
                self.moving[station] = True
            elif cue is Cue.STALL:
                velocity[station] = 0.0

    def _move(self, velocity: Floats, way: Floats, dt: float) -> None:
        change = velocity * dt
        asked = self.moving & (np.sign(change) == np.sign(way))
        change = np.where(asked & (np.abs(change) > np.abs(way)), way, change)
        runs = [s for c, s in self.cues if c is Cue.RUNAWAY and s is not None and self.enabled[s]] if self.cues else []
        for station in runs:
            change[station] = velocity[station] * dt
        # a travel switch stops motion towards it
        blocked = ((change > 0) & self.limit_high) | ((change < 0) & self.limit_low)
        if blocked.any():
            change = np.where(blocked, 0.0, change)
            for i in np.flatnonzero(blocked):
                self.drive_fault[i] = OVERTRAVEL
                self._drop(int(i))
        self.motor_mm = self.motor_mm + change

    def _live(self, dt: float) -> None:
        s = self.settings
        for (cue, station), value in self.cues.items():
            if cue is Cue.CREEPS_UNASKED:
                self._slip_mm[station] -= value * dt
            elif cue is Cue.FITTING_CREEPS:
                self._slip_mm[station] += value * dt
            elif cue is Cue.CELL_DRIFTS:
                self._drift_N[station] += value * dt / 3600.0
        self.air_C = self._air()
        self.frame_C += (self.air_C - self.frame_C) * -math.expm1(-dt / s.frame_lag_s)
        if self.facts.has_cabinet:
            to = (
                self.air_C
                if self.cabinet_set_C is None or (Cue.CABINET_CUTOUT, None) in self.cues
                else (self.cabinet_set_C)
            )
            self.cabinet_C += (to - self.cabinet_C) * -math.expm1(-dt / s.cabinet_lag_s)
            self.cabinet_C = self.cues.get((Cue.CABINET, None), self.cabinet_C)
        # a loaded carriage is pressed against one flank of the screw, a slack one stays where friction leaves it
        pulled = self.motor_mm - s.backlash_mm
        carriage = np.where(
            self.spokes.load_N > 0, pulled, np.minimum(np.maximum(self.carriage_mm, pulled), self.motor_mm)
        )
        if self.cues:
            for cue, station in self.cues:
                if cue is Cue.COUPLING_SLIPS and station is not None:
                    carriage[station] = self.carriage_mm[station]
        self.carriage_mm = carriage
        opened = s.frame_expansion_mm_per_K * (self.frame_C - s.air_C)
        around = self.cabinet_C if self.facts.has_cabinet else self.air_C
        self.spokes.step(dt, carriage - self._seat_mm - self._slip_mm + opened, around, self.gone)
        over = self.spokes.load_N > self._cut_out_N
        if over.any():
            for i in np.flatnonzero(over & ~(self.target_mm < self.motor_mm - 1e-9)):
                self.drive_fault[i] = OVERLOAD
                self._drop(int(i))

    def _air(self) -> float:
        s = self.settings
        if (Cue.AIR, None) in self.cues:
            return self.cues[Cue.AIR, None]
        # coldest at 5 in the morning
        phase = 2.0 * math.pi * ((self.time_s / 3600.0 + s.start_h - 11.0) / 24.0)
        return s.air_C + s.air_swing_C * math.sin(phase)

    def _drop(self, station: int) -> None:
        """The drive is off and forgets where it was going; the screw holds the load."""
        self.enabled[station] = False
        self.moving[station] = False
        self._velocity[station] = 0.0  # its brake falls in
        self.target_mm[station] = self.motor_mm[station]

    def _stop_all(self) -> None:
        for i in range(len(self.enabled)):
            self._drop(i)

    def _sample(self) -> None:
        s, n = self.settings, len(self.enabled)
        self.moving = self._under_way(self.target_mm - self.motor_mm)
        load = self.spokes.load_N + self._zero_N + self._drift_N + s.load_zero_per_K * (self.air_C - s.air_C)
        load = load + self._noise_N * self._rng.standard_normal(n)
        load = np.rint(load / s.load_count_N) * s.load_count_N
        load = np.minimum(np.maximum(load, -self._range_N), self._range_N)
        position = np.rint((self.motor_mm + self._encoder_off_mm) / s.position_count_mm) * s.position_count_mm
        loads: list[float] = load.tolist()
        for cue, i in self.cues:
            if i is None:
                continue
            if cue is Cue.CELL_UNPLUGGED:
                loads[i] = -float(self._range_N[i])
            elif cue is Cue.CELL_SATURATES:
                loads[i] = float(self._range_N[i])
            elif cue is Cue.CELL_OPEN:
                loads[i] = 0.0
            elif cue is Cue.CELL_FROZEN and self.load_N:
                loads[i] = self.load_N[i]
        self.load_N = loads
        self.position_mm = position.tolist()
        self.samples += 1


_MOVES = (Cue.RUNAWAY, Cue.STALL, Cue.CREEPS_UNASKED, Cue.FITTING_CREEPS, Cue.COUPLING_SLIPS)
