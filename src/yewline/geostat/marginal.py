"""What readings say about one parameter of a variogram, and where they leave it open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from yewline._check import check_in_range

__all__ = ["Marginal", "ParameterInterval"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ParameterInterval:
    """A parameter of a variogram, and where it may lie.

    Attributes
    ----------
    value : posterior median; it follows from the prior alone where neither side is bounded.
    low, high : ends of the interval. An end that the readings do not fix is the parameter's own limit (0, 1 for a
        share, endless), and the other end then takes the whole of what is left out.
    level : probability of the interval.
    bounded_below : False where the smallest value that could be told fits the readings as well: of a range, it may be
        shorter than the readings lie apart.
    bounded_above : False where the largest value that could be told fits as well: of a range, `low` is all that is
        known.
    """

    value: float
    low: float
    high: float
    level: float
    bounded_below: bool
    bounded_above: bool


@dataclass(frozen=True, slots=True)
class Marginal:
    """Posterior of one parameter.

    Attributes
    ----------
    values : (K,) ascending.
    weights : (K,) their probabilities; they sum to one.
    drop : how far the best log-likelihood at the lower and at the upper end of what was looked at lies below the best.
    limits : least and greatest value that the parameter can have.
    """

    values: Array
    weights: Array
    drop: tuple[float, float]
    limits: tuple[float, float]

    def interval(self, level: float = 0.9) -> ParameterInterval:
        """The interval that holds the parameter with a probability.

        Parameters
        ----------
        level : probability, between 0.5 and 0.999.

        Notes
        -----
        A side is bounded if the log-likelihood at its end lies below the best by more than half the χ² of one degree
        of freedom at that level (Wilks 1938, Annals of Mathematical Statistics 9:60-62), whatever the prior says.
        """
        out = 1.0 - check_in_range(level, "level", 0.5, 0.999)
        below, above = (end > 0.5 * float(chdtri(1.0, out)) for end in self.drop)
        left = out / 2.0 if above else out
        right = out / 2.0 if below else out
        low, middle, high = self.quantile([left, 0.5, 1.0 - right])
        return ParameterInterval(
            middle, low if below else self.limits[0], high if above else self.limits[1], level, below, above
        )

    def quantile(self, probability: Sequence[float]) -> list[float]:
        """Values below which the parameter lies with these probabilities, by log-linear steps between `values`."""
        middle = np.cumsum(self.weights) - 0.5 * self.weights
        return [float(value) for value in np.exp(np.interp(probability, middle, np.log(self.values)))]
