"""Every example in a command's help does what it shows, in a shop that holds the files it names."""

from __future__ import annotations

import io
import json
import shlex
import shutil
import sys
from itertools import pairwise
from pathlib import Path

import click
import pytest

from tui.cli import cli, run
from tui.commands import watch

SAMPLES = Path(__file__).parents[2] / "datasets" / "formats" / "0.1.0"
COPIES = {  # of the samples, under the names that examples use
    "batch.json": ("K07.json", "archive/K07.json"),
    "gauge.json": ("GAUGE.json",),
    "answer.json": ("answer.json",),
    "gauge-readings.csv": ("readings.csv",),
    "run.h5": ("night.h5", "spare.h5", "archive/K08.h5", "archive/K09.h5"),
    "run.csv": ("night.csv",),
    "program.toml": ("night.toml",),
    "history.csv": ("month.csv",),
    "frame.toml": ("frame.toml", "datasets/demo/frame.toml"),
}
# what cannot be done here: no frame, no terminal, no run that goes on, a sample that is no night of spare spokes
REFUSED = {
    "longhold attend": (2, "no folder"),
    "longhold ask night.h5 status": (2, "no run of this name is going on"),
    'longhold ask night.h5 "ease off"': (2, "a person must sit at this terminal"),
    "longhold watch": (2, "needs a terminal"),
    "longhold run ": (3, "127.0.0.1"),
    "longhold frame check": (3, "127.0.0.1"),
    "longhold resume": (3, "127.0.0.1"),
    "longhold guide batch": (3, "127.0.0.1"),
    "longhold guide frame": (3, "127.0.0.1"),
    "longhold gauge calibrate --frame frame.toml --station": (3, "127.0.0.1"),
    "longhold program proof": (2, "no chord hold"),
}
ELSEWHERE = ("longhold demo", "longhold frame simulate")  # the tutorial runs them, and the gate the tutorial


def examples() -> list[str]:
    found = []
    todo: list[tuple[click.Command, click.Context]] = [(cli, click.Context(cli))]
    while todo:
        command, context = todo.pop()
        lines = (command.help or "").replace("\\\n", " ").splitlines()
        found += [" ".join(line.split()) for line in lines if line.strip().startswith("longhold ")]
        if isinstance(command, click.Group):
            below = [command.get_command(context, name) for name in command.list_commands(context)]
            todo += [(one, click.Context(one)) for one in below if one is not None]
    return sorted({e for e in found if not e.startswith(ELSEWHERE)})


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with every file that an example reads."""
    folder = tmp_path_factory.mktemp("shop")
    for sample, names in COPIES.items():
        for name in names:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(SAMPLES / sample, folder / name)
            if sample == "frame.toml":
                text = (folder / name).read_text(encoding="utf-8")
                (folder / name).write_text(text.replace("port = 5020", "port = 1"), encoding="utf-8")  # nobody listens
    batch = json.loads((folder / "K07.json").read_text(encoding="utf-8"))
    for night in ("night1", "night2"):  # of half a wheel's spokes each
        own = [dict(batch["spokes"][i % 4], spoke=f"{night}-{i}") for i in range(14)]
        (folder / f"{night}.json").write_text(json.dumps(batch | {"spokes": own}), encoding="utf-8")
    easy = (SAMPLES / "build.toml").read_text(encoding="utf-8")
    for hard, mild in (("tolerance_percent = 9 ", "tolerance_percent = 40 "), ("horizon_h = 336", "horizon_h = 72"),
                       ("balance_percent = 8 ", "balance_percent = 40 ")):  # fmt: skip
        assert hard in easy
        easy = easy.replace(hard, mild)
    for name in ("front.toml", "spring/front.toml"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(easy, encoding="utf-8")
    plan = json.loads((SAMPLES / "schedule.json").read_text(encoding="utf-8"))
    stretch = {"kind": "prestretch", "load_N": 1500.0, "hours": 12.0, "temperature_C": 21.0}
    plan["steps"] = [stretch, {"kind": "rest", "hours": 0.5, "temperature_C": 21.0}, *plan["steps"]]
    (folder / "front").mkdir()
    (folder / "front" / "schedule.json").write_text(json.dumps(plan), encoding="utf-8")
    head, *rows = (SAMPLES / "readings.csv").read_text(encoding="utf-8").splitlines()
    for name, when in (("morning.csv", "before"), ("again.csv", "before"), ("after.csv", "after")):
        lines = [f"{head},when", *(f"{row},{when}" for row in rows)]
        (folder / name).write_text("\n".join(lines), encoding="utf-8")
    new = ["wheel", "new", str(folder / "front.toml"), "--batch", str(folder / "K07.json")]
    new += ["--plan", str(folder / "front" / "schedule.json"), "--now", "2025-03-01T08:00Z"]
    for name in ("front.json", "rear.json"):
        assert run([*new, "--out", str(folder / name)]) == 0
    return folder


@pytest.mark.parametrize("example", examples())
def test_an_example_does_what_it_shows(
    example: str, shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    here = tmp_path / "shop"
    shutil.copytree(shop, here)
    monkeypatch.chdir(here)
    # a pattern becomes names, as in a shell
    argv = [
        w for word in shlex.split(example)[1:] for w in (sorted(map(str, Path().glob(word))) if "*" in word else [word])
    ]
    typed = ("25\n" if "--gauge" in argv else "1000\n") if argv[:2] == ["guide", "readings"] else ""
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    for option, value in pairwise(argv):
        made = here / value
        if option == "--out" and made.is_dir():
            shutil.rmtree(made)
        elif option == "--out":
            made.unlink(missing_ok=True)
    if argv[:2] == ["guide", "batch"]:  # the program that it writes
        (here / "night.toml").unlink()
    if argv[0] == "resume":  # a run that was cut off
        (here / "night.h5").unlink()
        shutil.copyfile(SAMPLES / "cut-off.h5.journal", here / "night.h5.journal")
    if argv[:2] == ["report", "K07.json"]:  # of the batch that was learned from that very run
        assert run(["fit", "night.h5", "--name", "K07", "--out", "K07.json", "--force"]) == 0
    if "--browser" in argv:
        served: list[str] = []
        monkeypatch.setattr("tui.browser.serve", lambda runs, *, host, **_: served.append(host))
        assert run(argv) == 0 and served == ["127.0.0.1"]
        return
    if argv[0] == "plan":
        argv += ["--draws", "100"]
    refused = [answer for begins, answer in REFUSED.items() if example.startswith(begins)]
    status = run(argv)
    said = capsys.readouterr()
    if refused:
        assert (status, refused[0][1] in said.err) == (refused[0][0], True), said.err
    else:
        assert status == 0, said.err
        for option, value in pairwise(argv):
            if option in ("--out", "--pdf", "--calendar"):
                assert (here / value).exists()


def test_there_is_an_example_of_every_command() -> None:
    assert watch.watch.help and len(examples()) > 40
