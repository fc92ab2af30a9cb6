"""How waves travel on a Yee grid: the longest time step, the coarsest cell, the wavenumber that the grid gives."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive, check_velocity
from yewline.errors import InputError
from yewline.physics.medium import Medium, wavenumber
from yewline.physics.pulses import ricker_band_mhz
from yewline.physics.waves import plane_wave
from yewline.units import C_M_PER_NS, EPS0_F_PER_M

__all__ = [
    "cells_per_wavelength",
    "courant_limit_ns",
    "largest_cell_m",
    "numerical_phase_velocity",
    "numerical_wavenumber",
]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


def courant_limit_ns(cell_m: float, *, dimensions: int = 2, v_m_per_ns: float = C_M_PER_NS) -> float:
    """Longest stable time step of the Yee scheme on square or cubic cells, ns.

    Parameters
    ----------
    cell_m : cell, m.
    dimensions : 1, 2 or 3.
    v_m_per_ns : fastest velocity in the model, m/ns; in a section with air that of light.

    Notes
    -----
    Δt ≤ Δ / (v √D).

    References
    ----------
    Taflove & Hagness 2005, Computational Electrodynamics, ch. 4.

    Examples
    --------
    >>> [round(1e3 * courant_limit_ns(0.01, dimensions=d), 4) for d in (1, 2, 3)]
    [33.3564, 23.5865, 19.2583]
    """
    if dimensions not in (1, 2, 3):
        raise InputError("dimensions must be 1, 2 or 3", received=dimensions)
    return check_positive(cell_m, "cell_m") / (check_velocity(v_m_per_ns, "v_m_per_ns") * math.sqrt(dimensions))


def cells_per_wavelength(
    cell_m: float, *, frequency_mhz: float, permittivity: npt.ArrayLike, conductivity_ms_per_m: npt.ArrayLike = 0.0
) -> Array:
    """Number of cells in a wavelength in the medium.

    Parameters
    ----------
    cell_m : cell, m.
    frequency_mhz : MHz.
    permittivity, conductivity_ms_per_m : of the medium, any shape; relative, mS/m.

    Examples
    --------
    >>> cells_per_wavelength(0.01, frequency_mhz=400.0, permittivity=9.0).round(3).item()
    24.983
    """
    wave = plane_wave(frequency_mhz, permittivity=permittivity, conductivity_ms_per_m=conductivity_ms_per_m)
    return np.asarray(wave.wavelength_m / check_positive(cell_m, "cell_m"))


def largest_cell_m(
    peak_mhz: float,
    *,
    permittivity: npt.ArrayLike,
    conductivity_ms_per_m: npt.ArrayLike = 0.0,
    cells: float = 10.0,
    level: float = 0.01,
) -> float:
    """Coarsest cell that still has enough cells a wavelength at the upper edge of a Ricker pulse.

    Parameters
    ----------
    peak_mhz : peak frequency of the pulse, MHz.
    permittivity, conductivity_ms_per_m : of all materials, any shape; the shortest wavelength counts.
    cells : cells a wavelength that are wanted there.
    level : share of the peak of the amplitude spectrum that makes the edge; 0.01 is −40 dB, at 2.763757 times the peak.

    Returns
    -------
    Cell, m.

    References
    ----------
    Taflove & Hagness 2005, ch. 4 (ten cells a wavelength: common practice); the edge from Ricker's spectrum.

    Examples
    --------
    >>> round(1e3 * largest_cell_m(400.0, permittivity=[1.0, 25.0]), 2)
    5.42
    """
    edge = ricker_band_mhz(peak_mhz=peak_mhz, level=level)[1]
    wave = plane_wave(edge, permittivity=permittivity, conductivity_ms_per_m=conductivity_ms_per_m)
    return float(np.min(wave.wavelength_m)) / check_positive(cells, "cells")


def numerical_phase_velocity(cells: npt.ArrayLike, *, courant: float, angle_deg: npt.ArrayLike = 0.0) -> Array:
    """Phase velocity on the two-dimensional Yee grid over the true one, without loss.

    Parameters
    ----------
    cells : cells a wavelength, any shape.
    courant : S = vΔt/Δ; at most 1/√2 in two dimensions, 1 in one (angle 0).
    angle_deg : direction of travel from a grid axis, that broadcasts with `cells`.

    Raises
    ------
    InputError : a wave that the grid does not carry.

    Notes
    -----
    [sin(πS/N)/S]² = sin²(K cos φ/2) + sin²(K sin φ/2) is solved for K = kΔ; the ratio is 2π/(NK).

    References
    ----------
    Taflove & Hagness 2005, ch. 4.

    Examples
    --------
    >>> numerical_phase_velocity(20.0, courant=0.5, angle_deg=[0.0, 45.0]).round(6).tolist()
    [0.996892, 0.998968]
    """
    number = np.asarray(cells, dtype=np.float64)
    share = check_in_range(courant, "courant", 1e-6, 1.0)
    # A wavelength of N cells must at least be seen by the sampling; the solver below says whether it travels.
    if not np.all(number > 2):
        raise InputError("a wavelength must be longer than 2 cells", received=f"{float(np.min(number)):g}")
    right = np.asarray((np.sin(np.pi * share / number) / share) ** 2 + 0j)
    numerical = _solve(right, np.asarray(angle_deg, dtype=np.float64), 2.0 * np.pi / number)
    return np.asarray(2.0 * np.pi / (number * numerical.real))


def numerical_wavenumber(
    frequency_mhz: npt.ArrayLike,
    *,
    cell_m: float,
    interval_ns: float,
    medium: Medium,
    angle_deg: npt.ArrayLike = 0.0,
) -> Complex:
    """Wavenumber β − jα of a plane wave on the two-dimensional Yee grid, rad/m.

    Put in place of the true wavenumber in an exact solution, it leaves the errors that are not of the grid's
    dispersion.

    Parameters
    ----------
    frequency_mhz : any shape, MHz.
    cell_m, interval_ns : cell and time step.
    medium : the medium; its conductivity is averaged over the two times that a step joins, as the scheme does.
    angle_deg : direction of travel from a grid axis, that broadcasts with the frequencies.

    Raises
    ------
    InputError : a time step above the Courant limit in that medium, or a wave that the grid does not carry.

    Notes
    -----
    (Δ/cΔt)² ε̃ sin²(ωΔt/2) = sin²(kΔ cos φ/2) + sin²(kΔ sin φ/2) with ε̃ = ε − j(σ/ε₀)(Δt/2) cot(ωΔt/2).

    References
    ----------
    Taflove & Hagness 2005, ch. 4 (without loss); with conductivity, from the update with averaged conduction current.

    Examples
    --------
    >>> k = numerical_wavenumber(400.0, cell_m=0.01, interval_ns=0.02, medium=Medium(9.0, 10.0))
    >>> k.round(3).item()
    (25.222-0.633j)
    """
    cell, step = check_positive(cell_m, "cell_m"), check_positive(interval_ns, "interval_ns")
    speed = C_M_PER_NS / math.sqrt(max(complex(medium.permittivity).real, 1.0))
    limit = courant_limit_ns(cell, v_m_per_ns=speed)
    if step > limit * (1 + 1e-9):
        raise InputError("time step above the Courant limit", received=f"{step:g} ns", do=f"take at most {limit:g} ns")
    true = wavenumber(frequency_mhz, medium=medium)
    half = np.pi * 1e-3 * np.asarray(frequency_mhz, dtype=np.float64) * step
    if np.any(half >= np.pi / 2):
        raise InputError("frequency_mhz must lie below half the sampling rate", do="take a shorter time step")
    conduction = 1e-3 * medium.conductivity_ms_per_m / EPS0_F_PER_M * 0.5e-9 * step / np.tan(half)
    right = np.asarray((medium.permittivity - 1j * conduction) * (cell / (C_M_PER_NS * step) * np.sin(half)) ** 2)
    return np.asarray(_solve(right, np.asarray(angle_deg, dtype=np.float64), true * cell) / cell)


def _solve(right: npt.NDArray[np.complexfloating[Any, Any]], angle_deg: Array, start: npt.ArrayLike) -> Complex:
    """Newton's method from the true wavenumber; the numerical one lies close above it."""
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    shape = np.broadcast_shapes(right.shape, cos.shape, np.shape(start))
    k = np.array(np.broadcast_to(start, shape), dtype=np.complex128)
    for _ in range(60):
        value = np.sin(0.5 * k * cos) ** 2 + np.sin(0.5 * k * sin) ** 2 - right
        slope = 0.5 * (cos * np.sin(k * cos) + sin * np.sin(k * sin))
        step = value / np.where(slope == 0, 1.0, slope)
        # A bounded step keeps a start near the grid's shortest wavelength from leaping to another branch.
        k = k - step / np.maximum(1.0, np.abs(step))
        if np.all(np.abs(step) <= 1e-14 * np.abs(k)):
            break
    left = np.sin(0.5 * k * cos) ** 2 + np.sin(0.5 * k * sin) ** 2
    if not np.allclose(left, right, rtol=1e-11, atol=0.0) or np.any(k.real <= 0) or np.any(k.real > 2 * np.pi):
        raise InputError("the grid carries no wave as short as that", do="take a smaller cell")
    return k
