"""Shapes in memory: radargram, volume, velocity field, outlines, readings."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import box

from yewline.errors import InputError
from yewline.model import (
    BURIAL_COLUMNS,
    HOTSPOT_COLUMNS,
    VelocityField,
    VolumeGrid,
    add_provenance,
    centroids,
    digest,
    file_sha256,
    interval_ns,
    make_outlines,
    make_radargram,
    make_readings,
    make_volume,
    provenance_steps,
    spacing_m,
    with_amplitude,
)
from yewline.units import C_M_PER_NS


def radargram(**changes):
    given = {"interval_ns": 0.25, "x": [0, 0, 0, 5], "y": [0, 0.1, 0.2, 5], **changes}
    return make_radargram(np.arange(12.0).reshape(4, 3), **given)


def test_distance_does_not_grow_across_a_gap_between_segments():
    line = radargram(segment=[0, 0, 0, 1])
    assert line.distance.values == pytest.approx([0, 0.1, 0.2, 0.2])
    assert spacing_m(line) == pytest.approx(0.1)


def test_radargram_is_float32_and_c_ordered():
    line = radargram()
    assert line.values.dtype == np.float32
    assert line.values.flags.c_contiguous
    assert interval_ns(line) == 0.25
    assert line.time.values.tolist() == [0, 0.25, 0.5]


def test_provenance_grows_by_one_step_and_the_old_one_keeps_its_own():
    line = radargram()
    grown = add_provenance(line, {"step": "dewow", "window_ns": 5.0})
    assert provenance_steps(line) == []
    assert provenance_steps(grown) == [{"step": "dewow", "window_ns": 5.0}]


def test_with_amplitude_may_shorten_time():
    shorter = with_amplitude(radargram(), np.ones((4, 2), np.float32))
    assert shorter.shape == (4, 2)
    assert shorter.time.values.tolist() == [0, 0.25]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"x": [0, 1]}, "one value for each trace"),
        ({"interval_ns": 0}, "interval_ns must be greater than zero"),
        ({"x": [0, 1, np.nan, 2]}, "x holds values that are not finite"),
    ],
)
def test_radargram_refuses(changes, said):
    with pytest.raises(InputError, match=said):
        radargram(**changes)


def test_single_trace_has_no_spacing():
    assert spacing_m(make_radargram([[1.0, 2.0]], interval_ns=1, x=[0], y=[0])) == 0.0


def test_grid_covers_bounds_on_multiples_of_the_cell():
    grid = VolumeGrid.around((0.1, -0.3, 2.0, 1.0), cell_m=0.25, depth_max_m=0.5, depth_step_m=0.1)
    assert grid.x[0] <= 0.1
    assert grid.x[-1] >= 2.0
    assert grid.y[0] <= -0.3
    assert np.allclose(grid.x / 0.25, np.round(grid.x / 0.25))
    assert grid.depth == pytest.approx([0.05, 0.15, 0.25, 0.35, 0.45])


def test_grid_refuses_what_memory_would_not_hold():
    with pytest.raises(InputError, match="the volume would be too large"):
        VolumeGrid.around((0, 0, 1e5, 1e5), cell_m=0.01, depth_max_m=2, depth_step_m=0.01)


def test_volume_is_blank_where_it_is_not_covered():
    grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=2, ny=1, depth_step_m=0.1, nz=1)
    volume = make_volume(
        grid,
        strength=np.ones((1, 1, 2), np.float32),
        coverage=np.array([[[True, False]]]),
        depth_error=np.full((1, 1, 2), 0.05, np.float32),
    )
    assert volume.strength.values[0, 0, 0] == 1
    assert np.isnan(volume.strength.values[0, 0, 1])
    assert VolumeGrid.model_validate_json(volume.attrs["grid"]) == grid
    with pytest.raises(InputError, match="coverage does not fit the grid"):
        make_volume(
            grid,
            strength=np.ones((1, 1, 2), np.float32),
            coverage=np.ones((1, 1), bool),
            depth_error=np.ones((1, 1, 2), np.float32),
        )


def velocity(v, sigma=0.01, mean=0.1):
    v = np.asarray(v, float)
    return VelocityField(
        z=np.zeros(1),
        y=np.array([0.0]),
        x=np.array([0.0, 1.0]),
        v_m_per_ns=v,
        sigma_m_per_ns=np.full(v.shape, sigma),
        mean_m_per_ns=mean,
        mean_sigma_m_per_ns=0.004,
    )


def test_velocity_takes_the_nearest_cell_and_the_mean_where_blank():
    field = velocity([[[0.08, np.nan]]])
    v, sigma = field.at([-3.0, 0.4, 0.9], [0, 0, 0])
    assert v.tolist() == [[0.08, 0.08, 0.1]]
    assert sigma[0, 2] >= 0.01


@pytest.mark.parametrize(
    ("v", "said"),
    [
        ([[[0.31, 0.1]]], "velocity above that of light"),
        ([[[0.0, 0.1]]], "velocity must be greater than zero"),
        ([[[0.1]]], "one value for each .z, y, x."),
    ],
)
def test_velocity_refuses(v, said):
    with pytest.raises(InputError, match=said):
        velocity(v)


def test_light_itself_is_the_limit():
    assert VelocityField.uniform(C_M_PER_NS, 0.001).mean_m_per_ns == C_M_PER_NS


def test_outlines_have_their_kinds_columns_and_defaults():
    table = make_outlines(HOTSPOT_COLUMNS, [{"hotspot": "a"}], [box(0, 0, 1, 1)])
    assert list(table.columns) == [*HOTSPOT_COLUMNS, "geometry"]
    assert make_outlines(BURIAL_COLUMNS, [], []).empty
    assert centroids(make_outlines(BURIAL_COLUMNS, [], [])).shape == (0, 2)
    with pytest.raises(InputError, match="unknown column of an outline .received colour"):
        make_outlines(BURIAL_COLUMNS, [{"colour": 1}], [box(0, 0, 1, 1)])


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"x": [0], "y": [0], "vwc": [23.0]}, "between 0 and 0.6 m³/m³ .received 23 in row 0.. Readings in percent"),
        ({"x": [0], "y": [0], "vwc": [-0.1]}, "between 0 and 0.6"),
        ({"x": [0], "y": [0], "vwc": [np.nan]}, "between 0 and 0.6"),
        ({"vwc": []}, "there are no readings"),
        ({"x": [0], "colour": [1]}, "unknown column of readings"),
    ],
)
def test_readings_refuse(columns, said):
    with pytest.raises(InputError, match=said):
        make_readings(**columns)


def test_digest_tells_values_apart_and_not_their_order(tmp_path):
    assert digest([1, 2]) != digest([2, 1])
    assert digest({"a": 0.1}) != digest({"a": 0.2})
    path = tmp_path / "x"
    path.write_bytes(b"abc")
    # SHA-256 of "abc": FIPS 180-4, appendix B.1.
    assert file_sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
