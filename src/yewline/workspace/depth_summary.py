"""Figures of depth as ``yewline run --json`` prints them: visits at equal depth, and depths against excavated ones."""

from __future__ import annotations

import math
from typing import Any

from yewline.accuracy.result import Proportion
from yewline.workspace.stage_equal_depth import EqualDepth
from yewline.workspace.stage_known_depths import DepthCheck
from yewline.workspace.stage_trust import TrustFigures

__all__ = ["depth_errors_summary", "equal_depth_summary", "trust_summary"]

NO_DEPTHS = "no known burial has an excavated depth"


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


def depth_errors_summary(check: DepthCheck | None) -> dict[str, Any]:
    """One visit's estimated depths against excavated ones."""
    every = None if check is None else check.every
    if check is None or every is None:
        names = ("mean_m", "rms_m", "chance_rms_m", "chance_top_share", "chance_body_share", "chance_p")
        return {
            "burials": 0 if check is None else len(check.table),
            "n": 0,
            **dict.fromkeys(names),
            "holds_top": _share(None),
            "meets_body": _share(None),
            "matched_n": 0,
            "matched_rms_m": None,
            "why": NO_DEPTHS if check is None else check.why,
        }
    chance, matched = check.chance, check.matched
    figures = {
        "burials": len(check.table),
        "n": every.n,
        "mean_m": every.mean_m,
        "rms_m": every.rms_m,
        "holds_top": _share(every.top_share),
        "meets_body": _share(every.body_share),
        "matched_n": 0 if matched is None else matched.n,
        "matched_rms_m": None if matched is None else matched.rms_m,
        "chance_rms_m": None if chance is None else chance.rms_m,
        "chance_top_share": None if chance is None else chance.top_share,
        "chance_body_share": None if chance is None else chance.body_share,
        "chance_p": None if chance is None else chance.p,
    }
    why = "" if chance is not None else "no chance level: too few burials, or no room beside them"
    why = why or ("" if matched is not None else "no burial of known depth is matched")
    return {**figures, "why": why} if why else figures


def _share(share: Proportion | None) -> dict[str, float | None]:
    return {name: None if share is None else getattr(share, name) for name in ("value", "low", "high")}


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
                "ratio_db": _known(pair.ratio_median_db),
            }
            for pair in found.pairs
        ],
    }


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
