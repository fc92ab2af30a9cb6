"""What holds for every step: shapes, finite results, inputs left alone, the same bytes twice, and its refusals."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline import signal
from yewline.errors import InputError
from yewline.signal import Section

SECTION = Section(
    interval_ns=0.25,
    spacing_m=0.05,
    centre_mhz=400.0,
    separation_m=0.16,
    velocity_m_per_ns=0.1,
    absorption_db_per_ns=0.3,
)
STEPS = (
    signal.time_zero,
    signal.dewow,
    signal.band_pass,
    signal.background_removal,
    signal.compensate,
    signal.power_gain,
    signal.automatic_gain,
    signal.migrate_stolt,
    signal.envelope,
)
SHAPED = STEPS[1:]


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.parametrize("step", SHAPED)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_samples_give_finite_samples_of_the_same_shape(step, data):
    shape = data.draw(st.tuples(st.integers(1, 12), st.integers(28, 70)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    held = x.copy()
    y = step(x, SECTION)
    assert y.shape == x.shape
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert (x == held).all()


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_time_zero_of_any_samples_is_finite_or_refused_as_silent(data):
    shape = data.draw(st.tuples(st.integers(1, 12), st.integers(4, 70)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    early = x[:, : max(4, shape[1] // 2)]
    if (np.ptp(early, axis=1) == 0).all():
        with pytest.raises(InputError, match="no direct wave: every trace is silent"):
            signal.time_zero(x, SECTION)
    else:
        y = signal.time_zero(x, SECTION)
        assert len(y) == len(x)
        assert 1 <= y.shape[1] <= x.shape[1]
        assert np.isfinite(y).all()


@pytest.mark.parametrize("step", STEPS)
def test_same_bytes_twice_and_input_unchanged(step):
    x = noise(40, 128)
    x.setflags(write=False)
    assert step(x, SECTION).tobytes() == step(x, SECTION).tobytes()


@pytest.mark.parametrize("step", STEPS)
def test_result_is_not_the_input_itself(step):
    for traces in (1, 30):
        x = noise(traces, 64)
        assert not np.shares_memory(step(x, SECTION), x)


@pytest.mark.parametrize("step", [s for s in SHAPED if s not in (signal.automatic_gain, signal.envelope)])
def test_amplitude_true_steps_are_linear(step):
    a, b = noise(20, 96), noise(20, 96, seed=1)
    left = step(2.0 * a - 3.0 * b, SECTION)
    right = 2.0 * step(a, SECTION) - 3.0 * step(b, SECTION)
    assert left == pytest.approx(right, abs=2e-5 * float(np.abs(right).max()))


@pytest.mark.parametrize("step", SHAPED)
def test_a_constant_line_stays_finite(step):
    y = step(np.full((6, 64), 7.0, np.float32), SECTION)
    assert np.isfinite(y).all()


@pytest.mark.parametrize("step", [s for s in SHAPED if s is not signal.band_pass])
def test_two_samples_and_one_trace_pass(step):
    assert step(np.array([[1.0, -2.0]], np.float32), SECTION).shape == (1, 2)


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.full((3, 64), np.nan), "amplitude holds values that are not finite (received nan at (0, 0))"),
        (np.where(np.eye(3, 64) > 0, np.inf, 0.0), "amplitude holds values that are not finite"),
        (np.zeros((0, 64)), "amplitude is empty"),
        (np.zeros(64), "amplitude must have 2 axes (received shape (64,))"),
        ([["a", "b"]], "amplitude must be an array of numbers"),
    ],
)
def test_bad_samples_are_refused(step, samples, message):
    with pytest.raises(InputError, match=re.escape(message)):
        step(samples, SECTION)


def test_short_traces_are_refused():
    with pytest.raises(InputError, match=r"at least 28 samples are needed \(received 27 samples\)"):
        signal.band_pass(noise(3, 27), SECTION)
    with pytest.raises(InputError, match="at least 4 samples"):
        signal.time_zero(noise(3, 3), SECTION)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"interval_ns": 0.0}, "interval_ns must be greater than zero"),
        ({"centre_mhz": -1.0}, "centre_mhz must be greater than zero"),
        ({"spacing_m": -0.1}, "spacing_m must lie between"),
        ({"separation_m": float("nan")}, "separation_m must be finite"),
        ({"velocity_m_per_ns": 0.31}, "velocity above that of light"),
        ({"absorption_db_per_ns": -1.0}, "absorption_db_per_ns must not be negative"),
    ],
)
def test_sections_that_cannot_be_are_refused(values, message):
    with pytest.raises(InputError, match=message):
        Section(**{"interval_ns": 0.25, "spacing_m": 0.05, "centre_mhz": 400.0, **values})


@pytest.mark.parametrize(
    ("step", "parameters", "message"),
    [
        (signal.dewow, {"window_ns": 0.0}, "window_ns must be greater than zero"),
        (signal.band_pass, {"low_mhz": 500.0, "high_mhz": 100.0}, "lower edge must lie below its upper edge"),
        (signal.band_pass, {"high_mhz": 2_500.0}, "the band reaches above the Nyquist frequency"),
        (signal.band_pass, {"low_mhz": 2_500.0}, "the band reaches above the Nyquist frequency"),
        (signal.band_pass, {"order": 0}, "order must lie between 1 and 10"),
        (signal.background_removal, {"window_m": -1.0}, "window_m must be greater than zero"),
        (signal.background_removal, {"statistic": "mode"}, "statistic must be one of mean, median"),
        (signal.compensate, {"absorption_db_per_ns": -0.1}, "absorption_db_per_ns must lie between"),
        (signal.compensate, {"spreading_power": 9.0}, "spreading_power must lie between"),
        (signal.power_gain, {"power": 7.0}, "power must lie between"),
        (signal.automatic_gain, {"window_ns": -2.0}, "window_ns must be greater than zero"),
        (signal.migrate_stolt, {"velocity_m_per_ns": 0.3}, "velocity above that of light"),
        (signal.migrate_stolt, {"velocity_m_per_ns": 0.0}, "velocity_m_per_ns must be greater than zero"),
        (signal.migrate_stolt, {"pad_m": -1.0}, "pad_m must lie between"),
        (signal.time_zero, {"pick": "middle"}, "pick must be one of peak, first_break"),
        (signal.time_zero, {"threshold": 2.0}, "threshold must lie between"),
        (signal.time_zero, {"smooth_traces": 0}, "smooth_traces must lie between"),
        (signal.time_zero, {"search_ns": -1.0}, "search_ns must be greater than zero"),
    ],
)
def test_parameters_out_of_range_are_refused(step, parameters, message):
    with pytest.raises(InputError, match=message):
        step(noise(5, 64), SECTION, **parameters)


def test_what_a_step_cannot_do_without_is_asked_for():
    bare = Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=400.0)
    with pytest.raises(InputError, match="migration needs a velocity"):
        signal.migrate_stolt(noise(5, 64), bare)
    with pytest.raises(InputError, match="migration needs the trace spacing"):
        signal.migrate_stolt(noise(5, 64), bare, velocity_m_per_ns=0.1)
    with pytest.raises(InputError, match="a window in metres needs the trace spacing"):
        signal.background_removal(noise(5, 64), bare, window_m=3.0)


def test_a_centre_frequency_far_above_what_the_samples_hold_is_refused():
    with pytest.raises(InputError, match="Nyquist frequency"):
        signal.band_pass(noise(5, 64), Section(interval_ns=2.0, spacing_m=0.05, centre_mhz=900.0))
