"""What holds for every step made from wavelets: shapes, finite results, inputs left alone, bytes, real recordings."""

from __future__ import annotations

import gzip
import io
import warnings
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.eigen_image import eigen_background
from yewline.signal.wavelets import (
    predictive_deconvolution,
    predictive_deconvolution_by_trace,
    q_compensation,
    shaping_deconvolution,
    spectral_whitening,
    spiking_deconvolution,
    zero_phase,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

REAL = Path(obspy.__file__).parent / "io" / "seg2" / "tests" / "data"
SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
STEPS = {
    "predictive": predictive_deconvolution,
    "predictive by trace": predictive_deconvolution_by_trace,
    "spiking": spiking_deconvolution,
    "spiking by trace": partial(spiking_deconvolution, operator="trace"),
    "shaping": shaping_deconvolution,
    "zero phase": zero_phase,
    "whitening": spectral_whitening,
    "whitening by trace": partial(spectral_whitening, operator="trace"),
    "q": partial(q_compensation, q_star=30.0),
    "eigen-image": eigen_background,
}
every_step = pytest.mark.parametrize("step", STEPS.values(), ids=STEPS.keys())
SAMPLES = 60
"""As many as the longest operator needs at 400 MHz and 0.25 ns."""


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@every_step
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_samples_give_finite_samples_of_the_same_shape(step, data) -> None:
    shape = data.draw(st.tuples(st.integers(1, 12), st.integers(SAMPLES, 90)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    held = x.copy()
    y = step(x, SECTION)
    assert y.shape == x.shape
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert (x == held).all()
    assert not np.shares_memory(x, y)


@every_step
def test_constant_silent_single_and_enormous_lines_pass(step) -> None:
    for x in (
        np.full((6, 80), 7.0, np.float32),
        np.zeros((6, 80), np.float32),
        noise(1, 80),
        1e30 * noise(6, 80),
        1e-30 * noise(6, 80),
        np.where(np.arange(6)[:, None] == 2, 0.0, noise(6, 80)),
    ):
        y = step(x, SECTION)
        assert y.shape == x.shape
        assert np.isfinite(y).all()
    assert not step(np.zeros((6, 80)), SECTION).any()


@every_step
def test_a_line_a_million_times_as_strong_comes_out_a_million_times_as_strong(step) -> None:
    x = noise(20, 120)
    y = step(x, SECTION)
    assert step(2.0**20 * x, SECTION) / 2.0**20 == pytest.approx(y, abs=1e-5 * float(np.abs(y).max()))


@every_step
def test_same_bytes_twice(step) -> None:
    x = noise(40, 128)
    x.setflags(write=False)
    assert step(x, SECTION).tobytes() == step(x, SECTION).tobytes()


@every_step
def test_samples_that_are_none_are_refused(step) -> None:
    with pytest.raises(InputError, match="amplitude holds values that are not finite"):
        step(np.full((3, 80), np.nan), SECTION)
    with pytest.raises(InputError, match="amplitude is empty"):
        step(np.zeros((0, 80)), SECTION)
    with pytest.raises(InputError, match="amplitude must have 2 axes"):
        step(np.zeros(80), SECTION)


NEED_MORE = ("predictive", "predictive by trace", "spiking", "spiking by trace", "shaping", "zero phase")


@pytest.mark.parametrize("name", STEPS)
def test_two_samples_work_or_are_refused_with_what_is_needed(name: str) -> None:
    x = np.array([[1.0, -2.0], [3.0, 1.0]], np.float32)
    if name in NEED_MORE:
        with pytest.raises(InputError, match=r"too short: at least \d+ samples are needed \(received 2 samples"):
            STEPS[name](x, SECTION)
    else:
        y = STEPS[name](x, SECTION)
        assert y.shape == x.shape
        assert np.isfinite(y).all()


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
@every_step
def test_a_real_recording_goes_through(step) -> None:
    # Three traces of a seismograph, by others: not radar, but real amplitudes, offsets and noise.
    packed = REAL / "20130107_103041000.CET.3c.cont.0.seg2.gz"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        stream = obspy.read(io.BytesIO(gzip.decompress(packed.read_bytes())), format="SEG2")
    x = np.array([trace.data for trace in stream], np.float32)[:, :2_000]
    interval = float(stream[0].stats.delta) * 1e9
    section = Section(interval_ns=interval, spacing_m=1.0, centre_mhz=1e3 / (10 * interval))
    y = step(x, section)
    assert y.shape == x.shape
    assert np.isfinite(y).all()
    assert np.abs(y - x).max() > 1e-6 * np.abs(x).max()
    # What comes out is still the recording: of its size within two powers of ten.
    assert 0.01 < np.sqrt(np.mean(y.astype(float) ** 2) / np.mean((x - x.mean()).astype(float) ** 2)) < 100.0


# Which of them are linear with a fixed operator: what lets amplitudes be compared.


def test_q_compensation_is_linear() -> None:
    a, b = noise(20, 96), noise(20, 96, seed=1)
    left = q_compensation(2.0 * a - 3.0 * b, SECTION, q_star=30.0)
    right = 2.0 * q_compensation(a, SECTION, q_star=30.0) - 3.0 * q_compensation(b, SECTION, q_star=30.0)
    assert left == pytest.approx(right, abs=2e-5 * float(np.abs(right).max()))


@pytest.mark.parametrize("step", [predictive_deconvolution, zero_phase, q_compensation])
def test_amplitude_true_steps_treat_all_traces_of_a_line_alike(step) -> None:
    x = noise(30, 128)
    x[7], x[8] = 0.25 * x[3], x[3]
    y = step(x, SECTION)
    assert y[7] == pytest.approx(0.25 * y[3], abs=1e-5)
    assert y[8] == pytest.approx(y[3], abs=1e-6)
