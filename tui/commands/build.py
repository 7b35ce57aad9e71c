"""`longhold length` and `longhold match`: what to order before the build, and which stretched spoke goes where."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from models.batch import Batch
    from planner.build import Build
    from planner.length import LengthAnswer
    from planner.match import Matching
    from planner.schedule import Schedule

FILE = click.Path(path_type=Path)
SCHEDULE_HELP = "A plan's schedule.json; else one night on the frame at 1.5 x target, as far as the limits allow."


@click.command()
@click.argument("build_file", metavar="BUILD.toml", type=FILE)
@click.option("--batch", "batch_file", required=True, type=FILE, metavar="BATCH.json", help="The batch of the spokes.")
@click.option("--schedule", "schedule_file", type=FILE, metavar="SCHEDULE.json", help=SCHEDULE_HELP)
@click.option("--unstretched", is_flag=True, help="Spokes that never see the frame.")
@click.option("--seed", default=1, show_default=True, type=int, help="Seed of the draws.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object on stdout.")
def length(
    build_file: Path, batch_file: Path, schedule_file: Path | None, unstretched: bool, seed: int, as_json: bool
) -> None:
    """Spoke length to order for each side, thread budget to the horizon, mass of the set.

    Lengths count from the bearing edge of the hub hole to the threaded end of the new, unloaded spoke.

    \b
    Example:
      longhold length front.toml --batch K07.json
    """
    import numpy as np

    from models.errors import CannotAnswer, InputError
    from planner.build import load_build
    from planner.length import lengths
    from tui.batchfile import read_batch
    from tui.out import answer_json

    if unstretched and schedule_file is not None:
        raise InputError(
            "--unstretched and --schedule exclude each other: the schedule says whether there is a stretch"
        )
    build = load_build(build_file)
    batch = read_batch(batch_file)
    schedule = _schedule(build, schedule_file, stretched=not unstretched)
    answer = lengths(build, batch, schedule, np.random.default_rng(seed))
    if as_json:
        answer_json({"build": build.name, "batch": batch.batch, **answer.as_dict()})
    else:
        click.echo(_length_words(build, batch, schedule, answer))
    if not answer.all_fit:
        raise CannotAnswer("no length on sale fits; give other sizes_mm, or another thread or nipple")


@click.command()
@click.argument("batch_files", metavar="BATCH.json...", nargs=-1, required=True, type=FILE)
@click.option("--build", "build_file", type=FILE, metavar="BUILD.toml", help="The wheel; a usual one if left out.")
@click.option("--schedule", "schedule_file", type=FILE, metavar="SCHEDULE.json", help=SCHEDULE_HELP)
@click.option(
    "--out", type=FILE, default=Path("positions.csv"), show_default=True, help="Where to write position,spoke."
)
@click.option("--seed", default=1, show_default=True, type=int, help="Seed of the search.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object on stdout.")
@click.option("--force", is_flag=True, help="Replace the result if it exists.")
def match(
    batch_files: tuple[Path, ...],
    build_file: Path | None,
    schedule_file: Path | None,
    out: Path,
    seed: int,
    as_json: bool,
    force: bool,
) -> None:
    """Which stretched spoke goes to which position, so that their remaining creep leaves the wheel even.

    The batches are fits of the very spokes that go into the wheel. Spare spokes may be among them: the best set is
    used and the rest are named.

    \b
    Example:
      longhold match night1.json night2.json --build front.toml --out positions.csv
    """
    import numpy as np

    from models.errors import InputError
    from planner.build import build_of, load_build
    from planner.match import match as placed
    from planner.match import stretched_of
    from planner.wheel import wheel_of
    from tui.batchfile import read_batch
    from tui.out import answer_json, refuse_existing, say, write_whole

    refuse_existing(out, force)
    build = build_of({}) if build_file is None else load_build(build_file)
    files = ", ".join(str(p) for p in batch_files)
    spokes = [s for path in batch_files for s in stretched_of(read_batch(path), str(path))]
    labels = [s.spoke for s in spokes]
    for label in labels:
        if labels.count(label) > 1:
            raise InputError(f"{files}: spoke {label} is there {labels.count(label)} times: give each its own label")
        if any(c in label for c in ',"\n\r'):
            raise InputError(f"{files}: spoke {label!r}: a label in a CSV file holds no comma, quote or line break")
    if len(spokes) < build.wheel.spokes:
        raise InputError(f"{files}: {len(spokes)} stretched spokes, the wheel needs {build.wheel.spokes}")
    schedule = _schedule(build, schedule_file, stretched=True)
    answer = placed(wheel_of(build), spokes, schedule, np.random.default_rng(seed))
    rows = [f"{i},{spoke}" for i, spoke in enumerate(answer.spokes, start=1)]
    write_whole(out, "\n".join(["position,spoke", *rows]) + "\n", fresh=not force)
    if as_json:
        answer_json({"build": build.name, "out": str(out), **answer.as_dict()})
    else:
        click.echo(_match_words(answer))
    say(f"wrote {out}")


def _schedule(build: Build, path: Path | None, *, stretched: bool) -> Schedule:
    from dataclasses import replace

    from models.errors import InputError
    from planner.life import usual_schedule
    from planner.record import refuse_disproved
    from planner.schedule import schedule_of
    from tui.out import read_json

    if path is None:
        usual = usual_schedule(build)
        return usual if stretched else replace(usual, prestretch=None)
    content = read_json(path, "a schedule written by 'longhold plan'")
    if not isinstance(content.get("steps"), list):
        raise InputError(f"{path}: key 'steps' is missing or no list: not a schedule")
    refuse_disproved(content)
    try:
        return schedule_of(content["steps"], build.shop.temperature_C)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _length_words(build: Build, batch: Batch, schedule: Schedule, answer: LengthAnswer) -> str:
    from tui.format import force, number, signed

    stretch = schedule.prestretch
    before = (
        "spokes are not stretched before lacing"
        if stretch is None
        else f"after {number(stretch.hours, 1)} h on the frame at {force(stretch.load_N)}"
    )
    lines = [f"Spoke lengths for {build.name}, batch {batch.batch}, {before}:"]
    for s in answer.sides:
        e = s.elongation_mm
        lines += [
            "",
            f"{s.side}: order {number(s.order_mm, 1)} mm (new, unloaded, bearing edge to threaded end)",
            f"  from hub hole to nipple seat {number(s.geometry_mm, 2)} mm; "
            f"the rim gives {number(s.rim_give_mm, 2)} mm",
            f"  grows {number(e['total'], 2)} mm at {force(s.target_N)} by the horizon: "
            f"elastic {number(e['elastic'], 2)}, lasting {number(e['lasting'], 2)}, "
            f"recoverable {number(e['recoverable'], 2)}",
            f"  the nipple takes up {number(s.thread_used_p95_mm, 2)} mm of thread from lacing to the horizon "
            f"({number(s.thread_used_p95_mm / build.spoke.thread_pitch_mm, 1)} turns; 95 % of spokes need less)",
        ]
        for f in s.sizes:
            verdict = (
                f"{number(f.room_mm, 1)} mm left to tighten, {number(f.engaged_set_mm, 1)} mm of thread in the nipple"
                if f.fits
                else f.why
            )
            mark = "*" if f.size_mm == s.recommended_mm else " "
            lines.append(
                f"  {mark} {number(f.size_mm, 1)} mm: end {signed(f.end_at_horizon_mm, 2)} mm from the seat; {verdict}"
            )
    lines += [
        "",
        f"The set weighs {number(answer.spokes_g, 1)} g, {signed(answer.spokes_g - answer.steel_g, 1)} g against light "
        "steel spokes (4.79 g each, common practice).",
        _rim_words(build, answer),
        "Twist shortens a braid: mark each spoke and hold its end while the nipple turns.",
    ]
    lines += [f"note: {w}" for w in answer.warnings]
    return "\n".join(lines)


def _rim_words(build: Build, answer: LengthAnswer) -> str:
    from tui.format import force, number

    sd = [answer.rim[f"{name}_sd_percent"] for name in ("EA_N", "EI_out_of_plane_Nmm2", "GJ_Nmm2")]
    basis = "" if build.wheel.rim_test is None else ", sharpened by the rim test"
    return (
        f"The rim would leave its plane by itself at about {force(answer.buckling_N)}; its stiffness is known to "
        f"{number(sd[0])} % along, {number(sd[1])} % sideways, {number(sd[2])} % in twist{basis}."
    )


def _match_words(answer: Matching) -> str:
    from tui.format import number

    a, b = answer.matched, answer.at_random
    lines = ["position  spoke", *(f"{i:8d}  {s}" for i, s in enumerate(answer.spokes, start=1))]
    lines += [
        "",
        "What uneven creep does from the first set to the horizon, by the single spokes' fits:",
        f"  spread of tension   {number(b.spread_percent, 2)} % placed at random, {number(a.spread_percent, 2)} % so",
        f"  run-out sideways    {number(b.lateral_mm, 3)} mm placed at random, {number(a.lateral_mm, 3)} mm so",
        f"  run-out up and down {number(b.radial_mm, 3)} mm placed at random, {number(a.radial_mm, 3)} mm so",
    ]
    if not answer.scales_known:
        lines.append("  (the batches do not say how well the single spokes are known: the best case)")
    if answer.left_over:
        lines.append(f"left over: {', '.join(answer.left_over)}")
    return "\n".join(lines)
