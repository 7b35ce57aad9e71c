"""A frame behind Modbus: its register map turned into readings, and commands into the fewest writes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from bench.clock import Clock
from bench.errors import FrameFault
from bench.frame import Command, FrameFacts, FrameReading, StationReading, check_command, check_limit
from bench.framefile import FrameFile
from bench.freshness import Freshness
from bench.registers import Block, Place, Table, join_writes, plan_reads, words_to_text
from bench.roles import CABINET_ROLES, FRAME_ROLES, ONCE, STATION_ROLES
from bench.transport import Transport

Words = Sequence[int]
Cell = tuple[int, Table, int]  # device, table, address
NO_NUMBER = 1e15  # nothing on a frame is larger, and the record could not hold its square


@dataclass(frozen=True, slots=True)
class _Slot:
    """Where a quantity's words stand among the answers of one tick."""

    place: Place
    block: int
    start: int
    end: int

    def number(self, blocks: Sequence[Words]) -> float | None:
        """Plain value; None where the device sent a float that is none, or that nothing on a frame can be."""
        value = self.place.number(blocks[self.block][self.start : self.end])
        return value if abs(value) < NO_NUMBER else None

    def flag(self, blocks: Sequence[Words]) -> bool:
        return self.place.flag(blocks[self.block][self.start : self.end])


def _number(slots: Mapping[str, _Slot], role: str, blocks: Sequence[Words]) -> float | None:
    slot = slots.get(role)
    return None if slot is None else slot.number(blocks)


def _flag(slots: Mapping[str, _Slot], role: str, blocks: Sequence[Words], otherwise: bool) -> bool:
    slot = slots.get(role)
    return otherwise if slot is None else slot.flag(blocks)


class ModbusFrame:
    """Implements bench.frame.Frame over a transport."""

    def __init__(self, file: FrameFile, clock: Clock) -> None:
        self._file, self._clock = file, clock
        self.transport = Transport(file.link)
        ticking = [p for r, p in file.frame.items() if FRAME_ROLES[r].read and r not in ONCE]
        if "owner_token" in file.frame and "owner" not in file.frame:
            ticking.append(file.frame["owner_token"])
        ticking += [p for r, p in file.cabinet.items() if CABINET_ROLES[r].read]
        for places in file.stations:
            ticking += [p for r, p in places.items() if STATION_ROLES[r].read]
        self._blocks = self._planned(ticking)
        self._frame = self._slots(file.frame)
        self._cabinet = self._slots(file.cabinet)
        self._stations = tuple(self._slots(places) for places in file.stations)
        if "owner" not in self._frame and "owner_token" in self._frame:
            self._frame["owner"] = self._frame["owner_token"]
        counter = file.frame.get("device_counter")
        self._fresh: Freshness | None = None
        if counter is not None:
            self._ms_per_count = counter.scale
            self._fresh = Freshness(modulus=2 ** (16 * counter.words), count_s=counter.scale / 1000.0)
        self._counts: int | None = None  # of the device's counter, its wraps unrolled
        self._token = 0
        self._fed = 0
        self._command_words: dict[Cell, int] = {}
        self._asked_enable = [False] * len(file.stations)
        self._last_position = [math.nan] * len(file.stations)

    @property
    def facts(self) -> FrameFacts:
        return self._file.facts

    @property
    def requests_per_read(self) -> int:
        """Requests that one tick's reading takes."""
        return len(self._blocks)

    async def __aenter__(self) -> Self:
        await self.transport.__aenter__()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.transport.__aexit__(kind, error, trace)

    def _planned(self, places: Sequence[Place]) -> tuple[Block, ...]:
        link = self._file.link
        return plan_reads(places, max_gap=link.max_gap, most=link.most_registers)

    def _slots(self, places: Mapping[str, Place]) -> dict[str, _Slot]:
        """Where each role's words stand among the blocks that one tick reads; only the roles that are read."""
        slots = {}
        for role, place in places.items():
            for i, block in enumerate(self._blocks):
                if block.holds(place):
                    start = place.address - block.address
                    slots[role] = _Slot(place, i, start, start + place.words)
        return slots

    async def identify(self) -> tuple[str | None, str | None]:
        """What the device calls itself and its serial number; None where the map has no such role."""
        found: list[str | None] = []
        for role in ONCE:
            place = self._file.frame.get(role)
            if place is None:
                found.append(None)
                continue
            (block,) = self._planned([place])
            found.append(words_to_text(await self.transport.read(block)))
        return found[0], found[1]

    async def claim(self, token: int) -> None:
        if not 1 <= token <= 0xFFFF:
            raise ValueError("a token is a whole number from 1 to 65535")
        await self._must_be_the_one()
        reading = await self.read()
        if reading.local:
            raise FrameFault("the frame is held by its local panel: switch it to remote at the panel, then start again")
        if "owner_token" in self._file.frame:
            if reading.owner_token not in (0, token):
                raise FrameFault(
                    f"the frame is held by another controller (token {reading.owner_token}): end it there first; "
                    "two controllers must not command one frame"
                )
            self._token = token
            await self._set("owner_token", token)
            seen = (await self.read()).owner_token
            if seen != token:
                self._token = 0
                raise FrameFault(f"the frame did not take our token: it shows {seen}, we wrote {token}")
        else:
            self._token = token
        await self.write(())

    async def _must_be_the_one(self) -> None:
        """A device that calls another serial number its own is another frame; one that says nothing is believed."""
        place, stated = self._file.frame.get("serial"), self.facts.serial
        if place is None or stated is None:
            return
        serial = (await self.identify())[1]
        held = stated.encode("ascii", "replace").decode()[: 2 * place.words].strip()  # as the register holds it
        if serial and serial != held:
            raise FrameFault(
                f"the device here has serial number {serial}, the frame file is of {stated}: wrong address or file"
            )

    async def release(self) -> None:
        if "owner_token" in self._file.frame:
            await self._set("owner_token", 0)
        self._token = 0

    async def read(self) -> FrameReading:
        blocks = [await self.transport.read(block) for block in self._blocks]
        now_s, at_utc = self._clock.now_s(), self._clock.utc()
        frame = self._frame
        frame_ms = round(1000 * now_s)
        if self._fresh is not None:
            count = round((frame["device_counter"].number(blocks) or 0.0) / self._ms_per_count)
            passed = self._fresh.check(count, now_s)
            self._counts = count if self._counts is None else self._counts + passed
            frame_ms = round(self._counts * self._ms_per_count)
        flag, number = _flag, _number
        stations = []
        for i, slots in enumerate(self._stations):
            load = number(slots, "load", blocks)
            position = number(slots, "position", blocks)
            moving = flag(slots, "moving", blocks, position is not None and position != self._last_position[i])
            self._last_position[i] = math.nan if position is None else position
            code = number(slots, "drive_fault", blocks)
            brake = slots.get("brake")
            stations.append(
                StationReading(
                    load_N=math.nan if load is None else (load - self._file.zero_N[i]) * self._file.span[i],
                    load_fault=load is None or flag(slots, "load_fault", blocks, False),
                    position_mm=math.nan if position is None else position,
                    position_valid=position is not None and flag(slots, "position_valid", blocks, True),
                    moving=moving,
                    enabled=flag(slots, "enabled", blocks, self._asked_enable[i]),
                    drive_fault=0 if code is None else int(code),
                    limit_low=flag(slots, "limit_low", blocks, False),
                    limit_high=flag(slots, "limit_high", blocks, False),
                    brake=None if brake is None else brake.flag(blocks),
                )
            )
        owner = number(frame, "owner", blocks)
        deadman_ms = number(frame, "deadman_ms", blocks)
        cabinet = self._cabinet
        return FrameReading(
            now_s=now_s,
            at_utc=at_utc,
            frame_ms=frame_ms,
            estop_closed=flag(frame, "estop_chain", blocks, False),
            guard_closed=flag(frame, "guard", blocks, True),
            power_ok=flag(frame, "power_ok", blocks, True),
            deadman_ms=self.facts.deadman_ms if "deadman_ms" not in frame else round(deadman_ms or 0.0),
            owner_token=self._token if owner is None else int(owner),
            local=flag(frame, "local_remote", blocks, False),
            air_temperature_C=number(frame, "air_temperature", blocks),
            frame_temperature_C=number(frame, "frame_temperature", blocks),
            cabinet_temperature_C=number(cabinet, "actual", blocks),
            stations=tuple(stations),
            max_load_N=number(frame, "max_load", blocks),
            max_speed_mm_per_s=number(frame, "max_speed", blocks),
            cabinet_door_closed=flag(cabinet, "door", blocks, False) if "door" in cabinet else None,
            cabinet_cutout_ok=flag(cabinet, "cutout", blocks, False) if "cutout" in cabinet else None,
        )

    async def write(self, commands: Sequence[Command]) -> None:
        image: dict[Cell, tuple[int, ...]] = {}
        for c in commands:
            places = self._file.stations[c.station]
            check_command(self.facts, c)
            self._asked_enable[c.station] = c.enable
            self._put(image, places["move_target"], c.target_mm)
            if "move_speed" in places:
                self._put(image, places["move_speed"], c.speed_mm_per_s)
            self._put(image, places["enable"], c.enable)
            if "fault_reset" in places:
                self._put(image, places["fault_reset"], c.fault_reset)
        await self._send(image, feed=True)

    async def set_limit(self, role: str, value: float) -> None:
        check_limit(self.facts, role, value)
        await self._set(role, value)

    async def set_cabinet_C(self, temperature_C: float | None) -> None:
        place = self._file.cabinet.get("setpoint")
        if place is None:
            raise FrameFault("this frame has no cabinet: its file maps none")
        image: dict[Cell, tuple[int, ...]] = {}
        # a heated cabinet asked for 0 degC is off: a setpoint has no other word for it
        self._put(image, place, 0.0 if temperature_C is None else temperature_C)
        await self._send(image, feed=False)

    async def set_lamp(self, lamp: int) -> None:
        if "lamp" in self._file.frame:
            await self._set("lamp", lamp)

    async def _set(self, role: str, value: float) -> None:
        image: dict[Cell, tuple[int, ...]] = {}
        self._put(image, self._file.frame[role], value)
        await self._send(image, feed=False)

    async def _send(self, image: dict[Cell, tuple[int, ...]], *, feed: bool) -> None:
        deadman = self._file.frame["deadman"] if feed else None
        if deadman is not None:
            self._fed = self._fed % 255 + 1
            self._put(image, deadman, self._fed)
        for write in join_writes(image, deadman):
            await self.transport.write(write)

    def _put(self, image: dict[Cell, tuple[int, ...]], place: Place, value: float) -> None:
        """Put a plain value into the image; the other bits of a command word stay as they were last asked."""
        cell = (place.device, place.table, place.address)
        if place.table == "coil":
            image[cell] = (int(bool(value) is not place.inverted),)
        elif place.bit is not None:
            word = self._command_words.get(cell, 0) & ~(1 << place.bit) | int(bool(value)) << place.bit
            self._command_words[cell] = word
            image[cell] = (word,)
        else:
            try:
                image[cell] = place.code(value)
            except ValueError as error:
                raise ValueError(f"register {place.address} of device {place.device}: {error}") from None
