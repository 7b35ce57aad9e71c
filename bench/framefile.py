"""FRAME.toml: what a frame is, where its registers are, what its calibration found; checked whole before any motion."""

from __future__ import annotations

import difflib
import ipaddress
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.frame import FrameFacts, StationFacts
from bench.frametable import BAUDS, Cell, FrameTable, OneStation, Register, SerialLink, Simulation, TcpLink
from bench.registers import READ_ONLY_TABLES, Place, Table, overlap
from bench.roles import CABINET_ROLES, FRAME_ROLES, ONCE, STATION_ROLES, Role, cost_of
from models.errors import InputError
from models.written import checked, parse_toml, read_text

__all__ = ["FrameFile", "SerialLink", "TcpLink", "frame_from_text", "read_frame_file"]

WHAT = "a frame file, FRAME.toml"
FLOAT_RESOLUTION = {"max_load": 0.1, "max_speed": 1e-4}  # N, mm/s: what a limit in a float32 is rounded to
COARSEST_LIMIT = 0.01  # of the smallest limit that the file states


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFile:
    """A frame file that was read and found good."""

    path: Path
    text: str  # as read: it goes into the run file
    facts: FrameFacts
    link: TcpLink | SerialLink
    frame: Mapping[str, Place]  # role -> where it is
    cabinet: Mapping[str, Place]
    stations: tuple[Mapping[str, Place], ...]
    zero_N: tuple[float, ...]  # of each cell, taken off its reading
    span: tuple[float, ...]  # true force over (reading - zero)
    simulation: Simulation

    def costs(self) -> tuple[tuple[str, str], ...]:
        """(role, what its absence costs) for each role that the file declares absent."""
        return tuple((role, cost_of(role)) for role in self.facts.absent)


def read_frame_file(path: Path) -> FrameFile:
    """Read and check a frame file.

    Raises
    ------
    InputError
        One plain message that names the file, the key and what is allowed.
    """
    text = read_text(path, WHAT)
    return frame_from_text(text, path)


def frame_from_text(text: str, path: Path) -> FrameFile:
    """Check the text of a frame file; ``path`` is only used in messages. Raises InputError."""
    where = str(path)
    table = checked(FrameTable, parse_toml(text, where, WHAT), where)
    _check_link(table.link, where)
    frame = _places(table.registers, FRAME_ROLES, table, where, "registers")
    cabinet = _places(table.cabinet, CABINET_ROLES, table, where, "cabinet")
    stations = _stations(table, where)
    table = table.model_copy(update={"absent": (*table.absent, *_unknown_then(table, frame, stations))})
    _check_absent(table, frame, cabinet, stations, where)
    every: dict[str, Place] = {f"registers.{r}": p for r, p in frame.items()}
    every |= {f"cabinet.{r}": p for r, p in cabinet.items()}
    for one, places in zip(table.station, stations, strict=True):
        every |= {f"station {one.name}: {role}": p for role, p in places.items()}
    clash = overlap(every)
    if clash:
        raise InputError(f"{where}: {clash[0]} and {clash[1]} use the same register: give each its own address or bit")
    facts = _facts(table, frame, bool(cabinet), where)
    _check_ranges(facts, frame, stations, where)
    _check_once(table, frame, where)
    if facts.deadman_ms < 3 * 1000 * facts.tick_s:
        raise InputError(
            f"{where}: key 'deadman_ms' is {facts.deadman_ms}: must be at least three ticks of the link "
            f"({3 * 1000 * facts.tick_s:g} ms), or a late answer stops the motor"
        )
    cells = [_cell(table, one) for one in table.station]
    return FrameFile(
        path=path,
        text=text,
        facts=facts,
        link=table.link,
        frame=frame,
        cabinet=cabinet,
        stations=stations,
        zero_N=tuple(c.zero_N for c in cells),
        span=tuple(c.span for c in cells),
        simulation=table.simulation,
    )


def _near(name: str, known: Iterable[str]) -> str:
    names = list(known)
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(names)}"


def _check_link(link: TcpLink | SerialLink, where: str) -> None:
    if isinstance(link, SerialLink):
        if link.baud not in BAUDS:
            raise InputError(f"{where}: key 'link.baud' is {link.baud}: must be one of {', '.join(map(str, BAUDS))}")
        return
    if not link.host or link.host != link.host.strip() or any(c in link.host for c in "/: "):
        try:
            ipaddress.ip_address(link.host)
        except ValueError:
            raise InputError(
                f"{where}: key 'link.host' is \"{link.host}\": must be a host name or an address alone"
            ) from None


def _places(
    registers: Mapping[str, Register],
    roles: Mapping[str, Role],
    table: FrameTable,
    where: str,
    at: str,
    *,
    device: int | None = None,
    shift: Mapping[Table, int] | None = None,
) -> dict[str, Place]:
    """Role -> place for one table of registers."""
    places: dict[str, Place] = {}
    for name, r in registers.items():
        key = f"{at}.{name}"
        if name not in roles:
            raise InputError(f"{where}: unknown key '{key}'; {_near(name, roles)}")
        role = roles[name]
        if r.writable and (role.limit is None or r.offset != 0):
            may = " and ".join(n for n, one in roles.items() if one.limit is not None) or "none of this table"
            raise InputError(
                f"{where}: key '{key}.writable': a run writes only the frame's own limits ({may}), without an offset"
            )
        if (role.written or r.writable) and r.table in READ_ONLY_TABLES:
            raise InputError(f"{where}: key '{key}.table' is \"{r.table}\": it is written to, so holding or coil")
        is_bit = r.bit is not None or r.table in ("coil", "discrete")
        if role.form == "text" and (r.type != "text" or r.words is None or is_bit):
            raise InputError(f"{where}: key '{key}': must have type = \"text\" and words = how many registers it takes")
        if role.form != "text" and (r.type == "text" or r.words is not None):
            raise InputError(f"{where}: key '{key}': is no text; type must be int16, uint16, int32, uint32 or float32")
        if role.form in ("number", "code") and is_bit:
            raise InputError(f"{where}: key '{key}': is a number and cannot stand in one bit")
        if role.form == "code" and (r.type == "float32" or r.scale != 1 or r.offset != 0):
            raise InputError(f"{where}: key '{key}': is a whole code: an integer type without scale or offset")
        if role.form == "flag" and role.written and r.bit is not None and r.inverted:
            raise InputError(f"{where}: key '{key}.inverted': a command bit cannot be inverted")
        address = r.address + (shift or {}).get(r.table, 0)
        own = r.device if r.device is not None else device if device is not None else table.link.device
        try:
            places[name] = Place(
                device=own,
                table=r.table,
                address=address,
                kind=r.type,
                order=r.order or table.link.order,
                scale=r.scale,
                offset=r.offset,
                bit=r.bit,
                inverted=r.inverted,
                text_words=r.words or 0,
            )
        except ValueError as error:
            raise InputError(f"{where}: key '{key}': {error}") from None
    return places


def _stations(table: FrameTable, where: str) -> tuple[dict[str, Place], ...]:
    names = [one.name for one in table.station]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise InputError(f'{where}: two stations are named "{twice}": each needs its own name')
    count_on: dict[int, int] = {}
    stations: list[dict[str, Place]] = []
    for one in table.station:
        device = one.device if one.device is not None else table.link.device
        number = count_on.get(device, 0)
        count_on[device] = number + 1
        places: dict[str, Place] = {}
        if table.layout is not None:
            lay = table.layout
            kinds = set(lay.base) | set(lay.stride)
            shift = {t: lay.base.get(t, 0) + number * lay.stride.get(t, 0) for t in kinds}
            places = _places(lay.registers, STATION_ROLES, table, where, "layout.registers", device=device, shift=shift)
        at = f"station {one.name}: registers"
        places |= _places(one.registers, STATION_ROLES, table, where, at, device=device)
        stations.append(places)
    return tuple(stations)


def _unknown_then(
    table: FrameTable, frame: Mapping[str, Place], stations: tuple[Mapping[str, Place], ...]
) -> Iterator[str]:
    """Roles that came later and of which the file, written for an earlier version, says nothing."""
    for roles, mapped in ((FRAME_ROLES, set(frame)), (STATION_ROLES, {name for one in stations for name in one})):
        for name, role in roles.items():
            if role.later and name not in mapped and name not in table.absent:
                yield name


def _check_absent(
    table: FrameTable,
    frame: Mapping[str, Place],
    cabinet: Mapping[str, Place],
    stations: tuple[Mapping[str, Place], ...],
    where: str,
) -> None:
    """Every role is mapped or declared absent; a role that cannot be missed is mapped."""
    known = [*FRAME_ROLES, *STATION_ROLES, "cabinet", *(f"cabinet.{r}" for r in CABINET_ROLES)]
    for name in table.absent:
        if name not in known:
            raise InputError(f"{where}: key 'absent': there is no role \"{name}\"; {_near(name, known)}")
    groups: list[tuple[str, str, Mapping[str, Role], Mapping[str, Place]]] = [
        ("", "registers", FRAME_ROLES, frame),
        *(
            ("", f"station {one.name}", STATION_ROLES, places)
            for one, places in zip(table.station, stations, strict=True)
        ),
    ]
    if cabinet:
        groups.append(("cabinet.", "cabinet", CABINET_ROLES, cabinet))
    elif "cabinet" not in table.absent:
        raise InputError(
            f"{where}: key 'cabinet' is missing: map it, or put \"cabinet\" into absent (what that costs: "
            f"{cost_of('cabinet')})"
        )
    if cabinet and "cabinet" in table.absent:
        raise InputError(f"{where}: key 'absent': \"cabinet\" is mapped and declared absent")
    for prefix, at, roles, places in groups:
        for name, role in roles.items():
            full = prefix + name
            if name in places:
                if full in table.absent:
                    raise InputError(f"{where}: key 'absent': \"{full}\" is mapped ({at}) and declared absent")
            elif role.cost is None:
                raise InputError(
                    f"{where}: {at}: no register for '{name}' ({role.does}): a frame without it is refused"
                )
            elif full not in table.absent:
                raise InputError(
                    f"{where}: {at}: no register for '{name}' ({role.does}): map it, or put \"{full}\" into absent "
                    f"(what that costs: {role.cost})"
                )


def _cell(table: FrameTable, one: OneStation) -> Cell:
    return one.cell or table.every_station.cell or Cell()


def _facts(table: FrameTable, frame: Mapping[str, Place], has_cabinet: bool, where: str) -> FrameFacts:
    stations = tuple(_station_facts(table, one, where) for one in table.station)
    return FrameFacts(
        name=table.name,
        serial=table.serial,
        stations=stations,
        deadman_ms=round(table.deadman_ms),
        tick_s=table.link.tick_s,
        stations_shielded=table.stations_shielded,
        has_cabinet=has_cabinet,
        absent=table.absent,
        writable_limits={
            role: frame[role].resolution or FLOAT_RESOLUTION[role]
            for role, register in table.registers.items()
            if register.writable
        },
    )


def _station_facts(table: FrameTable, one: OneStation, where: str) -> StationFacts:
    def stated(key: str) -> Any:
        value = getattr(one, key)
        value = getattr(table.every_station, key) if value is None else value
        if value is None:
            raise InputError(f"{where}: station {one.name}: key '{key}' is missing here and in [every_station]")
        return value

    travel = stated("travel_mm")
    if not travel[0] < travel[1]:
        raise InputError(f"{where}: station {one.name}: key 'travel_mm' is {list(travel)}: lowest first, then highest")
    max_load, trip = stated("max_load_N"), stated("trip_load_N")
    if not max_load < trip:
        raise InputError(
            f"{where}: station {one.name}: max_load_N is {max_load:g}: must be below trip_load_N ({trip:g} N), "
            "where the hard-wired cut-out acts"
        )
    cell = _cell(table, one)
    if cell.range_N is not None and cell.range_N < trip:
        raise InputError(
            f"{where}: station {one.name}: cell.range_N is {cell.range_N:g}: a cell must read up to trip_load_N "
            f"({trip:g} N)"
        )
    return StationFacts(
        name=one.name,
        max_load_N=max_load,
        max_speed_mm_per_s=stated("max_speed_mm_per_s"),
        travel_mm=travel,
        step_mm=stated("step_mm"),
        trip_load_N=trip,
        frame_compliance_mm_per_N=stated("frame_compliance_mm_per_N"),
        load_noise_N=stated("load_noise_N"),
        cell_serial=cell.serial,
        cell_calibrated_on=cell.calibrated_on.isoformat() if cell.calibrated_on else None,
        cell_uncertainty_percent=cell.uncertainty_percent,
        cell_range_N=cell.range_N,
    )


def _check_once(table: FrameTable, frame: Mapping[str, Place], where: str) -> None:
    """The counter counts, and a text can be read in one request."""
    counter = frame.get("device_counter")
    if counter is not None and (counter.kind in ("int16", "int32", "float32") or counter.offset or counter.scale < 0):
        raise InputError(
            f"{where}: key 'registers.device_counter': counts up from 0 and wraps: type uint16 or uint32, "
            "scale = ms of one count, no offset"
        )
    for role in ONCE:
        if role in frame and frame[role].words > table.link.most_registers:
            raise InputError(
                f"{where}: key 'registers.{role}.words' is {frame[role].words}: must be at most link.most_registers "
                f"({table.link.most_registers})"
            )


def _check_ranges(
    facts: FrameFacts, frame: Mapping[str, Place], stations: tuple[Mapping[str, Place], ...], where: str
) -> None:
    """Each register can hold what it must hold."""

    def must_hold(place: Place | None, key: str, *values: float) -> None:
        if place is None:
            return
        low, high = place.plain_range
        for value in values:
            if not low <= value <= high:
                raise InputError(
                    f"{where}: {key}: {place.kind} with scale {place.scale:g} holds {low:g} to {high:g}, "
                    f"but must hold {value:g}"
                )

    must_hold(frame.get("deadman_ms"), "registers.deadman_ms", facts.deadman_ms)
    for station, places in zip(facts.stations, stations, strict=True):
        at = f"station {station.name}"
        must_hold(places["load"], f"{at}: load", 0.0, station.trip_load_N)
        must_hold(places["position"], f"{at}: position", *station.travel_mm)
        must_hold(places["move_target"], f"{at}: move_target", *station.travel_mm)
        must_hold(places.get("move_speed"), f"{at}: move_speed", station.max_speed_mm_per_s)
        must_hold(frame.get("max_load"), "registers.max_load", station.max_load_N)
        must_hold(frame.get("max_speed"), "registers.max_speed", station.max_speed_mm_per_s)
        for role, most in station.stated_limits.items():
            if facts.writable_limits.get(role, 0.0) > COARSEST_LIMIT * most:
                raise InputError(
                    f"{where}: key 'registers.{role}': counts in {facts.writable_limits[role]:g}, too coarse for a "
                    f"limit that a run writes: at most {COARSEST_LIMIT * most:g}, a hundredth of {role} of {at}"
                )
        if places["move_target"].resolution > station.step_mm * (1 + 1e-9):
            raise InputError(
                f"{where}: {at}: move_target counts in {places['move_target'].resolution:g} mm, "
                f"coarser than step_mm = {station.step_mm:g}"
            )
