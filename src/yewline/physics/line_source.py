"""Fields of a line current and of a point source in an infinite lossy medium."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import hankel2e

from yewline.errors import InputError
from yewline.physics.medium import AIR, Medium, angular_frequency, wavenumber
from yewline.physics.transfer import apply_transfer
from yewline.units import MU0_H_PER_M

__all__ = ["line_source_field", "line_source_response", "point_source_field", "point_source_response"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


def line_source_field(
    distance_m: npt.ArrayLike,
    *,
    frequency_mhz: npt.ArrayLike,
    medium: Medium = AIR,
    current_a: complex = 1.0,
) -> Complex:
    """Electric field along an endless line current in an infinite medium.

    Parameters
    ----------
    distance_m : any shape, m, > 0.
    frequency_mhz : MHz, that broadcasts with it; may be complex, as in `angular_frequency`.
    medium : the medium.
    current_a : current, A.

    Returns
    -------
    V/m, the shapes broadcast together.

    Raises
    ------
    InputError : a distance that is not positive.

    Notes
    -----
    E = −(ωμ₀I/4) H₀⁽²⁾(kρ), k² = ω²μ₀ε₀ε − jωμ₀σ, time convention e^{+jωt}.

    References
    ----------
    Harrington 1961, Time-Harmonic Electromagnetic Fields, sec. 5-6; Balanis, Advanced Engineering Electromagnetics,
    sec. 11.2.

    Examples
    --------
    >>> line_source_field(0.5, frequency_mhz=400.0, medium=Medium(9.0, 10.0)).round(5).item()
    (-90.79824-92.58385j)
    """
    rho = _distance(distance_m)
    phase = wavenumber(frequency_mhz, medium=medium) * rho
    # The scaled function times the exponential goes to zero far away; the plain one turns into NaN there.
    field = hankel2e(0, phase) * np.exp(-1j * phase)
    return np.asarray(-0.25 * MU0_H_PER_M * current_a * angular_frequency(frequency_mhz) * field)


def line_source_response(
    current_a: npt.ArrayLike,
    *,
    interval_ns: float,
    distance_m: npt.ArrayLike,
    medium: Medium = AIR,
    samples: int | None = None,
) -> Array:
    """Electric field in time of a line current of any pulse, in an infinite medium.

    Parameters
    ----------
    current_a : (S,) current from time 0, A, zero before and after.
    interval_ns : sampling interval, ns; the demand on it is told in `apply_transfer`.
    distance_m : scalar or (P,), m, > 0.
    medium : the medium.
    samples : length of the response; by default S.

    Returns
    -------
    (samples,) or (P, samples) field, V/m, at the pulse's own times. It is causal to the accuracy of the sampling.

    Notes
    -----
    Without loss it is −(μ₀/2π) ∫ I′(t′) / √((t − t′)² − ρ²/v²) dt′; with loss the kernel is multiplied by
    e^{−as} cosh(a√(s² − ρ²/v²)) with s = t − t′ and a = σ/(2ε).

    References
    ----------
    Harrington 1961, sec. 5-6, taken through frequency.

    Examples
    --------
    >>> t = 0.05 * np.arange(400)
    >>> current = (t - 4.0) * np.exp(-((t - 4.0) ** 2))
    >>> field = line_source_response(current, interval_ns=0.05, distance_m=1.5)
    >>> bool(abs(field[t < 5.0]).max() < 1e-3 * abs(field).max())
    True
    """
    rho = _distance(distance_m)
    return apply_transfer(
        current_a,
        interval_ns=interval_ns,
        transfer=lambda f: line_source_field(rho[..., None], frequency_mhz=f, medium=medium),
        samples=samples,
    )


def point_source_field(
    distance_m: npt.ArrayLike,
    *,
    frequency_mhz: npt.ArrayLike,
    medium: Medium = AIR,
    moment_a_m: complex = 1.0,
) -> Complex:
    """Field of the equivalent point source: a short current element without its pattern and near field.

    Parameters
    ----------
    distance_m : any shape, m, > 0.
    frequency_mhz : MHz, that broadcasts with it; may be complex.
    medium : the medium.
    moment_a_m : current times length, A m.

    Notes
    -----
    E = −jωμ₀ I l e^{−jkr} / (4πr): what an element radiates broadside, taken for all directions. The line source is its
    integral along the line: ∫ e^{−jkr}/(4πr) dy = H₀⁽²⁾(kρ)/(4j).

    References
    ----------
    Harrington 1961, sec. 2-9 (radiation terms of the current element).

    Examples
    --------
    >>> abs(point_source_field(1.0, frequency_mhz=400.0)).round(3).item()
    251.327
    """
    r = _distance(distance_m)
    omega = angular_frequency(frequency_mhz)
    wave = np.exp(-1j * wavenumber(frequency_mhz, medium=medium) * r) / (4.0 * np.pi * r)
    return np.asarray(-1j * omega * MU0_H_PER_M * moment_a_m * wave)


def point_source_response(
    moment_a_m: npt.ArrayLike,
    *,
    interval_ns: float,
    distance_m: npt.ArrayLike,
    medium: Medium = AIR,
    samples: int | None = None,
) -> Array:
    """Field in time of the equivalent point source; without loss −μ₀ l I′(t − r/v) / (4πr).

    Parameters
    ----------
    moment_a_m : (S,) current times length from time 0, A m.
    interval_ns, distance_m, medium, samples : as in `line_source_response`.

    Returns
    -------
    (samples,) or (P, samples) field, V/m.

    References
    ----------
    Harrington 1961, sec. 2-9, taken through frequency.

    Examples
    --------
    >>> t = 0.05 * np.arange(400)
    >>> field = point_source_response(np.exp(-((t - 4.0) ** 2)), interval_ns=0.05, distance_m=[1.0, 2.0])
    >>> (abs(field[0]).max() / abs(field[1]).max()).round(2).item()
    2.0
    """
    r = _distance(distance_m)
    return apply_transfer(
        moment_a_m,
        interval_ns=interval_ns,
        transfer=lambda f: point_source_field(r[..., None], frequency_mhz=f, medium=medium),
        samples=samples,
    )


def _distance(distance_m: npt.ArrayLike) -> Array:
    rho = np.asarray(distance_m, dtype=np.float64)
    if not np.all((rho > 0) & np.isfinite(rho)):
        raise InputError(
            "distance_m must be greater than zero",
            received=f"{float(np.nanmin(rho)):g}",
            do="a line source has no finite field on itself",
        )
    return rho
