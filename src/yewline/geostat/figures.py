"""How sure any figure is that is derived from a map: the figure of each of many fields."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.errors import InputError

__all__ = ["FigureInterval", "figure_interval"]

_FEWEST_FIELDS: Final = 20


@dataclass(frozen=True, eq=False, slots=True)
class FigureInterval:
    """A figure over many fields.

    Attributes
    ----------
    median : of the figure over the fields.
    low, high : ends of the interval that holds the share `level` of them, as much left out below as above.
    level : that share.
    draws : (B,) the figure of each field.
    """

    median: float
    low: float
    high: float
    level: float
    draws: npt.NDArray[np.float64]


def figure_interval(
    fields: Iterable[npt.NDArray[Any]], figure: Callable[[npt.NDArray[Any]], float], level: float = 0.9
) -> FigureInterval:
    """Median and interval of a figure that each field has a value of.

    The figure of the kriged map is not the middle of it: a map is smoother than the ground, and has less of it above
    any threshold that is above the mean.

    Parameters
    ----------
    fields : blocks (b, Y, X) as `conditional_fields` gives them, or one array (B, Y, X) in a list.
    figure : takes one field (Y, X) and gives a number.
    level : share of the fields that the interval holds.

    Raises
    ------
    InputError : there are fewer than 20 fields, a figure is not finite, or the level is not between 0 and 1.

    Examples
    --------
    >>> fields = np.arange(100.0).reshape(100, 1, 1) + np.zeros((100, 4, 5))
    >>> found = figure_interval([fields], np.mean)
    >>> found.median, round(found.low, 2), round(found.high, 2)
    (49.5, 4.95, 94.05)
    """
    check_in_range(level, "level", 1e-6, 1.0 - 1e-6)
    draws = np.array([float(figure(field)) for block in fields for field in block])
    if len(draws) < _FEWEST_FIELDS:
        raise InputError(f"an interval needs at least {_FEWEST_FIELDS} fields", received=len(draws))
    bad = np.flatnonzero(~np.isfinite(draws))
    if len(bad):
        raise InputError(
            "the figure is not finite for every field",
            received=f"{draws[bad[0]]} for field {bad[0]}, {len(bad)} of {len(draws)} in all",
            do="give a figure that every field has a value of",
        )
    low, median, high = np.quantile(draws, [0.5 - level / 2, 0.5, 0.5 + level / 2])
    return FigureInterval(float(median), float(low), float(high), level, draws)
