"""Programs for a purpose, as the text of a PROGRAM.toml that a person reads, changes and keeps."""

from __future__ import annotations

from collections.abc import Sequence

from models.errors import InputError

LEAST_BATCH_H = 1.0
REACH_S = 50.0  # a prestretch reaches its load within a minute: that is how plans count it
OVERHEAD_H = 0.15  # seat, ramps and unload


def _head(name: str, batch: str, gauge_length_mm: float, stations: Sequence[tuple[str, str]], hold_s: float) -> str:
    lines = "".join(f'{station} = "{spoke}"\n' for station, spoke in stations)
    return f"""\
name = "{name}"
batch = "{batch}"
gauge_length_mm = {gauge_length_mm:g}        # length that creeps: measure it

[stations]                     # station as painted on the frame = label on the spoke's tag
{lines}
[tick]
motion_s = 0.1                 # s between readings while anything moves
hold_s = {hold_s:g}                   # and late in a hold, where little happens
"""


def _limits(peak_N: float, break_load_N: float | None) -> str:
    spoke = "" if break_load_N is None else f"\n[spoke]\nbreak_load_N = {break_load_N:g}\n"
    return f"""{spoke}
[limits]
max_load_N = {1.1 * peak_N + 20:.0f}              # above this the station eases off
temperature_C = [10, 35]
"""


def new_batch(
    *,
    hours: float,
    stations: Sequence[tuple[str, str]],
    batch: str,
    gauge_length_mm: float,
    service_N: float,
    high_N: float,
    break_load_N: float | None,
) -> str:
    """A batch test for one night: two loads, each followed by a recovery at tare.

    One constant load cannot tell bedding-in, recovery and flow apart. New spokes are loaded without bedding cycles,
    because bedding-in is part of what is to be learned; the recovery shows what comes back; the second, higher hold
    shows how bedding-in and flow grow with load; its longer recovery what of that comes back.

    Raises
    ------
    InputError
        If the night is too short to tell anything.
    """
    if hours < LEAST_BATCH_H:
        raise InputError(
            f"--hours is {hours:g}: at least {LEAST_BATCH_H:g} h are needed for two holds and two recoveries"
        )
    if not service_N < high_N:
        raise InputError(f"--high-load is {high_N:g} N: must be above --load ({service_N:g} N)")
    left = hours - OVERHEAD_H
    first, back, second, last = (round(share * left, 3) for share in (0.25, 0.125, 0.45, 0.175))
    return (
        "# A batch test: what this batch gives for good, what it gives back, and how both grow with load.\n"
        "# The spokes must be new: nothing may have loaded them before.\n"
        + _head(f"new batch {batch}", batch, gauge_length_mm, stations, 1.0)
        + _limits(high_N, break_load_N)
        + f"""
[[steps]]
kind = "seat"
load_N = 20

[[steps]]                      # no bedding cycles: bedding-in is to be seen
kind = "hold"
load_N = {service_N:g}
rate_N_per_s = 10
hours = {first:g}

[[steps]]                      # what comes back
kind = "recover"
tare_N = 15
hours = {back:g}

[[steps]]                      # a second load: tells bedding-in and flow by how they grow
kind = "hold"
load_N = {high_N:g}
rate_N_per_s = 10
hours = {second:g}

[[steps]]
kind = "recover"
tare_N = 15
hours = {last:g}

[[steps]]
kind = "unload"
"""
    )


def prestretch(
    *,
    load_N: float,
    hours: float,
    stations: Sequence[tuple[str, str]],
    batch: str,
    gauge_length_mm: float,
    break_load_N: float | None,
) -> str:
    """A bench night as a plan asks for it: the load within a minute, its hours counted from there, then unloaded."""
    rate = max(20.0, load_N / REACH_S)
    return (
        "# A bench night. The slack clock of each spoke runs from the end of the unload step.\n"
        + _head(f"prestretch {load_N:.0f} N, {hours:g} h", batch, gauge_length_mm, stations, 1.0)
        + _limits(load_N, break_load_N)
        + f"""
[[steps]]
kind = "seat"
load_N = 20

[[steps]]
kind = "hold"
load_N = {load_N:.6g}
rate_N_per_s = {rate:.3g}
hours = {hours:g}

[[steps]]
kind = "unload"
rate_N_per_s = {rate:.3g}
"""
    )
