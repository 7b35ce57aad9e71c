"""FRAME.toml: what is read from it, and what it says when it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.framefile import frame_from_text, read_frame_file
from bench.frametable import SerialLink
from bench.invented import invented_frame_text
from bench.registers import plan_reads
from bench.roles import CABINET_ROLES, FRAME_ROLES, STATION_ROLES, Role
from models.errors import InputError
from tests.bench.frames import frame_file

DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "frame.toml"


def test_the_demonstration_frame_is_what_the_program_makes() -> None:
    assert DEMO.read_text(encoding="utf-8") == invented_frame_text(4)


def test_the_facts_are_those_that_the_file_states() -> None:
    file = read_frame_file(DEMO)
    facts = file.facts
    assert [s.name for s in facts.stations] == ["A", "B", "C", "D"]
    assert (facts.deadman_ms, facts.tick_s, facts.stations_shielded, facts.has_cabinet) == (3500, 0.1, True, False)
    assert facts.absent == ("brake", "cabinet")
    b = facts.stations[1]
    assert (b.max_load_N, b.trip_load_N, b.travel_mm, b.step_mm) == (2000.0, 2200.0, (0.0, 60.0), 0.0005)
    assert (b.cell_serial, b.cell_calibrated_on, b.cell_uncertainty_percent) == ("INV-0002", "2025-03-03", 0.3)
    assert dict(file.costs()).keys() == {"brake", "cabinet"} and all(cost for _, cost in file.costs())


@pytest.mark.parametrize(("stations", "requests"), [(1, 1), (4, 1), (8, 1), (16, 1)])
def test_one_request_reads_the_whole_invented_frame(stations: int, requests: int) -> None:
    file = frame_file(stations)
    ticking = [p for r, p in file.frame.items() if FRAME_ROLES[r].read and r not in ("identity", "serial")]
    ticking += [p for s in file.stations for r, p in s.items() if STATION_ROLES[r].read]
    assert len(plan_reads(ticking)) == requests


def test_stations_are_laid_out_by_stride_and_one_may_stand_elsewhere() -> None:
    file = frame_file(3, {'name = "C"\n': 'name = "C"\nregisters.load = { table = "input", address = 90 }\n'})
    loads = [(s["load"].table, s["load"].address, s["load"].kind) for s in file.stations]
    assert loads == [("input", 10, "int32"), ("input", 16, "int32"), ("input", 90, "uint16")]
    assert [s["enable"].address for s in file.stations] == [3, 7, 11]


def test_stations_on_devices_of_their_own_start_at_the_first_address_again() -> None:
    file = frame_file(2, {'name = "B"\n': 'name = "B"\ndevice = 2\n'})
    assert [(s["load"].device, s["load"].address) for s in file.stations] == [(1, 10), (2, 10)]


def test_a_cabinet_is_mapped_in_a_table_of_its_own() -> None:
    file = frame_file(
        1,
        {
            'absent = ["brake", "cabinet"]': 'absent = ["brake", "cabinet.door"]',
            "[layout]\n": "[cabinet]\nsetpoint = { address = 90, type = 'int16', scale = 0.1 }\n"
            "actual = { address = 91, type = 'int16', scale = 0.1 }\ncutout = { address = 92, bit = 0 }\n[layout]\n",
        },
    )
    assert file.facts.has_cabinet and set(file.cabinet) == {"setpoint", "actual", "cutout"}
    assert dict(file.costs())["cabinet.door"] == CABINET_ROLES["door"].cost


def test_a_serial_line_is_read_with_the_standards_defaults() -> None:
    text = invented_frame_text(1).replace('kind = "tcp"  ', 'kind = "serial"')
    text = text.replace('host = "127.0.0.1"\nport = 5020\n', 'port = "/dev/ttyUSB0"\n')
    link = frame_from_text(text, Path("f")).link
    assert isinstance(link, SerialLink)
    assert (link.port, link.baud, link.parity, link.device) == ("/dev/ttyUSB0", 19200, "even", 1)


OF_LOAD = 'max_load = { table = "input", address = 5 }'
OF_SPEED = 'max_speed = { table = "input", address = 6, scale = 0.001 }'
BAD = [
    ({OF_LOAD: 'max_load = { table = "input", address = 5, writable = true }'}, "'registers.max_load.table' is \"input\""),
    ({OF_LOAD: "max_load = { address = 905, offset = 5, writable = true }"}, "'registers.max_load.writable'.*without an offset"),
    ({OF_LOAD: "max_load = { address = 905, scale = 50, writable = true }"}, "counts in 50, too coarse.*at most 20"),
    ({OF_SPEED: "max_speed = { address = 906, scale = 0.02, writable = true }"}, "counts in 0.02, too coarse.*at most 0.01"),
    ({"power_ok = { table": "power_ok = { writable = true, table"}, "'registers.power_ok.writable'.*max_load and max_speed"),
    ({"\nload = {": "\nload = { writable = true,"}, "'layout.registers.load.writable'.*none of this table"),
    ({"deadman_ms = 3500 ": "deadman = 3500 "}, "unknown key 'deadman'; did you mean 'deadman_ms'"),
    ({"deadman_ms = 3500 ": "deadman_ms = 250 "}, "'deadman_ms' is 250: must be at least three ticks"),
    ({"deadman_ms = 3500 ": 'deadman_ms = "3500" '}, "'deadman_ms'.*plain number in ms"),
    ({"max_load_N = 2000": "max_load_N = 2200"}, "max_load_N is 2200: must be below trip_load_N"),
    ({"max_load_N = 2000": 'max_load_N = "200 kg"'}, "max_load_N.*200 kgf|max_load_N.*not a force"),
    ({"max_load_N = 2000\n": ""}, "station A: key 'max_load_N' is missing here and in"),
    ({"travel_mm = [0.0, 60.0]": "travel_mm = [60.0, 0.0]"}, "'travel_mm' is .*lowest first"),
    ({"travel_mm = [0.0, 60.0]": "travel_mm = [0.0, 300000.0]"}, "position: int32 .* must hold 300000"),
    ({"range_N = 2500": "range_N = 2100"}, "cell.range_N is 2100: a cell must read up to trip_load_N"),
    ({"step_mm = 0.0005": "step_mm = 0.00005"}, "move_target counts in 0.0001 mm, coarser than step_mm"),
    ({"\nload = {": "\nloda = {"}, "unknown key 'layout.registers.loda'; did you mean 'load'"),
    ({"guard = {": "gaurd = {"}, "unknown key 'registers.gaurd'; did you mean 'guard'"),
    ({"moving = {": "#"}, "no register for 'moving'.*put \"moving\" into absent .what that costs"),
    ({'"brake", "cabinet"': '"brake", "cabinet", "deadman"'}, '"deadman" is mapped .* and declared absent'),
    ({'"brake", "cabinet"': '"break", "cabinet"'}, "there is no role \"break\"; did you mean 'brake'"),
    ({'"brake", "cabinet"': '"cabinet"'}, "no register for 'brake'"),
    ({'"brake", "cabinet"': '"brake"'}, "key 'cabinet' is missing: map it, or put"),
    ({"deadman = {": "lamp_two = {"}, "unknown key 'registers.lamp_two'"),
    ({"load = { table = \"input\", address = 10": "load = { table = \"input\", address = 11"}, "same register"),
    ({"stride = { input = 6": "stride = { input = 5"}, "station A: .* and station B: .* use the same register"),
    ({"address = 200, type": "address = 65530, type"}, "registers.identity.*outside 0 to 65535"),
    ({"address = 0, bit = 0": "address = 70000, bit = 0"}, "registers.estop_chain.address.*65535"),
    ({"address = 0, bit = 0": "address = 0, bit = 16"}, "registers.estop_chain.bit"),
    ({"address = 0, bit = 0": "address = 0, bti = 0"}, "unknown key 'registers.estop_chain.bti'; did you mean 'bit'"),
    ({'move_target = { address = 0, type = "int32"': 'move_target = { address = 0, table = "input", type = "int32"'},
     "move_target.table.*holding or coil"),
    ({'device_counter = { table = "input", address = 2, type = "uint32"':
      'device_counter = { table = "input", address = 2, type = "float32"'}, "device_counter.: counts up from 0 and wraps"),
    ({'type = "int32", scale = 0.01': 'type = "int64", scale = 0.01'}, "layout.registers.load.type"),
    ({'type = "int32", scale = 0.01': 'type = "int16", scale = 0.01'}, "load: int16 .* must hold 2200"),
    ({'kind = "tcp" ': 'kind = "usb" '}, "'link'.*'tcp', 'serial'"),
    ({"timeout_s = 0.2": "most_registers = 8"}, "registers.identity.words' is 16: must be at most link.most_registers"),
    ({"lamp = {": "lamp = { scale = 2,"}, "registers.lamp': is a whole code"),
    ({"tick_s = 0.1": "tik_s = 0.1"}, "unknown key 'link.tik_s'; did you mean 'tick_s'"),
    ({"timeout_s = 0.2": "timeout_s = -1"}, "'link.timeout_s' is -1: must be above 0"),
    ({"[every_station]": "[evry_station]"}, "unknown key 'evry_station'; did you mean 'every_station'"),
    ({'host = "127.0.0.1"': 'host = "http://frame:502"'}, "'link.host'.*host name or an address"),
    ({"port = 5020": "port = 70000"}, "'link.port' is 70000"),
    ({'order = "ABCD"': 'order = "ABDC"'}, "'link.order'.*ABCD"),
    ({'name = "B"': 'name = "A"'}, 'two stations are named "A"'),
    ({"calibrated_on = 2025-03-03": 'calibrated_on = "spring"'}, "calibrated_on"),
    ({"[layout]": "[layout"}, "not TOML.*line"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "message"), BAD, ids=[m[:40] for _, m in BAD])
def test_a_wrong_file_gets_one_plain_message_that_names_file_and_key(changes: dict[str, str], message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        frame_file(2, changes)
    text = str(caught.value)
    assert text.startswith("FRAME.toml: ") and "\n" not in text and "pydantic" not in text


def test_the_limits_that_a_run_may_write_come_with_what_their_registers_tell_apart() -> None:
    file = frame_file(
        2,
        {
            OF_LOAD: 'max_load = { address = 905, type = "float32", writable = true }',
            OF_SPEED: 'max_speed = { address = 907, type = "int32", scale = -0.0005, writable = true }',
        },
    )
    assert file.facts.writable_limits == {"max_load": 0.1, "max_speed": 0.0005}
    assert frame_file(1).facts.writable_limits == {}


def test_a_serial_line_of_an_odd_speed_is_refused() -> None:
    text = invented_frame_text(1).replace('kind = "tcp"  ', 'kind = "serial"\nbaud = 12345')
    text = text.replace('host = "127.0.0.1"\nport = 5020\n', 'port = "/dev/ttyUSB0"\n')
    with pytest.raises(InputError, match=r"link.baud.*9600.*115200"):
        frame_from_text(text, Path("f"))


@pytest.mark.parametrize("content", [b"\x00\x01\x02", b"\xff\xfe", b"name = " + b"[" * 5000, b""])
def test_a_file_that_is_none_gets_a_plain_message(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"f\.toml: "):
        read_frame_file(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_frame_file(tmp_path / "none.toml")


def test_a_role_that_came_later_counts_as_absent_in_a_file_that_says_nothing_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    humid = Role(form="number", does="humidity of the air, percent", cost="it is not recorded", later=True)
    monkeypatch.setitem(FRAME_ROLES, "humidity", humid)
    monkeypatch.setitem(STATION_ROLES, "torque", humid)
    file = read_frame_file(DEMO)
    assert file.facts.absent == ("brake", "cabinet", "humidity", "torque")
    assert dict(file.costs())["humidity"] == "it is not recorded"
    text = DEMO.read_text(encoding="utf-8").replace("lamp = {", "humidity = { address = 90 }\nlamp = {")
    mapped = frame_from_text(text, DEMO)
    assert "humidity" in mapped.frame and mapped.facts.absent == ("brake", "cabinet", "torque")
