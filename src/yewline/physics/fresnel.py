"""Bodies of finite length across a line: which share of the response an end leaves, and when it matters."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from yewline._check import check_positive
from yewline.errors import InputError

__all__ = ["share_beyond_end", "two_fresnel_zones_m"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


def two_fresnel_zones_m(depth_m: npt.ArrayLike, *, wavelength_m: float) -> Array:
    """Length across the line below which a body no longer answers as an endless one.

    Parameters
    ----------
    depth_m : of the body, ≥ 0; any shape.
    wavelength_m : in the soil, at the centre frequency.

    Returns
    -------
    Same shape, m: twice the diameter of the first Fresnel zone, 4 √(λd/2 + λ²/16).

    Notes
    -----
    The first zone is where the way there and back is at most half a wavelength longer than the shortest: its radius
    holds 2 (√(d² + y²) − d) = λ/2. A centred body two zones long still lacks 4 to 7 % of the centre frequency's
    response at each end; what it lacks arrives late, as the answer of the ends.

    Raises
    ------
    InputError : a negative depth, or a wavelength that is not positive.

    References
    ----------
    Sheriff 1980, Geophysics 45:973-977 (zone for the way there and back; formula from memory).

    Examples
    --------
    >>> two_fresnel_zones_m([0.5, 1.5], wavelength_m=0.25).round(2).tolist()
    [1.03, 1.75]
    """
    wavelength = check_positive(wavelength_m, "wavelength_m")
    depth = np.asarray(depth_m, dtype=np.float64)
    if not (np.isfinite(depth) & (depth >= 0)).all():
        raise InputError("depth_m must be finite and not negative", received=f"{depth.min():g}")
    return np.asarray(4.0 * np.sqrt(0.5 * wavelength * depth + wavelength**2 / 16.0))


def share_beyond_end(wavenumber_rad_per_m: npt.ArrayLike, path_m: npt.ArrayLike, end_m: npt.ArrayLike) -> Complex:
    """Share of an endless body's response that comes from beyond a point across the line.

    Parameters
    ----------
    wavenumber_rad_per_m : k = β − jα, complex; its real part above zero.
    path_m : way from transmitter to body to receiver in the plane of the line, > 0, that broadcasts with it.
    end_m : y of the point, the line at 0; that broadcasts too. −∞ gives 1, 0 gives ½, +∞ gives 0.

    Returns
    -------
    Complex, that of all y' > `end_m`. A body from y1 to y2 has the share at y1 less that at y2.

    Raises
    ------
    InputError : a path that is not above zero, a point that is not a number, or a wavenumber with Re k ≤ 0 or
        Im k > 0.

    Notes
    -----
    A thin body along y answers with ∫ e^{−jk(R1+R2)} / (R1 R2) dy, and R1 + R2 = √(L² + 4y²) for equal legs L/2 in the
    plane. With δ = √(L² + 4y²) − L, the way that the end is longer, and q = L / √(L² + 4y²), for y > 0

        share = ½ erfc √(jkδ) + (a − 1) e^{−jkδ} / (2 √(π jkδ)),    a = q √(2q / (1 + q)),

    and 1 less that for −y. The first term is Fresnel's integral with the exact phase; the second gives the answer of
    the end its exact strength, first in 1/k (the uniform expansion of an integral with an end point beside a point
    of stationary phase). For unequal legs the error of δ is (r1 − r2)²/4 r1 r2 of it: antennas 0.16 m apart, at
    most 2.6 % for paths of 1 m, and nothing below their middle.

    References
    ----------
    Bleistein & Handelsman 1986, Asymptotic Expansions of Integrals, section 9.4; Abramowitz & Stegun 1964, 7.3 and
    7.1.3 (Fresnel integrals, w function).

    Examples
    --------
    >>> share_beyond_end(60.0, 2.0, [-np.inf, 0.0, np.inf]).real.tolist()
    [1.0, 0.5, 0.0]
    >>> bool(abs(share_beyond_end(60.0, 2.0, 1.0)) < 0.05)
    True
    """
    k = np.asarray(wavenumber_rad_per_m, dtype=np.complex128)
    path = np.asarray(path_m, dtype=np.float64)
    end = np.asarray(end_m, dtype=np.float64)
    wrong = ~((k.real > 0) & (k.imag <= 0))
    if wrong.any():
        raise InputError(
            "the wavenumber must have a real part above zero and no imaginary part above zero",
            received=f"{k[wrong].flat[0]:g}",
            do="give k = β − jα: with e^{+jωt} a loss is negative",
        )
    if not (path > 0).all():
        raise InputError("path_m must be greater than zero", received=f"{path[~(path > 0)].flat[0]:g}")
    if np.isnan(end).any():
        raise InputError("end_m must be a number or ±inf", received="nan")
    way = np.hypot(path, 2.0 * end)
    q = path / way
    with np.errstate(invalid="ignore"):
        longer = np.where(np.isinf(end), np.inf, 4.0 * end**2 / (way + path))
    beyond = _beyond(k, longer, q * np.sqrt(2.0 * q / (1.0 + q)))
    return np.asarray(np.where(end < 0, 1.0 - beyond, beyond))


def _beyond(k: Complex, longer: Array, strength: Array) -> Complex:
    """The formula of `share_beyond_end` for y ≥ 0; e^{−z²} is drawn out, so that nothing overflows."""
    # The root is taken of each factor: k and the ways are often a column and a row.
    root = np.sqrt(1j * k) * np.sqrt(np.where(np.isfinite(longer), longer, 1.0))
    z = np.where(root == 0, 1.0, root)
    found = np.exp(-(z**2)) * (0.5 * special.wofz(1j * z) + (strength - 1.0) / (2.0 * np.sqrt(np.pi) * z))
    return np.where(longer == 0, 0.5, np.where(np.isinf(longer), 0.0, found))
