"""Every file that the program reads: a good sample, how to spoil it, and the command lines that read it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from tests.hostile.mutators import Mutator, either, spoil_bytes, spoil_hdf5, spoil_journal, spoil_json, spoil_text

SAMPLES = Path(__file__).parents[2] / "datasets" / "formats" / "0.1.0"

toml = either(spoil_text, spoil_text, spoil_text, spoil_text, spoil_bytes)
table = either(spoil_text, spoil_text, spoil_text, spoil_text, spoil_bytes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """One kind of file."""

    file: str  # that is spoiled, by its name among the samples
    spoil: Mutator
    commands: tuple[str, ...]  # one is taken for each input; `out` is the named output, a bare name an untouched sample
    needs: tuple[str, ...] = ()  # untouched samples
    rare: tuple[str, ...] = field(default=())  # heavy commands, one input in forty
    rows: int | None = None  # of a table, only so many lines are kept: what is spoiled is then seen more often
    deadline_s: float = 10.0


READERS = {
    "build": Reader(
        file="build.toml",
        spoil=toml,
        needs=("batch.json", "readings.csv"),
        commands=(
            "wheel new build.toml --batch batch.json --out out.json --json",
            "wheel new build.toml --batch batch.json --out out.json --json",
            "retension build.toml --readings readings.csv --json",
        ),
        rare=("length build.toml --batch batch.json --json", "guide readings build.toml --out out.csv --plain"),
        deadline_s=30.0,
    ),
    "orders": Reader(
        file="orders.toml",
        spoil=toml,
        needs=("build.toml", "batch.json"),
        commands=("plan --orders orders.toml --out out --json",),
    ),
    "program": Reader(
        file="program.toml",
        spoil=toml,
        needs=("frame.toml",),
        commands=("run program.toml --frame frame.toml --out out.h5 --json",),
        rare=("program rehearse program.toml --frame frame.toml --json",),
        deadline_s=60.0,
    ),
    "frame": Reader(
        file="frame.toml",
        spoil=toml,
        commands=("frame check frame.toml --json",),
        rare=("program new-batch --hours 12 --frame frame.toml --out out.toml --json",),
        deadline_s=30.0,
    ),
    "run-csv": Reader(
        file="run.csv",
        spoil=table,
        rows=60,
        commands=("fit run.csv --name S1 --out out.json --json",),
        deadline_s=60.0,
    ),
    "history": Reader(
        file="history.csv",
        spoil=table,
        needs=("batch.json",),
        commands=("forecast batch.json --history history.csv --draws 100 --json",),
        deadline_s=20.0,
    ),
    "readings": Reader(
        file="readings.csv",
        spoil=table,
        needs=("build.toml", "wheel.json"),
        commands=("retension build.toml --readings readings.csv --json",),
        rare=("wheel note wheel.json session --set 981 --readings readings.csv --at 2026-03-04T09:00Z --json",),
        deadline_s=30.0,
    ),
    "sheet": Reader(
        file="sheet.csv",
        spoil=table,
        needs=("build.toml", "wheel.json"),
        commands=("guide readings build.toml --out sheet.csv --plain",),
        rare=("guide readings wheel.json --out sheet.csv --plain --now 2026-03-03T12:00Z",),
        deadline_s=30.0,
    ),
    "gauge-readings": Reader(
        file="gauge-readings.csv",
        spoil=table,
        commands=("gauge calibrate gauge-readings.csv --unit div --out out.json --json",),
    ),
    "batch": Reader(
        file="batch.json",
        spoil=spoil_json,
        needs=("history.csv", "build.toml", "frame.toml"),
        commands=("forecast batch.json --history history.csv --draws 100 --json",),
        rare=(
            "length build.toml --batch batch.json --json",
            "match batch.json --out out.csv --json",
            "wheel new build.toml --batch batch.json --out out.json --json",
        ),
        deadline_s=30.0,
    ),
    "gauge": Reader(
        file="gauge.json",
        spoil=spoil_json,
        commands=(
            "gauge read gauge.json --reading 25 --json",
            'gauge read gauge.json --tension "100 kgf" --wheel-stiffness-N-per-mm 250 --json',
            "gauge read gauge.json",
        ),
        needs=("build.toml", "gauged.csv", "schedule.json"),
        rare=("retension build.toml --readings gauged.csv --gauge gauge.json --json",),
        deadline_s=30.0,
    ),
    "wheel": Reader(
        file="wheel.json",
        spoil=spoil_json,
        needs=("readings.csv", "build.toml"),
        commands=(
            "wheel next wheel.json --quick --now 2026-03-03T12:00Z --json",
            "wheel calendar wheel.json --out out.ics --now 2026-03-03T12:00Z --json",
            "wheel note wheel.json delivered --at 2026-03-05T10:00Z --now 2026-03-05T12:00Z --json",
        ),
        rare=("wheel ledger wheel.json --now 2026-03-09T12:00Z --json", "next . --now 2026-03-03T12:00Z --json"),
        deadline_s=30.0,
    ),
    "schedule": Reader(
        file="schedule.json",
        spoil=spoil_json,
        needs=("build.toml", "batch.json"),
        commands=("wheel new build.toml --batch batch.json --plan schedule.json --out out.json --json",),
        rare=("length build.toml --batch batch.json --schedule schedule.json --json",),
        deadline_s=30.0,
    ),
    "answer": Reader(
        file="answer.json",
        spoil=spoil_json,
        needs=("build.toml", "readings.csv", "wheel.json"),
        commands=(
            "retension build.toml --readings readings.csv --after answer.json --json",
            "wheel note wheel.json turned --turns answer.json --at 2026-03-05T10:00Z --now 2026-03-05T12:00Z --json",
            "guide turns answer.json --plain",
        ),
        deadline_s=30.0,
    ),
    "positions": Reader(
        file="positions.csv",
        spoil=table,
        needs=("build.toml", "batch.json"),
        commands=("wheel new build.toml --batch batch.json --positions positions.csv --out out.json --json",),
    ),
    "run-h5": Reader(
        file="run.h5",
        spoil=spoil_hdf5,
        commands=("export run.h5 --out out.csv --json",),
        rare=("next . --now 2026-03-03T12:00Z --json",),
    ),
    "journal": Reader(
        file="cut-off.h5.journal",
        spoil=spoil_journal,
        commands=("export cut-off.h5 --out out.csv --json", "resume cut-off.h5 --json"),
        rare=("next . --now 2026-03-03T12:00Z --json",),
    ),
}
