"""The tables of FRAME.toml as a person writes them: keys, units and what each may be."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from bench.registers import Kind, Order
from bench.registers import Table as RegisterTable
from models.written import Above0, Flag, Force, NotNegative, Number, Table, Whole

BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
Address = Annotated[Whole, Field(ge=0, le=65535)]
Device = Annotated[Whole, Field(ge=0, le=247)]


class Register(Table):
    """One register of the map: ``{ table = "input", address = 4, type = "int32", scale = 0.01 }``."""

    address: Address
    table: RegisterTable = "holding"
    type: Kind = "uint16"
    order: Order | None = None
    scale: Number = 1.0
    offset: Number = 0.0
    bit: Annotated[Whole, Field(ge=0, le=15)] | None = None
    inverted: Flag = False
    words: Annotated[Whole, Field(ge=1, le=125)] | None = None  # of a text
    device: Device | None = None
    writable: Flag = False  # a run writes its own limit here


class TcpLink(Table):
    """How the frame is reached over a network."""

    kind: Literal["tcp"]
    host: str = "127.0.0.1"
    port: Annotated[Whole, Field(ge=0, le=65535)] = 502
    device: Device = 1
    order: Order = "ABCD"
    tick_s: Annotated[Above0, Field(le=10)] = 0.1
    timeout_s: Annotated[Above0, Field(le=10)] = 0.2
    max_gap: Annotated[Whole, Field(ge=0, le=124)] = 16
    most_registers: Annotated[Whole, Field(ge=2, le=125)] = 125


class SerialLink(Table):
    """How the frame is reached over a serial line (RTU)."""

    kind: Literal["serial"]
    port: str
    baud: Whole = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Annotated[Whole, Field(ge=1, le=2)] | None = None  # None: 1 with parity, 2 without (the standard)
    device: Annotated[Whole, Field(ge=1, le=247)] = 1
    order: Order = "ABCD"
    tick_s: Annotated[Above0, Field(le=10)] = 0.25
    timeout_s: Annotated[Above0, Field(le=10)] = 0.2
    max_gap: Annotated[Whole, Field(ge=0, le=124)] = 16
    most_registers: Annotated[Whole, Field(ge=2, le=125)] = 125


class Cell(Table):
    """A load cell and its calibration."""

    serial: str | None = None
    calibrated_on: date | None = None
    uncertainty_percent: Above0 | None = None  # k = 2
    range_N: Force | None = None
    zero_N: Number = 0.0  # reading at no load, taken off
    span: Annotated[Above0, Field(ge=0.5, le=2)] = 1.0  # true force over (reading - zero)


class StationTable(Table):
    """What is stated of a station; what is left out is taken from [every_station]."""

    max_load_N: Force | None = None
    max_speed_mm_per_s: Above0 | None = None
    travel_mm: tuple[Number, Number] | None = None
    step_mm: Above0 | None = None
    trip_load_N: Force | None = None
    frame_compliance_mm_per_N: NotNegative | None = None
    load_noise_N: NotNegative | None = None
    cell: Cell | None = None


class OneStation(StationTable):
    """One station as painted on the frame."""

    name: Annotated[str, Field(min_length=1, max_length=20)]
    device: Device | None = None
    registers: dict[str, Register] = Field(default_factory=dict)


class Layout(Table):
    """Where every station's registers are: base + address + (number of the station on its device) x stride."""

    base: dict[RegisterTable, Whole] = Field(default_factory=dict)
    stride: dict[RegisterTable, Whole] = Field(default_factory=dict)
    registers: dict[str, Register]


class Simulation(Table):
    """What a simulated twin of this frame holds; everything in it is invented."""

    gauge_length_mm: Above0 = 280.0
    seat_mm: Number = 6.0  # position at which a spoke begins to bear
    seat_sd_mm: NotNegative = 0.3
    spokes_in_series: Annotated[Whole, Field(ge=1, le=32)] = 1  # on each station
    acceleration_mm_per_s2: Above0 | None = None  # of the drives; at once where left out
    answer_s: NotNegative = 0.0  # what the link takes for each request, in real time
    air_C: Number = 20.0
    air_swing_C: NotNegative = 1.0


class FrameTable(Table):
    """The whole file."""

    name: Annotated[str, Field(min_length=1)]
    serial: str | None = None
    stations_shielded: Flag = False
    deadman_ms: Annotated[Above0, Field(le=60000)]
    link: Annotated[TcpLink | SerialLink, Field(discriminator="kind")]
    absent: tuple[str, ...] = ()
    registers: dict[str, Register]
    cabinet: dict[str, Register] = Field(default_factory=dict)
    layout: Layout | None = None
    every_station: StationTable = Field(default_factory=StationTable)
    station: Annotated[tuple[OneStation, ...], Field(min_length=1, max_length=64)]
    simulation: Simulation = Field(default_factory=Simulation)
