"""Subnormal numbers count as nought between the two calls, and only there."""

from __future__ import annotations

import platform

import numba
import numpy as np
import pytest

from yewline.simulation.wave.subnormals import flush_subnormals, restore_subnormals

Numbers = np.ndarray


@numba.njit
def scaled(values: Numbers, factor: float) -> Numbers:
    found = np.empty_like(values)
    for i in range(len(values)):
        found[i] = values[i] * factor
    return found


@numba.njit
def scaled_thrice(values: Numbers, factor: float) -> tuple[Numbers, Numbers, Numbers]:
    before = scaled(values, factor)
    setting = flush_subnormals()
    within = scaled(values, factor)
    restore_subnormals(setting)
    return before, within, scaled(values, factor)


@pytest.mark.skipif(platform.machine().lower() not in ("x86_64", "amd64"), reason="a setting of x86 processors")
def test_nought_between_the_calls_only() -> None:
    least = np.finfo(np.float32).tiny
    # The first three give results below the least normal number; the third starts from one below it.
    values = np.array([least, 2 * least, least / 4, 4 * least, -8 * least, 0.0, 1.0], np.float32)
    before, within, after = scaled_thrice(values, np.float32(0.25))
    np.testing.assert_array_equal(before, values * np.float32(0.25))
    assert before[:3].all()
    np.testing.assert_array_equal(within, [0.0, 0.0, 0.0, *before[3:]])
    np.testing.assert_array_equal(after, before)


def test_numpy_keeps_subnormal_numbers_afterwards() -> None:
    values = np.full(64, np.finfo(np.float32).tiny, np.float32)
    scaled_thrice(values, np.float32(0.25))
    assert (values * np.float32(0.25) > 0).all()
