"""Figures of depth as ``yewline run --json`` prints them: visits at equal depth, and depths against excavated ones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from yewline.workspace.stage_equal_depth import DepthCheck, EqualDepth
from yewline.workspace.stage_trust import TrustFigures

__all__ = ["depth_summary", "equal_depth_summary", "summed_checks", "trust_summary"]


def summed_checks(checks: Sequence[DepthCheck]) -> tuple[int, float, float, int]:
    """How many depths were checked, their mean error against the top and its root mean square (m), and how many hold.

    Examples
    --------
    >>> checks = [DepthCheck("B1", 1.0, 1.3, 1.1, 0.2), DepthCheck("B2", 1.0, 1.3, 0.7, 0.2)]
    >>> n, mean, rms, within = summed_checks(checks)
    >>> n, round(mean, 3), round(rms, 3), within
    (2, -0.1, 0.224, 1)
    """
    off = np.array([check.off_m for check in checks])
    if not len(off):
        return 0, math.nan, math.nan, 0
    return len(off), float(off.mean()), float(np.sqrt(np.mean(off**2))), sum(check.within for check in checks)


def depth_summary(checks: Sequence[DepthCheck]) -> dict[str, Any]:
    """One visit's depths against excavated ones."""
    n, mean, rms, within = summed_checks(checks)
    found = {"n": n, "mean_error_m": _known(mean), "rms_error_m": _known(rms), "within": within}
    return found if n else {**found, "why": "no burial of known depth answered"}


def trust_summary(trust: TrustFigures | None) -> dict[str, Any]:
    """One visit's trusted depth."""
    if trust is None:
        names = ("median", "low", "high", "chosen_slice_share", "at_least")
        return {**dict.fromkeys(names), "why": "the noise of its lines cannot be told"}
    return {
        "median": trust.median_m,
        "low": trust.low_m,
        "high": trust.high_m,
        "chosen_slice_share": trust.chosen_share,
        "at_least": trust.at_least,
    }


def equal_depth_summary(found: EqualDepth) -> dict[str, Any]:
    """All visits cut at equal time, and each pair at equal depth and at equal time."""
    return {
        "reference": found.reference,
        "window_ns": [round(end, 6) for end in found.window_ns],
        "at_equal_time": [
            {"visit": name, "slice_m": [_known(part.top_m), _known(part.base_m)]}
            for name, part in found.at_time.items()
        ],
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "overlap_equal_time": _known(pair.overlap_time),
                "overlap_equal_depth": _known(pair.overlap_depth),
                "shift_m": [_known(part) for part in pair.shift_m],
                "shift_sd_m": _known(pair.shift_sigma_m),
                "ratio_db": _known(_middle(pair.ratio_db)),
            }
            for pair in found.pairs
        ],
    }


def _middle(values: Any) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
