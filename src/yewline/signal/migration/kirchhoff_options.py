"""What may be chosen about a diffraction sum, and where its image is wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import get_args

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.migration.layers import Array
from yewline.signal.migration.shaping import Weights

__all__ = ["ImagePlaces", "KirchhoffOptions", "Recording", "places_below_line", "places_in_block"]


@dataclass(frozen=True, slots=True)
class KirchhoffOptions:
    """How a diffraction sum weighs and what it leaves out.

    Attributes
    ----------
    weights : "2d" keeps the amplitude of reflections; "2.5d" also undoes the spreading 1/r of a point antenna, there
        and back, from 1 m on; "3d" sums over an area (over one line: what it adds for each metre across); "none" adds
        samples up as they are.
    aperture_deg : steepest angle from the vertical, seen from the image point, deg; the last fifth of its tangent is
        faded out.
    aperture_m : farthest that an antenna may be away along the surface, m; the last fifth fades out; None is no limit.
    antialias : average traces where the operator is so steep that neighbouring traces would alias.
    finer : samples that traces are brought to for each one recorded; None follows from the antenna.
    threads : "one" where lines run side by side, "all" for one big problem.

    Raises
    ------
    InputError : a choice there is not, or a value out of range.
    """

    weights: Weights = "2d"
    aperture_deg: float = 60.0
    aperture_m: float | None = None
    antialias: bool = True
    finer: int | None = None
    threads: str = "all"

    def __post_init__(self) -> None:
        check_choice(self.weights, "weights", get_args(Weights))
        check_choice(self.threads, "threads", ("one", "all"))
        check_in_range(self.aperture_deg, "aperture_deg", 1.0, 90.0)
        if self.aperture_m is not None:
            check_positive(self.aperture_m, "aperture_m")
        if self.finer is not None:
            check_in_range(self.finer, "finer", 1, 64)

    @property
    def tangent(self) -> float:
        """Of the aperture's angle; 90° is none at all."""
        return 1e12 if self.aperture_deg >= 90.0 else math.tan(math.radians(self.aperture_deg))

    @property
    def reach_m(self) -> float:
        """Of the aperture along the surface, m."""
        return 1e12 if self.aperture_m is None else self.aperture_m


@dataclass(frozen=True, slots=True)
class Recording:
    """Sampling of the traces, the first sample at time zero.

    Attributes
    ----------
    samples : S.
    interval_ns : between them, ns.
    centre_mhz : centre frequency of the antenna, MHz.
    """

    samples: int
    interval_ns: float
    centre_mhz: float

    def __post_init__(self) -> None:
        check_in_range(self.samples, "samples", 1, 10_000_000)
        check_positive(self.interval_ns, "interval_ns")
        check_positive(self.centre_mhz, "centre_mhz")


@dataclass(frozen=True, eq=False)
class ImagePlaces:
    """Points of an image: columns, and depths below each.

    Attributes
    ----------
    column_m : (X, 2) x and y of each column, m.
    depth_m : (X, Z) depth of each point, m, rising down each column.
    shape : of the image, (X, Z) or (Y, X, Z).

    Raises
    ------
    InputError : depths that fall, or shapes that do not fit.
    """

    column_m: Array
    depth_m: Array
    shape: tuple[int, ...]

    def __post_init__(self) -> None:
        column = check_array(self.column_m, "column_m", ndim=2)
        depth = check_array(self.depth_m, "depth_m", ndim=2)
        object.__setattr__(self, "column_m", column)
        object.__setattr__(self, "depth_m", depth)
        if column.shape != (len(depth), 2) or math.prod(self.shape) != depth.size:
            raise InputError(
                "columns, depths and shape of the image do not fit",
                received=f"{column.shape}, {depth.shape}, {self.shape}",
            )
        if (np.diff(depth, axis=1) < 0).any():
            raise InputError("depths of an image must not fall", received=f"a step of {np.diff(depth, axis=1).min():g}")

    @property
    def even_depths(self) -> bool:
        """Whether all columns have the same depths."""
        return bool((self.depth_m == self.depth_m[0]).all())


def places_below_line(
    distance_m: npt.ArrayLike, depth_m: npt.ArrayLike, *, surface_m: npt.ArrayLike | None = None
) -> ImagePlaces:
    """Image points below a line: the same depths below the surface at each distance.

    Parameters
    ----------
    distance_m : (X,) of the columns along the line, m.
    depth_m : (Z,) below the surface, m, rising.
    surface_m : (X,) height of the surface above depth 0 at each column, m; flat if left out.

    Examples
    --------
    >>> places_below_line([0.0, 0.1], [0.5, 1.0]).shape
    (2, 2)
    """
    distance = check_array(distance_m, "distance_m", ndim=1)
    depth = check_array(depth_m, "depth_m", ndim=1)
    height = np.zeros(len(distance)) if surface_m is None else check_array(surface_m, "surface_m", ndim=1)
    if len(height) != len(distance):
        raise InputError("each column needs its height", received=f"{len(height)} for {len(distance)} columns")
    return ImagePlaces(
        np.column_stack([distance, np.zeros(len(distance))]),
        depth[None, :] - height[:, None],
        (len(distance), len(depth)),
    )


def places_in_block(x_m: npt.ArrayLike, y_m: npt.ArrayLike, depth_m: npt.ArrayLike) -> ImagePlaces:
    """Image points of a block (Y, X, Z) on a rectangular grid.

    Examples
    --------
    >>> places_in_block([0.0, 0.1], [0.0, 0.1, 0.2], [0.5]).shape
    (3, 2, 1)
    """
    x, y = check_array(x_m, "x_m", ndim=1), check_array(y_m, "y_m", ndim=1)
    depth = check_array(depth_m, "depth_m", ndim=1)
    yy, xx = np.meshgrid(y, x, indexing="ij")
    column = np.column_stack([xx.ravel(), yy.ravel()])
    return ImagePlaces(column, np.tile(depth, (len(column), 1)), (len(y), len(x), len(depth)))
