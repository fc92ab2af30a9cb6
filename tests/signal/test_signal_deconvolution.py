"""Deconvolution and whitening: identities of minimum-phase wavelets and of ringing, then SciPy as the reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.linalg
import scipy.signal

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.wavelets import (
    autocorrelations,
    filter_traces,
    mean_autocorrelation,
    prediction_operators,
    predictive_deconvolution,
    predictive_deconvolution_by_trace,
    ricker_wavelet,
    shaping_deconvolution,
    shaping_operator,
    solve_levinson,
    spectral_whitening,
    spiking_deconvolution,
    spiking_operators,
)

DT, PEAK = 0.25, 400.0
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=PEAK)


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape)


def ricker(time: np.ndarray, peak_mhz: float = PEAK) -> np.ndarray:
    squared = (np.pi * 1e-3 * peak_mhz * time) ** 2
    return (1 - 2 * squared) * np.exp(-squared)


def rung(line: np.ndarray, period: int, factor: float) -> np.ndarray:
    """Each event again and again after `period` samples, `factor` times as strong: 1 / (1 − c z^P)."""
    poles = np.zeros(period + 1)
    poles[0], poles[period] = 1.0, -factor
    return scipy.signal.lfilter([1.0], poles, line, axis=-1)


# --- identities ---------------------------------------------------------------------------------------------------


def test_a_minimum_phase_wavelet_becomes_a_spike_at_its_start() -> None:
    wavelet = np.convolve([1.0, -0.7], [1.0, 0.5, 0.3])
    line = np.zeros((3, 160))
    line[:, 50 : 50 + len(wavelet)] = wavelet
    spikes = spiking_deconvolution(line, SECTION, length_ns=60 * DT, prewhitening=0.0)
    assert (spikes.argmax(axis=1) == 50).all()
    others = np.delete(spikes, 50, axis=1)
    assert np.abs(others).max() < 1e-5 * spikes.max()
    # Turned round it has the same autocorrelation and cannot become one: the operator is causal.
    line[:, 50 : 50 + len(wavelet)] = wavelet[::-1]
    mixed = spiking_deconvolution(line, SECTION, length_ns=60 * DT, prewhitening=0.0)
    assert np.sort(np.abs(mixed[0]))[-2] > 0.2 * np.abs(mixed[0]).max()


def test_the_spiking_operator_of_an_all_pole_process_is_its_own_recursion() -> None:
    # Yule–Walker: the prediction-error filter of an autoregressive process is the process's denominator.
    poles = np.array([1.0, -1.2, 0.7])
    line = scipy.signal.lfilter([1.0], poles, noise(200, 500), axis=1)
    operator = spiking_operators(mean_autocorrelation(line, lags=3)[None], prewhitening=0.0)[0]
    assert operator == pytest.approx(poles, abs=0.02)


@pytest.mark.parametrize(("period", "factor"), [(24, 0.6), (32, -0.75)])
def test_ringing_of_a_known_period_is_taken_out(period: int, factor: float) -> None:
    pulses = np.stack([np.convolve(row, ricker(DT * np.arange(-16, 17)))[:480] for row in noise(80, 480, seed=2)])
    line = rung(pulses, period, factor)
    quiet = predictive_deconvolution(line, SECTION, gap_ns=20 * DT, length_ns=16 * DT, prewhitening=1e-6)
    before, after = ((x[:, 60:] - pulses[:, 60:]) for x in (line, quiet))
    weaker_db = 10 * math.log10(np.sum(before**2) / np.sum(after**2))
    assert weaker_db > 15
    # On one event that rings alone, the echo itself: what is left where its first repetition was.
    alone = rung(np.convolve(np.eye(1, 480, 100)[0], ricker(DT * np.arange(-16, 17)))[:480], period, factor)
    operator = prediction_operators(mean_autocorrelation(line, lags=36)[None], gap=20, prewhitening=1e-6)[0]
    left = filter_traces(alone[None], operator)[0]
    echo = slice(116 + 20, 116 + 20 + 3 * period)
    assert 10 * math.log10(np.sum(alone[echo] ** 2) / np.sum(left[echo] ** 2)) > 20


def test_a_single_reflection_keeps_amplitude_and_time() -> None:
    direct = rung(np.convolve(np.eye(1, 480, 10)[0], ricker(DT * np.arange(-8, 9)))[:480], 24, 0.7)
    line = np.tile(direct, (40, 1)) + 1e-3 * noise(40, 480)
    reflection = np.zeros(480)
    reflection[300:333] = 0.2 * ricker(DT * np.arange(-16, 17))
    line[20] += reflection
    quiet = predictive_deconvolution(line, SECTION, gap_ns=20 * DT, length_ns=10 * DT)
    without = predictive_deconvolution(
        line - np.eye(40, 1, -20) * reflection, SECTION, gap_ns=20 * DT, length_ns=10 * DT
    )
    kept = quiet[20] - without[20]
    # Nothing before it, and its first `gap_ns` exactly, but for what the operator itself owes to this one trace.
    assert kept[300:320] == pytest.approx(reflection[300:320], abs=0.004)
    assert int(kept.argmax()) == 316
    ringing = slice(40, 280)
    assert np.sum(quiet[:, ringing] ** 2) < 0.01 * np.sum(line[:, ringing] ** 2)


def test_one_operator_keeps_the_ratio_of_traces_and_one_a_trace_does_not() -> None:
    line = rung(noise(2, 400, seed=5), 24, 0.6)
    line[1] = 0.1 * line[0] + np.where(np.arange(400) > 200, 0.3 * noise(400, seed=6), 0.0)
    arguments = {"gap_ns": 20 * DT, "length_ns": 10 * DT}
    common = predictive_deconvolution(line, SECTION, **arguments)
    own = predictive_deconvolution_by_trace(line, SECTION, **arguments)
    assert common[1, :200] == pytest.approx(0.1 * common[0, :200], abs=1e-5)
    assert np.abs(own[1, :200] - 0.1 * own[0, :200]).max() > 1e-3


def test_shaping_turns_the_lines_wavelet_into_a_ricker_wavelet() -> None:
    poles = [1.0, -1.1, 0.6]
    pulse = scipy.signal.lfilter([1.0], poles, np.eye(1, 60)[0])
    reflectors = np.where(np.random.default_rng(1).random((60, 400)) < 0.02, noise(60, 400, seed=3), 0.0)
    reflectors[:, :16] = reflectors[:, -30:] = 0.0
    line = scipy.signal.lfilter([1.0], poles, reflectors, axis=1)
    shaped = shaping_deconvolution(line, SECTION, prewhitening=1e-3)
    wanted = np.stack([np.convolve(row, ricker(DT * np.arange(-16, 17)))[16:416] for row in reflectors])
    fit = float(np.sum(shaped * wanted) / np.sum(wanted**2))
    before, after = (1.0 - np.corrcoef(x.ravel(), wanted.ravel())[0, 1] for x in (line, shaped))
    assert after < 0.1
    assert after < 0.4 * before
    # A response keeps its energy.
    assert fit * np.linalg.norm(ricker_wavelet(peak_mhz=PEAK, interval_ns=DT).samples) == pytest.approx(
        np.linalg.norm(pulse), rel=0.1
    )


@pytest.mark.parametrize("wavelet", ["zero", "direct"])
def test_shaping_of_a_wavelet_that_is_the_wanted_one_already_changes_little(wavelet: str) -> None:
    line = np.zeros((30, 300))
    line[:, 20:53] = 5.0 * ricker(DT * np.arange(-16, 17))
    line[:, 60:] = np.stack([np.convolve(row, ricker(DT * np.arange(-16, 17)))[16:256] for row in 0.3 * noise(30, 240)])
    shaped = shaping_deconvolution(line, SECTION, wavelet=wavelet, prewhitening=0.02)
    assert np.corrcoef(shaped.ravel(), line.ravel())[0, 1] > 0.95


def test_whitening_levels_the_band_and_moves_no_event() -> None:
    line = np.stack([np.convolve(row, ricker(DT * np.arange(-16, 17)))[:512] for row in noise(100, 512)])
    white = spectral_whitening(line, SECTION, low_mhz=150.0, high_mhz=800.0, water_level=1e-3, smoothing_mhz=30.0)
    f = np.fft.rfftfreq(512, DT) * 1e3
    # Faded out first: the cut ends of a record would else leak into all frequencies.
    level = np.sqrt(np.mean(np.abs(np.fft.rfft(white * np.hanning(512), axis=1)) ** 2, axis=0))
    inside = level[(f > 170) & (f < 780)]
    assert inside.max() / inside.min() < 1.4
    assert level[f > 1_050].max() < 0.02 * inside.mean()
    assert np.sqrt(np.mean(white**2)) == pytest.approx(np.sqrt(np.mean(line**2)), rel=1e-5)
    alone = np.zeros((1, 512))
    alone[0, 240:273] = ricker(DT * np.arange(-16, 17))
    sharp = spectral_whitening(alone, SECTION)[0]
    assert int(np.abs(sharp).argmax()) == 256
    assert sharp[200:313] == pytest.approx(sharp[200:313][::-1], abs=1e-5)


def test_whitening_by_trace_brings_each_to_its_own_level() -> None:
    line = np.stack([np.convolve(row, ricker(DT * np.arange(-16, 17)))[:512] for row in noise(3, 512)])
    line[1] = np.convolve(noise(512, seed=8), ricker(DT * np.arange(-30, 31), 200.0))[:512]
    line[2] = 0.0
    white = spectral_whitening(line, SECTION, operator="trace")
    assert np.sqrt(np.mean(white**2, axis=1)) == pytest.approx(np.sqrt(np.mean(line**2, axis=1)), rel=1e-5)
    assert not white[2].any()


# --- references ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 2, 3, 8, 65])
def test_levinson_against_scipy_and_its_plain_twin(n: int) -> None:
    x = noise(5, 4 * n + 4, seed=n)
    r = autocorrelations(x, lags=n)
    right = noise(5, n, seed=n + 1)
    ours = solve_levinson(r, right)
    reference = np.stack([scipy.linalg.solve_toeplitz(row, y) for row, y in zip(r, right, strict=True)])
    assert ours == pytest.approx(reference, rel=1e-9, abs=1e-9 * float(np.abs(reference).max()))
    assert solve_levinson(r, right, engine="plain") == pytest.approx(ours, rel=1e-9, abs=1e-12)


def test_filter_traces_against_scipy() -> None:
    line, taps = noise(20, 300).astype(np.float32), noise(37, seed=1)
    reference = scipy.signal.lfilter(taps, [1.0], line.astype(float), axis=1)
    assert filter_traces(line, taps) == pytest.approx(reference, abs=1e-6 * float(np.abs(reference).max()))
    centred = np.stack([np.convolve(row, taps)[12:312] for row in line.astype(float)])
    assert filter_traces(line, taps, zero=12) == pytest.approx(centred, abs=1e-6 * float(np.abs(centred).max()))
    own = noise(20, 5, seed=2)
    each = np.stack([np.convolve(row, f)[:300] for row, f in zip(line.astype(float), own, strict=True)])
    assert filter_traces(line, own) == pytest.approx(each, abs=1e-6 * float(np.abs(each).max()))


def test_predictive_deconvolution_against_plain_scipy() -> None:
    line = rung(noise(30, 400), 24, 0.6).astype(np.float32)
    part = line[:, 40:300].astype(float)
    r = np.mean([np.correlate(row, row, "full")[259 : 259 + 30] for row in part], axis=0)
    column = r[:10].copy()
    column[0] *= 1.001
    a = scipy.linalg.solve_toeplitz(column, r[20:30])
    reference = scipy.signal.lfilter(np.concatenate([[1.0], np.zeros(19), -a]), [1.0], line.astype(float), axis=1)
    ours = predictive_deconvolution(
        line, SECTION, gap_ns=20 * DT, length_ns=10 * DT, start_ns=40 * DT, stop_ns=300 * DT, prewhitening=0.001
    )
    assert ours == pytest.approx(reference, abs=1e-5 * float(np.abs(reference).max()))


def test_spiking_deconvolution_against_plain_scipy() -> None:
    line = scipy.signal.lfilter([1.0], [1.0, -1.2, 0.7], noise(30, 400), axis=1).astype(np.float32)
    for operator in ("line", "trace"):
        rows = np.stack([np.correlate(row, row, "full")[399:419] for row in line.astype(float)])
        rows = rows.mean(axis=0, keepdims=True).repeat(30, axis=0) if operator == "line" else rows
        reference = np.empty((30, 400))
        for k, r in enumerate(rows):
            column = r * np.where(np.arange(20) == 0, 1.01, 1.0)
            reference[k] = scipy.signal.lfilter(scipy.linalg.solve_toeplitz(column, np.eye(20)[0]), [1.0], line[k])
        axis = None if operator == "line" else 1
        was, now = (np.sqrt(np.mean(x**2, axis=axis, keepdims=True)) for x in (line.astype(float), reference))
        ours = spiking_deconvolution(line, SECTION, length_ns=20 * DT, operator=operator)
        reference *= was / now
        assert ours == pytest.approx(reference, abs=1e-5 * float(np.abs(reference).max()))


def test_the_shaping_operator_is_the_least_squares_one() -> None:
    wavelet = ricker_wavelet(peak_mhz=300.0, interval_ns=DT)
    desired = ricker_wavelet(peak_mhz=450.0, interval_ns=DT)
    before = after = 12
    operator = shaping_operator(wavelet, desired, before=before, after=after, prewhitening=1e-4)
    w = wavelet.samples
    columns = scipy.linalg.convolution_matrix(w, before + 1 + after)
    wanted = np.zeros(len(columns))
    start = before + wavelet.zero_index - desired.zero_index
    wanted[start : start + len(desired.samples)] = desired.samples
    damped = np.vstack([columns, math.sqrt(1e-4 * (w @ w)) * np.eye(before + 1 + after)])
    best = np.linalg.lstsq(damped, np.concatenate([wanted, np.zeros(before + 1 + after)]), rcond=None)[0]
    best *= math.sqrt((w @ w) / np.sum((columns @ best) ** 2))
    assert operator == pytest.approx(best, abs=1e-6 * float(np.abs(best).max()))


# --- faults -------------------------------------------------------------------------------------------------------


def test_systems_without_an_answer_are_refused() -> None:
    with pytest.raises(InputError, match="not positive definite"):
        solve_levinson([[1.0, 2.0]], [[1.0, 0.0]])
    with pytest.raises(InputError, match="not positive definite"):
        solve_levinson([[-1.0, 0.0]], [[1.0, 0.0]])
    with pytest.raises(InputError, match="not positive definite"):
        solve_levinson([[1.0, 2.0]], [[1.0, 0.0]], engine="plain")
    with pytest.raises(InputError, match="not positive definite"):
        solve_levinson([[0.0]], [[1.0]], engine="plain")
    with pytest.raises(InputError, match="each matrix needs a right-hand side of its size"):
        solve_levinson([[1.0, 0.0]], [[1.0]])
    with pytest.raises(InputError, match="a prediction needs a gap of one sample or more"):
        prediction_operators([[1.0, 0.5]], gap=2)


def test_operators_that_do_not_fit_are_refused() -> None:
    with pytest.raises(InputError, match="one operator for all traces or one for each"):
        filter_traces(noise(3, 20), noise(2, 4))
    with pytest.raises(InputError, match="zero must lie between 0 and 3"):
        filter_traces(noise(3, 20), noise(4), zero=4)
    with pytest.raises(InputError, match="both wavelets need one sample interval"):
        shaping_operator(
            ricker_wavelet(peak_mhz=400.0, interval_ns=0.25),
            ricker_wavelet(peak_mhz=400.0, interval_ns=0.2),
            before=3,
            after=3,
        )


@pytest.mark.parametrize(
    ("step", "parameters", "message"),
    [
        (predictive_deconvolution, {"gap_ns": 0.0}, "gap_ns must be greater than zero"),
        (predictive_deconvolution, {"prewhitening": 2.0}, "prewhitening must lie between 0 and 1"),
        (predictive_deconvolution, {"stop_ns": 5.0}, "the window is too short: at least 60 samples are needed"),
        (predictive_deconvolution_by_trace, {"start_ns": 60.0}, "the window is too short"),
        (spiking_deconvolution, {"length_ns": -1.0}, "length_ns must be greater than zero"),
        (spiking_deconvolution, {"operator": "visit"}, "operator must be one of line, trace"),
        (shaping_deconvolution, {"wavelet": "ricker"}, "wavelet must be one of minimum, zero, direct"),
        (shaping_deconvolution, {"peak_mhz": 2_500.0}, "the Ricker wavelet lies above the Nyquist frequency"),
        (spectral_whitening, {"low_mhz": 900.0, "high_mhz": 400.0}, "the band must rise and stay under"),
        (spectral_whitening, {"high_mhz": 2_100.0}, "the band must rise and stay under the Nyquist frequency"),
        (spectral_whitening, {"water_level": 0.0}, "water_level must lie between"),
        (spectral_whitening, {"operator": "site"}, "operator must be one of line, trace"),
        (spectral_whitening, {"low_mhz": 401.0, "high_mhz": 402.0}, "the band holds no frequency"),
    ],
)
def test_parameters_out_of_range_are_refused(step, parameters, message) -> None:
    with pytest.raises(InputError, match=message):
        step(noise(4, 250), SECTION, **parameters)
