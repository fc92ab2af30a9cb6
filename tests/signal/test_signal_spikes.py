"""Wild samples alone and in runs, equal and opposite: found one by one, and true pulses are not taken for them."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.signal import Section, clipped_traces, repair_traces, spiky_traces
from yewline.signal.faults import find_faults
from yewline.signal.faulty_samples import odd_samples
from yewline.signal.spike_places import SIXTH_DIFFERENCE, wild_places

DT = 0.25
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)
SHAPES = {
    "one": [1],
    "two equal": [1, 1],
    "two opposite": [1, -1],
    "two uneven": [1, 0.6],
    "three equal": [1, 1, 1],
    "three alternating": [1, -1, 1],
    "three mixed": [1, 1, -1],
    "four equal": [1, 1, 1, 1],
}


def ricker(t: np.ndarray, mhz: float = 400.0) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def sharp_line(seed: int, samples_a_period: float, noise: float) -> np.ndarray:
    """Strong hyperbolas under a direct wave, with little noise; largest swing about 3."""
    rng = np.random.default_rng(seed)
    t = 2.5 / samples_a_period * np.arange(round(30 * samples_a_period))
    x = 0.05 * np.arange(200)
    zero = 8 + np.linspace(0, 0.3, 200) + 0.02 * rng.standard_normal(200)
    line = 3 * ricker(t - zero[:, None])
    for _ in range(8):
        arrival = 2 * np.hypot(x - rng.uniform(0, x[-1]), rng.uniform(0.4, 2.0)) / 0.1
        line += rng.uniform(-2, 2) * ricker(t - zero[:, None] - arrival[:, None]) * (8 / arrival[:, None]) ** 2
    return (4_000 * (line + noise * rng.standard_normal(line.shape))).astype(np.float32)


def planted(x: np.ndarray, shape: list[float], *, from_sample: int, height: float, seed: int):
    """The line with two runs of that shape in each of six traces, of either sign, and where they are."""
    rng = np.random.default_rng([seed, len(shape)])
    y, where = x.copy(), np.zeros(x.shape, bool)
    for trace in rng.choice(len(x), 6, replace=False):
        for at in rng.choice(np.arange(from_sample, x.shape[1] - 8, 16), 2, replace=False):
            y[trace, at : at + len(shape)] += height * rng.choice([-1, 1]) * np.array(shape)
            where[trace, at : at + len(shape)] = True
    return np.round(y).astype(np.float32), where


# True pulses


def test_no_line_of_the_full_wave_raises_an_alarm(full_wave):
    lines, section = full_wave
    assert len(lines) == 80
    assert sum(bool(find_faults(x, section)) for x in lines) == 0
    assert sum(bool(spiky_traces(x)) or bool(clipped_traces(x)) for x in lines) == 0


@pytest.mark.parametrize(("samples_a_period", "noise"), [(6, 0.001), (8, 0.001), (5, 0.01), (10, 0.0003)])
def test_sharp_pulses_coarsely_sampled_are_no_spikes(samples_a_period, noise):
    # A sharp pulse is in the neighbouring traces as well; a spike is not.
    section = Section(interval_ns=2.5 / samples_a_period, spacing_m=0.05, centre_mhz=400.0)
    false = sum(find_faults(sharp_line(seed, samples_a_period, noise), section).changed.any() for seed in range(20))
    assert false == 0


# Planted runs


@pytest.mark.parametrize("name", SHAPES)
def test_runs_are_found_sample_by_sample_and_mended(name):
    found = total = 0
    for seed in range(20):
        x = sharp_line(seed, 10, 0.01)
        y, where = planted(x, SHAPES[name], from_sample=70, height=8 * x.std(), seed=seed)
        faults = find_faults(y, SECTION)
        assert not faults.replaced.any()
        # Nothing sound is touched.
        assert not (faults.changed & ~where).any()
        found += int((faults.wild & where).sum())
        total += int(where.sum())
        mended = repair_traces(y, SECTION)
        assert (mended[~where] == np.round(x)[~where]).all()
        assert np.sqrt(np.mean((mended - x)[faults.wild] ** 2)) < 0.35 * x.std()
        assert set(np.flatnonzero(where.any(axis=1))) == set(spiky_traces(y).traces)
    assert found == total


@pytest.mark.parametrize("name", SHAPES)
def test_runs_are_found_in_lines_of_the_full_wave(full_wave, name):
    lines, section = full_wave
    found = total = 0
    errors = []
    for seed, x in enumerate(lines[::4]):
        # Behind the ground wave, near which what is usual is large.
        late = x[:, 56:].std()
        y, where = planted(x, SHAPES[name], from_sample=56, height=16 * late, seed=seed)
        faults = find_faults(y, section)
        assert not (faults.changed & ~where).any()
        found += int((faults.wild & where).sum())
        total += int(where.sum())
        errors.append((repair_traces(y, section) - x)[faults.wild] / late)
    assert found > 0.98 * total
    # Spikes 16 times as high as what is there come back to within it.
    assert np.sqrt(np.mean(np.concatenate(errors) ** 2)) < 1.0


@pytest.mark.parametrize("length", [1, 2, 3, 4])
def test_equal_samples_at_full_scale_are_a_spike_and_no_cut_crest(length):
    x = sharp_line(2, 10, 0.01)
    y = x.copy()
    y[50, 150 : 150 + length] = 32_767.0
    y[90, 200 : 200 + length] = -32_767.0
    assert not clipped_traces(y)
    faults = find_faults(y, SECTION)
    assert not faults.cut.any()
    assert np.argwhere(faults.wild).tolist() == [[50, 150 + n] for n in range(length)] + [
        [90, 200 + n] for n in range(length)
    ]
    assert np.abs(repair_traces(y, SECTION) - x).max() < 0.5 * x.std()


def test_a_spike_at_full_scale_is_told_from_the_crests_that_are_cut_there():
    x = sharp_line(2, 10, 0.01)
    level = np.float32(0.5 * x.max())
    y = np.clip(x, -level, level)
    y[50, 200:202] = level
    faults = find_faults(y, SECTION)
    assert faults.cut[:, 25:45].any(axis=1).all()
    assert not faults.cut[50, 195:210].any()
    assert np.flatnonzero(faults.wild.any(axis=1)).tolist() == [50]
    assert np.flatnonzero(faults.wild[50]).tolist() == [200, 201]


def test_many_spikes_close_together_are_told_apart():
    x = sharp_line(4, 10, 0.01)
    y, where = x.copy(), np.zeros(x.shape, bool)
    rng = np.random.default_rng(9)
    for trace in range(3, 190, 7):
        at = rng.choice(np.arange(70, 290), 8, replace=False)
        y[trace, at] += 15 * x.std() * rng.uniform(0.6, 1.0, 8) * rng.choice([-1, 1], 8)
        where[trace, at] = True
    faults = find_faults(y, SECTION)
    kept = ~faults.noisy
    assert kept.sum() >= 198
    assert (faults.wild[kept] & where[kept]).sum() > 0.97 * where[kept].sum()
    assert (faults.wild[kept] & ~where[kept]).sum() < 0.05 * where[kept].sum()


def test_a_run_too_long_to_be_bridged_replaces_the_trace():
    x = sharp_line(1, 10, 0.01)
    y = x.copy()
    y[40, 120:129] += 20 * x.std() * np.array([1, -1, 1, 1, -1, 1, -1, -1, 1])
    faults = find_faults(y, SECTION)
    assert np.flatnonzero(faults.noisy).tolist() == [40]
    assert not faults.wild.any()
    assert np.abs(repair_traces(y, SECTION)[40] - 0.5 * (x[39] + x[41])).max() < 0.01


# The rule itself


def test_figures_that_the_rule_rests_on():
    one, two = np.zeros(21), np.zeros(21)
    one[10] = two[10] = two[11] = 1.0
    largest = [np.abs(np.convolve(x, SIXTH_DIFFERENCE, "same")).max() for x in (one, two)]
    assert largest == pytest.approx([1.0, 0.45])
    # (2 sin πν)⁶ / 20 of a wave of ν cycles a sample.
    for samples, share in ((10.0, 0.003), (4.2, 0.3)):
        wave = np.exp(2j * np.pi * np.arange(40) / samples)
        gain = np.abs(np.convolve(wave, SIXTH_DIFFERENCE, "valid")).max()
        assert gain == pytest.approx((2 * np.sin(np.pi / samples)) ** 6 / 20, rel=1e-9)
        assert gain == pytest.approx(share, rel=0.1)


def test_freeing_a_sound_sample_seldom_takes_much():
    # 3.2 χ² of one degree passes 25, the price of a sample beside a wild one, once in two hundred.
    rng = np.random.default_rng(0)
    usual = np.full(60, 1.52)
    false = 0
    for _ in range(400):
        trace = rng.standard_normal(60)
        trace[30] += 100.0
        odd = np.zeros(60, bool)
        odd[29:32] = True
        false += wild_places(trace, odd, usual, most=30.0).sum() - 1
    assert 0 <= false <= 8


@pytest.mark.parametrize("at", [0, 1, 2, 3, 137, 138, 139])
def test_spikes_at_the_ends_of_the_record(at):
    x = np.random.default_rng(1).standard_normal((40, 140)).astype(np.float32)
    y = x.copy()
    y[7, at] += 300.0
    assert odd_samples(y.astype(float)).odd[7].any()
    faults = find_faults(y, SECTION)
    assert faults.changed[7, at]
    assert (faults.changed.any(axis=1) == (np.arange(40) == 7)).all()
