"""The figures of moisture as ``yewline run --json`` prints them."""

from __future__ import annotations

import math
from typing import Any

from yewline.geostat import ParameterInterval
from yewline.ground import Estimate, MoistureSummary
from yewline.workspace.stage_moisture import MoistureFigures, MoistureOverVisits

__all__ = ["moisture_summary", "pairs_summary"]

_ESTIMATES = ("mean", "median", "p10", "p90")
_SPREADS = ("sd", "robust_sd", "cv")


def moisture_summary(wet: MoistureSummary | None, figures: MoistureFigures | None) -> dict[str, Any]:
    """Level and variability of one visit; what cannot be given is None, and `why` says so."""
    found: dict[str, Any] = {
        "mean": _known(None if wet is None else wet.mean),
        "sd": _known(None if wet is None else wet.sd),
        "n": 0 if wet is None else wet.n,
        "n_effective": _known(None if figures is None else figures.level.n_eff),
        "shared_error_sd": _known(None if figures is None else figures.level.common_sd),
        "level": {name: _estimate(None if figures is None else getattr(figures.level, name)) for name in _ESTIMATES},
        "variability": {
            name: _estimate(None if figures is None else getattr(figures.variability, name)) for name in _SPREADS
        },
        "share_of_most": _known(None if figures is None else figures.share_of_most),
        "for_its_level": _known(None if figures is None else figures.for_its_level),
        "range_m": _parameter(None if figures is None else figures.range_m),
        "nugget_share": _parameter(None if figures is None else figures.nugget_share),
        "morans_i": _known(None if figures is None or figures.moran is None else figures.moran.i),
        "morans_p": _known(None if figures is None or figures.moran is None else float(figures.moran.p_permutation)),
    }
    why = "no moisture readings" if wet is None else "" if figures is None else figures.level.why
    if not math.isfinite(found["sd"] or math.nan) and not why:
        why = "too few readings"
    return {**found, "why": why} if why else found


def pairs_summary(moisture: MoistureOverVisits) -> list[dict[str, Any]]:
    """Each pair of visits: difference of level, ratio of variability."""
    return [
        {
            "earlier": pair.earlier,
            "later": pair.later,
            "design": pair.found.design,
            "difference": _estimate(pair.found.difference),
            "difference_p": _known(pair.found.difference_p),
            "ratio": _estimate(pair.found.ratio),
            "ratio_p": _known(pair.found.ratio_p),
            **({"why": pair.found.why} if pair.found.why else {}),
        }
        for pair in moisture.pairs
    ]


def _estimate(value: Estimate | None) -> dict[str, float | None]:
    if value is None:
        return {"value": None, "low": None, "high": None}
    return {"value": _known(value.value), "low": _known(value.low), "high": _known(value.high)}


def _parameter(found: ParameterInterval | None) -> dict[str, float | None]:
    """An end that the readings do not fix is None."""
    if found is None:
        return {"value": None, "low": None, "high": None}
    return {
        "value": _known(found.value),
        "low": _known(found.low) if found.bounded_below else None,
        "high": _known(found.high) if found.bounded_above else None,
    }


def _known(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
