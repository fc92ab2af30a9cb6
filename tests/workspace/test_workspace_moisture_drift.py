"""A map whose mean follows the heights: nearer the ground than one without, and a warning where it cannot be told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from yewline.ground import map_moisture, moisture_posterior
from yewline.model import VolumeGrid, make_readings
from yewline.workspace.moisture_drift import moisture_drift
from yewline.workspace.site import Site, read_site
from yewline.workspace.stage_ground import make_ground

GRID = VolumeGrid(x0=0.25, y0=0.25, cell_m=0.5, nx=40, ny=30, depth_step_m=0.05, nz=20)


def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 100.0 - 0.15 * x + 0.05 * y


def moisture(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Wetter down the slope, by 0.06 m³/m³ a metre of height."""
    return 0.16 - 0.06 * (height(x, y) - 100.0)


@pytest.fixture
def sloped(tmp_path: Path) -> Site:
    visit = tmp_path / "visits" / "day"
    (visit / "lines").mkdir(parents=True)
    (tmp_path / "site.toml").write_text('name = "Invented ground"\n')
    about = 'date = 2031-05-14\n[antenna]\ncentre_mhz = 400\n[readings]\nsigma_vwc = 0.01\ndrift = ["elevation"]\n'
    (visit / "visit.toml").write_text(about)
    x, y = (part.ravel() for part in np.meshgrid([0.0, 10.0, 20.0], [0.0, 7.5, 15.0]))
    pd.DataFrame({"x": x, "y": y, "z": height(x, y)}).to_csv(tmp_path / "elevation.csv", index=False)
    return read_site(tmp_path)


def readings() -> pd.DataFrame:
    """In the upper half of the site only."""
    rng = np.random.default_rng(8)
    x, y = (part.ravel() for part in np.meshgrid([1.0, 4.0, 7.0, 10.0], [1.0, 4.5, 8.0, 11.5, 14.5]))
    return make_readings(x=x, y=y, vwc=moisture(x, y) + rng.normal(0.0, 0.004, len(x)))


def test_the_drift_is_the_plane_through_the_levelled_points(sloped: Site) -> None:
    table = readings()
    drift = moisture_drift(sloped, sloped.visits[0], table, GRID)
    np.testing.assert_allclose(drift.at_readings[:, 0], height(table["x"], table["y"]), atol=1e-9)
    xs, ys = np.meshgrid(GRID.x, GRID.y)
    np.testing.assert_allclose(drift.at_points[:, 0], height(xs, ys).ravel(), atol=1e-9)
    assert drift.columns == ("elevation",)


def test_the_map_follows_the_slope_beyond_the_readings(sloped: Site) -> None:
    table = readings()
    drift = moisture_drift(sloped, sloped.visits[0], table, GRID)
    left = moisture_posterior(table, sigma_vwc=0.01, drift=drift)
    # What the slope leaves is noise alone.
    assert (
        left.posterior.sill.interval().value
        < 0.2 * moisture_posterior(table, sigma_vwc=0.01).posterior.sill.interval().value
    )
    followed = map_moisture(table, x=GRID.x, y=GRID.y, sigma_vwc=0.01, inferred=left, drift=drift)
    plain = map_moisture(table, x=GRID.x, y=GRID.y, sigma_vwc=0.01)
    true = moisture(*np.meshgrid(GRID.x, GRID.y))
    # Both are shown down to a little beyond the readings; there the plain one stays behind the slope.
    beyond = (
        (np.meshgrid(GRID.x, GRID.y)[0] > 10.0) & np.isfinite(followed["vwc"].values) & np.isfinite(plain["vwc"].values)
    )
    assert beyond.sum() > 10
    off = [float(np.abs(each["vwc"].values - true)[beyond].mean()) for each in (followed, plain)]
    assert off[0] < 0.5 * off[1]
    assert off[0] < 0.004
    assert "the mean follows elevation" in followed.attrs["notes"]


def test_heights_that_nobody_levelled_are_said_and_the_map_is_made_without(text_site: Path) -> None:
    toml = text_site / "visits" / "day" / "visit.toml"
    assert "[readings]" not in toml.read_text()
    toml.write_text(toml.read_text() + '\n[readings]\ndrift = ["elevation"]\n')
    site = read_site(text_site)
    area = shapely.box(-5.0, -5.0, 25.0, 25.0)
    ground = make_ground(site, site.visits[0], GRID, area)
    (told,) = [finding for finding in ground.findings if finding.code == "drift-left-out"]
    assert told.grade == "warning"
    assert "heights that nobody levelled" in told.text
    assert ground.moisture_map is not None
    (text_site / "elevation.csv").write_text("x,y,z\n-5,-5,100\n25,-5,103\n25,25,103\n-5,25,100\n")
    ground = make_ground(site, site.visits[0], GRID, area)
    assert not [finding for finding in ground.findings if finding.code == "drift-left-out"]
    assert "the mean follows elevation" in ground.moisture_map.attrs["notes"]
