"""Compiled phase shift: every wavenumber carried down by one step of vertical time after the other."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._compiled import njit

__all__ = ["carry_down", "carry_down_parallel", "carry_up", "carry_up_parallel"]

Real = npt.NDArray[Any]

_FAST = {"contract", "reassoc", "nsz"}


@njit(cache=True, nogil=True)
def _step(k: float, square: float, omega: Real, step_ns: float, cosine: Real, sine: Real) -> None:
    """e^{jΔτ√(ω² − (vk/2)²)}, nothing where the wave does not travel."""
    lateral = 0.25 * square * k * k
    for w in range(len(omega)):
        rest = omega[w] * omega[w] - lateral
        if rest < 0.0:
            cosine[w], sine[w] = 0.0, 0.0
        else:
            angle = step_ns * np.sqrt(rest)
            cosine[w], sine[w] = np.cos(angle), np.sin(angle)


@njit(cache=True, nogil=True, fastmath=_FAST)
def _sum_and_turn(re: Real, im: Real, cosine: Real, sine: Real) -> complex:
    total_re, total_im = 0.0, 0.0
    for w in range(len(re)):
        a, b = re[w], im[w]
        total_re += a
        total_im += b
        re[w] = a * cosine[w] - b * sine[w]
        im[w] = a * sine[w] + b * cosine[w]
    return complex(total_re, total_im)


@njit(cache=True, nogil=True, fastmath=_FAST)
def _turn_back_and_add(re: Real, im: Real, cosine: Real, sine: Real, value: complex) -> None:
    for w in range(len(re)):
        a, b = re[w], im[w]
        re[w] = a * cosine[w] + b * sine[w] + value.real
        im[w] = b * cosine[w] - a * sine[w] + value.imag


@njit(cache=True, nogil=True)
def _down(row: Real, k: float, squares: Real, omega: Real, step_ns: float, out: Real) -> None:
    n = len(omega)
    re, im = row.real.copy(), row.imag.copy()
    cosine, sine = np.empty(n), np.empty(n)
    known = -1.0
    for i in range(len(squares)):
        if squares[i] != known:
            known = squares[i]
            _step(k, known, omega, step_ns, cosine, sine)
            for w in range(n):
                if cosine[w] == 0.0 and sine[w] == 0.0:
                    re[w], im[w] = 0.0, 0.0
        out[i] = _sum_and_turn(re, im, cosine, sine)


@njit(cache=True, nogil=True)
def _up(row: Real, k: float, squares: Real, omega: Real, step_ns: float, out: Real) -> None:
    n = len(omega)
    re, im = np.zeros(n), np.zeros(n)
    cosine, sine = np.empty(n), np.empty(n)
    known = -1.0
    for i in range(len(squares) - 1, -1, -1):
        if squares[i] != known:
            known = squares[i]
            _step(k, known, omega, step_ns, cosine, sine)
        _turn_back_and_add(re, im, cosine, sine, row[i])
        # What cannot travel here is not heard above either.
        for w in range(n):
            if cosine[w] == 0.0 and sine[w] == 0.0:
                re[w], im[w] = 0.0, 0.0
            else:
                break
    for w in range(n):
        out[w] = complex(re[w], im[w])


@njit(cache=True, nogil=True)
def carry_down(spectrum: Real, k: Real, squares: Real, omega: Real, step_ns: float, image: Real) -> None:
    """image[k, i] = Σ_ω spectrum[k, ω] · Π_{steps above i} e^{jΔτ√(ω² − (vk/2)²)}, one thread.

    Parameters
    ----------
    spectrum : (K, W) over horizontal wavenumber and frequency.
    k, omega : (K,) rad/m and (W,) rad/ns, none negative in omega, rising.
    squares : (S,) mean square of the velocity from each sample of vertical time to the next, m²/ns².
    image : (K, S), written.
    """
    for row in range(len(k)):
        _down(spectrum[row], k[row], squares, omega, step_ns, image[row])


@njit(cache=True, nogil=True, parallel=True)
def carry_down_parallel(spectrum: Real, k: Real, squares: Real, omega: Real, step_ns: float, image: Real) -> None:
    """`carry_down` over all threads."""
    for row in prange(len(k)):
        _down(spectrum[row], k[row], squares, omega, step_ns, image[row])


@njit(cache=True, nogil=True)
def carry_up(image: Real, k: Real, squares: Real, omega: Real, step_ns: float, spectrum: Real) -> None:
    """The conjugate transpose of `carry_down`, one thread; writes `spectrum`."""
    for row in range(len(k)):
        _up(image[row], k[row], squares, omega, step_ns, spectrum[row])


@njit(cache=True, nogil=True, parallel=True)
def carry_up_parallel(image: Real, k: Real, squares: Real, omega: Real, step_ns: float, spectrum: Real) -> None:
    """`carry_up` over all threads."""
    for row in prange(len(k)):
        _up(image[row], k[row], squares, omega, step_ns, spectrum[row])
