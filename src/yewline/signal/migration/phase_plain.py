"""NumPy twins of `phase_kernels`: what they mean."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["carry_down", "carry_up"]

Real = npt.NDArray[Any]


def _factors(k: Real, squares: Real, omega: Real, step_ns: float, i: int) -> tuple[Real, Real]:
    """(K, W) phase of step i, and which waves travel there."""
    rest = omega[None, :] ** 2 - 0.25 * squares[i] * k[:, None] ** 2
    travels = rest >= 0
    return np.where(travels, np.exp(1j * step_ns * np.sqrt(np.maximum(rest, 0.0))), 0.0), travels


def carry_down(spectrum: Real, k: Real, squares: Real, omega: Real, step_ns: float, image: Real) -> None:
    """As `phase_kernels.carry_down`."""
    field = spectrum.copy()
    for i in range(len(squares)):
        phase, travels = _factors(k, squares, omega, step_ns, i)
        field = np.where(travels, field, 0.0)
        image[:, i] = field.sum(axis=1)
        field = field * phase


def carry_up(image: Real, k: Real, squares: Real, omega: Real, step_ns: float, spectrum: Real) -> None:
    """As `phase_kernels.carry_up`."""
    field = np.zeros_like(spectrum)
    for i in range(len(squares) - 1, -1, -1):
        phase, travels = _factors(k, squares, omega, step_ns, i)
        field = np.where(travels, field * phase.conj() + image[:, i, None], 0.0)
    spectrum[...] = field
