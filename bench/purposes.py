"""Programs for a purpose, as the text of a PROGRAM.toml that a person reads, changes and keeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.errors import InputError

if TYPE_CHECKING:
    from models.nights import Segment

LEAST_BATCH_H = 1.0
REACH_S = 50.0  # a prestretch reaches its load within a minute: that is how plans count it
OVERHEAD_H = 0.15  # seat, ramps and unload
WARMING_H = 0.9  # from shop to test temperature or back, soaked [est]
MOST_WARMING_H = 1.25
SOAK_H = 0.1


# station as painted on the frame, and its spoke's label, or the labels of several in series
Stations = Sequence[tuple[str, str | tuple[str, ...]]]


def _head(
    name: str, batch: str, gauge_length_mm: float, stations: Stations, hold_s: float, spoke: dict[str, float]
) -> str:
    lines = "".join(f"{station} = {_labels(spokes)}\n" for station, spokes in stations)
    known = "".join(f"{key} = {value:g}\n" for key, value in spoke.items())
    return f"""\
name = "{name}"
batch = "{batch}"
gauge_length_mm = {gauge_length_mm:g}        # length that creeps, of one spoke: measure it

[stations]                     # station as painted on the frame = label on the spoke's tag
{lines}
[tick]
motion_s = 0.1                 # s between readings while anything moves
hold_s = {hold_s:g}                   # and late in a hold, where little happens
{chr(10) + "[spoke]" + chr(10) + known if known else ""}"""


def _labels(spokes: str | tuple[str, ...]) -> str:
    """One label, or a list of those that hang in series."""
    if isinstance(spokes, str):
        return f'"{spokes}"'
    quoted = [f'"{label}"' for label in spokes]
    return quoted[0] if len(quoted) == 1 else f"[{', '.join(quoted)}]"


def _limits(peak_N: float) -> str:
    return f"""
[limits]
max_load_N = {1.1 * peak_N + 20:.0f}              # above this the station eases off
temperature_C = [10, 35]
"""


def _known(break_load_N: float | None, EA_N: float | None = None) -> dict[str, float]:
    """What is known of the spokes, as keys of [spoke]."""
    found = {"EA_N": EA_N, "break_load_N": break_load_N}
    return {key: value for key, value in found.items() if value is not None}


def new_batch(
    *,
    hours: float,
    stations: Stations,
    batch: str,
    gauge_length_mm: float,
    service_N: float,
    high_N: float,
    break_load_N: float | None,
    segments: Sequence[Segment] | None = None,
) -> str:
    """A batch test for one night: two loads, each followed by a recovery at tare.

    One constant load cannot tell bedding-in, recovery and flow apart. New spokes are loaded without bedding cycles,
    because bedding-in is part of what is to be learned; the recovery shows what comes back; the second, higher hold
    shows how bedding-in and flow grow with load; its longer recovery what of that comes back.

    ``segments``: the holds and recoveries that `models.design` found to tell most; the usual ones if left out.

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
    if segments is None:
        left = hours - OVERHEAD_H
        first, back, second, last = (round(share * left, 3) for share in (0.25, 0.125, 0.45, 0.175))
        steps = _hold(service_N, first) + _recover(back) + _hold(high_N, second) + _recover(last)
    else:
        steps = _designed(segments)
    return (
        "# A batch test: what this batch gives for good, what it gives back, and how both grow with load.\n"
        "# The spokes must be new: nothing may have loaded them before, and there are no bedding cycles.\n"
        + _head(f"new batch {batch}", batch, gauge_length_mm, stations, 1.0, _known(break_load_N))
        + _limits(max(service_N, high_N))
        + '\n[[steps]]\nkind = "seat"\nload_N = 20\n'
        + steps
        + '\n[[steps]]\nkind = "unload"\n'
    )


def _hold(load_N: float, hours: float) -> str:
    return f'\n[[steps]]\nkind = "hold"\nload_N = {load_N:.6g}\nrate_N_per_s = 10\nhours = {hours:.4g}\n'


def _recover(hours: float) -> str:
    return f'\n[[steps]]                      # what comes back\nkind = "recover"\ntare_N = 15\nhours = {hours:.4g}\n'


def _touch(hours: float) -> str:
    return (
        '\n[[steps]]                      # what comes back while truly slack\nkind = "touch"\ntare_N = 15\n'
        f"per_decade = 4\nhours = {hours:.4g}\n"
    )


def _to_temperature(temperature_C: float, within_C: float) -> str:
    return (
        f'\n[[steps]]\nkind = "temperature"\ntemperature_C = {temperature_C:g}\nwithin_C = {within_C:g}\n'
        f"soak_hours = {SOAK_H:g}\nmax_hours = {MOST_WARMING_H:g}\n"
    )


def _designed(segments: Sequence[Segment]) -> str:
    """Steps of a designed night; the time to reach a temperature comes off the hold that it is reached in."""
    out, warm = [], False
    for s in segments:
        hours = s.hours
        if (s.temperature_C is not None) != warm:
            warm = s.temperature_C is not None
            out.append(_to_temperature(s.temperature_C, 1.0) if s.temperature_C is not None else _to_temperature(25, 3))
            hours = max(hours - WARMING_H, 0.1)
        if s.recovery:
            out.append(_touch(hours) if s.touched else _recover(hours))
        else:
            out.append(_hold(s.load_N, hours))
    return "".join(out)


def prestretch(
    *,
    load_N: float,
    hours: float,
    stations: Stations,
    batch: str,
    gauge_length_mm: float,
    break_load_N: float | None,
    ready: str | None = None,
    EA_N: float | None = None,
) -> str:
    """A bench night as a plan asks for it: the load within a minute, its hours counted from there, then unloaded.

    ``ready``: the text of a [ready] table: each hold then ends when its spoke is ready, and lasts ``hours`` at most.
    """
    rate = max(20.0, load_N / REACH_S)
    length = f"hours = {hours:g}" if ready is None else f'until = "ready"\nmax_hours = {hours:g}'
    what = f"{hours:g} h" if ready is None else "until ready"
    return (
        "# A bench night. The slack clock of each spoke runs from the end of the unload step.\n"
        + _head(f"prestretch {load_N:.0f} N, {what}", batch, gauge_length_mm, stations, 1.0, _known(break_load_N, EA_N))
        + _limits(load_N)
        + (f"\n{ready}" if ready is not None else "")
        + f"""
[[steps]]
kind = "seat"
load_N = 20

[[steps]]
kind = "hold"
load_N = {load_N:.6g}
rate_N_per_s = {rate:.3g}
{length}

[[steps]]
kind = "unload"
rate_N_per_s = {rate:.3g}
"""
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelsNight:
    """What a plan does to a spoke, from bench to the first night in the wheel."""

    load_N: float | None  # of the stretch; None: no stretch
    hours: float
    rest_h: float
    rest_N: float  # 0: slack
    laced_h: float
    lacing_N: float
    profile: Sequence[tuple[float, float]]  # share of the set tension, hours
    set_N: float
    session_h: float
    squeezes: int
    squeeze_share: float
    squeeze_s: float
    followup: float
    night_h: float  # on the chord


def spare_night(
    night: WheelsNight,
    *,
    stations: Stations,
    batch: str,
    gauge_length_mm: float,
    break_load_N: float | None,
    EA_N: float,
) -> str:
    """Spare spokes go through a plan on the frame: stretch, slack, lacing, set, and a night on the wheel's chord."""
    steps = ['[[steps]]\nkind = "seat"\nload_N = 20\n']

    def hold(load_N: float, hours: float, why: str) -> None:
        rate = max(20.0, load_N / REACH_S)
        steps.append(
            f'[[steps]]                      # {why}\nkind = "hold"\nload_N = {load_N:.6g}\n'
            f"rate_N_per_s = {rate:.3g}\nhours = {hours:.6g}\n"
        )

    if night.load_N is not None:
        hold(night.load_N, night.hours, "the stretch")
    if night.rest_h > 0 and night.rest_N > 0:
        hold(night.rest_N, night.rest_h, "between frame and lacing, at a small load")
    elif night.rest_h > 0:
        steps.append(
            f'[[steps]]                      # between frame and lacing\nkind = "rest"\nhours = {night.rest_h:.6g}\n'
        )
    if night.laced_h > 0:
        hold(night.lacing_N, night.laced_h, "laced")
    for share, hours in night.profile:
        hold(share * night.set_N, hours, "the set, in stages")
    hold(night.set_N, night.session_h - sum(h for _, h in night.profile), "set")
    if night.squeezes:
        steps.append(
            f'[[steps]]                      # stress relief\nkind = "cycles"\n'
            f"high_N = {night.squeeze_share * night.set_N:.6g}\nlow_N = {night.set_N:.6g}\n"
            f"count = {night.squeezes}\nseconds_at_high = {night.squeeze_s:g}\n"
        )
    steps.append(
        f'[[steps]]                      # left alone as in the wheel\nkind = "chord"\n'
        f"followup = {night.followup:.4f}\nhours = {night.night_h:.6g}\n"
    )
    steps.append('[[steps]]\nkind = "unload"\n')
    peak = max(night.load_N or 0.0, night.set_N * (night.squeeze_share if night.squeezes else 1.0))
    return (
        "# Spare spokes live the planned wheel's first night on the frame. Their tension is the proof of the plan:\n"
        "# longhold program proof RUN.h5 --schedule schedule.json --batch-file BATCH.json\n"
        + _head(
            f"spare night at {night.set_N:.0f} N", batch, gauge_length_mm, stations, 1.0, _known(break_load_N, EA_N)
        )
        + _limits(peak)
        + "\n"
        + "\n".join(steps)
    )


def pull_to_break(
    *,
    up_to_N: float,
    rate_N_per_s: float,
    station: str,
    spoke: str,
    batch: str,
    gauge_length_mm: float,
) -> str:
    """One spoke is pulled until it breaks: what a batch bears is learned from at least three of them."""
    return (
        "# A test that destroys a spoke: one spoke, nothing else on the frame, guard closed, nobody near.\n"
        "# The break load of a batch is the lowest of at least three pulls.\n"
        + _head(f"pull {spoke} to break", batch, gauge_length_mm, [(station, (spoke,))], 1.0, {})
        + _limits(up_to_N)
        + f"""
[[steps]]
kind = "seat"
load_N = 20

[[steps]]
kind = "pull_to_break"
up_to_N = {up_to_N:.6g}
rate_N_per_s = {rate_N_per_s:g}
"""
    )
