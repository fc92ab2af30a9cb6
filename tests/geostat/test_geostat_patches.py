"""Patches of maps and the figures of fields: counted by hand, against libraries, and by what they say of chance."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from skimage import measure

from yewline.errors import InputError
from yewline.geostat import (
    FieldDraws,
    VariogramModel,
    conditional_fields,
    describe_patches,
    figure_interval,
    krige,
    patch_arrangement,
    surrogate_maps,
    unconditional_fields,
)
from yewline.geostat.patches import _joins

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import esda
    import libpysal

MAP = np.array(
    [
        [9, 9, 0, 0, np.nan, 9],
        [9, 0, 9, 0, np.nan, 9],
        [0, 0, 0, 0, 0, 0],
        [9, 0, 0, 9, 9, 9],
    ],
    dtype=float,
)
MODEL = VariogramModel("exponential", partial_sill=1.0, range_m=8.0)
GRID = np.arange(25.0)


def test_patches_counted_by_hand() -> None:
    eight = describe_patches(MAP, (0.5, 2.0), above=1.0)
    # 10 of 22 cells in four patches that touch at corners at most: 4, 2, 1 and 3 cells of 1 m².
    assert (eight.count, eight.mean_area_m2, eight.largest_area_m2) == (4, 2.5, 4.0)
    assert eight.area_share == pytest.approx(10 / 22)
    four = describe_patches(MAP, (0.5, 2.0), above=1.0, connectivity=4)
    assert (four.count, four.mean_area_m2, four.largest_area_m2) == (5, 2.0, 3.0)
    none = describe_patches(MAP, 1.0, above=9.0)
    assert (none.count, none.area_share, none.mean_area_m2, none.largest_area_m2) == (0, 0.0, 0.0, 0.0)
    assert describe_patches(MAP, 1.0, percentile=50.0).threshold == np.nanpercentile(MAP, 50)


@pytest.mark.parametrize(("connectivity", "steps"), [(4, 1), (8, 2)])
def test_patches_against_scikit_image(connectivity: int, steps: int) -> None:
    field = np.random.default_rng(1).standard_normal((40, 50))
    labels = measure.label(field > 0.4, connectivity=steps)
    areas = [region.area for region in measure.regionprops(labels)]
    found = describe_patches(field, 0.5, above=0.4, connectivity=connectivity)
    assert found.count == len(areas)
    assert found.largest_area_m2 == max(areas) * 0.25
    assert found.mean_area_m2 == pytest.approx(np.mean(areas) * 0.25)


def test_joins_of_cells_against_esda() -> None:
    mask = np.random.default_rng(2).standard_normal((9, 11)) > 0.2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rook = libpysal.weights.lat2W(9, 11, rook=True)
        theirs = esda.Join_Counts(mask.ravel().astype(int), rook, permutations=0)
    assert _joins(mask) == theirs.bb


def surrogates(count: int, seed: int) -> np.ndarray:
    draws = FieldDraws(count, seed)
    return np.concatenate(list(unconditional_fields(GRID, GRID, model=MODEL, draws=draws)))


def test_one_patch_is_clustered_and_scattered_cells_are_dispersed() -> None:
    chance = surrogates(199, 1)
    whole = np.zeros((25, 25))
    whole[5:18, 6:18] = 1.0
    found = patch_arrangement(whole, [chance], above=0.5)
    assert (found.verdict, found.count, found.p) == ("clustered", 1, pytest.approx(2 / 200))
    assert found.joins == 12 * 12 + 13 * 11
    assert found.joins > found.expected_joins
    scattered = np.zeros((25, 25))
    scattered[::2, ::2] = 1.0
    found = patch_arrangement(scattered, [chance[:100], chance[100:]], above=0.5)
    assert (found.verdict, found.joins, found.count) == ("dispersed", 0, 169)
    assert found.expected_count < 169


def test_a_field_of_the_variogram_is_as_chance_would_have_it() -> None:
    # At 10 % with 39 surrogates the test rejects 2·2/40 exactly: of 150 fields 15 ± 3.7.
    fields, p = surrogates(150, 2), []
    for index, field in enumerate(fields):
        p.append(patch_arrangement(field, [surrogates(39, 100 + index)], percentile=75.0).p)
    assert 4 <= np.count_nonzero(np.array(p) <= 0.1) <= 30


def test_a_kriged_map_is_held_to_kriged_maps() -> None:
    rng = np.random.default_rng(4)
    xy = rng.uniform(0, 24, (30, 2))
    factor = np.linalg.cholesky(MODEL.covariance(xy, xy) + 0.04 * np.eye(30))
    nodes = np.stack(np.meshgrid(GRID, GRID), axis=-1).reshape(-1, 2)
    like, unlike = [], []
    for seed in range(60):
        estimate, _ = krige(xy, factor @ rng.standard_normal(30), nodes, model=MODEL, error_sd=0.2)
        maps = surrogate_maps(xy, GRID, GRID, model=MODEL, error_sd=0.2, draws=FieldDraws(39, seed))
        like.append(patch_arrangement(estimate.reshape(25, 25), maps, percentile=75.0).p)
        unlike.append(patch_arrangement(estimate.reshape(25, 25), [surrogates(39, seed)], percentile=75.0).p)
    # Held to fields that were not smoothed by mapping, nearly every map looks clustered.
    assert np.mean(np.array(like) <= 0.1) < 0.25
    assert np.mean(np.array(unlike) <= 0.1) > 0.8


def test_arrangement_looks_at_cells_with_values_only() -> None:
    chance = surrogates(39, 3)
    field = chance[0].astype(float)
    field[:, :5] = np.nan
    found = patch_arrangement(field, [chance[1:]], percentile=75.0)
    cut = patch_arrangement(field[:, 5:], [chance[1:, :, 5:]], percentile=75.0)
    assert found == cut


def test_interval_of_a_derived_figure_covers_the_truth() -> None:
    # Fields whose truth is known: the share above a threshold lies in the 80 % interval in four of five cases.
    rng, inside, of_the_map = np.random.default_rng(6), 0, 0
    nodes = np.stack(np.meshgrid(GRID, GRID), axis=-1).reshape(-1, 2)
    truths = np.concatenate(list(unconditional_fields(GRID, GRID, model=MODEL, draws=FieldDraws(120, 9))))
    for seed, truth in enumerate(truths):
        cells = rng.choice(625, 25, replace=False)
        values = truth.ravel()[cells] + 0.1 * rng.standard_normal(25)
        fields = conditional_fields(
            nodes[cells], values, GRID, GRID, model=MODEL, error_sd=0.1, draws=FieldDraws(100, seed)
        )
        found = figure_interval(fields, lambda field: float(np.mean(field > 1.0)), level=0.8)
        share = float(np.mean(truth > 1.0))
        inside += found.low <= share <= found.high
        estimate, _ = krige(nodes[cells], values, nodes, model=MODEL, error_sd=0.1)
        of_the_map += float(np.mean(estimate > 1.0)) < share
    # 96 ± 4.4 of 120; and the kriged map, smoother than the ground, says too little far more often than half the time.
    assert 80 <= inside <= 112
    assert of_the_map > 90


def test_interval_of_the_mean_is_that_of_block_kriging() -> None:
    # The mean of all nodes is linear: its spread follows from the covariance among nodes given the readings.
    xy, values = np.array([[3.0, 3], [20, 5], [12, 18], [6, 14]]), np.array([1.0, -1, 0.5, 2])
    fields = conditional_fields(xy, values, GRID, GRID, model=MODEL, draws=FieldDraws(3000, 1))
    found = figure_interval(fields, lambda field: float(field.mean()), level=0.9)
    nodes = np.stack(np.meshgrid(GRID, GRID), axis=-1).reshape(-1, 2)
    estimate, _ = krige(xy, values, nodes, model=MODEL)
    assert found.draws.mean() == pytest.approx(estimate.mean(), abs=4.5 * found.draws.std() / np.sqrt(3000))
    assert found.high - found.low == pytest.approx(2 * 1.6449 * found.draws.std(), rel=0.06)
    assert (found.level, len(found.draws)) == (0.9, 3000)


def test_faults() -> None:
    chance = surrogates(39, 3)
    with pytest.raises(InputError, match="either above or percentile must be given"):
        describe_patches(MAP, 1.0)
    with pytest.raises(InputError, match=r"either above or percentile must be given \(received 1.0 and 50"):
        describe_patches(MAP, 1.0, above=1.0, percentile=50)
    with pytest.raises(InputError, match=r"percentile must lie between 0 and 100 \(received 101\)"):
        describe_patches(MAP, 1.0, percentile=101)
    with pytest.raises(InputError, match=r"connectivity must be 4 or 8 \(received 6\)"):
        describe_patches(MAP, 1.0, above=1.0, connectivity=6)
    with pytest.raises(InputError, match="no cell of the map has a value"):
        describe_patches(np.full((2, 2), np.nan), 1.0, above=1.0)
    with pytest.raises(InputError, match="spacing_m must be greater than zero"):
        describe_patches(MAP, 0.0, above=1.0)
    with pytest.raises(InputError, match=r"some cells must lie above .* \(received 0 of 625 above\)"):
        patch_arrangement(chance[0], [chance], above=99.0)
    with pytest.raises(InputError, match=r"at least 19 surrogates \(received 18\)"):
        patch_arrangement(chance[0], [chance[:18]], percentile=75)
    with pytest.raises(InputError, match=r"shape of the map, \(25, 25\) \(received shape \(25, 24\)\)"):
        patch_arrangement(chance[0], [chance[:, :, 1:]], percentile=75)
    with pytest.raises(InputError, match="surrogates must have a value wherever the map has one"):
        patch_arrangement(chance[0], [np.full((20, 25, 25), np.nan)], percentile=75)
    with pytest.raises(InputError, match=r"at least 20 fields \(received 19\)"):
        figure_interval([chance[:19]], lambda field: field.mean())
    with pytest.raises(InputError, match=r"not finite for every field \(received nan for field 0, 39 of 39 in all\)"):
        figure_interval([chance], lambda field: float("nan"))
    with pytest.raises(InputError, match="level must lie between"):
        figure_interval([chance], lambda field: field.mean(), level=1.0)
