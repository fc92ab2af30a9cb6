"""Field of a line current above or below flat ground, plain or layered, as a sum of plane waves."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import hankel2e

from yewline._check import check_finite
from yewline.errors import InputError
from yewline.physics.line_source import line_source_field
from yewline.physics.medium import angular_frequency, wavenumber
from yewline.physics.spectral_path import spectral_path
from yewline.physics.stack import Stack, spectral_reflection, spectral_transmission, vertical_wavenumber
from yewline.units import MU0_H_PER_M

__all__ = ["ground_field", "interface_field", "reflected_field", "transmitted_field"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


def ground_field(
    x_m: npt.ArrayLike,
    depth_m: npt.ArrayLike,
    *,
    source_depth_m: float,
    frequency_mhz: npt.ArrayLike,
    stack: Stack,
    current_a: complex = 1.0,
) -> Complex:
    """Total electric field of a line current over, or under, flat ground.

    Parameters
    ----------
    x_m : horizontal distance from the source, any shape, m.
    depth_m : depth of the points, m, negative above the ground; above or below all layers, not in them.
    source_depth_m : depth of the source, likewise.
    frequency_mhz : MHz; may be complex, as in `angular_frequency`. All three broadcast together.
    stack : the ground and what is above it.
    current_a : current, A.

    Returns
    -------
    V/m, the shapes broadcast together.

    Raises
    ------
    InputError : source or point between the first and the last boundary, or a point on the source.

    Notes
    -----
    On the source's side the direct wave plus `reflected_field`, on the other `transmitted_field`. In time:
    ``apply_transfer(pulse, interval_ns=dt, transfer=lambda f: ground_field(x, depth, ..., frequency_mhz=f))``.

    References
    ----------
    Chew 1990, Waves and Fields in Inhomogeneous Media, ch. 2; Harrington 1961, sec. 5-6.

    Examples
    --------
    The field does not jump at the ground:

    >>> from yewline.physics.medium import Medium
    >>> soil = Stack(Medium(9.0, 10.0))
    >>> field = ground_field(0.4, [-1e-9, 1e-9], source_depth_m=-0.2, frequency_mhz=400.0, stack=soil)
    >>> bool(abs(field[0] - field[1]) < 1e-6 * abs(field[0]))
    True
    """
    x, depth, f = _broadcast(x_m, depth_m, frequency_mhz)
    below = _is_below(source_depth_m, stack)
    _refuse_inside(depth, stack)
    far = depth < stack.bottom_m if below else depth > 0
    near = ~far
    field = np.empty(x.shape, dtype=np.complex128)
    if far.any():
        field[far] = transmitted_field(
            x[far],
            depth[far],
            source_depth_m=source_depth_m,
            frequency_mhz=f[far],
            stack=stack,
            current_a=current_a,
        )
    if near.any():
        direct = line_source_field(
            np.hypot(x[near], depth[near] - source_depth_m),
            frequency_mhz=f[near],
            medium=stack.lower if below else stack.upper,
            current_a=current_a,
        )
        field[near] = direct + reflected_field(
            x[near],
            depth[near],
            source_depth_m=source_depth_m,
            frequency_mhz=f[near],
            stack=stack,
            current_a=current_a,
        )
    return field


def reflected_field(
    x_m: npt.ArrayLike,
    depth_m: npt.ArrayLike,
    *,
    source_depth_m: float,
    frequency_mhz: npt.ArrayLike,
    stack: Stack,
    current_a: complex = 1.0,
) -> Complex:
    """What the ground adds, on the source's side of it, to the direct field of a line current.

    Parameters
    ----------
    x_m, depth_m, source_depth_m, frequency_mhz, stack, current_a : as in `ground_field`; all points on the source's
        side.

    Returns
    -------
    V/m, the shapes broadcast together.

    Raises
    ------
    InputError : a point on the other side, or in the layers.

    Notes
    -----
    E = −(ωμ₀I/4π) ∫ R(kₓ) e^{−jkₓx − jk_z H} / k_z dkₓ over all kₓ, with R of `spectral_reflection` and H the sum of
    the heights of source and point above the face; see `spectral_path` for the path. The error is some 1e-12 of the
    field at the source's own face; a field that absorption has made smaller than that is lost in it.

    References
    ----------
    Chew 1990, Waves and Fields in Inhomogeneous Media, ch. 2.

    Examples
    --------
    Far away it is the image of the source, weakened by the coefficient of reflection:

    >>> from yewline.physics.medium import Medium
    >>> soil = Stack(Medium(9.0))
    >>> echo = reflected_field(0.0, -50.0, source_depth_m=-50.0, frequency_mhz=400.0, stack=soil)
    >>> (echo / line_source_field(100.0, frequency_mhz=400.0)).real.round(3).item()
    -0.5
    """
    x, depth, f = _broadcast(x_m, depth_m, frequency_mhz)
    source, depth, stack = _from_above(source_depth_m, depth, stack)
    if np.any(depth > 0):
        raise InputError("the ground reflects to the source's side only", do="take transmitted_field for the other")

    def spectrum(kx: Complex, frequency: complex, height: float) -> Complex:
        kz = vertical_wavenumber(kx, wavenumber(frequency, medium=stack.upper))
        return spectral_reflection(kx, stack=stack, frequency_mhz=frequency) * np.exp(-1j * kz * height) / kz

    return current_a * _summed(spectrum, x, -source - depth, f, stack, 0.0)


def transmitted_field(
    x_m: npt.ArrayLike,
    depth_m: npt.ArrayLike,
    *,
    source_depth_m: float,
    frequency_mhz: npt.ArrayLike,
    stack: Stack,
    current_a: complex = 1.0,
) -> Complex:
    """Field of a line current on the other side of the ground's face, or of all its layers.

    Parameters
    ----------
    x_m, depth_m, source_depth_m, frequency_mhz, stack, current_a : as in `ground_field`; all points on the other side
        than the source.

    Returns
    -------
    V/m, the shapes broadcast together.

    Raises
    ------
    InputError : a point on the source's side, or in the layers.

    Notes
    -----
    E = −(ωμ₀I/4π) ∫ T(kₓ) e^{−jkₓx − jk_z h − jk_z′ d} / k_z dkₓ with T of `spectral_transmission`, h the height of the
    source above the first face and d the way below the last.

    References
    ----------
    Chew 1990, Waves and Fields in Inhomogeneous Media, ch. 2.

    Examples
    --------
    Source and point may change places:

    >>> from yewline.physics.medium import Medium
    >>> soil = Stack(Medium(9.0, 10.0))
    >>> down = transmitted_field(0.3, 0.5, source_depth_m=-0.1, frequency_mhz=400.0, stack=soil)
    >>> up = transmitted_field(0.3, -0.1, source_depth_m=0.5, frequency_mhz=400.0, stack=soil)
    >>> bool(abs(down - up) < 1e-12 * abs(down))
    True
    """
    x, depth, f = _broadcast(x_m, depth_m, frequency_mhz)
    source, depth, stack = _from_above(source_depth_m, depth, stack)
    beneath = depth - stack.bottom_m
    if np.any(beneath < 0):
        raise InputError("the ground lets through to the other side only", do="take reflected_field for the source's")

    def spectrum(kx: Complex, frequency: complex, way: float) -> Complex:
        above = vertical_wavenumber(kx, wavenumber(frequency, medium=stack.upper))
        below = vertical_wavenumber(kx, wavenumber(frequency, medium=stack.lower))
        through = spectral_transmission(kx, stack=stack, frequency_mhz=frequency)
        return through * np.exp(1j * above * source - 1j * below * way) / above

    return current_a * _summed(spectrum, x, beneath, f, stack, stack.bottom_m - source)


def interface_field(
    x_m: npt.ArrayLike, *, frequency_mhz: npt.ArrayLike, stack: Stack, current_a: complex = 1.0
) -> Complex:
    """Field of a line current on plain ground at a point on the ground: antennas that lie on it, in closed form.

    Parameters
    ----------
    x_m : distance, any shape, m, not 0.
    frequency_mhz : MHz, that broadcasts with it; may be complex, as in `angular_frequency`.
    stack : two different half-spaces, no layers.
    current_a : current, A.

    Returns
    -------
    V/m, the shapes broadcast together.

    Notes
    -----
    E = −(ωμ₀I/2) [k₁H₁⁽²⁾(k₁x) − k₂H₁⁽²⁾(k₂x)] / [(k₁² − k₂²) x]: here 1/(k_z1 + k_z2) = (k_z1 − k_z2)/(k₁² − k₂²), and
    ∫ k_z e^{−jkₓx} dkₓ = πk H₁⁽²⁾(kx)/x, twice the derivative by z of the plane-wave sum of H₀⁽²⁾. One term is the wave
    through the air, the other that through the ground.

    References
    ----------
    Derived from the plane-wave sum in Chew 1990, ch. 2, as noted.

    Examples
    --------
    >>> from yewline.physics.medium import Medium
    >>> soil = Stack(Medium(9.0, 10.0))
    >>> closed = interface_field(0.5, frequency_mhz=400.0, stack=soil)
    >>> summed = ground_field(0.5, 0.0, source_depth_m=0.0, frequency_mhz=400.0, stack=soil)
    >>> bool(abs(closed - summed) < 1e-11 * abs(closed))
    True
    """
    if stack.layers or stack.upper == stack.lower:
        raise InputError("the closed form needs two different half-spaces without layers between")
    x = np.abs(np.asarray(x_m, dtype=np.float64))
    if not np.all((x > 0) & np.isfinite(x)):
        raise InputError("x_m must not be zero", do="a line source has no finite field on itself")
    waves = [wavenumber(frequency_mhz, medium=medium) for medium in (stack.upper, stack.lower)]
    first, second = (k * hankel2e(1, k * x) * np.exp(-1j * k * x) for k in waves)
    strength = -0.5 * MU0_H_PER_M * current_a * angular_frequency(frequency_mhz)
    return np.asarray(strength * (first - second) / ((waves[0] ** 2 - waves[1] ** 2) * x))


def _summed(
    spectrum: Callable[[Complex, complex, float], Complex],
    x: Array,
    way: Array,
    frequency: Complex,
    stack: Stack,
    more_m: float,
) -> Complex:
    """Integrate over all horizontal wavenumbers, point by point: each has a path of its own."""
    out = np.empty(x.shape, dtype=np.complex128)
    for at in np.ndindex(x.shape):
        f = complex(frequency[at])
        waves = [complex(wavenumber(f, medium=medium)) for medium in stack.media]
        path = spectral_path(waves, x_m=float(x[at]), height_m=float(way[at]) + more_m)
        total = np.sum(path.weights * spectrum(path.nodes, f, float(way[at])))
        out[at] = -0.25e6 * 2.0 * MU0_H_PER_M * f * total
    return out


def _from_above(source_depth_m: float, depth: Array, stack: Stack) -> tuple[float, Array, Stack]:
    """The same case with the source above: one from below is turned over."""
    _refuse_inside(depth, stack)
    if _is_below(source_depth_m, stack):
        return stack.bottom_m - source_depth_m, stack.bottom_m - depth, stack.mirrored()
    return float(source_depth_m), depth, stack


def _is_below(source_depth_m: float, stack: Stack) -> bool:
    source = check_finite(source_depth_m, "source_depth_m")
    if 0 < source < stack.bottom_m:
        raise InputError("the source lies in the layers", received=f"depth {source:g} m", do="put it above or below")
    return source > 0


def _refuse_inside(depth: Array, stack: Stack) -> None:
    inside = (depth > 0) & (depth < stack.bottom_m)
    if inside.any():
        raise InputError(
            "a point lies in the layers", received=f"depth {float(depth[inside][0]):g} m", do="put it above or below"
        )


def _broadcast(
    x_m: npt.ArrayLike, depth_m: npt.ArrayLike, frequency_mhz: npt.ArrayLike
) -> tuple[Array, Array, Complex]:
    x, depth = np.asarray(x_m, dtype=np.float64), np.asarray(depth_m, dtype=np.float64)
    if not (np.isfinite(x).all() and np.isfinite(depth).all()):
        raise InputError("x_m and depth_m must be finite")
    x, depth, f = np.broadcast_arrays(x, depth, np.asarray(frequency_mhz, dtype=np.complex128))
    return x, depth, f
