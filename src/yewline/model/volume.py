"""Volume: strength over (depth, y, x) as an `xarray.Dataset`, and the grid that all visits share.

Variables ``strength`` (NaN where nothing was measured), ``coverage`` (bool), ``depth_error`` [m] (half-width of
the 90 % interval), and over (y, x) ``position_sigma`` [m] (1 sd per axis of the traces there). Coordinates ``depth``,
``y``, ``x`` [m] are cell centres; depth is positive downward.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field

from yewline.errors import InputError
from yewline.model.settings import Settings

__all__ = ["VolumeGrid", "make_volume"]


class VolumeGrid(Settings):
    """Cell centres shared by all visits: x = x0 + i·cell_m, y = y0 + j·cell_m, depth = (k + ½)·depth_step_m."""

    x0: float
    y0: float
    cell_m: float = Field(gt=0)
    nx: int = Field(ge=1)
    ny: int = Field(ge=1)
    depth_step_m: float = Field(gt=0)
    nz: int = Field(ge=1)

    @classmethod
    def around(
        cls, bounds: tuple[float, float, float, float], *, cell_m: float, depth_max_m: float, depth_step_m: float
    ) -> VolumeGrid:
        """The smallest grid on multiples of `cell_m` that covers `bounds` (x0, y0, x1, y1)."""
        x0, y0, x1, y1 = bounds
        i0, j0 = math.floor(x0 / cell_m + 1e-9), math.floor(y0 / cell_m + 1e-9)
        i1, j1 = math.ceil(x1 / cell_m - 1e-9), math.ceil(y1 / cell_m - 1e-9)
        nx, ny, nz = i1 - i0 + 1, j1 - j0 + 1, max(1, math.ceil(depth_max_m / depth_step_m - 1e-9))
        if nx * ny * nz > 2_000_000_000:
            raise InputError("the volume would be too large", received=f"{nz}×{ny}×{nx} cells", do="use larger cells")
        return cls(x0=i0 * cell_m, y0=j0 * cell_m, cell_m=cell_m, nx=nx, ny=ny, depth_step_m=depth_step_m, nz=nz)

    @property
    def x(self) -> npt.NDArray[np.float64]:
        """Cell centres along x, m."""
        return self.x0 + self.cell_m * np.arange(self.nx, dtype=np.float64)

    @property
    def y(self) -> npt.NDArray[np.float64]:
        """Cell centres along y, m."""
        return self.y0 + self.cell_m * np.arange(self.ny, dtype=np.float64)

    @property
    def depth(self) -> npt.NDArray[np.float64]:
        """Cell centres in depth, m."""
        return self.depth_step_m * (np.arange(self.nz, dtype=np.float64) + 0.5)

    def coordinates(self) -> dict[str, tuple[str, npt.NDArray[np.float64], dict[str, str]]]:
        """Coordinates of an `xarray.Dataset` on this grid, with the attributes that the CF conventions ask for."""
        below = {"standard_name": "depth", "long_name": "depth below the surface", "positive": "down", "axis": "Z"}
        return {
            "depth": ("depth", self.depth, {"units": "m", **below}),
            "y": ("y", self.y, {"units": "m", "long_name": "site metres along y", "axis": "Y"}),
            "x": ("x", self.x, {"units": "m", "long_name": "site metres along x", "axis": "X"}),
        }


def make_volume(
    grid: VolumeGrid,
    *,
    strength: npt.NDArray[np.float32],
    coverage: npt.NDArray[np.bool_],
    depth_error: npt.NDArray[np.float32],
    position_sigma: npt.NDArray[np.float32] | None = None,
    attrs: dict[str, object] | None = None,
) -> xr.Dataset:
    """Make a volume on `grid` from arrays (depth, y, x); strength is blanked where coverage is false.

    `position_sigma` is over (y, x), and unknown (NaN) throughout where it is left out.
    """
    shape = (grid.nz, grid.ny, grid.nx)
    for name, array in (("strength", strength), ("coverage", coverage), ("depth_error", depth_error)):
        if array.shape != shape:
            raise InputError(f"{name} does not fit the grid", received=f"{array.shape} for {shape}")
    dims = ("depth", "y", "x")
    sigma = np.full(shape[1:], np.nan, np.float32) if position_sigma is None else position_sigma
    if sigma.shape != shape[1:]:
        raise InputError("position_sigma does not fit the grid", received=f"{sigma.shape} for {shape[1:]}")
    # A large volume is copied only where there is something to blank.
    blank = not bool((coverage | np.isnan(strength)).all())
    shown = np.where(coverage, strength, np.float32(np.nan)) if blank else strength
    return xr.Dataset(
        {
            "strength": (
                dims,
                shown.astype(np.float32, copy=False),
                {
                    "units": "1",
                    "long_name": "strength of the radar answer",
                    "cell_methods": "depth: y: x: mean",
                },
            ),
            "coverage": (
                dims,
                coverage,
                {"long_name": "whether there is data", "flag_values": [0, 1], "flag_meanings": "no_data data"},
            ),
            "depth_error": (
                dims,
                depth_error.astype(np.float32, copy=False),
                {"units": "m", "long_name": "half-width of the 90 % interval of depth"},
            ),
            "position_sigma": (
                ("y", "x"),
                sigma.astype(np.float32, copy=False),
                {"units": "m", "long_name": "standard deviation of the traces' position per axis"},
            ),
        },
        coords=grid.coordinates(),
        attrs={"grid": grid.model_dump_json(), **(attrs or {})},
    )
