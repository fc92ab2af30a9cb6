"""GeoTIFF: tags by the standard, and a known cell at its coordinates, read back with rasterio."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FrameError, InputError
from yewline.formats import site_affine, write_geotiff
from yewline.model import Frame, VolumeGrid

GRID = VolumeGrid(x0=-1.0, y0=2.0, cell_m=0.25, nx=5, ny=4, depth_step_m=0.1, nz=1)
TIED = Frame(
    epsg=32633,
    control=[
        {"x": 0, "y": 0, "easting": 500_000, "northing": 5_000_000},
        {"x": 10, "y": 0, "easting": 500_008, "northing": 5_000_006},
    ],
)


def _address():
    """Each value tells its own row and column."""
    return (100 * np.arange(GRID.ny)[:, None] + np.arange(GRID.nx)).astype(np.float32)


def _at(affine, column, row):
    return affine.a * column + affine.b * row + affine.c, affine.d * column + affine.e * row + affine.f


def _tags(path):
    """Tags of the first directory of a little-endian TIFF, without any library: id to (type, count, values)."""
    data = path.read_bytes()
    assert data[:4] == b"II*\x00"
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    tags = {}
    for entry in range(count):
        at = start + 2 + 12 * entry
        tag, kind, n = struct.unpack_from("<HHI", data, at)
        code = {2: "s", 3: "H", 4: "I", 12: "d"}[kind]
        size = struct.calcsize(code) * n
        place = at + 8 if size <= 4 else struct.unpack_from("<I", data, at + 8)[0]
        tags[tag] = struct.unpack_from(f"<{n}{code}" if code != "s" else f"<{n}s", data, place)
    return tags


@pytest.mark.parametrize("frame", [Frame(), Frame(epsg=32633), TIED], ids=["local", "plain", "tied"])
def test_every_cell_lies_at_its_centre(tmp_path, frame):
    path = tmp_path / "map.tif"
    write_geotiff(path, _address(), GRID, frame, description="strength", units="1")
    x, y = np.meshgrid(GRID.x, GRID.y)
    there = np.column_stack([x.ravel(), y.ravel()])
    if frame.epsg is not None:
        there = frame.to_projected().forward(there)
    with rasterio.open(path) as file:
        got = np.array([value[0] for value in file.sample(there)])
        np.testing.assert_array_equal(got, _address().ravel())
        # Exactly half a cell inside the picture's corner, not merely inside the right cell.
        np.testing.assert_allclose(file.xy(GRID.ny - 1, 0), there[0], atol=1e-6)
        assert file.dtypes == ("float32",)
        assert np.isnan(file.nodata)
        assert file.descriptions == ("strength",)
        assert file.units == ("1",)
        assert (file.crs is None) if frame.epsg is None else (file.crs.to_epsg() == 32633)


def test_control_points_turn_the_picture():
    # Site (10, 0) lies at (8, 6) east and north of site (0, 0): the picture's rows run along (0.8, 0.6).
    affine = site_affine(GRID, TIED)
    np.testing.assert_allclose([affine.a, affine.d], [0.25 * 0.8, 0.25 * 0.6], atol=1e-9)
    np.testing.assert_allclose([affine.b, affine.e], [0.25 * 0.6, -0.25 * 0.8], atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4), st.floats(0.01, 5), st.integers(1, 50), st.integers(1, 50))
def test_affine_maps_centres_of_any_grid(x0, y0, cell, nx, ny):
    grid = VolumeGrid(x0=x0, y0=y0, cell_m=cell, nx=nx, ny=ny, depth_step_m=1, nz=1)
    affine = site_affine(grid, Frame())
    np.testing.assert_allclose(_at(affine, 0.5, ny - 0.5), (x0, y0), atol=1e-8)
    np.testing.assert_allclose(_at(affine, nx - 0.5, 0.5), (grid.x[-1], grid.y[-1]), atol=1e-8)


def test_tags_follow_the_standard(tmp_path):
    # OGC 19-008r4: 33550 pixel scale and 33922 tie point, or 34264 transformation where turned; keys in 34735:
    # 1024 = 1 (projected), 1025 = 1 (PixelIsArea), 3072 = EPSG code. 42113 is GDAL's "no data", in ASCII.
    path = tmp_path / "map.tif"
    write_geotiff(path, _address(), GRID, Frame(epsg=32633))
    tags = _tags(path)
    assert tags[33550] == (0.25, 0.25, 0.0)
    assert tags[33922] == (0.0, 0.0, 0.0, -1.125, 2.875, 0.0)
    assert tags[42113] == (b"nan\x00",)
    assert tags[339] == (3,)  # IEEE floating point
    keys = np.reshape(tags[34735], (-1, 4))
    told = {int(key): int(value) for key, place, _, value in keys[1:] if place == 0}
    assert (told[1024], told[1025], told[3072]) == (1, 1, 32633)
    write_geotiff(path, _address(), GRID, TIED)
    tags = _tags(path)
    assert 33550 not in tags
    turned = np.reshape(tags[34264], (4, 4))
    np.testing.assert_allclose(turned[:2, :2], [[0.2, 0.15], [0.15, -0.2]], atol=1e-9)


def test_blank_cells_stay_blank_and_a_second_run_writes_the_same_bytes(tmp_path):
    values = _address()
    values[1, 2] = np.nan
    kept = values.copy()
    for name in ("a.tif", "b.tif", "a.tif"):
        write_geotiff(tmp_path / name, values, GRID, TIED, description="water content", units="m³/m³")
    np.testing.assert_array_equal(values, kept)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tif", "b.tif"]
    with rasterio.open(tmp_path / "a.tif") as file:
        assert np.argwhere(np.isnan(file.read(1))).tolist() == [[GRID.ny - 2, 2]]
        assert file.units == ("m³/m³",)


def test_what_does_not_fit_is_refused_and_nothing_is_left(tmp_path):
    with pytest.raises(InputError, match=r"does not fit the grid \(received \(5, 4\) for \(4, 5\)\)"):
        write_geotiff(tmp_path / "a.tif", _address().T, GRID, Frame())
    with pytest.raises(FrameError, match="must be a projected system"):
        write_geotiff(tmp_path / "a.tif", _address(), GRID, Frame(epsg=4326))
    assert list(tmp_path.iterdir()) == []
