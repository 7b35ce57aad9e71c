"""A program file from what a person gave on the command line: names, checks, one whole file."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from bench.purposes import Stations
    from models.design import PlannedWheel, Proposal
    from planner.build import Build

Command = TypeVar("Command", bound=Callable[..., Any])
USUAL_LOAD_N = 981.0
USUAL_LENGTH_MM = 285.0


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
    from tui.forces import typed_force_N
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
    break_N = typed_force_N(common["break_load"], "--break-load") if common["break_load"] else None
    keep_program(make(labels, break_N), common, more)


def planned_wheel(build: Build) -> PlannedWheel:
    """The wheel of a BUILD.toml as the test's design sees it."""
    from models.design import PlannedWheel
    from models.units import fibre_area_mm2
    from planner.wheel import wheel_of

    shop, tension = build.shop, build.tension
    EA_N = 75e3 * fibre_area_mm2(build.spoke.linear_density_g_per_m)  # middle of what is known of such fibre
    return PlannedWheel(
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


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchTest:
    """A batch test as it was asked for; each number of spokes has its own best night."""

    hours: float
    service_N: float
    high_N: float
    warm_C: float | None
    touches: bool
    wheel: PlannedWheel | None
    gauge_length_mm: float
    linear_density_g_per_m: float | None
    break_load_N: float | None

    def program(self, stations: Stations, batch: str) -> str:
        """The night for these spokes as the text of a PROGRAM.toml."""
        from bench import purposes

        spokes = sum(1 if isinstance(labels, str) else len(labels) for _, labels in stations)
        return purposes.new_batch(
            hours=self.hours,
            stations=stations,
            batch=batch,
            gauge_length_mm=self.gauge_length_mm,
            service_N=self.service_N,
            high_N=self.high_N,
            break_load_N=self.break_load_N,
            segments=designed(self, spokes)[0].best.night.segments,
        )

    def say(self, spokes: int) -> None:
        """What the night will and will not tell, on stderr."""
        from models.design import in_words
        from tui.out import say

        for line in in_words(*designed(self, spokes)):
            say(f"- {line}")


@functools.cache
def designed(test: BatchTest, spokes: int) -> tuple[Proposal, PlannedWheel]:
    """The night that tells most of the planned wheel, and that wheel; what cannot be asked for is refused."""
    from bench.purposes import LEAST_BATCH_H, MOST_WARMING_H, OVERHEAD_H, WARMING_H
    from models.design import PlannedWheel, propose
    from models.errors import InputError

    if test.hours < LEAST_BATCH_H:
        raise InputError(
            f"--hours is {test.hours:g}: at least {LEAST_BATCH_H:g} h are needed for two holds and two recoveries"
        )
    if not test.service_N < test.high_N:
        raise InputError(f"--high-load is {test.high_N:g} N: must be above --load ({test.service_N:g} N)")
    wheel = PlannedWheel(target_N=test.service_N, stretch_N=test.high_N) if test.wheel is None else test.wheel
    spare = 0.0 if test.warm_C is None else 2.0 * (MOST_WARMING_H - WARMING_H)
    proposal = propose(
        hours=test.hours - OVERHEAD_H - spare,
        stations=spokes,
        service_N=test.service_N,
        high_N=test.high_N,
        warm_C=test.warm_C,
        touches=test.touches,
        wheel=wheel,
        gauge_length_mm=test.gauge_length_mm,
        linear_density_g_per_m=test.linear_density_g_per_m,
    )
    return proposal, wheel


def batch_test(
    *,
    hours: float,
    load: str | None,
    high_load: str | None,
    warm: float | None,
    touches: bool,
    build: Path | None,
    gauge_length_mm: float | None,
    break_load: str | None,
) -> BatchTest:
    """From the command line; what is left out is the build's, or the usual."""
    from planner.build import load_build
    from tui.forces import typed_force_N

    wheel, spoke = None, None
    if build is not None:
        read = load_build(build)
        wheel, spoke = planned_wheel(read), read.spoke
    break_load_N = typed_force_N(break_load, "--break-load") if break_load else None
    service_N = typed_force_N(load, "--load") if load else (USUAL_LOAD_N if wheel is None else wheel.target_N)
    high_N = typed_force_N(high_load, "--high-load") if high_load else 1.5 * service_N
    if wheel is not None:
        wheel = replace(wheel, stretch_N=min(high_N, wheel.stretch_N or high_N))
    return BatchTest(
        hours=hours,
        service_N=service_N,
        high_N=high_N,
        warm_C=warm,
        touches=touches,
        wheel=wheel,
        gauge_length_mm=gauge_length_mm or (USUAL_LENGTH_MM if spoke is None else spoke.fibre_length_mm),
        linear_density_g_per_m=None if spoke is None else spoke.linear_density_g_per_m,
        break_load_N=spoke.break_load_N if break_load_N is None and spoke is not None else break_load_N,
    )


def batch_test_options(command: Command) -> Command:
    """Options of a batch test, as `batch_test` takes them."""
    for option in (
        click.option("--build", type=click.Path(path_type=Path), help="BUILD.toml of the wheel that the batch is for."),
        click.option("--touches", is_flag=True, help="Recoveries truly slack, read by short touches, not at the tare."),
        click.option(
            "--warm", type=click.FloatRange(30, 65), metavar="DEG_C", help="A warm step: a frame with a cabinet."
        ),
        click.option("--high-load", help="Second, higher load; half as much again if left out."),
        click.option(
            "--load",
            help=f"Load in the wheel: '100 kgf', '981 N'; that of --build, or {USUAL_LOAD_N:g} N, if left out.",
        ),
        click.option(
            "--hours", type=click.FloatRange(min=0, min_open=True), required=True, help="Length of the night."
        ),
    ):
        command = option(command)
    return command


def write_batch_test(common: dict[str, Any], test: BatchTest) -> None:
    """`program new-batch`: find the night, write it, say what it will tell."""
    from tui.out import refuse_existing

    refuse_existing(common["out"], common["force"])
    spokes = len(station_names(common)) * common["in_series"]
    write_program(
        common,
        lambda stations, _break_N: test.program(stations, common["batch"]),
        {"expected": designed(test, spokes)[0].as_dict()},
    )
    test.say(spokes)


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
