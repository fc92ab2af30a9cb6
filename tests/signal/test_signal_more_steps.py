"""What holds for every step of repair, filtering and resampling, on any samples and on recordings from real files."""

from __future__ import annotations

import gzip
import re
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline.errors import InputError
from yewline.formats import read_seg2, read_segy
from yewline.signal import Section, time_zero
from yewline.signal.detrend import detrend
from yewline.signal.equal_places import equal_places
from yewline.signal.equal_spacing import equal_spacing
from yewline.signal.faults import find_faults
from yewline.signal.notch import notch
from yewline.signal.repair import repair_traces
from yewline.signal.resample_time import resample_time
from yewline.signal.trapezoid import band_pass_trapezoid

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

IO = Path(obspy.__file__).parent / "io"


def section(traces: int) -> Section:
    return Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, distance_m=0.05 * np.arange(traces))


def notched(x: np.ndarray, of: Section) -> np.ndarray:
    return notch(x, of, frequency_mhz=0.3 * of.nyquist_mhz)


def spaced(x: np.ndarray, of: Section) -> np.ndarray:
    return equal_spacing(x, of, spacing_m=0.03)


def finer(x: np.ndarray, of: Section) -> np.ndarray:
    return resample_time(x, of, interval_ns=0.8 * of.interval_ns)


def aic(x: np.ndarray, of: Section) -> np.ndarray:
    return time_zero(x, of, pick="aic")


def ratio(x: np.ndarray, of: Section) -> np.ndarray:
    return time_zero(x, of, pick="energy_ratio")


def correlated(x: np.ndarray, of: Section) -> np.ndarray:
    return time_zero(x, of, pick="correlation")


SHAPED = (repair_traces, detrend, notched, band_pass_trapezoid)
STEPS = (*SHAPED, spaced, finer, aic, ratio, correlated)
LINEAR = (detrend, notched, band_pass_trapezoid, spaced, finer)
REFUSED = "every trace is dead or noisy|no direct wave: every trace is silent"


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.parametrize("step", STEPS)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_samples_give_finite_samples_or_a_clear_refusal(step, data):
    shape = data.draw(st.tuples(st.integers(2, 12), st.integers(28, 70)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    held = x.copy()
    try:
        y = step(x, section(shape[0]))
    except InputError as error:
        if re.search(REFUSED, str(error)):
            return
        raise
    assert (y.shape == x.shape) or step not in SHAPED
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert (x == held).all()


@pytest.mark.parametrize("step", STEPS)
def test_same_bytes_twice_and_input_unchanged(step):
    x = noise(40, 128)
    x[7] = 0.0
    x[9, 60] = 300.0
    x.setflags(write=False)
    y = step(x, section(40))
    assert y.tobytes() == step(x, section(40)).tobytes()
    assert not np.shares_memory(y, x)


@pytest.mark.parametrize("step", LINEAR)
def test_filters_are_linear(step):
    a, b = noise(20, 96), noise(20, 96, seed=1)
    left = step(2.0 * a - 3.0 * b, section(20))
    right = 2.0 * step(a, section(20)) - 3.0 * step(b, section(20))
    assert left == pytest.approx(right, abs=2e-5 * float(np.abs(right).max()))


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("size", [1e-30, 1e30])
def test_no_step_knows_the_unit_of_samples(step, size):
    x = noise(30, 96) * np.exp(-(((np.arange(96) - 30) / 6.0) ** 2)).astype(np.float32) + 0.01 * noise(30, 96, seed=1)
    x[4, 60] = 40.0
    expected = step(x, section(30)).astype(np.float64)
    got = step(x * np.float32(size), section(30)).astype(np.float64) / np.float64(np.float32(size))
    assert got == pytest.approx(expected, abs=2e-4 * float(np.abs(expected).max()))


@pytest.mark.parametrize("step", LINEAR)
def test_a_constant_line_stays_finite(step):
    assert np.isfinite(step(np.full((6, 64), 7.0, np.float32), section(6))).all()


@pytest.mark.parametrize("step", [detrend, band_pass_trapezoid, repair_traces, finer])
def test_one_trace_of_two_samples(step):
    y = step(np.array([[1.0, -2.0]], np.float32), section(1))
    assert y.shape[0] == 1
    assert np.isfinite(y).all()


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
        step(samples, section(3))


# Recordings from real files, as ObsPy ships them


def recorded(name: str, tmp_path: Path) -> tuple[np.ndarray, Section]:
    """Samples of a real file, its sampling taken as it stands in units that fit an antenna of ten samples a period."""
    path = IO / name
    if path.suffix == ".gz":
        unpacked = tmp_path / path.stem
        unpacked.write_bytes(gzip.decompress(path.read_bytes()))
        path = unpacked
    recording = (read_seg2 if "seg2" in name else read_segy)(path)
    x = recording.amplitude
    if x.size == 8_000:
        # One long trace, cut into forty: a section of real samples whose traces differ.
        x = np.ascontiguousarray(x.reshape(40, 200))
    # These are seismic records: a second of theirs stands for some nanoseconds of ours.
    along = 0.05 * np.arange(len(x))
    return x, Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, separation_m=0.3, distance_m=along)


@pytest.mark.parametrize(
    "name",
    [
        "seg2/tests/data/20180307_031245000.0.seg2",
        "seg2/tests/data/20130107_103041000.CET.3c.cont.0.seg2.gz",
        "segy/tests/data/1.sgy_first_trace",
        "segy/tests/data/ld0042_file_00018.sgy_first_trace",
    ],
)
def test_a_radargram_from_a_real_file_goes_through_every_step(name, tmp_path):
    x, of = recorded(name, tmp_path)
    held = x.copy()
    for step in STEPS:
        if step is spaced and len(x) == 1:
            with pytest.raises(InputError, match="all traces stand at one place"):
                step(x, of)
            continue
        y = step(x, of)
        assert np.isfinite(y).all()
        assert y.dtype == np.float32
        assert np.ptp(y) > 0
        if step in SHAPED:
            assert y.shape == x.shape
        if step is spaced:
            assert len(y) == len(equal_places(of, spacing_m=0.03))
    assert (x == held).all()
    assert find_faults(x, of).changed.shape == x.shape
