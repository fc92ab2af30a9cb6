"""Interval velocities between reflections from their root-mean-square velocities, with errors carried through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError
from yewline.units import C_M_PER_NS

__all__ = ["IntervalVelocities", "dix_velocities"]

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class IntervalVelocities:
    """Velocities of the layers between reflections, from the surface down.

    Attributes
    ----------
    v_m_per_ns : (n,) velocity of each layer; NaN where the times and velocities contradict one another.
    sigma_m_per_ns : (n,) its standard deviation.
    thickness_m, sigma_thickness_m : (n,) of each layer.
    depth_m, sigma_depth_m : (n,) of each layer's base.
    impossible : numbers of the layers, from 0, whose velocity is none that ground can have.
    """

    v_m_per_ns: F64
    sigma_m_per_ns: F64
    thickness_m: F64
    sigma_thickness_m: F64
    depth_m: F64
    sigma_depth_m: F64
    impossible: tuple[int, ...]


def dix_velocities(
    t0_ns: npt.ArrayLike,
    v_m_per_ns: npt.ArrayLike,
    *,
    sigma_t0_ns: npt.ArrayLike | None = None,
    sigma_v_m_per_ns: npt.ArrayLike | None = None,
    covariances: npt.ArrayLike | None = None,
) -> IntervalVelocities:
    """Interval velocities by Dix's formula.

    Parameters
    ----------
    t0_ns : (n,) times of the reflections at no offset, increasing, ns.
    v_m_per_ns : (n,) their root-mean-square velocities, m/ns.
    sigma_t0_ns, sigma_v_m_per_ns : (n,) standard deviations; left out, 0.
    covariances : (n, 2, 2) of t0 and v of each reflection, in place of the standard deviations.

    Returns
    -------
    IntervalVelocities

    Raises
    ------
    InputError : arrays that do not fit, times that do not increase, velocities that cannot be.

    Notes
    -----
    v_int² = (v₂²t₂ − v₁²t₁)/(t₂ − t₁); the first layer has its reflection's own. Errors of different reflections are
    taken as independent and carried through by the formula's derivatives; neighbouring layers share a reflection, so
    their errors are tied, which the depths have. Thin layers between uncertain reflections get large errors, as they
    should.

    References
    ----------
    Dix 1955, Geophysics 20:68–86.

    Examples
    --------
    >>> dix_velocities([20.0, 40.0], [0.12, 0.10]).v_m_per_ns.round(7).tolist()
    [0.12, 0.0748331]
    """
    t, v = check_array(t0_ns, "t0_ns", ndim=1), check_array(v_m_per_ns, "v_m_per_ns", ndim=1)
    if t.shape != v.shape:
        raise InputError("each reflection has a time and a velocity", received=f"{len(t)} and {len(v)}")
    if not (t > 0).all() or (np.diff(t) <= 0).any():
        raise InputError("times of reflections must increase from above 0", received=t.tolist()[:8])
    if not ((v > 0) & (v <= C_M_PER_NS * (1 + 1e-9))).all():
        raise InputError("velocity above that of light or not positive", received=v.tolist()[:8])
    errors = _errors(len(t), sigma_t0_ns, sigma_v_m_per_ns, covariances)
    path = np.diff(v**2 * t, prepend=0.0)
    span = np.diff(t, prepend=0.0)
    square = path / span
    possible = square > 0
    interval = np.sqrt(np.where(possible, square, np.nan))
    n = len(t)
    # Derivatives of v_int by (t, v) of the reflections above and below, (n, n, 2).
    slope = np.zeros((n, n, 2))
    for k in range(n):
        for j, sign in ((k, 1.0), (k - 1, -1.0)):
            if j >= 0:
                slope[k, j, 0] = sign * (v[j] ** 2 - square[k]) / (2.0 * interval[k] * span[k])
                slope[k, j, 1] = sign * v[j] * t[j] / (interval[k] * span[k])
    thick = 0.5 * interval * span
    by_thick = 0.5 * slope * span[:, None, None]
    for k in range(n):
        by_thick[k, k, 0] += 0.5 * interval[k]
        if k > 0:
            by_thick[k, k - 1, 0] -= 0.5 * interval[k]
    depth, by_depth = np.cumsum(thick), np.cumsum(by_thick, axis=0)
    too_fast = interval > C_M_PER_NS * (1 + 1e-9)
    return IntervalVelocities(
        interval,
        _sigma(slope, errors),
        thick,
        _sigma(by_thick, errors),
        depth,
        _sigma(by_depth, errors),
        tuple(np.nonzero(~possible | too_fast)[0].tolist()),
    )


def _errors(
    n: int, sigma_t: npt.ArrayLike | None, sigma_v: npt.ArrayLike | None, covariances: npt.ArrayLike | None
) -> F64:
    if covariances is not None:
        given = check_array(covariances, "covariances", ndim=3)
        if given.shape != (n, 2, 2):
            raise InputError("covariances must be (n, 2, 2)", received=f"{given.shape} for {n} reflections")
        return given
    errors = np.zeros((n, 2, 2))
    for k, (name, sigma) in enumerate((("sigma_t0_ns", sigma_t), ("sigma_v_m_per_ns", sigma_v))):
        if sigma is not None:
            values = check_array(sigma, name, ndim=1)
            if len(values) != n or (values < 0).any():
                raise InputError(
                    f"{name} must be one value of 0 or more for each reflection", received=values.tolist()[:8]
                )
            errors[:, k, k] = values**2
    return errors


def _sigma(slope: F64, errors: F64) -> F64:
    return np.asarray(np.sqrt(np.maximum(np.einsum("kja,jab,kjb->k", slope, errors, slope), 0.0)))
