"""Permittivity and water content, against printed relations and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    archie_conductivity,
    ledieu_moisture,
    mixed_permittivity,
    topp_moisture,
    topp_moisture_exact,
    topp_permittivity,
    topp_slope,
    velocity_of_permittivity,
    water_permittivity,
)

# Computed by hand from the two polynomials printed by Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582:
# θ, ε(θ), c/√ε(θ) in m/ns, θ(ε(θ)) by eq. 7.
TOPP_ROWS = [
    (0.00, 3.03000, 0.17223, 0.03055),
    (0.05, 3.85041, 0.15278, 0.05152),
    (0.10, 5.34330, 0.12969, 0.08798),
    (0.15, 7.45114, 0.10983, 0.13582),
    (0.20, 10.11640, 0.09426, 0.19056),
    (0.25, 13.28156, 0.08226, 0.24788),
    (0.30, 16.88910, 0.07295, 0.30399),
    (0.35, 20.88149, 0.06561, 0.35607),
    (0.40, 25.20120, 0.05972, 0.40239),
]


@pytest.mark.parametrize(("theta", "eps", "v", "back"), TOPP_ROWS)
def test_topp_table(theta: float, eps: float, v: float, back: float) -> None:
    assert topp_permittivity(theta) == pytest.approx(eps, abs=1e-5)
    assert velocity_of_permittivity(eps) == pytest.approx(v, abs=1e-5)
    assert topp_moisture(topp_permittivity(theta)) == pytest.approx(back, abs=1e-5)


@pytest.mark.parametrize(
    ("eps", "topp", "ledieu"),
    # Topp et al. 1980 eq. 7, and Ledieu et al. 1986, J. Hydrol. 88:319-328.
    [
        (4, 0.05528, 0.05180),
        (5, 0.07979, 0.07866),
        (9, 0.16838, 0.16560),
        (10, 0.18830, 0.18407),
        (16, 0.29101, 0.27940),
        (20, 0.34540, 0.33313),
        (25, 0.40044, 0.39320),
        (30, 0.44410, 0.44751),
        (40, 0.51020, 0.54393),
    ],
)
def test_moisture_from_permittivity(eps: float, topp: float, ledieu: float) -> None:
    assert topp_moisture(eps) == pytest.approx(topp, abs=1e-5)
    assert ledieu_moisture(eps) == pytest.approx(ledieu, abs=1e-5)


def test_topp_polynomials_are_separate_fits() -> None:
    theta = np.linspace(0.05, 0.45, 401)
    gap = topp_moisture(topp_permittivity(theta)) - theta
    assert np.abs(gap).max() < 0.015
    assert np.abs(gap).max() > 0.013


@given(st.floats(min_value=0.0, max_value=0.6))
@settings(max_examples=60, deadline=None)
def test_exact_inverse_round_trip(theta: float) -> None:
    assert topp_moisture_exact(topp_permittivity(theta)) == pytest.approx(theta, abs=1e-10)


def test_topp_slope_is_the_derivative() -> None:
    theta = np.linspace(0.02, 0.58, 29)
    step = 1e-5
    difference = (topp_permittivity(theta + step) - topp_permittivity(theta - step)) / (2 * step)
    np.testing.assert_allclose(topp_slope(theta), difference, rtol=1e-8)


def test_wetter_is_always_denser_and_slower() -> None:
    theta = np.linspace(0, 0.6, 601)
    assert (np.diff(topp_permittivity(theta)) > 0).all()
    assert (np.diff(velocity_of_permittivity(topp_permittivity(theta))) < 0).all()
    assert (np.diff(mixed_permittivity(np.linspace(0, 0.4, 50), porosity=0.4)) > 0).all()


def test_one_percent_of_velocity_in_moisture() -> None:
    # dθ/dε of eq. 7 at ε = 9 is 0.0203449: 1 % of velocity is 2 % of permittivity, 0.0037 of moisture.
    slope = (topp_moisture(9 + 1e-4) - topp_moisture(9 - 1e-4)) / 2e-4
    assert slope == pytest.approx(0.0203449, abs=1e-7)
    assert slope * 9 * 0.02 == pytest.approx(0.0037, abs=5e-5)


@pytest.mark.parametrize(
    ("solid", "water", "expected"),
    # Birchak et al. 1974, Proc. IEEE 62:93-98 (exponent ½), porosity 0.4, computed from the printed formula.
    [
        (5.0, 80.1, [3.03331, 4.57589, 6.43448, 11.09964, 17.02882, 24.22200]),
        (4.0, 80.0, [2.56000, 3.98886, 5.73328, 10.16879, 15.86653, 22.82650]),
    ],
)
def test_mixing(solid: float, water: float, expected: list[float]) -> None:
    theta = [0.0, 0.05, 0.10, 0.20, 0.30, 0.40]
    np.testing.assert_allclose(mixed_permittivity(theta, porosity=0.4, solid=solid, water=water), expected, atol=1e-5)


def test_mixing_against_a_published_library_value() -> None:
    # A public soil-moisture library documents θ = 0.210 for ε = 10, bulk density 1.3, grain density 2.65,
    # ε_s = 4, ε_w = 80, and an exponent of one half.
    eps = mixed_permittivity(0.2104298, porosity=1 - 1.3 / 2.65, solid=4.0, water=80.0)
    assert eps == pytest.approx(10.0, abs=1e-5)


def test_mixing_limits() -> None:
    assert mixed_permittivity(0.0, porosity=0.0, solid=5.0) == pytest.approx(5.0, rel=1e-12)
    assert mixed_permittivity(1.0, porosity=1.0, water=80.1) == pytest.approx(80.1, rel=1e-12)
    assert mixed_permittivity(0.0, porosity=1.0) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(("t", "eps"), [(0, 87.740), (10, 83.832), (20, 80.103), (25, 78.303)])
def test_water(t: float, eps: float) -> None:
    # Malmberg & Maryott 1956, J. Res. Natl. Bur. Stand. 56(1):1-8.
    assert water_permittivity(t) == pytest.approx(eps, abs=1e-3)


def test_archie() -> None:
    # Archie 1942, Trans. AIME 146:54-62; computed from the printed law, pore water 50 mS/m.
    def archie(s: float, m: float) -> float:
        return float(archie_conductivity(s, porosity=0.4, water_ms_per_m=50.0, cementation=m))

    assert archie(1.0, 1.3) == pytest.approx(15.1932, abs=1e-4)
    assert archie(1.0, 2.0) == pytest.approx(8.0, abs=1e-9)
    assert archie(0.5, 1.5) == pytest.approx(3.16228, abs=1e-5)


def test_nan_stays_nan_and_inputs_are_kept() -> None:
    theta = np.array([0.1, np.nan])
    before = theta.copy()
    for function in (topp_permittivity, topp_slope):
        assert np.isnan(function(theta)).tolist() == [False, True]
    assert np.isnan(topp_moisture_exact(np.array([9.0, np.nan]))).tolist() == [False, True]
    np.testing.assert_array_equal(theta, before)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"vwc must lie between 0 and 0\.6 \(received 21\)"):
        topp_permittivity([0.2, 21.0])
    with pytest.raises(InputError, match=r"permittivity must lie between 3\.03 and 44"):
        topp_moisture_exact(2.0)
    with pytest.raises(InputError, match=r"vwc must lie between 0 and 0\.4 \(received 0\.5\)"):
        mixed_permittivity(0.5, porosity=0.4)
    with pytest.raises(InputError, match=r"vwc must be numbers \(received str\)"):
        topp_permittivity("wet")
    with pytest.raises(InputError, match=r"temperature_c must lie between 0 and 100 \(received -4\)"):
        water_permittivity(-4.0)
    with pytest.raises(InputError, match=r"saturation must lie between 0 and 1 \(received 1\.2\)"):
        archie_conductivity(1.2, porosity=0.4, water_ms_per_m=50.0)
    with pytest.raises(InputError, match="water_ms_per_m must be greater than zero"):
        archie_conductivity(1.0, porosity=0.4, water_ms_per_m=0.0)


def test_pores_may_differ_from_cell_to_cell():
    both = mixed_permittivity([0.2, 0.5], porosity=[0.4, 0.5])
    alone = [float(mixed_permittivity(0.2, porosity=0.4)), float(mixed_permittivity(0.5, porosity=0.5))]
    np.testing.assert_array_equal(both, alone)
    with pytest.raises(InputError, match=r"vwc must lie between 0 and 0\.5 \(received 0\.6\)"):
        mixed_permittivity([0.2, 0.6], porosity=[0.4, 0.5])
    with pytest.raises(InputError, match="porosity must be finite"):
        mixed_permittivity(0.2, porosity=np.nan)
