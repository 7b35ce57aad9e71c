"""The roles that a frame's registers play, which of them a frame cannot do without, and what the lack of one costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Form = Literal["number", "flag", "code", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What one register is for."""

    form: Form  # a measured number, a yes or no, a whole code, a text
    does: str
    written: bool = False  # the controller writes it
    read: bool = True  # the controller reads it every tick (or once, see ONCE)
    cost: str | None = None  # what its absence costs; None: a frame without it is refused
    limit: str | None = None  # unit of a limit of the frame itself, which its file may let a run write
    later: bool = False  # came after version 0.1.0: counts as absent in a file that says nothing of it


STATION_ROLES: dict[str, Role] = {
    "load": Role(form="number", does="load cell, N"),
    "load_fault": Role(
        form="flag",
        does="the cell's amplifier reports a fault",
        cost="an unplugged cell is only noticed by what it reads",
    ),
    "position": Role(form="number", does="drive encoder, mm, grows as the spoke is pulled"),
    "position_valid": Role(
        form="flag",
        does="the encoder still knows where it is",
        cost="a lost position is only noticed by a jump; every interruption counts as position lost",
    ),
    "move_target": Role(form="number", does="where to move, mm, absolute", written=True, read=False),
    "move_speed": Role(
        form="number",
        does="how fast to move, mm/s",
        written=True,
        read=False,
        cost="the drive always moves at its own speed: the proof of speed uses max_speed_mm_per_s",
    ),
    "moving": Role(form="flag", does="the motor turns", cost="motion is inferred from two positions, one tick late"),
    "enable": Role(form="flag", does="energise the drive", written=True, read=False),
    "enabled": Role(
        form="flag",
        does="the drive is energised, read back",
        cost="whether a drive is energised is taken from what was asked",
    ),
    "drive_fault": Role(form="code", does="0, or the drive's own fault code", cost="a fault shows only as a stall"),
    "fault_reset": Role(
        form="flag",
        does="clear a drive fault",
        written=True,
        read=False,
        cost="a drive fault is cleared at the drive by a person",
    ),
    "limit_low": Role(form="flag", does="travel switch at the slack end", cost="it shows only by position"),
    "limit_high": Role(form="flag", does="travel switch at the pulled end", cost="it shows only by position"),
    "brake": Role(form="flag", does="the brake holds", cost="whether a brake holds is not known"),
}

FRAME_ROLES: dict[str, Role] = {
    "estop_chain": Role(form="flag", does="the emergency-stop chain is closed (healthy)"),
    "guard": Role(form="flag", does="the guard is closed", cost="an open guard is not seen and does not stop a run"),
    "deadman": Role(form="code", does="fed by the controller every tick", written=True, read=False),
    "deadman_ms": Role(
        form="number",
        does="the deadman's time, read back",
        cost="the deadman's time is taken from the file and cannot be proved",
    ),
    "device_counter": Role(
        form="number",
        does="the device's own clock, ms (scale: ms of one count): proves that values are fresh",
        cost="old values from a gateway cannot be told from fresh ones",
    ),
    "owner_token": Role(
        form="code",
        does="who commands the frame; 0 nobody",
        written=True,
        read=False,
        cost="a second controller on this frame is not noticed",
    ),
    "owner": Role(
        form="code",
        does="the owner token, read back beside the other values",
        cost="the owner is read where it is written: one more request a tick",
    ),
    "local_remote": Role(
        form="flag", does="the local panel holds the frame", cost="a move from the local panel shows only as a surprise"
    ),
    "max_load": Role(form="number", does="the frame's own load limit, N", cost="it cannot be read back", limit="N"),
    "max_speed": Role(
        form="number", does="the frame's own speed limit, mm/s", cost="it cannot be read back", limit="mm/s"
    ),
    "power_ok": Role(form="flag", does="motor power is there", cost="a power dip shows only as a stall or silence"),
    "air_temperature": Role(
        form="number", does="air, degC", cost="creep is fitted without temperature: the shop's temperature is assumed"
    ),
    "frame_temperature": Role(
        form="number", does="frame, degC", cost="the frame's own expansion cannot be taken out of the elongation"
    ),
    "lamp": Role(form="code", does="0 off, 1 a run, 2 a person is needed", written=True, read=False, cost="no lamp"),
    "identity": Role(form="text", does="what the device calls itself", cost="a wrong frame here goes unseen"),
    "serial": Role(form="text", does="the device's serial number", cost="results do not carry it"),
}

CABINET_ROLES: dict[str, Role] = {
    "setpoint": Role(form="number", does="temperature asked for, degC", written=True, read=False),
    "actual": Role(form="number", does="temperature in the cabinet, degC"),
    "door": Role(form="flag", does="the door is closed", cost="an open door is not seen"),
    "cutout": Role(
        form="flag",
        does="the independent over-temperature cut-out has not tripped",
        cost="a tripped cut-out shows only as a cabinet that grows cold",
    ),
}

CABINET_COST = "no temperature steps: everything is measured at the shop's temperature"

# read once when a person looks or a run begins, not every tick
ONCE = ("identity", "serial")


def roles_of(group: Literal["station", "frame", "cabinet"]) -> dict[str, Role]:
    """The table of one group."""
    return {"station": STATION_ROLES, "frame": FRAME_ROLES, "cabinet": CABINET_ROLES}[group]


def cost_of(role: str) -> str:
    """What the absence of a role (or of the whole cabinet) costs; empty if nothing is known of it."""
    if role == "cabinet":
        return CABINET_COST
    group, _, name = role.rpartition(".")
    for table in (CABINET_ROLES,) if group == "cabinet" else (STATION_ROLES, FRAME_ROLES):
        if name in table:
            return table[name].cost or ""
    return ""
