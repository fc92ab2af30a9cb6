"""A stack of flat layers between two half-spaces, and the plane waves that it reflects and lets through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.physics.medium import AIR, Medium, wavenumber

__all__ = [
    "Stack",
    "StackLayer",
    "spectral_reflection",
    "spectral_transmission",
    "stack_reflection",
    "vertical_wavenumber",
]

Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class StackLayer:
    """A flat layer of one medium; the thickness is in metres."""

    medium: Medium
    thickness_m: float

    def __post_init__(self) -> None:
        check_positive(self.thickness_m, "thickness_m")


@dataclass(frozen=True, slots=True)
class Stack:
    """Flat layers from depth 0 downward, between two half-spaces.

    Parameters
    ----------
    lower : medium below all layers.
    layers : from the top; none is a plain half-space.
    upper : medium above depth 0.
    """

    lower: Medium
    layers: tuple[StackLayer, ...] = ()
    upper: Medium = AIR

    @property
    def bottom_m(self) -> float:
        """Depth of the lowest boundary."""
        return float(sum(layer.thickness_m for layer in self.layers))

    @property
    def media(self) -> tuple[Medium, ...]:
        """All media from above to below."""
        return (self.upper, *(layer.medium for layer in self.layers), self.lower)

    def mirrored(self) -> Stack:
        """The same stack seen from below."""
        return Stack(self.upper, self.layers[::-1], self.lower)


def vertical_wavenumber(horizontal: npt.ArrayLike, k: npt.ArrayLike) -> Complex:
    """Vertical wavenumber √(k² − kₓ²), the root that decays away from a source: imaginary part ≤ 0.

    Parameters
    ----------
    horizontal, k : shapes that broadcast together, rad/m.

    Examples
    --------
    >>> vertical_wavenumber([3.0, 13.0], 5.0).imag.tolist()
    [0.0, -12.0]
    """
    root = np.sqrt(np.asarray(k, dtype=np.complex128) ** 2 - np.asarray(horizontal, dtype=np.complex128) ** 2)
    return np.asarray(np.where(root.imag > 0, -root, root))


def spectral_reflection(horizontal: npt.ArrayLike, *, stack: Stack, frequency_mhz: complex) -> Complex:
    """Reflection coefficient at depth 0 of a plane wave from above, electric field across the section.

    Parameters
    ----------
    horizontal : (N,) horizontal wavenumbers, real or complex, rad/m.
    stack : the stack.
    frequency_mhz : MHz; may be complex, as in `angular_frequency`.

    Notes
    -----
    From below upward R ← (r + R e^{−2jk_z d}) / (1 + r R e^{−2jk_z d}) with r = (k_z − k_z′)/(k_z + k_z′) at each face.

    References
    ----------
    Balanis, Advanced Engineering Electromagnetics, ch. 5; Chew 1990, Waves and Fields in Inhomogeneous Media, ch. 2.

    Examples
    --------
    >>> spectral_reflection([0.0], stack=Stack(Medium(9.0)), frequency_mhz=400.0).real.round(12).tolist()
    [-0.5]
    """
    return _recursion(horizontal, stack, frequency_mhz)[0]


def spectral_transmission(horizontal: npt.ArrayLike, *, stack: Stack, frequency_mhz: complex) -> Complex:
    """Electric field at the top of the lower medium over that of the incident plane wave at depth 0.

    Parameters
    ----------
    horizontal, stack, frequency_mhz : as in `spectral_reflection`.

    Examples
    --------
    >>> spectral_transmission([0.0], stack=Stack(Medium(9.0)), frequency_mhz=400.0).real.round(12).tolist()
    [0.5]
    """
    return _recursion(horizontal, stack, frequency_mhz)[1]


def stack_reflection(frequency_mhz: npt.ArrayLike, *, stack: Stack, angle_deg: float = 0.0) -> Complex:
    """Reflection coefficient of a plane wave on a stack, electric field across the plane of incidence.

    Parameters
    ----------
    frequency_mhz : any shape, MHz; may be complex, as in `angular_frequency`.
    stack : the stack.
    angle_deg : angle of incidence in the upper medium from the vertical, 0 to below 90.

    Returns
    -------
    Same shape; referred to depth 0.

    References
    ----------
    Balanis, Advanced Engineering Electromagnetics, ch. 5; Chew 1990, ch. 2.

    Examples
    --------
    A quarter of a wavelength whose permittivity is the geometric mean of its neighbours' reflects nothing:

    >>> from yewline.units import C_M_PER_NS
    >>> quarter = C_M_PER_NS / (4 * 3.0**0.5 * 0.4)
    >>> coated = Stack(Medium(9.0), (StackLayer(Medium(3.0), quarter),))
    >>> abs(stack_reflection(400.0, stack=coated)).round(12).item()
    0.0
    """
    angle = float(angle_deg)
    if not 0 <= angle < 90:
        raise InputError("angle_deg must lie from 0 to below 90", received=f"{angle:g}")
    f = np.asarray(frequency_mhz, dtype=np.complex128)
    k = wavenumber(f, medium=stack.upper)
    return _recursion(k * np.sin(np.radians(angle)), stack, f)[0]


def _recursion(horizontal: npt.ArrayLike, stack: Stack, frequency_mhz: npt.ArrayLike) -> tuple[Complex, Complex]:
    vertical = [vertical_wavenumber(horizontal, wavenumber(frequency_mhz, medium=medium)) for medium in stack.media]
    above, below = vertical[-2], vertical[-1]
    reflection = (above - below) / (above + below)
    transmission = 1.0 + reflection
    for number in range(len(stack.layers) - 1, -1, -1):
        above, inside = vertical[number], vertical[number + 1]
        through = np.exp(-1j * inside * stack.layers[number].thickness_m)
        face = (above - inside) / (above + inside)
        back = reflection * through**2
        transmission = (1.0 + face) * transmission * through / (1.0 + face * back)
        reflection = (face + back) / (1.0 + face * back)
    return np.asarray(reflection), np.asarray(transmission)
