"""The registers of a simulated frame: a plant's values coded as the frame file says, writes turned into commands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bench.cues import Cue
from bench.framefile import FrameFile
from bench.plant import Plant
from bench.registers import BIT_TABLES, Place, Table, text_to_words
from bench.roles import CABINET_ROLES, FRAME_ROLES, STATION_ROLES

IDENTITY = "longhold simulated frame"


class RegisterImage:
    """What a Modbus master sees of a plant."""

    def __init__(self, file: FrameFile, plant: Plant) -> None:
        self._file, self.plant = file, plant
        groups = (file.frame, file.cabinet, *file.stations)
        places = [p for group in groups for p in group.values()]
        self.devices = {p.device for p in places}
        self._first: dict[tuple[int, Table], int] = {}
        self._words: dict[tuple[int, Table], list[int]] = {}
        for p in places:
            area = (p.device, p.table)
            last = self._first.get(area, p.address) + len(self._words.get(area, ())) - 1
            first = min(self._first.get(area, p.address), p.address)
            self._first[area] = first
            self._words[area] = [0] * (max(last, p.address + p.words - 1) - first + 1)
        self._shown = [
            (role, p)
            for group, roles in ((file.frame, FRAME_ROLES), (file.cabinet, CABINET_ROLES))
            for role, p in group.items()
            if roles[role].read and role not in _FIXED
        ]
        self._shown_of = [[(r, p) for r, p in s.items() if STATION_ROLES[r].read] for s in file.stations]
        self._written = self._by_cell()
        self._coded_at = -1
        self._put_fixed()

    def read(self, device: int, table: Table, address: int, count: int) -> list[int] | None:
        """So many words or bits, or None where there is no such address."""
        if (Cue.STALE, None) not in self.plant.cues:
            self._refresh()
        words = self._words.get((device, table))
        start = address - self._first.get((device, table), 0)
        if words is None or start < 0 or start + count > len(words):
            return None
        return words[start : start + count]

    def write(self, device: int, table: Table, address: int, values: Sequence[int]) -> bool:
        """Take words or bits and do what they ask; False where there is no such address."""
        words = self._words.get((device, table))
        start = address - self._first.get((device, table), 0)
        if words is None or table not in ("holding", "coil") or start < 0 or start + len(values) > len(words):
            return False
        words[start : start + len(values)] = values
        touched: dict[tuple[str, int | None], None] = {}
        for cell in range(address, address + len(values)):
            for target in self._written.get((device, table, cell), ()):
                touched[target] = None
        if ("deadman", None) in touched:  # fed first: commands and feed come in one write
            self.plant.feed()
        commanded: dict[int, None] = {}
        for role, station in touched:
            if station is not None:
                commanded[station] = None
            elif role == "owner_token":
                self.plant.take(int(self._value(self._file.frame[role])))
            elif role in self.plant.facts.writable_limits:
                self.plant.set_limit(role, self._value(self._file.frame[role]))
            elif role == "lamp":
                self.plant.lamp = int(self._value(self._file.frame[role]))
            elif role == "setpoint":
                asked = self._value(self._file.cabinet[role])
                self.plant.cabinet_set_C = asked if asked > 0 else None
        for station in commanded:
            self._command(station)
        self._coded_at = -1
        return True

    def _by_cell(self) -> dict[tuple[int, Table, int], list[tuple[str, int | None]]]:
        """(device, table, address) -> the written roles that live there, with their station."""
        cells: dict[tuple[int, Table, int], list[tuple[str, int | None]]] = {}
        limits = self.plant.facts.writable_limits
        named: list[tuple[str, int | None, Place]] = [
            *((r, None, p) for r, p in self._file.frame.items() if FRAME_ROLES[r].written or r in limits),
            *((r, None, p) for r, p in self._file.cabinet.items() if CABINET_ROLES[r].written),
            *(
                (r, i, p)
                for i, station in enumerate(self._file.stations)
                for r, p in station.items()
                if STATION_ROLES[r].written
            ),
        ]
        for role, i, p in named:
            for k in range(p.words):
                cells.setdefault((p.device, p.table, p.address + k), []).append((role, i))
        return cells

    def _command(self, station: int) -> None:
        places = self._file.stations[station]
        if "fault_reset" in places and self._flag(places["fault_reset"]):
            self.plant.reset_fault(station)
        speed = self._value(places["move_speed"]) if "move_speed" in places else 0.0  # the drive's own
        self.plant.command(
            station,
            enable=self._flag(places["enable"]),
            target_mm=self._value(places["move_target"]),
            speed_mm_per_s=speed,
        )

    def _at(self, place: Place) -> list[int]:
        area = (place.device, place.table)
        start = place.address - self._first[area]
        return self._words[area][start : start + place.words]

    def _value(self, place: Place) -> float:
        return place.number(self._at(place))

    def _flag(self, place: Place) -> bool:
        return place.flag(self._at(place))

    def _put(self, place: Place, value: float) -> None:
        area = (place.device, place.table)
        start = place.address - self._first[area]
        words = self._words[area]
        if place.table in BIT_TABLES:
            words[start] = int(bool(value) is not place.inverted)
        elif place.bit is not None:
            mask = 1 << place.bit
            words[start] = words[start] | mask if bool(value) is not place.inverted else words[start] & ~mask
        else:
            low, high = place.plain_range
            words[start : start + place.words] = place.code(min(max(value, low), high))

    def _put_fixed(self) -> None:
        facts = self.plant.facts
        for role, text in (("identity", IDENTITY), ("serial", facts.serial or "INVENTED")):
            place = self._file.frame.get(role)
            if place is not None:
                area = (place.device, place.table)
                start = place.address - self._first[area]
                self._words[area][start : start + place.words] = text_to_words(
                    text.encode("ascii", "replace").decode()[: 2 * place.words], place.words
                )
        if "deadman_ms" in self._file.frame:
            self._put(self._file.frame["deadman_ms"], facts.deadman_ms)

    def _counted_ms(self) -> float:
        """The device's counter as its register holds it: whole counts, wrapped."""
        place = self._file.frame.get("device_counter")
        if place is None:
            return 0.0
        counts: int = int(self.plant.frame_ms / place.scale) % (1 << 16 * place.words)
        return counts * place.scale

    def _refresh(self) -> None:
        p = self.plant
        if self._coded_at == p.samples:
            return
        self._coded_at = p.samples
        values: dict[str, Any] = {
            "estop_chain": p.estop_closed,
            "guard": p.guard_closed,
            "power_ok": p.power_ok,
            "local_remote": p.local,
            "owner": p.owner,
            "max_load": p.limits["max_load"],
            "max_speed": p.limits["max_speed"],
            "device_counter": self._counted_ms(),
            "air_temperature": p.air_C,
            "frame_temperature": p.frame_C,
            "actual": p.cabinet_C,
            "door": (Cue.CABINET_DOOR, None) not in p.cues,
            "cutout": (Cue.CABINET_CUTOUT, None) not in p.cues,
        }
        for role, place in self._shown:
            self._put(place, values[role])
        owner = self._file.frame.get("owner_token")
        if owner is not None:
            self._put(owner, p.owner)
        enabled = p.enabled.tolist()
        of_stations: dict[str, list[Any]] = {
            # the cells are those that the file's calibration corrects
            "load": [
                f / span + zero for f, span, zero in zip(p.load_N, self._file.span, self._file.zero_N, strict=True)
            ],
            "load_fault": p.load_fault,
            "position": p.position_mm,
            "position_valid": p.position_valid,
            "moving": p.moving.tolist(),
            "enabled": enabled,
            "drive_fault": p.drive_fault.tolist(),
            "limit_low": p.limit_low.tolist(),
            "limit_high": p.limit_high.tolist(),
            "brake": [not e for e in enabled],
        }
        for i, shown in enumerate(self._shown_of):
            for role, place in shown:
                self._put(place, of_stations[role][i])


_FIXED = ("identity", "serial", "deadman_ms")
