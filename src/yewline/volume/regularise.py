"""Rows between regular parallel lines by projection onto what a survey of their spacing can hold."""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft2, rfft2
from scipy.ndimage import map_coordinates

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError, YewlineWarning
from yewline.volume.families import NO_FAMILY, axis_of, line_families
from yewline.volume.interpolate import Nodes

__all__ = ["check_aliasing", "fill_rows", "fill_to_cells"]

Array = npt.NDArray[np.float64]
Strength = npt.NDArray[np.float32]

_UNEVEN: Final = 0.1
"""Lines may lie off their even places by this share of the spacing."""
_LEAST: Final = 1e-4
"""The last threshold, beside the largest of the spectrum."""


def check_aliasing(line_spacing_m: float, wavelength_m: float) -> None:
    """Refuse, or warn of, lines too far apart for what lies between them to follow from them.

    Parameters
    ----------
    line_spacing_m : distance between neighbouring lines.
    wavelength_m : the shortest in the ground that is to be kept.

    Raises
    ------
    InputError : lines more than half a wavelength apart.

    Notes
    -----
    Echoes of a slope θ repeat along the ground every λ/(2 sin θ), and a repeat needs two lines: λ/4 holds all slopes,
    λ/2 those up to 30°. Between the two a warning is given.

    Examples
    --------
    >>> check_aliasing(0.05, 0.25)
    """
    spacing, wavelength = check_positive(line_spacing_m, "line_spacing_m"), check_positive(wavelength_m, "wavelength_m")
    if spacing > 0.5 * wavelength:
        raise InputError(
            "the lines are too far apart for what lies between them to follow from them",
            received=f"{spacing:g} m at a wavelength of {wavelength:.3g} m",
            do=f"lay lines {0.25 * wavelength:.2g} m apart, or take another way of interpolation",
        )
    if spacing > 0.25 * wavelength:
        steepest = np.degrees(np.arcsin(0.25 * wavelength / spacing))
        text = (
            f"lines {spacing:g} m apart hold slopes up to {steepest:.0f}° only "
            f"at a wavelength of {wavelength:.3g} m: steeper ones are filled in wrongly"
        )
        warnings.warn(text, YewlineWarning, stacklevel=2)


def fill_rows(
    measured: npt.ArrayLike, *, between: int, tolerance: float = 1e-4, most_rounds: int = 200
) -> tuple[Array, int]:
    """Rows between measured ones, and those of missing lines, by projections onto convex sets.

    Parameters
    ----------
    measured : (L, X) regular lines one below the other; a row of NaN is a line that is missing.
    between : rows that a step from line to line is cut into, 1 or more.
    tolerance : rounds end once no value changes by more than this, beside the largest measured one.
    most_rounds : rounds end here at the latest.

    Returns
    -------
    ((L − 1)·between + 1, X) and the number of rounds. Measured rows are as they were.

    Raises
    ------
    InputError : fewer than three measured rows, a row that is NaN in part, or a value out of range.

    Notes
    -----
    The rows are mirrored at both ends of both axes, so that nothing jumps there. In each round the spectrum keeps what
    is above a threshold, which falls by a constant factor to 10⁻⁴ of the largest, and of wavenumbers across the lines
    only those below one in two spacings: between regular lines all above are aliases, as strong as what they copy. Then
    measured rows are put back.

    References
    ----------
    Abma & Kabir 2006, Geophysics 71(6):E91–E97 (projections with a falling threshold); Papoulis 1975, IEEE Trans.
    Circuits Syst. 22:735–742 (band limit); both from memory.

    Examples
    --------
    >>> y, x = np.arange(9.0)[:, None], np.arange(40.0)
    >>> filled, rounds = fill_rows(2 + np.cos(np.pi * y / 8) * np.sin(x / 5), between=2)
    >>> filled.shape, bool(abs(filled[5, 10] - (2 + np.cos(np.pi * 2.5 / 8) * np.sin(2.0))) < 0.01), rounds < 200
    ((17, 40), True, True)
    """
    lines = check_array(measured, "measured", ndim=2, finite=False)
    step = round(check_in_range(between, "between", 1, 1000))
    check_positive(tolerance, "tolerance")
    rounds = round(check_in_range(most_rounds, "most_rounds", 1, 100_000))
    have = np.isfinite(lines).all(axis=1)
    if have.sum() < 3 or np.isfinite(lines[~have]).any():
        raise InputError(
            "filling between lines needs three whole ones, and the others missing as a whole",
            received=f"{int(have.sum())} whole of {len(lines)}",
        )
    shape = (len(lines) - 1) * step + 1, lines.shape[1]
    known = np.zeros(shape[0], np.bool_)
    known[::step] = have
    rows = np.arange(shape[0])
    # A first guess between measured rows: straight across.
    field = np.column_stack([np.interp(rows, rows[known], column) for column in lines[have].T])
    across = np.abs(np.fft.fftfreq(2 * shape[0]))[:, None] <= 0.5 / step + 1e-12
    largest = float(np.abs(lines[have]).max())
    threshold = _LEAST ** (np.arange(rounds) / max(1, min(rounds, 60) - 1))
    highest = None
    for number in range(rounds):
        spectrum = rfft2(np.block([[field, field[:, ::-1]], [field[::-1], field[::-1, ::-1]]])) * across
        strength = np.abs(spectrum)
        highest = float(strength.max()) if highest is None else highest
        low = max(float(threshold[number]), _LEAST) * highest
        new = irfft2(np.where(strength >= low, spectrum, 0.0), s=(2 * shape[0], 2 * shape[1]))[: shape[0], : shape[1]]
        new[known] = lines[have]
        change = float(np.abs(new - field).max())
        field = new
        if low <= _LEAST * highest and change <= tolerance * largest:
            return field, number + 1
    return field, rounds


def fill_to_cells(nodes: Nodes, x: Array, y: Array, *, line_spacing_m: float) -> Strength:
    """Cells between regular parallel lines by `fill_rows`, depth by depth.

    Parameters
    ----------
    nodes : of parallel lines at even distances, in any direction; lines may be missing.
    x, y : (X,), (Y,) cell centres, m.
    line_spacing_m : distance between neighbouring lines.

    Returns
    -------
    (Z, Y, X) float32, not less than the least of the data and not more than the largest; NaN outside the lines, and at
        depths that not all nodes of the lines that reach them do.

    Raises
    ------
    InputError : lines of two directions, or at uneven distances.
    """
    spacing = check_positive(line_spacing_m, "line_spacing_m")
    ux, uy = _one_direction(nodes)
    along, across = nodes.x * ux + nodes.y * uy, nodes.y * ux - nodes.x * uy
    first = float(across.min())
    number = np.round((across - first) / spacing).astype(np.int64)
    # The places of the lines as they are, not as the first one says: a small error of the spacing must not add up.
    slope, offset = np.polyfit(number, across, 1) if number.max() > 0 else (spacing, first)
    worst = float(np.abs(across - offset - slope * number).max())
    if worst > _UNEVEN * spacing or abs(slope - spacing) > _UNEVEN * spacing:
        raise InputError(
            "filling between lines needs them straight and at even distances",
            received=f"off by up to {worst:.2f} m of a spacing of {spacing:g} m",
            do='take "gaussian" or "natural_neighbour"',
        )
    order = np.lexsort((along, number))
    apart = np.diff(along[order])[np.diff(number[order]) == 0]
    pitch = max(float(np.median(apart[apart > 0])), 0.1 * spacing) if (apart > 0).any() else spacing
    between = max(1, round(spacing / pitch))
    ticks = np.arange(along.min(), along.max() + 0.5 * pitch, pitch)
    xx, yy = np.meshgrid(x, y)
    row = (yy * ux - xx * uy - offset) / slope * between
    column = (xx * ux + yy * uy - ticks[0]) / pitch
    out = np.full((nodes.values.shape[1], len(y), len(x)), np.nan, np.float32)
    for depth, values in enumerate(nodes.values.T.astype(np.float64)):
        lines = np.full((int(number.max()) + 1, len(ticks)), np.nan)
        for k in np.unique(number):
            own = np.flatnonzero(number == k)
            own = own[np.argsort(along[own], kind="stable")]
            if np.isfinite(values[own]).all():
                lines[k] = np.interp(ticks, along[own], values[own])
        if np.isfinite(lines).all(axis=1).sum() < 3:
            continue
        filled, _ = fill_rows(lines, between=between)
        made = map_coordinates(filled, [row, column], order=1, mode="constant", cval=np.nan)
        out[depth] = np.clip(made, np.nanmin(values), np.nanmax(values))
    return out


def _one_direction(nodes: Nodes) -> tuple[float, float]:
    if line_families([nodes]).tolist() == [NO_FAMILY]:
        raise InputError(
            "filling between lines needs them all in one direction", do='take "gaussian" or "natural_neighbour"'
        )
    return axis_of([nodes])
