"""Further volumes where a site asks for them, and moisture at burials: stored, mapped, and left out with a word."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
import xarray as xr

from yewline.errors import SettingsError
from yewline.export import result_tables, write_results
from yewline.ground import map_moisture
from yewline.model import BURIAL_COLUMNS, VolumeGrid, make_outlines, make_readings, make_volume
from yewline.report import write_report
from yewline.volume import volume_energy, volume_quietness
from yewline.workspace import open_site, run_site
from yewline.workspace.run import site_result
from yewline.workspace.stage_attributes import at_depths, with_attributes
from yewline.workspace.stage_burial_moisture import burial_moisture
from yewline.workspace.store import load_volume

GRID = VolumeGrid(x0=0.0, y0=0.0, cell_m=0.25, nx=40, ny=36, depth_step_m=0.1, nz=12)


def ground(**changes: object) -> xr.Dataset:
    grid = GRID.model_copy(update=changes)
    strength = np.random.default_rng(0).uniform(0.8, 1.2, (grid.nz, grid.ny, grid.nx)).astype(np.float32)
    return make_volume(grid, strength=strength, coverage=strength > 0, depth_error=0 * strength)


def run(root: Path):
    return run_site(open_site(root), export=write_results, report=write_report)


def test_each_is_what_the_volume_room_makes_of_it() -> None:
    volume = ground()
    told, findings = with_attributes(volume, ["energy", "quietness", "energy"], visit="day")
    assert findings == []
    np.testing.assert_array_equal(told["energy"].values, volume_energy(volume))
    np.testing.assert_array_equal(told["quietness"].values, volume_quietness(volume)[0])
    assert told["quietness"].attrs["units"] == "dB"
    mean = at_depths(told, 0.4, 0.8)["energy"]
    among = (GRID.depth >= 0.4) & (GRID.depth <= 0.8)
    np.testing.assert_allclose(mean.values, volume_energy(volume)[among].mean(axis=0), rtol=1e-5)


def test_one_that_cannot_be_made_is_said() -> None:
    told, (finding,) = with_attributes(ground(nz=2, depth_step_m=0.5), ["similarity"], visit="day")
    assert "similarity" not in told
    assert "the volume of similarity cannot be made" in finding.text


def test_a_run_stores_and_maps_what_the_site_asks_for(text_site: Path) -> None:
    toml = text_site / "site.toml"
    before = toml.read_text()
    toml.write_text(before + '\n[volume]\nattributes = ["energy"]\n')
    run(text_site)
    volume = load_volume(text_site / "results" / "visits" / "day" / "volume.zarr")
    assert volume["energy"].dims == ("depth", "y", "x")
    (path,) = (text_site / "results" / "attributes" / "day").glob("energy_*.tif")
    with rasterio.open(path) as file:
        assert file.shape == (volume.sizes["y"], volume.sizes["x"])
        assert "energy of the answer" in file.descriptions[0]
        assert np.isfinite(file.read(1)).any()
    toml.write_text(before)
    run(text_site)
    assert not list((text_site / "results" / "attributes").rglob("*.tif"))
    toml.write_text(before + '\n[volume]\nattributes = ["brightness"]\n')
    with pytest.raises(SettingsError, match="attributes"):
        open_site(text_site)


def at(*places: tuple[float, float]) -> gpd.GeoDataFrame:
    rows = [{"burial": f"B{n}", "kind": "adult"} for n, _ in enumerate(places)]
    return make_outlines(BURIAL_COLUMNS, rows, [shapely.box(x - 1, y - 0.5, x + 1, y + 0.5) for x, y in places])


def test_moisture_at_burials_is_the_map_s_and_blank_beyond_it() -> None:
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.5, 10, 1.0), np.arange(0.5, 10, 1.0)))
    table = make_readings(x=x, y=y, vwc=0.20 + 0.10 * np.exp(-((x - 5) ** 2 + (y - 5) ** 2) / 2.0))
    cells = np.arange(0.125, 40.0, 0.25)
    mapped = map_moisture(table, x=cells, y=cells[:40], sigma_vwc=0.005)
    found = burial_moisture(mapped, table, at((5.0, 5.0), (35.0, 5.0)))
    assert found["burial"].tolist() == ["B0", "B1"]
    assert found["vwc"][0] > 0.25
    assert found["contrast"][0] > 0.02
    assert np.isnan(found["vwc"][1])
    assert found["why"][1]
    assert burial_moisture(None, table, at((5.0, 5.0))) is None
    assert burial_moisture(mapped, table, at()) is None


def test_a_run_tells_moisture_at_burials(text_site: Path) -> None:
    page = run(text_site).report.read_text()
    assert "Moisture at known burials" in page
    result = site_result(open_site(text_site))
    table = result_tables(result)["burial_moisture"]
    assert len(table.rows) == len(result.burials)
    assert [row[1] for row in table.rows] == result.burials["burial"].tolist()
