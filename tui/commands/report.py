"""`longhold report`: a batch or a wheel as one page in one file, with its pictures."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("file", metavar="BATCH.json|WHEEL.json", type=FILE)
@click.option("--out", metavar="REPORT.html", type=FILE, required=True, help="The page to write.")
@click.option("--run", "runs", metavar="RUN.h5", type=FILE, multiple=True,
              help="Of a batch: what it was learned from, for the pictures; else those beside its file.")  # fmt: skip
@click.option("--now", metavar="TIME", help="Of a wheel: as if it were this time; the computer's clock if left out.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Seed of the draws in the pictures.")
@click.option("--force", is_flag=True, help="Replace the page if it exists.")
def report(file: Path, out: Path, runs: tuple[Path, ...], now: str | None, seed: int, force: bool) -> None:
    """One page (HTML, one file, nothing fetched) of a batch or of a wheel: in words, tables and pictures, to keep, to
    print or to send.

    \b
    Examples:
      longhold report K07.json --run night.h5 --out K07.html
      longhold report front.json --out front.html
    """
    from models.errors import InputError
    from planner.record import KIND
    from tui.batchfile import batch_in
    from tui.out import read_json, refuse_existing, say, write_whole

    refuse_existing(out, force)
    content = read_json(file, "a batch from 'longhold fit' or a wheel's record")
    if content.get("kind") == KIND:
        from tui.commands.wheel import moment
        from tui.wheelfile import read_record
        from tui.wheelreport import wheel_report

        if runs:
            raise InputError("--run goes with a batch; this is a wheel's record")
        page = wheel_report(read_record(file)[0], moment(now, "--now"), seed=seed)
    elif "chain" in content:
        from tui.batchreport import batch_report, runs_of

        if now is not None:
            raise InputError("--now goes with a wheel's record; this is a batch")
        batch = batch_in(content, file)
        page = batch_report(batch, runs_of(batch, file.parent, runs), seed=seed)
    else:
        raise InputError(f"{file}: neither a batch from 'longhold fit' nor a wheel's record from 'longhold wheel new'")
    write_whole(out, page)
    say(f"wrote {out} ({len(page) / 1e6:.1f} MB): open it in any browser, or print it")
