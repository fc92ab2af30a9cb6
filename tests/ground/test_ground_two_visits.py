"""Two visits compared, temporal stability, and moisture at outlines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import scipy.stats
import shapely
import xarray as xr

from yewline.errors import InputError
from yewline.geostat import VariogramModel, gaussian_field
from yewline.ground import (
    ComparisonChoices,
    common_places,
    compare_moisture,
    local_moisture,
    map_moisture,
    match_places,
    temporal_stability,
)
from yewline.model import make_readings

Array = npt.NDArray[np.float64]

N = 12
_ANGLE = 2.0 * np.pi * np.arange(N) / N
RING = 50.0 * np.column_stack([np.cos(_ANGLE), np.sin(_ANGLE)])  # places that all stand for as much ground
UNPAIRED = ComparisonChoices(design="unpaired")


def white(xy: Array, values: Array, own_error_sd: float) -> Sequence[VariogramModel]:
    """Readings that know nothing of each other, with the variance that they show."""
    return [VariogramModel("spherical", float(np.var(values, ddof=1)), 0.1)]


def table(vwc: npt.ArrayLike, xy: Array = RING) -> pd.DataFrame:
    return make_readings(x=xy[:, 0], y=xy[:, 1], vwc=vwc)


def pair(seed: int = 1, n: int = N) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal(n)
    return 0.2 + 0.02 * (shared + rng.standard_normal(n)), 0.26 + 0.03 * (shared + 0.5 * rng.standard_normal(n))


def grid(n: int, step_m: float) -> Array:
    axis = np.arange(n) * step_m
    return np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])


def test_paired_without_correlation_is_pitman_and_morgan() -> None:
    a, b = pair()
    found = compare_moisture(table(a), table(b), sigma_vwc=1e-7, fit=white)
    assert found.design == "paired"
    assert found.pairs == N
    theirs = scipy.stats.pearsonr(a + b, b - a)
    assert found.freedom == pytest.approx((N - 2, N - 2), rel=1e-9)
    assert found.ratio_p == pytest.approx(theirs.pvalue, rel=1e-6)
    # Morgan 1939: F{K ± √(K² − 1)}, K = 1 + 2(1 − r²)t²/(n − 2).
    share = b.var(ddof=1) / a.var(ddof=1)
    k = 1 + 2 * (1 - np.corrcoef(a, b)[0, 1] ** 2) * scipy.stats.t.ppf(0.95, N - 2) ** 2 / (N - 2)
    ends = np.sqrt(share * (k + np.array([-1, 1]) * np.sqrt(k * k - 1)))
    assert found.ratio.value == pytest.approx(np.sqrt(share), rel=1e-6)
    assert (found.ratio.low, found.ratio.high) == pytest.approx(tuple(ends), rel=1e-6)
    half = scipy.stats.norm.ppf(0.95) * scipy.stats.sem(b - a)
    mean = (b - a).mean()
    assert (found.difference.value, found.difference.low, found.difference.high) == pytest.approx(
        (mean, mean - half, mean + half), rel=1e-6
    )


def test_unpaired_without_correlation_is_the_f_test() -> None:
    a, b = pair(2)
    found = compare_moisture(table(a), table(b), sigma_vwc=1e-7, choices=UNPAIRED, fit=white)
    share = b.var(ddof=1) / a.var(ddof=1)
    tail = scipy.stats.f.sf(share, N - 1, N - 1)
    assert found.freedom == pytest.approx((N - 1, N - 1), rel=1e-9)
    assert found.ratio_p == pytest.approx(2 * min(tail, 1 - tail), rel=1e-6)
    ends = np.sqrt(share / scipy.stats.f.ppf([0.95, 0.05], N - 1, N - 1))
    assert (found.ratio.low, found.ratio.high) == pytest.approx(tuple(ends), rel=1e-6)
    se = np.hypot(scipy.stats.sem(a), scipy.stats.sem(b))
    assert found.difference_p == pytest.approx(2 * scipy.stats.norm.sf(abs(b.mean() - a.mean()) / se), rel=1e-6)


@pytest.mark.parametrize("design", ["paired", "unpaired"])
def test_visits_exchanged_and_interval_against_test(design: str) -> None:
    xy = grid(6, 5.0)
    choices = ComparisonChoices(design=design)  # type: ignore[arg-type]
    for seed in range(4):
        a, b = pair(seed, 36)
        found = compare_moisture(table(a, xy), table(b, xy), sigma_vwc=0.01, choices=choices)
        back = compare_moisture(table(b, xy), table(a, xy), sigma_vwc=0.01, choices=choices)
        assert back.ratio_p == pytest.approx(found.ratio_p, rel=1e-6)
        assert back.difference.value == pytest.approx(-found.difference.value, rel=1e-6)
        assert (found.ratio_p < 0.1) == (not found.ratio.low <= 1.0 <= found.ratio.high)
        assert (found.difference_p < 0.1) == (not found.difference.low <= 0.0 <= found.difference.high)


def test_planted_difference_and_ratio_are_found_and_pairing_sharpens_the_level() -> None:
    xy = grid(7, 5.0)
    rng = np.random.default_rng(5)
    pattern = gaussian_field((61, 61), 0.5, ranges_m=8.0, sd=0.03, seed=rng)[np.ix_(range(0, 61, 10), range(0, 61, 10))]
    one = table(0.18 + pattern.ravel() + 0.005 * rng.standard_normal(49), xy)
    two = table(0.22 + 2.0 * pattern.ravel() + 0.005 * rng.standard_normal(49), xy)
    paired, apart = (compare_moisture(one, two, sigma_vwc=0.007, choices=c) for c in (ComparisonChoices(), UNPAIRED))
    assert paired.design == "paired"
    assert paired.difference.low < 0.04 < paired.difference.high
    assert paired.ratio.low < 2.0 < paired.ratio.high
    # Ranges up to four times the ground are allowed for: of a mean that is the careful side (0.012 here).
    assert paired.difference_p < 0.02
    assert max(paired.ratio_p, apart.ratio_p) < 0.01
    assert paired.difference.high - paired.difference.low < apart.difference.high - apart.difference.low


def test_common_error_stays_unless_the_probe_is_the_same() -> None:
    a, b = pair()
    same = compare_moisture(table(a), table(b), sigma_vwc=0.02)
    other = compare_moisture(table(a), table(b), sigma_vwc=0.02, choices=ComparisonChoices(same_probe=False))
    assert same.difference_common_sd == 0.0
    assert other.difference_common_sd == pytest.approx(0.02, rel=1e-12)
    assert other.difference == same.difference


def test_dry_and_wet_day_of_practice() -> None:
    # Common practice, no source: 0.09 to 0.38 on a dry day, 0.19 to 0.50 m³/m³ on a wet one: wetter, not more variable.
    rank = np.argsort(np.argsort(np.random.default_rng(8).standard_normal(49))) / 48.0
    dry, wet = 0.09 + 0.29 * rank, 0.19 + 0.31 * np.clip(rank + 0.02 * np.sin(9 * rank), 0, 1)
    xy = grid(7, 5.0)
    found = compare_moisture(table(dry, xy), table(wet, xy), sigma_vwc=0.02)
    assert found.difference.value == pytest.approx(0.11, abs=0.01)
    assert found.difference_p < 0.01
    assert 0.9 < found.ratio.value < 1.2
    assert found.ratio.low <= 1.1


def test_which_visits_are_paired() -> None:
    xy = grid(6, 5.0)
    a, b = pair(3, 36)
    near, far = xy + np.array([0.2, -0.2]), xy + 2.0
    assert compare_moisture(table(a, xy), table(b, near), sigma_vwc=0.01).design == "paired"
    assert compare_moisture(table(a, xy), table(b, far), sigma_vwc=0.01).design == "unpaired"
    some = compare_moisture(table(a, xy), table(b[:20], near[:20]), sigma_vwc=0.01)
    assert (some.design, some.pairs) == ("paired", 20)
    assert "16 readings have no partner in the other visit and are left out of the comparison." in some.notes
    one, two = match_places(xy, near[::-1], tolerance_m=0.5)
    np.testing.assert_array_equal(one, np.arange(36))
    np.testing.assert_array_equal(two, np.arange(36)[::-1])
    assert len(match_places(xy, far, tolerance_m=0.5)[0]) == 0


def test_where_nothing_is_tested_the_reason_is_given() -> None:
    a, b = pair()
    few = compare_moisture(table(a[:6], RING[:6]), table(b), sigma_vwc=0.01)
    assert few.why.startswith("Earlier visit: 6 readings are too few for intervals")
    assert np.isfinite([few.difference.value, few.ratio.value]).all()
    assert np.isnan([few.difference.low, few.difference_p, few.ratio.low, few.ratio_p]).all()
    even = compare_moisture(table(a), table(np.full(N, 0.2)), sigma_vwc=0.01)
    assert even.why.startswith("Later visit: All readings are equal")
    paired = ComparisonChoices(design="paired")
    assert compare_moisture(table(a), table(b, RING + 9.0), sigma_vwc=0.01, choices=paired).why.startswith(
        "Only 0 places were read in both visits (8 are needed)"
    )
    assert "same amount at every place" in compare_moisture(table(a), table(a + 0.05), sigma_vwc=0.01).why


def test_stability_by_hand() -> None:
    # Means 0.2 and 0.4; relative differences −0.5 −0.25, 0 −0.25, 0.5 +0.5; three places, two visits.
    found = temporal_stability(grid(2, 1.0)[:3], [[0.1, 0.3], [0.2, 0.3], [0.3, 0.6]])
    np.testing.assert_allclose(found.mean_relative_difference, [-0.375, -0.125, 0.5], atol=1e-12)
    sd = 0.25 / np.sqrt(2.0)
    np.testing.assert_allclose(found.sd_relative_difference, [sd, sd, 0.0], atol=1e-12)
    np.testing.assert_allclose(found.index, [np.hypot(0.375, sd), np.hypot(0.125, sd), 0.5], atol=1e-12)
    assert found.ranking.tolist() == [1, 0, 2]
    assert found.why == "3 places are too few to test rank correlation (8 are needed)."


def test_rank_correlation_agrees_with_scipy_and_is_less_sure_of_smooth_patterns() -> None:
    xy = grid(7, 4.0)
    rng = np.random.default_rng(4)
    cut = np.ix_(range(0, 61, 10), range(0, 61, 10))
    smooth = [gaussian_field((61, 61), 0.4, ranges_m=25.0, sd=0.03, seed=rng)[cut].ravel() + 0.2 for _ in range(3)]
    vwc = np.column_stack(smooth)
    found = temporal_stability(xy, vwc)
    theirs = scipy.stats.spearmanr(vwc)
    np.testing.assert_allclose(found.rank_correlation, theirs.statistic, atol=1e-12)
    off = ~np.eye(3, dtype=bool)
    assert (found.effective_n[off] < 30).all()
    assert (found.p[off] > theirs.pvalue[off]).all()
    kept = temporal_stability(xy, np.column_stack([vwc[:, 0], 1.3 * vwc[:, 0] + 0.003 * rng.standard_normal(49)]))
    assert kept.p[0, 1] < 0.05
    assert found.why == ""


def test_places_that_were_not_always_read_are_named() -> None:
    visits = [table(pair(s)[0]) for s in range(3)]
    visits[1] = visits[1].drop(index=[4])
    xy, vwc = common_places(visits)
    assert vwc.shape == (N, 3)
    found = temporal_stability(xy, vwc)
    assert found.left_out.tolist() == [4]
    assert np.isnan(found.index[4])
    assert sorted(found.ranking) == [i for i in range(N) if i != 4]
    even = temporal_stability(RING, np.column_stack([pair()[0], np.full(N, 0.2)]))
    assert even.why == "A visit reads the same everywhere: it has no ranks."
    assert np.isnan(even.rank_correlation[0, 1])


def flat_map(vwc: Array, sd: float = 0.01, cell: float = 0.5) -> xr.Dataset:
    axis = cell * (np.arange(len(vwc)) + 0.5)
    return xr.Dataset({"vwc": (("y", "x"), vwc), "vwc_sd": (("y", "x"), np.full_like(vwc, sd))}, {"x": axis, "y": axis})


def test_mean_at_an_outline_is_exact_on_a_plane() -> None:
    # A linear map: the mean over any outline that is symmetric about its centroid is the value there, ring alike.
    x = 0.5 * (np.arange(40) + 0.5)
    mapped = flat_map(0.1 + 0.01 * x + 0.005 * x[:, None])
    made = table(np.full(16, 0.2), grid(4, 5.0) + 2.0)
    outlines = np.array([shapely.box(6.3, 8.1, 8.4, 8.8), shapely.Point(10.0, 10.0).buffer(1.3)], dtype=object)
    found = local_moisture(mapped, made, outlines)
    centre = shapely.get_coordinates(shapely.centroid(outlines))
    expected = 0.1 + 0.01 * centre[:, 0] + 0.005 * centre[:, 1]
    np.testing.assert_allclose(found["vwc"], expected, atol=2e-4)
    np.testing.assert_allclose(found["contrast"], 0.0, atol=2e-4)
    np.testing.assert_allclose(found["contrast_sd"], 0.02, rtol=1e-9)


def test_ring_leaves_the_gap_out() -> None:
    x = 0.1 * (np.arange(80) + 0.5)
    away = np.maximum(np.abs(x - 4.0), np.abs(x[:, None] - 4.0))
    vwc = np.where(away < 1.0, 0.3, np.where(away < 1.25, 0.5, 0.2))
    made = table(np.full(25, 0.2), grid(5, 1.4) + 1.2)
    found = local_moisture(flat_map(vwc, cell=0.1), made, [shapely.box(3, 3, 5, 5)], gap_m=0.35).iloc[0]
    assert (found.vwc, found.vwc_ring, found.contrast) == pytest.approx((0.3, 0.2, 0.1), rel=1e-9)
    assert (found.readings_inside, found.readings_ring, found.why) == (1, 8, "")
    assert found.smoothing_m == pytest.approx(1.4)


def test_stated_error_of_the_contrast_is_an_upper_bound() -> None:
    # Grounds of known covariance, mapped from 60 readings: the contrast is nearer to the truth than stated.
    x = np.arange(0.0, 30.5, 0.5)
    outlines = [shapely.box(a, b, a + 2.0, b + 1.0) for a in (7.0, 14.0, 21.0) for b in (8.0, 20.0)]
    misses = []
    for seed in range(12):
        rng = np.random.default_rng(200 + seed)
        truth = 0.22 + gaussian_field((61, 61), 0.5, ranges_m=12.0, sd=0.03, seed=rng)
        row, column = rng.integers(0, 61, (2, 60))
        made = make_readings(x=x[column], y=x[row], vwc=truth[row, column] + 0.005 * rng.standard_normal(60))
        mapped = map_moisture(made, x=x, y=x, sigma_vwc=0.007)
        assert mapped is not None
        true_map = mapped.assign(vwc=(("y", "x"), truth), vwc_sd=xr.zeros_like(mapped["vwc_sd"]))
        found, true = (local_moisture(m, made, outlines) for m in (mapped, true_map))
        held = found["contrast"].notna()
        misses.append(((found["contrast"] - true["contrast"]) / found["contrast_sd"])[held])
    miss = np.concatenate(misses)
    assert len(miss) > 50
    assert np.mean(np.abs(miss) < 1.645) > 0.9
    assert miss.std() < 0.8


def test_what_the_map_does_not_show_is_said() -> None:
    vwc = np.full((40, 40), 0.2)
    vwc[:, :20] = np.nan
    made = table(np.full(4, 0.2), np.array([[12.0, 2.0], [12.0, 18.0], [18.0, 2.0], [18.0, 18.0]]))
    found = local_moisture(flat_map(vwc), made, [shapely.box(2, 2, 4, 4), shapely.box(14, 9, 16, 11)])
    assert found["why"][0] == "The moisture map covers less than half of the outline and of the ring."
    assert np.isnan(found["contrast"][0])
    assert found["why"][1].startswith(
        "No reading lies in the outline nor in the ring: its moisture is interpolated over"
    )
    assert found["contrast"][1] == pytest.approx(0.0, abs=1e-12)


def test_faults() -> None:
    a, b = pair()
    with pytest.raises(InputError, match="vwc holds values that are not finite"):
        compare_moisture(table(a), table(b).assign(vwc=np.nan), sigma_vwc=0.01)
    with pytest.raises(InputError, match="design must be one of auto, paired, unpaired"):
        ComparisonChoices(design="both")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="tolerance_m must be greater than zero"):
        ComparisonChoices(tolerance_m=0.0)
    with pytest.raises(InputError, match="temporal stability needs two visits or more"):
        common_places([table(a)])
    with pytest.raises(InputError, match="temporal stability needs two visits or more"):
        temporal_stability(RING, a[:, None])
    with pytest.raises(InputError, match="fewer than two places were read in every visit"):
        temporal_stability(RING, np.column_stack([a, np.full(N, np.nan)]))
    with pytest.raises(InputError, match="a visit's mean is zero"):
        temporal_stability(RING, np.column_stack([a, np.zeros(N)]))
    with pytest.raises(InputError, match="one place .* for each row"):
        temporal_stability(RING[:3], np.column_stack([a, b]))
    mapped = flat_map(np.full((4, 4), 0.2))
    with pytest.raises(InputError, match="an outline is empty or not valid"):
        local_moisture(mapped, table(a), [shapely.Polygon()])
    with pytest.raises(InputError, match="gap_m must not be negative"):
        local_moisture(mapped, table(a), [shapely.box(0, 0, 1, 1)], gap_m=-1.0)
    with pytest.raises(InputError, match="two evenly spaced cells or more a side"):
        local_moisture(mapped.isel(x=[0, 1, 3]), table(a), [shapely.box(0, 0, 1, 1)])
