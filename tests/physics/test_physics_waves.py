"""Plane waves and interfaces, against closed forms and tabulated values."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.physics import (
    brewster_angle_deg,
    complex_permittivity,
    critical_angle_deg,
    permittivity_of_velocity,
    plane_wave,
    reflection_normal,
    reflection_te,
    reflection_tm,
    transmission_normal,
    velocity_of_permittivity,
)
from yewline.units import C_M_PER_NS, EPS0_F_PER_M, MU0_H_PER_M


@pytest.mark.parametrize(
    ("f", "eps", "sigma", "tangent", "alpha", "db", "low_loss_percent", "v", "wavelength"),
    # From the exact plane-wave constants (Balanis, Advanced Engineering Electromagnetics, ch. 4), computed apart.
    [
        (100, 9, 10, 0.19972, 0.624807, 5.4270, 0.493, 0.099441, 0.99441),
        (400, 9, 10, 0.04993, 0.627688, 5.4520, 0.031, 0.099900, 0.24975),
        (400, 5, 1, 0.00899, 0.084239, 0.7317, 0.001, 0.134070, 0.33517),
        (100, 16, 30, 0.33703, 1.393614, 12.1048, 1.372, 0.073934, 0.73934),
        (400, 16, 30, 0.08426, 1.411489, 12.2600, 0.089, 0.074882, 0.18720),
        (250, 25, 50, 0.14380, 1.878826, 16.3193, 0.257, 0.059805, 0.23922),
    ],
)
def test_plane_wave_table(
    f: float,
    eps: float,
    sigma: float,
    tangent: float,
    alpha: float,
    db: float,
    low_loss_percent: float,
    v: float,
    wavelength: float,
) -> None:
    wave = plane_wave(f, permittivity=eps, conductivity_ms_per_m=sigma)
    # The printed digits allow half a unit in the last place on top of the relative 1e-5.
    assert wave.loss_tangent == pytest.approx(tangent, rel=1e-5, abs=5.1e-6)
    assert wave.alpha_np_per_m == pytest.approx(alpha, rel=1e-5, abs=5.1e-7)
    assert wave.alpha_db_per_m == pytest.approx(db, rel=1e-5, abs=5.1e-5)
    assert wave.v_m_per_ns == pytest.approx(v, rel=1e-5, abs=5.1e-7)
    assert wave.wavelength_m == pytest.approx(wavelength, rel=1e-5, abs=5.1e-6)
    assert wave.skin_depth_m == pytest.approx(1 / alpha, rel=1e-5)
    low_loss = 1.63612 * sigma / np.sqrt(eps)
    assert 100 * (low_loss / wave.alpha_db_per_m - 1) == pytest.approx(low_loss_percent, abs=1e-3)


def test_attenuation_is_the_root_of_the_complex_wavenumber() -> None:
    # k = β − jα = ω√(με): an independent route through complex numbers.
    f, eps, sigma = np.meshgrid([50.0, 400.0, 1000.0], [1.0, 9.0, 80.0], [0.001, 10.0, 3000.0], indexing="ij")
    wave = plane_wave(f, permittivity=eps, conductivity_ms_per_m=sigma)
    omega = 2e6 * np.pi * f
    relative = complex_permittivity(eps, conductivity_ms_per_m=sigma, frequency_mhz=f)
    k = omega * np.sqrt(MU0_H_PER_M * EPS0_F_PER_M * relative)
    np.testing.assert_allclose(wave.beta_rad_per_m, k.real, rtol=1e-12)
    np.testing.assert_allclose(wave.alpha_np_per_m, -k.imag, rtol=1e-9)


def test_limits_of_loss() -> None:
    dry = plane_wave(400.0, permittivity=9.0)
    assert dry.alpha_np_per_m == 0
    assert np.isinf(dry.skin_depth_m)
    assert dry.v_m_per_ns == pytest.approx(velocity_of_permittivity(9.0), rel=1e-14)
    assert plane_wave(400.0, permittivity=1.0).v_m_per_ns == pytest.approx(C_M_PER_NS, rel=1e-14)
    # Low loss: α → (σ/2)√(μ/ε), with the error falling as the square of the loss tangent.
    gaps = []
    for sigma in (8.0, 4.0, 2.0, 1.0):
        wave = plane_wave(100.0, permittivity=9.0, conductivity_ms_per_m=sigma)
        gaps.append(float(0.5e-3 * sigma * np.sqrt(MU0_H_PER_M / (9 * EPS0_F_PER_M)) / wave.alpha_np_per_m - 1))
    ratios = np.array(gaps[:-1]) / np.array(gaps[1:])
    np.testing.assert_allclose(ratios, 4.0, atol=0.1)
    # Good conductor: skin depth → 503.29/√(σf) m.
    metal = plane_wave(1.0, permittivity=1.0, conductivity_ms_per_m=1e9)
    assert metal.skin_depth_m == pytest.approx(503.29 / np.sqrt(1e6 * 1e6), rel=1e-5)


def test_sea_water() -> None:
    # Exact values at 3 S/m and 100 MHz, computed apart from Maxwell's equations.
    wave = plane_wave(100.0, permittivity=80.0, conductivity_ms_per_m=3000.0)
    assert wave.alpha_db_per_m == pytest.approx(277.6, abs=0.05)
    assert wave.v_m_per_ns == pytest.approx(0.0170, abs=5e-5)


def test_velocity_and_permittivity_are_inverse() -> None:
    eps = np.linspace(1.0, 81.0, 50)
    np.testing.assert_allclose(permittivity_of_velocity(velocity_of_permittivity(eps)), eps, rtol=1e-14)


@pytest.mark.parametrize(
    ("eps1", "eps2", "r"),
    # Fresnel at normal incidence (Balanis, ch. 5), computed by hand.
    [(1, 9, -0.5), (9, 16, -0.142857), (9, 4, 0.2), (9, 1, 0.5), (4, 80, -0.634512)],
)
def test_normal_incidence(eps1: float, eps2: float, r: float) -> None:
    assert reflection_normal(eps1, eps2).real == pytest.approx(r, abs=1e-6)
    # Power is kept: R² + (n2/n1) T² = 1.
    t = transmission_normal(eps1, eps2).real
    assert r**2 + np.sqrt(eps2 / eps1) * t**2 == pytest.approx(1.0, abs=2e-6)
    assert t == pytest.approx(2 * np.sqrt(eps1) / (np.sqrt(eps1) + np.sqrt(eps2)), rel=1e-12)


@pytest.mark.parametrize(
    ("eps1", "eps2", "angle", "te", "tm"),
    [
        (1, 9, 30, -0.547066, 0.449783),
        (1, 9, 60, -0.703465, 0.220789),
        (9, 4, 30, 0.325227, -0.067879),
    ],
)
def test_oblique_incidence(eps1: float, eps2: float, angle: float, te: float, tm: float) -> None:
    assert reflection_te(eps1, eps2, angle_deg=angle) == pytest.approx(te, abs=1e-6)
    assert reflection_tm(eps1, eps2, angle_deg=angle) == pytest.approx(tm, abs=1e-6)


def test_beyond_the_critical_angle_all_is_reflected() -> None:
    te = reflection_te(9, 1, angle_deg=30).item()
    assert te.real == pytest.approx(0.687500, abs=1e-6)
    # With e^{+jωt} the field decays into medium 2 and the phase leads: the limit of ever smaller loss there.
    assert te.imag == pytest.approx(0.726184, abs=1e-6)
    gaps = [abs(reflection_te(9, 1 - 1j * loss, angle_deg=30).item() - te) for loss in (1e-2, 1e-4, 1e-6)]
    assert gaps[0] > 50 * gaps[1] > 2500 * gaps[2]
    assert abs(te) == pytest.approx(1.0, abs=1e-12)
    assert abs(reflection_tm(9, 1, angle_deg=50).item()) == pytest.approx(1.0, abs=1e-12)


def test_special_angles() -> None:
    assert brewster_angle_deg(1, 9) == pytest.approx(71.5651, abs=1e-4)
    assert critical_angle_deg(9, 1) == pytest.approx(19.4712, abs=1e-4)
    assert critical_angle_deg(9, 4) == pytest.approx(41.8103, abs=1e-4)
    assert critical_angle_deg(4, 9) is None
    assert abs(reflection_tm(1, 9, angle_deg=brewster_angle_deg(1, 9)).item()) < 1e-12


def test_lossy_half_space() -> None:
    eps = complex_permittivity(9.0, conductivity_ms_per_m=10.0, frequency_mhz=400.0)
    r = reflection_normal(1.0, eps).item()
    assert r.real == pytest.approx(-0.500292, abs=1e-6)
    assert r.imag == pytest.approx(0.009351, abs=1e-6)
    # TE at normal incidence is the same, TM (magnetic field) the opposite.
    assert reflection_te(1.0, eps, angle_deg=0.0).item() == pytest.approx(r, abs=1e-14)
    assert reflection_tm(1.0, eps, angle_deg=0.0).item() == pytest.approx(-r, abs=1e-14)


def test_grazing_incidence_reflects_all() -> None:
    assert reflection_te(1, 9, angle_deg=90).real == pytest.approx(-1.0, abs=1e-12)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"velocity above that of light \(received 0\.31 m/ns\)"):
        permittivity_of_velocity([0.1, 0.31])
    with pytest.raises(InputError, match=r"v_m_per_ns must be greater than 0 \(received 0\)"):
        permittivity_of_velocity(0.0)
    with pytest.raises(InputError, match=r"permittivity must be at least 1 \(received 0\.5\)"):
        plane_wave(400.0, permittivity=0.5)
    with pytest.raises(InputError, match="frequency_mhz must be greater than 0"):
        complex_permittivity(9.0, conductivity_ms_per_m=1.0, frequency_mhz=0.0)
    with pytest.raises(InputError, match="angle_deg must lie between 0 and 90"):
        reflection_te(1.0, 9.0, angle_deg=91.0)
    with pytest.raises(InputError, match="real part greater than 0"):
        reflection_normal(-1.0, 9.0)
