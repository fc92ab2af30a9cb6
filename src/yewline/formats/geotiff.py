"""GeoTIFF (OGC 19-008): one map of numbers, north up, placed to the half cell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.transform import Affine

from yewline.errors import InputError
from yewline.formats.atomic import replacing
from yewline.formats.site_metres import projected_system
from yewline.model import Frame, VolumeGrid

__all__ = ["site_affine", "write_geotiff"]


def site_affine(grid: VolumeGrid, frame: Frame) -> Affine:
    """From (column, row) of a picture with its top row first to site metres, or to the frame's projected system.

    The picture's corner (0, 0) is the outer corner of its first cell, half a cell beyond that cell's centre.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=4, ny=3, depth_step_m=0.1, nz=1)
    >>> tuple(site_affine(grid, Frame()))[:6]
    (0.5, 0.0, -0.25, 0.0, -0.5, 1.25)
    """
    cell = grid.cell_m
    left, top = grid.x0 - cell / 2, grid.y0 + (grid.ny - 0.5) * cell
    if frame.epsg is None:
        return Affine(cell, 0.0, left, 0.0, -cell, top)
    tie = frame.to_projected()
    east, north = tie.forward([[left, top]])[0].tolist()
    return Affine(cell * tie.a, cell * tie.b, east, cell * tie.b, -cell * tie.a, north)


def write_geotiff(
    path: Path,
    array: npt.ArrayLike,
    grid: VolumeGrid,
    frame: Frame,
    *,
    description: str = "",
    units: str = "",
) -> None:
    """Write a map as a one-band GeoTIFF; a second run writes the same bytes.

    Parameters
    ----------
    path : file to write; a file of that name is replaced in one step.
    array : (Y, X), y increasing; written as float32 with NaN as "no data".
    grid : whose cell centres the values stand at.
    frame : with an EPSG code the file carries that system, turned and scaled as the control points say;
        without one it is in site metres and names no system.
    description : of the band, such as "strength, 0.8 to 1.0 m".
    units : of the values, such as "m³/m³".

    Raises
    ------
    InputError : the array does not fit the grid.
    FrameError : the frame's EPSG code or control points cannot be used.

    References
    ----------
    OGC 19-008r4, GeoTIFF Standard 1.1: a value stands for its cell (PixelIsArea), not for a point.

    Examples
    --------
    >>> import tempfile
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=4, ny=3, depth_step_m=0.1, nz=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_geotiff(Path(folder) / "map.tif", np.arange(12).reshape(3, 4), grid, Frame())
    ...     with rasterio.open(Path(folder) / "map.tif") as file:
    ...         [float(value[0]) for value in file.sample([(0.0, 0.0), (1.5, 1.0)])]
    [0.0, 11.0]
    """
    values = np.asarray(array, dtype=np.float32)
    if values.shape != (grid.ny, grid.nx):
        raise InputError("the map does not fit the grid", received=f"{values.shape} for {(grid.ny, grid.nx)}")
    crs = None if frame.epsg is None else f"EPSG:{projected_system(frame).to_epsg()}"
    with (
        replacing(path) as draft,
        rasterio.open(
            draft,
            "w",
            driver="GTiff",
            height=grid.ny,
            width=grid.nx,
            count=1,
            dtype="float32",
            nodata=float("nan"),
            crs=crs,
            transform=site_affine(grid, frame),
            compress="deflate",
            predictor=3,
        ) as file,
    ):
        file.write(values[::-1], 1)
        file.update_tags(AREA_OR_POINT="Area")
        if description:
            file.set_band_description(1, description)
        if units:
            file.set_band_unit(1, units)
