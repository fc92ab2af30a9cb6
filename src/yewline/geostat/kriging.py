"""Kriging: the best unbiased weighted mean of readings, and how far it may be off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite
from yewline.errors import InputError
from yewline.geostat.blas_threads import one_blas_thread, side_by_side
from yewline.geostat.block_support import covariance_to_blocks, covariance_within_block
from yewline.geostat.covariance import VariogramModel
from yewline.geostat.drift import Drift, design_at_points
from yewline.geostat.kriging_system import KrigingSystem, check_points, check_readings, factorise
from yewline.geostat.near_kriging import krige_from_nearest

__all__ = ["KrigingOptions", "krige", "krige_weights"]

Array = npt.NDArray[np.float64]

# Covariances held at once: 100,000 doubles stay in a core's own cache.
_BLOCK: Final = 100_000
# Multiplications, some hundredths of a second of them.
_WORTH_THREADS: Final = 500_000_000


@dataclass(frozen=True, slots=True)
class KrigingOptions:
    """What `krige` may do beyond ordinary kriging of points from all readings.

    Attributes
    ----------
    drift : what the mean follows besides a constant (universal kriging).
    block_m : side of square cells, along x and y, whose means are estimated in place of the field at their centres, m;
        0 for points.
    nearest : how many of the nearest readings each estimate is made from; None for all. 24 is common practice, no
        source. The map then has small steps where neighbours change.

    Raises
    ------
    InputError : the side is negative or not finite, or `nearest` is not a whole number of at least 1.
    """

    drift: Drift | None = None
    block_m: float = 0.0
    nearest: int | None = None

    def __post_init__(self) -> None:
        if check_finite(self.block_m, "block_m") < 0:
            raise InputError("block_m must not be negative", received=self.block_m)
        if self.nearest is not None and (
            isinstance(self.nearest, bool) or not isinstance(self.nearest, int | np.integer) or self.nearest < 1
        ):
            raise InputError("nearest must be a whole number of at least 1", received=repr(self.nearest))


def krige(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    at: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
    options: KrigingOptions | None = None,
) -> tuple[Array, Array]:
    """Estimate the field at points from scattered readings, with the variance of the estimate.

    Parameters
    ----------
    xy : (R, 2) places of the readings, m. Readings may share a place if there is a nugget or an error.
    values : (R,) readings.
    at : (M, 2) where to estimate, m.
    model : variogram of the true field; with a drift, of what the drift leaves.
    error_sd : standard deviation of the readings' own independent errors; one number, or (R,).
    options : a drift, blocks in place of points, or the nearest readings only.

    Returns
    -------
    estimate, variance : (M,) each. The variance is that of the true field (nugget included, the readings' errors not)
        about the estimate; that the model itself is estimated is not in it. Over blocks it is that of the true mean
        over the block, in which the nugget has averaged out.

    Raises
    ------
    InputError : shapes do not fit, two readings share a place without nugget or error, or the drift is constant or
        repeats itself at the readings, all of them or the nearest.

    Notes
    -----
    With K the covariance of the readings, c that between readings and a point, F the columns of the mean (ones, then
    the drift) at the readings and f at the point, β = (FᵀK⁻¹F)⁻¹FᵀK⁻¹z are the mean's coefficients, the estimate is
    fᵀβ + cᵀK⁻¹(z − Fβ) and the variance C(0) − cᵀK⁻¹c + hᵀ(FᵀK⁻¹F)⁻¹h with h = f − FᵀK⁻¹c, the last term for the error
    of β. K = LLᵀ is factorised once, and L⁻¹F into an orthonormal and a triangular part; points are worked through in
    blocks, so that memory does not grow with their number. For cells c is its mean over the cell and C(0) the mean
    covariance within it. The nugget counts as structure finer than a step: a point on a reading is estimated as its
    near neighbours are, so that a map has no spikes. Without nugget and error the estimate at a reading is the
    reading. A single reading is repeated everywhere, with the variance 2(C(0) − c) that this has.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 12 and 13 (blocks); Cressie 1993,
    Statistics for Spatial Data, §3.2 (readings with errors) and §3.4 (universal kriging).

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> estimate, variance = krige([[0, 0], [8, 0]], [1.0, 3.0], [[0, 0], [4, 0]], model=model)
    >>> estimate.round(9).tolist(), variance.round(3).tolist()
    ([1.0, 2.0], [0.0, 0.943])

    A field that follows elevation is followed beyond the readings:

    >>> height = KrigingOptions(drift=Drift([10.0, 11.0, 12.0], [14.0], names=("elevation",)))
    >>> krige([[0, 0], [4, 0], [8, 0]], [0.1, 0.2, 0.3], [[16, 0]], model=model, options=height)[0].round(9).tolist()
    [0.5]
    """
    how = options or KrigingOptions()
    z = check_array(values, "values", ndim=1)
    readings = check_readings(xy, len(z), model=model, error_sd=error_sd, drift=how.drift)
    points = check_points(at, "at")
    goal = design_at_points(how.drift, len(points))
    prior = covariance_within_block(model, how.block_m) if how.block_m > 0 else model.sill
    if how.nearest is not None and how.nearest < len(z):
        _check_enough(int(how.nearest), readings.design.shape[1])
        scope = (int(how.nearest), how.block_m)
        estimate, variance = krige_from_nearest(readings, z, points, goal, model=model, scope=scope)
        return estimate, np.maximum(variance + prior, 0.0)
    with one_blas_thread():
        system = factorise(readings, model)
        white = system.whiten(z)
        level = system.basis.T @ white
        # What the mean leaves of the readings, and the basis of the mean, meet each block of points in one product.
        rows = np.vstack([white - system.basis @ level, system.basis.T])
        goal = system.at_points(goal)
        estimate, variance = np.empty(len(points)), np.empty(len(points))
        step = max(1, _BLOCK // len(z))

        def work(start: int) -> None:
            block = slice(start, start + step)
            white = system.whiten(_covariance(model, points[block], system, how.block_m))
            met = rows @ white
            estimate[block] = level @ goal[:, block] + met[0]
            short = goal[:, block] - met[1:]
            variance[block] = prior - np.einsum("ij,ij->j", white, white) + np.einsum("ij,ij->j", short, short)

        starts = range(0, len(points), step)
        if len(points) * len(z) ** 2 > _WORTH_THREADS:
            side_by_side(work, starts)
        else:
            for start in starts:
                work(start)
    return estimate, np.maximum(variance, 0.0)


def krige_weights(
    xy: npt.ArrayLike,
    at: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
    options: KrigingOptions | None = None,
) -> tuple[Array, Array]:
    """The weights that `krige` gives to each reading, and the Lagrange multiplier.

    Parameters
    ----------
    xy, at, model, error_sd : as in `krige`.
    options : as in `krige`, from all readings.

    Returns
    -------
    weights : (R, M), each column sums to one and reproduces the drift; weights may be negative.
    lagrange : (M,) the μ of K·w + μ = c, so that the variance is C(0) − wᵀc − μ. With a drift μ is Fλ at the readings,
        and this is fᵀλ at the points.

    Raises
    ------
    InputError : as `krige`; or only the nearest readings are asked for.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> weights, lagrange = krige_weights([[0, 0], [8, 0]], [[4, 0]], model=model)
    >>> weights.round(9).tolist()
    [[0.5], [0.5]]
    """
    how = options or KrigingOptions()
    if how.nearest is not None:
        raise InputError("weights are those of all readings", received=f"nearest = {how.nearest}", do="leave it out")
    places = check_points(xy, "xy")
    readings = check_readings(places, len(places), model=model, error_sd=error_sd, drift=how.drift)
    points = check_points(at, "at")
    system = factorise(readings, model)
    white = system.whiten(_covariance(model, points, system, how.block_m))
    goal = system.at_points(design_at_points(how.drift, len(points)))
    short = goal - system.basis.T @ white
    return system.inverse.T @ (white + system.basis @ short), -np.einsum("ij,ij->j", short, goal)


def _covariance(model: VariogramModel, points: Array, system: KrigingSystem, block_m: float) -> Array:
    """Covariance (R, M) of the readings with points, or with blocks about them."""
    if block_m > 0:
        return covariance_to_blocks(model, points, system.xy, block_m).T
    return model.covariance(system.xy, points)


def _check_enough(nearest: int, columns: int) -> None:
    if nearest < columns:
        raise InputError(
            f"a mean that follows {columns - 1} quantities needs at least {columns} of the nearest readings",
            received=nearest,
            do="use more of them, or leave out part of the drift",
        )
