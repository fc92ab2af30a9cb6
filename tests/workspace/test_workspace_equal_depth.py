"""Visits at equal depth beside equal time, and what a run says of it."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import jsonschema
import numpy as np
import pytest
import shapely
import xarray as xr

from yewline.export import result_tables, write_results
from yewline.hotspots import find_hotspots
from yewline.model import SiteSettings, VelocityField, VolumeGrid, make_volume
from yewline.report import write_report
from yewline.volume import slice_exactly
from yewline.workspace import open_site, run_site
from yewline.workspace.results import run_schema
from yewline.workspace.run import site_result
from yewline.workspace.stage_equal_depth import VisitVolume, equal_depth

GRID = VolumeGrid(x0=0.25, y0=0.25, cell_m=0.5, nx=40, ny=24, depth_step_m=0.05, nz=32)
AREA = shapely.box(0, 0, 20, 12)
SETTINGS = SiteSettings(
    name="Invented ground", primary={"slice_m": (0.8, 1.1), "rule": "equal-area", "area_share": 0.03}
)
SHALLOW, DEEP = [(3, 3), (9, 3), (15, 3)], [(3, 8), (9, 8), (15, 8)]


def ground(seed: int, error_m: float = 0.1) -> xr.Dataset:
    """Three things 0.55 m down and three 0.95 m down, in weak noise: the same ground on every visit."""
    rng = np.random.default_rng(seed)
    strength = rng.lognormal(0.0, 0.1, (GRID.nz, GRID.ny, GRID.nx))
    x, y = np.meshgrid(GRID.x, GRID.y)
    for places, depth in ((SHALLOW, 0.55), (DEEP, 0.95)):
        for cx, cy in places:
            here = (np.abs(x - cx) < 1.1) & (np.abs(y - cy) < 0.6)
            strength += 20.0 * np.exp(-(((GRID.depth - depth) / 0.06) ** 2))[:, None, None] * here
    full = strength.astype(np.float32)
    return make_volume(GRID, strength=full, coverage=full > 0, depth_error=np.full_like(full, error_m))


def visit(name: str, v_m_per_ns: float, seed: int = 1, volume: xr.Dataset | None = None) -> VisitVolume:
    held = ground(seed) if volume is None else volume
    field = VelocityField.uniform(v_m_per_ns, 0.03 * v_m_per_ns)
    return VisitVolume(name, held, field, slice_exactly(held, 0.8, 1.1).isel(slice=0), 0.2)


def outlined(*visits: VisitVolume) -> dict[str, gpd.GeoDataFrame]:
    return {
        each.name: find_hotspots(
            each.chosen["strength"].values, GRID, visit=each.name, rule="equal-area", area_share=0.03, area=AREA
        )
        for each in visits
    }


def compared(*visits: VisitVolume):
    return equal_depth(visits, outlined(*visits), SETTINGS, GRID, AREA)


def test_with_one_velocity_equal_time_is_equal_depth() -> None:
    found = compared(visit("a", 0.1), visit("b", 0.1, seed=2))
    for part in found.at_time.values():
        assert (part.top_m, part.base_m) == pytest.approx((0.8, 1.1))
    (pair,) = found.pairs
    assert pair.overlap_time == pytest.approx(pair.overlap_depth, abs=1e-9)


def test_at_equal_time_a_slower_visit_is_cut_too_shallow_and_agrees_less() -> None:
    found = compared(visit("dry", 0.12), visit("wet", 0.07, seed=2))
    assert found.reference == "dry"
    dry, wet = found.at_time["dry"], found.at_time["wet"]
    # Depth is half of velocity times time but for the antennas' separation.
    begin, end = found.window_ns
    assert begin == pytest.approx(2.0 * np.hypot(0.8, 0.1) / 0.12)
    assert wet.top_m == pytest.approx(0.5 * np.sqrt((0.07 * begin) ** 2 - 0.04))
    assert wet.base_m == pytest.approx(0.5 * np.sqrt((0.07 * end) ** 2 - 0.04))
    assert wet.base_m < 0.7 < dry.top_m
    (pair,) = found.pairs
    # The deep ones lie in both slices at equal depth; at equal time the wet visit shows the shallow ones.
    assert pair.overlap_depth > 0.9
    assert pair.overlap_time < 0.1
    assert np.abs(pair.ratio_db[np.isfinite(pair.ratio_db)]).mean() < 2.0


def test_a_visit_laid_out_elsewhere_is_seen_to_be_displaced() -> None:
    rng = np.random.default_rng(3)
    strength = rng.lognormal(0.0, 0.8, (GRID.nz, GRID.ny, GRID.nx)).astype(np.float32)
    volumes = [
        make_volume(GRID, strength=each, coverage=each > 0, depth_error=each)
        for each in (strength, np.roll(strength, 1, axis=2))
    ]
    (pair,) = compared(*(visit(name, 0.1, volume=each) for name, each in zip("ab", volumes, strict=True))).pairs
    assert pair.shift_m == pytest.approx((0.5, 0.0), abs=0.05)
    assert pair.known_share > 0.9


def test_one_visit_has_nothing_to_be_compared_with() -> None:
    found = compared(visit("only", 0.1))
    assert found.at_time == {}
    assert found.pairs == ()


def test_a_run_tells_both(text_site: Path) -> None:
    visits = text_site / "visits"
    shutil.copytree(visits / "day", visits / "later")
    settings = (visits / "later" / "visit.toml").read_text().replace("2031-04-01", "2031-10-01")
    (visits / "later" / "visit.toml").write_text(settings)
    rows = [row.split(",") for row in (visits / "day" / "readings.csv").read_text().splitlines()]
    wetter = [rows[0], *([x, y, f"{float(vwc) + 0.12:.4f}"] for x, y, vwc in rows[1:])]
    (visits / "later" / "readings.csv").write_text("\n".join(",".join(row) for row in wetter) + "\n")
    outcome = run_site(open_site(text_site), export=write_results, report=write_report)
    jsonschema.validate({**outcome.figures, "report": "r", "seconds": 1.0}, run_schema())
    told = outcome.figures["equal_depth"]
    assert told["reference"] == "day"
    first, second = (each["slice_m"] for each in told["at_equal_time"])
    assert second[0] < first[0]
    assert second[1] < first[1]
    # The very same recordings, taken for wetter ground: they agree at equal time only.
    (pair,) = told["pairs"]
    assert pair["overlap_equal_time"] > pair["overlap_equal_depth"]
    page = outcome.report.read_text()
    assert "On later that same window lies" in page
    assert "agreement falls when depth is kept" in page
    tables = result_tables(site_result(open_site(text_site)))
    assert len(tables["equal_depth"].rows) == 1
    for visit in outcome.figures["visits"]:
        assert visit["depth_errors"]["burials"] == sum(row[0] == visit["visit"] for row in tables["depth_errors"].rows)


def test_each_later_visit_is_stored_against_the_first_and_no_other_is_left(text_site: Path) -> None:
    visits = text_site / "visits"
    shutil.copytree(visits / "day", visits / "later")
    toml = visits / "later" / "visit.toml"
    toml.write_text(toml.read_text().replace("2031-04-01", "2031-10-01"))
    run = run_site(open_site(text_site), export=write_results, report=write_report)
    assert "comparison later" in run.made
    path = text_site / "results" / "comparisons" / "later-over-day.zarr"
    with xr.open_dataset(path, engine="zarr", consolidated=False) as found:
        assert found["ratio_db"].dims == ("depth", "y", "x")
        known = np.isfinite(found["ratio_db"].values)
        assert known.any()
        # The very same recordings and readings: nothing differs.
        np.testing.assert_allclose(found["ratio_db"].values[known], 0.0, atol=1e-4)
    assert "comparison later" in run_site(open_site(text_site), export=write_results, report=write_report).kept
    shutil.rmtree(visits / "later")
    run_site(open_site(text_site), export=write_results, report=write_report)
    assert not path.exists()
