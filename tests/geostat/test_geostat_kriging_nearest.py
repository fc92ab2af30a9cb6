"""Kriging from the nearest readings: the kernel against its plain twin, all readings, and two libraries."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import skgstat
from pykrige.ok import OrdinaryKriging
from scipy.spatial import cKDTree

from yewline.errors import InputError
from yewline.geostat import Drift, KrigingOptions, VariogramModel, krige
from yewline.geostat.near_kernels import INDISTINCT, UNFIXED, krige_near, krige_near_plain

Scene = tuple[np.ndarray, np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def scene() -> Scene:
    rng = np.random.default_rng(4)
    xy = rng.uniform(0, 40, (150, 2))
    # A map's cells, whose neighbours are often those of the cell before, and some points far from all.
    x = np.linspace(-2.0, 42.0, 30)
    at = np.concatenate([np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2), rng.uniform(-60, 100, (40, 2))])
    return xy, np.sin(xy[:, 0] / 5) + 0.1 * rng.standard_normal(150), at


def exponential(**more: float) -> VariogramModel:
    return VariogramModel("exponential", partial_sill=1.0, range_m=10.0, **more)


def near(nearest: int = 24, **more: object) -> KrigingOptions:
    return KrigingOptions(nearest=nearest, **more)  # type: ignore[arg-type]


# The kernel


@pytest.mark.parametrize("columns", [1, 2, 4])
@pytest.mark.parametrize("n", [4, 9, 24])
def test_kernel_agrees_with_its_plain_twin(scene: Scene, n: int, columns: int) -> None:
    xy, z, at = scene
    model = exponential(nugget=0.05)
    table = model.covariance(xy, xy) + model.nugget * np.eye(len(xy))
    index = np.sort(cKDTree(xy).query(at, k=n)[1], axis=1).astype(np.int64)
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(len(xy)), rng.standard_normal((len(xy), columns - 1))])
    goal = np.column_stack([np.ones(len(at)), rng.standard_normal((len(at), columns - 1))])
    covariance = np.take_along_axis(model.covariance(at, xy), index, axis=1)
    ours, plain = np.empty((len(at), 2)), np.empty((len(at), 2))
    arguments = (index, table, z, design, covariance, goal, 1e-12)
    assert krige_near(*arguments, ours) == (-1, 0)
    assert krige_near_plain(*arguments, plain) == (-1, 0)
    # Four readings that carry four columns are an exact fit, with coefficients of any size.
    np.testing.assert_allclose(ours, plain, rtol=1e-12 if n > 4 else 1e-8, atol=1e-12 if n > 4 else 1e-8)


def test_kernel_and_twin_name_the_same_point_and_fault() -> None:
    xy = np.array([[0.0, 0.0], [1.0, 0.0], [5.0, 5.0], [5.0, 5.0], [9.0, 0.0]])
    model = exponential()
    index = np.array([[0, 1, 4], [0, 2, 4], [0, 2, 3]], dtype=np.int64)
    flat = np.column_stack([np.ones(5), [0.0, 0.0, 1.0, 1.0, 0.0]])
    for design, expected in ((np.ones((5, 1)), (2, INDISTINCT)), (flat, (0, UNFIXED))):
        goal = np.ones((3, design.shape[1]))
        arguments = (index, model.covariance(xy, xy), np.arange(5.0), design, np.full((3, 3), 0.1), goal, 1e-12)
        assert krige_near(*arguments, np.empty((3, 2))) == expected
        assert krige_near_plain(*arguments, np.empty((3, 2))) == expected


# Against kriging from all readings


@pytest.mark.parametrize("family", ["exponential", "gaussian", "spherical"])
@pytest.mark.parametrize("how", ["point", "block", "drift"])
def test_each_point_is_kriged_from_its_own_neighbours(scene: Scene, family: str, how: str) -> None:
    xy, z, at = scene
    some = at[::37]
    model = VariogramModel(family, partial_sill=1.0, range_m=10.0, nugget=0.1, ratio=0.4, azimuth_deg=30.0)
    error = np.linspace(0.0, 0.5, len(z))
    more = {"point": {}, "block": {"block_m": 1.0}, "drift": {"drift": Drift(xy, some)}}[how]
    estimate, variance = krige(xy, z, some, model=model, error_sd=error, options=near(**more))
    # Nearest along the stretched axes, by brute force.
    distance = np.linalg.norm(model.stretched(some)[:, None] - model.stretched(xy)[None], axis=2)
    for m, point in enumerate(some):
        own = np.argsort(distance[m])[:24]
        part = {**more, "drift": Drift(xy[own], point[None])} if how == "drift" else more
        options = KrigingOptions(**part)
        alone = krige(xy[own], z[own], point[None], model=model, error_sd=error[own], options=options)
        assert estimate[m] == pytest.approx(alone[0][0], abs=1e-10)
        assert variance[m] == pytest.approx(alone[1][0], abs=1e-10)


@pytest.mark.parametrize("count", [150, 400])
def test_as_many_as_there_are_is_all_of_them(scene: Scene, count: int) -> None:
    xy, z, at = scene
    whole = krige(xy, z, at, model=exponential())
    np.testing.assert_array_equal(krige(xy, z, at, model=exponential(), options=near(count)), whole)
    # One fewer than all goes through the kernel, and the farthest reading hardly counts.
    inside = (np.abs(at - 20.0) < 15.0).all(axis=1)
    most = krige(xy, z, at, model=exponential(), options=near(149))
    np.testing.assert_allclose(most[0][inside], whole[0][inside], atol=1e-2)


def test_exact_at_readings_and_never_below_zero(scene: Scene) -> None:
    xy, z, _ = scene
    for model in (exponential(), VariogramModel("spherical", partial_sill=1.0, range_m=30.0)):
        estimate, variance = krige(xy, z, xy, model=model, options=near())
        np.testing.assert_allclose(estimate, z, atol=1e-11)
        np.testing.assert_allclose(variance, 0.0, atol=1e-12)
        assert variance.min() >= 0


def test_one_neighbour_repeats_its_reading(scene: Scene) -> None:
    xy, z, at = scene
    distance, index = cKDTree(xy).query(at)
    estimate, variance = krige(xy, z, at, model=exponential(), options=near(1))
    np.testing.assert_allclose(estimate, z[index], rtol=1e-14)
    np.testing.assert_allclose(variance, 2 * (1 - np.exp(-0.3 * distance)), atol=1e-13)


def test_tiles_and_order_of_points_do_not_change_the_result(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    xy, z, at = scene
    whole = krige(xy, z, at, model=exponential(), options=near(12))
    shuffled = np.random.default_rng(1).permutation(len(at))
    other = krige(xy, z, at[shuffled], model=exponential(), options=near(12))
    monkeypatch.setattr("yewline.geostat.near_kriging._POINTS_AT_ONCE", 100)
    monkeypatch.setattr("yewline.geostat.near_kriging._READINGS_AT_ONCE", 30)
    parts = krige(xy, z, at, model=exponential(), options=near(12))
    for got, same in itertools.product((0, 1), (other, parts)):
        expected = whole[got][shuffled] if same is other else whole[got]
        np.testing.assert_allclose(same[got], expected, rtol=1e-13, atol=1e-14)


# References


@pytest.mark.parametrize("nugget", [0.0, 0.2])
@pytest.mark.parametrize("ratio", [1.0, 0.4])
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_agrees_with_pykrige(scene: Scene, nugget: float, ratio: float) -> None:
    xy, z, at = scene
    peer = OrdinaryKriging(
        *xy.T,
        z,
        variogram_model="exponential",
        variogram_parameters={"psill": 1.0, "range": 10.0, "nugget": nugget},
        anisotropy_scaling=1.0 / ratio,
        anisotropy_angle=60.0,
    )
    theirs, their_variance = peer.execute("points", *at.T, backend="C", n_closest_points=24)
    model = exponential(nugget=nugget, ratio=ratio, azimuth_deg=30.0)
    ours, variance = krige(xy, z, at, model=model, options=near())
    np.testing.assert_allclose(ours, np.asarray(theirs), atol=1e-11)
    np.testing.assert_allclose(variance, np.asarray(their_variance), atol=1e-11)


def test_agrees_with_scikit_gstat(scene: Scene) -> None:
    xy, z, at = scene
    # It looks no farther than the effective range.
    inside = at[cKDTree(xy).query(at, k=12)[0][:, -1] < 10.0]
    assert len(inside) > 600
    described = {"model": "exponential", "effective_range": 10.0, "sill": 1.0, "nugget": 0.0, "dist_func": "euclidean"}
    peer = skgstat.OrdinaryKriging(described, coordinates=xy, values=z, min_points=2, max_points=12, mode="exact")
    theirs = peer.transform(inside)
    ours, variance = krige(xy, z, inside, model=exponential(), options=near(12))
    np.testing.assert_allclose(ours, theirs, atol=1e-9)
    np.testing.assert_allclose(variance, peer.sigma, atol=1e-9)


# Readings that nearly coincide


def extended(xy: np.ndarray, z: np.ndarray, at: np.ndarray) -> float:
    """Ordinary kriging at one point by elimination in the widest floating numbers that there are."""
    long = np.longdouble
    n = len(xy)
    x, y = xy.astype(long).T
    system = np.ones((n + 1, n + 2), long)
    system[:n, :n] = np.exp(-long(3) * np.sqrt((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2) / 10)
    system[n, n] = 0
    system[:n, n + 1] = np.exp(-long(3) * np.sqrt((x - at[0]) ** 2 + (y - at[1]) ** 2) / 10)
    for i in range(n + 1):
        pivot = i + int(np.abs(system[i:, i]).argmax())
        system[[i, pivot]] = system[[pivot, i]]
        system[i] /= system[i, i]
        rest = np.arange(n + 1) != i
        system[rest] -= np.outer(system[rest, i], system[i])
    return float(system[:n, n + 1] @ z)


@pytest.mark.skipif(np.finfo(np.longdouble).eps > 1e-18, reason="no floating numbers wider than double")
@pytest.mark.parametrize("gap", [1e-3, 1e-6, 1e-9])
@pytest.mark.parametrize("nearest", [None, 24])
def test_readings_that_nearly_coincide_are_kriged_right(scene: Scene, gap: float, nearest: int | None) -> None:
    # In single precision the two are one and the system is singular (at 1e-6 m), or its weights are noise (at 1e-3 m).
    xy = np.concatenate([scene[0][:30], scene[0][:1] + np.array([[gap, 0.0]])])
    # Alike readings, as a field with this variogram has them: they differ by about the root of twice γ(gap).
    z = np.append(scene[1][:30], scene[1][0] + np.sqrt(0.6 * gap))
    at = scene[0][:1] + np.array([[0.7, -0.4], [1.5, 2.0]])
    options = KrigingOptions(nearest=nearest)
    got, _ = krige(xy, z, at, model=exponential(), options=options)
    for m, point in enumerate(at):
        own = np.argsort(np.linalg.norm(xy - point, axis=1))[:nearest]
        assert got[m] == pytest.approx(extended(xy[own], z[own], point), abs=1e-9)


@pytest.mark.parametrize("gap", [0.0, 1e-13])
def test_readings_that_cannot_be_told_apart_are_refused(scene: Scene, gap: float) -> None:
    xy, z, at = scene
    double = np.concatenate([xy, xy[70:71] + np.array([[gap, 0.0]])])
    values = np.append(z, z[70] + 1.0)
    place = (
        rf"cannot be told apart by the variogram \(received two of them .* m apart at \({xy[70, 0]:g}, {xy[70, 1]:g}"
    )
    with pytest.raises(InputError, match=place):
        krige(double, values, at, model=exponential(), options=near())
    # Where no point has them among its neighbours nothing is wrong.
    away = at[~np.isin(cKDTree(double).query(at, k=24)[1], [70, 150]).any(axis=1)]
    assert 100 < len(away) < len(at)
    far, _ = krige(double, values, away, model=exponential(), options=near())
    np.testing.assert_array_equal(far, krige(xy, z, away, model=exponential(), options=near())[0])
    # With a nugget, or errors, they are two readings like others.
    for more, sd in (({"nugget": 0.1}, 0.0), ({}, 0.3)):
        estimate, variance = krige(double, values, at, model=exponential(**more), error_sd=sd, options=near())
        assert np.isfinite(estimate).all()
        assert variance.min() > 0


def test_smooth_fields_without_nugget_are_refused_by_name(scene: Scene) -> None:
    xy, z, at = scene
    smooth = VariogramModel("gaussian", partial_sill=1.0, range_m=80.0)
    with pytest.raises(InputError, match="cannot be told apart by the variogram"):
        krige(xy, z, at, model=smooth, options=near())
    with pytest.raises(InputError, match="cannot be told apart by the variogram"):
        krige(xy, z, at, model=smooth)


# Faults


def test_faults(scene: Scene) -> None:
    xy, z, at = scene
    for wrong in (0, -3, 2.5, True):
        with pytest.raises(InputError, match="nearest must be a whole number of at least 1"):
            KrigingOptions(nearest=wrong)  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"follows 2 quantities needs at least 3 of the nearest readings \(received 2"):
        krige(xy, z, at, model=exponential(), options=near(2, drift=Drift(xy, at)))
    west = (xy[:, 0] > 20.0).astype(float)
    with pytest.raises(InputError, match=r"24 readings nearest to a point do not fix the drift there.*the point \("):
        krige(xy, z, at, model=exponential(), options=near(drift=Drift(west, (at[:, 0] > 20.0).astype(float))))
