"""Moran's I and join counts against their library, a published figure, and every arrangement of a few values."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest
from scipy import sparse

from yewline.errors import InputError
from yewline.geostat import join_counts, morans_i, neighbour_weights

with warnings.catch_warnings():
    # The libraries warn of their own future while they load.
    warnings.simplefilter("ignore")
    import esda
    import libpysal

_RNG = np.random.default_rng(3)
XY = _RNG.uniform(0, 20, (60, 2))
TREND = XY[:, 0] * 0.2 + _RNG.standard_normal(60)
SMALL = np.array([[0.0, 0], [1, 0], [2, 0], [0, 1], [1, 1], [2.2, 1.1]])


def binary(xy: np.ndarray, **rule: float) -> sparse.csr_array:
    return neighbour_weights(xy, row_standardised=False, **rule)  # type: ignore[arg-type]


def library_weights(w: sparse.csr_array) -> libpysal.weights.W:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return libpysal.weights.WSP(sparse.csr_matrix(w)).to_W(silence_warnings=True)


@pytest.mark.parametrize("rule", [{"within_m": 5.5}, {"nearest": 6}])
def test_mean_and_variance_over_every_arrangement(rule: dict[str, float]) -> None:
    # 6! = 720 arrangements: the moments by randomisation are exact, and so are the expected joins.
    values = np.array([1.0, 1.5, 7.0, 2.0, 2.5, 9.0])
    rule = {"within_m": 1.5} if "within_m" in rule else {"nearest": 2}
    weights = neighbour_weights(SMALL, **rule)  # type: ignore[arg-type]
    found = morans_i(values, weights, seed=1, permutations=0)
    every = [morans_i(np.array(p), weights, seed=1, permutations=0).i for p in itertools.permutations(values)]
    assert np.mean(every) == pytest.approx(found.expected, abs=1e-12)
    assert np.var(every) == pytest.approx(found.variance, rel=1e-12)
    assert found.expected == pytest.approx(-0.2)
    joins = binary(SMALL, **rule)
    kinds = [1, 0, 1, 0, 0, 1]
    counted = join_counts(kinds, joins, seed=1, permutations=0)
    each = [join_counts(np.array(p), joins, seed=1, permutations=0) for p in set(itertools.permutations(kinds))]
    assert np.mean([c.inside for c in each]) == pytest.approx(counted.expected_inside)
    assert np.mean([c.across for c in each]) == pytest.approx(counted.expected_across)
    assert all(c.inside + c.outside + c.across == pytest.approx(joins.sum() / 2) for c in each)
    assert math.isnan(found.p_permutation)
    assert math.isnan(counted.p_clustered)


def test_a_chequerboard_is_as_dispersed_as_can_be() -> None:
    xy = np.stack(np.meshgrid(range(6), range(6)), axis=-1).reshape(-1, 2)
    board = xy.sum(axis=1) % 2
    assert morans_i(board, neighbour_weights(xy, within_m=1.0), seed=1).i == pytest.approx(-1.0)
    counted = join_counts(board, binary(xy, within_m=1.0), seed=1)
    assert (counted.inside, counted.outside, counted.across) == (0.0, 0.0, 60.0)
    assert (counted.p_clustered, counted.p_dispersed) == (1.0, 0.001)


def test_columbus_crime_as_published() -> None:
    # Anselin 1988, Spatial Econometrics, the 49 neighbourhoods of Columbus, queen's contiguity, as libpysal ships them.
    # I 0.500188557, variance 0.008689289, deviate 5.5894 as the R package spdep prints them: value from memory.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        w = libpysal.io.open(libpysal.examples.get_path("columbus.gal")).read()
        crime = np.array(libpysal.io.open(libpysal.examples.get_path("columbus.dbf")).by_col("CRIME"))
    w.transform = "r"
    found = morans_i(crime, sparse.csr_array(w.sparse), seed=1)
    assert found.i == pytest.approx(0.500188557, abs=5e-10)
    assert found.variance == pytest.approx(0.008689289, abs=5e-10)
    assert found.z == pytest.approx(5.5894, abs=5e-5)
    assert found.p_permutation == 0.001


@pytest.mark.parametrize(
    ("file", "data", "column", "i"),
    [("stl.gal", "stl_hom.dbf", "HR8893", 0.244), ("sids2.gal", "sids2.dbf", "SIDR74", 0.248)],
)
def test_worked_examples_of_the_library_s_manual(file: str, data: str, column: str, i: float) -> None:
    # esda's manual, Moran: homicide rates around St Louis, and the sudden infant deaths that replicate OpenGeoDa.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        w = libpysal.io.open(libpysal.examples.get_path(file)).read()
        rates = np.array(libpysal.io.open(libpysal.examples.get_path(data)).by_col(column))
    w.transform = "r"
    assert round(morans_i(rates, sparse.csr_array(w.sparse), seed=1, permutations=0).i, 3) == i


@pytest.mark.parametrize("row_standardised", [True, False])
@pytest.mark.parametrize("rule", [{"within_m": 5.5}, {"nearest": 5}])
def test_morans_i_against_esda(rule: dict[str, float], row_standardised: bool) -> None:
    weights = neighbour_weights(XY, row_standardised=row_standardised, **rule)  # type: ignore[arg-type]
    np.random.seed(1)  # noqa: NPY002 - the library draws from NumPy's old global generator
    theirs = esda.Moran(TREND, library_weights(weights), "r" if row_standardised else "b", permutations=4999)
    ours = morans_i(TREND, weights, seed=1, permutations=4999, alternative="two-sided")
    assert ours.i == pytest.approx(theirs.I, rel=1e-12)
    assert ours.expected == pytest.approx(theirs.EI, rel=1e-12)
    assert ours.variance == pytest.approx(theirs.VI_rand, rel=1e-10)
    assert ours.z == pytest.approx(theirs.z_rand, rel=1e-10)
    assert ours.p_z == pytest.approx(theirs.p_rand, rel=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_permutation_p_against_esda(seed: int) -> None:
    # Values without pattern, so that p is large and draws tell it: 4 sd of two estimates from 4,999 draws each.
    values = np.random.default_rng(seed).standard_normal(60)
    weights = neighbour_weights(XY, nearest=5)
    np.random.seed(seed)  # noqa: NPY002
    theirs = esda.Moran(values, library_weights(weights), permutations=4999)
    greater = morans_i(values, weights, seed=seed, permutations=4999)
    less = morans_i(values, weights, seed=seed, permutations=4999, alternative="less")
    ours = min(greater.p_permutation, less.p_permutation)
    assert ours == pytest.approx(theirs.p_sim, abs=4 * math.sqrt(2 * ours * (1 - ours) / 4999))
    assert greater.p_permutation + less.p_permutation == pytest.approx(1 + 1 / 5000)


@pytest.mark.parametrize("rule", [{"within_m": 5.5}, {"nearest": 5}])
def test_join_counts_against_esda(rule: dict[str, float]) -> None:
    weights, marked = binary(XY, **rule), (TREND > 2.5).astype(int)
    np.random.seed(1)  # noqa: NPY002
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = esda.Join_Counts(marked, library_weights(weights), permutations=999)
    ours = join_counts(marked, weights, seed=1, permutations=999)
    assert (ours.inside, ours.outside, ours.across) == (theirs.bb, theirs.ww, theirs.bw)
    assert ours.expected_inside == pytest.approx(theirs.mean_bb, rel=0.03)
    assert ours.expected_across == pytest.approx(theirs.mean_bw, rel=0.03)
    for mine, other in ((ours.p_clustered, theirs.p_sim_bb), (ours.p_dispersed, theirs.p_sim_bw)):
        assert mine == pytest.approx(other, abs=4 * math.sqrt(2 * mine * (1 - mine) / 999) + 0.001)


def test_neighbours_against_libpysal() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        band = libpysal.weights.DistanceBand(XY, 5.5, binary=True, silence_warnings=True)
        nearest = libpysal.weights.KNN(XY, k=4)
    np.testing.assert_array_equal(binary(XY, within_m=5.5).toarray(), band.sparse.toarray())
    np.testing.assert_array_equal(binary(XY, nearest=4).toarray(), nearest.sparse.toarray())


def test_places_that_are_shared_are_not_their_own_neighbours() -> None:
    stacked = np.zeros((5, 2))
    weights = binary(np.vstack([stacked, [[1.0, 0.0]]]), nearest=2)
    assert not weights.diagonal().any()
    np.testing.assert_array_equal(weights.sum(axis=1), 2.0)


def test_seed_and_size() -> None:
    weights = neighbour_weights(XY, nearest=5)
    first = morans_i(TREND, weights, seed=4)
    assert first == morans_i(TREND, weights, seed=4)
    assert first == morans_i(TREND, weights, seed=np.random.default_rng(4))
    # The level and unit of the values do not matter.
    moved = morans_i(1000 + 0.01 * TREND, weights, seed=4)
    assert (moved.i, moved.p_permutation) == (pytest.approx(first.i), first.p_permutation)


def test_p_is_uniform_without_pattern() -> None:
    weights = neighbour_weights(XY, nearest=5)
    rng = np.random.default_rng(8)
    p = [morans_i(rng.standard_normal(60), weights, seed=i, permutations=99).p_permutation for i in range(400)]
    # 400 tests at 5 %: 20 ± 4.4 rejections.
    assert 7 <= np.count_nonzero(np.array(p) <= 0.05) <= 35


def test_faults() -> None:
    weights = neighbour_weights(XY, nearest=5)
    with pytest.raises(InputError, match=r"values are all equal \(received 0.3\)"):
        morans_i(np.full(60, 0.3), weights, seed=1)
    with pytest.raises(InputError, match=r"at least four values \(received 3\)"):
        morans_i([1.0, 2.0, 3.0], neighbour_weights(XY[:3], nearest=1), seed=1)
    with pytest.raises(InputError, match=r"weights must be 59 × 59"):
        morans_i(TREND[:59], weights, seed=1)
    with pytest.raises(InputError, match="alternative must be one of greater, less, two-sided"):
        morans_i(TREND, weights, seed=1, alternative="both")  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"permutations must be a whole number of at least 0 \(received -1\)"):
        morans_i(TREND, weights, seed=1, permutations=-1)
    lonely = weights.tolil()
    lonely[7] = 0.0
    with pytest.raises(InputError, match=r"no neighbour \(received 1 of 60, the first is number 7\)"):
        morans_i(TREND, sparse.csr_array(lonely), seed=1)
    with pytest.raises(InputError, match="no place may be its own neighbour"):
        morans_i(TREND, weights + sparse.eye_array(60), seed=1)
    with pytest.raises(InputError, match=r"finite and not negative \(received -"):
        morans_i(TREND, -weights, seed=1)
    with pytest.raises(InputError, match=r"no neighbour \(received 1 of 4, the first at \(9, 9\)\)"):
        neighbour_weights([[0, 0], [0, 1], [1, 0], [9, 9]], within_m=2.0)
    with pytest.raises(InputError, match=r"either within_m or nearest must be given \(received None and None\)"):
        neighbour_weights(XY)
    with pytest.raises(InputError, match=r"nearest must be a whole number from 1 to 59 \(received 60\)"):
        neighbour_weights(XY, nearest=60)
    with pytest.raises(InputError, match=r"marked and some not \(received 60 of 60 marked\)"):
        join_counts(np.ones(60), weights, seed=1)
    with pytest.raises(InputError, match=r"marks must be true or false \(received 2\)"):
        join_counts([0, 1, 2], neighbour_weights(XY[:3], nearest=1), seed=1)
    with pytest.raises(InputError, match="join counts need binary weights. Make them with row_standardised=False"):
        join_counts(TREND > 2, weights, seed=1)
