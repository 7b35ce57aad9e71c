"""The proposed batch test: told what it will tell, sharper than a plain hold, run on the simulated frame and fitted."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bench.invented import invented_batch
from bench.program import program_from_text
from bench.steps import StepKind
from models import design, nights
from models.design import PlannedWheel, Proposal, propose, tension_in
from models.errors import InputError
from models.fit import fit
from models.history import LoadHistory, Measured
from models.learn import fit_batch
from models.nights import Night, Segment, plain_hold
from models.simulate import strain_under_load
from models.table import records
from models.thin import thin
from tests.models import onframe
from tui.cli import run

SERVICE_N, HIGH_N = 981.0, 1471.5


def proposal(hours: float, **more: object) -> Proposal:
    return propose(hours=hours, stations=4, service_N=SERVICE_N, high_N=HIGH_N, **more)  # type: ignore[arg-type]


def test_the_proposed_night_is_sharper_than_a_plain_hold_of_the_same_length() -> None:
    """Figures of the linearised posterior; tests/blind/design.py has those of simulated batches."""
    found = proposal(11.85)
    assert found.best.night.hours == pytest.approx(found.plain.night.hours, abs=0.01)
    assert found.best.band_N < 0.75 * found.plain.band_N
    assert found.best.horizon_band_N < 0.85 * found.plain.horizon_band_N
    assert (found.best.sd_N < found.plain.sd_N).all()
    assert (np.diff(found.best.sd_N) > 0).all(), "less is known of later"


def test_a_warm_step_tells_more_and_a_longer_night_and_more_spokes_too() -> None:
    cold, warm = proposal(11.85).best, proposal(11.85, warm_C=50.0).best
    assert warm.horizon_band_N < 0.6 * cold.horizon_band_N
    assert any(s.temperature_C == 50.0 for s in warm.night.segments)
    assert proposal(24.0).best.band_N < cold.band_N
    few = propose(hours=11.85, stations=1, service_N=SERVICE_N, high_N=HIGH_N).best
    assert few.band_N > cold.band_N


def test_what_the_night_will_not_tell_is_what_a_fit_of_it_would_say() -> None:
    found = proposal(11.85)
    assert "creep that comes back from bedding-in that stays" in [q.what for q in found.plain.cannot_tell]
    assert "creep that comes back from bedding-in that stays" not in [q.what for q in found.best.cannot_tell]
    words = design.in_words(found, PlannedWheel())
    assert any(w.startswith("It will tell creep that comes back") for w in words)
    assert any(w.startswith("It will not tell what warmth does") for w in words)


def test_every_night_of_the_family_has_both_loads_a_recovery_and_the_asked_length() -> None:
    for hours in (0.85, 4.0, 11.85):
        found = list(nights.family(hours, SERVICE_N, HIGH_N))
        assert len(found) >= 8
        for night in found:
            assert night.hours == pytest.approx(hours, abs=0.01)
            assert {SERVICE_N, HIGH_N} <= {s.load_N for s in night.segments}
            rests = [s.hours for s in night.segments if s.recovery]
            assert max(rests) >= min(0.5, 0.12 * hours) - 1e-3


def test_the_expected_record_has_the_loads_and_temperatures_that_were_asked_for() -> None:
    night = Night(
        name="",
        segments=(
            Segment(load_N=1000.0, hours=2.0),
            Segment(load_N=1000.0, hours=3.0, temperature_C=50.0),
            Segment(load_N=15.0, hours=1.0, touched=True),
        ),
    )
    s = nights.record_of(night)
    assert (np.diff(s.time_s) > 0).all() and s.time_s[-1] / 3600.0 == pytest.approx(6.05, abs=0.2)
    held = s.load_N == 1000.0
    assert s.temperature_C[held].max() == pytest.approx(50.0, abs=0.1)
    assert s.temperature_C[held & (s.time_s < 7000)].max() == pytest.approx(21.0)
    assert 5 <= (s.load_N == 15.0).sum() <= 12, "touches, a few in a decade"


def test_the_expected_errors_are_those_that_a_fit_of_such_records_ends_with() -> None:
    """A simulated record of the expected spoke, noise and all: the fit's own errors beside those expected before."""
    night = Night(
        name="",
        segments=(
            Segment(load_N=SERVICE_N, hours=3.0),
            Segment(load_N=15.0, hours=1.0),
            Segment(load_N=HIGH_N, hours=3.0),
            Segment(load_N=15.0, hours=1.0),
        ),
    )
    bench = design._Bench(PlannedWheel(), 2, 400e3, 285.0, None, HIGH_N)
    expected = bench.expect(night).sd_N
    s = nights.record_of(night)
    time = np.arange(0.0, s.time_s[-1], 5.0)
    history = LoadHistory.of(time, np.interp(time, s.time_s, s.load_N), 21.0)
    chain = bench.fitted(bench.p.covariance).chain()
    strain = strain_under_load(chain, history)[0]
    rng = np.random.default_rng(5)
    some = [
        Measured(
            spoke=f"{i}",
            history=history,
            elongation_mm=285.0 * strain + 1e-3 * rng.standard_normal(time.size),
            gauge_length_mm=285.0,
        )
        for i in range(2)
    ]
    fitted, _ = fit([thin(m) for m in some])
    assert fitted.covariance is not None
    really = np.sqrt(np.einsum("ti,ij,tj->t", bench.slope, fitted.covariance, bench.slope))
    assert really == pytest.approx(expected, rel=0.25), "tension of the planned wheel, N"


def test_more_is_known_of_the_wheel_after_the_night_than_before() -> None:
    bench = design._Bench(PlannedWheel(), 4, 400e3, 285.0, None, HIGH_N)
    before = np.sqrt(np.einsum("ti,ij,tj->t", bench.slope, bench.p.covariance, bench.slope))
    assert (bench.expect(plain_hold(11.85, SERVICE_N)).sd_N < before).all()


def test_a_wheel_that_was_stretched_loses_less_and_both_keep_falling() -> None:
    chain = invented_batch().chain
    time_h = np.array([48.0, 200.0, 720.0])
    treated = tension_in(PlannedWheel(), chain, time_h)
    untreated = tension_in(PlannedWheel(stretch_N=None), chain, time_h)
    assert (treated > untreated).all() and (np.diff(untreated) < 0).all()


@pytest.mark.parametrize(
    ("hours", "more", "words"), [(0.0, {}, "above 0"), (3.0, {"warm_C": 50.0}, "too short for a warm")]
)
def test_a_night_that_cannot_be_is_refused(hours: float, more: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        proposal(hours, **more)


# the command ---------------------------------------------------------------------------------------------------------


def made(folder: Path, *more: str) -> str:
    out = folder / "new.toml"
    assert run(["program", "new-batch", "--batch", "K07", "--out", str(out), *more]) == 0
    return out.read_text()


def test_the_command_says_what_the_night_tells_and_writes_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "n.toml"
    assert run(["program", "new-batch", "--hours", "12", "--stations", "4", "--out", str(out), "--json"]) == 0
    said = capsys.readouterr()
    d = json.loads(said.out)["expected"]
    assert d["half_band_N"] < 0.75 * d["plain_hold_half_band_N"]
    assert "% narrower" in said.err and "It will not tell" in said.err
    program = program_from_text(out.read_text(), "n.toml")
    assert 11.7 < program.longest_s / 3600.0 <= 12.0
    assert {StepKind.HOLD, StepKind.RECOVER} < {s.kind for s in program.steps}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--hours", "5", "--warm", "50"], "too short for a warm step"),
        (["--hours", "12", "--warm", "90"], "--warm"),
        (["--hours", "12", "--build", "nowhere.toml"], "nowhere.toml"),
        (["--hours", "500"], "at most 200 h"),
    ],
)
def test_a_wrong_wish_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    out = tmp_path / "n.toml"
    assert run(["program", "new-batch", "--stations", "2", "--out", str(out), *arguments]) == 2
    said = capsys.readouterr().err
    assert words in said and said.count("\n") == 1 and not out.exists()


# on the frame --------------------------------------------------------------------------------------------------------

KINDS = {
    "recoveries at the tare": (["--hours", "3", "--stations", "2"], 2, False),
    "recoveries slack, by touches": (["--hours", "3", "--stations", "2", "--touches"], 2, False),
    "a warm step": (["--hours", "8.5", "--stations", "1", "--warm", "50"], 1, True),
    "two spokes in a row on a station": (["--hours", "2", "--stations", "1", "--in-series", "2"], 1, False),
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_new_batch_program_runs_on_the_frame_and_is_fitted(kind: str, tmp_path: Path) -> None:
    arguments, stations, cabinet = KINDS[kind]
    table, spokes = onframe.night(made(tmp_path, *arguments), onframe.frame(stations, cabinet))
    found, findings = records(table)
    assert len(found) == stations
    assert not {f.kind for f in findings} - {"too short", "rest"}, [str(f) for f in findings]
    if cabinet:
        assert table.temperature_C.max() > 49.0 and table.temperature_C.iloc[-1] < 30.0
    batch = fit_batch(found, "K07", findings=findings)
    assert batch.extra["verdicts"]["converged"]
    # what these very spokes would give comes back from a short test of one or two, the frame's own errors of 2 % in it
    history = LoadHistory.of([0.0, 60.0, 3600.0, 10800.0], [0.0, SERVICE_N, SERVICE_N, SERVICE_N], 23.0)
    true = strain_under_load(spokes, history)[0].mean(axis=-1)
    mine = strain_under_load(batch.chain, history)[0]
    assert mine[1:] == pytest.approx(true[1:], rel=0.06)
