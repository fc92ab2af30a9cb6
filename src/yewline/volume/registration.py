"""Two visits laid on each other: how far the second's answers lie from the first's, place by place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import uniform_filter

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.model import VolumeGrid

__all__ = ["register_volumes", "same_grid"]

Array = npt.NDArray[np.float64]

_CHANCE: Final = 0.05
"""Over all blocks together."""
_FEWEST_BLOCKS: Final = 4
_LEAST_SHARE: Final = 0.5
"""Share of a block that both visits must have at the best lag."""
_FEWEST_FOR_PLANE: Final = 8
_EULER: Final = 0.5772156649


def register_volumes(first: xr.Dataset, second: xr.Dataset, *, block_m: float = 4.0, most_m: float = 1.0) -> xr.Dataset:
    """Shifts between two visits' volumes in blocks of ground, and a smooth map of them.

    What stays in the ground answers at one place; where a second visit shows it elsewhere, its lines were laid out
    differently, or a wheel ran short. Depths are taken as they are.

    Parameters
    ----------
    first, second : volumes on one grid, (depth, y, x) `strength`.
    block_m : side of a block; blocks overlap by half.
    most_m : largest shift looked for, along x and along y.

    Returns
    -------
    Dataset over block: `block_x`, `block_y` [m] its middle; `shift_x`, `shift_y` [m], what lies at x in the first lies
    at x + shift_x in the second; `correlation` at that shift; `p`, the chance of one so high; `known`; `residual` [m],
    distance of the block's shift from the map. Over (y, x): `map_x`, `map_y` [m], NaN where no shift is known or one of
    the visits has no data. The attribute `sigma_m` is the standard deviation of known residuals per axis.

    Raises
    ------
    InputError : different grids, or a length that cannot be.

    Notes
    -----
    The logarithm of strength, less its mean over a block of ground at each depth, is correlated over the cells that
    both have, all depths of a block together, for all whole-cell shifts; a paraboloid through the peak and its
    neighbours gives the part of a cell. Chance is learnt from the same visits with the second one mirrored (along x,
    along y, and both), whose best correlations mean nothing: a Gumbel distribution with their mean and variance. A
    shift is known where its p, times the number of blocks, is below 0.05, and where it is not at the edge of what was
    looked for. The map is the median of known shifts, or from eight on a plane through them, by bisquare weights. Rows
    of alike graves match themselves one spacing on, so `most_m` should stay below half of that.

    References
    ----------
    Gumbel 1958, Statistics of Extremes (moments of the distribution; from memory).

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=64, ny=48, depth_step_m=0.1, nz=5)
    >>> strength = np.random.default_rng(0).lognormal(size=(5, 48, 64)).astype(np.float32)
    >>> one = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=0 * strength)
    >>> moved = np.roll(strength, 2, axis=2)
    >>> two = make_volume(grid, strength=moved, coverage=moved > 0, depth_error=0 * moved)
    >>> found = register_volumes(one, two)
    >>> bool(found.known.all()), round(float(found.map_x[24, 32]), 3)
    (True, 0.5)
    """
    grid = same_grid(first, second)
    side = max(4, round(check_positive(block_m, "block_m") / grid.cell_m))
    most = max(1, math.ceil(check_positive(most_m, "most_m") / grid.cell_m - 1e-9))
    if 2 * most > side:
        raise InputError(
            "a block must be at least twice as wide as the largest shift",
            received=f"{block_m:g} m for {most_m:g} m",
            do="widen the blocks, or look for smaller shifts",
        )
    if side > min(grid.ny, grid.nx):
        raise InputError(
            "the volumes are smaller than one block",
            received=f"{grid.ny * grid.cell_m:g} by {grid.nx * grid.cell_m:g} m",
            do="give smaller blocks",
        )
    one, two = (_structure(volume["strength"].values, side) for volume in (first, second))
    rows, columns = (_middles(n, side) for n in (grid.ny, grid.nx))
    at = np.meshgrid(rows, columns, indexing="ij")
    shift, peak, inside = _best(one, two, most, side, (rows, columns))
    chance = _chance_of(peak, np.concatenate([_best(one, m, most, side, (rows, columns))[1] for m in _mirrored(two)]))
    known = np.isfinite(peak) & inside & (chance * max(1, int(np.isfinite(peak).sum())) < _CHANCE)
    shift = grid.cell_m * np.where(np.isfinite(peak)[:, None], shift, np.nan)
    middle = np.column_stack([grid.x[at[1].ravel()], grid.y[at[0].ravel()]])
    plane = _smooth(middle[known], shift[known])
    residual = shift - _of_plane(plane, middle)
    both = (np.isfinite(first["strength"].values) & np.isfinite(second["strength"].values)).any(axis=0)
    place = np.column_stack([c.ravel() for c in np.meshgrid(grid.x, grid.y)])
    drawn = np.where(both[..., None], _of_plane(plane, place).reshape(grid.ny, grid.nx, 2), np.nan)
    spread = 1.4826 * float(np.median(np.abs(residual[known]))) if known.any() else math.nan
    metres = {"units": "m"}
    return xr.Dataset(
        {
            "shift_x": ("block", shift[:, 0], metres),
            "shift_y": ("block", shift[:, 1], metres),
            "correlation": ("block", peak),
            "p": ("block", chance),
            "known": ("block", known),
            "residual": ("block", np.hypot(*residual.T), metres),
            "map_x": (("y", "x"), drawn[..., 0], {**metres, "long_name": "shift along x from the first visit"}),
            "map_y": (("y", "x"), drawn[..., 1], {**metres, "long_name": "shift along y from the first visit"}),
        },
        coords={
            "block_x": ("block", middle[:, 0], metres),
            "block_y": ("block", middle[:, 1], metres),
            "y": first["y"],
            "x": first["x"],
        },
        attrs={"sigma_m": spread, "known_share": float(known.mean()), "block_m": side * grid.cell_m},
    )


def same_grid(first: xr.Dataset, second: xr.Dataset) -> VolumeGrid:
    """The grid that two volumes share.

    Raises
    ------
    InputError : they do not share one, or do not say.
    """
    grids = [volume.attrs.get("grid") for volume in (first, second)]
    if None in grids or grids[0] != grids[1]:
        raise InputError(
            "two volumes must lie on one grid to be compared",
            received=" and ".join("none" if grid is None else str(grid) for grid in grids),
            do="make both visits' volumes in one run",
        )
    return VolumeGrid.model_validate_json(str(grids[0]))


def _structure(strength: npt.NDArray[np.float32], side: int) -> Array:
    """ln strength less its mean over the block around, depth by depth; NaN where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(strength > 0, np.log(strength.astype(np.float64)), np.nan)
    known = np.isfinite(values)
    share = uniform_filter(known.astype(np.float64), (0, side, side), mode="constant")
    total = uniform_filter(np.where(known, values, 0.0), (0, side, side), mode="constant")
    return np.where(known, values - total / np.maximum(share, 1e-12), np.nan)


def _mirrored(values: Array) -> Iterator[Array]:
    yield values[:, :, ::-1]
    yield values[:, ::-1]
    yield values[:, ::-1, ::-1]


def _middles(n: int, side: int) -> npt.NDArray[np.int64]:
    count = max(1, 1 + round((n - side) / (0.5 * side)))
    return np.round(np.linspace(side // 2, n - 1 - (side - 1) // 2, count)).astype(np.int64)


def _best(
    one: Array, two: Array, most: int, side: int, blocks: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]
) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
    """Best shift (B, 2) along x and y in cells, its correlation, and whether it lies inside what was looked for."""
    n = 2 * most + 1
    table = np.stack(
        [_correlation(one, two, j, i, side, blocks) for j in range(-most, most + 1) for i in range(-most, most + 1)]
    )
    table = table.reshape(n, n, -1)
    filled = np.where(np.isfinite(table), table, -2.0)
    j, i = np.unravel_index(filled.reshape(n * n, -1).argmax(axis=0), (n, n))
    every = np.arange(table.shape[2])
    peak = np.where(filled[j, i, every] > -2.0, filled[j, i, every], np.nan)
    inside = (j > 0) & (j < n - 1) & (i > 0) & (i < n - 1)
    jj, ii = np.clip(j, 1, n - 2), np.clip(i, 1, n - 2)
    nine = {(v, u): table[jj + v, ii + u, every] for v in (-1, 0, 1) for u in (-1, 0, 1)}
    along, down = _summit(nine)
    shift = np.column_stack([i - most + np.where(inside, along, 0.0), j - most + np.where(inside, down, 0.0)])
    return shift, peak, inside


def _summit(nine: dict[tuple[int, int], Array]) -> tuple[Array, Array]:
    """Top of the paraboloid through three by three values, along x and y in steps from the middle one."""
    slope_x, slope_y = 0.5 * (nine[0, 1] - nine[0, -1]), 0.5 * (nine[1, 0] - nine[-1, 0])
    bend_x, bend_y = (nine[0, 1] + nine[0, -1] - 2 * nine[0, 0], nine[1, 0] + nine[-1, 0] - 2 * nine[0, 0])
    # The twist counts: the peak of one block's ground is rarely as long along x as across.
    twist = 0.25 * (nine[1, 1] + nine[-1, -1] - nine[1, -1] - nine[-1, 1])
    area = bend_x * bend_y - twist**2
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where((bend_x < 0) & (area > 0), (twist * slope_y - bend_y * slope_x) / area, 0.0)
        down = np.where((bend_x < 0) & (area > 0), (twist * slope_x - bend_x * slope_y) / area, 0.0)
    return np.clip(along, -1.0, 1.0), np.clip(down, -1.0, 1.0)


def _correlation(
    one: Array, two: Array, j: int, i: int, side: int, blocks: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]
) -> Array:
    """Correlation of each block with the second visit j rows and i columns on, (B,); NaN where too little is shared."""
    _, ny, nx = one.shape
    here = (slice(None), slice(max(0, -j), ny - max(0, j)), slice(max(0, -i), nx - max(0, i)))
    there = (slice(None), slice(max(0, j), ny + min(0, j)), slice(max(0, i), nx + min(0, i)))
    a, b = one[here], two[there]
    both = np.isfinite(a) & np.isfinite(b)
    a, b = np.where(both, a, 0.0), np.where(both, b, 0.0)
    # All depths of a cell go into one number first: what is left is a map.
    maps = [
        np.einsum("kji,kji->ji", a, b),
        np.einsum("kji,kji->ji", a, a),
        np.einsum("kji,kji->ji", b, b),
        both.mean(axis=0),
    ]
    sums = []
    for values in maps:
        whole = np.zeros((ny, nx))
        whole[here[1:]] = values
        sums.append(uniform_filter(whole, side, mode="constant")[np.ix_(*blocks)].ravel())
    product, power_a, power_b, share = sums
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = product / np.sqrt(power_a * power_b)
    return np.where((share >= _LEAST_SHARE) & (power_a > 0) & (power_b > 0), alike, np.nan)


def _chance_of(peak: Array, null: Array) -> Array:
    """Chance of a peak as high, by a Gumbel distribution with mean and variance of peaks that mean nothing."""
    null = null[np.isfinite(null)]
    if len(null) < 3 * _FEWEST_BLOCKS:
        return np.where(np.isfinite(peak), 1.0, np.nan)
    scale = max(float(null.std()) * math.sqrt(6.0) / math.pi, 1e-9)
    return -np.expm1(-np.exp(-(peak - float(null.mean()) + _EULER * scale) / scale))


def _smooth(places: Array, shifts: Array) -> Array:
    """Coefficients (3, 2) of a plane through shifts, robust against some; of their median where they are few."""
    if len(shifts) == 0:
        return np.full((3, 2), np.nan)
    if len(shifts) < _FEWEST_FOR_PLANE or np.linalg.matrix_rank(_design(places), tol=1e-6) < 3:
        return np.vstack([np.median(shifts, axis=0), np.zeros((2, 2))])
    design, weight = _design(places), np.ones(len(places))
    away = np.hypot(*(shifts - np.median(shifts, axis=0)).T)
    for _ in range(20):
        scale = 6 * 1.4826 * max(float(np.median(away)), 1e-9)
        weight = np.maximum(1e-6, (1 - np.minimum(away / scale, 1.0) ** 2) ** 2)
        root = np.sqrt(weight)[:, None]
        plane = np.linalg.lstsq(design * root, shifts * root, rcond=None)[0]
        away = np.hypot(*(shifts - design @ plane).T)
    return np.asarray(plane)


def _design(places: Array) -> Array:
    return np.column_stack([np.ones(len(places)), places])


def _of_plane(plane: Array, places: Array) -> Any:
    return _design(places) @ plane
