"""Tables of depth: visits at equal depth beside equal time, and depths against excavated ones."""

from __future__ import annotations

import numpy as np

from yewline.export.result_table import ResultTable
from yewline.workspace.results import SiteResult

__all__ = ["depth_checks_table", "equal_depth_table"]


def equal_depth_table(result: SiteResult) -> ResultTable:
    """Each pair of visits."""
    columns = (
        "first", "second", "overlap_equal_time", "overlap_equal_depth", "shift_x_m", "shift_y_m", "shift_sd_m",
        "blocks_known_share", "ratio_median_db",
    )  # fmt: skip
    table = ResultTable(
        "pairs of visits: overlap (intersection over union) of equal-area outlines at equal time and at equal depth, "
        "shift of the second against the first, and its strength over the first's at equal depth",
        columns,
    )
    for pair in () if result.equal_depth is None else result.equal_depth.pairs:
        known = pair.ratio_db[np.isfinite(pair.ratio_db)]
        ratio = float(np.median(known)) if len(known) else None
        table.rows.append(
            (pair.first, pair.second, pair.overlap_time, pair.overlap_depth, *pair.shift_m, pair.shift_sigma_m,
             pair.known_share, ratio)
        )  # fmt: skip
    return table


def depth_checks_table(result: SiteResult) -> ResultTable:
    """Each burial of known depth that a hotspot is matched with, on each visit."""
    columns = ("visit", "burial", "top_m", "base_m", "estimated_m", "error_m", "half_width_m", "within")
    table = ResultTable(
        "depth at which matched burials answer, against their top as excavated; within: the 90 % interval meets it",
        columns,
    )
    for visit in result.visits:
        for check in visit.depth_checks:
            table.rows.append(
                (
                    visit.name,
                    check.burial,
                    check.top_m,
                    check.base_m,
                    check.estimated_m,
                    check.off_m,
                    check.half_m,
                    check.within,
                )
            )
    return table
