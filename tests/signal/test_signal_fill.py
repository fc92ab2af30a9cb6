"""Faulty traces filled from their neighbours."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal.fill import fill_traces


def test_a_plane_is_filled_exactly():
    trace, sample = np.mgrid[:20, :7]
    plane = (2.0 * trace + 3.0 * sample).astype(np.float32)
    holed = plane.copy()
    holed[[3, 8, 9, 10]] = -99.0
    assert np.allclose(fill_traces(holed, [3, 8, 9, 10]), plane, atol=1e-5)


def test_ends_repeat_the_nearest_good_trace():
    filled = fill_traces([[9.0], [1.0], [2.0], [9.0], [9.0]], [0, 3, 4])
    assert filled[:, 0].tolist() == [1, 1, 2, 2, 2]


def test_input_is_not_changed():
    values = np.ones((3, 2), np.float32)
    fill_traces(values, [1])[:] = 5
    assert (values == 1).all()
    assert fill_traces(values, []) is not values


def test_refusals():
    with pytest.raises(InputError, match="outside the line .received 0..3 of 3"):
        fill_traces(np.ones((3, 2)), [0, 3])
    with pytest.raises(InputError, match="no good trace is left"):
        fill_traces(np.ones((2, 2)), [0, 1])
