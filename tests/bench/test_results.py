"""What a run file says beyond its rows: break loads, holds and clocks, and a night of spare spokes against its plan."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.clock import VirtualClock
from bench.invented import invented_batch
from bench.plantframe import PlantFrame, make_plant
from bench.program import program_from_text
from bench.recorder import Recorder, finish
from bench.results import break_loads, chord_nights, station_results
from bench.runfile import read_run
from bench.runner import prepare, run_program
from bench.sparenight import spare_night
from bench.start import run_header
from bench.steps import lines_of
from models.batch import Batch
from models.errors import CannotAnswer, InputError
from planner.record import kept_of
from tests.bench.fake_frame import make_program, program_text, steps_text
from tests.bench.frames import frame_file
from tests.bench.runs import recorded, two_spokes
from tests.bench.test_pull import PULL, Brittle
from tui import cli

FOLLOWUP = 0.345
SPARE = program_text(
    steps_text(
        "seat seconds=2",
        "hold load_N=1500 rate_N_per_s=20 hours=0.3",
        "rest hours=0.2",
        "hold load_N=100 hours=0.1",
        "hold load_N=1030 rate_N_per_s=20 hours=0.25",
        f"chord followup={FOLLOWUP} hours=1.5",
        "unload",
    ),
    2,
    "[tick]\nhold_s = 1.1",
).replace("EA_N = 430000", "EA_N = 433000")


async def on_the_twin(text: str, out: Path, *, seed: int = 3) -> None:
    """Record a program on simulated spokes of the invented batch."""
    still = {"[every_station]": "[simulation]\nair_swing_C = 0.0\n[every_station]"}
    file, program = frame_file(2, still), program_from_text(text, "spare.toml")
    row = [line.spokes for line in lines_of(program, file.facts)]
    plant = make_plant(file, seed=seed, batch=invented_batch(), in_series=row)

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock = VirtualClock(1.8e9, advance)
    frame = PlantFrame(plant, clock)
    prepared = await prepare(frame, program, 7)
    header = run_header(
        program, file.facts, frame_text=file.text, frame_where="frame.toml", token=7, start_utc=prepared.reading.at_utc
    )
    with Recorder.create(out, header, live=False) as recorder:
        outcome = await run_program(frame, clock, program, recorder, prepared)
    assert outcome.finished, outcome.message


async def test_the_tension_of_a_spare_night_is_what_the_batch_promised_and_another_batch_is_refused(
    tmp_path: Path,
) -> None:
    out = tmp_path / "spare.h5"
    await on_the_twin(SPARE, out)
    run = read_run(out)
    nights = chord_nights(run)
    assert [n.station for n in nights] == ["A", "B"] and {n.followup for n in nights} == {FOLLOWUP}
    for night in nights:
        assert night.time_h[-1] == pytest.approx(1.5, rel=0.08) and len(night.time_h) > 20
        assert night.tension_N[0] == pytest.approx(1030.0, abs=3.0) and night.tension_N[-1] < 1015.0
    proof = spare_night(run, invented_batch(), draws=150)
    assert proof.within
    d = proof.as_dict()
    assert d["spokes"] == ["T-1", "T-2"] and d["within"] and len(d["time_h"]) == len(d["tension_N"])
    assert d["expected_N"]["p05"][-1] < d["tension_N"][-1] < d["expected_N"]["p95"][-1]
    # a batch that creeps four times as much is not this one
    chain = invented_batch().chain
    other = replace(
        invented_batch(),
        chain=replace(
            chain,
            recoverable_compliance_per_N=4.0 * chain.recoverable_compliance_per_N,
            bedding_compliance_per_N=4.0 * chain.bedding_compliance_per_N,
        ),
    )
    assert not spare_night(run, other, draws=150).within


async def test_a_plan_takes_its_proof_and_is_refused_once_it_speaks_against_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    await on_the_twin(SPARE, Path("spare.h5"))
    finish(Path("spare.h5"), keep_journal=False)
    batch = invented_batch()
    weak = replace(
        batch, chain=replace(batch.chain, bedding_compliance_per_N=5.0 * batch.chain.bedding_compliance_per_N)
    )
    plan = {
        "batch": batch.batch,
        "steps": [
            {"kind": "prestretch", "load_N": 1500, "hours": 0.3, "temperature_C": 20},
            {"kind": "rest", "hours": 0.2, "load_N": 0, "temperature_C": 20},
            {"kind": "laced", "hours": 0.1, "tension_N": 100, "temperature_C": 20},
            {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1030, "right": 1030}},
            {"kind": "deliver", "at_h": 48.0},
        ],
        "proof": None,
    }

    def prove(schedule: dict[str, Any], by: Batch, *more: str) -> int:
        Path("schedule.json").write_text(json.dumps(schedule), encoding="utf-8")
        Path("batch.json").write_text(
            json.dumps({k: v for k, v in by.as_dict().items() if k != "uncertainty"}), encoding="utf-8"
        )
        asked = ["program", "proof", "spare.h5", "--schedule", "schedule.json", "--batch-file", "batch.json", *more]
        return cli.run(asked)

    assert prove(plan, batch, "--json") == 0
    assert json.loads(capsys.readouterr().out)["within"]
    held = json.loads(Path("schedule.json").read_text(encoding="utf-8"))
    assert held["proof"]["within"] and held["steps"] == plan["steps"]
    stretch = ["program", "prestretch", "--schedule", "schedule.json", "--stations", "2", "--out", "p.toml", "--force"]
    assert cli.run(stretch) == 0
    assert prove(held, batch) == 2, "a proof is not replaced unasked"
    # another plan's night, another batch's
    other = {
        **plan,
        "steps": [*plan["steps"][:3], {"kind": "set", "at_h": 0.0, "tension_N": {"left": 800, "right": 800}}],
    }
    assert prove(other, batch) == 2 and "not its night" in capsys.readouterr().err
    assert prove({**plan, "batch": "K99"}, batch) == 2 and "K99" in capsys.readouterr().err
    # beyond the band: told with exit status 1, kept, and the plan is refused from then on
    assert prove(plan, weak) == 1
    assert json.loads(Path("schedule.json").read_text(encoding="utf-8"))["proof"]["within"] is False
    capsys.readouterr()
    assert cli.run(stretch) == 1 and "this plan is refused" in capsys.readouterr().err
    with pytest.raises(CannotAnswer, match="left the band"):
        kept_of(json.loads(Path("schedule.json").read_text(encoding="utf-8")))


async def test_a_run_without_a_chord_proves_nothing(tmp_path: Path) -> None:
    out = tmp_path / "r.h5"
    await recorded(out, make_program("seat seconds=2", "hold load_N=300 hours=0.01", "unload", stations=2))
    with pytest.raises(InputError, match="no chord hold"):
        spare_night(read_run(out), invented_batch())


async def test_break_loads_are_read_back_from_the_file(tmp_path: Path) -> None:
    out = tmp_path / "pull.h5"
    await recorded(out, PULL, Brittle(1400.0))
    (one,) = break_loads(read_run(out))
    assert one.broke and one.spoke == "T-1" and one.load_N == pytest.approx(1400.0, abs=4.0)
    assert one.elongation_mm is not None and one.rate_N_per_s == 20.0


async def test_the_end_of_each_station_is_read_back_from_the_file(tmp_path: Path) -> None:
    out = tmp_path / "r.h5"
    program = make_program(
        "seat seconds=2", "hold load_N=600 hours=0.02", "hold load_N=300 hours=0.01", "unload", stations=2
    )
    outcome, _ = await recorded(out, program, two_spokes())
    for result, station in zip(station_results(read_run(out)), outcome.stations, strict=True):
        assert result.holds == ("2 hold 600 N done", "3 hold 300 N done")
        assert result.zero_drift_N == station.drift_N and abs(result.zero_drift_N or 9.0) < 0.5
        assert result.slack_since_utc is not None
    assert np.isfinite([r.slack_since_utc for r in station_results(read_run(out))]).all()
