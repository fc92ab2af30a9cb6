"""Tables of depth: visits at equal depth beside equal time, and depths against excavated ones."""

from __future__ import annotations

import math

from yewline.export.result_table import ResultTable
from yewline.workspace.results import SiteResult

__all__ = ["depth_errors_table", "equal_depth_table"]


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
        table.rows.append(
            (pair.first, pair.second, pair.overlap_time, pair.overlap_depth, *pair.shift_m, pair.shift_sigma_m,
             pair.known_share, pair.ratio_median_db)
        )  # fmt: skip
    return table


def depth_errors_table(result: SiteResult) -> ResultTable:
    """Each burial of known depth on each visit."""
    columns = (
        "visit", "burial", "kind", "excavated_top_m", "excavated_base_m", "estimated_m", "half_width_m", "difference_m",
        "holds_top", "meets_body", "contrast", "at_end", "matched",
    )  # fmt: skip
    table = ResultTable(
        "depth of the strongest response below each burial of known depth, against its excavated top; half_width_m: of "
        "the 90 % interval; contrast: over what is usual at that depth; the place is the excavation's",
        columns,
    )
    for visit in result.visits:
        check = visit.depth_check
        if check is None or "estimated_m" not in check.table:
            continue
        for row in check.table.to_dict("records"):
            told = (row["holds_top"], row["meets_body"]) if math.isfinite(row["estimated_m"]) else (None, None)
            table.rows.append(
                (visit.name, row["burial"], row["kind"], row["top_m"], row["base_m"], row["estimated_m"],
                 row["half_width_m"], row["difference_m"], *told, row["contrast"], row["at_end"], row["matched"])
            )  # fmt: skip
    return table
