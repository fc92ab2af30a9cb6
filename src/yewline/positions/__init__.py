"""Many lines at once: where traces lie, the ledger of a visit, spacing and gaps."""

from __future__ import annotations

from yewline.positions.ledger import check_ledger, find_copied_data, trace_count_check
from yewline.positions.place import Placement, place_by_headers, place_line
from yewline.positions.spacing import LineGap, gap_findings, line_gaps, line_spacing_m

__all__ = [
    "LineGap",
    "Placement",
    "check_ledger",
    "find_copied_data",
    "gap_findings",
    "line_gaps",
    "line_spacing_m",
    "place_by_headers",
    "place_line",
    "trace_count_check",
]
