"""Interpolation of pieces of lines to cells: identities, an outside reference, and the plain twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CloughTocher2DInterpolator, LinearNDInterpolator

from yewline.errors import InputError
from yewline.volume import Nodes, interpolate_nodes, interpolate_nodes_plain


def lattice(value, *, spacing=0.5, pitch=0.25, n_lines=13, length=6.0, jitter=0.0, seed=0):
    """Lines along x, `spacing` apart, with a node every `pitch`; `value(x, y)` gives each node's rows."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(pitch / 2, length, pitch), spacing * np.arange(n_lines))
    x = x.ravel() + rng.uniform(-jitter, jitter, x.size)
    y = y.ravel() + rng.uniform(-jitter, jitter, y.size)
    one = np.ones(len(x))
    rows = np.atleast_2d(np.asarray(value(x, y), np.float32).T).T
    return Nodes(x, y, one, 0 * one, 0.5 * pitch * one, 0.5 * pitch * one, rows.reshape(len(x), -1))


def at(nodes, x, y, *, spacing=0.5, radius=0.75):
    return interpolate_nodes(nodes, np.asarray(x, float), np.asarray(y, float), line_spacing_m=spacing, radius_m=radius)


INNER = np.arange(1.0, 5.01, 0.13)


@pytest.mark.parametrize("jitter", [0.0, 0.08])
def test_a_constant_stays_a_constant_everywhere(jitter):
    grid = np.arange(-1, 8, 0.2)
    got = at(lattice(lambda x, y: 0 * x + 2.5, jitter=jitter), grid, grid)
    assert np.isfinite(got).any()
    assert np.isnan(got).any()
    assert got[np.isfinite(got)] == pytest.approx(2.5, rel=1e-6)


@pytest.mark.parametrize("jitter", [0.0, 0.06])
@pytest.mark.parametrize("slope", [(1.0, 0.0), (0.0, 1.0), (0.7, -1.3)])
def test_a_plane_is_kept_in_the_interior(slope, jitter):
    nodes = lattice(lambda x, y: 20 + slope[0] * x + slope[1] * y, jitter=jitter)
    got = at(nodes, INNER, INNER)[0]
    want = 20 + slope[0] * INNER[None, :] + slope[1] * INNER[:, None]
    np.testing.assert_allclose(got, want, atol=1e-4)


def test_a_plane_agrees_with_linear_interpolation_over_triangles():
    # Outside reference: SciPy's Delaunay interpolation of the same nodes, exact for a plane as well.
    nodes = lattice(lambda x, y: 5 + x - 0.5 * y, jitter=0.05, seed=4)
    reference = LinearNDInterpolator(np.column_stack([nodes.x, nodes.y]), nodes.values[:, 0].astype(float))
    xx, yy = np.meshgrid(INNER, INNER)
    np.testing.assert_allclose(at(nodes, INNER, INNER)[0], reference(xx, yy), atol=1e-4)


def test_a_curved_field_agrees_with_cubic_triangles_and_better_so_on_denser_lines():
    # Outside reference: SciPy's Clough-Tocher interpolant. The difference is of second order in the line spacing.
    def field(x, y):
        return 3 + np.sin(2 * np.pi * x / 6) * np.cos(2 * np.pi * y / 7)

    worst = []
    for spacing in (0.5, 0.25, 0.125):
        nodes = lattice(field, spacing=spacing, pitch=spacing / 2, n_lines=round(6 / spacing) + 1)
        reference = CloughTocher2DInterpolator(np.column_stack([nodes.x, nodes.y]), nodes.values[:, 0].astype(float))
        xx, yy = np.meshgrid(INNER, INNER)
        got = at(nodes, INNER, INNER, spacing=spacing, radius=1.5 * spacing)[0]
        worst.append(np.abs(got - reference(xx, yy)).max())
    assert worst[0] < 0.04
    orders = np.log2(np.array(worst[:-1]) / worst[1:])
    assert (orders > 1.8).all()


def test_the_map_is_smooth_across_lines_and_sharp_along_them():
    # One bright node on one line: its mark is half a line spacing wide across, half a pitch along.
    nodes = lattice(lambda x, y: (np.abs(x - 3.125) < 0.01) * (np.abs(y - 3.0) < 0.01))
    fine = np.arange(2.0, 4.2, 0.05)
    got = at(nodes, fine, fine)[0]
    row, col = np.unravel_index(got.argmax(), got.shape)
    assert (fine[col], fine[row]) == pytest.approx((3.1, 3.0), abs=0.051)
    across, along = (got[:, col] > 0.5 * got.max()).sum() * 0.05, (got[row] > 0.5 * got.max()).sum() * 0.05
    assert 0.4 < across < 0.8
    assert 0.15 < along < 0.4
    assert got.max() > 0.6


def test_ridges_along_every_line_do_not_show_as_steps():
    # Going across lines between two levels, the map runs from one to the other without overshoot or return.
    nodes = lattice(lambda x, y: (y > 2.9).astype(float))
    profile = at(nodes, [3.0], np.arange(1.5, 4.5, 0.02))[0, :, 0]
    assert (np.diff(profile) >= -2e-2).all()
    assert np.abs(np.diff(profile)).max() < 0.05
    assert profile[[0, -1]] == pytest.approx([0.0, 1.0], abs=1e-3)


def test_cells_are_blank_beyond_half_a_spacing_outside_and_gaps_of_one_line_are_bridged():
    nodes = lattice(lambda x, y: 1 + 0 * x)
    got = at(nodes, [3.0], [-0.3, -0.25, -0.2, 6.2, 6.3])[0, :, 0]
    assert np.isfinite(got).tolist() == [False, True, True, True, False]
    ends = at(nodes, [-0.3, -0.2, 6.2, 6.3], [3.0])[0, 0]
    assert np.isfinite(ends).tolist() == [False, True, True, False]
    for missing, bridged in (([6], True), ([6, 7, 8], False)):
        keep = ~np.isin(np.round(nodes.y / 0.5), missing)
        left = Nodes(*(getattr(nodes, name)[keep] for name in ("x", "y", "ux", "uy", "half_m", "sigma_m", "values")))
        middle = at(left, [3.0], [0.5 * np.mean(missing)])[0, 0, 0]
        assert np.isfinite(middle) == bridged


def test_coverage_keeps_the_corners_of_the_surveyed_ground():
    nodes = lattice(lambda x, y: 1 + 0 * x)
    got = at(nodes, [-0.3, -0.2], [-0.3, -0.2])[0]
    assert np.isfinite(got).tolist() == [[False, False], [False, True]]


def test_one_line_alone_covers_half_a_spacing_to_either_side():
    nodes = lattice(lambda x, y: 2 + x, n_lines=1)
    got = at(nodes, [2.0, 3.0], [-0.4, -0.2, 0.0, 0.2, 0.4])[0]
    assert np.isnan(got[[0, 4]]).all()
    np.testing.assert_allclose(got[1:4], np.tile([4.0, 5.0], (3, 1)), atol=2e-2)


def test_lines_of_two_directions_make_one_map():
    along_x = lattice(lambda x, y: 1 + 0.5 * x - 0.25 * y)
    swapped = Nodes(
        along_x.y, along_x.x, 0 * along_x.ux, along_x.ux, along_x.half_m, along_x.sigma_m,
        (1 + 0.5 * along_x.y - 0.25 * along_x.x).astype(np.float32)[:, None],
    )  # fmt: skip
    both = Nodes(*(np.concatenate([getattr(along_x, n), getattr(swapped, n)]) for n in Nodes.__slots__))
    want = 1 + 0.5 * INNER[None, :] - 0.25 * INNER[:, None]
    np.testing.assert_allclose(at(both, INNER, INNER)[0], want, atol=1e-4)


def test_a_quarter_turn_of_the_lines_turns_the_map():
    rng = np.random.default_rng(5)
    nodes = lattice(lambda x, y: rng.uniform(0, 1, len(x)))
    turned = Nodes(-nodes.y, nodes.x, -nodes.uy, nodes.ux, nodes.half_m, nodes.sigma_m, nodes.values)
    grid = np.arange(-0.5, 7, 0.31)
    np.testing.assert_allclose(at(turned, -grid, grid)[0], at(nodes, grid, grid)[0].T, atol=1e-6)


def test_the_order_and_sense_of_lines_do_not_matter():
    rng = np.random.default_rng(6)
    nodes = lattice(lambda x, y: rng.uniform(0, 1, len(x)), jitter=0.05)
    shuffle = rng.permutation(len(nodes.x))
    other = Nodes(
        nodes.x[shuffle], nodes.y[shuffle], -nodes.ux[shuffle], -nodes.uy[shuffle],
        nodes.half_m[shuffle], nodes.sigma_m[shuffle], nodes.values[shuffle],
    )  # fmt: skip
    grid = np.arange(-0.5, 7, 0.17)
    np.testing.assert_allclose(at(other, grid, grid), at(nodes, grid, grid), atol=1e-6)


def test_two_runs_give_the_same_bytes():
    nodes = lattice(lambda x, y: np.random.default_rng(7).uniform(0, 1, (len(x), 5)), jitter=0.05)
    grid = np.arange(-0.5, 7, 0.11)
    assert at(nodes, grid, grid).tobytes() == at(nodes, grid, grid).tobytes()


def test_depths_that_only_some_lines_reach_use_those_alone():
    nodes = lattice(lambda x, y: np.column_stack([1 + 0 * x, np.where(y > 2.9, 5.0, np.nan)]))
    got = at(nodes, [3.0], [1.0, 2.8, 4.0])
    assert got[0, :, 0] == pytest.approx([1, 1, 1])
    assert got[1, :, 0] == pytest.approx([np.nan, 5, 5], nan_ok=True)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 40), spacing=st.floats(0.2, 1.0), holes=st.floats(0, 0.4))
def test_kernel_and_twin_agree_and_no_value_leaves_the_range(seed, n, spacing, holes):
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 2 * np.pi, n)
    values = rng.uniform(1, 2, (n, 4)).astype(np.float32)
    values[rng.uniform(size=values.shape) < holes] = np.nan
    nodes = Nodes(
        rng.uniform(0, 3, n), rng.uniform(0, 3, n), np.cos(turn), np.sin(turn),
        rng.uniform(0, 0.2, n), rng.uniform(0.05, 0.3, n), values,
    )  # fmt: skip
    x, y = np.linspace(-1, 4, 11), np.linspace(-1, 4, 9)
    fast = interpolate_nodes(nodes, x, y, line_spacing_m=spacing, radius_m=1.5 * spacing)
    plain = interpolate_nodes_plain(nodes, x, y, line_spacing_m=spacing, radius_m=1.5 * spacing)
    np.testing.assert_allclose(fast, plain, rtol=1e-5, equal_nan=True)
    seen = fast[np.isfinite(fast)]
    if len(seen):
        assert seen.min() >= np.nanmin(values) * (1 - 1e-6)
        assert seen.max() <= np.nanmax(values) * (1 + 1e-6)


def test_no_node_gives_a_blank_map():
    none = np.zeros(0)
    nodes = Nodes(none, none, none, none, none, none, np.zeros((0, 3), np.float32))
    assert np.isnan(at(nodes, [0.0, 1.0], [0.0])).all()
    assert np.isnan(interpolate_nodes_plain(nodes, np.zeros(2), np.zeros(1), line_spacing_m=0.5, radius_m=0.75)).all()


def test_nodes_that_do_not_fit_or_reach_too_far_are_refused():
    one = np.ones(2)
    with pytest.raises(InputError, match="one position, direction and width"):
        Nodes(one, one, one, one, one, np.ones(3), np.ones((2, 1), np.float32))
    far = Nodes(np.array([0.0, 1e6]), one, one, 0 * one, one, one, np.ones((2, 1), np.float32))
    with pytest.raises(InputError, match="reach too far.*wrong position"):
        at(far, [0.0], [0.0])
    with pytest.raises(InputError, match="radius_m must be greater than zero"):
        at(far, [0.0], [0.0], radius=0.0)
