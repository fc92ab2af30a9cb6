"""Slices: horizontal slabs cut from a volume, all visits at the same depths, each with its error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_finite, check_in_range, check_positive
from yewline.errors import InputError

__all__ = [
    "bin_edges",
    "choose_slice",
    "cut_slices",
    "slab_means",
    "slice_depth_error_m",
    "slice_exactly",
    "slice_label",
    "slice_thickness_m",
]

_COVERED_SHARE: Final = 0.5 - 1e-9
_MHZ_NS: Final = 1e-3


def slice_thickness_m(velocities_m_per_ns: Sequence[float], centre_mhz: Sequence[float]) -> float:
    """Thickness of slices for a set of visits: half the longest wavelength among them.

    Two echoes closer than about a quarter of a wavelength are one, and a slab of half a wavelength holds the whole of a
    pulse's main part; the longest wavelength rules, so that one thickness serves every visit.

    Parameters
    ----------
    velocities_m_per_ns : mean velocity of each visit.
    centre_mhz : centre frequency of each visit's antenna.

    Raises
    ------
    InputError : no visit, lists of different length, or a value that is not positive.

    Notes
    -----
    λ = v/f. Half a wavelength to one wavelength is common practice, no source.

    Examples
    --------
    >>> slice_thickness_m([0.12, 0.08], [400.0, 400.0])
    0.15
    """
    if len(velocities_m_per_ns) != len(centre_mhz) or len(centre_mhz) == 0:
        raise InputError(
            "a slice thickness needs one velocity and one frequency for each visit",
            received=f"{len(velocities_m_per_ns)} and {len(centre_mhz)}",
        )
    return 0.5 * max(
        check_positive(v, "velocity") / (check_positive(f, "centre_mhz") * _MHZ_NS)
        for v, f in zip(velocities_m_per_ns, centre_mhz, strict=True)
    )


def cut_slices(volume: xr.Dataset, *, thickness_m: float, overlap: float = 0.5) -> xr.Dataset:
    """Cut a volume into overlapping slabs from the surface down.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, `coverage`, `depth_error`.
    thickness_m : of each slab; at least one depth bin, at most the whole volume.
    overlap : share of a slab that it has in common with the next, from 0 to 0.95.

    Returns
    -------
    Dataset (slice, y, x): `strength` (NaN where not covered), `coverage`, `depth_error` [m, 90 % half-width]; `top` and
    `base` [m] on slice; `position_sigma` [m] as the volume has it. Depths depend on the volume's, the thickness and the
    overlap alone, so volumes on one grid give the same slices.

    Raises
    ------
    InputError : a thickness or overlap that the volume cannot give.

    Notes
    -----
    Strength is the root mean square over the slab's covered bins, a bin cut by the slab's faces counting by its part
    inside: energy adds, so a thin bright reflector is not drowned by the quiet ground above and below it. A cell is
    covered where at least half of the slab is. The depth error is the mean over the same bins.

    Examples
    --------
    >>> from yewline.model import VolumeGrid, make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=1, ny=1, depth_step_m=0.1, nz=4)
    >>> full = np.ones((4, 1, 1), np.float32)
    >>> volume = make_volume(grid, strength=full, coverage=full > 0, depth_error=0.05 * full)
    >>> slices = cut_slices(volume, thickness_m=0.2)
    >>> slices.top.values.round(3).tolist(), slices.strength.values.ravel().tolist()
    ([0.0, 0.1, 0.2], [1.0, 1.0, 1.0])
    """
    edges = bin_edges(volume)
    thickness = check_positive(thickness_m, "thickness_m")
    share = check_in_range(overlap, "overlap", 0.0, 0.95)
    finest, deepest = float(np.diff(edges).min()), float(edges[-1])
    if thickness < finest - 1e-9 or thickness > deepest + 1e-9:
        raise InputError(
            f"a slice must be between one depth bin ({finest:g} m) and the whole volume ({deepest:g} m) thick",
            received=f"{thickness:g} m",
        )
    step = thickness * (1.0 - share)
    count = math.floor((deepest - thickness) / step + 1e-6) + 1
    tops: npt.NDArray[np.float64] = step * np.arange(count, dtype=np.float64)
    return _cut(volume, edges, tops, tops + thickness, {"thickness_m": thickness, "overlap": share})


def slice_exactly(volume: xr.Dataset, top_m: float, base_m: float) -> xr.Dataset:
    """Cut one slab from exactly `top_m` to `base_m`; shaped as by `cut_slices`, with one slice.

    Raises
    ------
    InputError : the slab does not lie inside the volume.

    Examples
    --------
    >>> from yewline.model import VolumeGrid, make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=1, ny=1, depth_step_m=0.1, nz=4)
    >>> full = np.ones((4, 1, 1), np.float32)
    >>> volume = make_volume(grid, strength=full, coverage=full > 0, depth_error=0.05 * full)
    >>> slice_exactly(volume, 0.15, 0.3).sizes["slice"]
    1
    """
    edges = bin_edges(volume)
    top, base = check_finite(top_m, "top_m"), check_finite(base_m, "base_m")
    if not 0.0 <= top < base <= edges[-1] + 1e-9:
        raise InputError(
            "a slice must lie inside the volume, its top above its base",
            received=f"{top:g} to {base:g} m in 0 to {edges[-1]:g} m",
            do="change the slice, or make the volume deeper",
        )
    return _cut(volume, edges, np.array([top]), np.array([base]), {"thickness_m": base - top, "overlap": 0.0})


def bin_edges(volume: xr.Dataset) -> npt.NDArray[np.float64]:
    """Depths (Z + 1,) between a volume's bins."""
    missing = [name for name in ("strength", "coverage", "depth_error") if name not in volume]
    if missing or volume["strength"].dims != ("depth", "y", "x"):
        raise InputError(
            "a volume needs strength, coverage and depth_error over (depth, y, x)",
            received=f"{', '.join(map(str, volume.data_vars))} over {tuple(volume.sizes)}",
        )
    centre = volume["depth"].values.astype(np.float64)
    # Bins start at the surface and are all as thick as the first, whose centre lies half a bin down.
    return 2.0 * centre[0] * np.arange(len(centre) + 1)


def _cut(
    volume: xr.Dataset,
    edges: npt.NDArray[np.float64],
    tops: npt.NDArray[np.float64],
    bases: npt.NDArray[np.float64],
    attrs: dict[str, float],
) -> xr.Dataset:
    slabs = [slab_means(volume, edges, top, base) for top, base in zip(tops, bases, strict=True)]
    mean_square, mean_error, covered = (np.stack(parts) for parts in zip(*slabs, strict=True))
    dims = ("slice", "y", "x")
    return xr.Dataset(
        {
            "strength": (dims, np.sqrt(mean_square).astype(np.float32), {"units": "1", "measure": "root mean square"}),
            "coverage": (dims, covered),
            "depth_error": (
                dims,
                mean_error.astype(np.float32),
                {"units": "m", "long_name": "half-width of the 90 % interval of depth"},
            ),
            **({"position_sigma": volume["position_sigma"]} if "position_sigma" in volume else {}),
        },
        coords={
            "top": ("slice", tops, {"units": "m", "positive": "down"}),
            "base": ("slice", bases, {"units": "m", "positive": "down"}),
            "y": volume["y"],
            "x": volume["x"],
        },
        attrs={**({"grid": volume.attrs["grid"]} if "grid" in volume.attrs else {}), **attrs},
    )


def slab_means(
    volume: xr.Dataset,
    edges: npt.NDArray[np.float64],
    top_m: float | npt.NDArray[np.float64],
    base_m: float | npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Mean square of strength, mean depth error and coverage (Y, X) between two faces, level ones or (Y, X)."""
    strength, coverage, error = (volume[name].values for name in ("strength", "coverage", "depth_error"))
    power, inside, errors, known = (np.zeros(strength.shape[1:]) for _ in range(4))
    # Bin by bin in a fixed order: the same bytes on every run, and never more than one slab's memory at a time.
    for k in range(len(strength)):
        overlap = np.minimum(edges[k + 1], base_m) - np.maximum(edges[k], top_m)
        part = np.where(overlap > 1e-9, overlap, 0.0)
        if not part.any():
            continue
        use = coverage[k] & np.isfinite(strength[k])
        power += part * np.where(use, strength[k].astype(np.float64), 0.0) ** 2
        inside += part * use
        sure = use & np.isfinite(error[k])
        errors += part * np.where(sure, error[k].astype(np.float64), 0.0)
        known += part * sure
    covered = inside >= _COVERED_SHARE * (base_m - top_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_square = np.where(covered, power / inside, np.nan)
        mean_error = np.where(covered & (known > 0), errors / known, np.nan)
    return mean_square, mean_error, covered


def choose_slice(slices: xr.Dataset, top_base_m: tuple[float, float]) -> int:
    """Index of the slice nearest to a wanted interval: its middle nearest the interval's, then the most alike in
    thickness, then the shallower.

    Examples
    --------
    >>> slices = xr.Dataset(coords={"top": ("slice", [0.0, 0.1, 0.2]), "base": ("slice", [0.2, 0.3, 0.4])})
    >>> choose_slice(slices, (0.12, 0.32))
    1
    """
    top, base = (check_finite(value, "slice") for value in top_base_m)
    if not top < base:
        raise InputError("a slice's top must be above its base", received=f"{top:g} to {base:g} m")
    tops, bases = slices["top"].values, slices["base"].values
    if len(tops) == 0:
        raise InputError("there are no slices to choose from")
    # Rounded to a micrometre, or noise in the last digit would decide between two alike.
    off_middle = np.round(np.abs(tops + bases - top - base), 6)
    off_thickness = np.round(np.abs((bases - tops) - (base - top)), 6)
    return int(np.lexsort((tops, off_thickness, off_middle))[0])


def slice_depth_error_m(slices: xr.Dataset, index: int) -> float:
    """Typical depth error of one slice: the median over its covered cells; NaN where nothing is covered.

    Examples
    --------
    >>> slices = xr.Dataset({"depth_error": (("slice", "y", "x"), [[[0.05, 0.07, np.nan, 0.06]]])})
    >>> slice_depth_error_m(slices, 0)
    0.06
    """
    values = slices["depth_error"].values[index]
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def slice_label(top_m: float, base_m: float, error_m: float = math.nan) -> str:
    """A slice's name for maps: depths and the half-width of their 90 % interval.

    Examples
    --------
    >>> slice_label(0.6, 0.8, 0.07)
    '0.60–0.80 m ± 0.07'
    >>> slice_label(0.6, 0.8)
    '0.60–0.80 m'
    """
    label = f"{top_m:.2f}–{base_m:.2f} m"
    return f"{label} ± {error_m:.2f}" if math.isfinite(error_m) else label
