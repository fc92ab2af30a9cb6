"""Ways from lines to cells: what each keeps, against closed forms, a count of places, SciPy and kriging of its own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from yewline.errors import InputError, YewlineWarning
from yewline.geostat import VariogramModel, gaussian_field, krige_weights
from yewline.volume import (
    INTERPOLATORS,
    Interpolation,
    Nodes,
    check_aliasing,
    distance_to_data_m,
    distance_to_data_m_plain,
    fill_rows,
    interpolate_by,
    interpolate_nodes,
    natural_weights,
    natural_weights_plain,
)

MODEL = VariogramModel("exponential", partial_sill=1.0, range_m=3.0, ratio=0.4, azimuth_deg=30.0)
REACH = {"line_spacing_m": 0.5, "radius_m": 0.75}
ONE = np.ones(1)


def by(method, nodes, x, y, *, model=MODEL, wavelength_m=2.5, **reach):
    return interpolate_by(Interpolation(method, model, wavelength_m), nodes, x, y, **reach)


def line(x, y, values):
    dx, dy = np.gradient(x), np.gradient(y)
    size = np.hypot(dx, dy)
    return Nodes(x, y, dx / size, dy / size, 0.5 * size, 0.5 * size, np.asarray(values, np.float32))


def joined(parts):
    return Nodes(*(np.concatenate([getattr(p, name) for p in parts]) for name in Nodes.__slots__))


def parallel(value):
    x = np.arange(0, 6.01, 0.2)
    return joined([line(x, 0 * x + y, value(x, 0 * x + y)) for y in np.arange(0, 4.01, 0.5)])


def crossed(value):
    y = np.arange(0, 4.01, 0.2)
    across = [line(0 * y + x, y, value(0 * y + x, y)) for x in np.arange(0, 6.01, 0.5)]
    return joined([parallel(value), *across])


def free(value):
    """One winding track, half a metre from itself, and uneven."""
    rng = np.random.default_rng(3)
    s = np.sort(rng.uniform(0, 6, (9, 40)), axis=1)
    parts = []
    for row, x in enumerate(s):
        y = 0.5 * row + 0.1 * np.sin(3 * x)
        x, y = (x, y) if row % 2 else (x[::-1], y[::-1])
        parts.append(line(x, y, value(x, y)))
    return joined(parts)


SURVEYS = {"parallel": parallel, "crossed": crossed, "free": free}
X, Y = np.arange(0.35, 5.6, 0.1), np.arange(0.35, 3.6, 0.1)


def plane(x, y):
    return np.column_stack([3.0 + 0.5 * x - 0.25 * y, 1.0 + 0 * x])


@pytest.mark.parametrize("survey", SURVEYS)
@pytest.mark.parametrize("method", ["linear", "natural_neighbour"])
def test_planes_are_returned_as_they_are(survey, method):
    made = by(method, SURVEYS[survey](plane), X, Y, **REACH)
    xx, yy = np.meshgrid(X, Y)
    np.testing.assert_allclose(made[0], 3.0 + 0.5 * xx - 0.25 * yy, atol=1e-5)


@pytest.mark.parametrize("survey", SURVEYS)
@pytest.mark.parametrize("method", [name for name in INTERPOLATORS if name != "fk"])
def test_a_constant_stays_and_cells_between_lines_are_covered(survey, method):
    made = by(method, SURVEYS[survey](plane), X, Y, model=MODEL, **REACH)
    assert np.isfinite(made).all()
    np.testing.assert_allclose(made[1], 1.0, atol=1e-5)


@pytest.mark.parametrize("method", ["linear", "natural_neighbour", "inverse_distance", "kriging"])
def test_data_are_kept_where_they_are(method):
    rng = np.random.default_rng(0)
    nodes = parallel(lambda x, y: rng.uniform(1, 2, (len(x), 1)))
    x, y = np.arange(0, 6.01, 0.2), np.arange(0, 4.01, 0.5)
    made = by(method, nodes, x, y, model=MODEL, **REACH)
    # Kriging lets a millionth of the sill be noise.
    np.testing.assert_allclose(made[0].ravel(), nodes.values[:, 0], atol=2e-5)


@pytest.mark.parametrize("method", ["linear", "natural_neighbour", "inverse_distance"])
def test_no_value_leaves_the_range_of_the_data(method):
    rng = np.random.default_rng(1)
    nodes = free(lambda x, y: rng.uniform(1, 2, (len(x), 3)))
    made = by(method, nodes, X, Y, **REACH)
    assert nodes.values.min() - 1e-6 <= np.nanmin(made) <= np.nanmax(made) <= nodes.values.max() + 1e-6


def test_kriging_of_strength_is_never_below_nothing():
    rng = np.random.default_rng(2)
    nodes = parallel(lambda x, y: rng.lognormal(0, 2, (len(x), 2)))
    smooth = VariogramModel("gaussian", partial_sill=1.0, range_m=2.0, nugget=0.01)
    assert by("kriging", nodes, X, Y, model=smooth, **REACH).min() >= 0


def test_gaussian_is_the_one_that_volumes_are_made_by():
    nodes = crossed(plane)
    np.testing.assert_array_equal(by("gaussian", nodes, X, Y, **REACH), interpolate_nodes(nodes, X, Y, **REACH))
    assert next(iter(INTERPOLATORS)) == "gaussian"


def test_linear_is_scipys():
    rng = np.random.default_rng(4)
    nodes = free(lambda x, y: rng.normal(size=(len(x), 4)))
    made = by("linear", nodes, X, Y, **REACH)
    peer = LinearNDInterpolator(np.column_stack([nodes.x, nodes.y]), nodes.values)(*np.meshgrid(X, Y))
    np.testing.assert_allclose(np.moveaxis(made, 0, -1), peer, atol=1e-5)


@pytest.mark.parametrize("t", [0.1, 0.25, 0.5, 0.8])
def test_sibsons_weights_on_a_square_lattice_are_the_closed_form(t):
    # A point on the edge between (0, 0) and (1, 0), t along it. Its cell is bounded by x = t/2, x = (1 + t)/2 and above
    # by y = (1 − t²)/2 + tx up to x = 1/2 and y = 1 − t²/2 − (1 − t)x beyond: integrals of these over the unit cells.
    lattice = np.stack(np.meshgrid(np.arange(-3, 5.0), np.arange(-3, 4.0)), axis=-1).reshape(-1, 2)
    numbers, weights = natural_weights(Delaunay(lattice), np.array([[t, 0.0]]))
    found = np.zeros(len(lattice))
    np.add.at(found, numbers[0], weights[0])
    area = 0.5 + t * (1 - t) / 4
    closed = {
        (0, 0): 0.5 * (1 - t), (1, 0): 0.5 * t,
        (0, 1): t * (1 - t) ** 2 / 8, (0, -1): t * (1 - t) ** 2 / 8,
        (1, 1): t**2 * (1 - t) / 8, (1, -1): t**2 * (1 - t) / 8,
    }  # fmt: skip
    expected = [closed.get((int(x), int(y)), 0.0) / area for x, y in lattice]
    np.testing.assert_allclose(found, expected, atol=1e-5)


def test_in_the_middle_of_a_square_its_corners_count_alike():
    square = np.array([[0.0, 0], [1, 0], [0, 1], [1, 1]])
    numbers, weights = natural_weights(Delaunay(square), np.array([[0.5, 0.5]]))
    np.testing.assert_allclose(np.bincount(numbers[0], weights[0], 4), 0.25, atol=1e-5)


def test_sibsons_weights_are_those_of_counted_places_ever_closer():
    rng = np.random.default_rng(5)
    points, at = rng.random((60, 2)), rng.uniform(0.25, 0.75, (12, 2))
    numbers, weights = natural_weights(Delaunay(points), at)
    found = np.zeros((len(at), len(points)))
    np.add.at(found, (np.arange(len(at))[:, None], numbers), weights)
    off = [np.abs(natural_weights_plain(points, at, step=s, reach=0.3) - found).max() for s in (0.02, 0.005, 0.002)]
    assert off[0] > off[1] > off[2]
    assert off[2] < 0.01


def test_sibsons_weights_are_positive_and_of_mean_place():
    rng = np.random.default_rng(6)
    points, at = rng.random((300, 2)), rng.uniform(0.1, 0.9, (500, 2))
    numbers, weights = natural_weights(Delaunay(points), at)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-9)
    assert weights.min() > -1e-9
    np.testing.assert_allclose((weights[..., None] * points[numbers]).sum(axis=1), at, atol=1e-6)


def test_kriging_weights_are_those_of_geostat():
    rng = np.random.default_rng(7)
    at, values = rng.uniform(0, 3, (24, 2)), rng.normal(size=(24, 2)).astype(np.float32)
    model = VariogramModel("spherical", partial_sill=1.0, range_m=3.0, nugget=0.1, ratio=0.5, azimuth_deg=70.0)
    one = np.ones(24)
    nodes = Nodes(at[:, 0], at[:, 1], one, 0 * one, 0 * one, one, values)
    x, y = np.linspace(0.5, 2.5, 6), np.linspace(0.5, 2.5, 5)
    made = by("kriging", nodes, x, y, line_spacing_m=3.0, radius_m=6.0, model=model)
    weights, _ = krige_weights(at, np.column_stack([c.ravel() for c in np.meshgrid(x, y)]), model=model)
    np.testing.assert_allclose(made.reshape(2, -1), values.T @ weights, atol=1e-5)


def test_kriging_along_the_structure_is_nearer_to_the_truth():
    # Features that reach 2.5 times as far along y as along x, seen on lines along x.
    cells, x, y = 0.05, np.arange(0.5, 5.6, 0.25), np.arange(0.25, 3.8, 0.5)
    errors = {0.0: [], 90.0: []}
    for seed in range(4):
        truth = gaussian_field((81, 121), cells, ranges_m=(3.0, 1.2), sd=1.0, seed=seed)

        def value(x, y, truth=truth):
            return truth[np.rint(y / cells).astype(int), np.rint(x / cells).astype(int)][..., None]

        for azimuth, off in errors.items():
            model = VariogramModel("exponential", partial_sill=1.0, range_m=3.0, ratio=0.4, azimuth_deg=azimuth)
            made = by("kriging", parallel(value), x, y, model=model, **REACH)
            off.append(np.mean((made[0] - value(*np.meshgrid(x, y))[..., 0]) ** 2))
    assert np.mean(errors[0.0]) < np.mean(errors[90.0])
    assert all(right < wrong for right, wrong in zip(errors[0.0], errors[90.0], strict=True))


@pytest.mark.parametrize("method", ["linear", "inverse_distance", "natural_neighbour", "kriging"])
def test_depths_that_only_some_nodes_reach_are_made_of_those(method):
    nodes = parallel(lambda x, y: np.column_stack([1 + 0 * x, np.where(y > 1.9, 5.0, np.nan), 2 + 0 * x]))
    made = by(method, nodes, X, Y, model=MODEL, **REACH)
    usual = interpolate_nodes(nodes, X, Y, **REACH)
    for depth, value in ((0, 1.0), (1, 5.0), (2, 2.0)):
        known = np.isfinite(made[depth])
        np.testing.assert_allclose(made[depth][known], value, atol=1e-4)
        assert not (known & np.isnan(usual[depth])).any()
    assert np.isfinite(made[1][Y > 2.0]).all()
    assert np.isnan(made[1][Y < 1.7]).all()


def test_distance_is_that_to_the_stretches_of_lines():
    nodes, x, y = parallel(plane), np.arange(0, 6.01, 0.1), np.array([-1.0, 0.0, 0.1, 0.25, 4.5])
    away = distance_to_data_m(nodes, x, y, radius_m=0.75)
    np.testing.assert_allclose(away, np.repeat([[1.0], [0.0], [0.1], [0.25], [0.5]], len(x), axis=1), atol=1e-6)
    far = distance_to_data_m(nodes, np.array([6.1 + 3.0]), np.array([4.0 + 4.0]), radius_m=0.75)
    assert far.item() == pytest.approx(5.0)


@pytest.mark.parametrize("survey", SURVEYS)
@pytest.mark.parametrize("radius", [0.3, 0.75, 2.0])
def test_distance_is_its_plain_twins_whatever_the_radius(survey, radius):
    nodes, x, y = SURVEYS[survey](plane), np.arange(-1, 7.5, 0.13), np.arange(-1, 5.5, 0.13)
    away = distance_to_data_m(nodes, x, y, radius_m=radius)
    plain = distance_to_data_m_plain(nodes, np.column_stack([c.ravel() for c in np.meshgrid(x, y)]))
    np.testing.assert_allclose(away.ravel(), plain, atol=1e-6)


def band_limited(x, y):
    """Waves of three metres and longer across the lines, shorter along them."""
    return (
        2.0 + np.cos(2 * np.pi * (y / 3.0 + x / 1.3)) * np.sin(2 * np.pi * x / 2.1) + 0.5 * np.cos(2 * np.pi * y / 4.0)
    )


def test_rows_of_a_limited_band_follow_from_lines_and_measured_ones_stay():
    x, y = np.arange(0, 12, 0.1), np.arange(0, 12.01, 0.5)
    measured = band_limited(x, y[:, None])
    filled, rounds = fill_rows(measured, between=5)
    truth = band_limited(x, np.arange(0, 12.01, 0.1)[:, None])
    np.testing.assert_array_equal(filled[::5], measured)
    assert rounds < 200
    inside = slice(10, -10)
    straight = np.column_stack([np.interp(np.arange(0, 12.01, 0.1), y, column) for column in measured.T])
    off, of_straight = (np.sqrt(np.mean((a - truth)[inside, inside] ** 2)) for a in (filled, straight))
    assert off < 0.25 * of_straight


def test_a_missing_line_is_filled_better_than_straight_across():
    x, y = np.arange(0, 12, 0.1), np.arange(0, 12.01, 0.5)
    truth = band_limited(x, y[:, None])
    measured = truth.copy()
    measured[11] = np.nan
    filled, _ = fill_rows(measured, between=1)
    straight = 0.5 * (truth[10] + truth[12])
    assert np.abs(filled[11] - truth[11])[10:-10].mean() < 0.5 * np.abs(straight - truth[11])[10:-10].mean()


def test_rounds_end_by_the_tolerance():
    measured = band_limited(np.arange(0, 6, 0.1), np.arange(0, 6.01, 0.5)[:, None])
    loose, tight = (fill_rows(measured, between=4, tolerance=t)[1] for t in (1e-2, 1e-6))
    assert loose <= tight
    assert fill_rows(measured, between=4, tolerance=1e-12, most_rounds=70)[1] == 70


def test_lines_to_cells_by_their_spectrum_are_nearer_than_by_triangles():
    value = lambda x, y: band_limited(x, y)[:, None]  # noqa: E731
    nodes = parallel(value)
    inside_x, inside_y = np.arange(0.7, 5.3, 0.1), np.arange(0.7, 3.3, 0.1)
    truth = band_limited(*np.meshgrid(inside_x, inside_y))
    off = {m: np.sqrt(np.mean((by(m, nodes, inside_x, inside_y, **REACH)[0] - truth) ** 2)) for m in ("fk", "linear")}
    assert off["fk"] < off["linear"]


def test_turned_lines_give_turned_cells():
    straight = parallel(lambda x, y: band_limited(x, y)[:, None])
    turned = Nodes(straight.y, straight.x, straight.uy, straight.ux, straight.half_m, straight.sigma_m, straight.values)
    one, two = by("fk", straight, X, Y, **REACH), by("fk", turned, Y, X, **REACH)
    np.testing.assert_allclose(two[0].T, one[0], atol=0.02)


def test_lines_too_far_apart_for_the_wavelength_are_warned_of_or_refused():
    check_aliasing(0.05, 0.21)
    with pytest.warns(YewlineWarning, match=r"lines 0\.25 m apart hold slopes up to 39° only at .* 0\.63 m"):
        check_aliasing(0.25, 0.63)
    with pytest.raises(InputError, match=r"too far apart .*0\.5 m at a wavelength of 0\.25 m.*0\.062 m apart"):
        by("fk", parallel(plane), X, Y, wavelength_m=0.25, **REACH)


def test_what_is_not_regular_is_refused():
    with pytest.raises(InputError, match=r"all in one direction"):
        by("fk", crossed(plane), X, Y, **REACH)
    with pytest.raises(InputError, match=r"straight and at even distances .*off by up to 0\.\d+ m"):
        by("fk", free(plane), X, Y, **REACH)
    with pytest.raises(InputError, match=r"three whole ones.*2 whole of 4"):
        fill_rows([[1.0, 2.0], [np.nan, np.nan], [3.0, 4.0], [np.nan, np.nan]], between=2)


def test_faults_are_told():
    with pytest.raises(InputError, match=r"method must be one of gaussian, linear, .*'spline'"):
        Interpolation("spline")
    with pytest.raises(InputError, match=r"kriging needs a model .*direction of the structure"):
        Interpolation("kriging")
    with pytest.raises(InputError, match=r"needs the wavelength in the ground.*velocity over frequency"):
        Interpolation("fk")
    x = np.arange(0, 6.01, 0.2)
    for method in ("linear", "natural_neighbour"):
        with pytest.raises(InputError, match=r"one straight line.*31 nodes.*\"gaussian\" or \"inverse_distance\""):
            by(method, line(x, 0 * x + 1.0, plane(x, x)), X, Y, **REACH)
    nothing = Nodes(*(np.zeros(0) for _ in range(6)), np.zeros((0, 1), np.float32))
    with pytest.raises(InputError, match="no nodes to be near to"):
        distance_to_data_m(nothing, X, Y, radius_m=1.0)
