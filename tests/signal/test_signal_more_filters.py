"""Detrend, notch and four-corner band-pass against SciPy and ObsPy, and what each does to a single frequency."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import scipy.signal

from yewline.errors import InputError
from yewline.signal import Section, band_pass
from yewline.signal.detrend import detrend
from yewline.signal.notch import default_notch_width_mhz, notch
from yewline.signal.trapezoid import band_pass_trapezoid, default_corners_mhz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    from obspy.signal.filter import bandpass, bandstop
    from obspy.signal.invsim import cosine_sac_taper

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
CORNERS = {"low_stop_mhz": 80.0, "low_pass_mhz": 160.0, "high_pass_mhz": 800.0, "high_stop_mhz": 1_100.0}


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def quiet_ends(traces: int, samples: int) -> np.ndarray:
    """Noise that fades to nothing long before the ends, where each way of padding gives the same."""
    window = np.zeros(samples)
    window[samples // 3 : -samples // 3] = np.hanning(samples - samples // 3 + (-samples // 3))
    return (noise(traces, samples) * window).astype(np.float32)


def tone(mhz: float, samples: int = 1_200) -> np.ndarray:
    return np.cos(2 * np.pi * mhz * 1e-3 * 0.25 * np.arange(samples) + 0.3)[None]


def gain_of(filtered: np.ndarray, original: np.ndarray) -> float:
    middle = slice(450, 750)
    return float(np.sqrt((filtered[0, middle] ** 2).mean() / (original[0, middle] ** 2).mean()))


# What a single frequency or polynomial becomes


@pytest.mark.parametrize("order", range(6))
def test_a_polynomial_is_taken_out_whole_and_what_stands_at_right_angles_stays(order):
    at = np.linspace(-1, 1, 200)
    wave = np.polynomial.legendre.legval(at, [0] * 6 + [0.7, -0.4])
    x = np.random.default_rng(order).uniform(-5, 5, (3, order + 1)) @ np.stack([at**k for k in range(order + 1)])
    assert np.abs(detrend(x, SECTION, order=order)).max() < 1e-5
    y = detrend(x + wave, SECTION, order=order)
    # Legendre polynomials are only nearly at right angles on single samples.
    assert np.abs(y - wave).max() < 0.1


@pytest.mark.parametrize("samples", [1, 2, 3])
def test_a_short_trace_keeps_a_sample_free(samples):
    assert detrend(3.0 + noise(2, samples), SECTION, order=5).shape == (2, samples)
    assert detrend([[1.0, 3.0]], SECTION, order=3).tolist() == [[-1.0, 1.0]]


def test_notch_takes_its_frequency_and_halves_at_its_width():
    for mhz, expected in ((300.0, 0.0), (270.0, 0.5), (332.0, 0.5), (150.0, 1.0), (700.0, 1.0)):
        wave = tone(mhz)
        assert gain_of(notch(wave, SECTION, frequency_mhz=300.0, width_mhz=60.0), wave) == pytest.approx(
            expected, abs=0.04
        )
    assert default_notch_width_mhz(300.0) == 30.0


def test_notch_leaves_an_offset():
    assert notch(np.full((2, 64), 5.0), SECTION, frequency_mhz=300.0) == pytest.approx(np.full((2, 64), 5.0), rel=1e-5)


@pytest.mark.parametrize("ramp", ["cosine", "linear"])
@pytest.mark.parametrize("mhz", [40.0, 100.0, 120.0, 200.0, 500.0, 790.0, 900.0, 1_050.0, 1_300.0])
def test_trapezoid_passes_what_its_corners_say(mhz, ramp):
    rise = np.clip((mhz - 80.0) / 80.0, 0, 1)
    fall = np.clip((1_100.0 - mhz) / 300.0, 0, 1)
    expected = rise * fall if ramp == "linear" else np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2
    wave = tone(mhz)
    assert gain_of(band_pass_trapezoid(wave, SECTION, ramp=ramp, **CORNERS), wave) == pytest.approx(expected, abs=0.01)


def test_trapezoid_moves_nothing_in_time():
    t = 0.25 * np.arange(401) - 50.0
    u = (np.pi * 0.4 * t) ** 2
    filtered = band_pass_trapezoid(((1 - 2 * u) * np.exp(-u))[None], SECTION)
    assert filtered.argmax() == 200
    assert filtered[0] == pytest.approx(filtered[0, ::-1], abs=1e-5)


def test_trapezoid_of_an_offset():
    x = np.full((2, 90), 7.0)
    assert np.abs(band_pass_trapezoid(x, SECTION)).max() < 1e-5
    low_pass = {**CORNERS, "low_stop_mhz": 0.0, "low_pass_mhz": 0.0}
    assert band_pass_trapezoid(x, SECTION, **low_pass) == pytest.approx(x, rel=1e-5)


def test_ramps_of_no_width_are_walls():
    walls = {"low_stop_mhz": 200.0, "low_pass_mhz": 200.0, "high_pass_mhz": 600.0, "high_stop_mhz": 600.0}
    for mhz, expected in ((150.0, 0.0), (400.0, 1.0), (700.0, 0.0)):
        assert gain_of(band_pass_trapezoid(tone(mhz), SECTION, **walls), tone(mhz)) == pytest.approx(expected, abs=0.02)


def test_default_corners_are_held_under_nyquist():
    assert default_corners_mhz(SECTION) == (60.0, 120.0, 800.0, 1_200.0)
    coarse = Section(interval_ns=0.8, spacing_m=0.05, centre_mhz=400.0)
    assert default_corners_mhz(coarse) == (60.0, 120.0, pytest.approx(500.0), pytest.approx(593.75))
    assert np.isfinite(band_pass_trapezoid(noise(3, 64), coarse)).all()


# References


@pytest.mark.parametrize(("order", "kind"), [(0, "constant"), (1, "linear")])
@pytest.mark.parametrize("samples", [3, 64, 511])
def test_detrend_against_scipy(order, kind, samples):
    x = noise(5, samples) + 40.0 + 0.3 * np.arange(samples)
    expected = scipy.signal.detrend(x.astype(np.float64), axis=1, type=kind)
    assert np.abs(detrend(x, SECTION, order=order) - expected).max() < 1e-5 * np.abs(expected).max()


@pytest.mark.parametrize("order", [2, 3, 5])
def test_detrend_against_a_fit_of_numpy(order):
    x = noise(3, 120) + np.linspace(-2, 3, 120) ** 3
    at = np.arange(120)
    expected = [row - np.polynomial.Polynomial.fit(at, row, order)(at) for row in x.astype(np.float64)]
    assert np.abs(detrend(x, SECTION, order=order) - expected).max() < 1e-5 * np.abs(expected).max()


@pytest.mark.parametrize(("frequency", "width"), [(300.0, None), (100.0, 40.0), (1_500.0, 20.0)])
@pytest.mark.parametrize("shape", [(1, 10), (70, 512), (129, 333)])
def test_notch_against_scipy(frequency, width, shape):
    x = noise(*shape) + 10.0
    b, a = scipy.signal.iirnotch(frequency, frequency / (width or 0.1 * frequency), fs=4_000.0)
    ours = notch(x, SECTION, frequency_mhz=frequency, width_mhz=width)
    for expected in (
        scipy.signal.filtfilt(b, a, x.astype(np.float64), axis=-1),
        scipy.signal.sosfiltfilt(scipy.signal.tf2sos(b, a), x.astype(np.float64), axis=-1),
    ):
        assert np.abs(ours - expected).max() < 1e-5 * np.abs(expected).max()


@pytest.mark.parametrize("shape", [(1, 2), (4, 100), (30, 511)])
@pytest.mark.parametrize("ramp", ["cosine", "linear"])
def test_trapezoid_against_a_transform_of_scipy(shape, ramp):
    x = noise(*shape) + 2.0
    ours = band_pass_trapezoid(x, SECTION, ramp=ramp, **CORNERS)
    # One over the narrower ramp, 80 MHz: 12.5 ns, 50 samples.
    part = min(50, shape[1] - 1)
    wide = x.astype(np.float64) - x.mean(axis=1, dtype=np.float64, keepdims=True)
    wide = np.pad(wide, ((0, 0), (part, part)), mode="reflect", reflect_type="odd")
    fade = np.sin(0.5 * np.pi * np.arange(1, part + 1) / (part + 1)) ** 2
    wide[:, :part] *= fade
    wide[:, part + shape[1] :] *= fade[::-1]
    length = scipy.fft.next_fast_len(shape[1] + 2 * part + 50, real=True)
    frequency = np.fft.rfftfreq(length, 0.25e-3)
    gain = np.interp(frequency, [80.0, 160.0, 800.0, 1_100.0], [0.0, 1.0, 1.0, 0.0])
    if ramp == "cosine":
        gain = 0.5 - 0.5 * np.cos(np.pi * gain)
    expected = scipy.fft.irfft(scipy.fft.rfft(wide, length, axis=1) * gain, length, axis=1)[:, part : part + shape[1]]
    assert np.abs(ours - expected).max() < 1e-5 * np.abs(expected).max()


def test_cosine_ramps_against_obspy():
    # Its taper of four corners is that of a common seismological code: the same gain at each frequency.
    x = quiet_ends(3, 900)
    frequency = np.fft.rfftfreq(4_096, 0.25e-3)
    taper = cosine_sac_taper(frequency, flimit=tuple(CORNERS.values()))
    expected = np.fft.irfft(np.fft.rfft(x, 4_096, axis=1) * taper, 4_096, axis=1)[:, :900]
    ours = band_pass_trapezoid(x - x.mean(axis=1, keepdims=True), SECTION, **CORNERS)
    assert np.abs(ours - expected)[:, 200:700].max() < 2e-3 * np.abs(expected).max()


def test_band_pass_against_obspy():
    x = quiet_ends(4, 1_200)
    ours = band_pass(x, SECTION)
    theirs = [bandpass(row.astype(np.float64), 120.0, 1_000.0, 4_000.0, corners=4, zerophase=True) for row in x]
    assert np.abs(ours - theirs).max() < 1e-5 * np.abs(theirs).max()


def test_notch_of_first_order_is_obspys_band_stop():
    x = quiet_ends(4, 1_200)
    # A Butterworth band-stop of order one is the same second-order section; its edges meet at the notch's by bending.
    ours = notch(x, SECTION, frequency_mhz=300.0, width_mhz=30.0)
    bend = np.tan(np.pi * 300.0 / 4_000.0)
    half = np.tan(np.pi * 30.0 / 4_000.0) * (1 + bend**2) / 2
    edges = [np.arctan(np.sqrt(bend**2 + half**2) + sign * half) * 4_000.0 / np.pi for sign in (-1, 1)]
    theirs = [bandstop(row.astype(np.float64), *edges, 4_000.0, corners=1, zerophase=True) for row in x]
    assert np.abs(ours - theirs).max() < 1e-5 * np.abs(theirs).max()


# Faults


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda x: detrend(x, SECTION, order=6), "order must lie between 0 and 5"),
        (lambda x: detrend(x, SECTION, order=1.5), "order must be a whole number"),  # type: ignore[arg-type]
        (lambda x: notch(x, SECTION), "a notch needs the frequency that it is to take out"),
        (lambda x: notch(x, SECTION, frequency_mhz=0.0), "frequency_mhz must be greater than zero"),
        (lambda x: notch(x, SECTION, frequency_mhz=300.0, width_mhz=-1.0), "width_mhz must be greater than zero"),
        (lambda x: notch(x, SECTION, frequency_mhz=1_990.0), "between zero and the Nyquist frequency .received 1990 ±"),
        (lambda x: notch(x, SECTION, frequency_mhz=30.0, width_mhz=60.0), "must lie between zero and the Nyquist"),
        (lambda x: notch(x[:, :9], SECTION, frequency_mhz=300.0), "at least 10 samples are needed"),
        (
            lambda x: band_pass_trapezoid(x, SECTION, low_stop_mhz=500.0),
            "the four corners must rise .received 500, 120",
        ),
        (lambda x: band_pass_trapezoid(x, SECTION, high_stop_mhz=2_001.0), "the band reaches above the Nyquist"),
        (lambda x: band_pass_trapezoid(x, SECTION, low_stop_mhz=-1.0), "the four corners must rise"),
        (lambda x: band_pass_trapezoid(x, SECTION, high_pass_mhz=np.nan), "high_pass_mhz must be finite"),
        (lambda x: band_pass_trapezoid(x, SECTION, ramp="step"), "ramp must be one of cosine, linear"),  # type: ignore[arg-type]
    ],
)
def test_refusals(call, message):
    with pytest.raises(InputError, match=message):
        call(noise(3, 64))
