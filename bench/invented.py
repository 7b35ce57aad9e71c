"""What the demonstration holds: an invented frame and an invented batch of spokes; no real frame, shop or spoke."""

from __future__ import annotations

import math

import numpy as np

from models.batch import Batch
from models.chain import Chain
from models.units import ZERO_CELSIUS_K, fibre_area_mm2
from models.unknown import Spread, Uncertainty

STATION_NAMES = "ABCDEFGHIJKLMNOP"
_BOLTZMANN_J_PER_K = 1.380649e-23


def invented_batch() -> Batch:
    """A plausible heat-set braid of 6 g/m at 23 degC: estimates that hang together, measured on nothing.

    Elastic 70 GPa on the fibre area; delayed strain growing like t^0.05 per decade; bedding-in of 1e-3 at 1000 N with
    exponent 0.7; flow by a sinh of stress with an activation volume of 0.08 nm3.
    """
    reference_C = 23.0
    area_mm2 = fibre_area_mm2(6.0)
    EA0_N = 70e3 * area_mm2
    stress_scale_MPa = _BOLTZMANN_J_PER_K * (reference_C + ZERO_CELSIUS_K) / 0.08e-27 / 1e6
    chain = Chain.of(
        EA0_N=EA0_N,
        recoverable=(10.0 ** np.arange(1, 7), np.array([0.130, 0.145, 0.163, 0.182, 0.205, 0.230]) / EA0_N),
        bedding=([0.0, 60.0, 1200.0, 21600.0], np.array([0.70, 0.10, 0.10, 0.10]) * 1e-6),
        bedding_exponent=0.7,
        flow=([2.0e-11 / math.sinh(160.0 / stress_scale_MPa)], [stress_scale_MPa * area_mm2]),
        reference_C=reference_C,
    )
    return Batch(
        batch="invented demonstration batch",
        law="chain",
        chain=chain,
        spread=Spread(log_sd=np.array([0.02, 0.08, 0.10, 0.30]), correlation=np.eye(4), spokes=10_000),
        uncertainty=Uncertainty(names=(), log_covariance=np.zeros((0, 0))),
    )


def invented_frame_text(stations: int = 4, *, port: int = 5020) -> str:
    """FRAME.toml of the invented frame with 1 to 16 stations; datasets/demo/frame.toml is its text for four."""
    if not 1 <= stations <= len(STATION_NAMES):
        raise ValueError(f"the invented frame has 1 to {len(STATION_NAMES)} stations")
    end = 4 * stations
    names = "".join(
        f'\n[[station]]\nname = "{name}"\ncell = {{ serial = "INV-{i:04d}", calibrated_on = 2025-03-03, '
        "uncertainty_percent = 0.3, range_N = 2500 }\n"
        for i, name in enumerate(STATION_NAMES[:stations], start=1)
    )
    return f"""\
# An invented stretching frame for the demonstration: no such frame exists.
name = "demonstration frame, {stations} stations (invented)"
serial = "INVENTED-{stations}"
stations_shielded = true          # a spoke that lets go cannot hit its neighbours
deadman_ms = 3500                 # the drive stops when it has not been fed for this long: at least three ticks
absent = ["brake", "cabinet"]     # roles that this frame lacks; `longhold frame check` says what each costs

[link]
kind = "tcp"                      # or "serial": port, baud, parity
host = "127.0.0.1"
port = {port}
device = 1
order = "ABCD"                    # where the bytes of 32-bit values stand: ABCD, CDAB, BADC or DCBA
tick_s = 0.1                      # the shortest tick that this link keeps
timeout_s = 0.2

# registers of the frame; address as in the message (0-based)
[registers]
estop_chain = {{ table = "input", address = 0, bit = 0 }}      # closed = healthy; read only
guard = {{ table = "input", address = 0, bit = 1 }}
power_ok = {{ table = "input", address = 0, bit = 2 }}
local_remote = {{ table = "input", address = 0, bit = 3 }}
deadman_ms = {{ table = "input", address = 1 }}
device_counter = {{ table = "input", address = 2, type = "uint32" }}
owner = {{ table = "input", address = 4 }}
max_load = {{ table = "input", address = 5 }}
max_speed = {{ table = "input", address = 6, scale = 0.001 }}
air_temperature = {{ table = "input", address = 7, type = "int16", scale = 0.01 }}
frame_temperature = {{ table = "input", address = 8, type = "int16", scale = 0.01 }}
identity = {{ table = "input", address = 200, type = "text", words = 16 }}
serial = {{ table = "input", address = 216, type = "text", words = 8 }}
deadman = {{ address = {end} }}        # right after the last station's commands, so that one write does both
owner_token = {{ address = {end + 1} }}
lamp = {{ address = {end + 2} }}

# registers of one station: address of the first, plus the number of the station x stride
[layout]
stride = {{ input = 6, holding = 4 }}
[layout.registers]
load = {{ table = "input", address = 10, type = "int32", scale = 0.01 }}
position = {{ table = "input", address = 12, type = "int32", scale = 0.0001 }}
load_fault = {{ table = "input", address = 14, bit = 0 }}
position_valid = {{ table = "input", address = 14, bit = 1 }}
moving = {{ table = "input", address = 14, bit = 2 }}
enabled = {{ table = "input", address = 14, bit = 3 }}
limit_low = {{ table = "input", address = 14, bit = 4 }}
limit_high = {{ table = "input", address = 14, bit = 5 }}
drive_fault = {{ table = "input", address = 15 }}
move_target = {{ address = 0, type = "int32", scale = 0.0001 }}
move_speed = {{ address = 2, scale = 0.0001 }}
enable = {{ address = 3, bit = 0 }}
fault_reset = {{ address = 3, bit = 1 }}

# what holds for every station unless it says otherwise
[every_station]
max_load_N = 2000
max_speed_mm_per_s = 1.0
travel_mm = [0.0, 60.0]
step_mm = 0.0005
trip_load_N = 2200                # the overload cut-out in the drive, independent of any program
frame_compliance_mm_per_N = 4e-4
load_noise_N = 0.3
{names}"""
