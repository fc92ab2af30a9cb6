"""Checkers for arguments: each returns the cleaned value or raises `InputError`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.units import C_M_PER_NS

__all__ = ["check_array", "check_choice", "check_finite", "check_in_range", "check_positive", "check_velocity"]


def check_finite(value: float, name: str) -> float:
    """Return `value` as a float, refused when it is not a finite number."""
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} must be a number", received=repr(value)) from error
    if not math.isfinite(number):
        raise InputError(f"{name} must be finite", received=number)
    return number


def check_positive(value: float, name: str) -> float:
    """Return `value` as a float, refused when it is not finite and greater than zero."""
    number = check_finite(value, name)
    if number <= 0:
        raise InputError(f"{name} must be greater than zero", received=number)
    return number


def check_in_range(value: float, name: str, low: float, high: float) -> float:
    """Return `value` as a float, refused outside the closed range [low, high]."""
    number = check_finite(value, name)
    if not low <= number <= high:
        raise InputError(f"{name} must lie between {low:g} and {high:g}", received=number)
    return number


def check_velocity(value: float, name: str) -> float:
    """Return `value` (m/ns) as a float, refused when it is not finite, not positive, or above that of light."""
    speed = check_positive(value, name)
    # A relative 1e-9 lets air itself (exactly c) pass after a round trip through permittivity.
    if speed > C_M_PER_NS * (1 + 1e-9):
        raise InputError(
            "velocity above that of light",
            received=f"{speed:g} m/ns",
            do=f"velocities are in m/ns and at most {C_M_PER_NS:.4f}",
        )
    return speed


def check_choice(value: str, name: str, choices: tuple[str, ...]) -> str:
    """Return `value`, refused when it is not one of `choices`."""
    if value not in choices:
        raise InputError(f"{name} must be one of {', '.join(choices)}", received=repr(value))
    return value


def check_array(
    values: npt.ArrayLike,
    name: str,
    *,
    ndim: int,
    dtype: npt.DTypeLike = np.float64,
    finite: bool = True,
) -> npt.NDArray[Any]:
    """Return `values` as a C-ordered array of `ndim` axes, refused when empty or (by choice) not finite."""
    try:
        array = np.ascontiguousarray(values, dtype=dtype)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} must be an array of numbers", received=type(values).__name__) from error
    if array.ndim != ndim:
        raise InputError(f"{name} must have {ndim} axes", received=f"shape {array.shape}")
    if array.size == 0:
        raise InputError(f"{name} is empty", received=f"shape {array.shape}")
    if finite and not np.isfinite(array).all():
        bad = np.argwhere(~np.isfinite(array))[0]
        raise InputError(
            f"{name} holds values that are not finite", received=f"{array[tuple(bad)]} at {tuple(bad.tolist())}"
        )
    return array
