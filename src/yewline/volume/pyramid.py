"""Pyramid: a volume in coarser and coarser cells, so that a map of a whole site is small."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.model import VolumeGrid

__all__ = ["pyramid"]

_SMALLEST_CELLS: Final = 128
"""A level of so few cells a side is small enough to be shown whole on any screen."""


def pyramid(volume: xr.Dataset, *, smallest_cells: int = _SMALLEST_CELLS) -> list[xr.Dataset]:
    """Halve the rows and columns of a volume until it is small; depths stay as they are.

    Parameters
    ----------
    volume : any variables over (y, x) or (depth, y, x), and the attribute `grid`.
    smallest_cells : no level is made of one whose sides both have so many cells or fewer.

    Returns
    -------
    The levels below the volume itself, finer ones first; none where it is small. Numbers are the mean of the two by two
    cells that hold one, truth values are true where one of the four is; variables of another kind are left out. Each
    level has its own `grid`, and the centres of its own cells as coordinates.

    Raises
    ------
    InputError : there is no grid, or the size is not positive.

    Notes
    -----
    Where rows or columns are odd in number, the last cells of the next level reach half beyond the volume, so that all
    cells of a level are of one size.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=3, ny=2, depth_step_m=0.1, nz=1)
    >>> strength = np.array([[[1, 2, np.nan], [3, 6, 5]]], np.float32)
    >>> volume = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=strength)
    >>> (level,) = pyramid(volume, smallest_cells=2)
    >>> level.strength.values.tolist(), level.x.values.tolist()
    ([[[3.0, 5.0]]], [0.5, 2.5])
    """
    if "grid" not in volume.attrs:
        raise InputError("a pyramid needs the volume's grid", do="give the volume as it was made, with its attributes")
    least = check_positive(smallest_cells, "smallest_cells")
    levels: list[xr.Dataset] = []
    while max(volume.sizes["y"], volume.sizes["x"]) > least:
        volume = _coarser(volume)
        levels.append(volume)
    return levels


def _coarser(volume: xr.Dataset) -> xr.Dataset:
    fine = VolumeGrid.model_validate_json(volume.attrs["grid"])
    half = 0.5 * fine.cell_m
    grid = VolumeGrid(
        x0=fine.x0 + half,
        y0=fine.y0 + half,
        cell_m=2 * fine.cell_m,
        nx=-(-fine.nx // 2),
        ny=-(-fine.ny // 2),
        depth_step_m=fine.depth_step_m,
        nz=fine.nz,
    )
    halved = {
        name: (
            held.dims,
            _any_of_four(held.values) if held.dtype == np.bool_ else _mean_of_four(held.values),
            held.attrs,
        )
        for name, held in volume.data_vars.items()
        if held.dims[-2:] == ("y", "x") and held.dtype.kind in "bf"
    }
    # The attributes of x and y are the volume's: they say which frame the metres are counted in.
    kept = {name: at for name, at in volume.coords.items() if not {"y", "x"} & set(at.dims)}
    place = {name: (name, values, volume[name].attrs) for name, values in (("y", grid.y), ("x", grid.x))}
    return xr.Dataset(halved, coords={**kept, **place}, attrs={**volume.attrs, "grid": grid.model_dump_json()})


def _quarters(values: npt.NDArray[Any]) -> list[npt.NDArray[Any]]:
    return [values[..., j::2, i::2] for j in (0, 1) for i in (0, 1)]


def _mean_of_four(values: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.floating[Any]]:
    first, *rest = _quarters(values)
    known = np.isfinite(first)
    total, count = np.where(known, first, 0), known.astype(np.uint8)
    for quarter in rest:
        known = np.isfinite(quarter)
        here = (..., slice(quarter.shape[-2]), slice(quarter.shape[-1]))
        total[here] += np.where(known, quarter, 0)
        count[here] += known
    np.divide(total, count, out=total, where=count > 0)
    total[count == 0] = np.nan
    return total


def _any_of_four(values: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    first, *rest = _quarters(values)
    found = first.copy()
    for quarter in rest:
        found[..., : quarter.shape[-2], : quarter.shape[-1]] |= quarter
    return found
