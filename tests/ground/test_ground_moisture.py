"""Moisture: summary and map."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from pykrige.ok import OrdinaryKriging

from yewline.errors import InputError
from yewline.geostat import VariogramModel, gaussian_field
from yewline.ground import map_moisture, moisture_posterior, split_reading_error, summarise_moisture
from yewline.model import make_readings


def scattered(n: int, seed: int = 0, size: float = 30.0) -> pd.DataFrame:
    """Readings of a smooth pattern with a little of their own error."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, size, (n, 2))
    field = gaussian_field((61, 61), size / 60, ranges_m=15.0, sd=0.03, seed=seed)
    row, column = np.rint(xy[:, ::-1].T / (size / 60)).astype(int)
    vwc = np.clip(0.22 + field[row, column] + 0.005 * rng.standard_normal(n), 0.02, 0.5)
    return make_readings(x=xy[:, 0], y=xy[:, 1], vwc=vwc)


def test_summary_agrees_with_scipy() -> None:
    table = scattered(50)
    ours = summarise_moisture(table, support_depth_m=0.12)
    vwc = table["vwc"].to_numpy()
    assert ours.n == 50
    assert ours.mean == pytest.approx(scipy.stats.tmean(vwc), rel=1e-14)
    assert ours.sd == pytest.approx(scipy.stats.tstd(vwc), rel=1e-12)
    assert ours.cv == pytest.approx(scipy.stats.variation(vwc, ddof=1), rel=1e-12)
    # SciPy scales by the exact 1/Φ⁻¹(¾) = 1.482602, here 1.4826.
    assert ours.robust_sd == pytest.approx(scipy.stats.median_abs_deviation(vwc, scale="normal"), rel=2e-6)
    assert (ours.p10, ours.median, ours.p90) == pytest.approx(tuple(np.percentile(vwc, [10, 50, 90])), rel=1e-14)
    assert ours.support_depth_m == 0.12


def test_level_and_variability_are_kept_apart() -> None:
    table = scattered(30)
    wetter = table.assign(vwc=table["vwc"] + 0.1)
    dry, wet = (summarise_moisture(t, support_depth_m=0.1) for t in (table, wetter))
    assert wet.mean - dry.mean == pytest.approx(0.1, rel=1e-12)
    assert wet.sd == pytest.approx(dry.sd, rel=1e-12)
    assert wet.robust_sd == pytest.approx(dry.robust_sd, rel=1e-9)
    assert wet.cv < dry.cv


def test_summary_of_one_reading_and_of_dust() -> None:
    one = summarise_moisture(make_readings(x=[0.0], y=[0.0], vwc=[0.2]), support_depth_m=0.1)
    assert (one.n, one.mean, one.median, one.p10, one.p90) == (1, 0.2, 0.2, 0.2, 0.2)
    assert np.isnan([one.sd, one.cv, one.robust_sd]).all()
    dust = summarise_moisture(make_readings(x=[0.0, 1.0], y=[0.0, 0.0], vwc=[0.0, 0.0]), support_depth_m=0.1)
    assert dust.sd == 0
    assert np.isnan(dust.cv)


def test_reading_error_splits_into_quadrature() -> None:
    own, common = split_reading_error(0.03)
    assert np.hypot(own, common) == pytest.approx(0.03, rel=1e-14)
    assert split_reading_error(0.03, common_share=0.0) == (0.03, 0.0)
    assert split_reading_error(0.03, common_share=1.0) == (0.0, 0.03)


def test_map_agrees_with_pykrige_on_the_same_model() -> None:
    table = scattered(40, seed=4)
    x, y = np.arange(0.0, 31.0, 2.0), np.arange(0.0, 29.0, 2.0)
    # One model alone of those that the readings allow: PyKrige knows but one.
    made = moisture_posterior(table, sigma_vwc=0.01)
    one = replace(made.posterior, models=(made.posterior.most_likely,), weights=np.ones(1))
    ours = map_moisture(table, x=x, y=y, sigma_vwc=0.01, inferred=replace(made, posterior=one))
    assert ours is not None
    assert ours.attrs["fitted"] == 1
    model = made.posterior.most_likely
    # PyKrige has no errors of readings: its nugget, taken off the variance again, is the same thing off the readings.
    peer = OrdinaryKriging(
        table["x"],
        table["y"],
        table["vwc"],
        variogram_model="exponential",
        variogram_parameters={
            "psill": model.partial_sill,
            "range": model.range_m,
            "nugget": model.nugget + ours.attrs["reading_error"],
        },
    )
    theirs, variance = peer.execute("grid", x, y)
    shown = ours["vwc"].notnull().to_numpy()
    assert shown.mean() > 0.8
    np.testing.assert_allclose(ours["vwc"].to_numpy()[shown], np.asarray(theirs)[shown], atol=1e-9)
    true_variance = np.asarray(variance)[shown] - ours.attrs["reading_error"]
    np.testing.assert_allclose(ours["vwc_sd"].to_numpy()[shown] ** 2, true_variance, atol=1e-9)


def test_the_one_model_that_a_map_names_varies_about_as_much_as_the_ground() -> None:
    # Few and poor readings: the likeliest of their models is all nugget on some of these grounds, and has a range far
    # beyond the ground on others.
    every = np.stack(np.meshgrid(np.arange(0.0, 31.0, 2.0), np.arange(0.0, 21.0, 2.0)), axis=-1).reshape(-1, 2)
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0, 31, 6), np.arange(0, 21, 6)))

    def within(model: VariogramModel) -> float:
        """Expected variance of places about their mean over the ground."""
        return float(model.partial_sill - model.covariance(every, every).mean())

    true = within(VariogramModel("exponential", partial_sill=0.02**2, range_m=20.0))
    shares, likeliest = [], []
    for seed in range(12):
        field = gaussian_field((31, 31), 1.0, ranges_m=20.0, sd=0.02, seed=seed)
        error = 0.02 * np.random.default_rng(seed).standard_normal(len(x))
        table = make_readings(x=x, y=y, vwc=0.2 + field[y, x] + error)
        made = moisture_posterior(table, sigma_vwc=0.02 * np.sqrt(2))
        mapped = map_moisture(table, x=[0.0, 30.0], y=[0.0, 20.0], sigma_vwc=0.02 * np.sqrt(2), inferred=made)
        assert mapped is not None
        about = {name: mapped.attrs[name] for name in ("family", "partial_sill", "range_m", "nugget")}
        shares.append(within(VariogramModel(**about)) / true)
        likeliest.append(within(made.posterior.most_likely) / true)
    assert min(shares) > 0.15
    assert max(shares) < 2.5
    assert np.abs(np.log(shares)).mean() < 0.6 * np.abs(np.log(likeliest)).mean()


def test_map_reproduces_exact_readings_and_averages_poor_ones() -> None:
    x = np.arange(0.0, 20.0, 4.0)
    xx, yy = (a.ravel() for a in np.meshgrid(x, x))
    table = make_readings(x=xx, y=yy, vwc=0.2 + 0.05 * np.sin(xx / 6))
    sharp = map_moisture(table, x=x, y=x, sigma_vwc=1e-6)
    blunt = map_moisture(table, x=x, y=x, sigma_vwc=0.05)
    assert sharp is not None
    assert blunt is not None
    readings = table["vwc"].to_numpy().reshape(5, 5)
    # Exact readings do not exclude a little structure finer than they lie apart: the likeliest model has next to none,
    # the middle one of all that they allow under a hundredth of the variance.
    likeliest = moisture_posterior(table, sigma_vwc=1e-6).posterior.most_likely
    assert likeliest.nugget < 1e-3 * likeliest.partial_sill
    assert sharp.attrs["nugget"] < 1e-2 * sharp.attrs["partial_sill"]
    np.testing.assert_allclose(sharp["vwc"], readings, atol=float(sharp["vwc_sd"].max()))
    assert float(sharp["vwc_sd"].max()) < 0.25 * table["vwc"].std()
    assert float(blunt["vwc_sd"].min()) > 0.005
    assert blunt["vwc"].std() < sharp["vwc"].std()
    assert "is large for how little they differ" in blunt.attrs["notes"]


def test_blank_far_away_and_less_sure_with_distance() -> None:
    table = make_readings(x=[0.0, 2.0, 0.0, 2.0], y=[0.0, 0.0, 2.0, 2.0], vwc=[0.2, 0.25, 0.22, 0.3])
    x = np.arange(0.0, 40.0, 0.5)
    line = map_moisture(table, x=x, y=[1.0], sigma_vwc=0.01)
    assert line is not None
    shown = line["vwc"].notnull().to_numpy()[0]
    reach = line.attrs["reach_m"]
    assert reach == pytest.approx(5.0)
    away = np.hypot(np.maximum(x - 2.0, 0.0), 1.0)
    assert not shown[away > reach].any()
    assert shown[x <= 3.0].all()
    sd = line["vwc_sd"].to_numpy()[0][shown & (x >= 2.0)]
    assert (np.diff(sd) > 0).all()
    np.testing.assert_array_equal(line["vwc_sd"].notnull(), line["vwc"].notnull())


def test_interval_of_the_map_covers_the_truth() -> None:
    # 25 simulated grounds of known covariance, 60 readings each with an own error of 0.01: 90 % intervals of the map
    # hold the truth in about 90 % of cells (the variogram's own uncertainty is among its errors).
    x = np.arange(0.0, 30.5, 1.0)
    inside = []
    for seed in range(25):
        rng = np.random.default_rng(1000 + seed)
        truth = 0.22 + gaussian_field((31, 31), 1.0, ranges_m=12.0, sd=0.03, seed=rng)
        row, column = rng.integers(0, 31, (2, 60))
        vwc = np.clip(truth[row, column] + 0.01 * rng.standard_normal(60), 0, 0.6)
        table = make_readings(x=x[column], y=x[row], vwc=vwc)
        result = map_moisture(table, x=x, y=x, sigma_vwc=0.01 * np.sqrt(2))
        assert result is not None
        miss = np.abs(result["vwc"].to_numpy() - truth) / result["vwc_sd"].to_numpy()
        inside.append(np.mean(miss[np.isfinite(miss)] < 1.645))
    assert 0.84 < np.mean(inside) < 0.95


def test_few_readings() -> None:
    for n in (1, 2):
        assert map_moisture(scattered(n), x=[0.0, 1.0], y=[0.0], sigma_vwc=0.03) is None
    twice = make_readings(x=[0.0, 0.0, 1.0, 1.0], y=[0.0, 0.0, 1.0, 1.0], vwc=[0.2, 0.2, 0.3, 0.3])
    assert map_moisture(twice, x=[0.0, 1.0], y=[0.0], sigma_vwc=0.03) is None
    few = map_moisture(scattered(7), x=np.arange(30.0), y=np.arange(30.0), sigma_vwc=0.01, assumed_range_m=14.0)
    assert few is not None
    assert few.attrs["fitted"] == 0
    assert few.attrs["range_m"] == 14.0
    assert few.attrs["notes"] == (
        "7 readings are too few for intervals (8 are needed): they are described only. For the map a range of 14 m is "
        "assumed."
    )


def test_even_readings_and_repeated_ones() -> None:
    even = scattered(12).assign(vwc=0.2)
    result = map_moisture(even, x=np.arange(30.0), y=np.arange(30.0), sigma_vwc=0.02)
    assert result is not None
    assert result.attrs["fitted"] == 0
    np.testing.assert_allclose(result["vwc"].to_numpy()[result["vwc"].notnull()], 0.2, atol=1e-12)
    table = scattered(20)
    repeated = pd.concat([table, table.iloc[:5]], ignore_index=True)
    again = map_moisture(repeated, x=np.arange(30.0), y=np.arange(30.0), sigma_vwc=0.01)
    assert again is not None
    assert again.attrs["readings"] == 25


def test_trend_across_the_whole_site_is_said() -> None:
    x = np.linspace(0, 30, 8)
    xx, yy = (a.ravel() for a in np.meshgrid(x, x))
    table = make_readings(x=xx, y=yy, vwc=0.1 + 0.01 * xx)
    result = map_moisture(table, x=x, y=x, sigma_vwc=0.001)
    assert result is not None
    assert "Practical range at least" in result.attrs["notes"]
    assert "Moisture changes over more than the surveyed ground." in result.attrs["notes"]


def test_noise_without_pattern_gives_a_smooth_map() -> None:
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, 30, (80, 2))
    table = make_readings(x=xy[:, 0], y=xy[:, 1], vwc=0.2 + 0.03 * rng.standard_normal(80))
    result = map_moisture(table, x=np.arange(30.0), y=np.arange(30.0), sigma_vwc=0.04)
    assert result is not None
    assert float(result["vwc"].std()) < 0.015


def test_structure_between_neighbours_is_said() -> None:
    # Readings on a chessboard of 2 m: neighbours differ as much as any two.
    xx, yy = (a.ravel() for a in np.meshgrid(np.arange(0.0, 20.0, 2.0), np.arange(0.0, 20.0, 2.0)))
    rng = np.random.default_rng(9)
    table = make_readings(x=xx, y=yy, vwc=0.2 + 0.04 * np.sign(np.sin(xx * 1.6 + 0.3 * yy)) + 0.01 * rng.random(100))
    result = map_moisture(table, x=np.arange(20.0), y=np.arange(20.0), sigma_vwc=0.005)
    assert result is not None
    assert "More than half of the variability lies between neighbouring readings" in result.attrs["notes"]


def test_same_bytes_and_inputs_kept() -> None:
    table = scattered(30, seed=2)
    before = table.copy()
    one, two = (map_moisture(table, x=np.arange(30.0), y=np.arange(20.0), sigma_vwc=0.02) for _ in range(2))
    assert one is not None
    assert two is not None
    assert one["vwc"].to_numpy().tobytes() == two["vwc"].to_numpy().tobytes()
    assert one["vwc_sd"].to_numpy().tobytes() == two["vwc_sd"].to_numpy().tobytes()
    pd.testing.assert_frame_equal(table, before)


def test_faults() -> None:
    table = scattered(10)
    with pytest.raises(InputError, match="x must increase from cell to cell"):
        map_moisture(table, x=[1.0, 0.0], y=[0.0], sigma_vwc=0.03)
    with pytest.raises(InputError, match="sigma_vwc must be greater than zero"):
        map_moisture(table, x=[0.0], y=[0.0], sigma_vwc=0.0)
    with pytest.raises(InputError, match="family must be one of"):
        map_moisture(table, x=[0.0], y=[0.0], sigma_vwc=0.03, family="cubic")
    with pytest.raises(InputError, match="readings' x and y holds values that are not finite"):
        map_moisture(table.assign(x=np.nan), x=[0.0], y=[0.0], sigma_vwc=0.03)
    with pytest.raises(InputError, match="support_depth_m must be greater than zero"):
        summarise_moisture(table, support_depth_m=0.0)
    with pytest.raises(InputError, match="common_share must lie between 0 and 1"):
        split_reading_error(0.03, common_share=1.5)
