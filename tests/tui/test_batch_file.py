"""A batch file that is none is refused by its name, whichever command reads it."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import pytest

from tui.cli import run

SAMPLES = Path(__file__).parents[2] / "datasets" / "formats" / "0.1.0"


@pytest.mark.parametrize(
    "command",
    [
        "forecast bad.json --history history.csv",
        "plan build.toml --batch bad.json --json",
        "length build.toml --batch bad.json",
        "match bad.json --out out.csv",
        "wheel new build.toml --batch bad.json --out out.json",
        "retension build.toml --readings readings.csv --batch bad.json",
        "guide plan build.toml --batch bad.json --plain",
        "report bad.json --out out.html",
        "fit run.csv --name S1 --like bad.json --out out.json",
        "frame simulate frame.toml --port 0 --batch bad.json",
        "program rehearse program.toml --frame frame.toml --batch bad.json",
    ],
)
def test_a_batch_that_says_nonsense_is_refused_by_the_name_of_its_file(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for sample in SAMPLES.iterdir():
        if sample.is_file():
            shutil.copyfile(sample, tmp_path / sample.name)
    content = json.loads((tmp_path / "batch.json").read_text())
    content["chain"]["elastic"] = -1
    (tmp_path / "bad.json").write_text(json.dumps(content))
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    assert run(shlex.split(command)) == 2
    said = capsys.readouterr()
    assert said.err.startswith("longhold: bad.json: key 'chain': ") and not said.out
    assert sorted(tmp_path.iterdir()) == before
