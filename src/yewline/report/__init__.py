"""The report of a run: figures and one self-contained HTML page."""

from __future__ import annotations

from yewline.report.history import burial_distances, burial_gaps
from yewline.report.hotspots import longer_than_grave
from yewline.report.maps import links
from yewline.report.page import render_report, write_report
from yewline.report.sections import section_png
from yewline.report.tried import tried_png
from yewline.report.wave_film import film_gif
from yewline.report.words import CAUTIONS, FOOTER, RESTRICTED, depth_label, slice_error_m

__all__ = [
    "CAUTIONS",
    "FOOTER",
    "RESTRICTED",
    "burial_distances",
    "burial_gaps",
    "depth_label",
    "film_gif",
    "links",
    "longer_than_grave",
    "render_report",
    "section_png",
    "slice_error_m",
    "tried_png",
    "write_report",
]
