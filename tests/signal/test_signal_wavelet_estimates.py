"""Wavelets: bandwidth numbers and lobes against closed forms, estimates against wavelets that were put in."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.signal import Section, envelope
from yewline.signal.wavelets import (
    autocorrelations,
    band_edges_mhz,
    band_of,
    constant_phase,
    direct_wavelet,
    lobes,
    make_wavelet,
    mean_autocorrelation,
    minimum_phase,
    reflector_wavelet,
    ricker_wavelet,
    rotate_phase,
    statistical_wavelet,
    zero_phase,
    zero_phase_operator,
    zero_phase_wavelet,
)

DT, PEAK = 0.25, 400.0
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=PEAK)


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape)


def ricker(time: np.ndarray, peak_mhz: float = PEAK) -> np.ndarray:
    squared = (np.pi * 1e-3 * peak_mhz * time) ** 2
    return (1 - 2 * squared) * np.exp(-squared)


def sparse(traces: int, samples: int, *, seed: int = 0, share: float = 0.02) -> np.ndarray:
    """Few reflectors, far apart, of either sign."""
    rng = np.random.default_rng(seed)
    return np.where(rng.random((traces, samples)) < share, rng.normal(size=(traces, samples)), 0.0)


def convolved(reflectors: np.ndarray, wavelet: np.ndarray, zero: int) -> np.ndarray:
    return np.stack([np.convolve(row, wavelet)[zero : zero + len(row)] for row in reflectors])


# --- closed forms -------------------------------------------------------------------------------------------------


def test_bandwidth_numbers_of_a_ricker_wavelet() -> None:
    # Ricker 1953, Geophysics 18:10-40; Wang 2015, Geophysics 80(2):A31-A37: closed forms over the peak frequency.
    numbers = ricker_wavelet(peak_mhz=PEAK, interval_ns=0.1).band
    assert numbers.peak_mhz / PEAK == pytest.approx(1.0, abs=1e-5)
    assert numbers.centroid_mhz / PEAK == pytest.approx(2.0 / math.sqrt(math.pi), abs=1e-5)
    assert numbers.power_centroid_mhz / PEAK == pytest.approx(1.063846, abs=1e-5)
    assert numbers.rms_mhz / PEAK == pytest.approx(math.sqrt(1.25), abs=1e-5)
    assert numbers.low_mhz / PEAK == pytest.approx(0.481623, abs=1e-5)
    assert numbers.high_mhz / PEAK == pytest.approx(1.636566, abs=1e-5)
    assert numbers.width_mhz / PEAK == pytest.approx(1.154942, abs=1e-5)


@pytest.mark.parametrize(("decibels", "edge"), [(-20, 2.211271), (-40, 2.763757), (-60, 3.198971)])
def test_upper_edges_of_a_ricker_wavelet_far_down(decibels: int, edge: float) -> None:
    # Roots of x e^{1 − x} = level, x = f²/f_p² (computed from the closed form of the spectrum).
    f = np.linspace(0.0, 5.0, 50_001)
    assert band_edges_mhz(f, f**2 * np.exp(-(f**2)), level=10 ** (decibels / 20))[1] == pytest.approx(edge, abs=1e-5)


def test_lobes_of_a_ricker_wavelet() -> None:
    # Zeros at ±0.225079/f, troughs of −0.446260 at ±0.389848/f (closed form of the wavelet).
    found = lobes(ricker_wavelet(peak_mhz=PEAK, interval_ns=DT))
    period = 1e3 / PEAK
    assert found.crest_ns == pytest.approx(0.0, abs=1e-6)
    assert found.zero_after_ns / period == pytest.approx(0.225079, abs=1e-5)
    assert found.zero_before_ns / period == pytest.approx(-0.225079, abs=1e-5)
    assert found.trough_after_ns / period == pytest.approx(0.389848, abs=1e-5)
    assert (found.trough_after_ns - found.trough_before_ns) / period == pytest.approx(0.779697, abs=1e-5)
    assert found.trough_before == pytest.approx(-0.446260, abs=1e-5)
    assert found.trough_after == pytest.approx(-0.446260, abs=1e-5)


def test_minimum_phase_of_wavelets_whose_zeros_are_known() -> None:
    # Each factor (1 + a z), |a| < 1, is of minimum phase; turning it round keeps the spectrum and is not.
    minimum = np.convolve(np.convolve([1.0, 0.6], [1.0, -0.5]), [1.0, 0.3, 0.4])
    late = np.convolve(np.convolve([0.6, 1.0], [-0.5, 1.0]), [0.4, 0.3, 1.0])
    found = minimum_phase(np.abs(np.fft.rfft(late, 512)), floor=1e-12)
    assert found[: len(minimum)] == pytest.approx(minimum, abs=1e-12)
    assert np.abs(found[len(minimum) :]).max() < 1e-12


def test_minimum_phase_against_scipy() -> None:
    taps = scipy.signal.firwin(41, [0.15, 0.4], pass_zero=False) + 0.02 * (np.arange(41) == 20)
    reference = scipy.signal.minimum_phase(taps, method="homomorphic", n_fft=4096, half=False)
    found = minimum_phase(np.abs(np.fft.rfft(taps, 4096)), floor=1e-12)[: len(reference)]
    assert found == pytest.approx(reference, abs=1e-4 * np.abs(reference).max())
    # Its energy comes earlier than that of any other wavelet of this spectrum: Robinson's energy delay.
    assert (np.cumsum(found**2) >= np.cumsum(taps**2) - 1e-9).all()


def test_zero_phase_equivalent_keeps_the_amplitude_spectrum() -> None:
    wavelet = make_wavelet(np.convolve(ricker(DT * np.arange(-16, 17)), [3.0, 1.0, -2.0]), interval_ns=DT, zero_index=0)
    even = zero_phase_wavelet(wavelet)
    assert even.samples == pytest.approx(even.samples[::-1], abs=1e-12)
    assert even.samples.argmax() == even.zero_index
    long = np.abs(np.fft.rfft(wavelet.samples, 4096))
    kept = np.abs(np.fft.rfft(even.samples * even.scale, 4096)) / wavelet.scale
    assert kept == pytest.approx(long, abs=0.005 * float(long.max()))


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 9), st.integers(2, 65), st.floats(-360, 360))
def test_a_constant_turn_keeps_the_envelope_and_can_be_turned_back(traces, samples, angle) -> None:
    x = noise(traces, samples, seed=samples).astype(np.float32)
    turned = rotate_phase(x, angle)
    edges = np.fft.rfft(x, axis=1)
    assert np.abs(np.fft.rfft(turned, axis=1)) == pytest.approx(np.abs(edges), abs=2e-5 * float(np.abs(edges).max()))
    assert rotate_phase(turned, -angle) == pytest.approx(x, abs=1e-5 * float(np.abs(x).max()))


def test_a_quarter_turn_is_scipys_hilbert_transform() -> None:
    x = noise(6, 100)
    x -= x.mean(axis=1, keepdims=True)
    nyquist = np.fft.rfft(x, axis=1)
    nyquist[:, -1] = 0
    x = np.fft.irfft(nyquist, 100, axis=1)
    assert rotate_phase(x, -90.0) == pytest.approx(scipy.signal.hilbert(x, axis=1).imag, abs=1e-5)
    assert envelope(rotate_phase(x, 37.0), SECTION) == pytest.approx(envelope(x, SECTION), abs=1e-5)


# --- references ---------------------------------------------------------------------------------------------------


def test_autocorrelations_against_numpy() -> None:
    x = noise(140, 50)
    reference = np.stack([np.correlate(row, row, "full")[49:89] for row in x.astype(np.float32).astype(float)])
    assert autocorrelations(x, lags=40) == pytest.approx(reference, abs=1e-9)
    assert mean_autocorrelation(x, lags=40) == pytest.approx(reference.mean(axis=0), abs=1e-9)


# --- wavelets that were put in ------------------------------------------------------------------------------------


def test_statistical_wavelet_of_zero_phase() -> None:
    wanted = ricker_wavelet(peak_mhz=PEAK, interval_ns=DT)
    lines = [
        (convolved(noise(60, 500, seed=seed), wanted.samples, wanted.zero_index) * (1 + seed), SECTION)
        for seed in range(4)
    ]
    found = statistical_wavelet(lines, length_ns=10.0)
    middle = found.samples[found.zero_index - 16 : found.zero_index + 17]
    assert np.corrcoef(middle, wanted.samples)[0, 1] > 0.99
    assert found.band.peak_mhz == pytest.approx(PEAK, rel=0.05)


def test_statistical_wavelet_of_minimum_phase() -> None:
    # A damped oscillation is of minimum phase: the impulse response of an all-pole filter with poles inside the circle.
    poles = [1.0, -2 * 0.75 * math.cos(0.6), 0.75**2]
    wanted = scipy.signal.lfilter([1.0], poles, np.eye(1, 40)[0])
    lines = [(scipy.signal.lfilter([1.0], poles, noise(80, 400, seed=s), axis=1), SECTION) for s in range(3)]
    found = statistical_wavelet(lines, phase="minimum", length_ns=20.0)
    assert found.zero_index == 0
    assert found.samples[:30] == pytest.approx(wanted[:30] / wanted.max(), abs=0.06)


def test_direct_wavelet_of_traces_that_start_apart() -> None:
    rng = np.random.default_rng(3)
    late = 8.0 + rng.uniform(-0.6, 0.6, 80)
    line = 5.0 * ricker(DT * np.arange(200) - late[:, None])
    line[:, 100:] += convolved(sparse(80, 100), ricker(DT * np.arange(-16, 17)), 16) * 0.5
    line[40] = 0.0
    found = direct_wavelet([(line, SECTION)])
    around = found.samples[found.zero_index - 6 : found.zero_index + 7]
    assert around == pytest.approx(ricker(DT * np.arange(-6, 7)), abs=0.02)
    assert found.scale == pytest.approx(5.0, rel=0.02)
    # Without alignment the average of these traces is smeared to less than that.
    assert np.abs(line.mean(axis=0)).max() < 4.2


def test_reflector_wavelet_leaves_out_what_does_not_fit() -> None:
    late = 25.0 + np.linspace(-1.0, 1.0, 50)
    line = -2.0 * ricker(DT * np.arange(240) - late[:, None]) + 0.02 * noise(50, 240)
    line[10:15] = 2.0 * noise(5, 240, seed=9)
    found = reflector_wavelet([(line, SECTION)], start_ns=19.0, stop_ns=31.0, lowest_correlation=0.8)
    assert found.scale == pytest.approx(2.0, rel=0.03)
    assert found.samples[found.zero_index] == -1.0
    assert found.band.peak_mhz == pytest.approx(PEAK, rel=0.03)


@pytest.mark.parametrize("angle", [-75.0, -30.0, 0.0, 40.0, 88.0])
def test_constant_phase_that_was_put_in(angle: float) -> None:
    lines = [
        (rotate_phase(convolved(sparse(40, 400, seed=s), ricker(DT * np.arange(-16, 17)), 16), angle), SECTION)
        for s in range(3)
    ]
    found = constant_phase(lines)
    off = (found.phase_deg - angle + 90) % 180 - 90
    assert abs(off) < max(3 * found.sigma_deg, 1.0)
    assert 0 < found.sigma_deg < 5
    assert found.varimax_at_zero_phase >= found.varimax_as_recorded > 3


def test_constant_phase_of_noise_is_not_to_be_trusted() -> None:
    found = constant_phase([(noise(12, 300), SECTION)])
    assert found.sigma_deg > 5
    assert math.isnan(constant_phase([(noise(2, 300), SECTION)]).sigma_deg)


def test_zero_phasing_by_a_stated_and_by_a_found_angle() -> None:
    line = convolved(sparse(40, 400), ricker(DT * np.arange(-16, 17)), 16).astype(np.float32)
    turned = rotate_phase(line, 50.0)
    assert zero_phase(turned, SECTION, phase_deg=50.0) == pytest.approx(line, abs=2e-6 * float(np.abs(line).max()))
    assert zero_phase(turned, SECTION) == pytest.approx(line, abs=0.06 * float(np.abs(line).max()))


@pytest.mark.parametrize("wavelet", ["minimum", "direct"])
def test_zero_phasing_by_a_wavelet_makes_responses_even_about_the_envelopes_crest(wavelet: str) -> None:
    # A damped oscillation: of minimum phase, with its energy after its onset.
    t = DT * np.arange(60)
    pulse = np.exp(-0.5 * t) * np.sin(2 * np.pi * 0.4 * t) * np.minimum(t, 1.0)
    line = convolved(noise(60, 400) * 0.1, pulse, 0)
    line[:, 40:100] += 20.0 * pulse
    line[:, 200:] = convolved(sparse(60, 200, share=0.004), pulse, 0)
    line[7] = 0.0
    line[7, 100:160] = pulse
    even = zero_phase(line, SECTION, wavelet=wavelet)[7].astype(float)
    crest = int(np.abs(scipy.signal.hilbert(pulse)).argmax()) + 100
    place = int(np.abs(even).argmax())
    assert abs(place - crest) <= 1
    left, right = even[place - 20 : place][::-1], even[place + 1 : place + 21]
    before = np.corrcoef(line[7, crest - 20 : crest][::-1], line[7, crest + 1 : crest + 21])[0, 1]
    assert np.corrcoef(left, right)[0, 1] > max(0.9, before + 0.2)
    assert np.sum(even**2) == pytest.approx(np.sum(pulse**2), rel=0.01)


def test_the_zero_phasing_operator_passes_all_frequencies_alike() -> None:
    wavelet = make_wavelet(
        np.convolve(ricker(DT * np.arange(-16, 17)), [1.0, 0.5, -0.3]), interval_ns=DT, zero_index=16
    )
    operator, _ = zero_phase_operator(wavelet)
    assert np.abs(np.fft.rfft(operator)) == pytest.approx(1.0, abs=1e-9)


# --- faults -------------------------------------------------------------------------------------------------------


def test_what_no_wavelet_can_be_told_from_is_refused() -> None:
    silent = (np.zeros((4, 200)), SECTION)
    other = (noise(4, 200), Section(interval_ns=0.5, spacing_m=0.05, centre_mhz=PEAK))
    for find in (statistical_wavelet, direct_wavelet):
        with pytest.raises(InputError, match="no lines to find a wavelet in"):
            find([])
        with pytest.raises(InputError, match="silent lines"):
            find([silent])
        with pytest.raises(InputError, match="a wavelet needs lines of one sample interval"):
            find([(noise(4, 200), SECTION), other])
    with pytest.raises(InputError, match="silent lines"):
        reflector_wavelet([silent], start_ns=10.0, stop_ns=20.0)
    with pytest.raises(InputError, match="the window reaches beyond the record"):
        reflector_wavelet([(noise(4, 200), SECTION)], start_ns=40.0, stop_ns=60.0)
    with pytest.raises(InputError, match="the window is too short for a wavelet"):
        reflector_wavelet([(noise(4, 200), SECTION)], start_ns=40.0, stop_ns=41.0)
    with pytest.raises(InputError, match="no trace fits the average"):
        reflector_wavelet([(noise(9, 200), SECTION)], start_ns=10.0, stop_ns=30.0, lowest_correlation=0.99)
    with pytest.raises(InputError, match="the window is too short: at least 30 samples"):
        statistical_wavelet([(noise(4, 20), SECTION)])
    with pytest.raises(InputError, match="no phase can be told from silent lines"):
        constant_phase([silent])
    with pytest.raises(InputError, match="no lines to find a phase in"):
        constant_phase([])
    with pytest.raises(InputError, match="here a wavelet gives the phase"):
        zero_phase(noise(4, 200), SECTION, wavelet="minimum", phase_deg=3.0)


@pytest.mark.parametrize(
    ("frequency", "size", "message"),
    [
        ([0.0, 1.0], [1.0, 1.0], "three or more values"),
        ([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], "must rise evenly from 0"),
        ([0.0, 1.0, 3.0], [1.0, 1.0, 1.0], "must rise evenly from 0"),
        ([0.0, 1.0, 2.0], [1.0, -1.0, 1.0], "must not be negative"),
        ([0.0, 1.0, 2.0], [0.0, 0.0, 0.0], "nor zero throughout"),
    ],
)
def test_spectra_that_are_none_are_refused(frequency, size, message) -> None:
    with pytest.raises(InputError, match=message):
        band_of(frequency, size)


def test_edges_that_a_spectrum_does_not_reach_are_its_ends() -> None:
    flat = band_of([0.0, 1.0, 2.0], [1.0, 1.0, 0.8])
    assert (flat.low_mhz, flat.high_mhz, flat.peak_mhz) == (0.0, 2.0, 0.0)


def test_wavelets_that_are_none_are_refused() -> None:
    with pytest.raises(InputError, match="the wavelet is zero throughout"):
        make_wavelet(np.zeros(9), interval_ns=DT, zero_index=3)
    with pytest.raises(InputError, match="the zero index lies outside the wavelet"):
        make_wavelet(np.ones(9), interval_ns=DT, zero_index=9)
    with pytest.raises(InputError, match="does not swing back on both sides"):
        lobes(make_wavelet(np.hanning(31), interval_ns=DT, zero_index=3))
    with pytest.raises(InputError, match="an amplitude spectrum must have two values or more"):
        minimum_phase([0.0, 0.0])
    with pytest.raises(ValueError, match="read-only"):
        ricker_wavelet(peak_mhz=PEAK, interval_ns=DT).samples[0] = 1.0
