"""Intervals, permutation tests and the bootstrap, on arrays."""

from __future__ import annotations

from yewline.statistics.bootstrap import block_mean_interval, mean_interval
from yewline.statistics.intervals import Interval, clopper_pearson, wilson
from yewline.statistics.permutation import (
    EXACT_LIMIT,
    Alternative,
    PermutationTest,
    monte_carlo_p,
    sign_flip,
    two_sample,
)

__all__ = [
    "EXACT_LIMIT",
    "Alternative",
    "Interval",
    "PermutationTest",
    "block_mean_interval",
    "clopper_pearson",
    "mean_interval",
    "monte_carlo_p",
    "sign_flip",
    "two_sample",
    "wilson",
]
