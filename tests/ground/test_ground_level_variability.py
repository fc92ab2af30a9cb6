"""Level and variability of one visit: effective sizes, weights, intervals, two scales."""

from __future__ import annotations

from typing import Any

import gstools
import numpy as np
import numpy.typing as npt
import pytest
import scipy.stats
import shapely
import statsmodels.api as sm
from scipy.spatial import cKDTree

from yewline.errors import InputError
from yewline.geostat import VariogramModel, krige, variogram_posterior
from yewline.ground import (
    declustering_weights,
    effective_size,
    likely_models,
    moisture_level,
    moisture_variability,
    pairs_needed,
    two_scales,
    variability_given_level,
)
from yewline.ground.effective_size import means_under_models, spread_form, variance_freedom
from yewline.ground.moisture_sample import weighted_quantiles
from yewline.model import make_readings

Array = npt.NDArray[np.float64]

MODEL = VariogramModel("exponential", 8e-4, 9.0, nugget=1e-4)


def grid(n: int, step_m: float) -> Array:
    axis = np.arange(n) * step_m
    return np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])


def on_grid(vwc: npt.ArrayLike, n: int = 6, step_m: float = 5.0) -> Any:
    xy = grid(n, step_m)
    return make_readings(x=xy[:, 0], y=xy[:, 1], vwc=np.ravel(vwc))


def field(xy: Array, model: VariogramModel, seed: int, mean: float = 0.25) -> Array:
    covariance = model.covariance(xy, xy) + (model.nugget + 1e-12) * np.eye(len(xy))
    return np.asarray(mean + np.linalg.cholesky(covariance) @ np.random.default_rng(seed).standard_normal(len(xy)))


def ar1(n: int, rho: float) -> Array:
    return np.asarray(rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n))))


def test_effective_size_of_independent_readings_is_their_number() -> None:
    assert effective_size(np.eye(7) * 3.0) == pytest.approx(7.0, rel=1e-12)
    assert variance_freedom(spread_form(np.full(7, 1 / 7)), np.eye(7) * 3.0) == pytest.approx(6.0, rel=1e-12)
    # Readings that are all one reading say as much as one.
    assert effective_size(np.full((7, 7), 1.0), weights=np.full(7, 1 / 7)) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(("n", "rho"), [(10, 0.26), (50, 0.9), (5, 0.0)])
def test_effective_size_on_a_line_has_its_closed_forms(n: int, rho: float) -> None:
    # Plain mean: Cressie 1993, §1.3. Generalised least squares: 1ᵀR⁻¹1 of a first-order autoregression.
    r = rho / (1 - rho)
    plain = n / (1 + 2 * r * (1 - 1 / n) - 2 * r**2 * (1 - rho ** (n - 1)) / n)
    assert effective_size(ar1(n, rho), weights=np.full(n, 1 / n)) == pytest.approx(plain, rel=1e-12)
    assert effective_size(ar1(n, rho)) == pytest.approx((n - (n - 2) * rho) / (1 + rho), rel=1e-12)


def test_effective_size_of_the_book() -> None:
    # Cressie 1993, §1.3: ten readings with a correlation of 0.26 are worth 6.2 (value from memory).
    assert effective_size(ar1(10, 0.26), weights=np.full(10, 0.1)) == pytest.approx(6.2, abs=0.05)


def test_mean_agrees_with_statsmodels_and_with_kriging_far_away() -> None:
    xy = np.random.default_rng(1).uniform(0, 30, (40, 2))
    vwc = field(xy, MODEL, 2)
    covariance = MODEL.covariance(xy, xy) + (MODEL.nugget + 0.01**2) * np.eye(40)
    theirs = sm.GLS(vwc, np.ones(40), sigma=covariance).fit()
    ours = means_under_models(xy, vwc, [MODEL], own_error_sd=0.01)
    assert ours.value[0] == pytest.approx(theirs.params[0], rel=1e-10)
    assert ours.sd[0] ** 2 == pytest.approx(theirs.normalized_cov_params[0, 0], rel=1e-9)
    far, variance = krige(xy, vwc, [[1e6, 0.0]], model=MODEL, error_sd=0.01)
    assert ours.value[0] == pytest.approx(far[0], rel=1e-10)
    assert ours.sd[0] ** 2 == pytest.approx(variance[0] - MODEL.sill, rel=1e-9)


def test_one_known_model_gives_the_normal_interval_and_many_alike_ones_the_same() -> None:
    table = on_grid(field(grid(6, 5.0), MODEL, 3))
    one = moisture_level(table, sigma_vwc=0.01, models=MODEL)
    many = moisture_level(table, sigma_vwc=0.01, models=[MODEL] * 5)
    sd = ((MODEL.sill + 0.01**2 / 2) / one.n_eff) ** 0.5
    assert (one.mean.low, one.mean.high) == pytest.approx(scipy.stats.norm.interval(0.9, one.mean.value, sd), abs=1e-9)
    assert (many.mean.low, many.mean.high) == pytest.approx((one.mean.low, one.mean.high), abs=1e-9)
    assert "One variogram is taken as known" in one.notes[0]
    assert many.notes == ()


def test_degrees_of_freedom_match_drawn_variances() -> None:
    xy = grid(5, 4.0)
    form, covariance = spread_form(np.full(25, 0.04)), VariogramModel("exponential", 1e-3, 25.0).covariance(xy, xy)
    drawn = np.random.default_rng(4).standard_normal((40_000, 25)) @ np.linalg.cholesky(covariance).T
    variance = drawn.var(axis=1, ddof=1)
    assert variance.mean() == pytest.approx(np.trace(form @ covariance), rel=0.01)
    nu = variance_freedom(form, covariance)
    assert nu < 12
    assert 2 * variance.mean() ** 2 / variance.var() == pytest.approx(nu, rel=0.04)


def test_likely_models_scale_and_shift_with_the_readings() -> None:
    xy = grid(5, 4.0)
    vwc = field(xy, MODEL, 5)
    plain, other = likely_models(xy, vwc), likely_models(xy, 3.0 + 10.0 * vwc)
    assert [m.range_m for m in other] == [m.range_m for m in plain]
    assert [m.sill for m in other] == pytest.approx([100 * m.sill for m in plain], rel=1e-9)


def test_likely_models_are_the_nodes_of_the_posterior_as_often_as_their_weights() -> None:
    # That the posterior holds the true range as often as it should is tested where it is made.
    xy = np.random.default_rng(6).uniform(0, 30, (40, 2))
    values = field(xy, MODEL, 7)
    models, posterior = likely_models(xy, values), variogram_posterior(xy, values, nodes=40)
    ranges = [m.range_m for m in models]
    expected = posterior.weights @ [m.range_m for m in posterior.models]
    assert np.mean(ranges) == pytest.approx(expected, rel=1e-9)


def test_declustering_by_hand() -> None:
    # Trapezoidal rule on a grid: corners one quarter, edges one half of an inner cell.
    expected = np.outer([1, 2, 1], [1, 2, 1]).ravel() / 16.0
    np.testing.assert_allclose(declustering_weights(grid(3, 1.0)), expected, atol=1e-12)
    box = shapely.box(-0.5, -0.5, 2.5, 2.5)
    np.testing.assert_allclose(declustering_weights(grid(3, 1.0), area=box), np.full(9, 1 / 9), atol=1e-12)
    line = np.column_stack([[0.0, 2.0, 3.0, 9.0], [0.0, 2.0, 3.0, 9.0]])
    np.testing.assert_allclose(declustering_weights(line), np.array([1.0, 1.5, 3.5, 3.0]) / 9.0, atol=1e-12)
    np.testing.assert_allclose(declustering_weights([[1.0, 1.0]] * 4), np.full(4, 0.25))
    order = np.random.default_rng(1).permutation(9)
    np.testing.assert_allclose(declustering_weights(grid(3, 1.0)[order]), expected[order], atol=1e-12)


def test_declustering_agrees_with_counting_the_nearest_reading() -> None:
    rng = np.random.default_rng(2)
    for places in (rng.uniform(0, 30, (40, 2)), np.concatenate([grid(6, 5.0), rng.uniform(10, 12, (20, 2))])):
        hull = shapely.convex_hull(shapely.multipoints(places))
        at = rng.uniform(0, 30, (200_000, 2))
        at = at[shapely.contains_xy(hull, at)]
        counted = np.bincount(cKDTree(places).query(at)[1], minlength=len(places)) / len(at)
        np.testing.assert_allclose(declustering_weights(places), counted, atol=2e-3)
    # Places on one circle have their cells meet in one point, which is where a library was seen to lose some.
    angle = 2 * np.pi * np.arange(12) / 12
    np.testing.assert_allclose(declustering_weights(50 * np.column_stack([np.cos(angle), np.sin(angle)])), 1 / 12)


def test_bunched_readings_do_not_pull_the_level() -> None:
    # The ground's mean is 0.25; a micro transect of 40 readings lies in its wettest corner.
    xy = np.concatenate([grid(7, 5.0), np.column_stack([28.0 + 0.05 * np.arange(40), np.full(40, 28.0)])])
    vwc = 0.25 + 0.10 * (xy[:, 0] + xy[:, 1] - 30.0) / 30.0
    table = make_readings(x=xy[:, 0], y=xy[:, 1], vwc=vwc)
    level = moisture_level(table, sigma_vwc=0.005)
    assert vwc.mean() > 0.28
    assert level.median.value == pytest.approx(0.25, abs=0.01)
    assert level.mean.value == pytest.approx(0.25, abs=0.015)
    assert level.mean.low < 0.25 < level.mean.high
    alone = moisture_variability(table.iloc[:49], sigma_vwc=0.005).sd.value
    assert moisture_variability(table, sigma_vwc=0.005).sd.value == pytest.approx(alone, rel=0.03)
    assert abs(vwc.std(ddof=1) / alone - 1.0) > 0.05


def test_even_weights_give_the_plain_figures() -> None:
    vwc = field(grid(6, 5.0), MODEL, 7)
    cells = shapely.box(-2.5, -2.5, 27.5, 27.5)
    level = moisture_level(on_grid(vwc), sigma_vwc=1e-6, area=cells)
    spread = moisture_variability(on_grid(vwc), sigma_vwc=1e-6, area=cells)
    found = (level.p10.value, level.median.value, level.p90.value)
    assert found == pytest.approx(tuple(np.percentile(vwc, [10, 50, 90])), rel=1e-12)
    assert spread.sd.value == pytest.approx(scipy.stats.tstd(vwc), rel=1e-7)
    assert spread.robust_sd.value == pytest.approx(scipy.stats.median_abs_deviation(vwc, scale="normal"), rel=3e-6)
    assert spread.iqr_sd.value == pytest.approx(scipy.stats.iqr(vwc, scale="normal"), rel=3e-5)
    assert spread.cv.value == pytest.approx(spread.sd.value / level.mean.value, rel=1e-12)


def test_deviation_of_independent_readings_has_the_chi_squared_interval() -> None:
    white = VariogramModel("spherical", 1e-3, 0.5)
    vwc = field(grid(6, 5.0), white, 8)
    found = moisture_variability(on_grid(vwc), sigma_vwc=1e-6, models=white, area=shapely.box(-2.5, -2.5, 27.5, 27.5))
    assert found.freedom == pytest.approx(35.0, rel=1e-9)
    ends = np.sqrt(35 * vwc.var(ddof=1) / scipy.stats.chi2.ppf([0.95, 0.05], 35))
    assert (found.sd.low, found.sd.high) == pytest.approx(tuple(ends), rel=1e-6)
    assert found.robust_sd.high / found.robust_sd.value > found.sd.high / found.sd.value


def test_error_of_readings_is_taken_off_and_the_common_part_kept_apart() -> None:
    table = on_grid(field(grid(6, 5.0), MODEL, 9))
    spread = moisture_variability(table, sigma_vwc=0.02)
    assert spread.own_error_sd == pytest.approx(0.02 / np.sqrt(2), rel=1e-12)
    assert spread.sd.value**2 + spread.own_error_sd**2 == pytest.approx(spread.reading_sd**2, rel=1e-12)
    # A larger sample shrinks the mean's own interval, never the common error.
    few, many = (
        moisture_level(on_grid(field(grid(n, 40.0), MODEL, 1), n, 40.0), sigma_vwc=0.02, models=MODEL) for n in (3, 12)
    )
    assert many.mean.high - many.mean.low < 0.3 * (few.mean.high - few.mean.low)
    assert many.common_sd == few.common_sd == pytest.approx(0.02 / np.sqrt(2), rel=1e-12)


def test_dry_and_wet_day_of_practice_are_both_read_and_their_spread_told_from_their_level() -> None:
    # Common practice, no source: 0.09 to 0.38 on a dry day, 0.19 to 0.50 m³/m³ on a wet one.
    pattern = scipy.stats.rankdata(field(grid(7, 5.0), MODEL, 10)) - 1.0
    dry, wet = (on_grid(low + (high - low) * pattern / 48.0, 7) for low, high in ((0.09, 0.38), (0.19, 0.50)))
    levels = [moisture_level(t, sigma_vwc=0.02) for t in (dry, wet)]
    spreads = [moisture_variability(t, sigma_vwc=0.02) for t in (dry, wet)]
    assert [level.why for level in levels] == ["", ""]
    assert levels[1].median.value - levels[0].median.value == pytest.approx(0.11, abs=0.005)
    assert spreads[1].sd.value / spreads[0].sd.value == pytest.approx(31 / 29, rel=0.01)
    assert spreads[1].sd.low < spreads[0].sd.value < spreads[1].sd.high
    # The CV alone would call the wet day a third more even.
    assert spreads[1].cv.value / spreads[0].cv.value < 0.75


def test_weighted_quantiles() -> None:
    values = np.array([3.0, 1.0, 2.0, 8.0])
    np.testing.assert_allclose(
        weighted_quantiles(values, [0, 0.3, 1], np.full(4, 0.25)), np.percentile(values, [0, 30, 100])
    )
    # A reading that stands for much ground pulls the median to itself.
    assert weighted_quantiles(values, 0.5, np.array([0.05, 0.05, 0.05, 0.85])) > 4.0
    assert weighted_quantiles(np.array([2.0]), [0.1, 0.9], np.array([1.0])).tolist() == [2.0, 2.0]


def test_variability_given_level_finds_a_planted_curve() -> None:
    theta = np.array([0.12, 0.2, 0.28, 0.36])
    sd = 0.9 * theta * np.exp(-4.0 * theta) * np.array([1.0, 1.0, 1.0, 1.0])
    found = variability_given_level(theta, sd, porosity=0.45)
    assert (found.k1, found.k2) == pytest.approx((0.9, 4.0), rel=1e-9)
    np.testing.assert_allclose(found.relative, 1.0, rtol=1e-9)
    assert found.residual_sd < 1e-9
    rough = sd * np.array([1.1, 0.9, 1.2, 0.95])
    theirs = scipy.stats.linregress(theta, np.log(rough / theta))
    assert variability_given_level(theta, rough, porosity=0.45).k2 == pytest.approx(-theirs.slope, rel=1e-9)


def test_variability_given_level_of_few_or_equal_visits() -> None:
    two = variability_given_level([0.1, 0.225], [0.02, 0.225], porosity=0.45)
    assert np.isnan(two.relative).all()
    assert two.bounded[1] == pytest.approx(1.0, rel=1e-12)  # half the ground at 0, half at porosity
    assert "2 visits do not show how spread depends on level (3 are needed)" in two.why
    assert "span only 0.020" in variability_given_level([0.2, 0.21, 0.22], [0.02] * 3, porosity=0.45).why


def micro_and_macro(seed: int) -> tuple[Array, Array]:
    """Readings of a ground with 4e-4 of variance at 0.3 m and 9e-4 at 12 m: a grid and four micro transects."""
    along = np.arange(0.0, 3.0, 0.1)
    micro = [np.column_stack([x + along, np.full_like(along, y)]) for x in (4.0, 19.0) for y in (6.0, 21.0)]
    xy = np.concatenate([grid(6, 5.0), *micro])
    small, large = VariogramModel("spherical", 4e-4, 0.3), VariogramModel("exponential", 9e-4, 12.0)
    return xy, field(xy, small, seed) + field(xy, large, 50 + seed, mean=0.0)


def test_two_scales_agree_with_gstools_and_find_what_was_planted() -> None:
    xy, vwc = micro_and_macro(0)
    found = two_scales(make_readings(x=xy[:, 0], y=xy[:, 1], vwc=vwc), sigma_vwc=1e-6)
    edges = [0.05 - 1e-6, 0.5 + 1e-6, 5.0 - 1e-6, 20.0 + 1e-6]
    _, gamma, pairs = gstools.vario_estimate(xy.T, vwc, edges, return_counts=True)
    assert (found.micro.pairs, found.macro.pairs) == (pairs[0], pairs[2])
    assert (found.micro.variance.value, found.macro.variance.value) == pytest.approx((gamma[0], gamma[2]), rel=1e-9)
    assert found.added == pytest.approx(gamma[2] - gamma[0], rel=1e-9)
    assert found.micro.freedom < found.micro.pairs / 4
    micro, macro = [], []
    for seed in range(12):
        _, vwc = micro_and_macro(seed)
        each = two_scales(make_readings(x=xy[:, 0], y=xy[:, 1], vwc=vwc), sigma_vwc=1e-6)
        micro.append(each.micro.variance.value)
        macro.append(each.added)
    lags = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    true = [VariogramModel("spherical", 4e-4, 0.3), VariogramModel("exponential", 9e-4, 12.0)]
    near, far = ((lags >= a - 1e-6) & (lags <= b + 1e-6) & (lags > 0) for a, b in ((0.05, 0.5), (5.0, 20.0)))
    at_near, at_far = (sum(float(m.gamma(lags[band]).mean()) for m in true) for band in (near, far))
    assert np.mean(micro) == pytest.approx(at_near, rel=0.1)
    assert np.mean(macro) == pytest.approx(at_far - at_near, rel=0.35)


def test_a_grid_does_not_see_the_micro_scale() -> None:
    five, one = (two_scales(on_grid(field(grid(7, s), MODEL, 1), 7, s), sigma_vwc=0.01) for s in (5.0, 1.0))
    assert five.micro.why == "Not measured: no two readings lie 0.05 to 0.5 m apart; the nearest are 5 m apart."
    assert five.macro.why == ""
    assert one.micro.why == "Not measured: no two readings lie 0.05 to 0.5 m apart; the nearest are 1 m apart."
    assert np.isnan([five.added, five.micro_share, five.micro.variance.value]).all()
    line = make_readings(x=0.1 * np.arange(20), y=np.zeros(20), vwc=field(grid(6, 1.0)[:20], MODEL, 1))
    assert two_scales(line, sigma_vwc=0.01).macro.why.endswith("the farthest are 1.9 m apart.")
    short = make_readings(x=np.append(0.1 * np.arange(7), [9.0, 15.0]), y=np.zeros(9), vwc=0.2 + 0.01 * np.arange(9))
    assert two_scales(short, sigma_vwc=0.01).macro.why == (
        "Not measured: 15 pairs of readings lie 5 to 20 m apart (30 are needed)."
    )


def test_pairs_needed_is_what_the_spread_of_drawn_variances_asks_for() -> None:
    n = pairs_needed(0.3)
    half_squares = np.random.default_rng(3).standard_normal((20_000, n)) ** 2
    assert np.mean(np.abs(half_squares.mean(axis=1) - 1.0) < 0.3) == pytest.approx(0.9, abs=0.015)


def test_few_equal_and_repeated_readings() -> None:
    few = make_readings(x=np.arange(7.0), y=np.arange(7.0) ** 2, vwc=0.2 + 0.01 * np.arange(7))
    level, spread = moisture_level(few, sigma_vwc=0.01), moisture_variability(few, sigma_vwc=0.01)
    assert level.why == spread.why == ("7 readings are too few for intervals (8 are needed): they are described only.")
    assert 0.2 < level.mean.value < 0.26
    assert np.isnan([level.mean.low, level.n_eff, spread.sd.low, spread.freedom]).all()
    single = make_readings(x=[0.0], y=[0.0], vwc=[0.2])
    assert moisture_level(single, sigma_vwc=0.01).mean.value == 0.2
    assert np.isnan(moisture_variability(single, sigma_vwc=0.01).sd.value)
    even = moisture_level(on_grid(np.full(36, 0.2)), sigma_vwc=0.01)
    assert even.mean.value == pytest.approx(0.2)
    assert even.why.startswith("All readings are equal")
    one_spot = make_readings(x=[0.0] * 9, y=[0.0] * 9, vwc=0.2 + 0.01 * np.arange(9))
    assert moisture_level(one_spot, sigma_vwc=0.01).why.startswith("The readings lie at fewer than three places")


def test_repeats_say_what_a_reading_is_worth() -> None:
    xy = grid(6, 5.0)
    vwc = field(xy, MODEL, 11)
    again = make_readings(x=np.tile(xy[:, 0], 2), y=np.tile(xy[:, 1], 2), vwc=np.append(vwc + 0.01, vwc - 0.01))
    found = moisture_variability(again, sigma_vwc=0.01)
    assert found.own_error_sd == pytest.approx(0.01 * np.sqrt(2), rel=1e-9)
    assert "36 readings repeat a place with another value" in found.notes[0]
    copied = moisture_level(
        make_readings(x=np.tile(xy[:, 0], 2), y=np.tile(xy[:, 1], 2), vwc=np.tile(vwc, 2)), sigma_vwc=0.01
    )
    assert copied.n == 36
    assert copied.notes == ("36 readings repeat the place and value of another and count once.",)
    assert copied.mean == moisture_level(on_grid(vwc), sigma_vwc=0.01).mean


def test_one_line_is_said_and_still_summed_up() -> None:
    x = np.arange(0.0, 30.0)
    vwc = field(np.column_stack([x, x]), MODEL, 12)
    level = moisture_level(make_readings(x=x, y=x, vwc=vwc), sigma_vwc=0.01)
    assert level.notes == ("All readings lie on one line: they speak for the ground along it.",)
    assert level.mean.low < level.mean.value < level.mean.high


def test_skewed_readings_are_said() -> None:
    vwc = field(grid(6, 5.0), MODEL, 13)
    assert moisture_variability(on_grid(vwc), sigma_vwc=0.01).notes == ()
    raised = 0.1 + 0.05 * np.exp((vwc - 0.25) / 0.03)
    assert scipy.stats.skew(raised) > 1.0
    found = moisture_variability(on_grid(np.minimum(raised, 0.6)), sigma_vwc=0.01)
    assert "The readings are skewed" in found.notes[0]


def test_faults() -> None:
    table = on_grid(field(grid(6, 5.0), MODEL, 1))
    with pytest.raises(InputError, match="vwc holds values that are not finite"):
        moisture_level(table.assign(vwc=np.nan), sigma_vwc=0.01)
    with pytest.raises(InputError, match="readings' x and y holds values that are not finite"):
        moisture_variability(table.assign(x=np.inf), sigma_vwc=0.01)
    with pytest.raises(InputError, match="sigma_vwc must be greater than zero"):
        moisture_level(table, sigma_vwc=0.0)
    with pytest.raises(InputError, match="confidence must lie between 0.5 and 0.999"):
        moisture_level(table, sigma_vwc=0.01, confidence=0.2)
    with pytest.raises(InputError, match="two readings share a place, or nearly, and the model has neither nugget nor"):
        effective_size(np.ones((2, 2)))
    with pytest.raises(InputError, match="a covariance must be square"):
        effective_size(np.ones((2, 3)))
    with pytest.raises(InputError, match="the area meets the ground of no reading"):
        declustering_weights(grid(3, 1.0), area=shapely.Polygon())
    with pytest.raises(InputError, match=r"points must be \(n, 2\)"):
        declustering_weights(np.ones((3, 3)))
    with pytest.raises(InputError, match="one place .* for each value"):
        likely_models(grid(3, 1.0), [1.0, 2.0])
    with pytest.raises(InputError, match="equal|differ"):
        likely_models(grid(3, 1.0), np.full(9, 0.2))
    with pytest.raises(InputError, match="one place"):
        likely_models(np.zeros((9, 2)), np.linspace(0.1, 0.4, 9))
    with pytest.raises(InputError, match="the micro scale must lie below the macro scale"):
        two_scales(table, sigma_vwc=0.01, micro_m=(0.5, 6.0))
    with pytest.raises(InputError, match="relative_error must lie between"):
        pairs_needed(0.0)
    with pytest.raises(InputError, match="a visit's level reaches the porosity"):
        variability_given_level([0.2, 0.5], [0.02, 0.02], porosity=0.45)
    with pytest.raises(InputError, match="must be greater than zero"):
        variability_given_level([0.2, 0.3], [0.02, 0.0], porosity=0.45)
    with pytest.raises(InputError, match="each visit has one mean and one sd"):
        variability_given_level([0.2, 0.3], [0.02], porosity=0.45)
