"""Level cuts of a visit, where the ground is known not to be level."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import xarray as xr

from yewline.model import VolumeGrid
from yewline.positions import heights_at
from yewline.volume import cut_levels
from yewline.workspace.lazy import lights_of

__all__ = ["visit_levels"]

_PLACES: Final = 5_000
"""Traces whose heights are taken, at most: ground is smoother than they are close."""


def visit_levels(
    volume: xr.Dataset, lines: Mapping[str, xr.DataArray], grid: VolumeGrid, *, thickness_m: float
) -> xr.Dataset | None:
    """Slabs between two heights; None where heights are not known, or differ by less than a slab.

    Parameters
    ----------
    volume : of the visit, below its surface.
    lines : of the visit, whose traces carry heights `z`.
    grid : of the volume.
    thickness_m : of a slab.
    """
    lights = list(lights_of(lines).values())
    if not lights or not all("z" in light.coords for light in lights):
        return None
    x, y, z = (np.concatenate([light[name].values for light in lights]).astype(float) for name in ("x", "y", "z"))
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y) & np.isfinite(z))
    if not len(known):
        return None
    if np.ptp(z[known]) < thickness_m:
        return None
    few = known[:: max(1, len(known) // _PLACES)]
    xs, ys = np.meshgrid(grid.x, grid.y)
    height = heights_at(x[few], y[few], z[few], xs.ravel(), ys.ravel()).z_m.reshape(xs.shape)
    covered = volume["coverage"].values.any(axis=0)
    if not covered.any() or np.ptp(height[covered]) < thickness_m:
        return None
    return cut_levels(volume, height, thickness_m=thickness_m)
