"""Velocity from moisture, and its uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from yewline.errors import InputError
from yewline.ground import (
    PROFILE_SIGMA_VWC,
    map_moisture,
    profile_sigma_vwc,
    soil_model_sigma,
    split_reading_error,
    summarise_moisture,
    velocity_declared,
    velocity_from_moisture,
    velocity_slope,
)
from yewline.model import Soil, VelocityField, make_readings
from yewline.physics import TOPP_STANDARD_ERROR_VWC, mixed_permittivity, topp_permittivity, velocity_of_permittivity

SUPPORT = 0.12


def grid_readings(n: int, spread: float = 0.02, mean: float = 0.2) -> pd.DataFrame:
    rng = np.random.default_rng(n)
    xy = rng.uniform(0, 20, (n, 2))
    vwc = rng.standard_normal(n)
    vwc -= vwc.mean()
    if n > 1:
        vwc *= spread / vwc.std(ddof=1)
    return make_readings(x=xy[:, 0], y=xy[:, 1], vwc=mean + vwc)


def field_of(
    table: pd.DataFrame, *, sigma_vwc: float = 0.03, target: float = 1.0, mapped: bool = True
) -> VelocityField:
    x = np.arange(0.0, 40.0, 1.0)
    result = map_moisture(table, x=x, y=x[:21], sigma_vwc=sigma_vwc) if mapped else None
    summary = summarise_moisture(table, support_depth_m=SUPPORT)
    return velocity_from_moisture(summary, result, sigma_vwc=sigma_vwc, target_depth_m=target)


def test_slope_is_the_derivative_of_topp() -> None:
    theta = np.linspace(0.03, 0.55, 27)
    step = 1e-6
    by_difference = (
        velocity_of_permittivity(topp_permittivity(theta + step))
        - velocity_of_permittivity(topp_permittivity(theta - step))
    ) / (2 * step)
    np.testing.assert_allclose(velocity_slope(theta), by_difference, rtol=1e-6)


def test_field_follows_the_map() -> None:
    table = grid_readings(40)
    x = np.arange(0.0, 40.0, 1.0)
    result = map_moisture(table, x=x, y=x[:21], sigma_vwc=0.03)
    assert result is not None
    field = field_of(table)
    theta = result["vwc"].to_numpy()
    np.testing.assert_array_equal(field.v_m_per_ns[0], velocity_of_permittivity(topp_permittivity(theta)))
    np.testing.assert_array_equal(field.x, x)
    assert np.isnan(field.v_m_per_ns).any()
    np.testing.assert_array_equal(np.isnan(field.sigma_m_per_ns), np.isnan(field.v_m_per_ns))
    assert field.mean_m_per_ns == pytest.approx(np.nanmean(field.v_m_per_ns), rel=1e-12)
    # Where the map is blank the field answers with its mean, and is less sure.
    v, sigma = field.at([39.0], [10.0])
    assert v[0, 0] == field.mean_m_per_ns
    assert sigma[0, 0] >= np.nanmax(field.sigma_m_per_ns)


def test_mean_error_does_not_shrink_below_what_all_readings_share() -> None:
    _, common = split_reading_error(0.03)
    profile = profile_sigma_vwc(support_depth_m=SUPPORT, target_depth_m=1.0)
    floor = abs(float(velocity_slope(0.2))) * np.sqrt(common**2 + profile**2 + TOPP_STANDARD_ERROR_VWC**2)
    sigmas = [field_of(grid_readings(n), mapped=False).mean_sigma_m_per_ns for n in (2, 4, 16, 400)]
    assert sigmas == sorted(sigmas, reverse=True)
    assert min(sigmas) > floor
    assert sigmas[-1] == pytest.approx(np.hypot(floor, float(soil_model_sigma(0.2))), rel=1e-3)


def test_error_agrees_with_drawing_at_random() -> None:
    # The chain redrawn: moisture with all its errors, then Topp; the soil-model term is added apart in both.
    rng = np.random.default_rng(12)
    field = field_of(grid_readings(30, spread=0.01), sigma_vwc=0.02, target=0.5, mapped=False)
    own, common = split_reading_error(0.02)
    summary = summarise_moisture(grid_readings(30, spread=0.01), support_depth_m=SUPPORT)
    n = 400_000
    theta = (
        summary.mean
        + common * rng.standard_normal(n)
        + TOPP_STANDARD_ERROR_VWC * rng.standard_normal(n)
        + profile_sigma_vwc(support_depth_m=SUPPORT, target_depth_m=0.5) * rng.standard_normal(n)
        + summary.sd / np.sqrt(30) * rng.standard_normal(n)
    )
    v = velocity_of_permittivity(topp_permittivity(theta)) + float(soil_model_sigma(0.2)) * rng.standard_normal(n)
    low, high = np.quantile(v, [0.05, 0.95])
    assert 1.645 * field.mean_sigma_m_per_ns == pytest.approx(0.5 * (high - low), rel=0.02)
    assert field.mean_m_per_ns == pytest.approx(np.median(v), rel=0.002)
    assert own == common


def test_calibration_alone_is_nine_percent() -> None:
    # ±0.03 at 0.20 m³/m³ is ±9 % of velocity by Topp et al. 1980; the 90 % interval of the whole is wider.
    relative = abs(float(velocity_slope(0.2))) * 0.03 / float(velocity_of_permittivity(topp_permittivity(0.2)))
    assert relative == pytest.approx(0.0867, abs=1e-4)
    field = field_of(grid_readings(400), mapped=False)
    assert 1.645 * field.mean_sigma_m_per_ns / field.mean_m_per_ns > relative


def test_a_shallow_probe_says_little_about_a_metre() -> None:
    assert profile_sigma_vwc(support_depth_m=0.12, target_depth_m=0.12 * np.e) == pytest.approx(PROFILE_SIGMA_VWC)
    assert profile_sigma_vwc(support_depth_m=1.0, target_depth_m=0.5) == 0
    table = grid_readings(30)
    sigmas = [field_of(table, target=depth).mean_sigma_m_per_ns for depth in (0.1, 0.5, 1.0, 2.0)]
    assert sigmas == sorted(sigmas)
    assert sigmas[-1] > 1.2 * sigmas[0]
    summary = summarise_moisture(table, support_depth_m=SUPPORT)
    deep = velocity_from_moisture(summary, None, sigma_vwc=0.03, target_depth_m=1.0, support_depth_m=1.0)
    assert deep.mean_sigma_m_per_ns < sigmas[2]


def test_soil_models_disagree_by_their_half_difference() -> None:
    theta = np.array([0.05, 0.2, 0.4])
    topp = velocity_of_permittivity(topp_permittivity(theta))
    mixed = velocity_of_permittivity(mixed_permittivity(theta, porosity=0.45))
    np.testing.assert_allclose(soil_model_sigma(theta), np.abs(topp - mixed) / 2, rtol=1e-12)
    assert np.isnan(soil_model_sigma([0.2, np.nan])).tolist() == [False, True]
    assert np.isfinite(soil_model_sigma(0.58))


def test_soil_models_disagree_cell_by_cell() -> None:
    theta = np.array([[0.05, 0.2], [0.47, 0.58]])
    np.testing.assert_array_equal(soil_model_sigma(theta), [[float(soil_model_sigma(v)) for v in row] for row in theta])


@pytest.mark.parametrize(("n", "spread"), [(1, 0.0), (4, 0.02), (7, 0.05), (8, 0.05), (30, 0.02), (30, 0.01)])
def test_error_of_a_place_holds_that_of_the_mean(n: int, spread: float) -> None:
    own, common = split_reading_error(0.02)
    ground = max(spread**2 - own**2, 0.0)
    if n < 8:
        ground = max(ground, 0.03**2)
    shared = common**2 + TOPP_STANDARD_ERROR_VWC**2
    field = velocity_from_moisture(
        summarise_moisture(grid_readings(n, spread), support_depth_m=1.0), None, sigma_vwc=0.02, target_depth_m=1.0
    )
    mean = summarise_moisture(grid_readings(n, spread), support_depth_m=1.0).mean
    slope, models = abs(float(velocity_slope(mean))), float(soil_model_sigma(mean))
    place = ground * (1 + 1 / n) + own**2 / n
    assert field.sigma_m_per_ns.item() == pytest.approx(np.hypot(slope * np.sqrt(place + shared), models), rel=1e-9)
    of_mean = (ground + own**2) / n
    assert field.mean_sigma_m_per_ns == pytest.approx(np.hypot(slope * np.sqrt(of_mean + shared), models), rel=1e-9)


@pytest.mark.parametrize("n", [3, 8, 20])
def test_nine_in_ten_places_lie_within_the_error_stated(n: int) -> None:
    # Sites drawn at random, read n times, and then asked at a place that was not read.
    rng = np.random.default_rng(n)
    own, common = split_reading_error(0.01)
    inside = []
    for _ in range(1_500):
        ground = 0.22 + 0.03 * rng.standard_normal(n + 1)
        seen = ground[:n] + own * rng.standard_normal(n) + common * rng.standard_normal()
        summary = summarise_moisture(make_readings(x=np.arange(n), y=np.zeros(n), vwc=seen), support_depth_m=1.0)
        field = velocity_from_moisture(summary, None, sigma_vwc=0.01, target_depth_m=1.0)
        theta = ground[n] + TOPP_STANDARD_ERROR_VWC * rng.standard_normal()
        v = float(velocity_of_permittivity(topp_permittivity(theta)))
        v += float(soil_model_sigma(theta)) * rng.standard_normal()
        inside.append(abs(v - field.v_m_per_ns.item()) <= 1.645 * field.sigma_m_per_ns.item())
    # A scatter told by n readings is Student's t with n − 1 degrees of freedom; below 8 a least scatter stands in.
    # Counting 1500 sites leaves ± 0.016 (two standard deviations).
    least = 0.90 if n < 8 else 2 * stats.t.cdf(1.645, n - 1) - 1
    assert least - 0.016 <= np.mean(inside) <= (0.95 if n < 8 else 0.916)


@pytest.mark.parametrize("n", [1, 2])
def test_few_readings_give_a_uniform_field(n: int) -> None:
    field = field_of(grid_readings(n))
    assert field.v_m_per_ns.shape == (1, 1, 1)
    assert field.mean_m_per_ns == pytest.approx(float(velocity_of_permittivity(topp_permittivity(0.2))), rel=1e-9)
    assert field.sigma_m_per_ns.item() > 0.05 * field.mean_m_per_ns
    assert f"{n} moisture reading" in field.source
    assert "Topp et al. 1980" in field.source


def test_a_map_that_is_all_blank_counts_as_none() -> None:
    table = grid_readings(10)
    far = map_moisture(table, x=[500.0, 501.0], y=[500.0], sigma_vwc=0.03)
    summary = summarise_moisture(table, support_depth_m=SUPPORT)
    one = velocity_from_moisture(summary, far, sigma_vwc=0.03, target_depth_m=1.0)
    two = velocity_from_moisture(summary, None, sigma_vwc=0.03, target_depth_m=1.0)
    assert one.mean_m_per_ns == two.mean_m_per_ns
    assert one.sigma_m_per_ns.item() == two.sigma_m_per_ns.item()


def test_wetter_ground_is_slower() -> None:
    means = [field_of(grid_readings(20, mean=mean)).mean_m_per_ns for mean in (0.1, 0.2, 0.3, 0.4)]
    assert means == sorted(means, reverse=True)


def test_declared_velocity() -> None:
    field = velocity_declared(Soil(velocity_m_per_ns=0.1, velocity_sigma_m_per_ns=0.004))
    assert field is not None
    assert (field.mean_m_per_ns, field.mean_sigma_m_per_ns) == (0.1, 0.004)
    assumed = velocity_declared(Soil(velocity_m_per_ns=0.1))
    assert assumed is not None
    assert assumed.mean_sigma_m_per_ns == pytest.approx(0.01)
    assert "± 16 % assumed" in assumed.source
    assert velocity_declared(Soil()) is None


def test_faults() -> None:
    with pytest.raises(InputError, match=r"velocity above that of light \(received 0\.2998 m/ns\)"):
        velocity_declared(Soil.model_construct(velocity_m_per_ns=0.2998, velocity_sigma_m_per_ns=None))
    with pytest.raises(InputError, match="velocity above that of light"):
        velocity_declared(Soil.model_construct(velocity_m_per_ns=0.35, velocity_sigma_m_per_ns=None))
    with pytest.raises(InputError, match="velocity_sigma_m_per_ns must be greater than zero"):
        velocity_declared(Soil.model_construct(velocity_m_per_ns=0.1, velocity_sigma_m_per_ns=0.0))
    summary = summarise_moisture(grid_readings(4), support_depth_m=SUPPORT)
    with pytest.raises(InputError, match="target_depth_m must be greater than zero"):
        velocity_from_moisture(summary, None, sigma_vwc=0.03, target_depth_m=0.0)
