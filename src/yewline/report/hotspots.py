"""What the report and the export have to say of hotspots beyond their figures: which are too long, which other rule."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt

from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["TOO_LONG", "longer_than_grave", "other_rule"]

TOO_LONG: Final = 1.5
"""Times an adult's grave: a hotspot longer than that is named, because pipes, ditches and rows of graves give such."""


def longer_than_grave(result: SiteResult, hotspots: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    """Which hotspots (H,) are longer than 1.5 times the adult grave that the site expects.

    They stay in the score: to leave out what does not suit would flatter it.
    """
    length_m = hotspots["length_m"].to_numpy(dtype=float)
    return np.asarray(length_m > TOO_LONG * result.settings.target.adult.length_m, dtype=np.bool_)


def other_rule(result: SiteResult, visit: VisitResult) -> tuple[gpd.GeoDataFrame, str]:
    """The outlines of the rule that is not the site's first choice, for comparison, and that rule's name."""
    by_noise = result.settings.primary.rule == "noise"
    return (visit.equal_area, "equal area") if by_noise else (visit.found, "noise")
