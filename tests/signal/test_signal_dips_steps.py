"""What holds for each step on dips, attributes, topography and balance: shapes, bytes, refusals, a real recording."""

from __future__ import annotations

import gzip
import inspect
import re
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline.errors import InputError
from yewline.formats import read_seg2, read_segy
from yewline.signal import Section
from yewline.signal.attributes import (
    cosine_phase,
    instantaneous_frequency,
    instantaneous_phase,
    low_amplitude,
    similarity,
    truncation,
)
from yewline.signal.balance import line_balance, trace_balance
from yewline.signal.dips import air_wave_removal, background_fk, dip_filter
from yewline.signal.topography import topography

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

REAL = Path(obspy.__file__).parent / "io"
LEVEL = (
    dip_filter,
    background_fk,
    air_wave_removal,
    instantaneous_phase,
    cosine_phase,
    instantaneous_frequency,
    similarity,
    truncation,
    low_amplitude,
    line_balance,
    trace_balance,
)
STEPS = (*LEVEL, topography)


def section(traces: int, **more: object) -> Section:
    given = {"interval_ns": 0.25, "spacing_m": 0.05, "centre_mhz": 400.0, "separation_m": 0.16, **more}
    heights = 0.02 * np.sin(np.arange(traces))
    return Section(**{"velocity_m_per_ns": 0.1, "elevation_m": heights, **given})


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@pytest.mark.parametrize("step", LEVEL)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_samples_give_finite_samples_of_the_same_shape(step, data):
    shape = data.draw(st.tuples(st.integers(1, 20), st.integers(1, 50)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    held = x.copy()
    y = step(x, section(shape[0]))
    assert y.shape == x.shape
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert (x == held).all()


@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_topography_of_any_samples_holds_them_all(data):
    shape = data.draw(st.tuples(st.integers(1, 12), st.integers(1, 50)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    y = topography(x, section(shape[0]))
    assert y.shape[0] == shape[0]
    assert y.shape[1] >= shape[1]
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()


@pytest.mark.parametrize("step", [similarity, truncation, low_amplitude])
@pytest.mark.parametrize("x", [noise(60, 128), np.tile(noise(1, 128), (60, 1)), np.eye(60, 128, dtype=np.float32)])
def test_shaft_attributes_are_not_negative(step, x):
    y = step(x, section(60))
    assert y.min() >= 0.0
    if step is not low_amplitude:
        assert y.max() <= 1.0


@pytest.mark.parametrize("step", STEPS)
def test_same_bytes_twice_input_unchanged_and_not_shared(step):
    for traces in (1, 2, 60):
        x = noise(traces, 128)
        x.setflags(write=False)
        first = step(x, section(traces))
        assert first.tobytes() == step(x, section(traces)).tobytes()
        assert not np.shares_memory(first, x)


@pytest.mark.parametrize("step", [dip_filter, background_fk, topography])
def test_steps_that_are_linear(step):
    a, b = noise(40, 96), noise(40, 96, seed=1)
    left = step(2.0 * a - 3.0 * b, section(40))
    right = 2.0 * step(a, section(40)) - 3.0 * step(b, section(40))
    assert left == pytest.approx(right, abs=2e-5 * float(np.abs(right).max()))


@pytest.mark.parametrize("step", STEPS)
def test_odd_sections_pass(step):
    for x in (np.full((30, 64), 7.0), np.zeros((30, 64)), [[1.0, -2.0]], [[1.0], [2.0]], 1e30 * noise(30, 64)):
        y = step(np.asarray(x, np.float32), section(len(x)))
        assert np.isfinite(y).all()


@pytest.mark.parametrize("step", [s for s in STEPS if s not in (line_balance, instantaneous_phase)])
def test_enormous_amplitudes_come_through_as_ordinary_ones(step):
    x = noise(60, 96)
    ordinary = step(x, section(60))
    large = step(x * np.float32(2.0**100), section(60))
    scaled = (
        np.float32(2.0**100) if step in (dip_filter, background_fk, air_wave_removal, topography, trace_balance) else 1
    )
    assert large / scaled == pytest.approx(ordinary, rel=1e-5, abs=1e-5 * float(np.abs(ordinary).max()))


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.full((3, 64), np.nan), "amplitude holds values that are not finite (received nan at (0, 0))"),
        (np.zeros((0, 64)), "amplitude is empty"),
        (np.zeros(64), "amplitude must have 2 axes (received shape (64,))"),
        ([["a", "b"]], "amplitude must be an array of numbers"),
    ],
)
def test_bad_samples_are_refused(step, samples, message):
    with pytest.raises(InputError, match=re.escape(message)):
        step(samples, section(3))


@pytest.mark.parametrize("step", STEPS)
def test_docstring_names_every_parameter(step):
    text = inspect.getdoc(step) or ""
    parameters = re.search(r"\nParameters\n-+\n(.*?)\n\nReturns", text, re.DOTALL)
    assert parameters is not None
    named = re.findall(r"^(\w+) : ", parameters.group(1), re.MULTILINE)
    assert named == list(inspect.signature(step).parameters)


# A real recording: three channels of ObsPy's SEG-2 example, and its SEG-Y traces side by side.


def real_lines() -> list[np.ndarray]:
    seg2 = REAL / "seg2" / "tests" / "data" / "20130107_103041000.CET.3c.cont.0.seg2.gz"
    folder = REAL / "segy" / "tests" / "data"
    names = sorted(path.stem for path in folder.glob("*.npy"))
    traces = [read_segy(folder / name).amplitude[0] for name in names]
    shortest = min(len(trace) for trace in traces)
    beside = np.array([trace[:shortest] / max(np.abs(trace[:shortest]).max(), 1e-30) for trace in traces])
    return [_seg2(seg2), np.repeat(beside, 4, axis=0)]


def _seg2(path: Path) -> np.ndarray:
    plain = path.with_suffix("").name
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / plain
        target.write_bytes(gzip.decompress(path.read_bytes()))
        return np.asarray(read_seg2(target).amplitude)


@pytest.mark.skipif(not (REAL / "segy" / "tests").is_dir(), reason="this ObsPy was installed without its recordings")
@pytest.mark.parametrize("step", STEPS)
def test_a_real_recording_goes_through(step):
    for line in real_lines():
        y = step(line, section(len(line)))
        assert len(y) == len(line)
        assert np.isfinite(y).all()
        assert y.any() or step is truncation or step is low_amplitude
