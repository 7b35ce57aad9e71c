"""The loads at which a gauge is read on the frame, as a program that anybody may read and run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One load at which the gauge is read."""

    step: int  # index into the program's steps
    load_N: float
    rising: bool
    series: int  # 1, 2, ...


def gauge_program(
    *,
    station: str,
    spoke: str,
    batch: str,
    gauge_length_mm: float,
    EA_N: float,
    loads_N: Sequence[float],
    series: int,
    bed_N: float,
    bed_min: float,
    settle_s: float,
    break_load_N: float | None,
) -> tuple[str, tuple[Level, ...]]:
    """The text of a PROGRAM.toml that beds a spoke and goes through loads, up and down, and the levels in it.

    Bedding-in is used up above the highest load before the first reading, so that the spoke gives little while it is
    read. Each level is held until a person asks for the next.
    """
    peak = max(bed_N, *loads_N)
    limits = "" if break_load_N is None else f"break_load_N = {break_load_N:g}\n"
    lines = [
        "# A gauge is read at each load, rising and falling; the person at the frame ends each step.",
        f'name = "gauge on {spoke}"',
        f'batch = "{batch}"',
        f"gauge_length_mm = {gauge_length_mm:g}",
        f'[stations]\n"{station}" = "{spoke}"',
        "[tick]\nmotion_s = 0.1\nhold_s = 0.5",
        f"[spoke]\nEA_N = {EA_N:g}\n{limits}".rstrip(),
        f"[limits]\nmax_load_N = {1.12 * peak + 20:.0f}\ntemperature_C = [5, 40]",
        '[[steps]]\nkind = "seat"',
        f'[[steps]]\nkind = "hold"\nname = "bed {bed_N:g} N"\nload_N = {bed_N:g}\nhours = {bed_min / 60.0:.6g}',
    ]
    levels: list[Level] = []
    for k in range(1, series + 1):
        for rising, through in ((True, sorted(loads_N)), (False, sorted(loads_N, reverse=True)[1:])):
            for load in through:
                levels.append(Level(step=2 + len(levels), load_N=load, rising=rising, series=k))
                way = "up" if rising else "down"
                lines.append(
                    f'[[steps]]\nkind = "hold"\nname = "gauge {load:g} N {way} {k}"\nload_N = {load:g}\n'
                    f'until = "asked"\nmax_hours = {1.0 + settle_s / 3600.0:.6g}'
                )
    lines.append('[[steps]]\nkind = "unload"')
    return "\n".join(lines) + "\n", tuple(levels)
