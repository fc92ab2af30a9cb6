"""Level and variability of a visit's moisture, kept apart, with the depth they stand for."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MoistureSummary"]


@dataclass(frozen=True, slots=True)
class MoistureSummary:
    """Moisture of one visit, m³/m³.

    Level: `mean`, `median`, `p10`, `p90`. Variability: `sd`, `cv` (sd over mean), `robust_sd` (1.4826 × median absolute
    deviation). `n` readings stand for the ground from 0 to `support_depth_m`. `sd` is that of the readings.
    """

    n: int
    mean: float
    median: float
    p10: float
    p90: float
    sd: float
    cv: float
    robust_sd: float
    support_depth_m: float
