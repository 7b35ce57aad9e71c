"""A program file from what a person gave on the command line: names, checks, one whole file."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.purposes import Stations
    from models.design import PlannedWheel, Proposal


def as_force(text: str, option: str) -> float:
    """A force as typed, in N; raises InputError naming the option."""
    from models.errors import InputError
    from models.units import parse_force_N

    try:
        value = parse_force_N(float(text) if text.replace(".", "", 1).isdigit() else text)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None
    if not 0 < value < float("inf"):
        raise InputError(f"{option} is {text}: must be above 0")
    return value


def plain_text(text: str, option: str) -> None:
    """Raises InputError where a word cannot be written into a program as it is."""
    from models.errors import InputError

    if '"' in text or "\\" in text or not text.isprintable() or not text:
        raise InputError(f"{option} is {text!r}: letters, digits and plain signs only")


def station_names(common: dict[str, Any]) -> list[str]:
    """The stations that a program is for: of the frame, or so many as were asked for."""
    from bench.framefile import read_frame_file
    from models.errors import InputError

    frame = read_frame_file(common["frame"]) if common["frame"] else None
    if frame is not None:
        names = [s.name for s in frame.facts.stations]
        if common["stations"] is not None and common["stations"] > len(names):
            raise InputError(f"--stations is {common['stations']}: frame {frame.facts.name} has {len(names)}")
        names = names[: common["stations"]]
    elif common["stations"] is None:
        raise InputError("give --stations, how many there are, or --frame, whose stations are taken")
    else:
        names = [chr(ord("A") + i) if i < 26 else f"S{i + 1}" for i in range(common["stations"])]
    return names


def write_program(
    common: dict[str, Any], make: Callable[[Stations, float | None], str], more: dict[str, Any] | None = None
) -> None:
    """Name stations and spokes, make the text, and keep it."""
    from tui.out import refuse_existing

    refuse_existing(common["out"], common["force"])
    names = station_names(common)
    batch: str = common["batch"]
    plain_text(batch, "--batch")
    row: int = common["in_series"]
    numbers = [common["first"] + i for i in range(row * len(names))]
    labels = [
        (name, tuple(f"{batch}-{k:02d}" for k in numbers[i * row : (i + 1) * row])) for i, name in enumerate(names)
    ]
    break_N = as_force(common["break_load"], "--break-load") if common["break_load"] else None
    keep_program(make(labels, break_N), common, more)


@functools.cache
def designed(
    hours: float,
    stations: int,
    service_N: float,
    high_N: float,
    warm_C: float | None = None,
    touches: bool = False,
    wheel: PlannedWheel | None = None,
    gauge_length_mm: float = 285.0,
    linear_density_g_per_m: float | None = None,
) -> tuple[Proposal, PlannedWheel]:
    """The batch test that tells most of the planned wheel, and that wheel; what cannot be asked for is refused."""
    from bench.purposes import LEAST_BATCH_H, MOST_WARMING_H, OVERHEAD_H, WARMING_H
    from models.design import PlannedWheel, propose
    from models.errors import InputError

    if hours < LEAST_BATCH_H:
        raise InputError(
            f"--hours is {hours:g}: at least {LEAST_BATCH_H:g} h are needed for two holds and two recoveries"
        )
    if not service_N < high_N:
        raise InputError(f"--high-load is {high_N:g} N: must be above --load ({service_N:g} N)")
    wheel = PlannedWheel(target_N=service_N, stretch_N=high_N) if wheel is None else wheel
    spare = 0.0 if warm_C is None else 2.0 * (MOST_WARMING_H - WARMING_H)
    proposal = propose(
        hours=hours - OVERHEAD_H - spare,
        stations=stations,
        service_N=service_N,
        high_N=high_N,
        warm_C=warm_C,
        touches=touches,
        wheel=wheel,
        gauge_length_mm=gauge_length_mm,
        linear_density_g_per_m=linear_density_g_per_m,
    )
    return proposal, wheel


def wheel_of_build(path: Path) -> tuple[PlannedWheel, float, float | None]:
    """The planned wheel of a BUILD.toml, its spokes' creeping length in mm, and their linear density where given."""
    from models.design import PlannedWheel
    from models.units import fibre_area_mm2
    from planner.build import load_build
    from planner.wheel import wheel_of

    build = load_build(path)
    shop, tension = build.shop, build.tension
    EA_N = 75e3 * fibre_area_mm2(build.spoke.linear_density_g_per_m)  # middle of what is known of such fibre
    wheel = PlannedWheel(
        target_N=tension.target_N,
        followup=float(wheel_of(build).follow_up(EA_N)),
        delivery_h=tension.delivery_h,
        horizon_h=tension.horizon_h,
        stretch_N=shop.max_bench_load_N,
        stretch_h=min(8.0, shop.max_bench_h),
        rest_h=shop.slack_h,
        laced_h=shop.laced_h,
        lacing_N=shop.lacing_tension_N,
        session_h=shop.set_session_h,
        temperature_C=shop.temperature_C,
    )
    return wheel, build.spoke.fibre_length_mm, build.spoke.linear_density_g_per_m


def write_batch_test(
    common: dict[str, Any],
    hours: float,
    load: str | None,
    high_load: str | None,
    warm_C: float | None,
    touches: bool,
    build: Path | None,
) -> None:
    """`program new-batch`: find the night, write it, say what it will tell; a gauge length of None is the build's."""
    from bench import purposes
    from models.design import in_words
    from tui.out import refuse_existing, say

    refuse_existing(common["out"], common["force"])
    wheel, length_mm, density = (None, 285.0, None) if build is None else wheel_of_build(build)
    common["gauge_length_mm"] = common["gauge_length_mm"] or length_mm
    service_N = as_force(load, "--load") if load else (981.0 if wheel is None else wheel.target_N)
    high_N = as_force(high_load, "--high-load") if high_load else 1.5 * service_N
    if wheel is not None:
        wheel = replace(wheel, stretch_N=min(high_N, wheel.stretch_N or high_N))
    spokes = len(station_names(common)) * common["in_series"]
    proposal, wheel = designed(
        hours, spokes, service_N, high_N, warm_C, touches, wheel, common["gauge_length_mm"], density
    )
    write_program(
        common,
        lambda stations, break_N: purposes.new_batch(
            hours=hours,
            stations=stations,
            batch=common["batch"],
            gauge_length_mm=common["gauge_length_mm"],
            service_N=service_N,
            high_N=high_N,
            break_load_N=break_N,
            segments=proposal.best.night.segments,
        ),
        {"expected": proposal.as_dict()},
    )
    for line in in_words(proposal, wheel):
        say(f"- {line}")


def keep_program(text: str, common: dict[str, Any], more: dict[str, Any] | None = None) -> None:
    """Check the text as a program (and against the frame, if given), write it whole; ``more`` goes into the JSON."""
    from bench.framefile import read_frame_file
    from bench.program import program_from_text
    from bench.steps import check_against
    from tui.out import answer_json, refuse_existing, say, write_whole

    out: Path = common["out"]
    refuse_existing(out, common["force"])
    frame = read_frame_file(common["frame"]) if common["frame"] else None
    checked = program_from_text(text, str(out))
    if frame is not None:
        check_against(checked, frame.facts)
    write_whole(out, text, fresh=not common["force"])
    hours = checked.longest_s / 3600.0
    if common["as_json"]:
        answer_json(
            {
                "out": str(out),
                "hours": hours,
                "peak_load_N": checked.peak_load_N,
                "steps": len(checked.steps),
                **(more or {}),
            }
        )
        return
    click.echo(f"{out}: {len(checked.steps)} steps, about {hours:.2f} h, highest load {checked.peak_load_N:.0f} N")
    say(f"next: longhold program rehearse {out} --frame FRAME.toml")
