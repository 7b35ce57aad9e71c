"""What a frame is to the controller: readings with their time, bounded commands, and the protocol both sides keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Protocol, Self


@dataclass(frozen=True, slots=True, kw_only=True)
class StationReading:
    """One station at one instant, in plain units."""

    load_N: float  # load cell, span and zero applied; NaN only where load_fault is true
    load_fault: bool  # cell unplugged, saturated or reported bad by its amplifier
    position_mm: float  # drive encoder; grows as the spoke is pulled; NaN only where position_valid is false
    position_valid: bool  # False after the encoder lost its reference
    moving: bool
    enabled: bool  # drive energised
    drive_fault: int  # 0 none, else the drive's own code
    limit_low: bool  # travel switch at the slack end reached
    limit_high: bool  # travel switch at the pulled end reached
    brake: bool | None  # None where the frame has none


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameReading:
    """All stations and the frame itself at one instant."""

    now_s: float  # controller's monotonic clock when the answer came
    at_utc: float  # UTC, s since 1970
    frame_ms: int  # the device's own counter: proves that the values are fresh
    estop_closed: bool  # emergency-stop chain closed (healthy); read-only
    guard_closed: bool
    power_ok: bool
    deadman_ms: int  # the drive's own deadman, read back
    owner_token: int  # who commands the frame; ours must stand here
    local: bool  # the local panel holds the frame
    air_temperature_C: float | None  # None where not fitted
    frame_temperature_C: float | None
    cabinet_temperature_C: float | None
    stations: tuple[StationReading, ...]
    max_load_N: float | None = None  # the frame's own limits, read back; None where it does not tell
    max_speed_mm_per_s: float | None = None
    cabinet_door_closed: bool | None = None  # None where there is no cabinet, or it does not tell
    cabinet_cutout_ok: bool | None = None  # the cabinet's independent over-temperature cut-out has not tripped

    @property
    def own_limits(self) -> dict[str, float | None]:
        """Role -> the frame's own limit, N or mm/s."""
        return {"max_load": self.max_load_N, "max_speed": self.max_speed_mm_per_s}


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What one station is asked to do: one bounded absolute move."""

    station: int  # 0-based
    enable: bool
    target_mm: float
    speed_mm_per_s: float  # positive
    fault_reset: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StationFacts:
    """What the frame file states and the calibration found of one station."""

    name: str  # "A", "1": as painted on the frame
    max_load_N: float
    max_speed_mm_per_s: float
    travel_mm: tuple[float, float]  # lowest and highest position that may be asked for
    step_mm: float  # smallest move of the drive
    trip_load_N: float  # overload cut-out, hard-wired or in the drive
    frame_compliance_mm_per_N: float
    load_noise_N: float  # sd of one reading
    cell_serial: str | None = None
    cell_calibrated_on: str | None = None  # ISO date
    cell_uncertainty_percent: float | None = None  # k = 2
    cell_range_N: float | None = None  # a reading at this magnitude is a saturated cell

    @property
    def stated_limits(self) -> dict[str, float]:
        """Role of a limit of the frame itself -> what the frame file states of this station, N or mm/s."""
        return {"max_load": self.max_load_N, "max_speed": self.max_speed_mm_per_s}


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFacts:
    """What is known of the frame before it moves."""

    name: str
    serial: str | None
    stations: tuple[StationFacts, ...]
    deadman_ms: int
    tick_s: float  # shortest tick the link keeps
    stations_shielded: bool  # a spoke that lets go cannot hit its neighbours
    has_cabinet: bool
    absent: tuple[str, ...] = ()  # roles that the frame lacks, as its file says
    writable_limits: Mapping[str, float] = field(default_factory=dict)  # role -> what its register can tell apart

    @property
    def stated_limits(self) -> dict[str, float]:
        """Role -> the highest that the frame file states of any station, N or mm/s."""
        each = [s.stated_limits for s in self.stations]
        return {role: max(limits[role] for limits in each) for role in each[0]}


def check_command(facts: FrameFacts, command: Command) -> None:
    """The last gate before the wire: a move beyond what the frame file states is our own mistake, never sent.

    Raises
    ------
    ValueError
        Names the station and what is allowed; also for a target that is not a number.
    """
    station = facts.stations[command.station]
    low, high = station.travel_mm
    fastest = station.max_speed_mm_per_s
    if not (low <= command.target_mm <= high and 0 < command.speed_mm_per_s <= fastest * (1 + 1e-9)):
        raise ValueError(
            f"station {station.name}: a move to {command.target_mm} mm at {command.speed_mm_per_s} mm/s is outside "
            f"{low} to {high} mm and {fastest} mm/s"
        )


def check_limit(facts: FrameFacts, role: str, value: float) -> None:
    """The same gate for a limit of the frame itself: only where its file allows it, never above what the file states.

    Raises
    ------
    ValueError
        Names the limit and what is allowed; also for one that is not a number.
    """
    if role not in facts.writable_limits:
        raise ValueError(f"{role} of frame {facts.name} is not writable, as its file says")
    most = facts.stated_limits[role]
    if not 0 < value <= most * (1 + 1e-9):
        raise ValueError(f"{role} of frame {facts.name}: {value} is not above 0 and at most {most}")


class Frame(Protocol):
    """A frame: read all, command some, feed the deadman. One user at a time; nothing moves on its own."""

    @property
    def facts(self) -> FrameFacts: ...

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    async def claim(self, token: int) -> None:
        """Take the frame; raises FrameFault where another controller or the local panel holds it."""

    async def release(self) -> None:
        """Give the frame back; the load stays as it is."""

    async def read(self) -> FrameReading:
        """Fresh values of everything; raises LineTrouble if the answer is missing, wrong or stale."""

    async def write(self, commands: Sequence[Command]) -> None:
        """Send commands (may be none) and feed the deadman, in that order."""

    async def set_limit(self, role: str, value: float) -> None:
        """Write the frame's own limit max_load, N, or max_speed, mm/s; only where its file says that it is writable."""

    async def set_cabinet_C(self, temperature_C: float | None) -> None:
        """Ask for a cabinet temperature, or switch it off; raises FrameFault where there is no cabinet."""

    async def set_lamp(self, lamp: int) -> None:
        """Signal lamp: 0 off, 1 a run is on, 2 a person is needed; does nothing where there is no lamp."""
