"""Attributes of a volume: what else than its strength tells a cell of ground from those around it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import uniform_filter, uniform_filter1d

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.model import VolumeGrid
from yewline.volume.median_around import median_around

__all__ = ["volume_energy", "volume_quietness", "volume_similarity", "volume_truncation"]

Array = npt.NDArray[np.float64]
Strength = npt.NDArray[np.float32]

_LEAST_SHARE: Final = 0.5
"""Share of a window that must hold data."""
_HIGHEST_DB: Final = 30.0
_NOISE_TWICE: Final = 2.0
"""Columns with nothing in common leave more than twice their due in one window of a few bins out of ten."""


def volume_energy(volume: xr.Dataset, *, window_m: float = 0.2) -> Strength:
    """Energy: mean square of strength over a window of depth.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, and the attribute `grid`.
    window_m : of depth, about each cell.

    Returns
    -------
    (Z, Y, X) float32; NaN where the strength is, or where less than half of the window holds data.

    Raises
    ------
    InputError : no strength or no grid, or a length that is not positive.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=1, ny=1, depth_step_m=0.1, nz=5)
    >>> strength = np.array([0, 0, 3, 0, 0], np.float32).reshape(5, 1, 1)
    >>> volume = make_volume(grid, strength=strength, coverage=strength >= 0, depth_error=strength)
    >>> volume_energy(volume, window_m=0.3).ravel().tolist()
    [0.0, 3.0, 3.0, 3.0, 0.0]
    """
    grid, strength = _of(volume)
    mean = _mean(strength**2, (_cells(window_m, "window_m", grid.depth_step_m), 1, 1))
    return np.where(np.isfinite(strength), mean, np.nan).astype(np.float32)


def volume_quietness(
    volume: xr.Dataset, *, side_m: float = 0.75, window_m: float = 0.3, around_m: float = 6.0
) -> tuple[Strength, npt.NDArray[np.bool_]]:
    """Quietness: how far the ground lies below what is usual around it at its depth, and where that means something.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, and the attribute `grid`.
    side_m, window_m : of the block about each cell over which the level is taken, along x and y, and in depth.
    around_m : side of the square over which the usual level is: at least three times that of what is looked for.

    Returns
    -------
    (Z, Y, X) float32, dB below the surroundings, from 0 to 30; NaN where the strength is. And (Z, Y, X) bool, true
        where the level is lower than that of all but two in a thousand places of alike ground.

    Raises
    ------
    InputError : no strength or no grid, or surroundings that are not wider than the block.

    Notes
    -----
    With L the logarithm of the root mean square over the block, M its median over the square and D the median of
    |L − M| there, the quietness is max(0, M − L), and significant where M − L > 2.88 · 1.4826 D: the upper 0.2 % of a
    normal distribution. A median holds while less than half of the square is quiet.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=40, ny=40, depth_step_m=0.1, nz=6)
    >>> strength = np.random.default_rng(0).uniform(0.8, 1.2, (6, 40, 40)).astype(np.float32)
    >>> strength[:, 18:22, 16:24] *= 0.1
    >>> volume = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=strength)
    >>> quiet, significant = volume_quietness(volume)
    >>> bool(quiet[3, 20, 20] > 15), bool(significant[3, 20, 20]), bool(significant[3, 5, 5])
    (True, True, False)
    """
    grid, strength = _of(volume)
    side, window = _cells(side_m, "side_m", grid.cell_m), _cells(window_m, "window_m", grid.depth_step_m)
    around = _cells(around_m, "around_m", grid.cell_m)
    if around <= side:
        raise InputError(
            "the surroundings must be wider than what is held against them",
            received=f"{around_m:g} m around {side_m:g} m",
            do="make around_m at least three times side_m",
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.log(np.sqrt(_mean(strength**2, (window, side, side))))
    # Silence is quieter than anything: it counts as the least that is told.
    level = np.where(np.isneginf(level), np.nanmin(level, initial=0.0, where=np.isfinite(level)) - _HIGHEST_DB, level)
    usual = np.stack([median_around(one, around) for one in level])
    spread = np.stack([median_around(np.abs(one - mid), around) for one, mid in zip(level, usual, strict=True)])
    below = np.where(np.isfinite(strength), usual - level, np.nan)
    quiet = np.clip(20.0 / np.log(10.0) * below, 0.0, _HIGHEST_DB)
    with np.errstate(invalid="ignore"):
        significant = below > 2.88 * 1.4826 * np.maximum(spread, 1e-12)
    return quiet.astype(np.float32), significant


def volume_similarity(volume: xr.Dataset, *, reach_m: float = 0.5, window_m: float = 0.4) -> Strength:
    """Similarity: how far the columns about a cell say the same over a window of depth.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, and the attribute `grid`.
    reach_m : columns up to this far to either side, along x and along y, are compared; one cell at least.
    window_m : of depth, about each cell; it should hold three bins or more.

    Returns
    -------
    (Z, Y, X) float32 from 0 to 1: one where all columns are alike but for their level, about one over their number
        where they have nothing in common; NaN where the strength is, or where there are fewer than three columns.

    Raises
    ------
    InputError : no strength or no grid, or a window of fewer than three bins.

    Notes
    -----
    Semblance Σ_z (Σ_c f)² / (N Σ_z Σ_c f²) over the N columns of a cross about the cell, f being ln strength less its
    mean over the window in its own column: strength has one sign only, and without that all columns would be alike.

    References
    ----------
    Neidell & Taner 1971, Geophysics 36:482–497 (semblance; from memory).

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=9, ny=9, depth_step_m=0.1, nz=12)
    >>> layers = np.exp(np.sin(np.arange(12.0))).astype(np.float32)[:, None, None] * np.ones((1, 9, 9), np.float32)
    >>> volume = make_volume(grid, strength=layers, coverage=layers > 0, depth_error=layers)
    >>> volume_similarity(volume)[6, 4, 4].round(3).item()
    1.0
    """
    grid, strength = _of(volume)
    window = _cells(window_m, "window_m", grid.depth_step_m)
    if window < 3:
        raise InputError(
            "a window of three bins or more shows whether columns are alike",
            received=f"{window_m:g} m in bins of {grid.depth_step_m:g} m",
            do="lengthen window_m",
        )
    reach = max(1, round(check_positive(reach_m, "reach_m") / grid.cell_m))
    structure = _structure(strength, window)
    steps = [(0, 0), *((d, 0) for d in _both_sides(reach)), *((0, d) for d in _both_sides(reach))]
    total, square, count = _gathered(structure, steps)
    size = (window, 1, 1)
    of_sum, of_all = _mean(total**2, size), _mean(count * square, size)
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = np.where(of_all > 1e-12, of_sum / of_all, 0.0)
    return np.where(np.isfinite(structure) & (count >= 3), np.clip(alike, 0.0, 1.0), np.nan).astype(np.float32)


def volume_truncation(volume: xr.Dataset, *, side_m: float = 0.75, window_m: float = 0.4) -> Strength:
    """Truncation: where layers of one side of a cell do not go on to its other side.

    High along the edges of a shaft that was cut through level layers, low in it and in the layers.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, and the attribute `grid`.
    side_m : length and width of each side, along x and along y: half a shaft's width or a little more.
    window_m : of depth, about each cell; it should hold three bins or more.

    Returns
    -------
    (Z, Y, X) float32 from 0 to 1; the larger of the two directions. NaN where the strength is.

    Raises
    ------
    InputError : no strength or no grid, or a window of fewer than three bins.

    Notes
    -----
    For each direction |A₁ − A₂|/(A₁ + A₂ + m), each side a patch as wide as it is long. A² is the mean square over the
    window of a side's mean f, which is what `volume_similarity` compares, less what its N columns would leave there had
    they nothing in common: (N⟨⟨f⟩²⟩ − ⟨⟨f²⟩⟩)/(N − 1); it counts as none where ⟨⟨f⟩²⟩ is below twice ⟨⟨f²⟩⟩/N, as nine
    windows of noise out of ten are. m² is the median of ⟨⟨f²⟩⟩/N over the depth, so that the tenth makes little of it.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=24, ny=9, depth_step_m=0.1, nz=12)
    >>> layers = np.exp(np.sin(np.arange(12.0))).astype(np.float32)[:, None, None] * np.ones((1, 9, 24), np.float32)
    >>> layers[:, :, 12:] = 1.0
    >>> volume = make_volume(grid, strength=layers, coverage=layers > 0, depth_error=layers)
    >>> edge = volume_truncation(volume)[6, 4]
    >>> bool(edge[11:13].min() > 0.4), bool(edge[[4, 20]].max() < 0.05)
    (True, True)
    """
    grid, strength = _of(volume)
    window = _cells(window_m, "window_m", grid.depth_step_m)
    if window < 3:
        raise InputError(
            "a window of three bins or more shows where layers end",
            received=f"{window_m:g} m in bins of {grid.depth_step_m:g} m",
            do="lengthen window_m",
        )
    reach = max(2, round(check_positive(side_m, "side_m") / grid.cell_m))
    structure = _structure(strength, window)
    contrast = np.zeros_like(structure)
    wide = range(-(reach // 2), reach // 2 + 1)
    for turned in (False, True):
        patches = [[(s * d, w) for d in range(1, reach + 1) for w in wide] for s in (-1, 1)]
        sides = [_agreed(structure, [(w, d) for d, w in patch] if turned else patch, window) for patch in patches]
        (one, noise_one), (two, noise_two) = sides
        noise = np.array(
            [np.median(n[np.isfinite(n)]) if np.isfinite(n).any() else 0.0 for n in 0.5 * (noise_one + noise_two)]
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            beside = np.abs(one - two) / np.maximum(one + two + noise[:, None, None], 1e-6)
        contrast = np.fmax(contrast, beside)
    return np.where(np.isfinite(structure), contrast, np.nan).astype(np.float32)


def _of(volume: xr.Dataset) -> tuple[VolumeGrid, Array]:
    if "strength" not in volume or "grid" not in volume.attrs:
        raise InputError(
            "an attribute needs a volume with its strength and its grid",
            received=", ".join(map(str, volume.data_vars)) or "nothing",
            do="give the volume as it was made, with its attributes",
        )
    return VolumeGrid.model_validate_json(volume.attrs["grid"]), volume["strength"].values.astype(np.float64)


def _cells(length_m: float, name: str, step_m: float) -> int:
    """Odd number of cells nearest to a length."""
    return max(1, 2 * round(0.5 * (check_positive(length_m, name) / step_m - 1.0)) + 1)


def _mean(values: Array, size: tuple[int, int, int]) -> Array:
    """Mean over a block of what is known; NaN where that is less than half of the block inside the volume."""
    known = np.isfinite(values)
    inside = uniform_filter(np.ones(values.shape), size, mode="constant")
    share = uniform_filter(known.astype(np.float64), size, mode="constant")
    total = uniform_filter(np.where(known, values, 0.0), size, mode="constant")
    enough = share >= _LEAST_SHARE * inside - 1e-9
    return np.where(enough, np.maximum(total, 0.0) / np.where(enough, share, 1.0), np.nan)


def _structure(strength: Array, window: int) -> Array:
    """ln strength less its mean over a window of depth in each column; NaN where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(strength > 0, np.log(strength), np.nan)
    known = np.isfinite(values)
    share = uniform_filter1d(known.astype(np.float64), window, axis=0, mode="constant")
    total = uniform_filter1d(np.where(known, values, 0.0), window, axis=0, mode="constant")
    return np.where(known, values - total / np.maximum(share, 1e-12), np.nan)


def _both_sides(reach: int) -> list[int]:
    return [d for d in range(-reach, reach + 1) if d]


def _moved(values: Array, j: int, i: int) -> Array:
    """What lies j rows and i columns on from each cell; NaN beyond the volume."""
    out = np.full_like(values, np.nan)
    _, ny, nx = values.shape
    here = (slice(None), slice(max(0, -j), ny - max(0, j)), slice(max(0, -i), nx - max(0, i)))
    there = (slice(None), slice(max(0, j), ny + min(0, j)), slice(max(0, i), nx + min(0, i)))
    out[here] = values[there]
    return out


def _agreed(structure: Array, steps: list[tuple[int, int]], window: int) -> tuple[Array, Array]:
    """Amplitude that the columns of one side agree on, and what columns with nothing in common would give."""
    total, square, count = _gathered(structure, steps)
    n = np.maximum(count, 2)
    size = (window, 1, 1)
    of_mean, mean_of = _mean((total / n) ** 2, size), _mean(square / n, size)
    power = (n * of_mean - mean_of) / (n - 1)
    amplitude = np.sqrt(np.where(n * of_mean > _NOISE_TWICE * mean_of, power, 0.0))
    enough = count >= max(2, len(steps) // 2)
    return np.where(enough, amplitude, np.nan), np.where(enough, np.sqrt(mean_of / n), np.nan)


def _gathered(structure: Array, steps: list[tuple[int, int]]) -> tuple[Array, Array, Array]:
    """Sum, sum of squares and number of the columns so many rows and columns on."""
    total, square, count = np.zeros_like(structure), np.zeros_like(structure), np.zeros_like(structure)
    for j, i in steps:
        beside = _moved(structure, j, i)
        known = np.isfinite(beside)
        total += np.where(known, beside, 0.0)
        square += np.where(known, beside, 0.0) ** 2
        count += known
    return total, square, count
