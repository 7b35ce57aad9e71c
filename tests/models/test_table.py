"""Every fault of a run table is found and named in plain words, and said what was done about it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from models.errors import InputError
from models.table import records
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
    "load never reached": (lambda t: t.assign(load_N=t.load_N / 10, elongation_mm=t.elongation_mm / 10), "never rose"),
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


def test_a_clipped_cell_leaves_its_spoke_out_and_keeps_the_other(night: pd.DataFrame) -> None:
    def clip(t: pd.DataFrame) -> None:
        t.loc[first_spoke(t), "load_N"] = t.load_N.clip(upper=1399.0)

    found, findings = records(changed(night, clip))
    assert [r.measured.spoke for r in found] == ["T02"]
    assert any(f.kind == "clipped" and f.spoke == "T01" and f.action == "left out" for f in findings)


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


def test_a_restarted_zero_is_told_from_a_slip(night: pd.DataFrame) -> None:
    before = night[first_spoke(night) & (night.time_s <= 9000.0)].elongation_mm.iloc[-1]
    found, findings = records(changed(night, slip(9000.0, -before)))
    assert [f.kind for f in findings] == ["restarted zero"]
    assert len(found[0].breaks_s) == 1


def test_a_single_spike_is_neither_a_slip_nor_a_fault(night: pd.DataFrame) -> None:
    def spike(t: pd.DataFrame) -> None:
        t.loc[np.flatnonzero(first_spoke(t))[800], "elongation_mm"] += 0.3

    found, findings = records(changed(night, spike))
    assert findings == [] and found[0].breaks_s == ()


def test_zero_temperature_throughout_is_taken_for_a_missing_sensor(night: pd.DataFrame) -> None:
    found, findings = records(night.assign(temperature_C=0.0))
    assert [f.kind for f in findings] == ["temperature"] and "zero throughout" in findings[0].text
    assert (found[0].measured.history.temperature_C == 20.0).all()


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
    assert len(found) == 2 and {f.kind for f in findings} == {"too short"}


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
