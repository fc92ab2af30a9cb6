"""What a pattern without order gives: expected nearest distances, and how far a pattern departs from them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["ClarkEvans", "clark_evans", "donnelly", "poisson_nearest"]


@dataclass(frozen=True, slots=True)
class ClarkEvans:
    """Observed and expected mean nearest-neighbour distance, their ratio and standard score."""

    observed_m: float
    expected_m: float
    ratio: float
    z: float


def poisson_nearest(intensity_per_m2: float, *, order: int = 1) -> float:
    """Mean distance to the nearest (or k-th nearest) point of a Poisson pattern in the open plane, m.

    Parameters
    ----------
    intensity_per_m2 : points per m².
    order : k.

    Raises
    ------
    InputError : an intensity that is not positive, or an order below one.

    Notes
    -----
    Γ(k + ½)/(Γ(k) √(πλ)); 1/(2√λ) for k = 1.

    References
    ----------
    Clark, P. J. & Evans, F. C. 1954. Ecology 35, 445–453. Diggle, P. J. 2013. Statistical Analysis of Spatial and
    Spatio-Temporal Point Patterns.

    Examples
    --------
    >>> round(poisson_nearest(0.1), 6)
    1.581139
    """
    intensity = check_positive(intensity_per_m2, "intensity_per_m2")
    if order < 1:
        raise InputError("order must be one or more", received=order)
    return math.gamma(order + 0.5) / (math.gamma(order) * math.sqrt(math.pi * intensity))


def donnelly(n: int, area_m2: float, perimeter_m: float) -> tuple[float, float]:
    """Mean nearest-neighbour distance, and its standard error, of n random points in a rectangle with its edge.

    Points near the edge have lost neighbours beyond it, so distances come out longer than in the open plane. Holds
    for convex areas only; for others draw at random in the true area.

    Parameters
    ----------
    n : number of points, at least two.
    area_m2, perimeter_m : of the rectangle.

    Returns
    -------
    (mean, standard error), m

    Raises
    ------
    InputError : fewer than two points, or an area or perimeter that is not positive.

    Notes
    -----
    0.5√(A/n) + (0.0514 + 0.041/√n) P/n and √(0.0703 A/n² + 0.037 P √(A/n⁵)).

    References
    ----------
    Donnelly, K. P. 1978. Simulations to determine the variance and edge effect of total nearest-neighbour distance. In
    Hodder, I. (ed.), Simulation Methods in Archaeology, 91–95.

    Examples
    --------
    >>> mean, error = donnelly(100, 1.0, 4.0)
    >>> round(mean, 5), round(error, 6)
    (0.05222, 0.002917)
    """
    area, perimeter = check_positive(area_m2, "area_m2"), check_positive(perimeter_m, "perimeter_m")
    if n < 2:
        raise InputError("nearest neighbours need at least two points", received=n)
    mean = 0.5 * math.sqrt(area / n) + (0.0514 + 0.041 / math.sqrt(n)) * perimeter / n
    return mean, math.sqrt(0.0703 * area / n**2 + 0.037 * perimeter * math.sqrt(area / n**5))


def clark_evans(points: npt.ArrayLike, *, area_m2: float, perimeter_m: float | None = None) -> ClarkEvans:
    """How much nearer (ratio below one) or farther than at random a pattern's nearest neighbours lie.

    Parameters
    ----------
    points : (n, 2) m.
    area_m2 : of the ground that the pattern was looked for on.
    perimeter_m : with it, Donnelly's correction for the edge; without, the open plane.

    Raises
    ------
    InputError : fewer than two points, or an area that is not positive.

    References
    ----------
    Clark & Evans 1954; Donnelly 1978.

    Examples
    --------
    >>> square = [[0, 0], [1, 0], [0, 1], [1, 1]]
    >>> round(clark_evans(square, area_m2=4.0).ratio, 9)
    2.0
    """
    xy = check_array(points, "points", ndim=2)
    area = check_positive(area_m2, "area_m2")
    n = len(xy)
    if n < 2:
        raise InputError("nearest neighbours need at least two points", received=n)
    observed = float(np.mean(cKDTree(xy).query(xy, k=2)[0][:, 1]))
    if perimeter_m is None:
        expected = poisson_nearest(n / area)
        error = math.sqrt((4.0 - math.pi) / (4.0 * math.pi * n * n / area))
    else:
        expected, error = donnelly(n, area, perimeter_m)
    return ClarkEvans(observed, expected, observed / expected, (observed - expected) / error)
