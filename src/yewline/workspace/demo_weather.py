"""The demo's weather: rain by the day as a gauge near the invented site would have it."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np

__all__ = ["rain_csv"]

_FIRST: Final = dt.date(2031, 3, 15)
_LAST: Final = dt.date(2031, 11, 9)
_DRY_SPELL: Final = (dt.date(2031, 4, 22), dt.date(2031, 5, 16))
_WET_SPELL: Final = (dt.date(2031, 10, 22), dt.date(2031, 11, 5))
_NOT_READ: Final = dt.date(2031, 10, 12)


def rain_csv(seed: int) -> str:
    """Rain by the day from before the dry visit to after the wet one; one day the gauge was not read.

    A first-order chain of wet and dry days with exponential amounts, the usual simple model of daily rain (Richardson
    1981, from memory), bent to a dry spell before the first visit and a wet one before the second.
    """
    rng = np.random.default_rng([seed, 6])
    rows = ["date,rain_mm,note"]
    wet = False
    for n in range((_LAST - _FIRST).days + 1):
        day = _FIRST + dt.timedelta(days=n)
        chance, mean_mm = (0.55 if wet else 0.25), 4.5
        if _DRY_SPELL[0] <= day <= _DRY_SPELL[1]:
            chance = 0.0
        elif _WET_SPELL[0] <= day <= _WET_SPELL[1]:
            chance, mean_mm = 0.8, 6.0
        wet = bool(rng.random() < chance)
        amount = max(rng.exponential(mean_mm), 0.2) if wet else 0.0
        if day == _WET_SPELL[1] + dt.timedelta(days=1):
            amount = 0.0
        rows.append(f"{day},,gauge not read" if day == _NOT_READ else f"{day},{amount:.1f},")
    return "\n".join(rows) + "\n"
