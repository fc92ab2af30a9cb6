"""Relaxing water, ice, mixtures, the texture model and conduction, against printed values and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    archie_conductivity,
    conductivity_at_temperature,
    ice_permittivity,
    mixed_permittivity,
    mixture_permittivity,
    surface_conductivity,
    texture_conductivity,
    texture_exponent,
    texture_permittivity,
    topp_permittivity,
    water_permittivity,
    water_relaxation,
)
from yewline.units import C_M_PER_NS

# Kaatze 1989, J. Chem. Eng. Data 34:371-374: temperature, ε_s, ε_∞, τ in ps. At 25 °C the paper has 78.4 and 8.27 ps.
KAATZE = [
    (0, 87.910, 5.770, 17.616),
    (10, 83.971, 5.496, 12.700),
    (20, 80.208, 5.222, 9.466),
    (25, 78.391, 5.085, 8.272),
]
# Klein & Swift 1977 for ε_s, Stogryn 1971 for τ: temperature, ε_s, τ in ps, frequency of the relaxation in GHz.
STOGRYN = [
    (0, 88.045, 17.681, 9.002),
    (10, 83.972, 12.618, 12.614),
    (20, 80.089, 9.276, 17.157),
    (25, 78.239, 8.099, 19.650),
]


@pytest.mark.parametrize(("t", "static", "infinite", "ps"), KAATZE)
def test_kaatze_water(t: float, static: float, infinite: float, ps: float) -> None:
    water = water_relaxation(t)
    assert water.static == pytest.approx(static, abs=1e-3)
    assert water.infinite == pytest.approx(infinite, abs=1e-3)
    assert 1e3 * water.time_ns == pytest.approx(ps, abs=1e-3)


@pytest.mark.parametrize(("t", "static", "ps", "ghz"), STOGRYN)
def test_stogryn_water(t: float, static: float, ps: float, ghz: float) -> None:
    water = water_relaxation(t, model="stogryn")
    assert water.static == pytest.approx(static, abs=1e-3)
    # The printed polynomial is 2πτ: taken for τ it would be 6.28 times as long.
    assert 1e3 * water.time_ns == pytest.approx(ps, abs=1e-3)
    assert 1.0 / (2.0 * np.pi * water.time_ns) == pytest.approx(ghz, abs=2e-3)
    # Lane & Saxton 1952, Proc. R. Soc. A 214:531-545.
    assert water.infinite == 4.9


@pytest.mark.parametrize(
    ("t", "mhz", "eps"),
    # Debye's formula with Kaatze's parameters.
    [
        (0, 400, 87.7497 - 3.6295j),
        (10, 400, 83.8913 - 2.5022j),
        (20, 400, 80.1660 - 1.7830j),
        (25, 400, 78.3591 - 1.5234j),
        (20, 1000, 79.9441 - 4.4444j),
    ],
)
def test_water_at_a_frequency(t: float, mhz: float, eps: complex) -> None:
    assert complex(water_relaxation(t).at(mhz)) == pytest.approx(eps, abs=1e-4)


def test_water_relaxes_between_its_ends() -> None:
    water = water_relaxation(np.array([5.0, 15.0]))
    assert water.at(0.0).real == pytest.approx(water.static)
    assert water.at(1e9).real == pytest.approx(water.infinite, rel=1e-6)
    # At the relaxation frequency the real part is halfway and the loss has its peak, half the step.
    peak = water.at(1e3 / (2.0 * np.pi * water.time_ns))
    assert peak.real == pytest.approx(0.5 * (water.static + water.infinite))
    assert -peak.imag == pytest.approx(0.5 * (water.static - water.infinite))
    # Three independent fits of the static value agree within 0.4 %.
    for t in (0.0, 10.0, 20.0, 30.0):
        one, other = water_relaxation(t).static, water_relaxation(t, model="stogryn").static
        assert one == pytest.approx(water_permittivity(t), rel=4e-3)
        assert other == pytest.approx(water_permittivity(t), rel=4e-3)


def test_ice() -> None:
    # Mätzler & Wegmüller 1987, J. Phys. D 20:1623-1630.
    assert ice_permittivity([0.0, -10.0]) == pytest.approx([3.1884, 3.1793], abs=1e-4)
    # Robin 1975: 167.7 ± 0.3 m/µs in a borehole at −20 °C. The two disagree by 0.4 %, twice the borehole's error.
    assert 1e3 * C_M_PER_NS / np.sqrt(ice_permittivity(-20.0)) == pytest.approx(167.7, rel=5e-3)


@pytest.mark.parametrize(
    ("theta", "eps"),
    # Birchak et al. 1974, Proc. IEEE 62:93-98: porosity 0.4, solid 5, water 80.1.
    [(0.0, 3.03331), (0.05, 4.57589), (0.10, 6.43448), (0.20, 11.09964), (0.30, 17.02882), (0.40, 24.22200)],
)
def test_mixture_of_three_parts(theta: float, eps: float) -> None:
    mixed = mixture_permittivity([0.6, theta, 0.4 - theta], [5.0, 80.1, 1.0])
    assert complex(mixed) == pytest.approx(eps, abs=1e-5)
    assert complex(mixed) == pytest.approx(float(mixed_permittivity(theta, porosity=0.4)), rel=1e-12)


@given(
    theta=st.floats(0.0, 0.4),
    exponent=st.floats(0.2, 1.0),
    loss=st.floats(0.0, 30.0),
)
@settings(max_examples=40, deadline=None)
def test_mixture_lies_between_its_parts_and_loses_only(theta: float, exponent: float, loss: float) -> None:
    eps = complex(mixture_permittivity([0.6, theta, 0.4 - theta], [5.0, 80.0 - 1j * loss, 1.0], exponent=exponent))
    assert 1.0 <= eps.real <= 80.0 * (1 + 1e-12)
    assert -loss - 1e-12 <= eps.imag <= 0.0


def test_texture_exponent() -> None:
    # Wunderlich et al. 2013, Vadose Zone J. 12(4).
    assert texture_exponent([0.0, 0.5]) == pytest.approx([0.71, 0.48])


@pytest.mark.parametrize(
    ("sand", "clay", "ghz", "theta", "real", "loss"),
    # Peplinski, Ulaby & Dobson 1995 with Dobson et al. 1985, worked from the printed formulas: bulk density 1.5, 20 °C.
    [
        (0.4, 0.2, 0.5, 0.1, 7.0914, 1.3009),
        (0.4, 0.2, 0.5, 0.2, 13.1261, 2.1006),
        (0.4, 0.2, 0.5, 0.3, 20.4367, 2.8206),
        (0.4, 0.2, 1.0, 0.2, 13.1048, 1.2854),
        (0.5, 0.15, 0.4, 0.2, 14.1572, 2.3123),
    ],
)
def test_texture_model(sand: float, clay: float, ghz: float, theta: float, real: float, loss: float) -> None:
    eps = complex(texture_permittivity(theta, sand=sand, clay=clay, frequency_mhz=1e3 * ghz))
    assert eps == pytest.approx(real - 1j * loss, abs=1e-4)


def test_texture_conduction_adds_the_clay() -> None:
    # Peplinski et al. 1995 add 0.6614 C; a formula in circulation subtracts 0.006614 of the percentage: 0.01444 S/m.
    assert texture_conductivity(0.4, 0.3, 1.5) == pytest.approx(411.28, abs=0.01)
    assert texture_conductivity(0.4, 0.2, 1.5) == pytest.approx(345.14, abs=0.01)
    # The fit goes below zero in loose sand; a soil that amplifies is no soil.
    assert texture_conductivity(1.0, 0.0, 1.2) == 0.0


def test_texture_model_near_topp_and_dry() -> None:
    # Two independent relations for the same soil: within about 35 % of each other (Topp et al. 1980).
    theta = np.array([0.1, 0.2, 0.3])
    ratio = texture_permittivity(theta, sand=0.4, clay=0.2, frequency_mhz=500.0).real / topp_permittivity(theta)
    assert ((ratio > 1.0) & (ratio < 1.35)).all()
    dry = complex(texture_permittivity(0.0, sand=0.4, clay=0.2, frequency_mhz=500.0))
    assert dry.imag == 0.0
    assert 2.0 < dry.real < 4.0


@given(theta=st.floats(0.005, 0.42), sand=st.floats(0.0, 0.6), mhz=st.floats(50.0, 1290.0))
@settings(max_examples=40, deadline=None)
def test_texture_model_rises_with_water(theta: float, sand: float, mhz: float) -> None:
    one, more = texture_permittivity([theta, theta + 0.01], sand=sand, clay=0.2, frequency_mhz=mhz)
    assert more.real > one.real > 1.0
    assert more.imag < one.imag < 0.0


def test_conduction() -> None:
    # Archie 1942: S = 1, m = 1.3 and 2; S = 0.5, m = 1.5; water of 50 mS/m, porosity 0.4. Arrays give the same bytes.
    for s, m, expected in ((1.0, 1.3, 15.1932), (1.0, 2.0, 8.0), (0.5, 1.5, 3.16228)):
        one = archie_conductivity(s, porosity=0.4, water_ms_per_m=50.0, cementation=m)
        many = archie_conductivity([s, s], porosity=np.array([0.4, 0.2]), water_ms_per_m=50.0, cementation=m)
        assert one == pytest.approx(expected, rel=1e-5)
        assert many == pytest.approx([expected, expected * 0.5**m], rel=1e-5)
    # Rhoades et al. 1989 (coefficients from memory): 20 % clay has 0.439 dS/m.
    assert surface_conductivity([0.0, 0.2]) == pytest.approx([0.0, 43.9])


def test_conduction_with_temperature() -> None:
    # Corwin & Lesch 2005: the factor to 25 °C is 1.4135 at 10 °C; at 25 °C their fit is 1 within 0.1 %.
    assert 100.0 / conductivity_at_temperature(100.0, 10.0) == pytest.approx(1.4135, abs=1e-4)
    assert conductivity_at_temperature(100.0, 25.0) == pytest.approx(100.0, rel=1e-3)
    # USSL Handbook 60: about 2 % a degree.
    assert conductivity_at_temperature(100.0, 26.0) == pytest.approx(102.0, abs=0.15)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: water_relaxation(-5.0), "temperature_c must lie between -4.1 and 60"),
        (lambda: water_relaxation(-1.0, model="stogryn"), "temperature_c must lie between 0 and 40"),
        (lambda: water_relaxation(10.0, model="none"), "model must be one of"),
        (lambda: water_relaxation(10.0).at(-1.0), "frequency_mhz must be at least 0"),
        (lambda: ice_permittivity(1.0), "temperature_c must lie between -40 and 0"),
        (lambda: mixture_permittivity([0.5], [1.0, 2.0]), "each part needs a share and a permittivity"),
        (lambda: mixture_permittivity([0.5, 0.4], [1.0, 2.0]), "must add up to 1 .received 0.9"),
        (lambda: mixture_permittivity([1.5, -0.5], [1.0, 2.0]), "must not be negative"),
        (lambda: texture_exponent(1.5), "clay must lie between 0 and 1"),
        (lambda: texture_conductivity(0.8, 0.3), "sand and clay must not exceed 1 together"),
        (lambda: texture_conductivity(-0.1, 0.3), "sand must lie between 0 and 1"),
        (lambda: texture_conductivity(0.1, 0.3, 3.0), "bulk_g_per_cm3 must lie between 0 and 2.66"),
        (lambda: texture_permittivity(0.5, sand=0.4, clay=0.2, frequency_mhz=400.0), "between 0 and the pores"),
        (lambda: texture_permittivity(0.2, sand=0.4, clay=0.2, frequency_mhz=2000.0), "frequency_mhz must lie between"),
        (
            lambda: texture_permittivity(0.2, sand=0.4, clay=0.2, frequency_mhz=400.0, temperature_c=-1.0),
            "temperature_c must lie between",
        ),
        (lambda: surface_conductivity(-0.1), "clay must lie between 0 and 1"),
        (lambda: archie_conductivity(0.5, porosity=1.5, water_ms_per_m=50.0), "porosity must lie between 0 and 1"),
        (lambda: archie_conductivity(0.5, porosity=np.nan, water_ms_per_m=50.0), "porosity must be finite"),
        (lambda: conductivity_at_temperature(-1.0, 10.0), "must not be negative"),
        (lambda: conductivity_at_temperature(1.0, 80.0), "temperature_c must lie between"),
    ],
)
def test_what_no_soil_can_be_is_refused(call: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        call()  # type: ignore[operator]
