"""How a run came out, in words or as JSON, with the exit status that it deserves."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.errors import FrameFault
from bench.faults import RULES, Fault
from bench.machine import RunState
from models.errors import CannotAnswer
from tui.out import answer_json, say

if TYPE_CHECKING:
    from bench.outcome import Outcome, StationOutcome
    from bench.session import Session

REJECT = frozenset({Fault.LET_GO, Fault.SLIP})


def answer(out: Path, as_json: bool, session: Session) -> None:
    """Print the result.

    Raises
    ------
    KeyboardInterrupt
        A person stopped it (exit 130).
    FrameFault
        The frame or the link ended it (exit 3).
    CannotAnswer
        A spoke is to be rejected (exit 1).
    """
    o = session.outcome
    if sys.stderr.isatty():
        say()
    if session.trouble:
        say(f"note: {session.trouble}")
    go_on = f"; longhold resume {out}" if not o.finished else ""
    loaded = ", ".join(f"{s.name} {s.load_N:.0f} N" for s in o.stations if s.under_load)
    if o.state is RunState.STOPPED and any(s.ended is None for s in o.stations):
        where = f": {loaded}" if loaded else " (none bears load now)"
        say(f"motion has stopped; spokes still under load{where}; {out} is whole{go_on}")
        raise KeyboardInterrupt
    failed = {f for s in o.stations for f in s.faults if RULES[f].latches}
    spokes_only = failed <= {*REJECT, Fault.NEIGHBOUR}
    if o.state is RunState.LINK_LOST or (o.state is RunState.FAULTED and not spokes_only):
        why = "; ".join(f"station {s.name}: {s.ended}" for s in o.stations if s.ended not in (None, "done"))
        held = f"; spokes still under load: {loaded}" if loaded else ""
        raise FrameFault(f"{o.state.value}: {why}{held}; what was logged is in {out}{go_on}")
    if as_json:
        answer_json(
            {
                "run": str(out),
                "state": o.state.value,
                "hours": o.run_s / 3600.0,
                "stations": [_as_dict(s, o) for s in o.stations],
                "lateness": o.lateness,
            }
        )
    else:
        click.echo(f"{out}: {o.message}")
        for s in o.stations:
            click.echo(f"  {s.name} {s.spoke}: {_in_words(s, o)}")
        if loaded:
            say(f"spokes still under load: {loaded}{go_on}")
    if o.state is RunState.FAULTED:
        bad = ", ".join(f"{_what(s)} ({s.ended})" for s in o.stations if REJECT & set(s.faults))
        raise CannotAnswer(f"reject: {bad}; the other spokes' records stand")


def slack_since_utc(s: StationOutcome, o: Outcome) -> float | None:
    """UTC since which the spoke hangs slack."""
    return None if s.slack_since_s is None or s.under_load else o.utc - (o.run_s - s.slack_since_s)


def _what(s: StationOutcome) -> str:
    """The spoke; of several in series nobody here knows which."""
    return s.spoke if s.spokes == 1 else f"one of the {s.spokes} spokes on {s.name}, and look at the others"


def _in_words(s: StationOutcome, o: Outcome) -> str:
    words = [str(s.ended)]
    if s.break_load_N is not None:
        words.append(f"broke at {s.break_load_N:.0f} N")
    if s.why is not None and not s.why.endswith(" done"):
        words.append(s.why)
    words.append(f"peak {s.figures['peak_load_N']:.0f} N")
    rms = s.figures["hold_rms_percent"]
    if rms is not None:
        words.append(f"held within {rms:.2f} % rms")
    if s.drift_N is not None:
        words.append(f"zero moved {s.drift_N:+.1f} N")
    since = slack_since_utc(s, o)
    if since is not None:
        words.append(f"slack since {datetime.fromtimestamp(since, UTC):%H:%M} UTC")
    return ", ".join(words)


def _as_dict(s: StationOutcome, o: Outcome) -> dict[str, Any]:
    return {
        "station": s.name,
        "spoke": s.spoke,
        "spokes_in_series": s.spokes,
        "state": s.state.value,
        "ended": s.ended,
        "hold_ended": s.why,
        "load_N": s.load_N,
        "under_load": s.under_load,
        "faults": [f.value for f in s.faults],
        "zero_drift_N": s.drift_N,
        "slack_since_utc_s": slack_since_utc(s, o),
        "break_load_N": s.break_load_N,
        "break_elongation_mm": s.break_elongation_mm,
        "cell": {
            "serial": s.cell_serial,
            "calibrated_on": s.cell_calibrated_on,
            "uncertainty_percent": s.cell_uncertainty_percent,
        },
        **s.figures,
    }
