"""Kriging of means over square cells against closed forms, fine sums and the mean of point estimates."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.geostat import Drift, KrigingOptions, VariogramModel, krige, krige_weights
from yewline.geostat.block_support import covariance_to_blocks, covariance_within_block

FAMILIES = ("exponential", "gaussian", "spherical")
# Isaaks & Srivastava 1989, ch. 12: seven samples of V.
XY = np.array([(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], dtype=float)
V = np.array([477, 696, 227, 646, 606, 791, 783], dtype=float)


def cell(n: int, side: float, centre: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """The middles (n², 2) of n × n equal parts of a square."""
    steps = ((np.arange(n) + 0.5) / n - 0.5) * side
    return np.stack(np.meshgrid(centre[0] + steps, centre[1] + steps), axis=-1).reshape(-1, 2)


def gauss_cell(n: int, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes (n², 2) in a square and their weights."""
    at, weights = np.polynomial.legendre.leggauss(n)
    return np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2) * 0.5 * side, np.outer(weights, weights).ravel() / 4


def model_of(family: str, **more: float) -> VariogramModel:
    return VariogramModel(family, partial_sill=2.0, range_m=10.0, **more)


# Closed forms


def test_variance_within_a_small_block_follows_the_mean_distance_in_a_square() -> None:
    # The mean distance of two points in a unit square is (2 + √2 + 5 asinh 1)/15 (square line picking, E. W.
    # Weisstein, MathWorld; value from memory). A spherical covariance is 1 − 1.5 h/a + 0.5 (h/a)³.
    mean_distance = (2 + math.sqrt(2) + 5 * math.asinh(1)) / 15
    errors = []
    for side in (1.0, 0.1, 0.01):
        within = covariance_within_block(model_of("spherical"), side)
        errors.append(abs((1 - within / 2) / (1.5 * side / 10) / mean_distance - 1))
    assert errors[0] > 50 * errors[1] > 2500 * errors[2]
    assert errors[2] < 1e-6


@pytest.mark.parametrize("ratio", [1.0, 0.4])
@pytest.mark.parametrize("side", [0.5, 4.0, 12.0])
def test_gaussian_block_has_a_closed_form(side: float, ratio: float) -> None:
    # e^{−3h²/a²} parts into x and y, each an integral of the error function. North-south is the long axis.
    def mean(reach: float, low: float, high: float) -> float:
        return reach * math.sqrt(math.pi) / 2 * (math.erf(high / reach) - math.erf(low / reach)) / (high - low)

    def twice(reach: float, b: float) -> float:
        t = b / reach
        return (t * math.sqrt(math.pi) * math.erf(t) + math.exp(-t * t) - 1) / t**2

    model = model_of("gaussian", ratio=ratio)
    long, short = 10 / math.sqrt(3), 10 * ratio / math.sqrt(3)
    point = np.array([[0.3 * side, -0.9 * side]])
    expected = mean(short, point[0, 0] - side / 2, point[0, 0] + side / 2)
    expected *= mean(long, point[0, 1] - side / 2, point[0, 1] + side / 2)
    got = covariance_to_blocks(model, np.zeros((1, 2)), point, side)
    assert got[0, 0] == pytest.approx(2 * expected, abs=1e-6)
    assert covariance_within_block(model, side) == pytest.approx(2 * twice(short, side) * twice(long, side), abs=1e-9)


# Fine sums


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(("side", "ratio"), [(0.5, 1.0), (4.0, 1.0), (2.0, 0.2), (20.0, 1.0)])
def test_covariances_agree_with_fine_sums(family: str, side: float, ratio: float) -> None:
    model = model_of(family, ratio=ratio, azimuth_deg=30.0)
    rng = np.random.default_rng(2)
    points = np.concatenate([rng.uniform(-0.7 * side, 0.7 * side, (6, 2)), rng.uniform(-6 * side, 6 * side, (6, 2))])
    got = covariance_to_blocks(model, np.zeros((1, 2)), points, side)[0]
    summed = np.array([model.covariance(cell(400, side), point[None]).mean() for point in points])
    # The sum's own error: a cell of it about the kink at distance zero, well below 1e-4 of the partial sill of 2.
    np.testing.assert_allclose(got, summed, atol=2e-4)
    # Lags of two points of a block: means over it of the means with it.
    nodes, weights = gauss_cell(12, side)
    within = weights @ covariance_to_blocks(model, np.zeros((1, 2)), nodes, side)[0]
    assert covariance_within_block(model, side) == pytest.approx(within, abs=2e-4)


@pytest.mark.parametrize("family", FAMILIES)
def test_block_estimate_and_variance_by_brute_force(family: str) -> None:
    model = model_of(family, ratio=0.5, azimuth_deg=135.0, nugget=0.3)
    centre, side = np.array([[65.0, 137.0]]), 3.0
    estimate, variance = krige(XY, V, centre, model=model, options=KrigingOptions(block_m=side))
    # The estimate is the mean of the point estimates; a point on a reading is none here.
    fine = cell(60, side, (65.0, 137.0))
    points, _ = krige(XY, V, fine, model=model)
    assert estimate[0] == pytest.approx(points.mean(), abs=1e-2 * 1e-2 * abs(points.mean()))
    # The variance of the weighted mean of readings less the mean over the block, from its definition. Two meshes that
    # share no node stand for the two points of a block, so that no distance is zero.
    weights, lagrange = krige_weights(XY, centre, model=model, options=KrigingOptions(block_m=side))
    w = weights[:, 0]
    within = model.covariance(fine, cell(61, side, (65.0, 137.0))).mean()
    to = model.covariance(XY, fine).mean(axis=1)
    among = model.covariance(XY, XY) + model.nugget * np.eye(7)
    assert variance[0] == pytest.approx(within - 2 * w @ to + w @ among @ w, abs=1e-4)
    assert within - w @ to - lagrange[0] == pytest.approx(variance[0], abs=1e-4)
    assert w.sum() == pytest.approx(1.0, abs=1e-12)


# Properties


def test_a_vanishing_block_is_a_point_without_its_nugget() -> None:
    at = np.array([[65.0, 137.0], [70.0, 133.0], [61.0, 139.0]])
    point, variance = krige(XY, V, at, model=model_of("exponential", nugget=0.3))
    for side, within in ((1e-2, 5e-3), (1e-5, 5e-6)):
        options = KrigingOptions(block_m=side)
        block, block_variance = krige(XY, V, at, model=model_of("exponential", nugget=0.3), options=options)
        np.testing.assert_allclose(block, point, atol=within * 500)
        np.testing.assert_allclose(block_variance, variance - 0.3, atol=within)


@pytest.mark.parametrize("nugget", [0.0, 0.5])
@pytest.mark.parametrize("ratio", [1.0, 0.3])
def test_blocks_vary_less_than_points_do_on_average(nugget: float, ratio: float) -> None:
    # Over one block, not at its centre: a centre on a reading is known, the block around it is not.
    rng = np.random.default_rng(9)
    xy, z = rng.uniform(0, 20, (25, 2)), rng.standard_normal(25)
    model = model_of("exponential", nugget=nugget, ratio=ratio, azimuth_deg=70.0)
    for centre in ((5.0, 5.0), (10.0, 14.0), (26.0, 3.0), tuple(xy[0])):
        _, block = krige(xy, z, [centre], model=model, options=KrigingOptions(block_m=2.0))
        _, points = krige(xy, z, cell(12, 2.0, centre), model=model)
        assert 0 < block[0] < points.mean() - nugget


@pytest.mark.parametrize("turn", [90.0, 180.0])
def test_quarter_turns_carry_over(turn: float) -> None:
    # Blocks lie along x and y, so only quarter turns take them into blocks.
    s, c = math.sin(math.radians(turn)), math.cos(math.radians(turn))
    turned = np.array([[c, s], [-s, c]])
    options = KrigingOptions(block_m=4.0)
    at = np.array([[65.0, 137.0], [72.0, 130.0]])
    plain = krige(XY, V, at, model=model_of("exponential", ratio=0.4, azimuth_deg=20.0), options=options)
    # The bearing of an axis grows clockwise, as this turn does.
    model = model_of("exponential", ratio=0.4, azimuth_deg=20.0 + turn)
    moved = krige(XY @ turned.T + 7.0, V, at @ turned.T + 7.0, model=model, options=options)
    np.testing.assert_allclose(moved[0], plain[0], rtol=1e-7)
    np.testing.assert_allclose(moved[1], plain[1], rtol=1e-6)


def test_a_linear_drift_over_blocks_is_that_at_their_centres() -> None:
    at = np.array([[65.0, 137.0], [80.0, 150.0]])
    options = KrigingOptions(drift=Drift(XY, at), block_m=5.0)
    estimate, _ = krige(XY, 2.0 + 0.3 * XY[:, 0] - 0.1 * XY[:, 1], at, model=model_of("exponential"), options=options)
    np.testing.assert_allclose(estimate, 2.0 + 0.3 * at[:, 0] - 0.1 * at[:, 1], rtol=1e-11)


def test_faults() -> None:
    at = [[65.0, 137.0]]
    with pytest.raises(InputError, match="block_m must not be negative"):
        KrigingOptions(block_m=-1.0)
    with pytest.raises(InputError, match="block_m must be finite"):
        KrigingOptions(block_m=math.inf)
    with pytest.raises(
        InputError, match=r"longer than 5 times the shortest range \(received 11 m over a range of 2 m\)\. Take smaller"
    ):
        krige(XY, V, at, model=model_of("exponential", ratio=0.2), options=KrigingOptions(block_m=11.0))
