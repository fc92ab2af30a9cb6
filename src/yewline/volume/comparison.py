"""Two visits held against each other, cell by cell at equal depth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.volume.registration import same_grid

__all__ = ["compare_volumes"]


def compare_volumes(
    first: xr.Dataset,
    second: xr.Dataset,
    *,
    noise: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
) -> xr.Dataset:
    """Difference and ratio of two visits' strengths at equal depth.

    Parameters
    ----------
    first, second : volumes on one grid, (depth, y, x) `strength`.
    noise : noise of each visit in the units of its strength; a number, or an array that fits (depth, y, x). Where it is
        given, its power is taken off both strengths, and a cell that does not rise above it has no ratio.

    Returns
    -------
    Dataset (depth, y, x): `difference`, second less first, as recorded; `ratio_db`, 20 log₁₀(second/first). NaN where
    one of them has no data; the ratio also where one is not above nothing.

    Raises
    ------
    InputError : different grids, or noise that is negative or does not fit.

    Notes
    -----
    A mean envelope never falls below the noise: it is √(s² + n²), nearly. Without `noise` the ratio of weak cells is
    therefore drawn towards that of the two noises; the attribute `noise_bias` says which of the two was done.

    Examples
    --------
    >>> from yewline.model import VolumeGrid, make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=2, ny=1, depth_step_m=0.1, nz=1)
    >>> one, two = (np.array([[[1, s]]], np.float32) for s in (1, np.nan))
    >>> a, b = (make_volume(grid, strength=s, coverage=s > 0, depth_error=s) for s in (one, 10 * two))
    >>> compare_volumes(a, b).ratio_db.values.tolist()
    [[[20.0, nan]]]
    """
    same_grid(first, second)
    a, b = (volume["strength"].values.astype(np.float64) for volume in (first, second))
    difference = b - a
    if noise is not None:
        a, b = (_above(values, level) for values, level in zip((a, b), noise, strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((a > 0) & (b > 0), 20.0 * np.log10(b / a), np.nan)
    dims = ("depth", "y", "x")
    return xr.Dataset(
        {
            "difference": (dims, difference.astype(np.float32), {"units": "1", "long_name": "second visit less first"}),
            "ratio_db": (dims, ratio.astype(np.float32), {"units": "dB", "long_name": "second visit over first"}),
        },
        coords={name: first[name] for name in dims},
        attrs={
            "grid": first.attrs["grid"],
            "noise_bias": "noise taken off"
            if noise is not None
            else "not corrected: weak cells tend to the noises' ratio",
        },
    )


def _above(strength: npt.NDArray[np.float64], noise: npt.ArrayLike) -> npt.NDArray[np.float64]:
    level = np.asarray(noise, np.float64)
    try:
        np.broadcast_to(level, strength.shape)
    except ValueError as error:
        raise InputError("noise does not fit the volume", received=f"{level.shape} for {strength.shape}") from error
    if (level < 0).any():
        raise InputError("noise must not be negative", received=float(np.nanmin(level)))
    power: npt.NDArray[np.float64] = np.sqrt(np.maximum(strength**2 - level**2, 0.0))
    return power
