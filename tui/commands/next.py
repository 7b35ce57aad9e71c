"""`longhold next`: everything in work in a folder, and what waits for a person; plain lines, or JSON."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="next")
@click.argument("folder", metavar="[FOLDER]", type=click.Path(path_type=Path), default=Path())
@click.option("--now", metavar="TIME", help="As if it were this time; the computer's clock if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object on stdout.")
def next_in_work(folder: Path, now: str | None, as_json: bool) -> None:
    """Every wheel in work with its next action and when, spokes on the frame, slack clocks: what waits comes first.

    The same stands on the first screen of 'longhold watch'. For one wheel in detail: 'longhold wheel next WHEEL.json'.

    \b
    Example:
      longhold next .
    """
    from tui.commands.wheel import moment
    from tui.inwork import InWork, in_words
    from tui.out import answer_json

    at = moment(now, "--now")
    in_work = InWork(folder)
    try:
        items = in_work.look(at)
    finally:
        in_work.close()
    if as_json:
        answer_json({"folder": str(folder), "now_utc": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                     "items": [i.as_dict() for i in items]})  # fmt: skip
    else:
        click.echo("\n".join(in_words(items, folder)))
