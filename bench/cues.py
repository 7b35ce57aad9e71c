"""Faults that a simulated frame can be told to show, each as its physics, not as a message."""

from __future__ import annotations

from enum import StrEnum


class Cue(StrEnum):
    """A fault on cue. The comment says what happens and which value it takes."""

    # drive
    RUNAWAY = "runaway"  # the drive runs on past its target towards the pulled end; value: mm/s
    STALL = "stall"  # the drive reports motion, the carriage stands still
    COUPLING_SLIPS = "coupling_slips"  # the motor turns and counts, the carriage does not follow (motion without load)
    CREEPS_UNASKED = "creeps_unasked"  # the carriage moves although the drive stands (load without motion); value: mm/s
    DRIVE_FAULT = "drive_fault"  # value: the drive's own code
    LIMIT_LOW = "limit_low"  # the switch reads as reached
    LIMIT_HIGH = "limit_high"
    # spoke
    SPOKE_BREAKS = "spoke_breaks"  # lets go, at once and for good
    FITTING_SLIPS = "fitting_slips"  # the end fitting slips by value, mm, at once
    FITTING_CREEPS = "fitting_creeps"  # the end fitting slips at value, mm/s
    # sensors
    CELL_UNPLUGGED = "cell_unplugged"  # reads its negative end and reports a fault
    CELL_OPEN = "cell_open"  # reads nothing, and nobody reports it
    CELL_FROZEN = "cell_frozen"  # keeps its last value
    CELL_DRIFTS = "cell_drifts"  # value: N/h
    CELL_SATURATES = "cell_saturates"  # reads its positive end
    ENCODER_JUMPS = "encoder_jumps"  # the position reads value, mm, too much from now on
    POSITION_LOST = "position_lost"  # the encoder no longer knows where it is
    # frame
    ESTOP = "estop"  # the emergency-stop chain opens and cuts motor power
    GUARD = "guard"  # the guard is opened and cuts motor power
    LOCAL_PANEL = "local_panel"  # a person takes the frame at its panel
    FOREIGN_OWNER = "foreign_owner"  # another controller holds the frame; value: its token
    POWER_DIP = "power_dip"  # motor power is gone until cleared
    RESTART = "restart"  # the device restarts: counter from 0, position lost, drives off, nobody owns it
    AIR = "air"  # the air is value, degC
    CABINET = "cabinet"  # the cabinet is value, degC, whatever is asked
    CABINET_DOOR = "cabinet_door"  # the cabinet's door is opened
    CABINET_CUTOUT = "cabinet_cutout"  # its independent cut-out has tripped
    # link
    SILENCE = "silence"  # no answer
    EXCEPTION = "exception"  # an exception answer; value: its code
    GARBAGE = "garbage"  # an answer that is none
    SHORT = "short"  # fewer registers than asked
    LATE = "late"  # answers come value, s, late
    STALE = "stale"  # a gateway serves the values it once read
    FOREIGN_ANSWER = "foreign_answer"  # another device's answer


LINK_CUES = (Cue.SILENCE, Cue.EXCEPTION, Cue.GARBAGE, Cue.SHORT, Cue.LATE, Cue.STALE, Cue.FOREIGN_ANSWER)
STATION_CUES = tuple(Cue)[: tuple(Cue).index(Cue.ESTOP)]
