"""Relations of permittivity and water, there and back, against printed values and wrong constants in circulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    SiteFit,
    conductivity_at_temperature,
    fit_site_relation,
    ice_permittivity,
    ledieu_moisture,
    ledieu_permittivity,
    malicki_moisture,
    malicki_permittivity,
    malicki_porosity_moisture,
    malicki_porosity_permittivity,
    mixed_moisture,
    mixed_permittivity,
    moisture_by_root,
    roth_moisture,
    roth_permittivity,
    schaap_moisture,
    schaap_permittivity,
    site_moisture,
    site_permittivity,
    texture_conductivity,
    texture_permittivity,
    topp_moisture,
    topp_reynolds_moisture,
    topp_reynolds_permittivity,
    water_permittivity,
    water_relaxation,
)

# Worked from the printed formulas: ε, Topp & Reynolds 1998 (Soil Tillage Res. 47:125-132), Malicki, Plagge & Roth 1996
# (Eur. J. Soil Sci. 47:357-366, eq. 10) at bulk densities 1.5 and 1.3 g/cm³.
ROWS = [
    (4, 0.05400, 0.06390, 0.07972),
    (5, 0.08115, 0.09030, 0.10684),
    (9, 0.16900, 0.17576, 0.19461),
    (10, 0.18766, 0.19391, 0.21325),
    (16, 0.28400, 0.28761, 0.30950),
    (20, 0.33830, 0.34042, 0.36374),
    (25, 0.39900, 0.39947, 0.42439),
    (30, 0.45388, 0.45285, 0.47922),
    (40, 0.55132, 0.54763, 0.57657),
]


@pytest.mark.parametrize(("eps", "line", "dense", "loose"), ROWS)
def test_line_and_bulk_density(eps: float, line: float, dense: float, loose: float) -> None:
    assert topp_reynolds_moisture(eps) == pytest.approx(line, abs=1e-5)
    assert malicki_moisture(eps, bulk_g_per_cm3=1.5) == pytest.approx(dense, abs=1e-5)
    assert malicki_moisture(eps, bulk_g_per_cm3=1.3) == pytest.approx(loose, abs=1e-5)


def test_porosity() -> None:
    # Malicki et al. 1996, eq. 12.
    assert malicki_porosity_moisture(9.0, porosity=0.45) == pytest.approx(0.18246, abs=1e-5)


def test_roth_is_the_printed_polynomial() -> None:
    # Roth, Malicki & Plagge 1992, J. Soil Sci. 43:1-13: decimal arithmetic on the printed coefficients at ε = 10.
    assert roth_moisture(10.0) == pytest.approx(-0.0728 + 0.448 - 0.195 + 0.0361, abs=1e-12)
    assert roth_moisture(10.0, organic=True) == pytest.approx(-0.0233 + 0.285 - 0.0431 + 0.00304, abs=1e-12)
    # Organic soil holds more water than mineral soil at the same permittivity (Topp et al. 1980 saw it, too).
    eps = np.array([5.0, 10.0, 20.0])
    assert (roth_moisture(eps, organic=True) > topp_moisture(eps)).all()


def test_ends_that_any_organic_relation_must_meet() -> None:
    # In air there is no water, in water nothing else: physics, no fit. The tolerances are the fits' own errors there.
    assert roth_moisture(1.0, organic=True) == pytest.approx(0.0, abs=0.01)
    assert roth_moisture(80.1, organic=True) == pytest.approx(1.0, abs=0.06)
    assert schaap_moisture(1.0) == 0.0
    assert schaap_moisture(80.1) == pytest.approx(1.0, abs=0.05)


@given(eps=st.floats(4.0, 40.0), rho=st.floats(0.2, 2.0), n=st.floats(0.3, 0.8))
@settings(max_examples=60, deadline=None)
def test_every_way_back_is_exact(eps: float, rho: float, n: float) -> None:
    pairs = [
        (ledieu_permittivity, ledieu_moisture, {}),
        (topp_reynolds_permittivity, topp_reynolds_moisture, {}),
        (malicki_permittivity, malicki_moisture, {"bulk_g_per_cm3": rho}),
        (malicki_porosity_permittivity, malicki_porosity_moisture, {"porosity": n}),
        (roth_permittivity, roth_moisture, {"organic": False}),
        (roth_permittivity, roth_moisture, {"organic": True}),
        (schaap_permittivity, schaap_moisture, {}),
    ]
    for forward, back, needs in pairs:
        theta = back(eps, **needs)
        if 0.0 <= theta <= 0.6:
            assert forward(theta, **needs) == pytest.approx(eps, rel=1e-10)
    theta = n * (eps - 4.0) / 36.0
    assert mixed_moisture(mixed_permittivity(theta, porosity=n), porosity=n) == pytest.approx(theta, abs=1e-12)


@given(theta=st.floats(1e-4, 0.42), sand=st.floats(0.0, 0.6))
@settings(max_examples=30, deadline=None)
def test_texture_model_back_by_root(theta: float, sand: float) -> None:
    def soil(vwc: np.ndarray) -> np.ndarray:
        return texture_permittivity(vwc, sand=sand, clay=0.2, frequency_mhz=400.0).real

    assert moisture_by_root(soil(np.array(theta)), soil, highest_vwc=0.43) == pytest.approx(theta, abs=1e-12)
    # From no water at all the texture model falls for the first 10⁻⁵ m³/m³ before it rises: its own, and harmless.
    assert moisture_by_root(soil(np.array(0.0)), soil, highest_vwc=0.43) == pytest.approx(0.0, abs=2e-5)


def test_mixture_back_against_a_published_library_value() -> None:
    # A public soil-moisture library documents θ = 0.210 for ε = 10, bulk density 1.3, grain density 2.65, ε_s = 4,
    # ε_w = 80, exponent one half.
    theta = mixed_moisture(10.0, porosity=1 - 1.3 / 2.65, solid=4.0, water=80.0)
    assert theta == pytest.approx(0.2104298, abs=1e-7)


def test_a_sites_own_line() -> None:
    # Herkelrath et al. 1991, Water Resour. Res. 27:857-864: a and b are of the site; a known pair comes back exactly.
    eps = np.array([3.0, 6.0, 11.0, 20.0, 28.0])
    truth = SiteFit(-0.21, 0.131)
    fit = fit_site_relation(eps, site_moisture(eps, truth))
    assert (fit.intercept_vwc, fit.slope_vwc) == pytest.approx((-0.21, 0.131), abs=1e-12)
    assert fit.sd_vwc == pytest.approx(0.0, abs=1e-12)
    assert site_permittivity(site_moisture(11.0, truth), truth) == pytest.approx(11.0, rel=1e-12)


def test_a_sites_fit_against_numpy() -> None:
    rng = np.random.default_rng(4)
    eps = rng.uniform(3, 30, 25)
    theta = np.clip(site_moisture(eps, SiteFit(-0.17, 0.11)) + rng.normal(0, 0.01, 25), 0, None)
    fit = fit_site_relation(eps, theta)
    (slope, intercept), left, *_ = np.polyfit(np.sqrt(eps), theta, 1, full=True)
    assert (fit.intercept_vwc, fit.slope_vwc) == pytest.approx((intercept, slope), rel=1e-10)
    assert fit.sd_vwc == pytest.approx(np.sqrt(left[0] / 23), rel=1e-10)


# --- Constants in circulation that are wrong: each must lead to another number than ours.


def test_topp_back_has_2_92() -> None:
    # 2.93e-2 stands in secondary texts: 0.51420 at ε = 40, 0.40294 at 25 (Topp et al. 1980, eq. 7, has 2.92e-2).
    assert topp_moisture(40.0) == pytest.approx(0.51020, abs=1e-5)
    assert abs(topp_moisture(40.0) - 0.51420) > 3e-3
    assert abs(topp_moisture(25.0) - 0.40294) > 2e-3


def test_malicki_has_0_159() -> None:
    # A public code has 0.168 ρ² in place of 0.159 ρ².
    wrong = (3.0 - 0.819 - 0.168 * 1.5 - 0.168 * 1.5**2) / (7.17 + 1.18 * 1.5)
    assert abs(malicki_moisture(9.0, bulk_g_per_cm3=1.5) - wrong) > 2e-3


def test_roth_organic_constant_is_below_zero() -> None:
    # With + (another code) air would hold 5 % of water.
    assert roth_moisture(1.0, organic=True) < 0.01
    assert roth_moisture(1.0, organic=True) + 2 * 0.0233 > 0.05


def test_herkelrath_has_no_general_pair() -> None:
    # 0.115 and −0.176 are Topp & Reynolds': nothing takes them for a site's own.
    with pytest.raises(TypeError):
        SiteFit()  # type: ignore[call-arg]


def test_water_is_fresh_and_its_signs_are_right() -> None:
    at_20 = water_relaxation(20.0, model="stogryn")
    # Klein & Swift's sea-water form at salinity 0 starts from 87.134: not for fresh water.
    assert water_relaxation(0.0, model="stogryn").static == pytest.approx(88.045, abs=1e-9)
    # Klein & Swift 1977 print τ itself, 1.768e-11 − 6.086e-13 T + 1.104e-14 T² − 8.111e-17 T³: Stogryn's 2πτ over 2π.
    # It tells apart 2πτ taken for τ, "+3.824e-12", and 6.068e-13, which transposes two digits.
    assert 1e-9 * at_20.time_ns == pytest.approx(
        1.768e-11 - 6.086e-13 * 20 + 1.104e-14 * 400 - 8.111e-17 * 8000, rel=2e-4
    )
    assert abs(1e-9 * at_20.time_ns / (1.768e-11 - 6.068e-13 * 20 + 1.104e-14 * 400 - 8.111e-17 * 8000) - 1) > 3e-3
    # Malmberg & Maryott 1956: one public code adds 4.0008 T; water would rise to 168 at 20 °C.
    assert np.diff(water_permittivity([0.0, 20.0]))[0] == pytest.approx(-7.637, abs=1e-3)
    # A slope of −0.377 a degree from 0 to 25 °C.
    assert np.diff(water_permittivity([0.0, 25.0]))[0] / 25 == pytest.approx(-0.377, abs=1e-3)


def test_texture_conduction_is_that_of_the_low_band() -> None:
    # Dobson et al. 1985 for 1.4 to 18 GHz: −1.645 + 1.939 ρ − 2.25622 S + 1.594 C is 0.680 S/m here, twice as much.
    assert texture_conductivity(0.4, 0.2, 1.5) == pytest.approx(345.14, abs=0.01)
    assert abs(texture_conductivity(0.4, 0.2, 1.5) - 679.8) > 300


def test_ice_between_the_published_values() -> None:
    # 3.15 (conventional) to 3.20.
    assert ((ice_permittivity([-30.0, -10.0, 0.0]) > 3.15) & (ice_permittivity([-30.0, -10.0, 0.0]) < 3.20)).all()


def test_temperature_of_conductivity_is_the_corrected_fit() -> None:
    # Corwin & Lesch 2005 (0.4470, 1.4034, 26.815), not Sheets & Hendrickx 1995 (0.4779, 1.3801, 25.654).
    older = 0.4779 + 1.3801 * np.exp(-10.0 / 25.654)
    ours = float(100.0 / conductivity_at_temperature(100.0, 10.0))
    assert ours == pytest.approx(1.4135, abs=1e-4)
    assert abs(ours - older) > 3e-4


def test_warm_soil_reads_drier() -> None:
    # Porosity 0.4, grains 5, θ 0.3: 18.077 at 0 °C, 16.780 at 25 °C (mixing with Malmberg & Maryott's water); by a
    # fixed Topp curve that is 0.018 less water.
    cold, warm = (mixed_permittivity(0.3, porosity=0.4, water=float(water_permittivity(t))) for t in (0.0, 25.0))
    assert (float(cold), float(warm)) == pytest.approx((18.077, 16.780), abs=1e-3)
    assert topp_moisture(warm) - topp_moisture(cold) == pytest.approx(-0.018, abs=1e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: malicki_moisture(0.5, bulk_g_per_cm3=1.5), "permittivity must lie between 1 and 81"),
        (lambda: malicki_moisture(9.0, bulk_g_per_cm3=1500.0), r"bulk_g_per_cm3 must lie between 0\.1 and 2\.4"),
        (lambda: malicki_porosity_moisture(9.0, porosity=45.0), r"porosity must lie between 0\.2 and 0\.8"),
        (lambda: roth_permittivity(21.0), r"vwc must lie between 0 and 0\.9 \(received 21\)"),
        (lambda: schaap_moisture("wet"), "permittivity must be numbers"),
        (lambda: fit_site_relation([4.0, 9.0], [0.1, 0.2]), "a fit needs 3 samples or more"),
        (lambda: fit_site_relation([9.0] * 3, [0.1, 0.2, 0.3]), "all samples have one permittivity"),
        (lambda: fit_site_relation([4.0, 9.0, 16.0], [0.3, 0.2, 0.1]), "does not rise with water"),
        (lambda: SiteFit(-0.17, -0.1), "slope_vwc must be greater than zero"),
        (lambda: mixed_moisture(60.0, porosity=0.4), "permittivity must lie between 0 and 24"),
        (lambda: mixed_moisture(2.0, porosity=0.4), "below that of the dry soil has no water"),
        (lambda: mixed_moisture(9.0, porosity=0.4, water=1.0), "water must have a higher permittivity than air"),
        (lambda: moisture_by_root(9.0, lambda vwc: 5.0 - vwc), "does not rise with water"),
        (lambda: moisture_by_root(99.0, lambda vwc: 3.0 + 50.0 * vwc), "permittivity must lie between 3 and 33"),
    ],
)
def test_what_cannot_be_is_refused(call: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        call()  # type: ignore[operator]


def test_nan_stays_nan() -> None:
    values = np.array([9.0, np.nan])
    for back in (topp_reynolds_moisture, roth_moisture, schaap_moisture):
        assert np.isnan(back(values)).tolist() == [False, True]
    assert np.isnan(mixed_moisture(values, porosity=0.4)).tolist() == [False, True]
    assert np.isnan(moisture_by_root(values, lambda vwc: 3.0 + 50.0 * vwc)).tolist() == [False, True]
