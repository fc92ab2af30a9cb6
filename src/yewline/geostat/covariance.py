"""Models of spatial correlation, and one meaning of the word "range" for all of them.

Here a range is always the *practical* range: the distance at which the correlation has fallen to 0.05 (exponential,
Gaussian) or to zero (spherical). Libraries mean other things by the same word; `length_scale` converts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_finite, check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["FAMILIES", "VariogramModel", "correlation", "length_scale", "practical_range"]

Array = npt.NDArray[np.float64]

FAMILIES: Final = ("exponential", "gaussian", "spherical")
"""Families of correlation that are known here."""

Convention = Literal["practical", "plain", "gstools", "pykrige"]

# The practical range is this many times the length that a convention calls range or scale.
_TIMES_SCALE: Final[dict[str, dict[str, float]]] = {
    "practical": {"exponential": 1.0, "gaussian": 1.0, "spherical": 1.0},
    "plain": {"exponential": 3.0, "gaussian": math.sqrt(3.0), "spherical": 1.0},
    "gstools": {"exponential": 3.0, "gaussian": math.sqrt(12.0 / math.pi), "spherical": 1.0},
    "pykrige": {"exponential": 1.0, "gaussian": math.sqrt(3.0) * 4.0 / 7.0, "spherical": 1.0},
}


def correlation(distance_over_range: npt.ArrayLike, family: str) -> Array:
    """Correlation at a distance given in units of the practical range.

    Parameters
    ----------
    distance_over_range : any shape, ≥ 0.
    family : one of `FAMILIES`.

    Returns
    -------
    Same shape, from 1 at distance zero towards 0.

    Notes
    -----
    With r the distance over the practical range: exponential e^{−3r}, Gaussian e^{−3r²}, spherical
    1 − 1.5r + 0.5r³ up to r = 1 and 0 beyond.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 16 (the practical range).

    Examples
    --------
    >>> correlation([0.0, 1.0], "exponential").round(4).tolist()
    [1.0, 0.0498]
    """
    check_choice(family, "family", FAMILIES)
    r = np.asarray(distance_over_range, dtype=np.float64)
    if family == "exponential":
        scaled = np.asarray(-3.0 * r)
        return np.exp(scaled, out=scaled)
    if family == "gaussian":
        scaled = np.asarray(-3.0 * r * r)
        return np.exp(scaled, out=scaled)
    inside = np.minimum(r, 1.0)
    return 1.0 - 1.5 * inside + 0.5 * inside**3


def length_scale(range_m: float, family: str, convention: Convention) -> float:
    """The length that another convention writes for a practical range of `range_m`.

    Parameters
    ----------
    range_m : practical range, m.
    family : one of `FAMILIES`.
    convention : "plain" is e^{−h/a} and e^{−(h/a)²}; "gstools" and "pykrige" are those libraries' own.

    Examples
    --------
    >>> length_scale(30.0, "exponential", "plain")
    10.0
    """
    check_choice(family, "family", FAMILIES)
    check_choice(convention, "convention", tuple(_TIMES_SCALE))
    return check_positive(range_m, "range_m") / _TIMES_SCALE[convention][family]


def practical_range(scale_m: float, family: str, convention: Convention) -> float:
    """The practical range of a model that another convention writes with `scale_m`: inverse of `length_scale`.

    Examples
    --------
    >>> practical_range(10.0, "exponential", "gstools")
    30.0
    """
    check_choice(family, "family", FAMILIES)
    check_choice(convention, "convention", tuple(_TIMES_SCALE))
    return check_positive(scale_m, "scale_m") * _TIMES_SCALE[convention][family]


@dataclass(frozen=True, slots=True)
class VariogramModel:
    """How alike two readings are at a distance.

    Attributes
    ----------
    family : one of `FAMILIES`.
    partial_sill : variance that is correlated over distance.
    range_m : practical range along the longest axis, m.
    nugget : variance without correlation over distance (structure finer than the readings lie apart).
    ratio : shortest range over longest, 0 < ratio ≤ 1.
    azimuth_deg : bearing of the longest axis, clockwise from +y.

    Raises
    ------
    InputError : a variance is negative or all are zero, or the range or ratio is out of bounds.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=9.0, range_m=10.0, nugget=1.0)
    >>> model.sill, model.gamma([0.0, 10.0]).round(3).tolist()
    (10.0, [0.0, 9.552])
    """

    family: str
    partial_sill: float
    range_m: float
    nugget: float = 0.0
    ratio: float = 1.0
    azimuth_deg: float = 0.0

    def __post_init__(self) -> None:
        check_choice(self.family, "family", FAMILIES)
        check_positive(self.range_m, "range_m")
        check_in_range(self.ratio, "ratio", 1e-6, 1.0)
        check_finite(self.azimuth_deg, "azimuth_deg")
        for name, value in (("partial_sill", self.partial_sill), ("nugget", self.nugget)):
            if check_finite(value, name) < 0:
                raise InputError(f"{name} must not be negative", received=value)
        if self.sill <= 0:
            raise InputError("the sill must be greater than zero", received=self.sill)

    @property
    def sill(self) -> float:
        """Variance of the field: nugget and partial sill together."""
        return self.nugget + self.partial_sill

    def gamma(self, distance_m: npt.ArrayLike) -> Array:
        """Semivariance at distances along the longest axis; zero at distance zero, the nugget just beyond."""
        h = np.asarray(distance_m, dtype=np.float64)
        rise = self.nugget + self.partial_sill * (1.0 - correlation(h / self.range_m, self.family))
        return np.where(h > 0, rise, 0.0)

    def covariance(self, a: npt.ArrayLike, b: npt.ArrayLike) -> Array:
        """Covariance (n, m) between points a (n, 2) and b (m, 2), without the nugget.

        Parameters
        ----------
        a, b : (n, 2) and (m, 2) points x, y, m.
        """
        p = self.stretched(check_array(a, "a", ndim=2))
        q = self.stretched(check_array(b, "b", ndim=2))
        squared = (p[:, 0, None] - q[None, :, 0]) ** 2
        squared += (p[:, 1, None] - q[None, :, 1]) ** 2
        covariance = correlation(np.sqrt(squared, out=squared), self.family)
        covariance *= self.partial_sill
        return covariance

    def stretched(self, xy: Array) -> Array:
        """Points (n, 2) in axes in which the practical range is one in every direction."""
        if xy.shape[1] != 2:
            raise InputError("points must be (n, 2) in the order x, y", received=f"shape {xy.shape}")
        s, c = math.sin(math.radians(self.azimuth_deg)), math.cos(math.radians(self.azimuth_deg))
        along = (s * xy[:, 0] + c * xy[:, 1]) / self.range_m
        across = (c * xy[:, 0] - s * xy[:, 1]) / (self.range_m * self.ratio)
        return np.column_stack([along, across])
