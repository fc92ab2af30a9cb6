"""From lines to a volume at estimated depth: physics first, then coverage, errors and faults."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import Cancelled, InputError
from yewline.geostat import VariogramModel
from yewline.model import VelocityField, VolumeGrid, make_radargram, with_amplitude
from yewline.progress import Progress
from yewline.units import Z90
from yewline.volume import INTERPOLATORS, Interpolation, build_volume, cell_depth_error_m, cut_slices, sample_depths_m

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=21, ny=13, depth_step_m=0.05, nz=30)
SLOW, FAST = 0.073, 0.130


def line_along_x(y, amplitude, *, interval_ns=0.2, length_m=5.0, **attrs):
    x = np.linspace(0, length_m, len(amplitude))
    return make_radargram(amplitude, interval_ns=interval_ns, x=x, y=np.full_like(x, y), attrs=attrs)


def flat_lines(n_samples=300, value=1.0, n_lines=7, **options):
    return [line_along_x(0.5 * i, np.full((101, n_samples), value), **options) for i in range(n_lines)]


def layered(z, v, sigma=0.01):
    one = np.ones(1)
    z, v = np.asarray(z, float), np.asarray(v, float)
    sigma = np.broadcast_to(np.asarray(sigma, float), v.shape)
    return VelocityField(z, one * 0, one * 0, v[:, None, None], sigma[:, None, None], float(v.mean()), 0.01)


def test_a_constant_envelope_gives_a_constant_volume():
    volume = build_volume(flat_lines(value=3.5), VelocityField.uniform(0.1, 0.01), GRID, line_spacing_m=0.5)
    assert volume.coverage.values.all()
    np.testing.assert_allclose(volume.strength.values, 3.5, rtol=1e-6)


def test_a_point_reflector_on_one_line_lies_at_its_depth_and_place():
    velocity, depth_m = 0.1, 0.8
    time = 0.2 * np.arange(300)
    x = np.linspace(0, 5, 101)
    spot = np.exp(-((x[:, None] - 2.5) ** 2) / 0.1**2 - ((time - 2 * depth_m / velocity) / 0.6) ** 2)
    lines = [line_along_x(0.5 * i, spot if i == 3 else 0 * spot) for i in range(7)]
    volume = build_volume(lines, VelocityField.uniform(velocity, 0.01), GRID, line_spacing_m=0.5)
    k, j, i = np.unravel_index(volume.strength.values.argmax(), volume.strength.shape)
    assert abs(GRID.depth[k] - depth_m) <= 0.5 * GRID.depth_step_m + 1e-9
    assert (GRID.x[i], GRID.y[j]) == (2.5, 1.5)
    # The two lines half a metre away see nothing, and their cells show less than a fifth of it.
    assert volume.strength.values[k, [j - 2, j + 2], i].max() < 0.2 * volume.strength.values[k, j, i]


@pytest.mark.parametrize("separation", [0.0, 0.3])
@pytest.mark.parametrize("depth_m", [0.425, 0.825, 1.225])
def test_dry_and_wet_ground_put_one_reflector_at_one_depth(depth_m, separation):
    found = []
    for velocity in (SLOW, FAST):
        two_way = 2 * np.hypot(depth_m, 0.5 * separation) / velocity
        time = 0.1 * np.arange(500)
        pulse = np.exp(-(((time - two_way) / 0.8) ** 2))
        lines = [line_along_x(0.5 * i, np.tile(pulse, (101, 1)), interval_ns=0.1) for i in range(7)]
        field = VelocityField.uniform(velocity, 0.005)
        volume = build_volume(lines, field, GRID, line_spacing_m=0.5, separation_m=separation)
        found.append(float(GRID.depth[np.nanargmax(volume.strength.values[:, 6, 10])]))
    assert found == pytest.approx([depth_m, depth_m], abs=1e-9)


def test_a_velocity_that_changes_across_the_site_straightens_a_flat_layer():
    depth_m = 0.8
    x = np.linspace(0, 5, 101)
    field = VelocityField(
        z=np.zeros(1), y=np.zeros(1), x=np.array([1.0, 4.0]),
        v_m_per_ns=np.array([[[SLOW, FAST]]]), sigma_m_per_ns=np.full((1, 1, 2), 0.005),
        mean_m_per_ns=0.1, mean_sigma_m_per_ns=0.005,
    )  # fmt: skip
    here = np.where(x < 2.5, SLOW, FAST)
    time = 0.2 * np.arange(300)
    section = np.exp(-(((time - 2 * depth_m / here[:, None]) / 0.6) ** 2))
    lines = [line_along_x(0.5 * i, section) for i in range(7)]
    volume = build_volume(lines, field, GRID, line_spacing_m=0.5)
    top = GRID.depth[volume.strength.values[:, 6, :].argmax(axis=0)]
    assert np.abs(top - depth_m).max() <= GRID.depth_step_m


def test_depths_in_one_velocity_follow_the_hyperbola():
    time = np.array([0.0, 2.0, 5.0, 13.0])
    got = sample_depths_m(time, VelocityField.uniform(0.1, 0.01), [0.0], [0.0], separation_m=0.3)[0]
    # A reflector at 0.2 m: 2·√(0.2² + 0.15²)/0.1 = 5 ns, a triangle of 3, 4 and 5.
    assert got == pytest.approx([0.0, 0.0, 0.2, np.sqrt(0.65**2 - 0.15**2)])


def test_depths_in_layers_are_integrated():
    # 0.06 m/ns down to 0.5 m, 0.12 below: 0.8 m lies at 2·(0.5/0.06 + 0.3/0.12) ns.
    field = layered([0.25, 0.75], [0.06, 0.12])
    time = np.array([0.0, 10.0, 2 * (0.5 / 0.06 + 0.3 / 0.12)])
    got = sample_depths_m(time, field, [0.0, 9.0], [0.0, 9.0])
    np.testing.assert_allclose(got, [[0.0, 0.3, 0.8]] * 2, atol=1e-9)


def test_equal_layers_are_one_layer_with_and_without_separation():
    time = np.linspace(0, 40, 200)
    for separation in (0.0, 0.25):
        one = sample_depths_m(time, layered([0.0], [0.09]), [0.0], [0.0], separation_m=separation, step_m=0.01)
        two = sample_depths_m(
            time, layered([0.2, 0.9], [0.09, 0.09]), [0.0], [0.0], separation_m=separation, step_m=0.01
        )
        # Close to the surface the slanted time is steep in depth and a table of quarter bins rounds it.
        np.testing.assert_allclose(two, one, atol=1e-3)


def test_depth_in_layers_never_falls_with_time():
    field = layered([0.1, 0.3], [0.06, 0.2])
    got = sample_depths_m(np.linspace(0, 30, 400), field, [0.0], [0.0], separation_m=0.5)
    assert (np.diff(got) >= 0).all()


@pytest.mark.parametrize(
    ("field", "separation"),
    [
        (VelocityField.uniform(0.1, 0.001), 0.0),
        (VelocityField.uniform(0.1, 0.001), 0.2),
        # Mean velocities down to 0.25 and 0.75 m, each with one per cent.
        (layered([0.25, 0.75], [0.06, 0.12], sigma=[0.0006, 0.01 * 0.75 / (0.5 / 0.06 + 0.25 / 0.12)]), 0.0),
    ],
)
def test_the_depth_error_is_the_shift_that_a_velocity_error_makes(field, separation):
    # Finite difference: the depth read for the same times, with every velocity one sigma (one per cent) higher.
    share = 0.01 * 1e-3
    faster = VelocityField(
        field.z, field.y, field.x, field.v_m_per_ns * (1 + share), field.sigma_m_per_ns, field.mean_m_per_ns, 0.01
    )
    time = np.linspace(0.05, 40, 4000)
    before, after = (
        sample_depths_m(time, f, [0.0], [0.0], separation_m=separation, step_m=0.004)[0] for f in (field, faster)
    )
    shift = np.interp(GRID.depth, before, after - before) * 1e3
    got = cell_depth_error_m(field, GRID, time_zero_sigma_ns=0.0, separation_m=separation)[:, 0, 0]
    # Where velocity jumps, one bin straddles the jump; above half the separation the error is held, by definition.
    keep = (np.abs(GRID.depth - 0.5) > 0.03) & (GRID.depth > 0.5 * separation)
    np.testing.assert_allclose(got[keep], Z90 * shift[keep], rtol=5e-3)


def test_errors_of_velocity_and_time_zero_add_in_quadrature():
    field = VelocityField.uniform(0.1, 0.01)
    one = cell_depth_error_m(field, GRID, time_zero_sigma_ns=0.0)
    other = cell_depth_error_m(VelocityField.uniform(0.1, 0.0), GRID, time_zero_sigma_ns=0.4)
    np.testing.assert_allclose(other, Z90 * 0.02, rtol=1e-6)
    both = cell_depth_error_m(field, GRID, time_zero_sigma_ns=0.4)
    np.testing.assert_allclose(both, np.hypot(one, other), rtol=1e-6)
    assert float(one[19, 0, 0]) == pytest.approx(Z90 * 0.975 * 0.1, rel=1e-6)


def test_nothing_is_shown_below_the_recorded_window_or_away_from_lines():
    # 60 samples of 0.2 ns at 0.1 m/ns reach 0.59 m.
    grid = VolumeGrid.around((-3, -3, 8, 6), cell_m=0.25, depth_max_m=1.5, depth_step_m=0.05)
    volume = build_volume(flat_lines(60), VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    covered = volume.coverage.values
    reached = covered.any(axis=(1, 2))
    assert reached.tolist() == (grid.depth < 0.6).tolist()
    xx, yy = np.meshgrid(grid.x, grid.y)
    away = np.maximum(np.abs(xx - 2.5) - 2.5, np.abs(yy - 1.5) - 1.5)
    np.testing.assert_array_equal(covered[0], away <= 0.25 + 1e-6)
    assert np.isnan(volume.strength.values[~covered]).all()
    assert np.isnan(volume.depth_error.values[~covered]).all()
    assert np.isfinite(volume.depth_error.values[covered]).all()


def test_dead_traces_are_passed_over():
    amplitude = np.ones((101, 300), np.float32)
    line = line_along_x(1.5, amplitude)
    amplitude[40:43] = np.nan
    lines = [with_amplitude(line, amplitude) if i == 3 else f for i, f in enumerate(flat_lines())]
    volume = build_volume(lines, VelocityField.uniform(0.1, 0.01), GRID, line_spacing_m=0.5)
    np.testing.assert_allclose(volume.strength.values, 1.0, rtol=1e-6)


@pytest.mark.parametrize("turn_deg", [90.0, 180.0, 270.0])
def test_turned_lines_give_the_turned_volume(turn_deg):
    rng = np.random.default_rng(8)
    grid = VolumeGrid(x0=-3, y0=-3, cell_m=0.25, nx=25, ny=25, depth_step_m=0.1, nz=5)
    c, s = np.round(np.cos(np.deg2rad(turn_deg))), np.round(np.sin(np.deg2rad(turn_deg)))
    straight, turned = [], []
    for i in range(7):
        amplitude = rng.uniform(0, 1, (101, 60))
        x, y = np.linspace(-2.5, 2.5, 101), np.full(101, 0.5 * i - 1.5)
        straight.append(make_radargram(amplitude, interval_ns=0.2, x=x, y=y))
        turned.append(make_radargram(amplitude, interval_ns=0.2, x=c * x - s * y, y=s * x + c * y))
    field = VelocityField.uniform(0.1, 0.01)
    one, other = (build_volume(f, field, grid, line_spacing_m=0.5).strength.values for f in (straight, turned))
    np.testing.assert_allclose(other, np.rot90(one, -round(turn_deg / 90), axes=(1, 2)), atol=1e-5)


def test_shifting_lines_and_grid_together_changes_nothing():
    rng = np.random.default_rng(9)
    lines = [line_along_x(0.5 * i, rng.uniform(0, 1, (101, 60))) for i in range(7)]
    moved = [line.assign_coords(x=line.x + 100.0, y=line.y - 50.0) for line in lines]
    field = VelocityField.uniform(0.1, 0.01)
    one = build_volume(lines, field, GRID, line_spacing_m=0.5)
    other = build_volume(moved, field, GRID.model_copy(update={"x0": 100.0, "y0": -50.0}), line_spacing_m=0.5)
    np.testing.assert_allclose(other.strength.values, one.strength.values, atol=1e-5)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), v=st.floats(0.05, 0.25), spacing=st.floats(0.3, 1.0))
def test_strength_stays_within_what_was_recorded_and_inputs_stay_as_they_are(seed, v, spacing):
    rng = np.random.default_rng(seed)
    lines = [line_along_x(spacing * i, rng.uniform(1, 2, (51, 80)).astype(np.float32)) for i in range(4)]
    held = [line.copy(deep=True) for line in lines]
    volume = build_volume(lines, VelocityField.uniform(v, 0.1 * v), GRID, line_spacing_m=spacing)
    seen = volume.strength.values[volume.coverage.values]
    assert 1 - 1e-5 <= seen.min() <= seen.max() <= 2 + 1e-5
    for line, before in zip(lines, held, strict=True):
        xr.testing.assert_identical(line, before)


def test_two_builds_give_the_same_bytes_and_say_how():
    lines = flat_lines(60)
    field = VelocityField.uniform(0.1, 0.01, source="declared")
    one, other = (build_volume(lines, field, GRID, line_spacing_m=0.5) for _ in range(2))
    assert one.strength.values.tobytes() == other.strength.values.tobytes()
    assert (one.attrs["lines"], one.attrs["radius_m"], one.attrs["velocity"]) == (7, 0.75, "declared")


def test_progress_is_told_and_work_can_be_stopped():
    told = []
    progress = Progress(lambda label, done, total: told.append((done, total)))
    build_volume(
        flat_lines(60, n_lines=2), VelocityField.uniform(0.1, 0.01), GRID, line_spacing_m=0.5, progress=progress
    )
    assert told == [(0, 2), (1, 2), (2, 2)]
    stop = Progress(cancelled=lambda: True)
    with pytest.raises(Cancelled, match="stopped during lines to depth"):
        build_volume(flat_lines(60), VelocityField.uniform(0.1, 0.01), GRID, line_spacing_m=0.5, progress=stop)


def test_lines_away_from_the_grid_give_a_blank_volume():
    grid = GRID.model_copy(update={"x0": 500.0})
    volume = build_volume(flat_lines(60), VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    assert not volume.coverage.values.any()


def test_faults_are_named():
    field = VelocityField.uniform(0.1, 0.01)
    with pytest.raises(InputError, match="there are no lines to make a volume from"):
        build_volume([], field, GRID, line_spacing_m=0.5)
    with pytest.raises(InputError, match="line_spacing_m must be greater than zero"):
        build_volume(flat_lines(9), field, GRID, line_spacing_m=0.0)
    with pytest.raises(InputError, match="radius_m must be greater than zero"):
        build_volume(flat_lines(9), field, GRID, line_spacing_m=0.5, radius_m=-1)
    with pytest.raises(InputError, match="separation_m must lie between 0 and 10"):
        build_volume(flat_lines(9), field, GRID, line_spacing_m=0.5, separation_m=-1)
    with pytest.raises(InputError, match="time_zero_sigma_ns must lie between"):
        build_volume(flat_lines(9), field, GRID, line_spacing_m=0.5, time_zero_sigma_ns=-1)
    bare = xr.DataArray(np.zeros((3, 4)), dims=("trace", "time"), attrs={"line": "L7"})
    with pytest.raises(InputError, match="L7: a line must be a radargram"):
        build_volume([bare], field, GRID, line_spacing_m=0.5)


def test_the_position_error_of_traces_goes_into_the_volume_and_its_slices():
    """Squares are interpolated as strength is: between a line known to 0.05 m and one to 0.15 m, their rms."""
    grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=9, ny=3, depth_step_m=0.1, nz=4)
    x = np.arange(0, 2.01, 0.05)
    lines = [
        make_radargram(np.ones((41, 50)), interval_ns=0.2, x=x, y=0 * x + y, sigma_xy=sigma)
        for y, sigma in ((0.0, 0.05), (0.5, 0.15))
    ]
    volume = build_volume(lines, VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    sigma = volume["position_sigma"].values
    assert sigma[1, 4] == pytest.approx(np.sqrt((0.05**2 + 0.15**2) / 2), rel=1e-5)
    assert 0.05 <= sigma[0, 4] < sigma[1, 4] < sigma[2, 4] <= 0.15
    slices = cut_slices(volume, thickness_m=0.2)
    np.testing.assert_array_equal(slices["position_sigma"].values, sigma)


def test_lines_that_do_not_say_their_error_leave_it_unknown():
    grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=5, ny=3, depth_step_m=0.1, nz=4)
    x = np.arange(0, 2.01, 0.05)
    line = make_radargram(np.ones((41, 50)), interval_ns=0.2, x=x, y=0 * x).drop_vars("sigma_xy")
    volume = build_volume([line], VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    assert np.isnan(volume["position_sigma"]).all()
    assert np.isfinite(volume["strength"].values[0, 0]).all()


@pytest.mark.parametrize("method", INTERPOLATORS)
def test_a_volume_is_made_by_the_way_that_was_chosen(method):
    model = VariogramModel("exponential", partial_sill=1.0, range_m=2.0, nugget=0.01)
    volume = build_volume(
        flat_lines(value=2.0),
        VelocityField.uniform(0.1, 0.01),
        GRID,
        line_spacing_m=0.5,
        interpolation=Interpolation(method, model, wavelength_m=2.5),
    )
    assert volume.attrs["interpolation"] == method
    # What needs triangles ends at the outermost traces' pieces, an eighth of a metre inside.
    inside = volume.isel(x=slice(1, -1))
    assert inside.coverage.values.all()
    np.testing.assert_allclose(inside.strength.values, 2.0, rtol=1e-5)


def test_every_cell_says_how_far_the_nearest_line_is():
    wide = VolumeGrid(x0=0, y0=-1.0, cell_m=0.25, nx=21, ny=13, depth_step_m=0.1, nz=5)
    volume = build_volume(flat_lines(n_lines=3), VelocityField.uniform(0.1, 0.01), wide, line_spacing_m=0.5)
    expected = [1.0, 0.75, 0.5, 0.25, 0.0, 0.25, 0.0, 0.25, 0.0, 0.25, 0.5, 0.75, 1.0]
    np.testing.assert_allclose(volume.distance_m.values[:, 10], expected, atol=1e-6)
    assert volume.distance_m.attrs["units"] == "m"
    np.testing.assert_array_equal(volume.coverage.values[0, :, 10], volume.distance_m.values[:, 10] <= 0.25)
