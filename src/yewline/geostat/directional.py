"""Variograms by direction: whether readings are alike further one way than the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.geostat.variogram import EmpiricalVariogram

__all__ = ["directional_variogram"]


def directional_variogram(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    azimuth_deg: float,
    tolerance_deg: float = 22.5,
    longest_m: float | None = None,
    bins: int = 10,
) -> EmpiricalVariogram:
    """The empirical variogram of pairs that lie in one direction.

    Parameters
    ----------
    xy : (R, 2) places, m.
    values : (R,) readings.
    azimuth_deg : bearing of the pairs, clockwise from +y; the opposite bearing is the same direction.
    tolerance_deg : half the opening angle, above 0 and at most 90, where every pair counts. A pair on the edge counts.
    longest_m : longest distance of a pair that counts; by default half the greatest of all directions.
    bins : number of equal steps.

    Returns
    -------
    Bins that hold pairs. Pairs of readings at one and the same place have no direction and are left out.

    Raises
    ------
    InputError : no pair lies in that direction (readings on one line, say), or shapes that do not fit.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 7.

    Examples
    --------
    >>> corner = [[0, 0], [0, 1], [0, 2], [1, 0], [2, 0]]
    >>> north = directional_variogram(corner, [0.0, 1.0, 2.0, 5.0, 0.0], azimuth_deg=0.0, longest_m=2.5, bins=2)
    >>> north.distance_m.tolist(), north.gamma.tolist(), north.pairs.tolist()
    ([1.0, 2.0], [0.5, 2.0], [2, 1])
    """
    places = check_array(xy, "xy", ndim=2)
    z = check_array(values, "values", ndim=1)
    if places.shape != (len(z), 2):
        raise InputError("there must be one place (x, y) for each value", received=f"{places.shape} for {len(z)}")
    azimuth = np.radians(check_finite(azimuth_deg, "azimuth_deg"))
    tolerance = np.radians(check_in_range(tolerance_deg, "tolerance_deg", 1e-6, 90.0))
    if bins < 1:
        raise InputError("bins must be at least 1", received=bins)
    first, second = np.triu_indices(len(z), k=1)
    east, north = (places[first] - places[second]).T
    distance = np.hypot(east, north)
    if not distance.any():
        raise InputError("all readings lie at one place", do="a variogram needs readings at different places")
    reach = 0.5 * float(distance.max()) if longest_m is None else check_positive(longest_m, "longest_m")
    along = np.abs(east * np.sin(azimuth) + north * np.cos(azimuth))
    across = np.abs(east * np.cos(azimuth) - north * np.sin(azimuth))
    # On a grid many pairs lie on the edge itself, and rounding must not choose among them.
    inside = (np.arctan2(across, along) <= tolerance + 1e-9) & (distance > 0) & (distance < reach)
    if not inside.any():
        raise InputError(
            "no two readings lie in that direction",
            received=f"bearing {azimuth_deg:g} ± {tolerance_deg:g} degrees, up to {reach:g} m",
            do="widen tolerance_deg or longest_m; readings on one line tell of that line only",
        )
    place = (distance[inside] / reach * bins).astype(np.int64)
    pairs = np.bincount(place, minlength=bins)
    half_square = 0.5 * (z[first] - z[second])[inside] ** 2
    held = pairs > 0
    return EmpiricalVariogram(
        np.bincount(place, weights=distance[inside], minlength=bins)[held] / pairs[held],
        np.bincount(place, weights=half_square, minlength=bins)[held] / pairs[held],
        pairs[held],
    )
