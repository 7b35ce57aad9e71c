"""Every fault of a run table is found and named in plain words, and said what was done about it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from bench.invented import invented_batch
from models.errors import InputError
from models.history import LoadHistory
from models.simulate import strain_under_load
from models.table import records
from models.thin import thin
from models.units import KGF_N
from tests.models import otherphysics


@pytest.fixture(scope="module")
def night() -> pd.DataFrame:
    """Two invented spokes: seat, 1000 N, rest, 1400 N."""
    rng = np.random.default_rng(11)
    batch = otherphysics.hidden_batch(rng)
    return otherphysics.night(batch, batch.scales(rng, 2), rng, "levels", row_s=20.0)


def changed(night: pd.DataFrame, change: Callable[[pd.DataFrame], pd.DataFrame | None]) -> pd.DataFrame:
    table = night.copy()
    after = change(table)
    return table if after is None else after


def first_spoke(t: pd.DataFrame) -> pd.Series:
    return t["spoke"] == "T01"


def test_a_good_night_gives_one_record_per_spoke_and_nothing_to_complain_of(night: pd.DataFrame) -> None:
    found, findings = records(night)
    assert [r.measured.spoke for r in found] == ["T01", "T02"]
    assert findings == []
    assert found[0].breaks_s == ()
    assert found[0].measured.gauge_length_mm == otherphysics.GAUGE_MM
    assert found[0].measured.history.time_s[0] == 0.0


@pytest.mark.parametrize("by_mm", [1e9, -400.0])
def test_a_spoke_that_would_be_half_as_long_again_is_refused_with_the_time(night: pd.DataFrame, by_mm: float) -> None:
    """Three rows in a row are no spike; found as a not-a-number of the fit in a spoiled file."""

    def off(t: pd.DataFrame) -> None:
        at = t.index[first_spoke(t)][500:503]
        t.loc[at, "elongation_mm"] += by_mm

    with pytest.raises(
        InputError, match=r"T01: elongation_mm is .* at \d+ s, on 285 mm of spoke: a sensor that came off"
    ):
        records(changed(night, off))


@pytest.mark.parametrize("column", ["time_s", "load_N", "elongation_mm"])
def test_a_missing_column_is_named_with_what_was_found_instead(night: pd.DataFrame, column: str) -> None:
    with pytest.raises(InputError, match=rf"column {column} is missing .*found: "):
        records(night.drop(columns=column))


def test_a_time_that_goes_back_is_refused_with_its_row(night: pd.DataFrame) -> None:
    def swap(t: pd.DataFrame) -> None:
        t.loc[100, "time_s"] = t.loc[99, "time_s"] - 5.0

    with pytest.raises(InputError, match=r"row 100: time_s goes back .*T01"):
        records(changed(night, swap))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_hole_in_a_needed_column_is_refused_with_its_row(night: pd.DataFrame, value: float) -> None:
    def spoil(t: pd.DataFrame) -> None:
        t.loc[37, "load_N"] = value

    with pytest.raises(InputError, match="row 37: load_N is empty or not finite"):
        records(changed(night, spoil))


def test_text_in_a_number_column_is_refused_with_its_row(night: pd.DataFrame) -> None:
    t = night.astype({"elongation_mm": object})
    t.loc[12, "elongation_mm"] = "1,25"
    with pytest.raises(InputError, match=r"row 12: elongation_mm is '1,25'; a number is needed"):
        records(t)


def test_no_gauge_length_anywhere_is_refused_and_the_option_is_named(night: pd.DataFrame) -> None:
    bare = night.drop(columns="gauge_length_mm")
    with pytest.raises(InputError, match="--gauge-length-mm"):
        records(bare)
    found, _ = records(bare, gauge_length_mm=300.0)
    assert found[0].measured.gauge_length_mm == 300.0


UNITS = {
    "load in kgf": (lambda t: t.assign(load_N=t.load_N / KGF_N), "kgf"),
    "load in kN": (lambda t: t.assign(load_N=t.load_N / 1000.0), "kN"),
    "elongation in metres": (lambda t: t.assign(elongation_mm=t.elongation_mm / 1000.0), "metres"),
    "elongation in micrometres": (lambda t: t.assign(elongation_mm=t.elongation_mm * 1000.0), "micrometres"),
    "swapped columns": (
        lambda t: t.assign(load_N=t.elongation_mm, elongation_mm=t.load_N),
        "swapped columns",
    ),
    "sign of the load": (lambda t: t.assign(load_N=-t.load_N), "sign"),
    "sign of the elongation": (lambda t: t.assign(elongation_mm=-t.elongation_mm), "sign"),
    "load in N times 9.81": (lambda t: t.assign(load_N=t.load_N * KGF_N), "more than any spoke bears .* units"),
    "load in mN": (lambda t: t.assign(load_N=t.load_N * 1000.0), "more than any spoke bears .* units"),
    "time in milliseconds": (lambda t: t.assign(time_s=t.time_s * 1000.0), "milliseconds"),
    "time in hours": (lambda t: t.assign(time_s=t.time_s / 3600.0), r"too short .*is time_s in seconds\?"),
    "time beyond reason": (lambda t: t.assign(time_s=t.time_s * 1e300), "ten years is the most"),
    "a column of True": (lambda t: t.assign(load_N=True), "load_N is True; numbers are needed"),
    "load never reached": (lambda t: t.assign(load_N=t.load_N / 10, elongation_mm=t.elongation_mm / 10), "never rose"),
    "low load that may be kgf": (
        lambda t: t.assign(load_N=t.load_N / KGF_N, elongation_mm=t.elongation_mm / 2),
        r"never rose above .*kgf\?",
    ),
    "temperature in kelvin": (lambda t: t.assign(temperature_C=t.temperature_C + 273.15), "temperature_C runs from"),
}


@pytest.mark.parametrize("what", UNITS)
def test_wrong_units_and_swapped_columns_are_refused_in_plain_words(night: pd.DataFrame, what: str) -> None:
    change, said = UNITS[what]
    with pytest.raises(InputError, match=said):
        records(changed(night, change))


def test_two_spokes_with_one_name_on_two_stations_are_refused(night: pd.DataFrame) -> None:
    t = night.assign(station=night.spoke.map({"T01": "A", "T02": "B"}), spoke="T01")
    with pytest.raises(InputError, match="two spokes with one name"):
        records(t)


def test_two_spokes_with_one_name_and_no_station_are_refused_where_their_times_restart(night: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="two spokes with one name"):
        records(night.assign(spoke="T01"))


def test_two_spokes_with_one_name_row_by_row_are_refused_by_what_their_elongation_does(night: pd.DataFrame) -> None:
    mixed = night.assign(spoke="T01").sort_values("time_s", kind="stable")
    with pytest.raises(InputError, match="2 spokes with one name"):
        records(mixed)


def test_one_label_in_two_spellings_is_refused_and_blanks_about_it_do_not_count(night: pd.DataFrame) -> None:
    late = night.time_s > 9000.0
    with pytest.raises(InputError, match="T01 and t01 differ in upper and lower case only"):
        records(night.assign(spoke=np.where(late, night.spoke.str.lower(), night.spoke)))
    found, findings = records(night.assign(spoke=np.where(late, night.spoke + " ", night.spoke)))
    assert len(found) == 2 and findings == []


@pytest.mark.parametrize("at_N", [1399.0, 1200.0, 900.0])
def test_a_clipped_cell_leaves_its_spoke_out_and_keeps_the_other(night: pd.DataFrame, at_N: float) -> None:
    def clip(t: pd.DataFrame) -> None:
        t.loc[first_spoke(t), "load_N"] = t.load_N.clip(upper=at_N)

    found, findings = records(changed(night, clip))
    assert [r.measured.spoke for r in found] == ["T02"]
    assert any(f.kind == "clipped" and f.spoke == "T01" and f.action == "left out" for f in findings)


def test_loads_without_any_noise_are_not_taken_for_clipped_ones() -> None:
    """Made-up tables and controllers that log what they asked for."""
    corners = np.array([0.0, 60.0, 160.0, 15000.0, 15100.0, 22000.0, 22150.0, 40000.0])
    time = np.arange(0.0, 40000.0, 1.0)
    load = np.interp(time, corners, [20.0, 20.0, 1000.0, 1000.0, 15.0, 15.0, 1500.0, 1500.0])
    history = LoadHistory.of(time, load, 20.0)
    y = 285.0 * strain_under_load(invented_batch().chain, history)[0]
    found, findings = records(
        pd.DataFrame({"time_s": time, "load_N": load, "elongation_mm": y, "temperature_C": 20.0}), gauge_length_mm=285.0
    )
    assert len(found) == 1 and findings == []


def slip(at_s: float, size_mm: float) -> Callable[[pd.DataFrame], None]:
    def change(t: pd.DataFrame) -> None:
        t.loc[first_spoke(t) & (t.time_s > at_s), "elongation_mm"] += size_mm

    return change


def test_a_slipped_grip_is_found_at_its_time_and_kept_apart_from_creep(night: pd.DataFrame) -> None:
    found, findings = records(changed(night, slip(9000.0, 0.08)))
    assert [f.kind for f in findings] == ["slip"]
    assert findings[0].spoke == "T01" and "0.08" in findings[0].text
    assert len(found[0].breaks_s) == 1 and abs(found[0].breaks_s[0] - 9000.0) < 25.0
    assert found[1].breaks_s == ()


def test_two_slips_reject_the_spoke(night: pd.DataFrame) -> None:
    twice = changed(changed(night, slip(9000.0, 0.08)), slip(15000.0, 0.06))
    found, findings = records(twice)
    assert [r.measured.spoke for r in found] == ["T02"]
    assert any("reject this spoke" in f.text for f in findings)


@pytest.mark.parametrize("row_s", [20.0, 240.0])
def test_a_slip_that_takes_a_few_minutes_is_found_and_its_rows_stand_apart(night: pd.DataFrame, row_s: float) -> None:
    def creep_away(t: pd.DataFrame) -> None:
        part = np.clip((t.time_s - 9000.0) / row_s, 0.0, 1.0)
        t.loc[first_spoke(t), "elongation_mm"] += 0.12 * part[first_spoke(t)]

    found, findings = records(changed(night, creep_away))
    assert [(f.kind, f.spoke) for f in findings] == [("slip", "T01")]
    a, b = found[0].breaks_s[0], found[0].breaks_s[-1]
    assert 8950.0 < a < 9030.0 and abs(b - 9000.0 - row_s) < 45.0


def test_creep_that_gets_faster_under_one_load_rejects_the_spoke(night: pd.DataFrame) -> None:
    def give_way(t: pd.DataFrame) -> None:
        late = np.maximum(t.time_s - 32000.0, 0.0) / 5000.0
        t.loc[first_spoke(t), "elongation_mm"] += 0.03 * late[first_spoke(t)] ** 2

    found, findings = records(changed(night, give_way))
    assert [r.measured.spoke for r in found] == ["T02"]
    assert [(f.kind, f.action) for f in findings] == [("speeding up", "left out")]
    assert "at 1400 N creep gets faster" in findings[0].text


def late(night: pd.DataFrame) -> pd.Series:
    return first_spoke(night) & (night.time_s > 9000.0)


def test_a_dead_encoder_and_a_dead_cell_leave_their_spoke_out(night: pd.DataFrame) -> None:
    for column, value in (("elongation_mm", 1.234), ("load_N", 1000.37)):
        found, findings = records(night.assign(**{column: night[column].mask(late(night), value)}))
        assert [r.measured.spoke for r in found] == ["T02"]
        dead = findings[0]
        assert (dead.kind, dead.spoke, dead.action) == ("dead sensor", "T01", "left out")
        assert f"{column} stands at exactly {value:g}" in dead.text


def test_a_load_that_changes_alone_is_the_cells_fault(night: pd.DataFrame) -> None:
    found, findings = records(night.assign(load_N=night.load_N.mask(late(night), night.load_N - 60.0)))
    assert [r.measured.spoke for r in found] == ["T02"]
    assert findings[0].kind == "load cell" and "elongation does not follow" in findings[0].text


def test_a_spoke_that_lets_go_is_kept_up_to_there(night: pd.DataFrame) -> None:
    noise = np.random.default_rng(3).normal(1.0, 0.4, len(night))
    gone = night.assign(
        load_N=night.load_N.mask(late(night), noise),
        elongation_mm=night.elongation_mm.mask(late(night), night.elongation_mm + 14.0),
    )
    found, findings = records(gone)
    assert findings[0].kind == "let go" and findings[0].action == "cut" and "14.0" in findings[0].text
    assert [r.measured.spoke for r in found] == ["T01", "T02"]
    assert found[0].measured.history.time_s[-1] < 9000.0


def test_elongation_counted_from_elsewhere_is_brought_back_to_the_seated_spoke(night: pd.DataFrame) -> None:
    plain, _ = records(night)
    found, findings = records(night.assign(elongation_mm=night.elongation_mm + 12.0))
    assert {(f.kind, f.action) for f in findings} == {("zero", "cut")}
    for a, b in zip(plain, found, strict=True):
        assert np.abs(a.measured.elongation_mm - b.measured.elongation_mm).max() < 0.05


def test_a_negative_load_at_rest_is_named(night: pd.DataFrame) -> None:
    found, findings = records(night.assign(load_N=night.load_N - 45.0))
    assert len(found) == 2
    assert {f.kind for f in findings} == {"load zero"} and "a spoke cannot push" in findings[0].text


def test_hours_without_rows_and_a_coarse_clock_are_named(night: pd.DataFrame) -> None:
    _, findings = records(night[(night.time_s < 8000.0) | (night.time_s > 15200.0)])
    assert [f.kind for f in findings] == ["gap"] and "no rows from 2.22 to 4.22 h" in findings[0].text
    assert findings[0].spoke == "T01, T02" and str(findings[0]).startswith("spokes T01, T02: ")
    _, findings = records(night.assign(time_s=np.floor(night.time_s / 60.0) * 60.0))
    assert [f.kind for f in findings] == ["time"] and "counts too coarsely" in findings[0].text


def test_time_in_minutes_is_suspected_from_the_speed_of_the_load(night: pd.DataFrame) -> None:
    _, findings = records(night.assign(time_s=night.time_s / 60.0))
    assert findings[0].kind == "time" and "minutes or hours?" in findings[0].text


@pytest.mark.parametrize(
    ("column", "sd", "word"), [("load_N", 60.0, "load_N scatters"), ("elongation_mm", 0.08, "vague")]
)
def test_a_noisy_sensor_is_named_and_does_not_make_the_thinning_explode(
    night: pd.DataFrame, column: str, sd: float, word: str
) -> None:
    rng = np.random.default_rng(4)
    found, findings = records(night.assign(**{column: night[column] + rng.normal(0.0, sd, len(night))}))
    assert any(f.kind == "noise" and word in f.text for f in findings)
    assert thin(found[0].measured).time_s.size < 600


def test_few_rows_of_one_spoke_leave_it_out(night: pd.DataFrame) -> None:
    few = pd.concat([night[first_spoke(night)].iloc[::200], night[~first_spoke(night)]])
    found, findings = records(few)
    assert [r.measured.spoke for r in found] == ["T02"]
    assert findings[0].kind == "too short" and "only 17 rows" in findings[0].text


def test_the_length_may_stand_in_some_rows_only_and_stations_may_be_empty(night: pd.DataFrame) -> None:
    sparse = night.assign(
        gauge_length_mm=night.gauge_length_mm.where(night.index % 7 == 0),
        station=np.where(night.index % 5 == 0, None, np.where(first_spoke(night), "A", "B")),
    )
    found, findings = records(sparse)
    assert findings == []
    assert [(r.measured.gauge_length_mm, r.measured.station) for r in found] == [(285.0, "A"), (285.0, "B")]
    with pytest.raises(InputError, match=r"gauge_length_mm is empty for spoke T01.*--gauge-length-mm"):
        records(night.assign(gauge_length_mm=np.nan))


def test_a_restarted_zero_is_told_from_a_slip(night: pd.DataFrame) -> None:
    before = night[first_spoke(night) & (night.time_s <= 9000.0)].elongation_mm.iloc[-1]
    found, findings = records(changed(night, slip(9000.0, -before)))
    assert [f.kind for f in findings] == ["restarted zero"]
    assert len(found[0].breaks_s) == 1


@pytest.mark.parametrize(("column", "by"), [("elongation_mm", 0.3), ("elongation_mm", -9999.0), ("load_N", 65535.0)])
def test_a_single_spike_is_left_out_by_name_and_is_no_slip(night: pd.DataFrame, column: str, by: float) -> None:
    def spike(t: pd.DataFrame) -> None:
        t.loc[np.flatnonzero(first_spoke(t))[[800, 1200, 1201]], column] += by

    found, findings = records(changed(night, spike))
    assert [(f.kind, f.spoke, f.action) for f in findings] == [("spikes", "T01", "cut")]
    assert f"{column} stands out from its neighbours in 3 rows" in findings[0].text
    assert found[0].breaks_s == ()
    assert found[0].measured.elongation_mm.size == found[1].measured.elongation_mm.size - 3


def test_zero_temperature_throughout_is_taken_for_a_missing_sensor(night: pd.DataFrame) -> None:
    found, findings = records(night.assign(temperature_C=0.0))
    assert [f.kind for f in findings] == ["temperature"] and "zero throughout" in findings[0].text
    assert (found[0].measured.history.temperature_C == 20.0).all()


DROPOUTS = {
    "zeros among others": (lambda t: t.temperature_C.where(t.index % 50 != 0, 0.0), "exactly 0"),
    "out of range now and then": (lambda t: t.temperature_C.where(t.index % 90 != 0, -127.0), "out of range"),
    "spikes": (lambda t: t.temperature_C.where(t.index % 90 != 0, 85.0), "jumps and comes back"),
    "one spoke has none": (lambda t: t.temperature_C.mask(first_spoke(t), 0.0), "no temperature of its own"),
}


@pytest.mark.parametrize("what", DROPOUTS)
def test_a_temperature_sensor_that_drops_out_is_named_and_filled_in(night: pd.DataFrame, what: str) -> None:
    change, said = DROPOUTS[what]
    found, findings = records(night.assign(temperature_C=change(night)))
    assert {f.kind for f in findings} == {"temperature"}
    assert any(said in f.text and f.action == "cut" for f in findings)
    for r in found:
        assert 18.0 < r.measured.history.temperature_C.min() < r.measured.history.temperature_C.max() + 1e-9 < 23.0


def test_a_hot_test_is_asked_whether_it_is_in_degrees_fahrenheit(night: pd.DataFrame) -> None:
    _, findings = records(night.assign(temperature_C=night.temperature_C * 1.8 + 32.0))
    assert [f.kind for f in findings] == ["temperature"] and "Fahrenheit?" in findings[0].text


def test_no_temperature_is_said_and_the_given_one_is_used_without_a_word(night: pd.DataFrame) -> None:
    bare = night.drop(columns="temperature_C")
    _, findings = records(bare)
    assert [f.kind for f in findings] == ["temperature"]
    found, findings = records(bare, temperature_C=23.0)
    assert findings == [] and (found[0].measured.history.temperature_C == 23.0).all()


def test_a_test_of_a_few_minutes_is_left_out_and_one_of_an_hour_is_kept_with_a_warning(night: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="too short"):
        records(night[night.time_s < 350.0])
    found, findings = records(night[night.time_s < 4000.0])
    assert len(found) == 2 and {f.kind for f in findings} == {"too short", "rest"}


def test_a_rest_shorter_than_the_shops_slack_time_makes_recovery_extrapolated(night: pd.DataFrame) -> None:
    top = night[night.load_N > 900.0].groupby("spoke").time_s
    end_of_hold = float(night[(night.load_N < 500.0) & (night.time_s > 5000.0)].time_s.min())
    assert top.max().min() > end_of_hold
    early = night[night.time_s < end_of_hold + 900.0]
    _, findings = records(early)
    assert {f.kind for f in findings} == {"rest"} and "extrapolated" in findings[0].text


def test_a_spoke_that_reached_less_load_than_the_others_is_named(night: pd.DataFrame) -> None:
    def weaker(t: pd.DataFrame) -> None:
        t.loc[first_spoke(t), "load_N"] *= 0.6
        t.loc[first_spoke(t), "elongation_mm"] *= 0.6

    third = pd.concat([night, night[night.spoke == "T02"].assign(spoke="T03")], ignore_index=True)
    _, findings = records(changed(third, weaker))
    assert [(f.kind, f.spoke) for f in findings] == [("load not reached", "T01")]
