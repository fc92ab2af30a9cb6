"""Heights of the ground under traces, from points that were levelled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError, cKDTree

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["Heights", "heights_at"]

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of places.

    Attributes
    ----------
    z_m : (T,) height of each place, m.
    beyond : (T,) places outside the points, which take the height of the nearest.
    nearest_m : (T,) distance to the nearest point, m.
    """

    z_m: F64
    beyond: npt.NDArray[np.bool_]
    nearest_m: F64


def heights_at(
    points_x: npt.ArrayLike, points_y: npt.ArrayLike, points_z: npt.ArrayLike, x: npt.ArrayLike, y: npt.ArrayLike
) -> Heights:
    """Heights at places from levelled points: flat triangles between them, the nearest point's height outside.

    Parameters
    ----------
    points_x, points_y, points_z : (P,) levelled points, m; of points at one place the mean counts.
    x, y : (T,) places, m.

    Raises
    ------
    InputError : no points, arrays of different length, or values that are not finite.

    Notes
    -----
    Delaunay's triangulation with a plane on each triangle: a plane is returned as it is. Points that lie in one line,
    or fewer than three, have no triangles: there each place takes the height along the line through them.

    Examples
    --------
    >>> found = heights_at([0, 2, 0], [0, 0, 2], [10.0, 12.0, 10.0], [0.5, 9.0], [0.5, 0.0])
    >>> found.z_m.round(6).tolist(), found.beyond.tolist()
    ([10.5, 12.0], [False, True])
    """
    px, py, pz = (check_array(v, n, ndim=1) for v, n in ((points_x, "x"), (points_y, "y"), (points_z, "z")))
    at = np.column_stack([check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)])
    if not len(px) == len(py) == len(pz) or len(px) == 0:
        raise InputError("heights need points with x, y and z", received=f"{len(px)}, {len(py)}, {len(pz)} values")
    place, number = np.unique(np.column_stack([px, py]), axis=0, return_inverse=True)
    number = number.reshape(-1)
    height = np.bincount(number, pz) / np.bincount(number)
    near, which = cKDTree(place).query(at)
    z = _between(place, height, at)
    beyond = ~np.isfinite(z)
    return Heights(np.where(beyond, height[which], z), beyond, np.asarray(near, np.float64))


def _between(place: F64, height: F64, at: F64) -> F64:
    middle = place.mean(axis=0)
    _, size, axes = np.linalg.svd(place - middle, full_matrices=False)
    if len(place) >= 3 and size[-1] > 1e-6 * size[0]:
        try:
            inside: F64 = LinearNDInterpolator(place - middle, height)(at - middle)
        except QhullError:
            return np.full(len(at), np.nan)
        return inside
    if len(place) < 2:
        return np.full(len(at), np.nan)
    along, mine = (place - middle) @ axes[0], (at - middle) @ axes[0]
    order = np.argsort(along)
    return np.interp(mine, along[order], height[order], left=np.nan, right=np.nan)
