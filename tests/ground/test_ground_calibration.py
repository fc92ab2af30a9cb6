"""Calibration: the line through uncertain points against published values, its errors against draws of known truth."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import optimize

from yewline.errors import InputError
from yewline.ground import calibration_findings, fit_calibration, fit_line

# Pearson's data with York's weights: York 1966, Can. J. Phys. 44:1079; York et al. 2004, Am. J. Phys. 72:367.
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0])
YORK_WY = np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0])
PEARSON = {"x_sd": YORK_WX**-0.5, "y_sd": YORK_WY**-0.5}


def test_no_error_along_x_is_weighted_least_squares():
    x, sd = np.arange(8.0), 0.1 + 0.05 * np.arange(8)
    y = 1.0 + 0.5 * x + sd * np.random.default_rng(1).standard_normal(8)
    line = fit_line(x, y, x_sd=0.0, y_sd=sd)
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=1 / sd, cov="unscaled")
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-12)
    np.testing.assert_allclose(line.covariance, covariance[::-1, ::-1], rtol=1e-10)


def test_line_does_not_care_which_axis_is_which():
    line = fit_line(PEARSON_X, PEARSON_Y, **PEARSON)
    turned = fit_line(PEARSON_Y, PEARSON_X, x_sd=PEARSON["y_sd"], y_sd=PEARSON["x_sd"])
    assert turned.slope == pytest.approx(1 / line.slope, rel=1e-10)
    assert turned.intercept == pytest.approx(-line.intercept / line.slope, rel=1e-10)


def test_pearson_data_with_york_weights():
    line = fit_line(PEARSON_X, PEARSON_Y, **PEARSON)
    assert line.slope == pytest.approx(-0.4805, abs=5e-5)
    assert line.intercept == pytest.approx(5.4799, abs=5e-5)
    # Standard errors and goodness of fit: values from memory of the same table.
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.295, 0.058], abs=5e-4)
    assert line.reduced_chi2 == pytest.approx(1.4833, abs=5e-5)


def test_line_agrees_with_orthogonal_distance_regression():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # SciPy is about to move it into a package of its own
        odr = pytest.importorskip("scipy.odr")
        data = odr.RealData(PEARSON_X, PEARSON_Y, sx=PEARSON["x_sd"], sy=PEARSON["y_sd"])
        peer = odr.ODR(data, odr.unilinear, beta0=[-0.5, 5.0], sstol=1e-15, partol=1e-15).run()
    line = fit_line(PEARSON_X, PEARSON_Y, **PEARSON)
    assert [line.slope, line.intercept] == pytest.approx(peer.beta, rel=1e-6)


def test_line_is_where_the_likelihood_of_all_true_points_is_greatest():
    def misfit(parameters: np.ndarray) -> np.ndarray:
        true_x = parameters[2:]
        return np.concatenate(
            [
                (PEARSON_X - true_x) / PEARSON["x_sd"],
                (PEARSON_Y - parameters[0] - parameters[1] * true_x) / PEARSON["y_sd"],
            ]
        )

    best = optimize.least_squares(misfit, [5.0, -0.5, *PEARSON_X], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    line = fit_line(PEARSON_X, PEARSON_Y, **PEARSON)
    assert [line.intercept, line.slope] == pytest.approx(best[:2], rel=1e-6)


def test_error_along_x_does_not_flatten_the_line():
    draw = np.random.default_rng(8)
    truth = np.linspace(0.0, 10.0, 400)
    x, y = truth + 2.0 * draw.standard_normal(400), truth + 0.2 * draw.standard_normal(400)
    assert np.polyfit(x, y, 1)[0] < 0.8
    assert fit_line(x, y, x_sd=2.0, y_sd=0.2).slope == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("root", [False, True])
def test_calibration_gives_back_a_line_without_errors(root):
    reading = np.array([4.0, 9.0, 16.0, 25.0, 36.0])
    vwc = -0.18 + 0.11 * (np.sqrt(reading) if root else reading / 6)
    found = fit_calibration(reading, vwc, vwc_sd=0.01, root=root)
    np.testing.assert_allclose(found.vwc(reading), vwc, atol=1e-12)
    assert found.residual_sd < 1e-12
    assert found.own_sd < 1e-12


def test_readings_whose_error_is_known_as_water_follow_the_closed_form():
    # Deming's slope with the error ratio k b² solves k Sxx b² + (1 − k) Sxy b − Syy = 0, k = (σ_sample / σ_reading)².
    draw = np.random.default_rng(5)
    reading = 500 + 60 * draw.standard_normal(15)
    vwc = 0.2 + 0.001 * (reading - 500) + 0.02 * draw.standard_normal(15)
    found = fit_calibration(reading, vwc, vwc_sd=0.01, own_sd_vwc=0.02)
    sxx, sxy, syy = (float(np.sum(a * b)) for a, b in _pairs(reading, vwc))
    k = 0.25
    root = (-(1 - k) * sxy + np.sqrt((1 - k) ** 2 * sxy**2 + 4 * k * sxx * syy)) / (2 * k * sxx)
    assert found.gain == pytest.approx(root, rel=1e-7)


def _pairs(x, y):
    u, v = x - x.mean(), y - y.mean()
    return (u, u), (u, v), (v, v)


def test_errors_of_a_calibrated_reading_are_what_draws_of_it_show():
    # 400 calibrations by 14 pairs of a probe of known errors: the line's stated error is the scatter of lines about the
    # truth, and a reading's own error what it was drawn with.
    draw = np.random.default_rng(11)
    truth = np.linspace(0.08, 0.40, 14)
    off, own, stated = [], [], []
    for _ in range(400):
        reading = 300 + 1000 * (truth + 0.02 * draw.standard_normal(14))
        sample = truth + 0.01 * draw.standard_normal(14)
        found = fit_calibration(reading, sample, vwc_sd=0.01, reading_sd=20.0)
        at = np.array([400.0, 540.0, 680.0])
        off.append(found.vwc(at) - (at - 300) / 1000)
        stated.append(found.common_sd(at))
        own.append(found.own_sd)
    np.testing.assert_allclose(np.mean(off, axis=0), 0.0, atol=0.0015)
    np.testing.assert_allclose(np.sqrt(np.mean(np.square(stated), axis=0)), np.std(off, axis=0), rtol=0.15)
    assert np.sqrt(np.mean(np.square(own))) == pytest.approx(0.02, rel=0.1)
    # Least in the middle of the pairs.
    assert np.argmin(np.mean(stated, axis=0)) == 1


def test_calibration_tells_what_it_rests_on():
    reading = np.array([420.0, 470.0, 520.0, 560.0, 610.0, 660.0, 700.0])
    vwc = 0.1 + 0.001 * (reading - 420) + 0.004 * np.array([1, -1, 1, -1, 1, -1, 1])
    vwc[3] += 0.1
    found = fit_calibration(reading, vwc, vwc_sd=0.01)
    told = {f.code: f for f in calibration_findings(found, written=[380.0, 500.0, 900.0], where="calibration.csv")}
    assert "calibrated by 7 pairs" in told["calibration"].text
    assert "residual sd" in told["calibration"].received
    assert "pair 4 by +0.0" in told["calibration-pair"].received
    assert told["calibration-beyond"].text.startswith("2 of 3 readings lie beyond")
    few = fit_calibration(reading[:4:1][:3], vwc[:3], vwc_sd=0.01)
    assert "rests on 3 pairs" in {f.code: f for f in calibration_findings(few, written=[450.0])}["calibration-few"].text


@pytest.mark.parametrize(
    ("reading", "vwc", "root", "message"),
    [
        ([1.0, 2.0], [0.1, 0.2], False, "needs at least 3 pairs.*take more samples|needs at least 3 pairs.*Take more"),
        ([5.0, 5.0, 5.0], [0.1, 0.2, 0.3], False, "all readings of the calibration are alike"),
        ([1.0, 2.0, 3.0, 4.0], [0.2, 0.3, 0.2, 0.3], False, "the readings do not follow the samples"),
        ([0.0, 2.0, 3.0], [0.1, 0.2, 0.3], True, "a permittivity must be greater than zero"),
    ],
)
def test_pairs_that_make_no_calibration_are_refused(reading, vwc, root, message):
    with pytest.raises(InputError, match=message):
        fit_calibration(reading, vwc, vwc_sd=0.01, root=root)


@pytest.mark.parametrize(
    ("x", "sd", "message"),
    [
        ([0.0, 1.0], 0.1, "at least three points"),
        ([1.0, 1.0, 1.0], 0.1, "all points lie at the same x"),
        ([0.0, 1.0, 2.0], 0.0, "needs an error along x or along y"),
    ],
)
def test_points_that_make_no_line_are_refused(x, sd, message):
    with pytest.raises(InputError, match=message):
        fit_line(x, np.arange(float(len(x))), x_sd=sd, y_sd=sd)


def test_root_of_a_negative_permittivity_is_refused():
    found = fit_calibration([4.0, 9.0, 16.0], [0.1, 0.2, 0.3], vwc_sd=0.01, root=True)
    with pytest.raises(InputError, match="must not be negative"):
        found.vwc([-1.0])
