"""Planted faults of recordings are found, and clean ones are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from yewline.errors import InputError
from yewline.signal import (
    Section,
    clipped_traces,
    dead_traces,
    noise_level,
    spiky_traces,
    time_zero_drift,
)

DT = 0.25
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)


def ricker(t: np.ndarray) -> np.ndarray:
    u = (np.pi * 0.4 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def clean(seed: int, *, drift_ns: float = 0.0, whole: bool = True) -> np.ndarray:
    """A line of some field character: direct wave, ringing, layers, hyperbolas, coupling, noise; 16-bit samples."""
    rng = np.random.default_rng(seed)
    n, samples = int(rng.integers(120, 400)), 300
    t = DT * np.arange(samples)
    x = 0.05 * np.arange(n)
    zero = 8.0 + np.linspace(0, drift_ns, n) + 0.02 * rng.standard_normal(n)
    coupling = 1 + 0.15 * np.convolve(rng.standard_normal(n + 20), np.ones(21) / 4.6, mode="valid")
    field = ricker(t - zero[:, None]) * 3.0 * coupling[:, None]
    for ring in range(1, 5):
        field += 3.0 * (-0.35) ** ring * ricker(t - zero[:, None] - 3.1 * ring)
    depth = 20 + 2 * np.sin(x / rng.uniform(1, 4))
    field += 0.3 * ricker(t - zero[:, None] - depth[:, None])
    for _ in range(12):
        arrival = 2 * np.hypot(x - rng.uniform(0, x[-1]), rng.uniform(0.4, 2.0)) / 0.1
        field += rng.uniform(-2, 2) * ricker(t - zero[:, None] - arrival[:, None]) * (8 / arrival[:, None]) ** 2
    field += rng.uniform(0.002, 0.03) * rng.standard_normal(field.shape) + 0.2 * np.exp(-t / 30)
    counts = 4_000 * field
    return (np.round(counts) if whole else counts).astype(np.float32)


@pytest.mark.parametrize("seed", range(20))
def test_clean_lines_raise_no_alarm(seed):
    x = clean(seed)
    found = [dead_traces(x), spiky_traces(x), clipped_traces(x)]
    assert [bool(faults) for faults in found] == [False, False, False]
    assert not time_zero_drift(x, SECTION).drifting


@pytest.mark.parametrize("seed", range(10))
def test_planted_faults_are_found_and_nothing_else(seed):
    x = clean(seed)
    rng = np.random.default_rng(100 + seed)
    dead, spiky, rough = rng.choice(len(x), 3, replace=False).tolist()
    typical = float(x.std())
    x[dead] = rng.choice([0.0, 512.0]) + 0.001 * typical * rng.standard_normal(x.shape[1])
    x[spiky, rng.integers(80, 290, 3)] += 8.0 * typical * rng.choice([-1.0, 1.0], 3)
    x[rough] += 1.5 * typical * rng.standard_normal(x.shape[1])
    assert dead_traces(x).traces == (dead,)
    found = spiky_traces(x)
    assert set(found.traces) == {spiky, rough}
    assert found.samples >= 1
    assert found.largest > 12


def test_address_of_each_faulty_trace():
    # Samples that encode their own place: any slip of an index names the wrong trace.
    x = 1000.0 * np.sin(np.arange(60)[:, None] * 0.7 + np.arange(200) * 0.3)
    for at in (0, 17, 59):
        y = x.copy()
        y[at] = 3.0
        assert dead_traces(y).traces == (at,)


@pytest.mark.parametrize("share", [0.4, 0.7])
def test_clipped_crests_are_found(share):
    x = clean(3)
    limit = share * float(np.abs(x).max())
    cut = np.clip(x, -limit, limit)
    found = clipped_traces(cut)
    longest = (np.abs(cut) >= limit).sum(axis=1)
    assert found.traces
    assert set(np.flatnonzero(longest >= 8)) <= set(found.traces) <= set(np.flatnonzero(longest >= 3))
    assert clipped_traces(cut, full_scale=limit).traces == found.traces
    assert not clipped_traces(cut, full_scale=1.01 * limit)


def test_a_silent_line_is_dead_and_not_clipped():
    x = np.full((4, 50), 7.0)
    assert dead_traces(x).traces == (0, 1, 2, 3)
    assert not clipped_traces(x)
    assert not spiky_traces(x)


@pytest.mark.parametrize("seed", range(6))
def test_drift_of_time_zero_is_measured(seed):
    drift = time_zero_drift(clean(seed, drift_ns=1.5), SECTION)
    assert drift.drifting
    assert drift.drift_ns == pytest.approx(1.5, abs=0.2)


def test_a_step_of_time_zero_is_placed():
    x = np.concatenate([clean(4)[:100], np.roll(clean(4)[100:], 6, axis=1)])
    drift = time_zero_drift(x, SECTION)
    assert drift.step_ns == pytest.approx(1.5, abs=0.15)
    assert abs(drift.step_trace - 100) <= 1


def test_drift_of_the_shortest_lines():
    assert time_zero_drift(clean(1)[:1], SECTION).drift_ns == 0.0
    assert not time_zero_drift(clean(1)[:3], SECTION).drifting


@pytest.mark.parametrize("noise", [0.5, 5.0])
def test_noise_level_and_usable_time(noise):
    rng = np.random.default_rng(2)
    t = DT * np.arange(400)
    decay = 1_000.0 * 10 ** (-1.0 * t / 20)
    x = rng.standard_normal((200, 400)) * np.hypot(decay, noise)
    level = noise_level(x, SECTION)
    assert level.noise == pytest.approx(noise, rel=0.1)
    # √(decay² + noise²) is twice the noise where the decay is √3 times it.
    expected = 20 * np.log10(1_000.0 / (noise * np.sqrt(3)))
    assert level.usable_ns == pytest.approx(expected, abs=2.0)
    assert level.window_ns == 100.0


def test_a_record_of_noise_alone_has_no_usable_time():
    x = np.random.default_rng(0).standard_normal((100, 400))
    assert noise_level(x, SECTION).usable_ns == 0.0


@pytest.mark.parametrize("share", [0.08, 0.5, 1.0])
def test_an_echo_on_few_traces_is_usable(share):
    # 60 ns of noise after a direct wave, and an echo at 22 ns under some of the traces.
    rng = np.random.default_rng(3)
    x = rng.standard_normal((200, 240))
    x[:, :32] *= 100.0
    x[: round(share * 200), 84:94] += 30.0 * np.sin(2 * np.pi * np.arange(10) / 10)
    assert noise_level(x, SECTION).usable_ns == pytest.approx(23.5, abs=1.5)


@pytest.mark.parametrize("traces", [20, 60, 200])
@pytest.mark.parametrize("band", [(120, 1_000), (300, 500)])
def test_noise_in_the_antennas_band_has_no_usable_time(traces, band):
    sections = butter(4, band, "band", fs=1_000 / DT, output="sos")
    for seed in range(5):
        x = sosfiltfilt(sections, np.random.default_rng(seed).standard_normal((traces, 500)), axis=1)[:, 50:450]
        assert noise_level(x, SECTION).usable_ns == 0.0


def test_noisy_traces_do_not_hide_what_the_others_hold():
    rng = np.random.default_rng(4)
    x = rng.standard_normal((100, 400)) * np.where(np.arange(400) < 200, 10.0, 1.0)
    x[:10] = 50.0 * rng.standard_normal((10, 400))
    assert noise_level(x, SECTION).usable_ns == pytest.approx(50.0, abs=2.0)


def test_limits_that_cannot_be_are_refused():
    with pytest.raises(InputError, match="limit_ns must be greater than zero"):
        time_zero_drift(clean(0), SECTION, limit_ns=0.0)
    with pytest.raises(InputError, match="ratio must be finite"):
        noise_level(clean(0), SECTION, ratio=float("inf"))
    with pytest.raises(InputError, match="full_scale must be greater than zero"):
        clipped_traces(clean(0), full_scale=-1.0)
    with pytest.raises(InputError, match="amplitude holds values that are not finite"):
        dead_traces([[np.nan, 1.0]])
