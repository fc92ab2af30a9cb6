"""Exact fields around a circular cylinder, lit by a plane wave or by a line source beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.physics.bessel_orders import Orders, bessel_j_orders, hankel2_orders
from yewline.physics.line_source import line_source_field
from yewline.physics.medium import AIR, Medium, angular_frequency, wavenumber
from yewline.units import MU0_H_PER_M

__all__ = [
    "Cylinder",
    "CylinderField",
    "cylinder_coefficients",
    "cylinder_efficiencies",
    "cylinder_line_source_field",
    "cylinder_plane_wave_field",
    "scattering_width_m",
]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

MOST_ORDERS = 5000


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A circular cylinder, endless across the section.

    Parameters
    ----------
    radius_m : m.
    filling : medium inside; None is a perfect conductor.
    background : medium outside.
    """

    radius_m: float
    filling: Medium | None = None
    background: Medium = AIR

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")


@dataclass(frozen=True, slots=True)
class CylinderField:
    """Electric field along the cylinder's axis, V/m; all members have the shape of points and frequencies together.

    Attributes
    ----------
    incident : what there would be without the cylinder.
    scattered : what the cylinder adds.
    total : their sum; inside a conductor zero.
    """

    incident: Complex
    scattered: Complex
    total: Complex


@dataclass(frozen=True, slots=True)
class _Series:
    """Coefficients a_n (outside) and b_n (inside) as mantissas and logarithms, (N + 1, ...)."""

    outside: Complex
    outside_log: Complex
    inside: Complex | None
    inside_log: Complex | None


def cylinder_coefficients(
    cylinder: Cylinder, *, frequency_mhz: npt.ArrayLike, polarisation: str = "TM", orders: int | None = None
) -> Complex:
    """Coefficients a_n of the scattered wave Σ εₙ j⁻ⁿ aₙ Hₙ⁽²⁾(kρ) cos nφ, ε₀ = 1, εₙ = 2.

    Parameters
    ----------
    cylinder : the cylinder.
    frequency_mhz : any shape, MHz; may be complex, as in `angular_frequency`.
    polarisation : "TM", electric field along the axis; "TE", magnetic field along it (conductor only).
    orders : highest order N; by default a few more than ka + 4 (ka)^⅓ + 10.

    Returns
    -------
    (N + 1, ...) coefficients.

    Notes
    -----
    Conductor: aₙ = −Jₙ(ka)/Hₙ(ka) (TM), −Jₙ′(ka)/Hₙ′(ka) (TE). Dielectric, with m = k₂/k:
    aₙ = [Jₙ(ka) m Jₙ′(mka) − Jₙ′(ka) Jₙ(mka)] / [Hₙ′(ka) Jₙ(mka) − m Hₙ(ka) Jₙ′(mka)].

    References
    ----------
    Harrington 1961, sec. 5-9; Balanis, Advanced Engineering Electromagnetics, sec. 11.5; Bohren & Huffman 1983, ch. 8.

    Examples
    --------
    >>> from yewline.units import C_M_PER_NS
    >>> one = C_M_PER_NS / (2e-3 * np.pi * 400.0)  # ka = 1 at 400 MHz
    >>> cylinder_coefficients(Cylinder(one, Medium(4.0)), frequency_mhz=400.0)[0].round(7).item()
    (-0.889254-0.3138173j)
    """
    check_choice(polarisation, "polarisation", ("TM", "TE"))
    k = wavenumber(frequency_mhz, medium=cylinder.background)
    highest = _highest(k, cylinder.radius_m) if orders is None else max(orders, 1)
    series = _series(cylinder, frequency_mhz, k, highest, polarisation)
    coefficients = series.outside * np.exp(series.outside_log)
    return coefficients if orders is None else coefficients[: orders + 1]


def cylinder_efficiencies(cylinder: Cylinder, *, frequency_mhz: float, polarisation: str = "TM") -> tuple[float, float]:
    """Scattering and extinction of a plane wave, both over the cylinder's diameter.

    Parameters
    ----------
    cylinder, polarisation : as in `cylinder_coefficients`; the background without loss.
    frequency_mhz : MHz.

    Returns
    -------
    (Q_sca, Q_ext); equal where nothing is absorbed.

    Notes
    -----
    Q_sca = (2/ka) Σ εₙ|aₙ|², Q_ext = −(2/ka) Σ εₙ Re aₙ.

    References
    ----------
    Bohren & Huffman 1983, ch. 8.

    Examples
    --------
    >>> from yewline.units import C_M_PER_NS
    >>> one = C_M_PER_NS / (2e-3 * np.pi * 400.0)
    >>> q_sca, q_ext = cylinder_efficiencies(Cylinder(one), frequency_mhz=400.0)
    >>> round(q_sca, 6)
    2.956557
    """
    k = _lossless_wavenumber(cylinder, frequency_mhz)
    a = cylinder_coefficients(cylinder, frequency_mhz=frequency_mhz, polarisation=polarisation)
    weight = np.where(np.arange(a.size) == 0, 1.0, 2.0) * 2.0 / (k * cylinder.radius_m)
    return float(np.sum(weight * np.abs(a) ** 2)), float(-np.sum(weight * a.real))


def scattering_width_m(
    cylinder: Cylinder, phi_deg: npt.ArrayLike, *, frequency_mhz: float, polarisation: str = "TM"
) -> Array:
    """Width σ of the cylinder as a far observer sees it, lit by a plane wave.

    Parameters
    ----------
    cylinder, polarisation : as in `cylinder_coefficients`; the background without loss.
    phi_deg : any shape; 0 is forward, 180 back.
    frequency_mhz : MHz.

    Returns
    -------
    Same shape, m.

    Notes
    -----
    σ = (4/k) |Σ εₙ aₙ cos nφ|².

    References
    ----------
    Harrington 1961, sec. 5-9; Balanis, Advanced Engineering Electromagnetics, sec. 11.5.

    Examples
    --------
    >>> from yewline.units import C_M_PER_NS
    >>> one = C_M_PER_NS / (2e-3 * np.pi * 400.0)
    >>> (scattering_width_m(Cylinder(one), 180.0, frequency_mhz=400.0) / (2 * np.pi * one)).round(5).item()
    0.61476
    """
    k = _lossless_wavenumber(cylinder, frequency_mhz)
    a = cylinder_coefficients(cylinder, frequency_mhz=frequency_mhz, polarisation=polarisation)
    phi = np.radians(np.asarray(phi_deg, dtype=np.float64))
    order = np.arange(a.size)
    weight = np.where(order == 0, 1.0, 2.0) * a
    return np.asarray(4.0 / k * np.abs(np.cos(phi[..., None] * order) @ weight) ** 2)


def cylinder_plane_wave_field(
    cylinder: Cylinder, rho_m: npt.ArrayLike, phi_deg: npt.ArrayLike, *, frequency_mhz: npt.ArrayLike
) -> CylinderField:
    """Field of a plane wave e^{−jkx} of 1 V/m and of the cylinder in it, electric field along the axis.

    Parameters
    ----------
    cylinder : the cylinder, its axis at the origin.
    rho_m, phi_deg : points from the axis; the wave travels toward φ = 0.
    frequency_mhz : MHz, that broadcasts with the points; may be complex, as in `angular_frequency`.

    Returns
    -------
    Fields, also inside a dielectric.

    References
    ----------
    Harrington 1961, sec. 5-9; Balanis, Advanced Engineering Electromagnetics, sec. 11.5.

    Examples
    --------
    >>> field = cylinder_plane_wave_field(Cylinder(0.1), 0.1, [0.0, 90.0], frequency_mhz=400.0)
    >>> abs(field.total).round(12).tolist()
    [0.0, 0.0]
    """
    rho, phi, f = _points(rho_m, phi_deg, frequency_mhz)
    k = wavenumber(f, medium=cylinder.background)
    highest = _highest(k, cylinder.radius_m)
    weights = np.array([(1.0 if n == 0 else 2.0) * (-1j) ** (n % 4) for n in range(highest + 1)])
    angles = np.cos(phi * _along_orders(highest, phi.ndim)) * weights.reshape(-1, *([1] * phi.ndim))
    incident = np.exp(-1j * k * rho * np.cos(phi))
    return _field(cylinder, rho, f, incident, angles, None)


def cylinder_line_source_field(
    cylinder: Cylinder,
    rho_m: npt.ArrayLike,
    phi_deg: npt.ArrayLike,
    *,
    source_m: tuple[float, float],
    frequency_mhz: npt.ArrayLike,
    current_a: complex = 1.0,
) -> CylinderField:
    """Field of a line current beside the cylinder.

    Parameters
    ----------
    cylinder : the cylinder, its axis at the origin.
    rho_m, phi_deg : points from the axis.
    source_m : distance (m) and angle (degrees) of the line current, outside the cylinder.
    frequency_mhz : MHz, that broadcasts with the points; may be complex, as in `angular_frequency`.
    current_a : current, A.

    Returns
    -------
    Fields, also inside a dielectric.

    Raises
    ------
    InputError : a source not outside the cylinder, a point on the source, or both so near the face that the series
        would need more than 5,000 terms.

    Notes
    -----
    E = −(ωμ₀I/4) {H₀(k|ρ − ρₛ|) + Σ εₙ aₙ Hₙ(kρₛ) Hₙ(kρ) cos n(φ − φₛ)}, all H⁽²⁾. Terms shrink like (a²/ρρₛ)ⁿ; they
    are added until that is 1e-17.

    References
    ----------
    Harrington 1961, sec. 5-9; Balanis, Advanced Engineering Electromagnetics, sec. 11.5.

    Examples
    --------
    >>> field = cylinder_line_source_field(Cylinder(0.1), 0.1, 20.0, source_m=(0.3, 0.0), frequency_mhz=400.0)
    >>> bool(abs(field.total) < 1e-12 * abs(field.incident))
    True
    """
    rho, phi, f = _points(rho_m, phi_deg, frequency_mhz)
    away = check_positive(source_m[0], "source_m[0]")
    if away <= cylinder.radius_m:
        raise InputError("the line source must lie outside the cylinder", received=f"{away:g} m from its axis")
    turn = phi - math.radians(source_m[1])
    apart = np.hypot(rho * np.cos(turn) - away, rho * np.sin(turn))
    incident = line_source_field(apart, frequency_mhz=f, medium=cylinder.background, current_a=current_a)
    k = wavenumber(f, medium=cylinder.background)
    highest = max(_highest(k, cylinder.radius_m), _orders_near(cylinder.radius_m, rho, away))
    weights = np.where(_along_orders(highest, phi.ndim) == 0, 1.0, 2.0)
    strength = -0.25 * MU0_H_PER_M * current_a * angular_frequency(f)
    angles = strength * weights * np.cos(turn * _along_orders(highest, phi.ndim))
    return _field(cylinder, rho, f, incident, angles, hankel2_orders(highest, k * away))


def _field(
    cylinder: Cylinder, rho: Array, f: Complex, incident: Complex, angles: Complex, source: Orders | None
) -> CylinderField:
    """Add up the series; `angles` holds each order's weight and cosine, `source` the functions of the source."""
    k = wavenumber(f, medium=cylinder.background)
    highest, a = len(angles) - 1, cylinder.radius_m
    series = _series(cylinder, f, k, highest, "TM")
    drive = angles if source is None else angles * source.value
    drive_log = 0.0 if source is None else source.log
    radial = hankel2_orders(highest, k * np.maximum(rho, a))
    terms = series.outside * drive * radial.value * np.exp(series.outside_log + drive_log + radial.log)
    scattered = np.broadcast_to(terms.sum(axis=0), incident.shape)
    total = incident + scattered
    within = np.broadcast_to(rho < a, incident.shape)
    if within.any():
        if cylinder.filling is None or series.inside is None or series.inside_log is None:
            inner = np.zeros_like(incident)
        else:
            k2 = wavenumber(f, medium=cylinder.filling)
            regular = bessel_j_orders(highest, k2 * np.minimum(rho, a))
            terms = series.inside * drive * regular.value * np.exp(series.inside_log + drive_log + regular.log)
            inner = np.broadcast_to(terms.sum(axis=0), incident.shape)
        total = np.where(within, inner, total)
        scattered = np.where(within, inner - incident, scattered)
    return CylinderField(np.asarray(incident), np.asarray(scattered), np.asarray(total))


def _series(cylinder: Cylinder, frequency_mhz: npt.ArrayLike, k: Complex, highest: int, polarisation: str) -> _Series:
    x = k * cylinder.radius_m
    j, h = bessel_j_orders(highest, x), hankel2_orders(highest, x)
    if cylinder.filling is None:
        ratio = -j.value / h.value if polarisation == "TM" else -j.slope / h.slope
        return _Series(ratio, j.log - h.log, None, None)
    if polarisation == "TE":
        raise InputError("the TE series holds for a conductor only", do="take filling=None, or TM")
    k2 = wavenumber(frequency_mhz, medium=cylinder.filling)
    m = k2 / k
    inner = bessel_j_orders(highest, k2 * cylinder.radius_m)
    below = h.slope * inner.value - m * h.value * inner.slope
    # The scale of the functions inside is common to both lines of the fraction, and drops out.
    outside = (m * j.value * inner.slope - j.slope * inner.value) / below
    return _Series(outside, j.log - h.log, -2j / (np.pi * x) / below, -h.log - inner.log)


def _highest(k: Complex, radius_m: float) -> int:
    # More than the customary ka + 4 (ka)^⅓ + 10, which ends the far field; fields at the face need J itself to die out.
    size = float(np.abs(k).max()) * radius_m
    return math.ceil(size + 10.0 * size ** (1.0 / 3.0) + 15.0)


def _orders_near(radius_m: float, rho: Array, source_rho_m: float) -> int:
    shrink = float(np.max(np.minimum(rho / radius_m, radius_m / np.maximum(rho, 1e-300)))) * radius_m / source_rho_m
    orders = math.log(1e-17) / math.log(max(shrink, 1e-17))
    if orders > MOST_ORDERS:
        raise InputError(
            "source and point lie too near the cylinder's face",
            received=f"{orders:.0f} terms needed",
            do=f"move one away: at most {MOST_ORDERS} terms are added",
        )
    return math.ceil(orders)


def _lossless_wavenumber(cylinder: Cylinder, frequency_mhz: float) -> float:
    k = complex(wavenumber(check_positive(frequency_mhz, "frequency_mhz"), medium=cylinder.background))
    if k.imag != 0:
        raise InputError("far from a cylinder in a lossy background there is no width or efficiency")
    return k.real


def _points(rho_m: npt.ArrayLike, phi_deg: npt.ArrayLike, frequency_mhz: npt.ArrayLike) -> tuple[Array, Array, Complex]:
    """Points and frequencies with equally many axes, not yet broadcast: what one of them fixes is computed once."""
    rho, phi = np.asarray(rho_m, dtype=np.float64), np.radians(np.asarray(phi_deg, dtype=np.float64))
    f = np.asarray(frequency_mhz, dtype=np.complex128)
    if np.any(rho < 0) or not np.isfinite(rho).all():
        raise InputError("rho_m must not be negative", received=f"{float(np.nanmin(rho)):g}")
    axes = max(rho.ndim, phi.ndim, f.ndim)
    ones = (1,) * axes
    return (
        rho.reshape(ones[rho.ndim :] + rho.shape),
        phi.reshape(ones[phi.ndim :] + phi.shape),
        f.reshape(ones[f.ndim :] + f.shape),
    )


def _along_orders(highest: int, axes: int) -> Array:
    return np.arange(highest + 1, dtype=np.float64).reshape(-1, *([1] * axes))
