"""Leave-one-out cross-validation of kriging, in closed form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat.covariance import VariogramModel
from yewline.geostat.drift import Drift
from yewline.geostat.kriging_system import check_readings, factorise

__all__ = ["CrossValidation", "cross_validate"]

Array = npt.NDArray[np.float64]

_LEFT: Final = 1e-10


@dataclass(frozen=True, slots=True)
class CrossValidation:
    """Each reading predicted from all others.

    Attributes
    ----------
    prediction : (R,) what the others say that the reading is.
    sd : (R,) standard deviation of the reading about it: the kriging variance there and the reading's own error.
    standardised : (R,) (reading − prediction) / sd. Mean near 0 and variance near 1 where the model fits the readings.
    """

    prediction: Array
    sd: Array
    standardised: Array


def cross_validate(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
    drift: Drift | None = None,
) -> CrossValidation:
    """Predict each reading from all others, without solving for each.

    Parameters
    ----------
    xy, values, model, error_sd : as in `krige`.
    drift : what the mean follows, at the readings.

    Raises
    ------
    InputError : as in `krige`; there are too few readings; or without one of them the drift is not fixed.

    Notes
    -----
    With K the readings' covariance, nugget and errors included, F the columns of the mean and
    P = K⁻¹ − K⁻¹F(FᵀK⁻¹F)⁻¹FᵀK⁻¹, reading i less its prediction is (Pz)ᵢ/Pᵢᵢ and the variance of that 1/Pᵢᵢ. The mean's
    coefficients are estimated anew without each reading; the variogram is not.

    References
    ----------
    Dubrule 1983, Mathematical Geology 15(6):687-699.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> out = cross_validate([[0, 0], [4, 0], [8, 0]], [1.0, 2.5, 3.0], model=model)
    >>> out.prediction.round(3).tolist(), out.sd.round(3).tolist()
    ([2.675, 2.0, 1.976], [1.108, 0.971, 1.108])
    """
    z = check_array(values, "values", ndim=1)
    readings = check_readings(xy, len(z), model=model, error_sd=error_sd, drift=drift)
    needed = readings.design.shape[1] + 1
    if len(z) < needed:
        raise InputError(f"leaving one reading out needs at least {needed} readings with this mean", received=len(z))
    system = factorise(readings, model)
    white = system.whiten(z)
    residual = system.inverse.T @ (white - system.basis @ (system.basis.T @ white))
    whole = np.einsum("ij,ij->j", system.inverse, system.inverse)
    explained = system.inverse.T @ system.basis
    precision = whole - np.einsum("ij,ij->i", explained, explained)
    lone = np.flatnonzero(precision <= _LEFT * whole)
    if len(lone):
        x, y = readings.xy[lone[0]]
        raise InputError(
            "without one of the readings the others do not fix the drift",
            received=f"the reading at ({x:g}, {y:g})",
            do="leave out part of the drift, or take more readings",
        )
    error = residual / precision
    sd = 1.0 / np.sqrt(precision)
    return CrossValidation(z - error, sd, error / sd)
