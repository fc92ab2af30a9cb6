"""Dewow, band-pass, background, gains and envelope against SciPy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage
import scipy.signal

from yewline.signal import (
    Section,
    automatic_gain,
    background_removal,
    band_pass,
    compensate,
    compensation_curve,
    default_band_mhz,
    dewow,
    envelope,
    power_gain,
    running_median,
)

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, absorption_db_per_ns=0.5)


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


# Physics and closed forms


def test_dewow_leaves_the_centre_frequency_and_takes_the_wow():
    t = 0.25 * np.arange(400)
    middle = slice(60, 340)
    wave = np.sin(2 * np.pi * 0.4 * t)[None]
    assert dewow(wave, SECTION, window_ns=5.25)[0, middle] == pytest.approx(wave[0, middle], abs=0.05)
    slow = np.sin(2 * np.pi * t / 200.0)[None]
    assert np.abs(dewow(slow, SECTION)[0, middle]).max() < 0.01


def test_dewow_passes_one_minus_the_sinc_of_its_window():
    t = 0.25 * np.arange(2_000)
    for mhz in (20.0, 100.0, 250.0):
        wave = np.cos(2 * np.pi * mhz * 1e-3 * (t - 250.0))[None]
        window, samples = 5.25, 21
        # The mean of an odd number of samples is the periodic sinc (Dirichlet kernel).
        phase = np.pi * mhz * 1e-3 * 0.25
        expected = 1.0 - np.sin(samples * phase) / (samples * np.sin(phase))
        assert dewow(wave, SECTION, window_ns=window)[0, 1_000] == pytest.approx(expected, abs=1e-4)


def test_default_band_is_held_under_nyquist():
    assert default_band_mhz(SECTION) == (120.0, 1_000.0)
    coarse = Section(interval_ns=0.8, spacing_m=0.05, centre_mhz=400.0)
    assert default_band_mhz(coarse) == (120.0, pytest.approx(0.95 * 625.0))
    assert np.isfinite(band_pass(noise(3, 64), coarse)).all()


def test_band_pass_moves_nothing_in_time():
    t = 0.25 * np.arange(400) - 50.0
    pulse = ((1 - 2 * (np.pi * 0.4 * t) ** 2) * np.exp(-((np.pi * 0.4 * t) ** 2)))[None]
    filtered = band_pass(pulse, SECTION)
    assert filtered.argmax() == 200
    assert filtered[0, 100:300] == pytest.approx(filtered[0, 300:100:-1], abs=1e-5)


def test_compensation_undoes_spreading_and_absorption():
    t = 0.25 * np.arange(200)
    late = t >= 2.5
    decay = np.where(late, 2.5 / np.maximum(t, 2.5) * 10 ** (-0.5 * (t - 2.5) / 20), 1.0)
    assert compensate(decay[None], SECTION)[0, late] == pytest.approx(np.ones(late.sum()), rel=1e-5)


def test_compensation_keeps_ratios_between_traces():
    x = noise(6, 100)
    y = compensate(3.0 * x, SECTION)
    assert y == pytest.approx(3.0 * compensate(x, SECTION), rel=1e-5)


def test_compensation_stops_at_its_highest_gain():
    curve = compensation_curve(SECTION, 4_000, absorption_db_per_ns=0.5, highest_gain_db=40.0)
    assert curve.max() == pytest.approx(100.0)
    assert (np.diff(curve) >= 0).all()


def test_power_gain_at_ten_periods():
    x = np.ones((1, 101), np.float32)
    assert power_gain(x, SECTION, power=1.5)[0, 100] == pytest.approx(10.0**1.5, rel=1e-6)


def test_automatic_gain_evens_out_what_decays():
    x = noise(30, 400) * np.exp(-np.arange(400) / 40.0)
    y = automatic_gain(x, SECTION)
    early, late = np.sqrt((y[:, 60:160] ** 2).mean()), np.sqrt((y[:, 240:340] ** 2).mean())
    assert early / late == pytest.approx(1.0, abs=0.15)
    assert not automatic_gain(np.zeros((2, 50)), SECTION).any()


@pytest.mark.parametrize("size", [1e-25, 1e25])
def test_automatic_gain_knows_no_unit(size):
    x = noise(5, 80)
    assert automatic_gain(x * np.float32(size), SECTION) == pytest.approx(
        automatic_gain(x, SECTION), rel=1e-4, abs=1e-6
    )


# References: SciPy, sample by sample


@pytest.mark.parametrize("window_ns", [1.0, 5.25, 40.0])
def test_dewow_against_uniform_filter(window_ns):
    x = noise(5, 120) + 4.0
    size = 2 * max(1, round((window_ns / 0.25 - 1) / 2)) + 1
    total = scipy.ndimage.uniform_filter1d(x.astype(float), size, axis=1, mode="constant")
    share = scipy.ndimage.uniform_filter1d(np.ones(120), size, mode="constant")
    assert dewow(x, SECTION, window_ns=window_ns) == pytest.approx(x - total / share, abs=2e-6)


@pytest.mark.parametrize(
    ("order", "low", "high"), [(4, None, None), (1, 50.0, 900.0), (2, 300.0, 500.0), (6, 100.0, 1_500.0)]
)
@pytest.mark.parametrize("shape", [(1, 100), (70, 512), (129, 333)])
def test_band_pass_against_sosfiltfilt(order, low, high, shape):
    x = noise(*shape) + 10.0
    edges = [(low or 120.0) / 2_000.0, (high or 1_000.0) / 2_000.0]
    sos = scipy.signal.butter(order, edges, "bandpass", output="sos")
    expected = scipy.signal.sosfiltfilt(sos, x.astype(np.float64), axis=-1)
    ours = band_pass(x, SECTION, low_mhz=low, high_mhz=high, order=order)
    assert np.abs(ours - expected).max() < 1e-5 * np.abs(expected).max()


def test_background_of_the_whole_line_against_detrend():
    x = noise(50, 64) + 5.0
    expected = scipy.signal.detrend(x.astype(float), axis=0, type="constant")
    assert background_removal(x, SECTION) == pytest.approx(expected, abs=2e-6)


def test_sliding_background_against_uniform_filter_inside_the_line():
    x = noise(60, 32)
    expected = x - scipy.ndimage.uniform_filter1d(x.astype(float), 21, axis=0)
    ours = background_removal(x, SECTION, window_m=1.05)
    assert ours[10:50] == pytest.approx(expected[10:50], abs=2e-6)
    # At the ends the window stands still.
    assert ours[:10] == pytest.approx(x[:10] - x[:21].mean(axis=0), abs=2e-6)


def test_sliding_median_against_median_filter_inside_the_line():
    x = noise(60, 16)
    expected = x - scipy.ndimage.median_filter(x, (21, 1))
    ours = background_removal(x, SECTION, window_m=1.05, statistic="median")
    assert ours[10:50] == pytest.approx(expected[10:50], abs=1e-6)
    assert background_removal(x, SECTION, statistic="median") == pytest.approx(x - np.median(x, axis=0), abs=1e-6)


@pytest.mark.parametrize("samples", [2, 3, 64, 127, 509, 512])
def test_envelope_against_hilbert(samples):
    x = noise(8, samples)
    expected = np.abs(scipy.signal.hilbert(x.astype(np.float64), axis=-1))
    assert envelope(x, SECTION) == pytest.approx(expected, abs=2e-6 * max(1.0, float(expected.max())))


def test_running_median_against_median_filter():
    x = noise(1, 40)[0].astype(float)
    ours = running_median(x, 7)
    assert ours[3:37] == pytest.approx(scipy.ndimage.median_filter(x, 7)[3:37])
    assert running_median(np.arange(12.0), 9) == pytest.approx(np.arange(12.0))
    assert running_median([4.0, 9.0], 9).tolist() == [4.0, 9.0]


# Fields' own cases


def test_background_takes_the_level_and_keeps_the_local():
    x = np.tile(noise(1, 64), (200, 1))
    x[90:100, 30] += 5.0
    y = background_removal(x, SECTION, window_m=5.0)
    assert y[95, 30] == pytest.approx(4.5, abs=0.01)
    assert np.abs(y[:, :30]).max() < 1e-5
    assert y[10, 30] == pytest.approx(-0.5, abs=0.01)
    whole = background_removal(x, SECTION)
    assert whole[95, 30] == pytest.approx(4.75, abs=0.01)


def test_a_single_trace_has_no_background():
    x = noise(1, 64)
    assert (background_removal(x, SECTION) == x).all()
    assert (background_removal(x, SECTION, window_m=3.0) == x).all()
