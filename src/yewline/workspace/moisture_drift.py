"""What the mean of a moisture map follows: levelled heights, or the site's axes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline.errors import SettingsError
from yewline.formats import read_elevation
from yewline.geostat import Drift
from yewline.model import VolumeGrid
from yewline.positions import heights_at
from yewline.workspace.site import Site, Visit

__all__ = ["moisture_drift"]

Array = npt.NDArray[np.float64]


def moisture_drift(site: Site, visit: Visit, readings: pd.DataFrame, grid: VolumeGrid) -> Drift:
    """The drift that a visit's settings name, at its readings and at a grid's cells, row by row.

    Raises
    ------
    SettingsError : heights are asked for, and the site has no elevation.csv.
    FormatError, InputError : heights that cannot be read or told.
    """
    names = tuple(dict.fromkeys(visit.settings.readings.drift))
    x, y = (readings[name].to_numpy(float) for name in ("x", "y"))
    across, up = (part.ravel() for part in np.meshgrid(grid.x, grid.y))
    held = {"x": (x, across), "y": (y, up)}
    if "elevation" in names:
        held["elevation"] = _heights(site, visit, (x, y), (across, up))
    at_readings, at_cells = (np.column_stack([held[name][k] for name in names]) for k in (0, 1))
    return Drift(at_readings, at_cells, names=names)


def _heights(site: Site, visit: Visit, *places: tuple[Array, Array]) -> tuple[Array, Array]:
    path = site.root / "elevation.csv"
    if not path.is_file():
        raise SettingsError(
            "the map cannot follow heights that nobody levelled",
            where=f"visits/{visit.name}/visit.toml, readings.drift",
            received="no elevation.csv",
            do="add elevation.csv (x, y, z) to the site, or leave elevation out of drift; the map is made without",
        )
    points, _ = read_elevation(path, frame=site.settings.frame, to_site=site.settings.grid)
    first, second = (heights_at(points["x"], points["y"], points["z"], x, y).z_m for x, y in places)
    return first, second
