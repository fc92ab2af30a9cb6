"""Two-digit numbers for advice that is sure to do: never on the wrong side of the limit."""

from __future__ import annotations

import math

__all__ = ["round_down", "round_up"]


def round_down(value: float) -> float:
    """Two digits of a positive number, never more than it.

    Examples
    --------
    >>> round_down(0.01678), round_down(25.0)
    (0.016, 25.0)
    """
    step = _step(value)
    return round(math.floor(value / step + 1e-9) * step, 12)


def round_up(value: float) -> float:
    """Two digits of a positive number, never less than it.

    Examples
    --------
    >>> round_up(0.01612), round_up(25.0)
    (0.017, 25.0)
    """
    step = _step(value)
    return round(math.ceil(value / step - 1e-9) * step, 12)


def _step(value: float) -> float:
    return 10.0 ** (math.floor(math.log10(value)) - 1)
