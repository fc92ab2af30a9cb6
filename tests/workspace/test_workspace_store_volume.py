"""Volumes on disk: what was put in comes out, other libraries read it, and equal content gives equal bytes."""

from __future__ import annotations

import hashlib

import numpy as np
import pyproj
import pytest
import rasterio
import rioxarray  # noqa: F401  (gives xarray its `rio`)
import xarray as xr
import zarr

from yewline.errors import FrameError, InputError
from yewline.formats import write_geotiff
from yewline.model import Frame, VolumeGrid, make_volume
from yewline.workspace.store import load_volume, save_volume, volume_attributes

EPSG = 32633
FRAME = Frame(epsg=EPSG)
GRID = VolumeGrid(x0=500_000.0, y0=5_400_000.0, cell_m=0.25, nx=300, ny=220, depth_step_m=0.05, nz=6)


@pytest.fixture(scope="module")
def volume():
    """Strength that encodes its own address, blank in one corner."""
    k, j, i = np.mgrid[0 : GRID.nz, 0 : GRID.ny, 0 : GRID.nx]
    strength = (1e5 * k + 300.0 * j + i).astype(np.float32)
    coverage = (i > 20) | (j > 30)
    error = (0.01 * k + 0.0 * i).astype(np.float32)
    return make_volume(GRID, strength=strength, coverage=coverage, depth_error=error, attrs={"lines": 7})


@pytest.fixture
def stored(volume, tmp_path):
    save_volume(tmp_path / "volume.zarr", volume, frame=FRAME)
    return tmp_path / "volume.zarr"


def fingerprint(folder):
    digest = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        digest.update(str(path.relative_to(folder)).encode() + path.read_bytes())
    return digest.hexdigest()


def test_what_was_saved_is_loaded(volume, tmp_path):
    save_volume(tmp_path / "v.zarr", volume)
    loaded = load_volume(tmp_path / "v.zarr")
    xr.testing.assert_equal(loaded, volume)
    assert {name: held.dtype for name, held in loaded.data_vars.items()} == {
        name: held.dtype for name, held in volume.data_vars.items()
    }
    assert loaded.attrs == {**volume.attrs, "levels": ["level_1", "level_2"], "Conventions": "CF-1.11"}


def test_equal_content_gives_equal_bytes(volume, tmp_path):
    save_volume(tmp_path / "a.zarr", volume, frame=FRAME)
    save_volume(tmp_path / "b.zarr", volume.copy(deep=True), frame=FRAME)
    assert fingerprint(tmp_path / "a.zarr") == fingerprint(tmp_path / "b.zarr")
    changed = volume.copy(deep=True)
    changed.strength[3, 100, 100] = 0.5
    save_volume(tmp_path / "b.zarr", changed, frame=FRAME)
    assert fingerprint(tmp_path / "a.zarr") != fingerprint(tmp_path / "b.zarr")


def test_saving_again_leaves_nothing_of_what_was_there(volume, stored):
    small = volume.isel(x=slice(0, 100), y=slice(0, 100))
    grid = GRID.model_copy(update={"nx": 100, "ny": 100})
    save_volume(stored, small.assign_attrs(grid=grid.model_dump_json()))
    assert not (stored / "level_1").exists()
    assert "crs" not in load_volume(stored).coords


def test_saving_changes_nothing_in_hand(volume, tmp_path):
    before = volume.copy(deep=True)
    save_volume(tmp_path / "v.zarr", volume, frame=FRAME)
    assert volume.identical(before)
    assert all(not held.encoding for held in volume.data_vars.values())


def test_a_chunk_is_a_slice_or_a_tile_of_it(stored, tmp_path):
    assert zarr.open_group(stored, mode="r")["strength"].chunks == (1, GRID.ny, GRID.nx)
    wide = VolumeGrid(x0=0, y0=0, cell_m=1, nx=700, ny=10, depth_step_m=0.1, nz=2)
    flat = np.zeros((2, 10, 700), np.float32)
    save_volume(tmp_path / "w.zarr", make_volume(wide, strength=flat, coverage=flat == 0, depth_error=flat))
    assert zarr.open_group(tmp_path / "w.zarr", mode="r")["strength"].chunks == (1, 10, 512)


def test_zarr_alone_reads_a_slice(volume, stored):
    group = zarr.open_group(stored, mode="r")
    assert group.metadata.zarr_format == 3
    np.testing.assert_array_equal(group["strength"][4], volume.strength.values[4])
    assert group["strength"].metadata.dimension_names == ("depth", "y", "x")


def test_xarray_opens_it_as_it_is(volume, stored):
    with xr.open_zarr(stored, consolidated=False) as opened:
        np.testing.assert_array_equal(opened["strength"][4].values, volume.strength.values[4])
        assert opened.strength.sel(x=500_010.0, y=5_400_010.0, depth=0.125).item() == 2e5 + 300 * 40 + 40


def test_every_level_opens_by_its_name_with_its_own_coordinates(volume, stored):
    names = volume_attributes(stored)["levels"]
    assert names == ["level_1", "level_2"]
    step = GRID.cell_m
    for name in names:
        with xr.open_zarr(stored, group=name, consolidated=False) as level:
            step *= 2
            np.testing.assert_allclose(np.diff(level.x.values), step)
            assert level.x.values[0] == pytest.approx(GRID.x0 - 0.5 * GRID.cell_m + 0.5 * step)
            # The address is a plane, which a mean of four keeps.
            far = level.strength.sel(x=500_060.0, y=5_400_040.0, method="nearest")
            i, j = (far.x.item() - GRID.x0) / GRID.cell_m, (far.y.item() - GRID.y0) / GRID.cell_m
            np.testing.assert_allclose(far.values, 1e5 * np.arange(GRID.nz) + 300 * j + i, rtol=1e-6)


def test_coordinates_and_variables_say_what_cf_asks_for(stored):
    # CF-1.11: §2.6.1 Conventions, §4.3 vertical coordinate, §5.6 grid mappings, appendix F (transverse Mercator).
    with xr.open_zarr(stored, consolidated=False) as opened:
        assert opened.attrs["Conventions"] == "CF-1.11"
        depth, x, y = (opened[name].attrs for name in ("depth", "x", "y"))
        assert (depth["standard_name"], depth["positive"], depth["units"], depth["axis"]) == ("depth", "down", "m", "Z")
        assert (x["standard_name"], x["units"], x["axis"]) == ("projection_x_coordinate", "m", "X")
        assert (y["standard_name"], y["units"], y["axis"]) == ("projection_y_coordinate", "m", "Y")
        for held in opened.data_vars.values():
            if held.ndim > 1:
                assert "long_name" in held.attrs
                assert held.attrs["grid_mapping"] == "crs"
                assert held.dtype == bool or held.attrs["units"] in ("1", "m")
        assert opened["crs"].attrs["grid_mapping_name"] == "transverse_mercator"
        assert opened["crs"].attrs["longitude_of_central_meridian"] == 15.0


def test_local_metres_claim_no_place_on_earth(volume, tmp_path):
    save_volume(tmp_path / "v.zarr", volume)
    with xr.open_zarr(tmp_path / "v.zarr", consolidated=False) as opened:
        assert "crs" not in opened.variables
        assert "standard_name" not in opened.x.attrs
        assert opened.x.attrs["axis"] == "X"


def test_rioxarray_knows_where_it_lies(stored):
    with xr.open_zarr(stored, consolidated=False, decode_coords="all") as opened:
        assert opened.strength.rio.crs == pyproj.CRS.from_epsg(EPSG)
        west, south, east, north = opened.strength.rio.bounds()
        half = 0.5 * GRID.cell_m
        assert (west, south) == pytest.approx((GRID.x0 - half, GRID.y0 - half))
        assert (east, north) == pytest.approx((GRID.x[-1] + half, GRID.y[-1] + half))


def test_gdal_reads_the_same_slice_by_way_of_geotiff(volume, stored, tmp_path):
    # The GDAL that rasterio brings here (3.10) knows Zarr v3 only as it was drafted, so that a slice goes by GeoTIFF.
    loaded = load_volume(stored)
    path = tmp_path / "slice.tif"
    write_geotiff(path, loaded.strength.values[3], GRID, FRAME)
    with rasterio.open(path) as raster:
        assert raster.crs.to_epsg() == EPSG
        assert tuple(raster.bounds) == pytest.approx(
            (GRID.x0 - 0.125, GRID.y0 - 0.125, GRID.x[-1] + 0.125, GRID.y[-1] + 0.125)
        )
        np.testing.assert_array_equal(raster.read(1)[::-1], volume.strength.values[3])


def test_further_variables_are_kept(volume, tmp_path):
    more = volume.assign(distance_m=(("y", "x"), np.ones((GRID.ny, GRID.nx), np.float32), {"units": "m"}))
    save_volume(tmp_path / "v.zarr", more)
    xr.testing.assert_equal(load_volume(tmp_path / "v.zarr"), more)
    with xr.open_zarr(tmp_path / "v.zarr", group="level_1", consolidated=False) as level:
        assert (level.distance_m.values == 1).all()


def test_a_turned_frame_keeps_site_metres_and_names_each_cells_easting(tmp_path):
    # A quarter turn: +x of the site points north, +y west.
    corners = [
        {"x": 0, "y": 0, "easting": 400_000, "northing": 100},
        {"x": 10, "y": 0, "easting": 400_000, "northing": 110},
    ]
    grid = VolumeGrid(x0=2, y0=1, cell_m=0.25, nx=140, ny=20, depth_step_m=0.1, nz=1)
    flat = np.zeros((1, 20, 140), np.float32)
    site = make_volume(grid, strength=flat, coverage=flat == 0, depth_error=flat)
    save_volume(tmp_path / "v.zarr", site, frame=Frame(epsg=EPSG, control=corners))
    for group in (None, "level_1"):
        with xr.open_zarr(tmp_path / "v.zarr", group=group, consolidated=False, decode_coords="all") as opened:
            assert "standard_name" not in opened.x.attrs
            assert opened.easting.attrs["standard_name"] == "projection_x_coordinate"
            x, y = np.meshgrid(opened.x, opened.y)
            np.testing.assert_allclose(opened.easting.values, 400_000 - y, rtol=0, atol=1e-6)
            np.testing.assert_allclose(opened.northing.values, 100 + x, rtol=0, atol=1e-6)
            assert opened.strength.rio.crs == pyproj.CRS.from_epsg(EPSG)


def test_frames_that_cannot_be_are_refused(volume, tmp_path):
    with pytest.raises(FrameError, match=r"unknown EPSG code of the site's frame .*99999"):
        save_volume(tmp_path / "v.zarr", volume, frame=Frame(epsg=99999))
    with pytest.raises(FrameError, match=r"must be a projected system in metres .*EPSG:4326, WGS 84"):
        save_volume(tmp_path / "v.zarr", volume, frame=Frame(epsg=4326))
    with pytest.raises(InputError, match="a pyramid needs the volume's grid"):
        save_volume(tmp_path / "v.zarr", volume.drop_attrs())
    assert not (tmp_path / "v.zarr").exists()
