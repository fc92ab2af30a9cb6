"""Bessel functions of all orders at once, as mantissa and logarithm, so that neither overflows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import hankel2e, jve

__all__ = ["Orders", "bessel_j_orders", "hankel2_orders"]

Complex = npt.NDArray[np.complex128]

SAFE = 1e150
"""Scaled values beyond this (or below its inverse) are carried on as logarithms."""


@dataclass(frozen=True, slots=True)
class Orders:
    """Values and derivatives of orders 0 to N: ``value * exp(log)`` and ``slope * exp(log)``, shape (N + 1, ...).

    Attributes
    ----------
    value, slope : mantissas of the function and of its derivative by its argument.
    log : complex logarithm of their common scale.
    """

    value: Complex
    slope: Complex
    log: Complex


def bessel_j_orders(highest: int, x: npt.ArrayLike) -> Orders:
    """Bessel functions J of orders 0 to `highest`.

    Parameters
    ----------
    highest : N ≥ 1.
    x : any shape, complex.

    Notes
    -----
    Orders far above |x|, too small for a number in the machine, follow from ratios J_n/J_{n−1} = 1/(2n/x − J_{n+1}/J_n)
    run downward, the direction in which J is stable.

    References
    ----------
    Abramowitz & Stegun 1964, sec. 9.12 (recurrence downward).

    Examples
    --------
    >>> j = bessel_j_orders(2, 1.0)
    >>> (j.value * np.exp(j.log)).real.round(7).tolist()
    [0.7651977, 0.4400506, 0.1149035]
    """
    z = _nonzero(x)
    order = _order(highest, z)
    value = np.asarray(jve(order, z), dtype=np.complex128)
    small = (np.abs(value) < 1.0 / SAFE) & (order > np.abs(z))
    log = np.broadcast_to(np.abs(z.imag) + 0j, value.shape).copy()
    if small.any():
        # At the start above, the ratio is wrong by little, and each step down shrinks the error by (x/2n)².
        ratios = np.empty_like(value)
        ratio = np.zeros_like(z)
        for n in range(highest + 60, 0, -1):
            ratio = 1.0 / (2.0 * n / z - ratio)
            if n <= highest:
                ratios[n] = ratio
        _continue(value, log, small, ratios)
    return _with_slopes(value, log, z)


def hankel2_orders(highest: int, x: npt.ArrayLike) -> Orders:
    """Hankel functions H⁽²⁾ of orders 0 to `highest`.

    Parameters
    ----------
    highest : N ≥ 1.
    x : any shape, complex, imaginary part ≤ 0, not zero.

    Notes
    -----
    Orders far above |x|, too large for a number in the machine, follow from ratios H_{n+1}/H_n = 2n/x − H_{n−1}/H_n run
    upward, the direction in which H is stable.

    References
    ----------
    Abramowitz & Stegun 1964, sec. 9.1.27 (recurrence).

    Examples
    --------
    >>> h = hankel2_orders(1, 1.0)
    >>> (h.value * np.exp(h.log)).round(7).tolist()
    [(0.7651977-0.088257j), (0.4400506+0.7812128j)]
    """
    z = _nonzero(x)
    order = _order(highest, z)
    value = np.asarray(hankel2e(order, z), dtype=np.complex128)
    large = ~np.isfinite(value) | (np.abs(value) > SAFE)
    log = np.broadcast_to(-1j * z, value.shape).copy()
    if large[1:].any():
        ratios = np.empty_like(value)
        ratios[1] = value[1] / value[0]
        for n in range(1, highest):
            ratios[n + 1] = 2.0 * n / z - 1.0 / ratios[n]
        _continue(value, log, large, ratios)
    return _with_slopes(value, log, z)


def _nonzero(x: npt.ArrayLike) -> Complex:
    z = np.asarray(x, dtype=np.complex128)
    return np.where(z == 0, 1e-200, z)


def _order(highest: int, z: Complex) -> npt.NDArray[np.float64]:
    return np.arange(highest + 1, dtype=np.float64).reshape(-1, *([1] * z.ndim))


def _continue(value: Complex, log: Complex, beyond: npt.NDArray[np.bool_], ratios: Complex) -> None:
    """Carry the orders `beyond` on as logarithms, in place."""
    for n in range(1, len(value)):
        at = beyond[n]
        if at.any():
            log[n, at] = log[n - 1, at] + np.log(value[n - 1, at]) + np.log(ratios[n, at])
            value[n, at] = 1.0


def _with_slopes(value: Complex, log: Complex, z: Complex) -> Orders:
    slope = np.empty_like(value)
    slope[0] = -value[1] * np.exp(log[1] - log[0])
    order = _order(len(value) - 1, z)[1:]
    slope[1:] = value[:-1] * np.exp(log[:-1] - log[1:]) - order / z * value[1:]
    return Orders(value, slope, log)
