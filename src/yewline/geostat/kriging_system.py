"""The system of equations of kriging: readings, their covariance factorised, and the mean that they follow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.spatial import cKDTree

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat.covariance import VariogramModel
from yewline.geostat.drift import Drift, design_at_readings

__all__ = ["SMALLEST_PIVOT", "KrigingSystem", "Readings", "check_points", "check_readings", "factorise", "indistinct"]

Array = npt.NDArray[np.float64]

SMALLEST_PIVOT: Final = 1e-12
"""Least share of the sill that must be left of a reading's variance once the others are known."""

_BAND: Final = 100


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings that have been checked.

    Attributes
    ----------
    xy : (R, 2) places, m.
    noise : (R,) variance that each has for itself: the nugget and its own error's.
    design : (R, Q) columns that the mean is a combination of; the first is all ones.
    """

    xy: Array
    noise: Array
    design: Array


@dataclass(frozen=True, slots=True)
class KrigingSystem:
    """The readings' covariance K = LLᵀ and their design F, with L⁻¹F = QB.

    Attributes
    ----------
    xy : (R, 2) places, m.
    inverse : (R, R) L⁻¹.
    basis : (R, Q) orthonormal columns Q.
    corner : (Q, Q) B, upper triangular.
    """

    xy: Array
    inverse: Array
    basis: Array
    corner: Array

    def whiten(self, values: Array) -> Array:
        """Values (R, …) as uncorrelated ones of variance one: L⁻¹ times them."""
        white = np.empty_like(values)
        # In bands of rows, each as far as its triangle reaches. SciPy's triangular product would hold up other threads.
        for low in range(0, len(values), _BAND):
            high = min(low + _BAND, len(values))
            np.matmul(self.inverse[low:high, :high], values[:high], out=white[low:high])
        return white

    def at_points(self, design: Array) -> Array:
        """B⁻ᵀf (Q, M) for the design f (M, Q) at points."""
        return np.asarray(solve_triangular(self.corner, design.T, trans="T"))


def check_readings(
    xy: npt.ArrayLike, n: int, *, model: VariogramModel, error_sd: float | npt.ArrayLike, drift: Drift | None
) -> Readings:
    """Readings at `xy` as arrays that fit together, refused where they do not."""
    places = check_points(xy, "xy")
    if len(places) != n:
        raise InputError("there must be one value for each place", received=f"{n} values for {len(places)} places")
    try:
        error = np.asarray(error_sd, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        raise InputError("error_sd must be numbers", received=repr(error_sd)) from fault
    if error.shape not in ((), (n,)):
        raise InputError("error_sd must be one number, or one for each reading", received=f"shape {error.shape}")
    if not (np.isfinite(error).all() and (error >= 0).all()):
        raise InputError("error_sd must be finite and not negative", received=f"{np.min(error):g}")
    return Readings(places, model.nugget + np.broadcast_to(error, n) ** 2, design_at_readings(drift, n))


def check_points(xy: npt.ArrayLike, name: str) -> Array:
    """Points (n, 2), refused when of another shape."""
    places = check_array(xy, name, ndim=2)
    if places.shape[1] != 2:
        raise InputError(f"{name} must be (n, 2) in the order x, y", received=f"shape {places.shape}")
    return places


def factorise(readings: Readings, model: VariogramModel) -> KrigingSystem:
    """Factorise the readings' covariance, refused where they cannot be told apart."""
    n = len(readings.xy)
    covariance = model.covariance(readings.xy, readings.xy)
    covariance[np.diag_indices(n)] += readings.noise
    try:
        factor = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        factor = np.zeros_like(covariance)
    # Rounding can let a singular matrix through with a pivot of nearly nothing.
    if np.diagonal(factor).min() ** 2 < SMALLEST_PIVOT * model.sill:
        raise indistinct(readings.xy)
    inverse = np.ascontiguousarray(solve_triangular(factor, np.eye(n), lower=True))
    basis, corner = np.linalg.qr(inverse @ readings.design)
    return KrigingSystem(readings.xy, inverse, basis, corner)


def indistinct(places: Array) -> InputError:
    """The refusal of readings among which the variogram sees no difference; the nearest two are named."""
    gap = cKDTree(places).query(places, k=2)[0][:, 1]
    x, y = places[int(gap.argmin())]
    return InputError(
        "the readings cannot be told apart by the variogram",
        received=f"two of them {gap.min():g} m apart at ({x:g}, {y:g})",
        do="give the model a nugget or the readings an error, or drop repeated readings",
    )
