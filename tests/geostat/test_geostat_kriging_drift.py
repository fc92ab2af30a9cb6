"""Universal kriging against identities of least squares and two libraries."""

from __future__ import annotations

import gstools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pykrige.uk import UniversalKriging

from yewline.errors import InputError
from yewline.geostat import Drift, KrigingOptions, VariogramModel, krige, krige_weights, length_scale

Scene = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Places, readings, points, and an invented elevation at both."""
    rng = np.random.default_rng(5)
    xy, at = rng.uniform(0, 30, (35, 2)), rng.uniform(-3, 33, (120, 2))

    def height(p: np.ndarray) -> np.ndarray:
        return 40 + 0.1 * p[:, 0] + np.sin(p[:, 1] / 4) + 0.02 * (p[:, 0] - 15) ** 2

    z = 0.1 + 0.05 * height(xy) + 0.2 * rng.standard_normal(35)
    return xy, z, at, height(xy), height(at)


def exponential(**more: float) -> VariogramModel:
    return VariogramModel("exponential", partial_sill=1.2, range_m=9.0, **more)


def coordinates(xy: np.ndarray, at: np.ndarray) -> KrigingOptions:
    return KrigingOptions(drift=Drift(xy, at, names=("x", "y")))


# Identities


@given(st.integers(0, 200), st.floats(0.0, 1.0), st.integers(1, 3))
@settings(max_examples=25, deadline=None)
def test_weights_sum_to_one_and_reproduce_the_drift(seed: int, nugget: float, columns: int) -> None:
    rng = np.random.default_rng(seed)
    xy, at = rng.uniform(0, 20, (12, 2)), rng.uniform(-5, 25, (6, 2))
    drift = Drift(rng.normal(50.0, 3.0, (12, columns)), rng.normal(50.0, 3.0, (6, columns)))
    model = exponential(nugget=nugget, ratio=0.5, azimuth_deg=20.0)
    weights, lagrange = krige_weights(xy, at, model=model, options=KrigingOptions(drift=drift))
    np.testing.assert_allclose(weights.sum(axis=0), 1.0, atol=1e-11)
    np.testing.assert_allclose(weights.T @ drift.at_readings, drift.at_points, rtol=1e-10)
    z = rng.standard_normal(12)
    estimate, variance = krige(xy, z, at, model=model, options=KrigingOptions(drift=drift))
    np.testing.assert_allclose(z @ weights, estimate, atol=1e-10)
    covariance = model.covariance(xy, at)
    np.testing.assert_allclose(model.sill - np.sum(weights * covariance, axis=0) - lagrange, variance, atol=1e-10)
    # The variance of Σwz − z(x), from its definition and no formula of kriging.
    among = model.covariance(xy, xy) + model.nugget * np.eye(12)
    direct = model.sill - 2 * np.sum(weights * covariance, axis=0) + np.einsum("im,ij,jm->m", weights, among, weights)
    np.testing.assert_allclose(variance, direct, atol=1e-10)


def test_a_field_that_is_the_drift_comes_back_everywhere(scene: Scene) -> None:
    xy, _, at, height, height_at = scene
    drift = KrigingOptions(drift=Drift(np.column_stack([height, xy]), np.column_stack([height_at, at])))
    estimate, variance = krige(
        xy, 3.0 - 0.2 * height + 0.5 * xy[:, 1], at, model=exponential(nugget=0.3), options=drift
    )
    np.testing.assert_allclose(estimate, 3.0 - 0.2 * height_at + 0.5 * at[:, 1], atol=1e-11)
    assert variance.min() > 0


def test_pure_nugget_is_ordinary_least_squares(scene: Scene) -> None:
    xy, z, at, height, height_at = scene
    model = VariogramModel("exponential", partial_sill=0.0, range_m=1.0, nugget=0.04)
    estimate, variance = krige(xy, z, at, model=model, options=KrigingOptions(drift=Drift(height, height_at)))
    design, goal = np.column_stack([np.ones(35), height]), np.column_stack([np.ones(len(at)), height_at])
    coefficients = np.linalg.lstsq(design, z, rcond=None)[0]
    np.testing.assert_allclose(estimate, goal @ coefficients, atol=1e-11)
    spread = np.einsum("ij,jk,ik->i", goal, np.linalg.inv(design.T @ design), goal)
    np.testing.assert_allclose(variance, 0.04 * (1 + spread), rtol=1e-10)


def test_units_and_origin_of_the_drift_do_not_matter(scene: Scene) -> None:
    xy, z, at, _, _ = scene
    plain = krige(xy, z, at, model=exponential(), options=coordinates(xy, at))
    far = np.array([4.5e5, 5.4e6])
    moved = KrigingOptions(drift=Drift((xy + far) * [1.0, 100.0], (at + far) * [1.0, 100.0]))
    there = krige(xy, z, at, model=exponential(), options=moved)
    # Coordinates of that size keep nine decimals.
    np.testing.assert_allclose(there[0], plain[0], atol=1e-8)
    np.testing.assert_allclose(there[1], plain[1], atol=1e-8)


def test_exact_at_readings_and_wider_than_ordinary(scene: Scene) -> None:
    xy, z, at, height, height_at = scene
    estimate, variance = krige(xy, z, xy, model=exponential(), options=KrigingOptions(drift=Drift(height, height)))
    np.testing.assert_allclose(estimate, z, atol=1e-10)
    np.testing.assert_allclose(variance, 0.0, atol=1e-10)
    # A mean with more coefficients to estimate cannot be surer, for one variogram.
    _, ordinary = krige(xy, z, at, model=exponential())
    _, universal = krige(xy, z, at, model=exponential(), options=KrigingOptions(drift=Drift(height, height_at)))
    assert (universal >= ordinary - 1e-12).all()
    assert (universal > ordinary + 1e-3).any()


def test_one_number_a_row_is_one_column(scene: Scene) -> None:
    xy, z, at, height, height_at = scene
    flat = krige(xy, z, at, model=exponential(), options=KrigingOptions(drift=Drift(height, height_at)))
    column = Drift(height[:, None], height_at[:, None])
    np.testing.assert_array_equal(flat, krige(xy, z, at, model=exponential(), options=KrigingOptions(drift=column)))


# References


@pytest.mark.parametrize("nugget", [0.0, 0.3])
@pytest.mark.parametrize("family", ["exponential", "spherical"])
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_linear_drift_agrees_with_pykrige(scene: Scene, family: str, nugget: float) -> None:
    xy, z, at, _, _ = scene
    peer = UniversalKriging(
        *xy.T,
        z,
        variogram_model=family,
        variogram_parameters={"psill": 1.2, "range": length_scale(9.0, family, "pykrige"), "nugget": nugget},
        drift_terms=["regional_linear"],
    )
    theirs, their_variance = peer.execute("points", *at.T)
    model = VariogramModel(family, partial_sill=1.2, range_m=9.0, nugget=nugget)
    ours, variance = krige(xy, z, at, model=model, options=coordinates(xy, at))
    np.testing.assert_allclose(ours, np.asarray(theirs), atol=1e-9)
    np.testing.assert_allclose(variance, np.asarray(their_variance), atol=1e-9)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_drift_and_anisotropy_agree_with_pykrige(scene: Scene) -> None:
    xy, z, at, height, height_at = scene
    # PyKrige turns anticlockwise from +x and stretches across; ours is a bearing from +y.
    peer = UniversalKriging(
        *xy.T,
        z,
        variogram_model="exponential",
        variogram_parameters={"psill": 1.2, "range": 9.0, "nugget": 0.1},
        anisotropy_scaling=1.0 / 0.4,
        anisotropy_angle=60.0,
        drift_terms=["specified"],
        specified_drift=[height],
    )
    theirs, their_variance = peer.execute("points", *at.T, specified_drift_arrays=[height_at])
    options = KrigingOptions(drift=Drift(height, height_at))
    model = exponential(nugget=0.1, ratio=0.4, azimuth_deg=30.0)
    ours, variance = krige(xy, z, at, model=model, options=options)
    np.testing.assert_allclose(ours, np.asarray(theirs), atol=1e-9)
    np.testing.assert_allclose(variance, np.asarray(their_variance), atol=1e-9)


@pytest.mark.parametrize("kind", ["linear", "external"])
def test_agrees_with_gstools(scene: Scene, kind: str) -> None:
    xy, z, at, height, height_at = scene
    peer = gstools.Exponential(dim=2, var=1.2, len_scale=3.0, nugget=0.05)
    error = np.linspace(0.05, 0.4, len(z))
    if kind == "linear":
        theirs, their_variance = gstools.krige.Universal(
            peer, xy.T, z, "linear", cond_err=0.05 + error**2, exact=False
        )(at.T)
        options = coordinates(xy, at)
    else:
        theirs, their_variance = gstools.krige.ExtDrift(peer, xy.T, z, height, cond_err=0.05 + error**2, exact=False)(
            at.T, ext_drift=height_at
        )
        options = KrigingOptions(drift=Drift(height, height_at))
    ours, variance = krige(xy, z, at, model=exponential(nugget=0.05), error_sd=error, options=options)
    np.testing.assert_allclose(ours, theirs, atol=1e-8)
    np.testing.assert_allclose(variance, their_variance, atol=1e-8)


# Faults


def test_faults(scene: Scene) -> None:
    xy, z, at, height, height_at = scene
    model = exponential()

    def run(drift: Drift) -> None:
        krige(xy, z, at, model=model, options=KrigingOptions(drift=drift))

    with pytest.raises(InputError, match=r"elevation is the same at all readings, .* \(received 3 or nearly so every"):
        run(Drift(np.full(35, 3.0), height_at, names=("elevation",)))
    both = np.column_stack([height, 2.0 * height - 1.0, xy[:, 0]])
    with pytest.raises(InputError, match=r"elevation and doubled say the same at the readings: one follows"):
        run(Drift(both, np.zeros((120, 3)), names=("elevation", "doubled", "x")))
    with pytest.raises(InputError, match="drift 1 and drift 2 say the same"):
        run(Drift(both[:, :2], np.zeros((120, 2))))
    with pytest.raises(InputError, match="a mean that follows 2 quantities needs at least 3 readings"):
        krige(xy[:2], z[:2], at, model=model, options=KrigingOptions(drift=Drift(xy[:2], at)))
    with pytest.raises(InputError, match=r"one row for each reading \(received 34 rows for 35 readings\)"):
        run(Drift(height[:-1], height_at))
    with pytest.raises(InputError, match=r"one row for each point \(received 119 rows for 120 points\)"):
        run(Drift(height, height_at[:-1]))
    with pytest.raises(InputError, match=r"no values at the points\. Give at_points"):
        run(Drift(height))
    with pytest.raises(InputError, match=r"as many columns at the points as at the readings \(received 2 and 1\)"):
        Drift(height, at)
    with pytest.raises(InputError, match="one name for each column"):
        Drift(height, height_at, names=("x", "y"))
    with pytest.raises(InputError, match="the drift at the readings holds values that are not finite"):
        Drift(np.where(height > 41, np.nan, height), height_at)
    with pytest.raises(InputError, match="the drift at the points must be an array of numbers"):
        Drift(height, np.array(["wet"] * 120))


def test_readings_on_one_line_do_not_fix_both_coordinates() -> None:
    along = np.arange(9.0)
    xy = np.column_stack([along, 2.0 + 0.5 * along])
    with pytest.raises(InputError, match="x and y say the same at the readings"):
        krige(xy, along, xy, model=exponential(), options=coordinates(xy, xy))
