"""Each compiled kernel means what its NumPy twin says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft
from scipy.signal import butter

from yewline.signal.engines import ENGINES
from yewline.signal.migration.stolt import _table

COMPILED, PLAIN = ENGINES["compiled"], ENGINES["plain"]


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.parametrize("half", [1, 5, 30, 200])
def test_running_mean(half):
    x = noise(7, 61) + 3.0
    assert COMPILED.running_mean(x, half) == pytest.approx(PLAIN.running_mean(x, half), abs=2e-6)


@pytest.mark.parametrize("traces", [1, 31, 64, 65, 130])
@pytest.mark.parametrize("order", [1, 4])
def test_second_order_sections(traces, order):
    sos = butter(order, [0.08, 0.5], "bandpass", output="sos")
    steady = np.concatenate([[1.0], np.cumprod(sos[:, :3].sum(axis=1) / sos[:, 3:].sum(axis=1))])
    x = noise(traces, 90)
    for pad in (0, 15, 89):
        ours = COMPILED.second_order_sections(x, sos, steady, pad)
        assert ours == pytest.approx(PLAIN.second_order_sections(x, sos, steady, pad), abs=1e-6)


def test_largest_swing():
    x = noise(50, 70) + 2.0
    x[3] = 5.0
    for stop in (4, 70):
        place, size = COMPILED.largest_swing(x, stop)
        twin_place, twin_size = PLAIN.largest_swing(x, stop)
        assert (place == twin_place).all()
        assert size == pytest.approx(twin_size, abs=1e-6)


def test_mean_about_also_beyond_the_record():
    x = noise(9, 50)
    x[4] = 0.0
    use = np.arange(9) != 7
    centre = np.array([0, 3, 10, 25, 25, 40, 49, 25, -20])
    for before, after in ((0, 0), (12, 5)):
        ours = COMPILED.mean_about(x, centre, use, before, after)
        assert ours == pytest.approx(PLAIN.mean_about(x, centre, use, before, after), abs=1e-6)


def test_correlate_lags_also_beyond_the_record():
    x = noise(9, 50)
    x[4] = 0.0
    reference = noise(1, 13)[0]
    reference -= reference.mean()
    reference /= np.linalg.norm(reference)
    centre = np.array([0, 3, 10, 25, 25, 40, 49, 60, -20])
    ours = COMPILED.correlate_lags(x, centre, reference, 6)
    assert ours == pytest.approx(PLAIN.correlate_lags(x, centre, reference, 6), abs=2e-5)
    assert np.abs(ours).max() <= 1.0 + 1e-5
    assert not ours[4].any()


def test_shift_traces_also_beyond_the_record():
    x = noise(6, 40)
    weights = noise(6, 8, seed=3)
    weights[2, 1:] = 0.0
    whole = np.array([0, 5, -5, 60, -60, 39])
    ours = COMPILED.shift_traces(x, whole, weights)
    assert ours == pytest.approx(PLAIN.shift_traces(x, whole, weights), abs=2e-6)
    assert not ours[3].any()


@pytest.mark.parametrize(("n_x", "n_time"), [(12, 64), (15, 90)])
@pytest.mark.parametrize("slope", [0.0, 0.7, 9.0])
def test_stolt_map(n_x, n_time, slope):
    spectrum = fft.fft(fft.rfft(noise(n_x, n_time), axis=1), axis=0)
    lateral = slope * np.arange(n_x // 2 + 1)
    ours, twin = spectrum.copy(), spectrum.copy()
    COMPILED.stolt_map(ours, lateral, _table(), n_time, n_time // 3)
    PLAIN.stolt_map(twin, lateral, _table(), n_time, n_time // 3)
    assert np.abs(ours - twin).max() < 2e-6 * np.abs(twin).max()


@pytest.mark.parametrize("count", [1, 2, 7, 39, 40])
def test_sliding_mean(count):
    x = np.random.default_rng(count).standard_normal((40, 33)).astype(np.float32)
    found = COMPILED.sliding_mean(x, count)
    assert found == pytest.approx(PLAIN.sliding_mean(x, count), abs=2e-6)
    if count == 40:
        assert found == pytest.approx(np.tile(x.mean(axis=0, dtype=float), (40, 1)), abs=1e-6)
