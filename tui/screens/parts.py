"""Lines of the monitor as text: the heading, the station table, the fault notice, the event log."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.text import Text

from tui import format as show
from tui.screens.ready import Readiness
from tui.screens.view import QUIET_AFTER_S, Fault, Note, Now, Record

# Colour only repeats what a word or a mark already says; blue and orange stay apart for every kind of colour vision.
SET = "bright_blue"
MEASURED = "orange1"
ALARM = "bold reverse"

# heading, width; a negative width is aligned to the left
_COLUMNS = (
    ("", -3), ("stn", -4), ("spoke", -8), ("step", -14), ("load N", 8), ("set N", 6), ("off %", 7),
    ("longer mm", 10), ("mm/dec", 8), ("left", 12),
)  # fmt: skip


def heading(record: Record | None, name: str, at_s: float | None, place: str, width: int, now_utc: float) -> Text:
    """First line: file, title, where in time, and which of how many files."""
    line = Text(f" {name}  ", style="bold")
    if record is None:
        return line
    if record.demo:
        line.append("DEMO, invented  ", style="bold")
    state = run_state(record, at_s, now_utc)
    right = f"{state}  {place} " if place else f"{state} "
    room = width - line.cell_len - len(right)
    title = Text(record.title)
    title.truncate(max(room - 1, 0), overflow="ellipsis")
    line.append_text(title)
    line.append(" " * max(width - line.cell_len - len(right), 1))
    line.append(right, style="bold")
    return line


def run_state(record: Record, at_s: float | None, now_utc: float) -> str:
    """Where in the run the screen stands, and whether the run still writes."""
    if at_s is not None:
        return f"looking back: {show.stopwatch(at_s)} of {show.stopwatch(record.end_s)}"
    if record.ended:
        return f"ended after {show.stopwatch(record.end_s)}"
    if not record.written:
        return f"CUT OFF at {show.stopwatch(record.end_s)}; see 'longhold resume'"
    quiet = now_utc - (record.started_utc + record.end_s)
    if quiet > QUIET_AFTER_S:
        return f"{show.stopwatch(record.end_s)}  NOTHING NEW for {show.duration(quiet)}"
    return f"running {show.stopwatch(record.end_s)}"


def _cell(text: str, width: int) -> str:
    room = abs(width) - 1
    text = text if len(text) <= room else text[: room - 1] + "…"
    return f"{text:<{room}} " if width < 0 else f"{text:>{room}} "


def _left(now: Now, ready: Readiness | None, at_s: float) -> str:
    """What is left of the step: planned, or about, by the live fit."""
    if ready is not None and ready.ready:
        return "READY"
    about_s = None if ready is None else ready.left_at_s(at_s)
    return show.duration(now.step_left_s) if about_s is None else f"~{show.duration(about_s)}"


def table(stations: Sequence[Now], selected: int, ready: Sequence[Readiness | None], at_s: float) -> Text:
    """All stations, one a line; the chosen one marked in front, a fault in words."""
    out = Text.assemble(("".join(_cell(head, width) for head, width in _COLUMNS), "underline"))
    for i, now in enumerate(stations):
        mark = ">" if i == selected else " "
        bang = "!" if now.fault else " "
        widths = [w for _, w in _COLUMNS]
        cells = (
            mark + bang,
            now.name,
            now.spoke,
            "FAULT" if now.fault else now.step or "waiting",
            show.number(now.load_N, 1),
            show.number(now.set_load_N),
            show.signed(now.off_set_percent, 2),
            show.number(now.elongation_mm, 4),
            show.number(now.creep_mm_per_decade, 4),
            _left(now, ready[i], at_s),
        )
        row = "".join(_cell(text, w) for text, w in zip(cells, widths, strict=True))
        out.append("\n" + row, style=ALARM if now.fault else "bold" if i == selected else "")
    return out


def fault_notice(faults: Sequence[Fault], width: int) -> Text:
    """Faults in large plain words, and what to do; empty where none stands."""
    out = Text()
    for fault in faults:
        who = f"STATION {fault.station}" if fault.station else "THE FRAME"
        title = f"F A U L T    {who}    since {show.stopwatch(fault.since_s)}"
        out.append(title.center(width), style=ALARM)
        out.append(f"\n {fault.what}\n", style="bold")
        out.append(f" What to do: {fault.to_do or 'see the log (key 3); nothing moves until a person has looked'}\n")
    out.rstrip()
    return out


def log_lines(notes: Sequence[Note], width: int) -> Text:
    """The event log, oldest first; a long message goes on under its own beginning."""
    out = Text()
    for note in notes:
        head = f"{show.stopwatch(note.time_s)}  {note.station or '-':<4} {note.kind:<9} "
        room = max(width - len(head), 20)
        line = head + ("\n" + " " * len(head)).join(textwrap.wrap(note.message, room) or [""])
        out.append(line + "\n", style="bold" if note.kind == "fault" else "")
    out.rstrip()
    return out
