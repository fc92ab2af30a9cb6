"""The report of a run: figures and one self-contained HTML page."""

from __future__ import annotations

from yewline.report.maps import links
from yewline.report.page import render_report, write_report
from yewline.report.tables import burial_distances
from yewline.report.words import CAUTIONS, FOOTER, RESTRICTED, depth_label, slice_error_m

__all__ = [
    "CAUTIONS",
    "FOOTER",
    "RESTRICTED",
    "burial_distances",
    "depth_label",
    "links",
    "render_report",
    "slice_error_m",
    "write_report",
]
