"""The frame's own limits: a run writes its own, reads them back, and does not begin where other values stand there.

Only where the frame file says that a limit is writable. What was there before goes into the record; what was written
stays until the next run or check writes its own, or the device restarts.
"""

from __future__ import annotations

from collections.abc import Mapping

from bench.errors import FrameFault
from bench.frame import Frame, FrameFacts, FrameReading
from bench.roles import FRAME_ROLES
from bench.start import begin
from bench.station import Said, Station
from bench.steps import Program, own_limits_of, rounded_down


def stated_limits(facts: FrameFacts, station: int) -> dict[str, float]:
    """What a check of one station writes: the limits that the frame file states of it."""
    stated = facts.stations[station].stated_limits
    return {role: rounded_down(stated[role], count) for role, count in facts.writable_limits.items()}


async def write_limits(
    frame: Frame, limits: Mapping[str, float], before: FrameReading
) -> tuple[FrameReading, tuple[Said, ...]]:
    """Write limits to a claimed frame on which nothing moves, and read them back.

    Parameters
    ----------
    limits : mapping
        Role -> N or mm/s; may be empty: then nothing is sent.
    before : FrameReading
        For what stood there.

    Returns
    -------
    A fresh reading (``before`` where nothing was sent), and one line for the log for each limit.

    Raises
    ------
    FrameFault
        Something else reads back than was written: every limit at once.
    """
    if not limits:
        return before, ()
    for role, value in limits.items():
        await frame.set_limit(role, value)
    reading = await frame.read()
    why, said = [], []
    for role, value in limits.items():
        unit = FRAME_ROLES[role].limit
        what = f"the frame's own {role.removeprefix('max_')} limit"
        was, stands = before.own_limits[role], reading.own_limits[role]
        earlier = "not readable" if was is None else f"{was:g} {unit}"
        if stands is None or not abs(stands - value) <= frame.facts.writable_limits[role] * (1 + 1e-6):
            read = "no number" if stands is None else f"{stands:g} {unit}"
            why.append(
                f"{what}: {value:g} {unit} was written and {read} reads back (before: {earlier}): check "
                f"registers.{role} in the frame file, and whether the frame lets its limit be written"
            )
        words = f"{what}: {value:g} {unit} written and read back; before: {earlier}"
        data = {"limit": role, "written": value, "read_back": stands, "before": was, "unit": unit}
        said.append(Said(kind="limit", message=words, data=data))
    if why:
        raise FrameFault(f"nothing was moved: {'; '.join(why)}")
    return reading, tuple(said)


async def begin_limited(
    frame: Frame, program: Program, token: int
) -> tuple[list[Station], FrameReading, tuple[Said, ...]]:
    """The stations of a new run on a claimed frame that holds this run's own limits; nothing moves.

    A limit is written only after every reason not to begin has been looked for and none was found.

    Raises
    ------
    FrameFault
        Every reason why nothing was moved, in one message.
    """
    reading = await frame.read()
    stations = begin(program, frame.facts, reading, token)
    limits = own_limits_of(program, frame.facts)
    if not limits:
        return stations, reading, ()
    reading, said = await write_limits(frame, limits, reading)
    return begin(program, frame.facts, reading, token), reading, said
