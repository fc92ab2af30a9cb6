"""Where the traces of a line are said to lie, and where the antennas truly were."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import make_interp_spline

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["Places", "along_line", "planned_places", "site_places"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """The traces of one walk along a planned line.

    Attributes
    ----------
    said_m : (T,) distance from where the walk began, as the instrument has it.
    along_m : (T,) where the antennas truly were along the planned line, from the planned line's start.
    across_m : (T,) how far off it, positive to the left of its direction.
    back : whether the line was walked from its far end.
    """

    said_m: Array
    along_m: Array
    across_m: Array
    back: bool = False

    @property
    def heading(self) -> float:
        """1 where the walk follows the planned line's direction, −1 where it comes back."""
        return -1.0 if self.back else 1.0

    def __len__(self) -> int:
        return len(self.said_m)


def planned_places(length_m: float, spacing_m: float, *, back: bool = False) -> Places:
    """A walk as planned: a trace every `spacing_m`, each where it is said to be.

    Examples
    --------
    >>> planned_places(1.0, 0.25, back=True).along_m.tolist()
    [1.0, 0.75, 0.5, 0.25, 0.0]
    """
    length, step = check_positive(length_m, "length_m"), check_positive(spacing_m, "spacing_m")
    # A share of 1e-9 of a step keeps the last trace of a length that is a multiple of the spacing but for rounding.
    said: Array = np.asarray(step * np.arange(int(np.floor(length / step + 1e-9)) + 1), np.float64)
    return Places(said, length - said if back else said.copy(), np.zeros(len(said)), back)


def site_places(places: Places, start: tuple[float, float], end: tuple[float, float]) -> tuple[Array, Array]:
    """Site coordinates x, y (T,) of where the antennas truly were.

    Parameters
    ----------
    places : of a walk along the planned line.
    start, end : of the planned line, m, whichever way it was walked.

    Raises
    ------
    InputError : start and end are one place.

    Examples
    --------
    >>> x, y = site_places(planned_places(2.0, 1.0), (10.0, 5.0), (10.0, 7.0))
    >>> x.tolist(), y.tolist()
    ([10.0, 10.0, 10.0], [5.0, 6.0, 7.0])
    """
    way = np.array(end, dtype=np.float64) - np.array(start, dtype=np.float64)
    length = float(np.hypot(*way))
    if not length > 0:
        raise InputError("the line has no length", received=f"{start} to {end}", do="give two different ends")
    unit = way / length
    x = start[0] + places.along_m * unit[0] - places.across_m * unit[1]
    y = start[1] + places.along_m * unit[1] + places.across_m * unit[0]
    return x, y


def along_line(amplitude: npt.ArrayLike, clean_m: npt.ArrayLike, places: Places) -> Float32:
    """What a walk would have recorded, read out of a clean line by interpolation between its traces.

    A stand-in for simulating every trace at its true place, good where traces lie closer than a quarter of the
    shortest wavelength; departures across the line cannot be had from one line, and are passed over.

    Parameters
    ----------
    amplitude : (N, S) the clean line.
    clean_m : (N,) where its traces lie along the planned line, m, rising.
    places : (T,) of the walk.

    Returns
    -------
    (T, S) float32, by splines of the fifth degree along the line.

    Raises
    ------
    InputError : distances do not rise, are not one a trace, or the walk leaves the clean line.

    Examples
    --------
    >>> ramp = np.arange(11.0)[:, None] * np.ones(3)
    >>> along_line(ramp, 0.1 * np.arange(11), planned_places(1.0, 0.5))[:, 0].round(3).tolist()
    [0.0, 5.0, 10.0]
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    at = check_array(clean_m, "clean_m", ndim=1)
    if len(at) != len(values) or (np.diff(at) <= 0).any():
        raise InputError(
            "clean_m must rise, with one distance for each trace", received=f"{len(at)} for {len(values)} traces"
        )
    low, high = float(places.along_m.min()), float(places.along_m.max())
    if low < at[0] - 1e-9 or high > at[-1] + 1e-9:
        raise InputError(
            "the walk leaves the clean line",
            received=f"{low:.3f} to {high:.3f} m, on a line from {at[0]:.3f} to {at[-1]:.3f} m",
            do=f"simulate the line from {min(low, at[0]):.3f} to {max(high, at[-1]):.3f} m",
        )
    if len(at) == 1:
        return np.repeat(values, len(places), axis=0)
    degree = min(5, len(at) - 1)
    spline = make_interp_spline(at, values.astype(np.float64), k=degree - (degree % 2 == 0), axis=0)
    return np.ascontiguousarray(spline(np.clip(places.along_m, at[0], at[-1])), dtype=np.float32)
