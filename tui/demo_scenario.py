"""The demonstration's scenario: an invented shop, batch, night and wheel; no such shop, frame or spoke exists."""

from __future__ import annotations

BATCH = "T7"
SPOKES = ("T7-01", "T7-02", "T7-03", "T7-04")
STATIONS = ("A", "B", "C", "D")
SEED = 7
START_UTC = 1_772_479_800.0  # 2026-03-02 19:30 UTC: the invented evening on which the night begins
LINEAR_DENSITY_G_PER_M = 6.0  # of the invented braid
SHOP = "the Tern Street workshop"

PROGRAM = """\
# An invented night for a new batch: two loads with a recovery after each, so that the fit can tell bedding-in,
# recovery and (a little of) flow apart. Every spoke goes through the same steps.
name = "new batch T7, one night (invented demo)"
batch = "T7"
gauge_length_mm = 280.0           # length that creeps

[stations]                        # station = label of the spoke on it
A = "T7-01"
B = "T7-02"
C = "T7-03"
D = "T7-04"

[tick]                            # s between readings
motion_s = 0.1
hold_s = 2.0

[spoke]
EA_N = 400000                     # expected stiffness, from the maker
break_load_N = 3600               # the weakest of fibre, splice and fittings
max_fraction_of_break = 0.6

[limits]
max_load_N = 1650
temperature_C = [10, 35]
total_h = 14

[[steps]]
kind = "seat"
load_N = 20

[[steps]]
kind = "hold"
load_N = 1000
rate_N_per_s = 10
hours = 1.0

[[steps]]
kind = "recover"
tare_N = 15
hours = 1.0

[[steps]]
kind = "hold"
load_N = 1500
rate_N_per_s = 10
hours = 8.5

[[steps]]
kind = "recover"
tare_N = 15
hours = 1.5

[[steps]]
kind = "unload"
"""

BUILD = """\
# An invented front wheel for the demonstration. Every key has a default and could be left out.
name = "28 hole front (invented demo)"

[wheel]                             # lengths in mm
spokes = 28
crosses = 2
rim_seat_diameter_mm = 598.0        # across the nipple seats
first_spoke = "leading"             # position 1
seating_mm = 0.02                   # nipple, seat and hub settling left after stress relief, fresh in every wheel
seating_sd_mm = 0.01

[wheel.rim]
max_tension_N = 1400
material = "aluminium"              # with mass, depth and width gives the rest roughly
mass_g = 480
depth_mm = 25
width_mm = 30

[wheel.hub]
left = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 35.0, hole_mm = 3.2 }
right = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 35.0, hole_mm = 3.2 }
max_tension_N = 1500

[spoke]
fibre_length_mm = 280.0             # the length that creeps
linear_density_g_per_m = 6.0        # of the fibre
diameter_mm = 3.2
hub_end = "loop"
mass_g = 2.7
break_load_N = 3600                 # the weakest of fibre, splice, fitting and thread
max_fraction_of_break_bench = 0.6
max_fraction_of_break_wheel = 0.48
thread_pitch_mm = 0.4536            # 56 turns an inch
thread_length_mm = 12.0

[tension]
target_N = "100 kgf"
tolerance_percent = 6.5             # of each side's mean about its target, from delivery to horizon
balance_percent = 8                 # 95 % of the spokes about their side's mean
probability = 0.9
delivery_h = 48
horizon_h = 336                     # 14 days: the first service
reading_repeat_percent = 1.0        # of one gauge reading

[shop]
temperature_C = 21
stations = 4
spokes_per_station = 7              # gang bars: seven in a row under one load, so that a wheel's set is one night
max_bench_load_N = 1800
max_bench_h = 14
slack_h = 0.5                       # least, off the frame until laced
laced_h = 1.0                       # least, laced at lacing_tension_N until the first set
pass_interval_h = 14                # an overnight rest
"""


QUIET_ROOM = """
# Only the simulated twin reads this: the air of a room that keeps its temperature.
[simulation]
gauge_length_mm = 280.0
air_C = 21.0
air_swing_C = 0.2
"""


def frame_text() -> str:
    """FRAME.toml of the invented frame with four stations."""
    from bench.invented import invented_frame_text

    text = invented_frame_text(len(STATIONS))
    # a long deadman, so that a hold may be read every 2 s: the demo's clock is stepped
    return text.replace("deadman_ms = 3500", "deadman_ms = 6000") + QUIET_ROOM
