"""Run states as a table: what a station may go through, and the run as a whole; an unlisted pair raises."""

from __future__ import annotations

from enum import Enum
from typing import TypeVar

from models.errors import LongholdError


class StationState(Enum):
    """Where one station stands. The value is what a person reads; the order is that of the codes in the run file."""

    WAITING = "waiting"
    SEATING = "seating"
    RAMPING = "ramping"
    HOLDING = "holding"
    RECOVERING = "recovering"
    SLACK = "slack"
    TOUCHING = "touching"
    PAUSED = "paused"
    EASING_OFF = "easing off"
    KEPT = "tripped: position kept"
    DRIVE_OFF = "tripped: drive off"
    EASED_OFF = "eased off"
    CUT_OFF = "cut off"
    DONE = "done"
    PULLING = "pulling to break"


class StationEvent(Enum):
    """What may happen to a station."""

    SEAT = "the program seats"
    RAMP = "the program goes to a load"
    HOLD = "the program holds"
    RECOVER = "the program holds the tare"
    LET_SLACK = "the program lets the spoke go slack"
    TOUCH = "the program touches the tare"
    PULL = "the program pulls to break"
    FINISH = "the program has ended"
    PAUSE = "a person asks for a pause"
    ASK_EASE = "a person asks to ease off"
    TRIP_KEEP = "a fault: keep position"
    TRIP_EASE = "a fault: ease off"
    TRIP_STOP = "a fault: drive off"
    LOAD_OFF = "the load is off"
    CUT = "the run was cut off"
    ACKNOWLEDGE = "a person acknowledges at the frame"


class RunState(Enum):
    """Where the run as a whole stands."""

    CHECKING = "checking"
    RUNNING = "running"
    FINISHED = "finished"
    FAULTED = "faulted"
    STOPPED = "stopped by a person"
    LINK_LOST = "link lost"


class RunEvent(Enum):
    """What may happen to the run."""

    PROVED = "every proof holds"
    ALL_DONE = "every station is done"
    NONE_CAN_GO_ON = "no station can go on"
    STOP = "a person stops the program"
    SILENCE = "the frame does not answer"


class UnlistedTransition(LongholdError):
    """Our own mistake: this event cannot happen in this state; nothing was changed."""


S, E = StationState, StationEvent

TRIPPED = frozenset({S.KEPT, S.DRIVE_OFF})
PROGRAM_STATES = frozenset({S.SEATING, S.RAMPING, S.HOLDING, S.RECOVERING, S.SLACK, S.TOUCHING, S.PULLING})
MAY_MOVE = PROGRAM_STATES | {S.PAUSED, S.EASING_OFF}
ENDED = frozenset({S.KEPT, S.DRIVE_OFF, S.EASED_OFF, S.DONE})
STATE_CODE = {state: code for code, state in enumerate(StationState)}
_STATES = tuple(StationState)


def state_of(code: int) -> StationState:
    """The state that a recorded row's flags name.

    Raises
    ------
    ValueError
        No state has this code: the row is damaged, or of a later version.
    """
    if not 0 <= code < len(_STATES):
        raise ValueError(f"a recorded row names state {code}; known are 0 to {len(_STATES) - 1}")
    return _STATES[code]


def _station_table() -> dict[tuple[StationState, StationEvent], StationState]:
    table: dict[tuple[StationState, StationEvent], StationState] = {
        (S.WAITING, E.SEAT): S.SEATING,
        (S.SEATING, E.HOLD): S.HOLDING,
        (S.SEATING, E.PULL): S.PULLING,
        (S.WAITING, E.PAUSE): S.PAUSED,
        (S.PAUSED, E.SEAT): S.SEATING,
        (S.CUT_OFF, E.ACKNOWLEDGE): S.PAUSED,
        (S.CUT_OFF, E.ASK_EASE): S.EASING_OFF,
        (S.EASING_OFF, E.LOAD_OFF): S.EASED_OFF,
        (S.EASED_OFF, E.TRIP_KEEP): S.EASED_OFF,
        (S.EASED_OFF, E.TRIP_EASE): S.EASED_OFF,
        (S.EASED_OFF, E.TRIP_STOP): S.DRIVE_OFF,
        (S.DONE, E.TRIP_KEEP): S.KEPT,
        (S.DONE, E.TRIP_STOP): S.DRIVE_OFF,
        (S.DONE, E.TRIP_EASE): S.EASING_OFF,
        (S.DONE, E.ASK_EASE): S.EASING_OFF,
        # a trip latches: whatever else happens, a kept station can only lose its drive, and a drive stays off
        (S.KEPT, E.TRIP_KEEP): S.KEPT,
        (S.KEPT, E.TRIP_EASE): S.KEPT,
        (S.KEPT, E.TRIP_STOP): S.DRIVE_OFF,
        (S.DRIVE_OFF, E.TRIP_KEEP): S.DRIVE_OFF,
        (S.DRIVE_OFF, E.TRIP_EASE): S.DRIVE_OFF,
        (S.DRIVE_OFF, E.TRIP_STOP): S.DRIVE_OFF,
        (S.CUT_OFF, E.TRIP_KEEP): S.KEPT,
        (S.CUT_OFF, E.TRIP_EASE): S.KEPT,
        (S.CUT_OFF, E.TRIP_STOP): S.DRIVE_OFF,
    }
    # the program moves on
    going = (S.RAMPING, S.HOLDING, S.RECOVERING, S.SLACK, S.TOUCHING, S.PAUSED, S.PULLING)
    for state in (S.SEATING, *going):
        table[state, E.RAMP] = S.RAMPING
    for state in going:
        table[state, E.HOLD] = S.HOLDING
        table[state, E.RECOVER] = S.RECOVERING
        table[state, E.LET_SLACK] = S.SLACK
        table[state, E.TOUCH] = S.TOUCHING
        table[state, E.PULL] = S.PULLING
    for state in PROGRAM_STATES:
        table[state, E.PAUSE] = S.PAUSED
        table[state, E.FINISH] = S.DONE
    # whatever moves may be eased off, tripped or cut off
    for state in (S.WAITING, S.PAUSED, *PROGRAM_STATES, S.EASING_OFF):
        table[state, E.ASK_EASE] = S.EASED_OFF if state is S.WAITING else S.EASING_OFF
        table[state, E.TRIP_EASE] = S.EASED_OFF if state is S.WAITING else S.EASING_OFF
        table[state, E.TRIP_KEEP] = S.KEPT
        table[state, E.TRIP_STOP] = S.DRIVE_OFF
    for state in StationState:
        if state is not S.DONE:
            table[state, E.CUT] = S.CUT_OFF
    return table


STATION_TABLE = _station_table()

RUN_TABLE: dict[tuple[RunState, RunEvent], RunState] = {
    (RunState.CHECKING, RunEvent.PROVED): RunState.RUNNING,
    (RunState.CHECKING, RunEvent.STOP): RunState.STOPPED,
    (RunState.RUNNING, RunEvent.ALL_DONE): RunState.FINISHED,
    (RunState.RUNNING, RunEvent.NONE_CAN_GO_ON): RunState.FAULTED,
    (RunState.RUNNING, RunEvent.STOP): RunState.STOPPED,
    (RunState.RUNNING, RunEvent.SILENCE): RunState.LINK_LOST,
}

AnyState = TypeVar("AnyState", StationState, RunState)


def after(state: StationState, event: StationEvent) -> StationState:
    """The state that follows.

    Raises
    ------
    UnlistedTransition
        If the table has no such pair.
    """
    try:
        return STATION_TABLE[state, event]
    except KeyError:
        raise UnlistedTransition(f"a station that is '{state.value}' cannot take '{event.value}'") from None


def run_after(state: RunState, event: RunEvent) -> RunState:
    """The run's state that follows; raises UnlistedTransition."""
    try:
        return RUN_TABLE[state, event]
    except KeyError:
        raise UnlistedTransition(f"a run that is '{state.value}' cannot take '{event.value}'") from None


def diagram() -> str:
    """The station's table as a Mermaid state diagram, for the docs."""
    names = {state: state.name.lower() for state in StationState}
    lines = ["stateDiagram-v2", *(f"    {names[s]} : {s.value}" for s in StationState)]
    edges: dict[tuple[StationState, StationState], list[str]] = {}
    for (state, event), to in STATION_TABLE.items():
        if state is not to:
            edges.setdefault((state, to), []).append(event.value)
    lines += [f"    {names[a]} --> {names[b]} : {' / '.join(events)}" for (a, b), events in edges.items()]
    return "\n".join(lines) + "\n"
