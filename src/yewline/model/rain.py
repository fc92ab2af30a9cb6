"""Rain as it was measured: amounts at an even step, with NaN where nothing was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError

__all__ = ["RainSeries"]

MINUTES_A_DAY: Final = 1440


@dataclass(frozen=True, slots=True, eq=False)
class RainSeries:
    """Rain at an even step.

    Attributes
    ----------
    start : beginning of the first step.
    step_minutes : length of a step; it divides a day.
    rain_mm : (N,) amount that fell in each step, mm; NaN where it was not measured, which is never zero.

    Raises
    ------
    InputError : no steps, a step that does not divide a day, or an amount below zero.

    Examples
    --------
    >>> RainSeries(np.datetime64("2031-05-01"), 1440, np.array([0.0, np.nan, 3.2])).missing
    1
    """

    start: np.datetime64
    step_minutes: int
    rain_mm: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.step_minutes < 1 or MINUTES_A_DAY % self.step_minutes:
            raise InputError("step_minutes must divide a day", received=self.step_minutes, do="use 60 or 1440")
        if self.rain_mm.ndim != 1 or not len(self.rain_mm):
            raise InputError("rain_mm must be a row of amounts", received=f"shape {self.rain_mm.shape}")
        if (self.rain_mm < 0).any():
            raise InputError("an amount of rain must not be negative", received=f"{np.nanmin(self.rain_mm):g} mm")

    @property
    def times(self) -> npt.NDArray[np.datetime64]:
        """Beginning of each step."""
        step = np.timedelta64(self.step_minutes, "m")
        return np.asarray(self.start.astype("datetime64[m]") + step * np.arange(len(self.rain_mm)))

    @property
    def missing(self) -> int:
        """Number of steps that were not measured."""
        return int(np.isnan(self.rain_mm).sum())

    @property
    def daily(self) -> bool:
        """Whether a step is a whole day."""
        return self.step_minutes == MINUTES_A_DAY
