"""Gauge curves: calibration from invented readings, reading to tension and back, what is refused."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.calibrate import Readings, calibrate, class_of, levels_of, resolution_of
from models.errors import CannotAnswer, InputError
from models.gauge import Gauge

LOADS = np.array([300.0, 500.0, 700.0, 900.0, 1100.0, 1300.0, 1500.0])
PATH_MM, FRAME_N_PER_MM = 0.03, 1500.0


def dial(load_N, curvature=-2.6e-6):
    """An invented gauge: reading under a load."""
    return 8.0 + 0.021 * load_N + curvature * load_N**2


def invented(rng=None, *, sd=0.0, hysteresis=0.0, series=3, loads=LOADS, down=True, curve=dial, step=None) -> Readings:
    rows = []
    for s in range(series):
        for rising in (True, False) if down else (True,):
            for load in loads if rising else loads[::-1]:
                under = load + PATH_MM * FRAME_N_PER_MM
                noise = 0.0 if rng is None else rng.normal(0.0, sd)
                reading = curve(under) + (0.0 if rising else hysteresis) + noise
                if step:
                    reading = round(reading / step) * step
                rows.append((load, under, reading, rising, str(s + 1)))
    before, under, reading, rising, series_of = zip(*rows, strict=True)
    return Readings(
        load_N=np.array(under),
        reading=np.array(reading),
        load_before_N=np.array(before),
        rising=np.array(rising),
        series=np.array(series_of),
        line=np.arange(2, len(rows) + 2),
    )


def made(readings=None, **kw):
    return calibrate(
        readings if readings is not None else invented(np.random.default_rng(1), sd=0.05), reading_unit="div", **kw
    )


def test_a_curve_without_noise_is_found_back_with_its_path():
    found = made(invented(), degree=2, stiffness_N_per_mm=FRAME_N_PER_MM, weighting="equal")
    # the dial's parabola is not a parabola the other way round; degree 3 comes close to it
    closer = made(invented(), degree=3, weighting="equal")
    assert np.abs(closer.residual_N).max() < np.abs(found.residual_N).max() < 4.0
    assert found.gauge.path_mm == pytest.approx(PATH_MM)
    straight = made(invented(curve=lambda t: 5.0 + 0.02 * t), degree=1)
    np.testing.assert_allclose(straight.gauge.coefficients, [-250.0, 50.0], rtol=1e-10)
    assert straight.sd_N < 1e-9


@settings(max_examples=40, deadline=None, derandomize=True)
@given(reading=st.floats(0.0, 1.0), curve=st.sampled_from(["polynomial", "spline"]), falling=st.booleans())
def test_a_reading_turned_into_tension_and_back_is_itself(reading, curve, falling):
    shape = (lambda t: 60.0 - 0.021 * t + 3e-6 * t * t) if falling else dial
    g = made(invented(np.random.default_rng(3), sd=0.03, curve=shape), curve=curve).gauge
    low, high = sorted(g.range_reading)
    asked = low + reading * (high - low)
    tension, sd = g.tension_N(asked)
    back, sd_reading = g.reading(tension)
    assert back == pytest.approx(asked, abs=1e-8)
    assert sd_reading * abs(g.slope_N(asked)) == pytest.approx(sd)


def test_scatter_and_hysteresis_come_out_as_they_were_put_in():
    rng = np.random.default_rng(11)
    found = made(invented(rng, sd=0.10, hysteresis=0.3, series=80), degree=3)
    slope = float(found.gauge.slope_N(found.gauge.reading(900.0)[0]))
    up = made(invented(np.random.default_rng(11), sd=0.10, hysteresis=0.3, series=80), degree=3, direction="up")
    assert up.gauge.reading_sd == pytest.approx(0.10, rel=0.1)
    assert found.gauge.reading_sd == pytest.approx(np.hypot(0.10, 0.15), rel=0.1)
    middle = next(x for x in found.levels if abs(x.load_N - 945.0) < 1.0)
    assert middle.reverse_percent == pytest.approx(100 * 0.3 * slope / 945.0, rel=0.15)
    assert up.hysteresis_percent is None


def test_the_stated_uncertainty_covers_about_95_of_100_new_readings():
    rng = np.random.default_rng(5)
    inside = total = 0
    for _ in range(60):
        g = made(invented(rng, sd=0.08, step=0.1), load_U_percent=0.0).gauge
        load = rng.uniform(400.0, 1500.0, 20)
        reading = np.round((dial(load) + rng.normal(0.0, 0.08, 20)) / 0.1) * 0.1
        tension, sd = g.tension_N(np.clip(reading, *sorted(g.range_reading)))
        inside += int((np.abs(tension - load) <= 2.0 * sd).sum())
        total += 20
    assert 0.93 <= inside / total <= 0.985


def test_U_percent_is_the_worst_of_the_range_at_two_standard_uncertainties():
    g = made().gauge
    grid = np.linspace(*sorted(g.range_reading), 101)
    assert pytest.approx(float((200.0 * g.sd_N(grid) / g.curve_N(grid)).max()), rel=1e-6) == g.U_percent


def test_the_frames_own_uncertainty_is_a_floor():
    exact = made(invented(curve=lambda t: 5.0 + 0.02 * t), degree=1, load_U_percent=1.0, resolution=0.0).gauge
    assert exact.U_percent == pytest.approx(1.0, rel=1e-6)


def test_in_a_wheel_the_gauges_own_load_is_taken_off():
    g = made(stiffness_N_per_mm=FRAME_N_PER_MM).gauge
    under, sd = g.tension_N(25.0)
    free, sd_free = g.true_tension_N(25.0, 250.0)
    assert under - free == pytest.approx(PATH_MM * 250.0)
    assert sd_free >= sd
    reading, _ = g.reading_for(free, 250.0)
    assert reading == pytest.approx(25.0, abs=1e-8)
    with pytest.raises(InputError, match="path_mm"):
        made().gauge.true_tension_N(25.0, 250.0)
    with pytest.raises(InputError, match="stiffness"):
        g.true_tension_N(25.0, -1.0)


def test_nothing_is_extrapolated():
    g = made().gauge
    low, high = sorted(g.range_reading)
    for bad in (low - 0.01, high + 0.01, np.nan, np.inf):
        with pytest.raises(InputError, match="off the gauge's curve"):
            g.tension_N(bad)
    for bad in (g.range_N[0] - 0.1, g.range_N[1] + 0.1):
        with pytest.raises(InputError, match="outside its curve"):
            g.reading(bad)
    with pytest.raises(InputError, match=f"{high + 0.5:g}"):
        g.tension_N([low, high + 0.5])
    assert g.tension_N([low, high])[0] == pytest.approx(g.range_N)


def test_the_best_degree_is_chosen_among_those_that_do_not_turn_back():
    line = made(invented(np.random.default_rng(2), sd=0.05, curve=lambda t: 5.0 + 0.02 * t, series=5))
    assert line.degree == 1
    bent = made(invented(np.random.default_rng(2), sd=0.05, series=5))
    assert bent.degree in (2, 3)
    assert {t["degree"] for t in bent.tried} == {1, 2, 3}


def test_a_degree_that_turns_back_is_refused_when_asked_for_and_left_out_when_not():
    # five loads through which a cubic must swing
    rising = np.array([10.0, 15.0, 20.0, 25.0, 30.0])
    loads = np.array([300.0, 780.0, 805.0, 830.0, 1310.0])
    readings = Readings(
        load_N=np.repeat(loads, 2),
        reading=np.repeat(rising, 2) + np.tile([0.0, 0.01], 5),
        load_before_N=np.full(10, np.nan),
        rising=np.full(10, True),
        series=np.tile(["1", "2"], 5),
        line=np.arange(2, 12),
    )
    with pytest.raises(InputError, match="degree 3 turns back"):
        made(readings, degree=3)
    found = made(readings)
    assert found.degree != 3
    assert next(t for t in found.tried if t["degree"] == 3)["monotone"] is False


def test_when_no_degree_is_monotone_the_answer_is_no(monkeypatch):
    import models.calibrate as c

    class Bent(Gauge):
        def __post_init__(self) -> None:
            raise InputError("the curve turns back")

    monkeypatch.setattr(c, "Gauge", Bent)
    with pytest.raises(CannotAnswer, match="no curve"):
        made()


def test_readings_that_do_not_follow_the_load_name_their_lines():
    r = invented(series=1, down=False)
    reading = r.reading.copy()
    reading[3], reading[4] = reading[4], reading[3]
    with pytest.raises(InputError, match=r"between 945 and 1145 N \(lines 5, 6\)"):
        made(replace(r, reading=reading))


@pytest.mark.parametrize(
    "change, word",
    [
        ({"loads": LOADS[:3]}, "at least 4 loads"),
        ({"loads": LOADS[:4], "series": 1, "down": False}, "4 readings at 4 loads"),
    ],
)
def test_too_few_loads_make_no_curve(change, word):
    with pytest.raises(InputError, match=word):
        made(invented(**change))


def test_a_direction_without_readings_is_refused():
    with pytest.raises(InputError, match="direction 'down'"):
        made(invented(down=False), direction="down")


def test_a_path_needs_the_load_to_rise_under_the_gauge():
    r = invented()
    with pytest.raises(InputError, match="position held"):
        made(replace(r, load_before_N=r.load_N + 5.0), stiffness_N_per_mm=1500.0)


def test_thin_data_are_said_to_be_thin():
    thin = made(invented(np.random.default_rng(1), sd=0.05, loads=LOADS[:4], series=2, down=False))
    text = " ".join(thin.warnings)
    assert "at least five" in text and "asks for three" in text and "degrees of freedom" in text and "path_mm" in text
    full = made(path_mm=0.03)
    assert full.warnings == ()


def test_a_misread_dial_is_pointed_out_by_its_line():
    r = invented(np.random.default_rng(4), sd=0.03)
    reading = r.reading.copy()
    reading[10] += 1.0
    found = made(replace(r, reading=reading), path_mm=0.03)
    assert found.warnings == ("line 12: far off the curve: misread?",)


def test_a_force_standards_limits_sort_the_boundary_readings():
    # ISO 7500-1 (limits from memory, high confidence): at 1000 N 1009.9 is class 1 and 1010.1 class 2
    assert class_of(0.99, None, None, 0.1) == "1"
    assert class_of(1.01, None, None, 0.1) == "2"
    assert class_of(-0.5, 0.5, 0.75, 0.25) == "0.5"
    assert class_of(0.0, 0.0, -1.6, 0.0) == "2"
    assert class_of(0.0, 3.1, None, 0.0) is None
    # a resolution of 1 N is 0.5 % only from 200 N up
    assert class_of(0.0, None, None, 100.0 * 1.0 / 200.0) == "1"
    assert class_of(0.0, None, None, 100.0 * 1.0 / 199.0) == "2"


def test_the_class_of_a_gauge_holds_from_a_load_upwards():
    found = made(invented(np.random.default_rng(8), sd=0.03, step=0.1), path_mm=0.03)
    names = [float(name) for name, _ in found.class_from()]
    loads = [load for _, load in found.class_from()]
    assert names == sorted(names, reverse=True) and loads == sorted(loads)
    for name, load in found.class_from():
        assert all(float(x.best_class or 9) <= float(name) for x in found.levels if x.load_N >= load)


def test_loads_that_belong_together_are_one_level():
    assert levels_of(np.array([300.0, 1000.0, 304.0, 1019.0, 700.0])).tolist() == [0, 2, 0, 2, 1]


def test_the_resolution_is_the_step_that_all_readings_share():
    assert resolution_of(np.array([10.0, 10.5, 12.0])) == 0.5
    assert resolution_of(np.array([10.25, 10.5])) == 0.25
    assert resolution_of(np.array([1.2345678, 2.3])) == 0.0


def test_a_record_read_back_gives_the_same_answers():
    for curve in ("polynomial", "spline"):
        g = made(curve=curve, path_mm=0.03, spoke_batch="K07", made_on="2026-03-14").gauge
        again = Gauge.from_dict(json.loads(json.dumps(g.as_dict())))
        for reading in np.linspace(*sorted(g.range_reading), 7):
            assert again.tension_N(reading) == pytest.approx(g.tension_N(reading))
        assert again.spoke_batch == "K07" and again.made_on == "2026-03-14" and again.path_mm == 0.03


def test_a_record_with_only_the_agreed_keys_is_enough():
    record = {
        "reading_unit": "div",
        "direction": "up",
        "points": [],
        "coefficients": [-100.0, 40.0],
        "range_N": [300.0, 1500.0],
        "path_mm": 0.02,
        "U_percent": 2.0,
        "spoke_batch": "K07",
        "made_on": "2026-03-14",
        "note": "kept",
    }
    g = Gauge.from_dict(record)
    tension, sd = g.tension_N(25.0)
    assert tension == pytest.approx(900.0)
    assert sd == pytest.approx(9.0)
    assert g.true_tension_N(25.0, 250.0)[0] == pytest.approx(895.0)
    assert g.as_dict()["note"] == "kept"


@pytest.mark.parametrize(
    "change, word",
    [
        ({"coefficients": None}, "coefficients"),
        ({"coefficients": [1.0]}, "two to four"),
        ({"coefficients": ["a", 1.0]}, "numbers"),
        ({"coefficients": [0.0, float("nan")]}, "finite"),
        ({"range_N": [1500.0, 300.0]}, "rising"),
        ({"range_N": [300.0]}, "two tensions"),
        ({"coefficients": [0.0, 100.0, -2.0]}, "turns back"),
        ({"U_percent": "2"}, "U_percent"),
        ({"direction": "sideways"}, "sideways"),
        ({"knots": [[1.0, 2.0]]}, "three pairs"),
        ({"knots": [[1.0, 300.0], [2.0, 900.0], [1.5, 1500.0]]}, "turns back"),
        ({"covariance": [[1.0]]}, "square"),
    ],
)
def test_a_broken_record_is_refused_by_its_key(change, word):
    record = {"coefficients": [-100.0, 40.0], "range_N": [300.0, 1500.0], "U_percent": 2.0} | change
    with pytest.raises(InputError, match=word):
        Gauge.from_dict(record)


def test_a_record_without_a_curve_names_what_is_missing():
    with pytest.raises(InputError, match="'range_N' is missing"):
        Gauge.from_dict({"coefficients": [0.0, 1.0], "U_percent": 1.0})


def test_of_two_branches_the_one_with_the_readings_is_taken():
    # 16 (r - 20)^2 reaches 400 to 1600 N on both sides of r = 20
    record = {"coefficients": [6400.0, -640.0, 16.0], "range_N": [400.0, 1600.0], "U_percent": 1.0}
    right = Gauge.from_dict(record | {"points": [{"reading": 27.0}]})
    left = Gauge.from_dict(record | {"points": [{"reading": 12.0}]})
    assert right.range_reading == pytest.approx((25.0, 30.0))
    assert left.range_reading == pytest.approx((15.0, 10.0))
