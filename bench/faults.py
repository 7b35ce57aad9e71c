"""Faults as one table: what each means, what the station does, which sensor it trusts, what a person must do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import partial

from bench.machine import StationState as S


class Reaction(Enum):
    """What is done; the worse of two wins, in this order."""

    NOTE = "go on, and log it"
    EASE_OFF = "ease off"
    KEEP = "keep position"
    STOP = "drive off"


class Scope(Enum):
    """Whom a fault stops."""

    STATION = "the station"
    FRAME = "every station"


class Fault(Enum):
    """Everything that is looked for. The value is the name in the log."""

    OVER_LOAD = "over-load"
    OVER_TRAVEL = "over-travel"
    OVER_SPEED = "over-speed"
    FOLLOWING = "following error"
    LOAD_WITHOUT_MOTION = "load without motion"
    MOTION_WITHOUT_LOAD = "motion without load"
    LET_GO = "spoke let go"
    NEIGHBOUR = "a neighbour let go"
    SLIP_SUSPECTED = "slip suspected"
    SLIP = "end fitting slips"
    CELL_FAULT = "load cell fault"
    CELL_FROZEN = "load cell frozen"
    CELL_SATURATED = "load cell saturated"
    CELL_DRIFT = "load cell drift"
    ENCODER_JUMP = "encoder jump"
    POSITION_LOST = "position lost"
    DRIVE_FAULT = "drive fault"
    DRIVE_DROPPED = "drive dropped out"
    GUARD = "guard open"
    ESTOP = "emergency-stop chain open"
    POWER = "power dip"
    TEMPERATURE = "air temperature out of range"
    CABINET = "cabinet out of range"
    STALE = "stale data"
    SILENCE = "bus silence"
    REFUSED = "frame refuses"
    RESTARTED = "frame controller restarted"
    OWNER_LOST = "owner lost"
    LOCAL = "local panel"
    DEADMAN = "deadman changed"
    OWN_LIMIT = "own limit changed"
    CLOCK_STEP = "clock step"
    DISK_FULL = "recorder cannot write"
    LATE = "late ticks"
    UNPROVED = "stiffer than proved"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRule:
    """What follows from one fault."""

    scope: Scope
    reaction: Reaction
    trusts: str  # what the reaction relies on
    means: str  # one line for the log: what has been seen
    do: str  # what a person must do before it goes on
    persist_s: float = 0.0  # how long the condition must last
    persist_ticks: int = 1  # and in how many readings in a row

    @property
    def latches(self) -> bool:
        """Whether only a person, at the frame, takes it further."""
        return self.reaction is not Reaction.NOTE


def _rule(
    scope: Scope, reaction: Reaction, trusts: str, means: str, do: str, persist_s: float = 0.0, ticks: int = 1
) -> FaultRule:
    return FaultRule(
        scope=scope,
        reaction=reaction,
        trusts=trusts,
        means=means,
        do=do,
        persist_s=persist_s,
        persist_ticks=ticks,
    )


_station, _frame = partial(_rule, Scope.STATION), partial(_rule, Scope.FRAME)
NOTE, EASE, KEEP, STOP = Reaction.NOTE, Reaction.EASE_OFF, Reaction.KEEP, Reaction.STOP

RULES: dict[Fault, FaultRule] = {
    Fault.OVER_LOAD: _station(
        EASE, "load", "the load is above the limit", "find what pulled too far; check spoke and cell, then resume"
    ),
    Fault.OVER_TRAVEL: _station(
        KEEP,
        "nothing: no move is safe until a person has looked",
        "a travel switch or the allowed travel is passed",
        "unload by hand at the frame, look whether the spoke slipped or was never seated",
    ),
    Fault.OVER_SPEED: _station(
        STOP, "nothing: the drive is not doing what it is told", "the drive moves faster than asked", "check the drive"
    ),
    Fault.FOLLOWING: _station(
        STOP,
        "nothing: the drive is not doing what it is told",
        "the position is not where it was sent",
        "check drive, coupling and encoder for slip or a jam",
    ),
    Fault.LOAD_WITHOUT_MOTION: _station(
        KEEP,
        "position",
        "the load rose with the position unchanged",
        "look for something that pulls or leans on the frame; check the cell's zero",
        ticks=2,
    ),
    Fault.MOTION_WITHOUT_LOAD: _station(
        KEEP,
        "position",
        "the position moved and the load did not follow",
        "check that the spoke holds in both ends and that the cell is in the line of force",
    ),
    Fault.LET_GO: _station(
        STOP,
        "nothing: there may be nothing left to pull",
        "the load fell away at once: spoke or fitting let go",
        "switch off, keep eyes away from the line of the spoke, take it out; do not use it",
    ),
    Fault.NEIGHBOUR: _station(
        EASE,
        "load",
        "a spoke let go beside this one, and the stations are not shielded from each other",
        "look at the spoke for damage before it is loaded again",
    ),
    Fault.SLIP_SUSPECTED: _station(
        NOTE, "load", "the load dropped in one step with the position unchanged", "watch for a second step"
    ),
    Fault.SLIP: _station(
        EASE, "load", "an end fitting slips: two steps, or a rate that grows", "reject this spoke; do not build it in"
    ),
    Fault.CELL_FAULT: _station(
        KEEP, "position", "the load cell or its amplifier reports a fault", "check plug and cable of the cell", ticks=2
    ),
    Fault.CELL_FROZEN: _station(
        KEEP, "position", "the load reads the very same while it must change", "check the cell's amplifier"
    ),
    Fault.CELL_SATURATED: _station(
        KEEP, "position", "the load cell reads the end of its range", "the true load is unknown: unload by hand"
    ),
    Fault.CELL_DRIFT: _station(
        NOTE, "position", "the cell's zero moved over the run", "check the zero and run 'longhold frame check --span'"
    ),
    Fault.ENCODER_JUMP: _station(
        STOP,
        "nothing: position is no longer known",
        "the position jumped further than the drive can move",
        "re-reference the encoder; elongation from here carries an unknown offset",
    ),
    Fault.POSITION_LOST: _station(
        STOP,
        "nothing: position is no longer known",
        "the encoder reports that its position is not valid",
        "re-reference the encoder; elongation from here carries an unknown offset",
    ),
    Fault.DRIVE_FAULT: _station(STOP, "load", "the drive reports a fault", "read the code in the drive's manual"),
    Fault.DRIVE_DROPPED: _station(
        STOP, "load", "the drive is off although it was asked to be on", "check the drive's supply and enable", ticks=4
    ),
    Fault.GUARD: _frame(STOP, "position", "the guard is open", "close the guard with hands and eyes out of the way"),
    Fault.ESTOP: _frame(
        STOP,
        "position",
        "the emergency-stop chain is open",
        "clear the cause, release the button; the load may still be on",
    ),
    Fault.POWER: _frame(
        KEEP, "position", "motor power is missing", "check the supply; the load may still be on", ticks=2
    ),
    Fault.TEMPERATURE: _frame(
        EASE, "load", "the air is out of the allowed range", "bring the shop back into range", persist_s=60.0, ticks=3
    ),
    Fault.CABINET: _frame(
        EASE,
        "load",
        "the cabinet is hot, open, cut out, or its thermometer reads nothing",
        "switch the heater off at the cabinet and let it cool before opening",
        persist_s=10.0,
        ticks=3,
    ),
    Fault.STALE: _frame(
        STOP,
        "nothing: values are old",
        "the frame's counter stands still: values are old",
        "check gateway and link",
        ticks=3,
    ),
    Fault.SILENCE: _frame(
        STOP,
        "the drive's own deadman, which stops the motor",
        "no good answer comes: silence, garbage, a wrong or a late answer",
        "check cable, switch and power of the link",
    ),
    Fault.REFUSED: _frame(
        STOP,
        "the drive's own deadman, which stops the motor",
        "the frame answers that it cannot or will not",
        "read the frame's own panel",
    ),
    Fault.RESTARTED: _frame(
        STOP,
        "nothing: a restarted controller may have lost its position",
        "the frame's counter went back: its controller restarted",
        "look at every station before you resume",
    ),
    Fault.OWNER_LOST: _frame(
        STOP,
        "the drive's own deadman, which stops the motor",
        "another controller commands the frame",
        "find the other controller and end it; two must never share a frame",
    ),
    Fault.LOCAL: _frame(
        STOP, "the person at the panel", "the local panel holds the frame", "give the frame back to remote, then resume"
    ),
    Fault.DEADMAN: _frame(
        STOP, "position", "the drive's deadman is not what it was", "set the deadman as the frame file says"
    ),
    Fault.OWN_LIMIT: _frame(
        STOP,
        "position",
        "a limit in the frame itself is not what this run wrote",
        "find out who changed it; resume writes it again",
    ),
    Fault.CLOCK_STEP: _frame(
        NOTE,
        "the monotonic clock",
        "the computer's clock was set",
        "nothing: times in the record count from the run's start",
    ),
    Fault.DISK_FULL: _frame(
        EASE,
        "load",
        "the record cannot be written: the disk is full or failing, or memory has run out",
        "make room on the disk (or in memory); what was acknowledged is kept",
    ),
    Fault.UNPROVED: _station(
        EASE,
        "load",
        "with the stiffness that was learned, a dead controller could pull on to the cut-out",
        "lower the rate or the load, shorten the deadman, or put a spring in series",
    ),
    Fault.LATE: _frame(NOTE, "the drive's own deadman", "ticks come late", "give the computer less else to do"),
}

# cells of the table 'fault x state' in which a fault is not looked for, and why
_MOVES = "the position is being moved, so the load is expected to change"
_RELAXES = "nobody corrects the load here: it follows creep and temperature by itself"
_NO_CHANGE_ASKED = "the load is not being changed, so nothing can fail to follow"
_SLACK = "the spoke is slack: nothing bears that could change"
_SLACK_JUMP = "the spoke is slack: a jump shows as over-speed"
_AT_THE_END = "told once, from the zero that is read when the load is off"
_NOT_SETTLED = "only a settled hold shows a slip; elsewhere the load moves by itself"
_PROVED = "it is proved where a spoke is seated and where its load is reached"
_NOT_ASKED = "nothing is asked of the drive, so it may be off"
_BREAKS = "the break is what this step is for: it ends the step, and its load is the result"
_NO_TARGET = "no target was sent that the drive could miss; what moves here shows as over-speed or over-travel"

_ALL = frozenset(S)
_STILL = frozenset({S.WAITING, S.KEPT, S.DRIVE_OFF, S.EASED_OFF, S.CUT_OFF, S.DONE})
_DRIVEN = frozenset({S.RAMPING, S.EASING_OFF, S.PULLING})
_MOVED = _DRIVEN | {S.SEATING, S.SLACK, S.TOUCHING}
_HOLDS = frozenset({S.HOLDING, S.RECOVERING})
_HELD = _HOLDS | {S.PAUSED}
_BARE = frozenset({S.WAITING, S.SLACK, S.EASED_OFF})

NOT_APPLICABLE: dict[tuple[Fault, S], str] = {
    **{(Fault.FOLLOWING, s): _NO_TARGET for s in (S.WAITING, S.DRIVE_OFF, S.CUT_OFF)},
    **{(Fault.LOAD_WITHOUT_MOTION, s): _MOVES for s in _MOVED},
    **{(Fault.LOAD_WITHOUT_MOTION, s): _RELAXES for s in _STILL},
    **{(Fault.MOTION_WITHOUT_LOAD, s): _NO_CHANGE_ASKED for s in _ALL - _DRIVEN - _HELD},
    **{(Fault.LET_GO, s): _SLACK for s in _BARE},
    (Fault.LET_GO, S.PULLING): _BREAKS,
    **{(Fault.NEIGHBOUR, s): _SLACK for s in _BARE},
    **{(Fault.ENCODER_JUMP, s): _SLACK_JUMP for s in _BARE},
    **{(Fault.SLIP_SUSPECTED, s): _NOT_SETTLED for s in _ALL - _HOLDS},
    **{(Fault.SLIP, s): _NOT_SETTLED for s in _ALL - _HOLDS},
    **{(Fault.CELL_FROZEN, s): _NO_CHANGE_ASKED for s in _STILL | {S.SLACK}},
    **{(Fault.UNPROVED, s): _PROVED for s in _ALL - _HOLDS - {S.SEATING}},
    **{(Fault.CELL_DRIFT, s): _AT_THE_END for s in _ALL - {S.SLACK}},
    **{(Fault.DRIVE_DROPPED, s): _NOT_ASKED for s in _STILL},
}


def applies(fault: Fault, state: S) -> bool:
    """Whether a fault is looked for in a state; where not, `NOT_APPLICABLE` has the reason."""
    return (fault, state) not in NOT_APPLICABLE


def worse(a: Reaction, b: Reaction) -> Reaction:
    """The stronger of two reactions."""
    order = list(Reaction)
    return a if order.index(a) >= order.index(b) else b


def table_markdown() -> str:
    """The fault table for the docs, drawn from `RULES`."""
    rows = ["| fault | what was seen | who | what happens | relies on | latches | what a person must do |"]
    rows.append("| --- | --- | --- | --- | --- | --- | --- |")
    for fault, rule in RULES.items():
        rows.append(
            f"| {fault.value} | {rule.means} | {rule.scope.value} | {rule.reaction.value} | {rule.trusts} | "
            f"{'yes' if rule.latches else 'no'} | {rule.do} |"
        )
    return "\n".join(rows) + "\n"


def states_markdown() -> str:
    """Fault by state: looked for, or why not; drawn from `NOT_APPLICABLE`."""
    rows = ["| fault | looked for | not looked for, and why |", "| --- | --- | --- |"]
    for fault in Fault:
        why: dict[str, list[str]] = {}
        for state in S:
            if not applies(fault, state):
                why.setdefault(NOT_APPLICABLE[fault, state], []).append(state.value)
        yes = [s.value for s in S if applies(fault, s)]
        looked = "always" if len(yes) == len(S) else ", ".join(yes)
        reasons = "; ".join(f"{', '.join(states)}: {reason}" for reason, states in why.items())
        rows.append(f"| {fault.value} | {looked} | {reasons} |")
    return "\n".join(rows) + "\n"
