"""Quadrature over all horizontal wavenumbers, on a path that keeps away from branch points and poles."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError

__all__ = ["SpectralPath", "spectral_path"]

Complex = npt.NDArray[np.complex128]

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(16)
MOST_NODES = 2_000_000


@dataclass(frozen=True, slots=True)
class SpectralPath:
    """Nodes kₓ (N,), rad/m, and weights (N,) such that Σ weights · f(kₓ) is ∫ f(kₓ) e^{−jkₓx} dkₓ for even f."""

    nodes: Complex
    weights: Complex


def spectral_path(wavenumbers: npt.ArrayLike, *, x_m: float, height_m: float, density: float = 1.0) -> SpectralPath:
    """Path for an integrand f(kₓ) = g(kₓ) e^{−jk_z H}, even, g of algebraic growth.

    Parameters
    ----------
    wavenumbers : (M,) of the media, rad/m, imaginary parts ≤ 0: where the branch points and poles lie.
    x_m : horizontal distance, m.
    height_m : sum H ≥ 0 of the vertical distances that the waves travel, m.
    density : multiplies the number of nodes, for tests of convergence.

    Raises
    ------
    InputError : so long a way, counted in wavelengths, that more than two million nodes would be needed.

    Notes
    -----
    From 0 to 1.5 max |k| the path is half an ellipse in the first quadrant, above all branch points and poles (those of
    media that absorb lie on or below the real axis); its height is at most 3/x, so that cos(kₓx) stays small. Beyond,
    each of the two exponentials in the cosine goes its own way into the half-plane where it decays. The ellipse is
    integrated by 16-point Gauss-Legendre panels, the rest by the double-exponential rule for half-infinite intervals,
    which also serves where H = 0.

    References
    ----------
    Chew 1990, Waves and Fields in Inhomogeneous Media, ch. 2; Takahasi & Mori 1974, Publ. RIMS 9:721-741.

    Examples
    --------
    The cylindrical wave πH₀⁽²⁾(kρ) from its plane waves, e^{−jk_z H}/k_z:

    >>> from scipy.special import hankel2
    >>> path = spectral_path([5.0], x_m=0.3, height_m=0.4)
    >>> kz = np.sqrt(25.0 - path.nodes**2)
    >>> kz = np.where(kz.imag > 0, -kz, kz)
    >>> total = np.sum(path.weights * np.exp(-0.4j * kz) / kz)
    >>> bool(abs(total - np.pi * hankel2(0, 2.5)) < 1e-12)
    True
    """
    k = np.asarray(wavenumbers, dtype=np.complex128)
    x, height, end = abs(float(x_m)), float(height_m), 1.5 * float(np.abs(k).max())
    # Where all media only damp (k nearly imaginary) the real axis itself is free.
    rise = 0.25 * end * float(k.real.max()) / float(np.abs(k).max())
    if x > 0:
        rise = min(rise, 3.0 / x)
    nodes, weights = _ellipse(end, rise, _gap(end, rise, k), x + height, density)
    weights = weights * 2.0 * np.cos(nodes * x)
    parts, part_weights = [nodes], [weights]
    for sign in (-1.0, 1.0):
        tail, tail_weights = _tail(end, x, height, sign, density)
        parts.append(tail)
        part_weights.append(tail_weights * np.exp(sign * 1j * tail * x))
    return SpectralPath(np.concatenate(parts), np.concatenate(part_weights))


def _gap(end: float, rise: float, k: Complex) -> float:
    """Distance from the ellipse to the nearest branch point, in the ellipse's angle: it sets the width of panels."""
    # end/2 (1 − cos θ) + j rise sin θ = ±k is a quadratic in e^{jθ}.
    square, constant = 0.5 * rise - 0.25 * end, -0.25 * end - 0.5 * rise
    linear = 0.5 * end - np.concatenate([k, -k])
    root = np.sqrt(linear**2 - 4.0 * square * constant)
    angle = -1j * np.log(np.concatenate([root - linear, -root - linear]) / (2.0 * square))
    return float(np.abs(angle - np.clip(angle.real, 0.0, math.pi)).min())


def _ellipse(end: float, rise: float, gap: float, way: float, density: float) -> tuple[Complex, Complex]:
    panels = math.ceil(density * (4.0 / gap + 0.25 * end * way + 4.0))
    if panels * GAUSS_NODES.size > MOST_NODES:
        raise InputError(
            "the waves' way is too long for the spectral integral",
            received=f"{0.5 * end * way / math.pi:.3g} wavelengths",
            do="shorten it, lower the frequency, or replace a metal by the image of the source",
        )
    half = 0.5 * math.pi / panels
    middles = (2.0 * np.arange(panels) + 1.0) * half
    angle = (middles[:, None] + half * GAUSS_NODES).ravel()
    nodes = 0.5 * end * (1.0 - np.cos(angle)) + 1j * rise * np.sin(angle)
    slope = 0.5 * end * np.sin(angle) + 1j * rise * np.cos(angle)
    return nodes, slope * np.tile(half * GAUSS_WEIGHTS, panels)


def _tail(end: float, x: float, height: float, sign: float, density: float) -> tuple[Complex, Complex]:
    reach = math.hypot(x, height)
    # kₓ = end + s·turn: along the conjugate of H ∓ jx the wave falls without a turn, but no more than 45° from the real
    # axis, so that waves within layers, which the integrand may hold as well, fall too.
    turn = cmath.exp(1j * sign * min(math.atan2(x, height), 0.25 * math.pi)) if reach > 0 else 1.0 + 0.0j
    scale = min(end, 1.0 / reach) if reach > 0 else end
    step = 0.025 / density
    u = np.arange(-4.0, 4.0, step)
    s = scale * np.exp(0.5 * math.pi * np.sinh(u))
    # Beyond e⁻⁷⁰⁰ the wave is no number any more; without reach only the algebraic decay counts.
    keep = s * reach < 700.0
    s, u = s[keep], u[keep]
    return end + s * turn, turn * step * 0.5 * math.pi * np.cosh(u) * s
