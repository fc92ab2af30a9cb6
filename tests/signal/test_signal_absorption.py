"""Absorption fitted to decays that are known."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section, compensate, fit_absorption


def decaying(rate: float, *, seed: int, floor: float = 0.0, mhz: float = 400.0, dt: float = 0.25, size: float = 1.0):
    section = Section(interval_ns=dt, spacing_m=0.05, centre_mhz=mhz)
    rng = np.random.default_rng(seed)
    t = dt * np.arange(400)
    start = section.period_ns
    decay = size * start / np.maximum(t, start) * 10 ** (-rate * t / 20)
    x = rng.standard_normal((120, 400)) * decay + floor * rng.standard_normal((120, 400))
    return x.astype(np.float32), section


@pytest.mark.parametrize("rate", [0.0, 0.2, 0.5, 1.0])
def test_known_rates(rate):
    lines = [decaying(rate, seed=seed, size=1.0 + seed) for seed in range(4)]
    assert fit_absorption(lines) == pytest.approx(rate, abs=0.02)


@pytest.mark.parametrize("rate", [0.3, 0.8])
def test_known_rates_above_a_noise_floor(rate):
    # Without noise the rate itself would be read off; with it a straight line would be far too flat.
    lines = [decaying(rate, seed=seed, floor=10 ** (-40 / 20)) for seed in range(6)]
    assert fit_absorption(lines) == pytest.approx(rate, rel=0.1)


def test_a_few_strong_responses_and_one_odd_line_do_not_matter():
    lines = [decaying(0.4, seed=seed) for seed in range(5)]
    for x, _ in lines:
        x[10:20, 180:220] *= 30.0
    lines.append(decaying(3.0, seed=9))
    assert fit_absorption(lines) == pytest.approx(0.4, abs=0.04)


def test_the_size_of_a_line_does_not_matter():
    x, section = decaying(0.4, seed=1)
    assert fit_absorption([(x, section)]) == pytest.approx(fit_absorption([(1e4 * x, section)]), abs=1e-3)


def test_compensation_by_the_fitted_rate_is_level():
    x, section = decaying(0.6, seed=2)
    y = compensate(x, section, absorption_db_per_ns=fit_absorption([(x, section)]), highest_gain_db=200.0)
    level = np.sqrt((y[:, 40:].reshape(120, 6, 60) ** 2).mean(axis=(0, 2)))
    assert level.max() / level.min() < 1.15


def test_growing_amplitude_is_no_absorption():
    section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    x = np.random.default_rng(0).standard_normal((50, 400)) * np.linspace(1, 3, 400)
    assert fit_absorption([(x, section)]) == 0.0


def test_what_cannot_be_fitted_is_refused():
    section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    with pytest.raises(InputError, match="no lines to fit the absorption to"):
        fit_absorption([])
    with pytest.raises(InputError, match="every record is too short or silent"):
        fit_absorption([(np.zeros((4, 400)), section), (np.ones((4, 40)), section)])


# Bins are one period long whatever the sample interval is, so a rate must not depend on how finely it was sampled.


@pytest.mark.parametrize("dt", [0.1, 0.45, 0.7, 1.0])
def test_the_sample_interval_does_not_matter(dt):
    x, section = decaying(0.4, seed=3, dt=dt)
    assert fit_absorption([(x, section)]) == pytest.approx(0.4, abs=0.01)


def test_lines_of_different_sample_intervals_stack_in_step():
    lines = [decaying(0.4, seed=seed, dt=dt) for seed, dt in enumerate([0.25, 0.45, 1.0, 0.25, 0.45, 1.0])]
    assert fit_absorption(lines) == pytest.approx(0.4, abs=0.01)


@pytest.mark.parametrize("power", [0.0, 1.0, 2.0])
def test_the_stated_spreading_is_taken_out(power):
    section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    t = 0.25 * np.arange(400)
    decay = (2.5 / np.maximum(t, 2.5)) ** power * 10 ** (-0.5 * t / 20)
    x = np.random.default_rng(5).standard_normal((120, 400)) * decay
    assert fit_absorption([(x, section)], spreading_power=power) == pytest.approx(0.5, abs=0.02)


def test_a_spreading_that_cannot_be_is_refused():
    with pytest.raises(InputError, match="spreading_power must lie between 0 and 3"):
        fit_absorption([decaying(0.4, seed=1)], spreading_power=-1.0)
