"""Noise, rules, found and drawn hotspots; dry and wet visits of the same ground."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation

from yewline.errors import InputError
from yewline.hotspots import describe, equal_area_level, find_hotspots, noise_level, noise_rule_level
from yewline.model import HOTSPOT_COLUMNS, VelocityField, VolumeGrid, make_radargram
from yewline.volume import build_volume, cut_slices, slice_exactly, slice_thickness_m

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=80, ny=60, depth_step_m=0.05, nz=1)


def noisy(seed=0, graves=((3.0, 4.0), (9.0, 8.0), (15.0, 4.0)), height=2.0):
    rng = np.random.default_rng(seed)
    strength = rng.normal(1.0, 0.1, (GRID.ny, GRID.nx))
    xx, yy = np.meshgrid(GRID.x, GRID.y)
    for x, y in graves:
        strength += height * np.exp(-(((xx - x) / 0.5) ** 2) - ((yy - y) / 1.0) ** 2)
    return strength


def test_median_and_robust_sd_of_normal_noise_are_its_mean_and_sd():
    values = np.random.default_rng(1).normal(5.0, 0.7, (300, 300))
    assert noise_level(values) == pytest.approx((5.0, 0.7), rel=0.01)
    # Outside reference: SciPy's median absolute deviation, the same where noise is symmetric.
    assert noise_level(values)[1] == pytest.approx(median_abs_deviation(values, axis=None, scale="normal"), rel=0.01)


def test_the_noise_of_an_envelope_follows_the_rayleigh_quantiles():
    # The envelope of normal noise has quantiles σ√(−2 ln(1 − p)) (Rayleigh distribution).
    values = np.abs(
        np.random.default_rng(2).normal(size=(400, 400)) + 1j * np.random.default_rng(3).normal(size=(400, 400))
    )
    median, quartile = math.sqrt(-2 * math.log(0.5)), math.sqrt(-2 * math.log(0.75))
    assert noise_level(values) == pytest.approx((median, (median - quartile) / 0.674490), rel=0.01)


def test_graves_widen_the_noise_far_less_than_the_plain_deviation():
    clean = np.random.default_rng(4).normal(1.0, 0.1, (100, 100))
    full = clean.copy()
    full[:10] += 3.0
    level, plain = noise_level(full)[1], median_abs_deviation(full, axis=None, scale="normal")
    assert level == pytest.approx(0.1, rel=0.10)
    assert plain > level
    assert full.std() > 8 * level


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1000), scale=st.floats(1e-3, 1e3), shift=st.floats(-10, 10))
def test_noise_scales_and_shifts_with_the_strength(seed, scale, shift):
    values = np.random.default_rng(seed).uniform(1, 2, (6, 7))
    median, sd = noise_level(values)
    assert noise_level(scale * (values + shift)) == pytest.approx((scale * (median + shift), scale * sd), rel=1e-6)


def test_blank_and_outside_cells_do_not_count():
    values = np.array([[1.0, 2.0, np.nan], [3.0, 100.0, 200.0]])
    inside = np.array([[True, True, True], [True, False, False]])
    assert noise_level(values, inside=inside) == pytest.approx((2.0, 1.482602 * 0.5), rel=1e-6)
    assert np.isnan(noise_level(np.full((2, 2), np.nan))).all()
    assert equal_area_level(values, 0.5, inside=inside) == 2.0


@pytest.mark.parametrize("share", [0.02, 0.08, 0.25, 0.5])
def test_the_equal_area_level_is_exceeded_by_its_share(share):
    strength = noisy()
    strength[:, :20] = np.nan
    covered = np.isfinite(strength)
    level = equal_area_level(strength, share)
    assert (strength[covered] > level).mean() == pytest.approx(share, abs=1.5 / covered.sum())
    other = strength * 37.0 + 5.0
    assert (other[covered] > equal_area_level(other, share)).mean() == pytest.approx(share, abs=1.5 / covered.sum())


def test_outlines_by_equal_area_cover_that_share_of_a_smooth_map():
    xx, yy = np.meshgrid(GRID.x, GRID.y)
    strength = np.sin(0.9 * xx) + np.cos(0.7 * yy + 0.3 * xx)
    table = find_hotspots(strength, GRID, visit="v", rule="equal-area", area_share=0.15, minimum_area_m2=0.01)
    assert table["area_m2"].sum() == pytest.approx(0.15 * GRID.nx * GRID.ny * GRID.cell_m**2, rel=0.03)
    assert set(table["rule"]) == {"equal-area"}


def test_three_graves_in_noise_are_found_where_they_are():
    table = find_hotspots(noisy(), GRID, visit="dry", top_m=0.6, base_m=0.8, threshold=4.0)
    assert table["hotspot"].tolist() == ["dry-01", "dry-02", "dry-03"]
    assert sorted(zip(table["x"].round(), table["y"].round(), strict=True)) == [(3, 4), (9, 8), (15, 4)]
    assert list(table.columns) == [*HOTSPOT_COLUMNS, "geometry"]
    assert table["peak_strength"].is_monotonic_decreasing
    assert (table["source"].unique().tolist(), table["top_m"].unique().tolist()) == (["found"], [0.6])
    assert np.minimum(table["azimuth_deg"], 180 - table["azimuth_deg"]).max() < 15
    assert table.attrs["level"] == pytest.approx(table.attrs["noise_median"] + 4 * table.attrs["noise_sd"])
    assert table.crs is None


def test_a_louder_visit_of_the_same_ground_gives_the_same_outlines():
    one = find_hotspots(noisy(), GRID, visit="a")
    other = find_hotspots(8.0 * noisy(), GRID, visit="b")
    assert len(one) == len(other)
    for p, q in zip(one.geometry, other.geometry, strict=True):
        assert p.symmetric_difference(q).area < 1e-6
    assert other["peak_strength"].to_numpy() == pytest.approx(8 * one["peak_strength"].to_numpy())


def test_a_higher_threshold_only_shrinks_what_is_found():
    areas = [find_hotspots(noisy(), GRID, visit="v", threshold=t)["area_m2"].sum() for t in (2.0, 3.0, 5.0, 8.0)]
    assert areas == sorted(areas, reverse=True)


def test_slices_without_anything_give_a_table_without_rows():
    blank, flat = np.full((60, 80), np.nan), np.full((60, 80), 0.1, np.float32)
    almost = flat * (1 + 1e-7 * np.random.default_rng(6).normal(size=flat.shape))
    for strength in (blank, flat, almost):
        for rule in ("noise", "equal-area"):
            table = find_hotspots(strength, GRID, visit="v", rule=rule)
            assert len(table) == 0
            assert list(table.columns) == [*HOTSPOT_COLUMNS, "geometry"]
            assert table.attrs["level"] is None
    assert len(find_hotspots(noisy(), GRID, visit="v", threshold=1e6)) == 0
    assert len(find_hotspots(noisy(), GRID, visit="v", minimum_area_m2=1e4)) == 0


def test_the_area_cuts_outlines_and_sets_the_noise():
    strength = noisy()
    strength[:, 60:] += 50.0
    area = shapely.box(-1, -1, 13.9, 20)
    table = find_hotspots(strength, GRID, visit="v", threshold=4.0, area=area)
    assert len(table) == 2
    assert all(area.covers(p) for p in table.geometry)
    assert table.attrs["noise_median"] == pytest.approx(1.0, abs=0.02)


def test_faults_of_finding_are_named():
    with pytest.raises(InputError, match="rule must be one of noise, equal-area"):
        find_hotspots(noisy(), GRID, visit="v", rule="loud")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="threshold must be greater than zero"):
        find_hotspots(noisy(), GRID, visit="v", threshold=0)
    for share in (0.0, 1.0):
        with pytest.raises(InputError, match="area_share must be between 0 and 1, both excluded"):
            find_hotspots(noisy(), GRID, visit="v", area_share=share)
    with pytest.raises(InputError, match="strength does not fit the grid"):
        find_hotspots(np.ones((3, 3)), GRID, visit="v")
    with pytest.raises(InputError, match="strength holds infinite values"):
        noise_level([[np.inf]])
    with pytest.raises(InputError, match="inside must fit strength"):
        noise_level(np.ones((2, 2)), inside=np.ones((2, 3), bool))
    with pytest.raises(InputError, match="share must lie between 0 and 1"):
        equal_area_level(np.ones((2, 2)), 2.0)
    with pytest.raises(InputError, match="threshold must be finite"):
        noise_rule_level(1.0, 1.0, math.nan)


def test_drawn_outlines_are_measured_like_found_ones():
    found = find_hotspots(noisy(), GRID, visit="dry", top_m=0.6, base_m=0.8, threshold=4.0)
    drawn = gpd.GeoDataFrame({"hotspot": ["A", "", "C"], "colour": "red"}, geometry=list(found.geometry))
    table = describe(drawn, noisy(), GRID, visit="dry", top_m=0.6, base_m=0.8)
    assert table["hotspot"].tolist() == ["A", "dry-drawn-01", "C"]
    assert list(table.columns) == list(found.columns)
    assert set(table["source"]) == {"drawn"}
    for name in ("area_m2", "length_m", "width_m", "azimuth_deg", "x", "y", "mean_strength", "peak_strength", "top_m"):
        assert table[name].tolist() == found[name].tolist()
    assert "colour" in drawn.columns
    assert drawn["hotspot"].tolist() == ["A", "", "C"]


def test_drawn_outlines_keep_what_they_say_of_themselves():
    drawn = gpd.GeoDataFrame(
        {"hotspot": [None, "drawn-01"], "visit": ["", np.nan], "rule": "by eye", "top_m": 0.4, "source": "found"},
        geometry=[shapely.box(1, 1, 2, 2), shapely.MultiPolygon([shapely.box(3, 3, 4, 4), shapely.box(5, 5, 6, 6)])],
    )
    table = describe(drawn, noisy(), GRID)
    assert table["hotspot"].tolist() == ["drawn-02", "drawn-01"]
    assert table["top_m"].tolist() == [0.4, 0.4]
    assert table["rule"].tolist() == ["by eye", "by eye"]
    assert table["area_m2"].tolist() == [1.0, 2.0]
    assert len(describe(drawn.iloc[:0], noisy(), GRID)) == 0


def test_faults_of_drawn_outlines_are_named():
    boxes = [shapely.box(1, 1, 2, 2), shapely.box(3, 3, 4, 4)]
    with pytest.raises(InputError, match=r"two drawn outlines have the same id \(received A\)\. Rename one"):
        describe(gpd.GeoDataFrame({"hotspot": ["A", "A"]}, geometry=boxes), noisy(), GRID)
    with pytest.raises(InputError, match=r"outline 1 is not an area \(received Point\)"):
        describe(gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)]), noisy(), GRID)
    with pytest.raises(InputError, match="strength does not fit the grid"):
        describe(gpd.GeoDataFrame(geometry=boxes), np.ones((2, 2)), GRID)


DRY, WET, CENTRE_MHZ = 0.130, 0.073, 400.0
GRAVES = ((2.0, 2.5, 0.90), (5.0, 3.0, 0.90), (8.0, 2.5, 0.95), (3.5, 7.0, 0.90), (7.0, 7.5, 0.85))


def recorded(velocity, seed):
    """Envelopes over the same graves in ground of one velocity: a pulse from each floor, in Rayleigh noise."""
    rng = np.random.default_rng(seed)
    x, time = np.arange(0, 10.01, 0.05), 0.2 * np.arange(220)
    lines = []
    for y in np.arange(0, 10.01, 0.5):
        signal = np.zeros((len(x), len(time)))
        for gx, gy, depth in GRAVES:
            plan = np.exp(-(((x - gx) / 0.45) ** 8)) * np.exp(-(((y - gy) / 1.1) ** 8))
            signal += plan[:, None] * np.exp(-(((time - 2 * depth / velocity) * CENTRE_MHZ * 1e-3) ** 2))
        noise = 0.08 * np.hypot(rng.normal(size=signal.shape), rng.normal(size=signal.shape))
        lines.append(make_radargram(np.hypot(signal, noise), interval_ns=0.2, x=x, y=np.full_like(x, y)))
    return lines


def overlap(one, other):
    a, b = (shapely.union_all(list(table.geometry)) for table in (one, other))
    joint = a.union(b).area
    return a.intersection(b).area / joint if joint > 0 else math.nan


def test_after_correction_dry_and_wet_slices_show_the_same_graves_and_before_they_do_not():
    grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=41, ny=41, depth_step_m=0.025, nz=60)
    lines = {DRY: recorded(DRY, 11), WET: recorded(WET, 12)}
    thickness = slice_thickness_m([DRY, WET], [CENTRE_MHZ, CENTRE_MHZ])

    def outlines(velocity, assumed, top):
        volume = build_volume(lines[velocity], VelocityField.uniform(assumed, 0.005), grid, line_spacing_m=0.5)
        strength = slice_exactly(volume, top, top + thickness).strength.values[0]
        return find_hotspots(strength, grid, visit="v", threshold=6.0)

    top = 0.9 - thickness / 2
    dry, wet = (outlines(v, v, top) for v in (DRY, WET))
    assert len(dry) == len(wet) == len(GRAVES)
    assert overlap(dry, wet) > 0.8
    # Before: one velocity for both, so equal depths are equal times; every slice that shows a grave is tried.
    tried = []
    volume = build_volume(lines[DRY], VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    slices = cut_slices(volume, thickness_m=thickness)
    for top_m in slices.top.values:
        one, other = (outlines(v, 0.1, float(top_m)) for v in (DRY, WET))
        if len(one) + len(other) > 0:
            tried.append(overlap(one, other))
    assert len(tried) >= 4
    assert max(tried) < 0.4
