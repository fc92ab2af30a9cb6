"""The first derivative of a Gaussian, and the current whose rate is a Ricker wavelet."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.physics import (
    gaussian_derivative,
    gaussian_derivative_band_mhz,
    gaussian_derivative_spectrum,
    ricker,
    ricker_current,
    ricker_current_band_mhz,
    ricker_current_spectrum,
    ricker_spectrum,
)


def test_derivative_of_a_gaussian() -> None:
    # Taflove & Hagness 2005, ch. 5 (the pulse, from memory): the numerical derivative of e^{−t²/(2s²)}, s = 1/(2πf).
    f, t = 250.0, np.linspace(-3.0, 3.0, 60001)
    s = 1e3 / (2 * np.pi * f)
    by_difference = np.gradient(np.exp(-0.5 * (t / s) ** 2), t, edge_order=2) * s * np.exp(0.5)
    np.testing.assert_allclose(gaussian_derivative(t, peak_mhz=f), by_difference, atol=1e-6)
    wave = gaussian_derivative(t, peak_mhz=f)
    assert wave.max() == pytest.approx(1.0, abs=1e-8)
    assert t[wave.argmax()] == pytest.approx(-s, abs=1e-4)
    np.testing.assert_allclose(wave, -wave[::-1], atol=1e-12)


def test_rate_of_the_current_is_a_ricker_wavelet() -> None:
    t = np.linspace(-5.0, 5.0, 20001)
    rate = np.gradient(ricker_current(t, peak_mhz=400.0), t, edge_order=2)
    np.testing.assert_allclose(rate, ricker(t, peak_mhz=400.0), atol=1e-5)
    # It is minus a first derivative of a Gaussian whose peak lies lower by √2.
    shape = -gaussian_derivative(t, peak_mhz=400.0 / np.sqrt(2))
    current = ricker_current(t, peak_mhz=400.0)
    np.testing.assert_allclose(current / current.max(), shape, atol=1e-6)


@pytest.mark.parametrize(
    ("pulse", "spectrum"),
    [(gaussian_derivative, gaussian_derivative_spectrum), (ricker_current, ricker_current_spectrum)],
)
def test_spectrum_is_the_fourier_transform(pulse: Callable[..., object], spectrum: Callable[..., object]) -> None:
    t = np.arange(-40.0, 40.0, 0.01)
    for f in (0.0, 100.0, 250.0, 400.0, 700.0):
        by_sum = (pulse(t, peak_mhz=250.0) * np.exp(-2e-3j * np.pi * f * t)).sum() * 0.01
        assert spectrum(f, peak_mhz=250.0) == pytest.approx(by_sum, abs=1e-9)


def test_spectrum_of_the_current_is_the_rickers_over_frequency() -> None:
    f = np.array([50.0, 400.0, 1000.0])
    expected = ricker_spectrum(f, peak_mhz=400.0) / (2e-3j * np.pi * f)
    np.testing.assert_allclose(ricker_current_spectrum(f, peak_mhz=400.0), expected, rtol=1e-13)


@pytest.mark.parametrize("level", [1e-3, 0.01, 0.1, 0.5, 0.9])
def test_band_edges_lie_on_their_level(level: float) -> None:
    for band, spectrum, peak in (
        (gaussian_derivative_band_mhz, gaussian_derivative_spectrum, 400.0),
        (ricker_current_band_mhz, ricker_current_spectrum, 400.0 / np.sqrt(2)),
    ):
        low, high = band(peak_mhz=400.0, level=level)
        assert low < peak < high
        for edge in (low, high):
            share = abs(spectrum(edge, peak_mhz=400.0)) / abs(spectrum(peak, peak_mhz=400.0))
            assert share == pytest.approx(level, rel=1e-9)


def test_faults() -> None:
    for function in (gaussian_derivative, gaussian_derivative_spectrum, ricker_current, ricker_current_spectrum):
        with pytest.raises(InputError, match="peak_mhz must be greater than zero"):
            function(0.0, peak_mhz=-1.0)
    with pytest.raises(InputError, match="level must lie between"):
        gaussian_derivative_band_mhz(peak_mhz=400.0, level=1e-4)
    with pytest.raises(InputError, match="peak_mhz must be greater than zero"):
        ricker_current_band_mhz(peak_mhz=0.0)
