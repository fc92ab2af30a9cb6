"""Levels of lines and traces, and what brings them together."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.balance import default_level_from_ns, line_balance, line_level, trace_balance
from yewline.signal.scale import near_one

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)


def line(size: float, seed: int = 0, traces: int = 60) -> np.ndarray:
    x = size * np.random.default_rng(seed).standard_normal((traces, 400)).astype(np.float32)
    x[:, :20] += 50.0
    return x


def test_level_is_the_root_mean_square_after_the_direct_wave():
    # 370 samples of noise, median of 60 traces: known to 1 %.
    assert line_level(line(3.0), SECTION) == pytest.approx(3.0, rel=0.02)
    assert default_level_from_ns(SECTION) == 7.5
    assert line_level(line(3.0), SECTION, from_ns=0.0) > 5.0
    assert line_level(line(3.0), SECTION, from_ns=0.0, to_ns=5.0) == pytest.approx(50.0, rel=0.01)
    # A record that ends before the direct wave does is taken whole.
    assert line_level(np.full((3, 8), 2.0), SECTION) == 2.0


def test_level_is_not_moved_by_a_few_strong_responses():
    x = line(3.0)
    x[20:28, 100:140] *= 30.0
    assert line_level(x, SECTION) == pytest.approx(3.0, rel=0.02)


def test_lines_come_to_the_reference_and_keep_their_ratios():
    lines = [line(size, seed) for seed, size in enumerate((0.5, 2.0, 7.0))]
    reference = float(np.median([line_level(x, SECTION) for x in lines]))
    for x in lines:
        balanced = line_balance(x, SECTION, reference_level=reference)
        assert line_level(balanced, SECTION) == pytest.approx(reference, rel=1e-5)
        assert balanced / x == pytest.approx(np.full(x.shape, reference / line_level(x, SECTION)), rel=1e-5)
    assert line_level(line_balance(lines[0], SECTION), SECTION) == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("size", [1e-30, 1e-10, 1e20])
def test_a_level_knows_any_unit(size):
    x = line(3.0)
    assert line_level(x * np.float32(size), SECTION) == pytest.approx(line_level(x, SECTION) * size, rel=1e-4)
    assert line_balance(x * np.float32(size), SECTION) == pytest.approx(line_balance(x, SECTION), rel=1e-4)


def test_traces_come_to_the_level_of_their_line_and_silent_ones_stay():
    x = line(3.0) * np.linspace(0.2, 5.0, 60, dtype=np.float32)[:, None]
    x[7] = 0.0
    x[9] *= 1e-5
    balanced = trace_balance(x, SECTION)
    level = line_level(x, SECTION)
    heard = np.setdiff1d(np.arange(60), [7, 9])
    assert np.sqrt((balanced[heard, 30:] ** 2).mean(axis=1)) == pytest.approx(np.full(58, level), rel=1e-4)
    assert (balanced[[7, 9]] == x[[7, 9]]).all()


def test_silence_stays_silent():
    assert line_level(np.zeros((3, 80)), SECTION) == 0.0
    assert not line_balance(np.zeros((3, 80)), SECTION).any()
    assert not trace_balance(np.zeros((3, 80)), SECTION).any()


@pytest.mark.parametrize("peak", [3e-39, 1e-30, 0.75, 1.0, 3e38])
def test_near_one_is_exact(peak):
    x = np.array([[peak, -peak / 4, 0.0]], np.float32)
    unit, factor = near_one(x)
    assert 0.25 <= np.abs(unit).max() < 8.0 or peak < 1e-37
    assert (unit * factor == x).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda x: line_level(x, SECTION, from_ns=-1.0), "from_ns must lie between"),
        (lambda x: line_level(x, SECTION, to_ns=0.0), "to_ns must be greater than zero"),
        (lambda x: line_balance(x, SECTION, reference_level=0.0), "reference_level must be greater than zero"),
        (lambda x: line_balance(x, SECTION, from_ns=-1.0), "from_ns must lie between"),
        (lambda x: trace_balance(x, SECTION, from_ns=-1.0), "from_ns must lie between"),
    ],
)
def test_values_out_of_range_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call(line(1.0))
