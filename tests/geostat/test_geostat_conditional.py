"""Fields that agree with readings: their mean, covariance and distribution, and what they do at the readings."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import fft, stats
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

from yewline.errors import InputError
from yewline.geostat import (
    FAMILIES,
    FieldDraws,
    VariogramModel,
    conditional_fields,
    gaussian_field,
    krige,
    krige_weights,
    surrogate_maps,
    unconditional_fields,
)
from yewline.geostat.between import between_nodes
from yewline.geostat.torus import torus_for

X, Y = np.arange(14) * 0.5 + 3.0, np.arange(11) * 0.5 - 1.0
NODES = np.stack(np.meshgrid(X, Y), axis=-1).reshape(-1, 2)
_RNG = np.random.default_rng(5)
XY = np.column_stack([_RNG.uniform(3.0, 9.5, 12), _RNG.uniform(-1.0, 4.0, 12)])
Z = 0.3 + 0.05 * _RNG.standard_normal(12)
MODELS = {
    "exponential": VariogramModel("exponential", partial_sill=4.0, range_m=3.0),
    "spherical": VariogramModel("spherical", partial_sill=4.0, range_m=5.0),
    "gaussian": VariogramModel("gaussian", partial_sill=4.0, range_m=4.0),
    "turned": VariogramModel("exponential", partial_sill=4.0, range_m=6.0, ratio=0.4, azimuth_deg=30.0, nugget=1.0),
    "long": VariogramModel("exponential", partial_sill=4.0, range_m=60.0),
}


def draws(count: int, seed: int = 1, **more: object) -> FieldDraws:
    return FieldDraws(count, seed, **more)  # type: ignore[arg-type]


def all_of(blocks: object) -> np.ndarray:
    return np.concatenate(list(blocks))  # type: ignore[call-overload]


def given_readings(model: VariogramModel, noise: np.ndarray) -> np.ndarray:
    """Covariance among the nodes of the field given the readings, its mean unknown."""
    weights, _ = krige_weights(XY, NODES, model=model, error_sd=np.sqrt(noise))
    among = model.covariance(XY, XY) + np.diag(noise + model.nugget)
    across = weights.T @ model.covariance(XY, NODES)
    return model.covariance(NODES, NODES) - across - across.T + weights.T @ among @ weights


def of_the_draws(model: VariogramModel, noise: np.ndarray) -> np.ndarray:
    """The same of what is drawn, from the linear maps that noise goes through: no sampling error is in it."""
    margin = 4
    shape = (len(Y) + 2 * margin, len(X) + 2 * margin)
    torus = torus_for(model, shape, (0.5, 0.5), np.float64)
    wrapped = fft.fft2(torus.root**2).real
    rows, columns = (index.ravel() for index in np.indices(shape))
    window = wrapped[np.subtract.outer(rows, rows), np.subtract.outer(columns, columns)]
    positions = (XY[:, ::-1] - [Y[0], X[0]]) / 0.5 + margin
    between = between_nodes(positions, (0.5, 0.5), model=model, noise_variance=noise + model.nugget)
    patches = np.zeros((len(XY), rows.size))
    np.put_along_axis(patches, between.nodes[0] * shape[1] + between.nodes[1], between.weights, axis=1)
    inside = np.flatnonzero((abs(rows - margin - 5) <= 5) & (columns >= margin) & (columns < margin + len(X)))
    weights, _ = krige_weights(XY, NODES, model=model, error_sd=np.sqrt(noise))
    onto = np.eye(rows.size)[inside] - weights.T @ patches
    left = weights.T @ between.root
    return onto @ window @ onto.T + left @ left.T


@pytest.mark.parametrize(
    ("name", "share"), [("exponential", 3e-3), ("spherical", 3e-3), ("turned", 3e-3), ("long", 3e-4)]
)
def test_covariance_of_draws_is_that_given_the_readings(name: str, share: float) -> None:
    # Both ends of what is approximated are in this: the torus, and the patches between the nodes.
    noise = np.full(len(XY), 0.04)
    model = MODELS[name]
    np.testing.assert_allclose(of_the_draws(model, noise), given_readings(model, noise), atol=share * model.sill)


@pytest.mark.parametrize("range_m", [3.0, 30.0])
def test_covariance_of_draws_is_that_of_a_gaussian_process_library(range_m: float) -> None:
    # scikit-learn knows no unknown mean; a constant of a variance a hundred thousand times the sill stands for it.
    model = VariogramModel("exponential", partial_sill=1.0, range_m=range_m)
    kernel = ConstantKernel(1e5) + Matern(length_scale=range_m / 3, nu=0.5)
    library = GaussianProcessRegressor(kernel, alpha=0.04, optimizer=None).fit(XY, Z)
    estimate, covariance = library.predict(NODES, return_cov=True)
    np.testing.assert_allclose(of_the_draws(model, np.full(len(XY), 0.04)), covariance, atol=3e-3)
    fields = all_of(conditional_fields(XY, Z, X, Y, model=model, error_sd=0.2, draws=draws(4000)))
    z = (fields.mean(axis=0).ravel() - estimate) / np.sqrt(np.diag(covariance) / 4000)
    assert abs(z).max() < 4.5


@pytest.mark.parametrize(
    ("model", "share"),
    [
        (VariogramModel("exponential", partial_sill=1.0, range_m=5.0), 4e-4),
        (VariogramModel("exponential", partial_sill=1.0, range_m=40.0), 4e-4),
        (VariogramModel("gaussian", partial_sill=1.0, range_m=20.0), 4e-4),
        (VariogramModel("spherical", partial_sill=1.0, range_m=20.0), 4e-4),
        (VariogramModel("spherical", partial_sill=1.0, range_m=5.0), 9e-3),
        (VariogramModel("exponential", partial_sill=1.0, range_m=20.0, ratio=0.3, azimuth_deg=30.0), 9e-4),
    ],
)
def test_places_between_nodes_share_the_covariance(model: VariogramModel, share: float) -> None:
    # Cells of 1 m; places close together, some in one cell, so that what patches leave open is shared as well.
    side = 50
    nodes = np.stack(np.meshgrid(range(side), range(side), indexing="ij"), axis=-1).reshape(-1, 2).astype(float)
    places = np.random.default_rng(0).uniform(22.0, 27.0, (30, 2))
    between = between_nodes(places, (1.0, 1.0), model=model, noise_variance=np.zeros(30))
    patches = np.zeros((30, side * side))
    np.put_along_axis(patches, between.nodes[0] * side + between.nodes[1], between.weights, axis=1)
    xy, at = nodes[:, ::-1], places[:, ::-1]
    with_nodes = patches @ model.covariance(xy, xy)
    np.testing.assert_allclose(with_nodes, model.covariance(at, xy), atol=share)
    among = with_nodes @ patches.T + between.root @ between.root.T
    np.testing.assert_allclose(np.diag(among), 1.0, atol=1e-7)
    np.testing.assert_allclose(among, model.covariance(at, at), atol=share)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("range_m", [2.0, 8.0, 80.0])
def test_torus_keeps_the_covariance(family: str, range_m: float) -> None:
    model = VariogramModel(family, partial_sill=1.0, range_m=range_m, ratio=0.5, azimuth_deg=70.0)
    torus = torus_for(model, (40, 30), (0.5, -0.5), np.float64)
    wrapped = fft.fft2(torus.root**2).real
    y, x = np.arange(40), np.arange(-29, 30)
    lags = np.stack(np.meshgrid(-0.5 * x, 0.5 * y), axis=-1).reshape(-1, 2)
    expected = model.covariance(lags, np.zeros((1, 2))).reshape(40, 59)
    np.testing.assert_allclose(wrapped[np.ix_(y, x)], expected, atol=2.5e-3)
    assert wrapped[0, 0] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("with_nugget", [False, True])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
@pytest.mark.parametrize("name", ["exponential", "turned", "spherical"])
def test_mean_and_variance_are_those_of_kriging(name: str, dtype: str, with_nugget: bool) -> None:
    model, count = MODELS[name], 3000
    how = draws(count, seed=3, dtype=dtype, with_nugget=with_nugget)
    fields = all_of(conditional_fields(XY, Z, X, Y[::-1], model=model, error_sd=0.3, draws=how)).astype(np.float64)
    estimate, variance = (part.reshape(11, 14)[::-1] for part in krige(XY, Z, NODES, model=model, error_sd=0.3))
    variance = variance - (0.0 if with_nugget else model.nugget)
    # 154 cells: a right program goes beyond 4.5 standard errors once in a thousand seeds.
    assert abs((fields.mean(axis=0) - estimate) / np.sqrt(variance / count)).max() < 4.5
    assert abs(fields.var(axis=0) / variance - 1).max() < 4.5 * np.sqrt(2 / count) + 5e-3


@pytest.mark.parametrize("name", ["exponential", "gaussian", "turned"])
def test_unconditional_fields_are_gaussian_with_the_covariance(name: str) -> None:
    model = MODELS[name]
    fields = all_of(unconditional_fields(X, Y, model=model, draws=draws(3000, with_nugget=True))).astype(np.float64)
    corners = [(0, 0), (5, 7), (10, 13)]
    assert min(stats.kstest(fields[:, r, c] / np.sqrt(model.sill), "norm").pvalue for r, c in corners) > 1e-3
    # sᵀC⁻¹s over 12 cells is χ² of 12 degrees if and only if covariance and shape are right together.
    some = fields[:, 1:10:4, ::4].reshape(3000, -1)
    places = np.stack(np.meshgrid(X[::4], Y[1:10:4]), axis=-1).reshape(-1, 2)
    factor = np.linalg.cholesky(model.covariance(places, places) + model.nugget * np.eye(12))
    white = np.linalg.solve(factor, some.T)
    assert stats.kstest((white**2).sum(axis=0), stats.chi2(12).cdf).pvalue > 1e-3
    assert abs(white @ white.T / 3000 - np.eye(12)).max() < 4.5 * np.sqrt(2 / 3000)


def test_variogram_of_fields_is_the_model() -> None:
    model = VariogramModel("spherical", partial_sill=2.0, range_m=10.0, nugget=0.5)
    fields = all_of(unconditional_fields(range(60), range(50), model=model, draws=draws(300, with_nugget=True)))
    for lag in (1, 3, 6, 12):
        each = np.array([np.mean((f[:, lag:] - f[:, :-lag]) ** 2) / 2 for f in fields.astype(np.float64)])
        assert abs(each.mean() - model.gamma(lag)) < 4 * each.std() / np.sqrt(len(each)), lag


def test_both_parts_of_a_transform_are_independent() -> None:
    fields = all_of(unconditional_fields(range(8), range(8), model=MODELS["exponential"], draws=draws(4000)))
    flat = fields.reshape(2000, 2, 64).astype(np.float64)
    together = flat[:, 0].T @ flat[:, 1] / 2000 / 4.0
    assert abs(together).max() < 5 / np.sqrt(2000)


@pytest.mark.parametrize(("dtype", "tolerance"), [("float32", 2e-5), ("float64", 1e-9)])
@pytest.mark.parametrize("family", FAMILIES)
def test_readings_without_error_are_met(family: str, dtype: str, tolerance: float) -> None:
    model = VariogramModel(family, partial_sill=1.0, range_m=2.0)
    on_nodes = np.array([[X[2], Y[3]], [X[9], Y[8]], [X[3], Y[3]], [X[0], Y[0]], [X[13], Y[10]]])
    values = np.array([5.0, 3.0, 4.5, 4.0, 6.0])
    fields = all_of(conditional_fields(on_nodes, values, X, Y, model=model, draws=draws(20, dtype=dtype)))
    for (x, y), value in zip(on_nodes, values, strict=True):
        here = fields[:, np.flatnonzero(y == Y)[0], np.flatnonzero(x == X)[0]]
        assert abs(here - value).max() < tolerance
    assert fields[:, 5, 5].std() > 0.1


def test_a_reading_beside_a_node_holds_it() -> None:
    # A thousandth of a cell away: what is open there is γ(0.0005 m), and the fields know it.
    model = MODELS["exponential"]
    places = np.vstack([XY, [[X[4] + 0.0005, Y[4]]]])
    fields = all_of(conditional_fields(places, np.append(Z, 1.0), X, Y, model=model, draws=draws(2000)))
    _, variance = krige(places, np.append(Z, 1.0), [[X[4], Y[4]]], model=model)
    assert variance[0] == pytest.approx(2 * float(model.gamma(0.0005)), rel=2e-3)
    assert fields[:, 4, 4].var() == pytest.approx(variance[0], rel=0.15)


def test_readings_outside_the_grid_count() -> None:
    model = MODELS["exponential"]
    outside = np.array([[X[0] - 1.2, Y[5]], [X[-1] + 0.7, Y[-1] + 2.0], [X[6], Y[0] - 0.3]])
    values = np.array([1.0, -2.0, 3.0])
    fields = all_of(conditional_fields(outside, values, X, Y, model=model, error_sd=0.1, draws=draws(3000)))
    estimate, variance = krige(outside, values, NODES, model=model, error_sd=0.1)
    assert abs((fields.mean(axis=0).ravel() - estimate) / np.sqrt(variance / 3000)).max() < 4.5
    assert abs(fields.var(axis=0).ravel() / variance - 1).max() < 4.5 * np.sqrt(2 / 3000) + 5e-3


def test_nearly_cancelling_weights_are_not_left_to_single_precision() -> None:
    # Two readings a millimetre apart that differ by five standard deviations of such a step, in a smooth field.
    model = VariogramModel("gaussian", partial_sill=1.0, range_m=3.0)
    step = 5 * np.sqrt(2 * float(model.gamma(0.001)))
    places = np.array([[X[4], Y[4]], [X[4] + 0.001, Y[4]], [X[11], Y[8]]])
    weights, _ = krige_weights(places, NODES, model=model)
    assert np.abs(weights).sum(axis=0).max() > 100
    single, double = (
        all_of(conditional_fields(places, [0.0, step, 1.0], X, Y, model=model, draws=draws(40, dtype=dtype)))
        for dtype in ("float32", "float64")
    )
    assert abs(single[:, 4, 4]).max() < 1e-5
    estimate, variance = (part.reshape(11, 14) for part in krige(places, [0.0, step, 1.0], NODES, model=model))
    for fields in (single, double):
        far = abs(fields.mean(axis=0) - estimate)[variance > 0.01] / np.sqrt(variance[variance > 0.01] / 40)
        assert far.max() < 4.5


def test_same_seed_same_bytes_whatever_the_count_and_the_threads() -> None:
    def fields(count: int, seed: int = 1, **more: object) -> np.ndarray:
        how = draws(count, seed, **more)
        return all_of(conditional_fields(XY, Z, X, Y, model=MODELS["turned"], error_sd=0.1, draws=how))

    first = fields(150)
    assert first.shape == (150, 11, 14)
    assert first.tobytes() == fields(150, threads=1).tobytes()
    assert first[:7].tobytes() == fields(7).tobytes()
    assert not np.array_equal(first[:7], fields(7, seed=2))


def test_blocks_do_not_change_results(monkeypatch: pytest.MonkeyPatch) -> None:
    def blocks() -> list[np.ndarray]:
        return list(conditional_fields(XY, Z, X, Y, model=MODELS["turned"], draws=draws(101, dtype="float64")))

    large = blocks()
    assert [len(block) for block in large] == [64, 37]
    monkeypatch.setattr("yewline.geostat.conditional._BLOCK_VALUES", 1000)
    small = blocks()
    assert {len(block) for block in small} == {6, 101 % 6}
    np.testing.assert_allclose(np.concatenate(small), np.concatenate(large), atol=1e-13)


def test_fields_come_one_block_at_a_time() -> None:
    endless = conditional_fields(XY, Z, X, Y, model=MODELS["exponential"], draws=draws(10**9))
    assert sum(len(block) for block in itertools.islice(endless, 3)) == 192
    endless.close()  # type: ignore[attr-defined]


def test_surrogate_maps_vary_as_kriged_maps_do() -> None:
    # What kriging leaves of the variance: at a place, wᵀKw with the weights w, less than the sill.
    model, noise = MODELS["turned"], 0.2
    maps = all_of(surrogate_maps(XY, X, Y, model=model, error_sd=noise, draws=draws(4000))).astype(np.float64)
    weights, _ = krige_weights(XY, NODES, model=model, error_sd=noise)
    among = model.covariance(XY, XY) + (model.nugget + noise**2) * np.eye(len(XY))
    expected = np.einsum("rm,rs,sm->m", weights, among, weights).reshape(11, 14)
    assert abs(maps.var(axis=0) / expected - 1).max() < 4.5 * np.sqrt(2 / 4000)
    assert expected.mean() < 0.9 * model.sill


def test_one_field_has_the_spread_of_gaussian_field() -> None:
    model = VariogramModel("exponential", partial_sill=1.0, range_m=4.0)
    ours = all_of(unconditional_fields(range(30), range(20), model=model, draws=draws(400)))
    theirs = np.array([gaussian_field((20, 30), 1.0, ranges_m=4.0, sd=1.0, seed=s) for s in range(400)])
    assert stats.ks_2samp(ours.std(axis=(1, 2)), theirs.std(axis=(1, 2))).pvalue > 1e-3


def test_faults() -> None:
    model = MODELS["exponential"]
    one = draws(1)
    with pytest.raises(InputError, match=r"at least 3 readings \(received 2\)"):
        conditional_fields(XY[:2], Z[:2], X, Y, model=model, draws=one)
    with pytest.raises(InputError, match=r"one value for each place \(received 11 values for 12 places\)"):
        conditional_fields(XY, Z[:11], X, Y, model=model, draws=one)
    with pytest.raises(InputError, match=r"grid_x must be evenly spaced \(received 0.3 where 0.5 was due\)"):
        conditional_fields(XY, Z, [0.0, 0.3, 1.0], Y, model=model, draws=one)
    with pytest.raises(InputError, match="grid_y must be evenly spaced"):
        unconditional_fields(X, [1.0, 1.0, 1.0], model=model, draws=one)
    with pytest.raises(InputError, match=r"grid_y must hold at least two coordinates \(received 1\)"):
        unconditional_fields(X, [1.0], model=model, draws=one)
    with pytest.raises(InputError, match="cannot be told apart by the variogram"):
        conditional_fields(np.vstack([XY, XY[:1]]), np.append(Z, 0.0), X, Y, model=model, draws=one)
    with pytest.raises(InputError, match=r"values holds values that are not finite \(received nan"):
        conditional_fields(XY, np.full(12, np.nan), X, Y, model=model, draws=one)
    long = VariogramModel("exponential", partial_sill=1.0, range_m=5000.0)
    with pytest.raises(InputError, match=r"too large .* cells with padding, 0 readings outside .* or leave out far"):
        conditional_fields(XY, Z, X, Y, model=long, draws=one)
    with pytest.raises(InputError, match="too large .* 1 readings outside the grid among what they must hold"):
        conditional_fields(np.vstack([XY, [[1e4, 1e4]]]), np.append(Z, 0.0), X, Y, model=model, draws=one)
    with pytest.raises(InputError, match=r"too many weights to hold \(received 12 readings for 25000000 cells\)"):
        conditional_fields(XY, Z, range(5000), range(5000), model=model, draws=one)
    with pytest.raises(InputError, match=r"count must be a whole number of at least 1 \(received 0\)"):
        draws(0)
    with pytest.raises(InputError, match=r"seed must be a whole number of at least 0 \(received -1\)"):
        draws(1, seed=-1)
    with pytest.raises(InputError, match="dtype must be one of float32, float64"):
        draws(1, dtype="int8")
