"""Drift: what the mean of a field follows, such as elevation or the coordinates themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["Drift", "design_at_points", "design_at_readings", "without_drift"]

Array = npt.NDArray[np.float64]

# Columns this close to a combination of the others leave their coefficients to rounding.
_SAME: Final = 1e-6
_CONSTANT: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Drift:
    """Known quantities that the mean of a field follows by an unknown linear law, on top of a constant.

    Attributes
    ----------
    at_readings : (R, P) values at the readings, or (R,) for a single one. Any units: a column may be metres, another a
        radar amplitude.
    at_points : (M, P) or (M,) the same at the points to estimate; for blocks, their means over each block. Not needed
        where nothing is estimated away from the readings.
    names : P names for messages; "drift 1" and so on if left out.

    Raises
    ------
    InputError : arrays are empty or not finite, or columns and names are not equally many.

    Examples
    --------
    >>> Drift([[10.2, 0.0], [10.9, 4.0], [11.1, 8.0]], [[10.5, 2.0]], names=("elevation", "x")).columns
    ('elevation', 'x')
    """

    at_readings: Array
    at_points: Array | None = None
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        columns = _as_columns(self.at_readings, "the drift at the readings")
        object.__setattr__(self, "at_readings", columns)
        if self.at_points is not None:
            points = _as_columns(self.at_points, "the drift at the points")
            if points.shape[1] != columns.shape[1]:
                raise InputError(
                    "the drift must have as many columns at the points as at the readings",
                    received=f"{points.shape[1]} and {columns.shape[1]}",
                )
            object.__setattr__(self, "at_points", points)
        if self.names and len(self.names) != columns.shape[1]:
            raise InputError(
                "the drift must have one name for each column",
                received=f"{len(self.names)} names for {columns.shape[1]} columns",
            )

    @property
    def columns(self) -> tuple[str, ...]:
        """A name for each column."""
        return tuple(self.names) or tuple(f"drift {i + 1}" for i in range(self.at_readings.shape[1]))


def design_at_readings(drift: Drift | None, n: int) -> Array:
    """The columns (R, 1 + P) of the mean at `n` readings: ones, then the drift less its mean over its deviation.

    Raises
    ------
    InputError : the drift is of another number of readings, one of its columns is constant, columns repeat one another,
        or there are fewer readings than columns.

    Examples
    --------
    >>> design_at_readings(Drift([1.0, 3.0]), 2).tolist()
    [[1.0, -1.0], [1.0, 1.0]]
    """
    if drift is None:
        return np.ones((n, 1))
    if len(drift.at_readings) != n:
        raise InputError(
            "the drift must have one row for each reading",
            received=f"{len(drift.at_readings)} rows for {n} readings",
        )
    names, count = drift.columns, len(drift.columns)
    deviation = drift.at_readings.std(axis=0)
    for name, spread, largest in zip(names, deviation, np.abs(drift.at_readings).max(axis=0), strict=True):
        if spread <= _CONSTANT * largest:
            raise InputError(
                f"{name} is the same at all readings, and so cannot be told from the constant mean",
                received=f"{largest:g} or nearly so everywhere",
                do="leave it out, or take readings where it differs",
            )
    if n < count + 1:
        raise InputError(
            f"a mean that follows {count} quantities needs at least {count + 1} readings",
            received=n,
            do="leave out part of the drift",
        )
    columns = _standardised(drift, drift.at_readings)
    _, sizes, directions = np.linalg.svd(columns[:, 1:], full_matrices=False)
    if sizes[-1] < _SAME * sizes[0]:
        part = [name for name, share in zip(names, directions[-1], strict=True) if abs(share) > 0.1]
        raise InputError(
            f"{' and '.join(part)} say the same at the readings: one follows from the rest",
            received=f"{n} readings",
            do="leave one of them out",
        )
    return columns


def design_at_points(drift: Drift | None, m: int) -> Array:
    """The same columns (M, 1 + P) at `m` points.

    Raises
    ------
    InputError : the drift is not given at the points, or for another number of them.

    Examples
    --------
    >>> design_at_points(Drift([1.0, 3.0], [2.0, 4.0]), 2).tolist()
    [[1.0, 0.0], [1.0, 2.0]]
    """
    if drift is None:
        return np.ones((m, 1))
    if drift.at_points is None:
        raise InputError("the drift has no values at the points", do="give at_points, one row for each point")
    if len(drift.at_points) != m:
        raise InputError(
            "the drift must have one row for each point", received=f"{len(drift.at_points)} rows for {m} points"
        )
    return _standardised(drift, drift.at_points)


def without_drift(values: npt.ArrayLike, drift: Drift) -> Array:
    """What a drift leaves of readings, by ordinary least squares, about their mean: for their variogram.

    Notes
    -----
    Residuals vary a little less than what they stand for, the more so the longer the range is against the ground: a
    variogram of them is on the low side (a known bias of regression kriging).

    Examples
    --------
    >>> without_drift([0.1, 0.2, 0.3, 0.2], Drift([1.0, 2.0, 3.0, 2.0])).round(12).tolist()
    [0.2, 0.2, 0.2, 0.2]
    """
    readings = check_array(values, "values", ndim=1)
    columns = design_at_readings(drift, len(readings))
    found, *_ = np.linalg.lstsq(columns, readings, rcond=None)
    return np.asarray(readings - columns[:, 1:] @ found[1:])


def _standardised(drift: Drift, values: Array) -> Array:
    centre, deviation = drift.at_readings.mean(axis=0), drift.at_readings.std(axis=0)
    return np.column_stack([np.ones(len(values)), (values - centre) / deviation])


def _as_columns(values: npt.ArrayLike, name: str) -> Array:
    array = np.asarray(values)
    return check_array(array[:, None] if array.ndim == 1 else array, name, ndim=2)
