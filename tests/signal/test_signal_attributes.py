"""Phase, frequency, similarity, truncation and quietness against ObsPy, SciPy, closed forms and drawn shafts."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import scipy.signal
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from yewline.errors import InputError
from yewline.signal import Section, envelope
from yewline.signal.attributes import (
    cosine_phase,
    instantaneous_frequency,
    instantaneous_phase,
    kernels,
    kernels_plain,
    local_dip,
    low_amplitude,
    similarity,
    truncation,
)
from yewline.signal.attributes.similarity import dips_to_try

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    from obspy.signal import cpxtrace

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
T = 0.25 * np.arange(256)
X = 0.05 * np.arange(240)[:, None]
CENTRAL = np.array([1 / 280, -4 / 105, 1 / 5, -4 / 5, 0, 4 / 5, -1 / 5, 4 / 105, -1 / 280])
"""First derivative to eighth order: Fornberg 1988, Math. Comp. 51:699–706, table 1."""


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def ricker(t: np.ndarray, ghz: float = 0.4) -> np.ndarray:
    u = (np.pi * ghz * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def slow(*shape: int) -> np.ndarray:
    """Noise far below Nyquist, so that a finite difference is as good as a derivative."""
    white = np.random.default_rng(0).standard_normal(shape)
    # Cut off where it is nothing in double precision: a step at the filter's ends would let high frequencies through.
    return gaussian_filter1d(white, 12.0, axis=1, mode="wrap", truncate=9.0)


# Closed forms


def test_phase_of_a_wave_is_its_argument():
    wave = np.cos(2 * np.pi * 0.25 * T + 0.7)[None]
    expected = np.angle(np.exp(1j * (2 * np.pi * 0.25 * T + 0.7)))
    apart = np.angle(np.exp(1j * (instantaneous_phase(wave, SECTION)[0] - expected)))
    assert np.abs(apart).max() < 1e-4
    assert cosine_phase(5.0 * wave, SECTION)[0] == pytest.approx(wave[0], abs=1e-5)


@pytest.mark.parametrize("mhz", [62.5, 250.0, 500.0, 1_500.0])
@pytest.mark.parametrize("window_ns", [None, 0.25, 10.0])
def test_frequency_of_a_wave(mhz, window_ns):
    wave = 3.0 * np.cos(2 * np.pi * mhz * 1e-3 * T)[None]
    assert instantaneous_frequency(wave, SECTION, window_ns=window_ns)[0] == pytest.approx(np.full(256, mhz), rel=2e-4)


def test_frequency_over_the_whole_record_is_the_mean_of_the_power_spectrum():
    x = noise(4, 256)
    whole = instantaneous_frequency(x, SECTION, window_ns=1_000.0)
    power = np.abs(scipy.signal.hilbert(x.astype(float))) ** 2
    spectrum = np.abs(np.fft.rfft(x.astype(float))[:, 1:128]) ** 2
    mean = 4 * (spectrum * np.fft.rfftfreq(256, 0.25)[1:128]).sum(axis=1) * 1e3 / 256 / power.sum(axis=1)
    assert whole[:, 128] == pytest.approx(mean, rel=1e-4)


def test_frequency_follows_a_sweep():
    t = 0.25 * np.arange(1024)
    sweep = (np.hanning(1024) * np.cos(2 * np.pi * (0.2 * t + 0.5 * 0.001 * (t - 128) ** 2)))[None]
    middle = slice(300, 724)
    expected = 1e3 * (0.2 + 0.001 * (t - 128))
    assert instantaneous_frequency(sweep, SECTION)[0, middle] == pytest.approx(expected[middle], abs=3.0)


@pytest.mark.parametrize("attribute", [instantaneous_phase, instantaneous_frequency, cosine_phase])
def test_no_gain_is_seen(attribute):
    x = noise(5, 128)
    assert attribute(x * np.float32(2.0**40), SECTION) == pytest.approx(attribute(x, SECTION), abs=1e-4)


# References: ObsPy and SciPy, sample by sample


@pytest.mark.parametrize("samples", [255, 256])
def test_phase_against_scipy_hilbert(samples):
    x = noise(6, samples)
    theirs = scipy.signal.hilbert(x.astype(float), axis=1)
    apart = np.angle(np.exp(1j * (instantaneous_phase(x, SECTION) - np.angle(theirs))))
    # Single precision: an angle is as sure as the quadrature beside the envelope.
    assert (np.abs(apart) * np.abs(theirs)).max() < 5e-6
    assert (np.abs(cosine_phase(x, SECTION) - x / np.abs(theirs)) * np.abs(theirs)).max() < 5e-6


def test_envelope_phase_and_cosine_against_obspy():
    # ObsPy pads to a power of two: with 256 samples there is nothing to pad.
    for trace in noise(4, 256):
        analytic, magnitude = cpxtrace.envelope(trace.astype(float))
        assert envelope(trace[None], SECTION)[0] == pytest.approx(magnitude, abs=1e-5)
        apart = np.angle(np.exp(1j * (instantaneous_phase(trace[None], SECTION)[0] - np.angle(analytic))))
        assert (np.abs(apart) * magnitude).max() < 5e-6


def test_frequency_against_obspy_sample_by_sample():
    x = slow(5, 256)
    ours = instantaneous_frequency(x, SECTION, window_ns=0.25)
    for row, trace in zip(ours, x, strict=True):
        # Its filter coefficients run backwards in time, and it gives the size of the frequency, in cycles a second.
        theirs = cpxtrace.instantaneous_frequency(trace, 4e9, CENTRAL[::-1])
        magnitude = np.abs(scipy.signal.hilbert(trace))
        clear = magnitude > 0.05 * magnitude.max()
        clear[:8] = clear[-8:] = False
        assert np.abs(row[clear]) == pytest.approx(theirs[clear] / 1e6, rel=1e-4, abs=0.01)


@pytest.mark.parametrize("window_ns", [1.25, 5.25])
def test_weighted_frequency_against_scipy(window_ns):
    x = noise(4, 256)
    analytic = scipy.signal.hilbert(x.astype(float), axis=1)
    turns = np.fft.fftfreq(256)
    turns[128] = 0.0
    slope = np.fft.ifft(np.fft.fft(analytic, axis=1) * 1j * turns, axis=1)
    turning, power = np.imag(np.conj(analytic) * slope), np.abs(analytic) ** 2
    size = round(window_ns / 0.25)
    theirs = 4_000.0 * uniform_filter1d(turning, size, axis=1) / uniform_filter1d(power, size, axis=1)
    ours = instantaneous_frequency(x, SECTION, window_ns=window_ns)
    inside = slice(size, -size)
    assert ours[:, inside] == pytest.approx(theirs[:, inside], rel=2e-4, abs=0.1)


def test_semblance_against_scipy_windows():
    x = noise(40, 80)
    ours = similarity(x, SECTION, length_m=0.2, window_ns=1.75)
    total = uniform_filter1d(x.astype(float), 5, axis=0)
    theirs = uniform_filter1d(total**2, 7, axis=1) / uniform_filter1d(
        uniform_filter1d(x.astype(float) ** 2, 5, axis=0), 7, axis=1
    )
    assert ours[2:-2, 3:-3] == pytest.approx(theirs[2:-2, 3:-3], abs=2e-6)


def test_correlation_against_numpy():
    x = noise(9, 40)
    ours = similarity(x, SECTION, measure="correlation", length_m=0.1, window_ns=100.0)
    expected = np.zeros((9, 1))
    for t in range(9):
        pairs = [x[t + d].astype(float) for d in (-1, 1) if 0 <= t + d < 9]
        own = x[t].astype(float)
        expected[t] = max(0.0, np.mean([own @ p / np.sqrt((own @ own) * (p @ p)) for p in pairs]))
    assert ours[:, 20:21] == pytest.approx(expected, abs=2e-6)


# Similarity and local dip: physics


@pytest.mark.parametrize("measure", ["semblance", "correlation"])
def test_layers_are_alike_and_noise_is_not(measure):
    layers = np.tile(noise(1, 256), (60, 1))
    assert similarity(layers, SECTION, measure=measure) == pytest.approx(np.ones((60, 256)), abs=1e-4)
    loose = similarity(noise(200, 256), SECTION, measure=measure, window_ns=10.0)
    # Five traces of noise agree on a fifth of their energy by chance; their correlations on none.
    assert loose[10:-10].mean() == pytest.approx({"semblance": 0.2, "correlation": 0.03}[measure], abs=0.03)


@pytest.mark.parametrize("measure", ["semblance", "correlation"])
def test_dipping_layers_are_alike_along_their_dip_only(measure):
    dipping = gaussian_filter1d(np.random.default_rng(0).standard_normal(900), 2.0)
    place = (T[None, :] - 6.0 * X + 90.0) / 0.25
    layers = np.interp(place, np.arange(900), dipping)
    level = similarity(layers, SECTION, measure=measure)
    tilted = similarity(layers, SECTION, measure=measure, highest_dip_ns_per_m=8.0)
    inside = (slice(5, -5), slice(20, -20))
    assert np.median(tilted[inside]) > 0.97
    assert np.median(level[inside]) < 0.9
    assert (tilted >= level - 1e-6).all()


@pytest.mark.parametrize("dip", [-7.0, -2.0, 0.0, 4.5])
def test_local_dip_of_a_plane_wave(dip):
    wave = ricker(T - 32.0 - dip * (X - 6.0))
    found, alike = local_dip(wave, SECTION, highest_dip_ns_per_m=10.0, length_m=0.4)
    crest = np.clip(np.round((32.0 + dip * (X[:, 0] - 6.0)) / 0.25).astype(int), 0, 255)
    middle = np.arange(100, 140)
    assert found[middle, crest[middle]] == pytest.approx(np.full(40, dip), abs=0.3)
    # Between two dips tried traces are late by an eighth of a period end to end at most: 1 − (2π/8)²/12 for a wave of
    # one frequency; the pulse's upper half loses more.
    assert alike[middle, crest[middle]].min() > 0.94


def test_dips_tried_lie_close_enough():
    dips = dips_to_try(SECTION, 10.0, 2)
    # Over four traces of 0.05 m neighbours differ by a quarter of 2.5 ns at most.
    assert np.diff(dips).max() * 4 * 0.05 <= 2.5 / 4
    assert dips[0] == -10.0
    assert dips[-1] == 10.0
    assert 0.0 in dips


# Shafts

SHAFT = (np.abs(X[:, 0] - 6.0) < 0.4).nonzero()[0]


def layered(*, loud: float = 0.0) -> np.ndarray:
    """Level layers cut by a shaft 0.8 m wide, filled with what answers at random, over a little noise."""
    line = np.tile(gaussian_filter1d(noise(1, 256, seed=4), 1.5, axis=1), (240, 1))
    line[SHAFT] = loud * gaussian_filter1d(noise(len(SHAFT), 256, seed=5), 1.5, axis=1)
    return line + 0.02 * noise(240, 256, seed=6)


@pytest.mark.parametrize("loud", [0.0, 0.3])
def test_truncation_answers_at_both_edges_of_a_shaft(loud):
    edges = truncation(layered(loud=loud), SECTION)[:, 40:200].mean(axis=1)
    left, right = SHAFT[0], SHAFT[-1]
    far = np.r_[20 : left - 20, right + 20 : 220]
    for edge in (left, right):
        assert edges[edge - 3 : edge + 4].max() > 0.5
        assert abs(int(edges[edge - 8 : edge + 9].argmax()) - 8) <= 2
    assert edges[far].max() < 0.1
    # In the middle of the shaft both sides are alike.
    assert edges[120] < 0.35
    assert edges.argmax() in (*range(left - 2, left + 3), *range(right - 2, right + 3))


def test_truncation_of_dipping_layers_needs_their_dip():
    place = (T[None, :] - 4.0 * X + 60.0) / 0.25
    line = np.interp(place, np.arange(600), gaussian_filter1d(noise(1, 600, seed=4)[0], 2.5))
    line[SHAFT] = 0.0
    line += 0.02 * noise(240, 256)
    level, tilted = (truncation(line, SECTION, highest_dip_ns_per_m=dip)[:, 40:200].mean(axis=1) for dip in (0.0, 6.0))
    assert tilted[SHAFT[0] - 1] > level[SHAFT[0] - 1]
    assert tilted[SHAFT[0] - 1] / np.median(tilted) > 3.0


def test_truncation_of_noise_is_low_and_of_even_layers_is_nothing():
    assert np.median(truncation(noise(200, 256), SECTION)) < 0.35
    assert np.abs(truncation(np.tile(noise(1, 256), (200, 1)), SECTION)).max() < 1e-3


def test_truncation_is_silent_where_a_side_is_missing():
    edges = truncation(layered(), SECTION, side_m=0.4)
    assert not edges[:3].any()
    assert not edges[-3:].any()


@pytest.mark.parametrize("attribute", [truncation, low_amplitude, similarity])
def test_shaft_attributes_know_no_gain(attribute):
    x = layered(loud=0.3)
    assert attribute(x * np.float32(2.0**50), SECTION) == pytest.approx(attribute(x, SECTION), abs=1e-4)


@pytest.mark.parametrize("factor", [0.5, 0.1])
def test_quietness_is_the_ratio_in_decibels(factor):
    ground = noise(240, 256)
    ground[SHAFT] *= factor
    quiet = low_amplitude(ground, SECTION)[SHAFT[4:-4], 20:-20]
    # A root mean square of noise over 9 traces and 31 samples is known to a few percent.
    assert np.median(quiet) == pytest.approx(-20 * np.log10(factor), abs=0.5)
    assert np.median(low_amplitude(ground, SECTION)[:100]) < 0.5


def test_quietness_follows_what_decays_with_time_and_stops_at_its_highest():
    ground = noise(240, 256) * np.exp(-T / 15.0)
    ground[SHAFT] *= 1e-4
    quiet = low_amplitude(ground, SECTION, highest_db=25.0)
    assert quiet[SHAFT[5:-5], 20:-20] == pytest.approx(np.full((len(SHAFT) - 10, 216), 25.0))
    assert quiet.max() <= 25.0
    assert np.median(quiet[:100]) < 1.0


def test_a_gain_along_the_line_that_changes_slowly_makes_nothing_quiet():
    ground = noise(240, 256) * np.linspace(1.0, 2.0, 240)[:, None]
    assert np.percentile(low_amplitude(ground, SECTION)[40:-40], 95) < 2.5


# Kernels


@pytest.mark.parametrize(("first", "stop"), [(-2, 3), (-4, 0), (1, 5), (0, 1), (-30, 31)])
@pytest.mark.parametrize("dip", [0.0, 1.3, -2.6, 50.0, -50.0])
def test_stack_neighbours_means_what_its_twin_says(first, stop, dip):
    for shape in ((12, 30), (12, 1), (12, 2), (1, 30)):
        x = noise(*shape)
        late = dip * np.arange(first, stop)
        whole = np.floor(late).astype(np.int64)
        part = (late - whole).astype(np.float32)
        ours = kernels.stack_neighbours(x, first, stop, whole, part)
        twin = kernels_plain.stack_neighbours(x, first, stop, whole, part)
        for a, b in zip(ours, twin, strict=True):
            assert a == pytest.approx(b, rel=1e-4, abs=1e-4)


# Faults


@pytest.mark.parametrize(
    ("attribute", "parameters", "message"),
    [
        (instantaneous_frequency, {"window_ns": 0.0}, "window_ns must be greater than zero"),
        (similarity, {"measure": "likeness"}, "measure must be one of semblance, correlation"),
        (similarity, {"length_m": 0.0}, "length_m must be greater than zero"),
        (similarity, {"window_ns": -1.0}, "window_ns must be greater than zero"),
        (similarity, {"highest_dip_ns_per_m": -1.0}, "highest_dip_ns_per_m must lie between"),
        (truncation, {"side_m": 0.0}, "side_m must be greater than zero"),
        (truncation, {"window_ns": 0.0}, "window_ns must be greater than zero"),
        (truncation, {"highest_dip_ns_per_m": 2e3}, "highest_dip_ns_per_m must lie between"),
        (low_amplitude, {"length_m": 0.0}, "length_m must be greater than zero"),
        (low_amplitude, {"surround_m": 0.0}, "surround_m must be greater than zero"),
        (low_amplitude, {"surround_m": 0.3}, "the surroundings must be longer than what is held against them"),
        (low_amplitude, {"window_ns": 0.0}, "window_ns must be greater than zero"),
        (low_amplitude, {"highest_db": 0.0}, "highest_db must lie between"),
    ],
)
def test_parameters_out_of_range_are_refused(attribute, parameters, message):
    with pytest.raises(InputError, match=message):
        attribute(noise(20, 64), SECTION, **parameters)


@pytest.mark.parametrize(
    ("attribute", "message"),
    [
        (similarity, "a length in metres needs the trace spacing"),
        (low_amplitude, "a length in metres needs the trace spacing"),
        (truncation, "a side in metres needs the trace spacing"),
    ],
)
def test_spacing_is_asked_for(attribute, message):
    with pytest.raises(InputError, match=message):
        attribute(noise(20, 64), Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=400.0))


def test_a_dip_of_one_trace_is_level():
    dip, alike = local_dip(noise(1, 64), SECTION, highest_dip_ns_per_m=8.0)
    assert not dip.any()
    assert alike == pytest.approx(np.ones((1, 64)), abs=1e-5)
