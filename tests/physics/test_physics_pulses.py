"""The Ricker wavelet and the survey rules."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from yewline.errors import InputError
from yewline.physics import (
    RICKER_CENTROID,
    fresnel_radius_m,
    ricker,
    ricker_band_mhz,
    ricker_spectrum,
    time_interval_ns,
    time_window_ns,
    trace_spacing_m,
    velocity_of_permittivity,
    vertical_resolution_m,
    wavelength_m,
)


def test_shape_of_the_wavelet() -> None:
    # Ricker 1953, Geophysics 18:10-40; Wang 2015, Geophysics 80(2):A31-A37; numbers from the printed formula.
    f = 400.0
    period = 1e3 / f
    assert ricker(0.225079 * period, peak_mhz=f) == pytest.approx(0.0, abs=1e-5)
    assert ricker(0.389848 * period, peak_mhz=f) == pytest.approx(-0.446260, abs=1e-6)
    t = np.linspace(-3, 3, 60001) * period
    wave = ricker(t, peak_mhz=f)
    assert abs(t[wave.argmin()]) == pytest.approx(0.389848 * period, abs=1e-4 * period)
    np.testing.assert_array_equal(wave, ricker(-t, peak_mhz=f))


def test_spectrum_is_the_fourier_transform_of_the_wavelet() -> None:
    f = 250.0
    t = np.arange(-40.0, 40.0, 0.01)
    for frequency in (0.0, 100.0, 250.0, 400.0, 700.0):
        by_sum = (ricker(t, peak_mhz=f) * np.cos(2e-3 * np.pi * frequency * t)).sum() * 0.01
        assert ricker_spectrum(frequency, peak_mhz=f) == pytest.approx(by_sum, abs=1e-9)


def test_spectrum_against_published_figures() -> None:
    # Wang 2015, Geophysics 80(2):A31-A37: peak, half-amplitude band, centroids; −20, −40, −60 dB edges computed.
    f = np.linspace(0.9, 1.1, 20001)
    assert f[ricker_spectrum(f, peak_mhz=1.0).argmax()] == pytest.approx(1.0, abs=1e-5)
    low, high = ricker_band_mhz(peak_mhz=1.0)
    assert low == pytest.approx(0.481623, abs=1e-5)
    assert high == pytest.approx(1.636566, abs=1e-5)
    assert high - low == pytest.approx(1.154942, abs=1e-5)
    for db, edge in ((20, 2.211271), (40, 2.763757), (60, 3.198971)):
        assert ricker_band_mhz(peak_mhz=1.0, level=10 ** (-db / 20))[1] == pytest.approx(edge, abs=1e-5)

    def moment(power: int, order: int) -> float:
        return float(quad(lambda x: x**order * float(ricker_spectrum(x, peak_mhz=1.0)) ** power, 0, 12)[0])

    assert pytest.approx(1.128379, abs=1e-6) == RICKER_CENTROID
    assert moment(1, 1) / moment(1, 0) == pytest.approx(RICKER_CENTROID, rel=1e-7)
    assert moment(2, 1) / moment(2, 0) == pytest.approx(1.063846, abs=1e-5)
    assert math.sqrt(moment(2, 2) / moment(2, 0)) == pytest.approx(1.118034, abs=1e-5)


@pytest.mark.parametrize("level", [1e-6, 1e-3, 0.1, 0.5, 0.9, 0.9999])
def test_band_edges_lie_on_their_level(level: float) -> None:
    peak = float(ricker_spectrum(400.0, peak_mhz=400.0))
    low, high = ricker_band_mhz(peak_mhz=400.0, level=level)
    assert low < 400.0 < high
    for edge in (low, high):
        assert float(ricker_spectrum(edge, peak_mhz=400.0)) / peak == pytest.approx(level, rel=1e-9)


def test_band_at_the_peak() -> None:
    assert ricker_band_mhz(peak_mhz=400.0, level=1.0) == (400.0, 400.0)


def test_survey_rules() -> None:
    # Annan & Cosway 1992, SAGEEP, 329-351 (rules from memory), worked for 400 MHz, ε = 9, 1.5 m.
    v = float(velocity_of_permittivity(9.0))
    assert wavelength_m(centre_mhz=400, v_m_per_ns=v) == pytest.approx(0.24983, abs=1e-5)
    assert vertical_resolution_m(centre_mhz=400, v_m_per_ns=v) == pytest.approx(0.06246, abs=1e-5)
    assert fresnel_radius_m(1.5, centre_mhz=400, v_m_per_ns=v) == pytest.approx(0.43735, abs=1e-5)
    assert time_window_ns(1.5, v_m_per_ns=v) == pytest.approx(39.027, abs=1e-3)
    for f, spacing, interval in ((400, 0.0625, 0.41667), (250, 0.100, 0.66667), (900, 0.0278, 0.18519)):
        assert trace_spacing_m(centre_mhz=f, v_m_per_ns=v) == pytest.approx(spacing, abs=1e-4)
        assert time_interval_ns(centre_mhz=f) == pytest.approx(interval, abs=1e-5)


def test_fresnel_zone_at_the_surface_is_a_quarter_wavelength() -> None:
    assert fresnel_radius_m(0.0, centre_mhz=400, v_m_per_ns=0.1) == pytest.approx(0.25 / 4, rel=1e-12)
    # Far below, the exact form nears the common √(λd/2).
    assert fresnel_radius_m(1e4, centre_mhz=400, v_m_per_ns=0.1) == pytest.approx(math.sqrt(0.25 * 1e4 / 2), rel=1e-5)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"velocity above that of light \(received 0\.4 m/ns\)"):
        wavelength_m(centre_mhz=400, v_m_per_ns=0.4)
    with pytest.raises(InputError, match="depth_m must not be negative"):
        fresnel_radius_m(-1.0, centre_mhz=400, v_m_per_ns=0.1)
    with pytest.raises(InputError, match="peak_mhz must be greater than zero"):
        ricker(0.0, peak_mhz=0.0)
    with pytest.raises(InputError, match="level must lie between"):
        ricker_band_mhz(peak_mhz=1.0, level=1.5)
