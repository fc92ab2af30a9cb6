"""Line and point sources in an infinite medium, in frequency and in time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import hankel2

from yewline.errors import InputError
from yewline.physics import (
    AIR,
    Medium,
    apply_transfer,
    line_source_field,
    line_source_response,
    plane_wave,
    point_source_field,
    point_source_response,
    ricker,
    ricker_current,
    wavenumber,
)
from yewline.units import C_M_PER_NS, EPS0_F_PER_M, MU0_H_PER_M

Array = npt.NDArray[np.float64]


# Harrington 1961, Time-Harmonic Electromagnetic Fields, sec. 5-6; Balanis, Advanced Engineering Electromagnetics,
# sec. 11.2 (formula from memory); the numbers computed apart.
@pytest.mark.parametrize(
    ("medium", "distance", "k", "hankel", "field"),
    [
        (AIR, 0.5, 8.3833801, -0.37769732 + 0.09068680j, 298.21785 - 71.60343j),
        (Medium(9.0), 0.5, 25.1501403, 0.15884530 + 0.15922975j, -125.41922 - 125.72277j),
        (Medium(9.0, 10.0), 0.5, 25.1579719 - 0.6276884j, 0.11499731 + 0.11725882j, -90.79824 - 92.58385j),
        (Medium(9.0, 10.0), 1.0, 25.1579719 - 0.6276884j, 0.06049001 + 0.05955345j, -47.76100 - 47.02152j),
    ],
)
def test_line_source_table(medium: Medium, distance: float, k: complex, hankel: complex, field: complex) -> None:
    assert wavenumber(400.0, medium=medium).item() == pytest.approx(k, abs=1e-7)
    found = line_source_field(distance, frequency_mhz=400.0, medium=medium).item()
    assert found == pytest.approx(field, abs=1e-5)
    assert found / (-0.25 * 2.0 * np.pi * 4e8 * MU0_H_PER_M) == pytest.approx(hankel, abs=1e-8)


def test_wavenumber_is_that_of_plane_waves() -> None:
    # Balanis, ch. 4: k = β − jα.
    f = np.array([10.0, 100.0, 400.0, 900.0])
    k = wavenumber(f, medium=Medium(16.0, 30.0))
    wave = plane_wave(f, permittivity=16.0, conductivity_ms_per_m=30.0)
    np.testing.assert_allclose(k, wave.beta_rad_per_m - 1j * wave.alpha_np_per_m, rtol=1e-13)
    # A conductivity and the loss that it makes at one frequency are the same.
    loss = 30e-3 / (2e6 * np.pi * 400.0 * EPS0_F_PER_M)
    assert wavenumber(400.0, medium=Medium(16.0 - 1j * loss)).item() == pytest.approx(complex(k[2]), rel=1e-13)


def test_field_solves_the_wave_equation() -> None:
    # E″ + E′/ρ + k²E = 0 by central differences, whose error falls by 16 as the step is halved twice.
    medium, rho = Medium(9.0, 20.0), 0.4
    k = complex(wavenumber(300.0, medium=medium))
    residuals = []
    for step in (4e-3, 2e-3, 1e-3):
        low, here, high = line_source_field([rho - step, rho, rho + step], frequency_mhz=300.0, medium=medium)
        residual = (high - 2 * here + low) / step**2 + (high - low) / (2 * step * rho) + k**2 * here
        residuals.append(abs(residual / (k**2 * here)))
    assert residuals[0] / residuals[1] == pytest.approx(4.0, rel=0.02)
    assert residuals[1] / residuals[2] == pytest.approx(4.0, rel=0.02)


def test_radiated_power_is_that_of_the_current() -> None:
    # Without loss: −½ Re(E I*) at the source is ωμ₀|I|²/8 W/m (Harrington 1961, sec. 5-6), and through a circle too.
    omega = 2e6 * np.pi * 400.0
    near = line_source_field(1e-6, frequency_mhz=400.0)
    assert -0.5 * near.real == pytest.approx(omega * MU0_H_PER_M / 8, rel=1e-9)
    rho, step = 0.7, 1e-4
    low, here, high = line_source_field([rho - step, rho, rho + step], frequency_mhz=400.0)
    magnetic = (high - low) / (2 * step) / (1j * omega * MU0_H_PER_M)
    power = -0.5 * (here * np.conj(magnetic)).real * 2 * np.pi * rho
    assert abs(power) == pytest.approx(omega * MU0_H_PER_M / 8, rel=1e-6)


def test_line_is_the_sum_of_points_along_it() -> None:
    # With loss the integral of the point source along the line converges by itself.
    medium, rho = Medium(9.0, 100.0), 0.5

    def part(y: float, which: str) -> float:
        return float(getattr(point_source_field(np.hypot(rho, y), frequency_mhz=400.0, medium=medium).item(), which))

    summed = 2 * complex(*(quad(part, 0, 8, args=(w,), limit=400, epsabs=1e-11)[0] for w in ("real", "imag")))
    assert line_source_field(rho, frequency_mhz=400.0, medium=medium).item() == pytest.approx(summed, rel=1e-7)


def test_far_field_of_line_over_point() -> None:
    # H₀⁽²⁾(z) ≈ √(2j/πz) e^{−jz} (1 + j/(8z)): Abramowitz & Stegun 1964, 9.2.8.
    rho = np.array([5.0, 20.0, 80.0])
    k = wavenumber(400.0).real
    ratio = line_source_field(rho, frequency_mhz=400.0) / point_source_field(rho, frequency_mhz=400.0)
    wrong = np.abs(ratio / np.sqrt(2 * np.pi * rho / (1j * k)) - 1)
    np.testing.assert_allclose(wrong, 1 / (8 * k * rho), rtol=0.01)


def test_far_in_absorbing_ground_the_field_dies_out_without_fault() -> None:
    field = line_source_field([10.0, 1e4], frequency_mhz=400.0, medium=Medium(20.0, 200.0))
    assert np.isfinite(field).all()
    assert abs(field[0]) < 1e-25
    assert field[1] == 0


# ---- in time


def _current(t: Array) -> Array:
    return ricker_current(t - 6.0, peak_mhz=400.0)


def _closed(t: float, rho: float, eps: float, sigma: float) -> float:
    """Damped wave equation in two dimensions: its kernel is e^{−as} cosh(a√(s² − τ²))/(2π√(s² − τ²))."""
    tau = rho * np.sqrt(eps) / C_M_PER_NS
    a = sigma * 1e-3 / (2 * eps * EPS0_F_PER_M) * 1e-9
    # s = τ cosh u takes the root out of the integral; I′ is a Ricker wavelet, gone 4.5 ns from its middle at 6 ns.
    if t - tau < 1.5:
        return 0.0
    ends = [float(np.arccosh(max(s, tau) / tau)) for s in (t - 10.5, t - 1.5)]

    def integrand(u: float) -> float:
        s = tau * np.cosh(u)
        return float(ricker(t - s - 6.0, peak_mhz=400.0) * np.exp(-a * s) * np.cosh(a * tau * np.sinh(u)))

    return -MU0_H_PER_M * 1e9 / (2 * np.pi) * quad(integrand, *ends, epsabs=1e-12, epsrel=1e-11, limit=200)[0]


@pytest.mark.parametrize(("eps", "sigma"), [(1.0, 0.0), (9.0, 0.0), (9.0, 10.0), (16.0, 50.0)])
def test_pulse_against_the_kernel_in_time(eps: float, sigma: float) -> None:
    # Morse & Feshbach 1953, Methods of Theoretical Physics, ch. 7 (kernel from memory; it is checked here by agreeing).
    t = 0.1 * np.arange(300)
    found = line_source_response(_current(t), interval_ns=0.1, distance_m=0.8, medium=Medium(eps, sigma))
    expected = np.array([_closed(time, 0.8, eps, sigma) for time in t])
    np.testing.assert_allclose(found, expected, atol=1e-8 * np.abs(expected).max())


def test_response_is_causal_and_free_of_wrap() -> None:
    # Lossless, 2.5 m: nothing may arrive before 8.34 ns after the current's first stir (1e-9 of its peak at 2 ns).
    # The slow tail of two dimensions, which a plain transform would fold back onto that, ends at 3e-3 of the peak.
    t = 0.05 * np.arange(400)
    field = line_source_response(_current(t), interval_ns=0.05, distance_m=2.5)
    quiet = t < 2.0 + 2.5 / C_M_PER_NS
    assert np.abs(field[quiet]).max() < 1e-7 * np.abs(field).max()
    longer = line_source_response(_current(t), interval_ns=0.05, distance_m=2.5, samples=1200)
    np.testing.assert_allclose(longer[:400], field, atol=1e-9 * np.abs(field).max())


def test_point_source_delays_and_weakens() -> None:
    t = 0.05 * np.arange(500)
    distance = np.array([0.5, 1.0, 2.0])
    field = point_source_response(_current(t), interval_ns=0.05, distance_m=distance)
    expected = [
        -MU0_H_PER_M * 1e9 / (4 * np.pi * r) * ricker(t - 6.0 - r / C_M_PER_NS, peak_mhz=400.0) for r in distance
    ]
    np.testing.assert_allclose(field, expected, atol=1e-8 * np.abs(field).max())


@settings(max_examples=12, deadline=None)
@given(st.floats(0.2, 2.0), st.floats(1.0, 25.0), st.floats(0.0, 50.0))
def test_response_is_linear_and_shifts_with_the_current(rho: float, eps: float, sigma: float) -> None:
    t = 0.1 * np.arange(400)
    medium = Medium(eps, sigma)
    one = line_source_response(_current(t), interval_ns=0.1, distance_m=rho, medium=medium)
    late = line_source_response(-3 * _current(t - 4.0), interval_ns=0.1, distance_m=rho, medium=medium)
    np.testing.assert_allclose(late[40:], -3 * one[:-40], atol=1e-7 * np.abs(one).max())


def test_transfer_of_one_returns_the_pulse() -> None:
    t = 0.1 * np.arange(200)
    pulse = _current(t)
    same = apply_transfer(pulse, interval_ns=0.1, transfer=lambda f: np.ones((2, f.size)))
    np.testing.assert_allclose(same, [pulse, pulse], atol=1e-10 * np.abs(pulse).max())
    longer = apply_transfer(pulse, interval_ns=0.1, transfer=np.ones_like, samples=350)
    np.testing.assert_allclose(longer[200:], 0.0, atol=1e-9 * np.abs(pulse).max())


# ---- faults


def test_faults() -> None:
    t = 0.1 * np.arange(200)
    with pytest.raises(InputError, match=r"distance_m must be greater than zero \(received 0\)\. A line source has no"):
        line_source_field([1.0, 0.0], frequency_mhz=400.0)
    with pytest.raises(InputError, match=r"distance_m must be greater than zero \(received -1\)"):
        point_source_response(_current(t), interval_ns=0.1, distance_m=-1.0)
    with pytest.raises(InputError, match="frequency_mhz must be greater than 0"):
        wavenumber([400.0, 0.0])
    with pytest.raises(InputError, match="frequency_mhz must be greater than 0"):
        wavenumber(400.0 + 1j)
    with pytest.raises(InputError, match="frequency_mhz holds values that are not finite"):
        wavenumber(np.nan)
    with pytest.raises(InputError, match="permittivity must have a real part greater than 0"):
        Medium(-1.0)
    with pytest.raises(InputError, match=r"permittivity amplifies the wave.*loss is a negative imaginary part"):
        Medium(9.0 + 1j)
    with pytest.raises(InputError, match=r"conductivity_ms_per_m must not be negative \(received -1\.0\)"):
        Medium(9.0, -1.0)


def test_faults_of_pulses() -> None:
    t = 0.1 * np.arange(200)
    with pytest.raises(InputError, match=r"the pulse does not start and end at zero.*Take more of it, or taper"):
        line_source_response(_current(t + 5.5), interval_ns=0.1, distance_m=1.0, medium=AIR)
    with pytest.raises(
        InputError, match=r"sampled too coarsely .*at 500 MHz, half the sampling rate.*shorter interval"
    ):
        line_source_response(_current(10 * t), interval_ns=1.0, distance_m=1.0)
    with pytest.raises(InputError, match="the pulse is zero throughout"):
        line_source_response(np.zeros(5), interval_ns=1.0, distance_m=1.0)
    with pytest.raises(InputError, match="samples must be at least 1"):
        line_source_response(_current(t), interval_ns=0.1, distance_m=1.0, samples=0)


def test_sampling_demand_holds_where_it_is_stated() -> None:
    # At 1/(7.3 f) a Ricker current passes, and the field is right to 1e-5 of its peak; at 1/(10 f) to 1e-9.
    for number, share in ((7.3, 1e-5), (10.0, 1e-9)):
        step = 1e3 / (number * 400.0)
        t = step * np.arange(int(30.0 / step))
        found = line_source_response(_current(t), interval_ns=step, distance_m=0.8)
        expected = np.array([_closed(time, 0.8, 1.0, 0.0) for time in t])
        np.testing.assert_allclose(found, expected, atol=share * np.abs(expected).max())


def test_reference_values_of_the_hankel_function() -> None:
    # Abramowitz & Stegun 1964, tables 9.1 and 9.2: the library function that all this rests on.
    assert hankel2(0, 1.0) == pytest.approx(0.7651976866 - 0.0882569642j, abs=1e-10)
    assert hankel2(1, 1.0) == pytest.approx(0.4400505857 + 0.7812128213j, abs=1e-10)
    assert hankel2(0, 10.0) == pytest.approx(-0.2459357645 - 0.0556711673j, abs=1e-10)
    # Computed apart.
    assert hankel2(0, 5 - 0.5j) == pytest.approx(-0.1162288669 + 0.1807402888j, abs=1e-10)
