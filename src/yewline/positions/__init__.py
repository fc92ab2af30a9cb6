"""Many lines at once: where traces lie, the ledger of a visit, spacing and gaps, and what lines say of one another."""

from __future__ import annotations

from yewline.positions.accepted import (
    amend_rows,
    correction_toml,
    lines_corrected,
    propose_corrections,
    zigzag_of,
)
from yewline.positions.by_track import TrackedTraces, place_by_clock, place_by_numbers, times_of_traces
from yewline.positions.control import ControlFit, control_findings, fit_control
from yewline.positions.field import FieldCheck, check_field
from yewline.positions.heights import Heights, heights_at
from yewline.positions.images import ImageOptions, LineImages, line_images
from yewline.positions.latency import LatencyEstimate, TargetPass, estimate_latency, latency_findings
from yewline.positions.ledger import CopyMark, check_ledger, copy_mark, find_copied_data, trace_count_check
from yewline.positions.likeness import (
    Likeness,
    Placebo,
    neighbours,
    order_placebo,
    pair_correlation,
    placebo_findings,
    survey_likeness,
)
from yewline.positions.odometer import Mark, RubberBand, odometer_findings, rubber_band, stretch_line
from yewline.positions.order import Hypothesis, OrderFault, find_order_faults, order_findings
from yewline.positions.pegs import PegDistance, PegNetwork, adjust_pegs, peg_findings
from yewline.positions.place import Placement, place_by_headers, place_line
from yewline.positions.repeat import RepeatScore, find_repeats, repeat_findings, repeat_score
from yewline.positions.resurvey import AGAIN, Rewalk, resurvey_list
from yewline.positions.session import LineNoise, line_noise, line_time_zero_ns, noise_findings, session_findings
from yewline.positions.sigma import PositionBudget, position_sigma_m, with_sigma
from yewline.positions.spacing import LineGap, gap_findings, line_gaps, line_spacing_m, same_ends_findings
from yewline.positions.ties import LineTie, find_ties, tie_findings, tie_marks
from yewline.positions.tracks import (
    CleanTrack,
    SmoothTrack,
    clean_track,
    place_by_track,
    smooth_track,
    swapped_axes,
    track_findings,
)
from yewline.positions.uniform import LineSettings, line_settings, settings_findings
from yewline.positions.zigzag import (
    ZigzagBias,
    ZigzagEstimate,
    correct_zigzag,
    estimate_zigzag,
    undo_zigzag,
    zigzag_findings,
)

__all__ = [
    "AGAIN",
    "CleanTrack",
    "ControlFit",
    "CopyMark",
    "FieldCheck",
    "Heights",
    "Hypothesis",
    "ImageOptions",
    "LatencyEstimate",
    "Likeness",
    "LineGap",
    "LineImages",
    "LineNoise",
    "LineSettings",
    "LineTie",
    "Mark",
    "OrderFault",
    "PegDistance",
    "PegNetwork",
    "Placebo",
    "Placement",
    "PositionBudget",
    "RepeatScore",
    "Rewalk",
    "RubberBand",
    "SmoothTrack",
    "TargetPass",
    "TrackedTraces",
    "ZigzagBias",
    "ZigzagEstimate",
    "adjust_pegs",
    "amend_rows",
    "check_field",
    "check_ledger",
    "clean_track",
    "control_findings",
    "copy_mark",
    "correct_zigzag",
    "correction_toml",
    "estimate_latency",
    "estimate_zigzag",
    "find_copied_data",
    "find_order_faults",
    "find_repeats",
    "find_ties",
    "fit_control",
    "gap_findings",
    "heights_at",
    "latency_findings",
    "line_gaps",
    "line_images",
    "line_noise",
    "line_settings",
    "line_spacing_m",
    "line_time_zero_ns",
    "lines_corrected",
    "neighbours",
    "noise_findings",
    "odometer_findings",
    "order_findings",
    "order_placebo",
    "pair_correlation",
    "peg_findings",
    "place_by_clock",
    "place_by_headers",
    "place_by_numbers",
    "place_by_track",
    "place_line",
    "placebo_findings",
    "position_sigma_m",
    "propose_corrections",
    "repeat_findings",
    "repeat_score",
    "resurvey_list",
    "rubber_band",
    "same_ends_findings",
    "session_findings",
    "settings_findings",
    "smooth_track",
    "stretch_line",
    "survey_likeness",
    "swapped_axes",
    "tie_findings",
    "tie_marks",
    "times_of_traces",
    "trace_count_check",
    "track_findings",
    "undo_zigzag",
    "with_sigma",
    "zigzag_findings",
    "zigzag_of",
]
