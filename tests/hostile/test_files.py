"""A few hundred spoiled files for each reader; the long run is `python -m tests.hostile.fuzz`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.drive import drive, problems
from tests.hostile.fuzz import Fuzz
from tests.hostile.readers import READERS, SAMPLES
from tui.cli import run

INPUTS = {"schedule": 60, "answer": 60, "wheel": 100, "readings": 80, "build": 120, "run-h5": 150}  # the slower ones


@pytest.fixture(autouse=True)
def no_socket_of_the_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.mark.parametrize("name", READERS)
def test_the_good_sample_is_read(name: str, tmp_path: Path) -> None:
    """Else spoiled ones would prove nothing. (The frame is not there: status 3 then, and never 2.)"""
    fuzz = Fuzz(name, 0, tmp_path / "work", guided=False)
    for command in {*fuzz.reader.commands, *fuzz.reader.rare}:
        outcome, argv = fuzz.run(fuzz.good, command, False)
        if command.startswith("match "):  # a batch of two spokes makes no wheel
            continue
        assert problems(outcome, argv) == [], command
        assert outcome.status in (0, 1, 3), f"{command}: {outcome.stderr}"


@pytest.mark.parametrize("name", READERS)
def test_a_spoiled_file_gets_a_plain_answer(name: str, tmp_path: Path) -> None:
    fuzz = Fuzz(name, 5, tmp_path / "work", guided=False)
    count = INPUTS.get(name, 200)
    for number in range(count):
        fuzz.one(number)
    assert not fuzz.found, fuzz.report(0.0)
    assert fuzz.statuses[2] > count / 10, "hardly anything was refused: the samples are not spoiled"


trees = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize(
    ("file", "command"),
    [
        ("batch.json", "forecast batch.json --history history.csv --draws 100 --json"),
        ("gauge.json", "gauge read gauge.json --json"),
        ("wheel.json", "wheel next wheel.json --quick --json"),
    ],
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(data=st.data())
def test_one_key_of_any_value_gets_a_plain_answer(file: str, command: str, tmp_path: Path, data: st.DataObject) -> None:
    """Property: whatever stands at one of the top keys of a JSON file, the answer is plain and the status known."""
    (tmp_path / "history.csv").write_bytes((SAMPLES / "history.csv").read_bytes())
    tree = json.loads((SAMPLES / file).read_bytes())
    tree[data.draw(st.sampled_from(sorted(tree)))] = data.draw(trees)
    (tmp_path / file).write_text(json.dumps(tree), encoding="utf-8")
    argv = command.split()
    outcome = drive(argv, tmp_path, 30.0)
    assert problems(outcome, argv) == [], outcome.stderr


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)
@given(content=st.binary(max_size=300))
@pytest.mark.parametrize("file", ["build.toml", "readings.csv", "run.csv", "batch.json", "run.h5"])
def test_any_bytes_at_all_are_refused_in_one_line(
    file: str, content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / file
    path.write_bytes(content)
    argv = {
        "build.toml": ["retension", str(path), "--readings", str(SAMPLES / "readings.csv")],
        "readings.csv": ["retension", str(SAMPLES / "build.toml"), "--readings", str(path)],
        "run.csv": ["fit", str(path), "--name", "x", "--out", str(tmp_path / "out.json")],
        "batch.json": ["forecast", str(path), "--history", str(SAMPLES / "history.csv")],
        "run.h5": ["export", str(path), "--out", str(tmp_path / "out.csv")],
    }[file]
    status = run(argv)
    said = capsys.readouterr().err
    assert status == (0 if file == "build.toml" and status == 0 else 2), said  # an empty build is a build of defaults
    assert status == 0 or (said.startswith("longhold: ") and said.count("\n") == 1)
    assert not (tmp_path / "out.json").exists() and not (tmp_path / "out.csv").exists()


def test_a_file_that_is_no_json_number_or_too_deep_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "gauge.json"
    for text, word in [
        ('{"range_N": NaN}', "NaN"),
        ('{"range_N": ' + "[" * 200 + "]" * 200 + "}", "too deeply"),
        ('{"coefficients": [1' + "0" * 5000 + ', 1], "range_N": [1, 2], "U_percent": 1}', "larger than any"),
    ]:
        path.write_text(text, encoding="utf-8")
        assert run(["gauge", "read", str(path)]) == 2
        assert word in capsys.readouterr().err
