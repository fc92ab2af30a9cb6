"""Waves on a Yee grid, and the constants of an absorbing layer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    AIR,
    Medium,
    absorber_conductivity_s_per_m,
    absorber_reflection,
    cells_per_wavelength,
    courant_limit_ns,
    largest_cell_m,
    numerical_phase_velocity,
    numerical_wavenumber,
    wavenumber,
)
from yewline.units import C_M_PER_NS, EPS0_F_PER_M, ETA0_OHM, MU0_H_PER_M

ANGLES = (0.0, 22.5, 45.0)


def test_waves_of_the_grid_obey_its_own_update() -> None:
    # A plane wave with the numerical wavenumber, put into the difference equations of the scheme: ε(Eⁿ⁺¹ − Eⁿ)/Δt +
    # σ(Eⁿ⁺¹ + Eⁿ)/2 = curl H and μ(Hⁿ⁺½ − Hⁿ⁻½)/Δt = −curl E, with centred differences (Taflove & Hagness 2005, ch. 3).
    cell, step, f, angle = 0.01, 0.02, 700.0, 30.0
    medium = Medium(9.0, 25.0)
    k = complex(numerical_wavenumber(f, cell_m=cell, interval_ns=step, medium=medium, angle_deg=angle))
    kx, kz = k * math.cos(math.radians(angle)), k * math.sin(math.radians(angle))
    half_turn = 2e-3 * math.pi * f * step / 2
    rate = 2j * math.sin(half_turn) / (step * 1e-9)
    # E = 1 at the node: μ ∂Hx/∂t = ∂E/∂z, μ ∂Hz/∂t = −∂E/∂x, ε ∂E/∂t + σE = ∂Hx/∂z − ∂Hz/∂x.
    by_x, by_z = (-2j * np.sin(part * cell / 2) / cell for part in (kx, kz))
    hx, hz = by_z / (MU0_H_PER_M * rate), -by_x / (MU0_H_PER_M * rate)
    current = 9.0 * EPS0_F_PER_M * rate + 0.025 * math.cos(half_turn)
    assert by_z * hx - by_x * hz == pytest.approx(current, rel=1e-10)


# Taflove & Hagness 2005, Computational Electrodynamics, ch. 4 (formula from memory; 0.996892 and 0.998968 stand
# there, the others are computed from it apart).
@pytest.mark.parametrize(
    ("cells", "half", "limit"),
    [
        (5, (0.943082, 0.963734, 0.982334), (0.961686, 0.981802, 1.0)),
        (10, (0.987264, 0.991587, 0.995817), (0.991485, 0.995788, 1.0)),
        (15, (0.994440, 0.996308, 0.998158), (0.996289, 0.998153, 1.0)),
        (20, (0.996892, 0.997932, 0.998968), (0.997926, 0.998966, 1.0)),
        (30, (0.998624, 0.999084, 0.999542), (0.999083, 0.999542, 1.0)),
    ],
)
def test_numerical_phase_velocity_table(
    cells: int, half: tuple[float, float, float], limit: tuple[float, float, float]
) -> None:
    np.testing.assert_allclose(numerical_phase_velocity(cells, courant=0.5, angle_deg=ANGLES), half, atol=1e-6)
    at_limit = numerical_phase_velocity(cells, courant=1 / math.sqrt(2), angle_deg=ANGLES)
    np.testing.assert_allclose(at_limit, limit, atol=1e-6)


def test_one_dimension_at_the_limit_is_exact() -> None:
    # Taflove & Hagness 2005, ch. 2: the magic time step.
    np.testing.assert_allclose(numerical_phase_velocity([3.0, 5.0, 10.0, 20.0], courant=1.0), 1.0, rtol=1e-12)


def test_wavenumber_and_phase_velocity_agree() -> None:
    cell, step = 0.01, 0.5 * 0.01 * 3.0 / C_M_PER_NS
    f = C_M_PER_NS / (3.0 * 20 * cell) * 1e3
    k = numerical_wavenumber(f, cell_m=cell, interval_ns=step, medium=Medium(9.0), angle_deg=ANGLES)
    np.testing.assert_allclose(
        wavenumber(f, medium=Medium(9.0)).real / k.real, (0.996892, 0.997932, 0.998968), atol=1e-6
    )
    np.testing.assert_array_equal(k.imag, 0.0)


def test_wavenumber_nears_the_true_one_at_second_order() -> None:
    medium = Medium(16.0, 30.0)
    true = complex(wavenumber(400.0, medium=medium))
    wrong = []
    for cell in (8e-3, 4e-3, 2e-3, 1e-3):
        step = 0.9 * courant_limit_ns(cell)
        wrong.append(abs(complex(numerical_wavenumber(400.0, cell_m=cell, interval_ns=step, medium=medium)) / true - 1))
    orders = np.log2(np.array(wrong[:-1]) / np.array(wrong[1:]))
    np.testing.assert_allclose(orders, 2.0, atol=0.02)


@settings(max_examples=25, deadline=None)
@given(st.floats(5.0, 60.0), st.floats(0.05, 0.7), st.floats(0.0, 90.0))
def test_dispersion_is_the_same_in_all_eight_directions(cells: float, courant: float, angle: float) -> None:
    turned = (angle, 90.0 - angle, 90.0 + angle, 180.0 - angle)
    found = numerical_phase_velocity(cells, courant=courant, angle_deg=turned)
    np.testing.assert_allclose(found, found[0], rtol=1e-11)
    assert found[0] <= 1 + 1e-12


def test_courant_limit() -> None:
    # Taflove & Hagness 2005, ch. 4, in ps.
    for cell, expected in ((0.01, (33.3564, 23.5865, 19.2583)), (0.005, (None, 11.7933, 9.6292))):
        for dimensions, value in zip((1, 2, 3), expected, strict=True):
            if value is not None:
                assert 1e3 * courant_limit_ns(cell, dimensions=dimensions) == pytest.approx(value, abs=5.1e-5)
    assert courant_limit_ns(0.01, v_m_per_ns=C_M_PER_NS / 3) == pytest.approx(3 * courant_limit_ns(0.01))


def test_cell_rule() -> None:
    # Ten cells a wavelength at the −40 dB edge, 2.763757 times the peak: 400 MHz in permittivity 25 asks for 5.4 mm.
    assert largest_cell_m(400.0, permittivity=25.0) == pytest.approx(C_M_PER_NS / (5 * 0.4 * 2.763757 * 10), rel=1e-6)
    assert round(1e3 * largest_cell_m(400.0, permittivity=25.0), 1) == 5.4
    # The older rule of three times the peak in a permittivity of 9: 8.3 mm.
    cell = C_M_PER_NS / (3 * 1.2 * 10)
    assert round(1e3 * cell, 1) == 8.3
    assert cells_per_wavelength(cell, frequency_mhz=1200.0, permittivity=9.0) == pytest.approx(10.0, rel=1e-12)
    # The densest material decides; conduction shortens the wave further.
    assert largest_cell_m(400.0, permittivity=[1.0, 25.0, 4.0]) == largest_cell_m(400.0, permittivity=25.0)
    wet = largest_cell_m(400.0, permittivity=25.0, conductivity_ms_per_m=500.0)
    assert wet < largest_cell_m(400.0, permittivity=25.0)


def test_absorber_constants() -> None:
    # Roden & Gedney 2000, Microw. Opt. Technol. Lett. 27:334-339, eq. 15; Taflove & Hagness 2005, ch. 7.
    assert absorber_conductivity_s_per_m(0.01) == pytest.approx(0.848826, abs=1e-6)
    assert absorber_conductivity_s_per_m(0.01, rule="taflove") == pytest.approx(0.849414, abs=1e-6)
    assert absorber_conductivity_s_per_m(0.01, permittivity=9.0) == pytest.approx(0.282942, abs=1e-6)
    assert absorber_conductivity_s_per_m(0.005, order=4.0) == pytest.approx(2 * 0.848826 * 5 / 4, rel=1e-5)


def test_absorber_reflection() -> None:
    # Ten cells of the optimum: e⁻¹⁶ = 1.13e-7, −139 dB, in any medium.
    for eps in (1.0, 9.0):
        sigma = absorber_conductivity_s_per_m(0.01, permittivity=eps, rule="taflove")
        found = absorber_reflection(sigma, thickness_m=0.1, permittivity=eps)
        assert found == pytest.approx(1.125e-7, rel=1e-3)
        assert 20 * math.log10(found) == pytest.approx(-139.0, abs=0.1)
    # By integrating the graded loss there and back: 2 η ∫ σ (x/d)³ dx cos θ.
    x = (np.arange(20000) + 0.5) / 20000 * 0.2
    loss = 2 * ETA0_OHM * float(np.sum(0.5 * (x / 0.2) ** 3)) * 0.2 / 20000 * math.cos(math.radians(60.0))
    assert absorber_reflection(0.5, thickness_m=0.2, angle_deg=60.0) == pytest.approx(math.exp(-loss), rel=1e-6)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"dimensions must be 1, 2 or 3 \(received 4\)"):
        courant_limit_ns(0.01, dimensions=4)
    with pytest.raises(InputError, match=r"longer than 2 cells \(received 1\.5\)"):
        numerical_phase_velocity([10.0, 1.5], courant=0.5)
    with pytest.raises(InputError, match=r"the grid carries no wave as short as that\. Take a smaller cell"):
        numerical_phase_velocity(2.1, courant=0.1)
    with pytest.raises(
        InputError, match=r"time step above the Courant limit \(received 0\.03 ns\)\. Take at most 0\.0235"
    ):
        numerical_wavenumber(400.0, cell_m=0.01, interval_ns=0.03, medium=AIR)
    with pytest.raises(InputError, match="frequency_mhz must lie below half the sampling rate"):
        numerical_wavenumber(30000.0, cell_m=0.01, interval_ns=0.02, medium=AIR)
    with pytest.raises(InputError, match="permittivity must be at least 1"):
        absorber_conductivity_s_per_m(0.01, permittivity=0.5)
    with pytest.raises(InputError, match="rule must be one of roden-gedney, taflove"):
        absorber_conductivity_s_per_m(0.01, rule="best")
