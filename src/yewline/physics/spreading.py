"""Waves of point and line sources in one even medium: what turns the one into the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from yewline.errors import InputError

__all__ = ["line_source_green", "point_over_line", "point_source_green"]

Complex = npt.NDArray[np.complex128]


def point_source_green(wavenumber_rad_per_m: npt.ArrayLike, distance_m: npt.ArrayLike) -> Complex:
    """Green's function of the scalar wave equation for a point source, e^{−jkr} / (4πr).

    Parameters
    ----------
    wavenumber_rad_per_m : k = β − jα, complex, any shape.
    distance_m : that broadcasts with it, > 0.

    Returns
    -------
    1/m. An element of current I and length l has the (scalar, isotropic) field −jωμ0 I l times this.

    Raises
    ------
    InputError : a distance that is not above zero, or a wave that grows with distance (wrong sign of the loss).

    References
    ----------
    Harrington 1961, Time-Harmonic Electromagnetic Fields, section 2-9.

    Examples
    --------
    >>> complex(point_source_green(10.0, 1.0).round(6))
    (-0.066771+0.043292j)
    """
    k, r = _checked(wavenumber_rad_per_m, distance_m)
    return np.asarray(np.exp(-1j * k * r) / (4.0 * np.pi * r))


def line_source_green(wavenumber_rad_per_m: npt.ArrayLike, distance_m: npt.ArrayLike) -> Complex:
    """Green's function of the scalar wave equation for an endless line source, −(j/4) H₀⁽²⁾(kr).

    Parameters
    ----------
    wavenumber_rad_per_m, distance_m : as in `point_source_green`; k = 0 gives infinity.

    Returns
    -------
    No unit. A line of current I has the field −jωμ0 I times this, that is −(ωμ0 I/4) H₀⁽²⁾(kr).

    References
    ----------
    Harrington 1961, Time-Harmonic Electromagnetic Fields, section 5-6.

    Examples
    --------
    >>> complex(line_source_green(10.0, 1.0).round(6))
    (-0.013918+0.061484j)
    """
    k, r = _checked(wavenumber_rad_per_m, distance_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-0.25j * special.hankel2e(0, k * r) * np.exp(-1j * k * r))


def point_over_line(wavenumber_rad_per_m: npt.ArrayLike, distance_m: npt.ArrayLike) -> Complex:
    """What turns the field of a line source into that of a point source at the same distance, exactly.

    Parameters
    ----------
    wavenumber_rad_per_m, distance_m : as in `point_source_green`; k = 0 gives zero.

    Returns
    -------
    1/m: `point_source_green` over `line_source_green`.

    Notes
    -----
    j / (π r H₀⁽²⁾(kr) e^{jkr}), which far off (kr ≫ 1) is √(jk / 2πr) (1 + 1/(8jkr) − …). Loss takes both fields alike,
    so it enters by the root of k only.

    References
    ----------
    Bleistein 1986, Geophysical Prospecting 34:686-703 (the far form, as in-plane propagation in 2.5 dimensions).

    Examples
    --------
    >>> far = np.sqrt(1j * 100.0 / (2 * np.pi))
    >>> complex((point_over_line(100.0, 1.0) / far).round(5))
    (1.00001-0.00125j)
    """
    k, r = _checked(wavenumber_rad_per_m, distance_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1j / (np.pi * r * special.hankel2e(0, k * r))
    return np.asarray(np.where(k == 0, 0.0, ratio))


def _checked(wavenumber: npt.ArrayLike, distance: npt.ArrayLike) -> tuple[Complex, npt.NDArray[np.float64]]:
    k = np.asarray(wavenumber, dtype=np.complex128)
    r = np.asarray(distance, dtype=np.float64)
    if not (r > 0).all():
        raise InputError("distance_m must be greater than zero", received=f"{r[~(r > 0)].flat[0]:g}")
    if (k.imag > 0).any():
        raise InputError(
            "the wave grows with distance",
            received=f"wavenumber {k[k.imag > 0].flat[0]:g}",
            do="give k = β − jα: with e^{+jωt} its imaginary part is zero or negative",
        )
    return k, r
