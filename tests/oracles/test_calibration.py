"""Calibration curves against the Guide, a standard's worked examples, a certified set and an independent library."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from models.calibrate import Readings, calibrate, class_of
from models.gauge import Gauge
from models.polynomial import fit_polynomial, invert_polynomial
from tests.oracles.nist import FOLDER

# JCGM 100:2008 (GUM), H.3: calibration of a thermometer; data and results read
T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def test_the_guides_thermometer():
    fit = fit_polynomial(T - 20.0, B, 1)
    y1, y2 = fit.coefficients
    s1, s2 = np.sqrt(np.diag(fit.covariance))
    r = fit.covariance[0, 1] / (s1 * s2)
    # as printed in the Guide
    assert y1 == pytest.approx(-0.1712, abs=5e-5) and s1 == pytest.approx(0.0029, abs=5e-5)
    assert y2 == pytest.approx(0.00218, abs=5e-6) and s2 == pytest.approx(0.00067, abs=5e-6)
    assert r == pytest.approx(-0.930, abs=5e-4) and fit.sd == pytest.approx(0.0035, abs=5e-5)
    at30, u30 = fit.at(10.0)
    assert at30 == pytest.approx(-0.1494, abs=5e-5) and u30 == pytest.approx(0.0041, abs=5e-5)
    assert fit.dof == 9
    # all digits, computed; identical in GTC
    assert [y1, y2] == pytest.approx([-0.171203790131, 0.00218269773989], rel=1e-9)
    assert [s1, s2] == pytest.approx([0.00287759783516, 0.000667938773228], rel=1e-9)
    assert r == pytest.approx(-0.930429603093, rel=1e-9)
    assert fit.sd == pytest.approx(0.00349756396351, rel=1e-9)
    assert (fit.residual**2).sum() == pytest.approx(1.10096583109e-4, rel=1e-9)
    assert [at30, u30] == pytest.approx([-0.149376812732, 0.00413859575285], rel=1e-9)


def test_at_the_guides_middle_temperature_the_two_coefficients_are_independent():
    # GUM H.3.5: with t0 = 24.0085 the covariance vanishes (printed -0.1625, 0.0011; from memory, high confidence)
    fit = fit_polynomial(T - 24.0085, B, 1)
    s = np.sqrt(np.diag(fit.covariance))
    assert abs(fit.covariance[0, 1] / (s[0] * s[1])) < 1e-4
    assert fit.coefficients[0] == pytest.approx(-0.162454446, rel=1e-8) and s[0] == pytest.approx(
        0.00105455521, rel=1e-8
    )
    assert fit.coefficients[0] == pytest.approx(-0.1625, abs=5e-5) and s[0] == pytest.approx(0.0011, abs=5e-5)


def test_the_guides_thermometer_agrees_with_an_independent_library():
    from GTC import type_a

    other = type_a.line_fit(T - 20.0, B)
    fit = fit_polynomial(T - 20.0, B, 1)
    a, b = other.a_b
    assert fit.coefficients == pytest.approx([a.x, b.x], rel=1e-10)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([a.u, b.u], rel=1e-10, abs=0)


X = np.arange(1.0, 7.0)


# ISO/TS 28037:2010, straight-line calibration: clause 6 examples; published values read in a library's documentation,
# further digits computed: y, u(y), a, u(a), b, u(b), cov, chi2, then x and u(x) for y = 10.5
@pytest.mark.parametrize(
    "y, u, published, computed, inverse",
    [
        (
            [3.3, 5.6, 7.1, 9.3, 10.7, 12.1],
            [0.5] * 6,
            (1.867, 0.465, 1.757, 0.120, -0.050, 1.665),
            (1.866667, 0.465475, 1.757143, 0.119523, -0.05, 1.664762),
            (0.5, 4.913279, 0.322036),
        ),
        (
            [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
            [0.5, 0.5, 0.5, 1.0, 1.0, 1.0],
            (0.885, 0.530, 2.057, 0.178, -0.082, 4.131),
            (0.885232, 0.529708, 2.056962, 0.177892, -0.0822785, 4.130802),
            (1.0, 4.674256, 0.533181),
        ),
    ],
)
def test_straight_lines_with_known_uncertainties(y, u, published, computed, inverse):
    fit = fit_polynomial(X, np.array(y), 1, np.array(u), known=True)
    s = np.sqrt(np.diag(fit.covariance))
    ours = (fit.coefficients[0], s[0], fit.coefficients[1], s[1], fit.covariance[0, 1], fit.sd**2 * fit.dof)
    assert ours == pytest.approx(published, abs=5.1e-4)
    assert ours == pytest.approx(computed, rel=2e-6)
    u_y, x0, u_x = inverse
    assert invert_polynomial(fit, 10.5, u_y, (1.0, 6.0)) == pytest.approx((x0, u_x), rel=2e-6)


def test_a_straight_line_whose_scatter_is_not_known():
    # ISO/TS 28037:2010, unknown but equal u(y): a 1.172, b 1.964 published; further digits computed
    y = np.array([3.014, 5.225, 7.004, 9.061, 11.201, 12.762])
    fit = fit_polynomial(X, y, 1)
    s = np.sqrt(np.diag(fit.covariance))
    assert fit.coefficients == pytest.approx([1.172, 1.963571], rel=1e-6)
    assert s == pytest.approx([0.158875, 0.0407954], rel=1e-5)
    assert fit.covariance[0, 1] == pytest.approx(-0.00582491, rel=1e-5)
    assert (fit.residual**2).sum() == pytest.approx(0.1164983, rel=1e-6) and fit.sd == pytest.approx(0.170659, rel=1e-5)
    # inverse for y = 10.5: (s/b) sqrt(1 + 1/n + (y - ybar)^2/(b^2 Sxx)); Draper & Smith, Applied Regression Analysis
    assert invert_polynomial(fit, 10.5, fit.sd, (1.0, 6.0)) == pytest.approx((4.7505275, 0.0974053), rel=1e-6)
    # forward at 3.5: one future reading 0.184333, the mean itself 0.070
    at, u = fit.at(3.5)
    assert at == pytest.approx(8.0445, rel=1e-6) and u == pytest.approx(0.0697, abs=5e-4)
    assert np.hypot(u, fit.sd) == pytest.approx(0.184333, rel=1e-5)


def test_an_inverse_agrees_with_an_independent_library():
    from GTC import type_a

    y = np.array([3.014, 5.225, 7.004, 9.061, 11.201, 12.762])
    other = type_a.line_fit(X, y).x_from_y([10.5])
    fit = fit_polynomial(X, y, 1)
    assert invert_polynomial(fit, 10.5, fit.sd, (1.0, 6.0)) == pytest.approx((other.x, other.u), rel=1e-9)


def pontius() -> tuple[np.ndarray, np.ndarray]:
    with (FOLDER / "Pontius.csv").open(newline="", encoding="ascii") as file:
        rows = [(float(r["load"]), float(r["deflection"])) for r in csv.DictReader(file)]
    load, deflection = np.array(rows).T
    return load, deflection


def test_the_certified_load_cell_calibration():
    # NIST StRD linear regression, Pontius (load cell, quadratic): certified values, read
    load, deflection = pontius()
    fit = fit_polynomial(load, deflection, 2)
    certified = [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14]
    assert fit.coefficients == pytest.approx(certified, rel=1e-10, abs=0)  # the last is of the order 1e-15
    assert fit.sd == pytest.approx(0.205177424076185e-3, rel=1e-10, abs=0)
    sd = [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16]
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(sd, rel=1e-9, abs=0)
    # inverse of a reading of 1.239722; computed, 95 % interval 1704513.37 to 1705697.76
    x, u = invert_polynomial(fit, 1.239722, fit.sd, (150000.0, 3000000.0))
    assert x == pytest.approx(1705105.569, abs=2e-3)
    assert x - 2.026192 * u == pytest.approx(1704513.37, rel=2e-6)
    assert x + 2.026192 * u == pytest.approx(1705697.76, rel=2e-6)


def test_the_certified_load_cell_as_a_gauges_curve():
    # the same data through the whole calibration: deflection read, load wanted; the curve turned round must agree with
    # the inverse of the certified one
    load, deflection = pontius()
    n = load.size
    found = calibrate(
        Readings(
            load_N=load,
            reading=deflection,
            load_before_N=np.full(n, np.nan),
            rising=np.full(n, True),
            series=np.repeat(["1", "2"], n // 2),
            line=np.arange(2, n + 2),
        ),
        reading_unit="in",
        load_U_percent=0.0,
    )
    tension, sd = found.gauge.tension_N(1.239722)
    assert tension == pytest.approx(1705105.569, rel=3e-5)
    assert sd == pytest.approx(0.205177e-3 / 0.721283e-6, rel=0.1)
    assert found.degree in (2, 3) and found.best_class == "0.5"


def test_a_gauges_uncertainty_is_that_of_an_independent_library():
    # one reading of 24.5 div on a straight curve: fit, scatter of one reading, resolution and load in quadrature
    from GTC import type_a, type_b, ureal

    rng = np.random.default_rng(3)
    load = np.repeat([300.0, 600.0, 900.0, 1200.0, 1500.0], 3)
    reading = 5.0 + 0.025 * load + rng.normal(0.0, 0.08, load.size)
    found = calibrate(
        Readings(
            load_N=load,
            reading=reading,
            load_before_N=np.full(15, np.nan),
            rising=np.full(15, True),
            series=np.tile(["1", "2", "3"], 5),
            line=np.arange(2, 17),
        ),
        reading_unit="div",
        degree=1,
        resolution=0.25,
        load_U_percent=1.0,
    )
    line = type_a.line_fit(reading, load)
    one = line.y_from_x(24.5)
    step = ureal(0.0, type_b.uniform(0.125))
    total = one + line.a_b[1].x * step + ureal(0.0, 0.005 * one.x)
    tension, sd = found.gauge.tension_N(24.5)
    assert tension == pytest.approx(total.x, rel=1e-10)
    assert sd == pytest.approx(total.u, rel=1e-9)


# ISO 7500-1:2018, table 2; limits from memory, high confidence. Boundary readings at a true 1000 N
@pytest.mark.parametrize(
    "indicated, name", [(1005.0, "0.5"), (1009.9, "1"), (1010.1, "2"), (970.0, "3"), (1031.0, None)]
)
def test_a_force_standards_class_by_accuracy(indicated, name):
    assert class_of(100 * (indicated - 1000.0) / 1000.0, None, None, 0.0) == name


@pytest.mark.parametrize("lowest_N, name", [(400.0, "0.5"), (200.0, "1"), (100.0, "2"), (67.0, "3"), (66.0, None)])
def test_a_force_standards_class_by_resolution(lowest_N, name):
    # the lowest force of a range is 400, 200, 100 or 67 times a resolution of 1 N
    assert class_of(0.0, None, None, 100.0 / lowest_N) == name


def test_kilogram_force_is_exact():
    # 3rd General Conference on Weights and Measures (1901): g_n = 9.80665 m/s2; NIST SP 811 B.8 for the pound-force
    from models.units import parse_force_N

    for text, newton in [("80 kgf", 784.532), ("90 kgf", 882.5985), ("100 kgf", 980.665), ("120 kgf", 1176.798)]:
        assert parse_force_N(text) == pytest.approx(newton, rel=1e-12)
    assert parse_force_N("1 lbf") == 4.4482216152605


def test_a_record_without_its_own_components_uses_its_stated_uncertainty():
    # GUM 6.2.1: U = k u, here k = 2
    g = Gauge.from_dict({"coefficients": [0.0, 40.0], "range_N": [200.0, 1500.0], "U_percent": 3.0})
    assert g.tension_N(25.0)[1] == pytest.approx(1000.0 * 0.03 / 2)
