"""Traces placed between the ends of their segments, or by the file's own headers."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FrameError, InputError
from yewline.model import Frame, Grid, LineSegment
from yewline.positions import place_by_headers, place_line

GRIDS = {"": Grid(name=""), "B": Grid(name="B", origin=(10.0, 5.0), rotation_deg=90.0)}
TIED = Frame(
    epsg=32633,
    control=[
        {"x": 0, "y": 0, "easting": 500_000, "northing": 5_000_000},
        {"x": 10, "y": 0, "easting": 500_008, "northing": 5_000_006},
    ],
)


def _row(**fields):
    return LineSegment(**{"line": "L1", "file": "a.sgy", "x0": 0, "y0": 0, "x1": 10, "y1": 0, "row": 2, **fields})


def _codes(placed):
    return [(finding.grade, finding.code) for finding in placed.findings]


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 300), st.floats(-50, 50), st.floats(-50, 50), st.floats(0.1, 40), st.floats(0, 360))
def test_traces_lie_evenly_from_start_to_end(n, x0, y0, length, bearing):
    x1, y1 = x0 + length * np.cos(np.radians(bearing)), y0 + length * np.sin(np.radians(bearing))
    placed = place_line(n, [_row(x0=x0, y0=y0, x1=x1, y1=y1)], GRIDS.get)
    np.testing.assert_allclose((placed.x[0], placed.y[0], placed.x[-1], placed.y[-1]), (x0, y0, x1, y1), atol=1e-12)
    np.testing.assert_allclose(np.hypot(np.diff(placed.x), np.diff(placed.y)), length / (n - 1), rtol=1e-6)
    assert placed.keep.tolist() == list(range(n))


def test_a_turned_grid_turns_the_line():
    placed = place_line(3, [_row(grid="B", x1=2)], GRIDS.get)
    np.testing.assert_allclose(np.column_stack([placed.x, placed.y]), [(10, 5), (10, 6), (10, 7)], atol=1e-12)


def test_segments_keep_their_own_traces():
    rows = [_row(first_trace=1, last_trace=3, x1=2), _row(first_trace=6, last_trace=8, x0=5, x1=7, row=3)]
    placed = place_line(9, rows, GRIDS.get)
    assert placed.keep.tolist() == [0, 1, 2, 5, 6, 7]
    assert placed.x.tolist() == [0, 1, 2, 5, 6, 7]
    assert placed.segment.tolist() == [0, 0, 0, 1, 1, 1]
    assert _codes(placed) == [("found", "traces-unused")]
    assert placed.findings[0].text == "3 of 9 traces belong to no segment and are not used"


def test_traces_left_over_for_other_lines_are_not_reported():
    rows = [_row(first_trace=1, last_trace=3)]
    alone, shared = place_line(9, rows, GRIDS.get), place_line(9, rows, GRIDS.get, shared=True)
    assert _codes(alone) == [("found", "traces-unused")]
    assert _codes(shared) == []
    assert shared.keep.tolist() == alone.keep.tolist()


def test_a_segment_of_one_trace_lies_in_its_middle():
    placed = place_line(1, [_row()], GRIDS.get)
    assert placed.x.tolist() == [5.0]
    assert _codes(placed) == [("warning", "segment-one-trace")]


@pytest.mark.parametrize(
    ("fields", "code", "text", "received"),
    [
        ({"last_trace": 12}, "segment-beyond", "the segment goes on beyond the end of the recording", "trace 12 of 9"),
        ({"first_trace": 12}, "segment-beyond", "the segment goes on beyond the end of the recording", "trace 12 of 9"),
        ({"x0": None}, "segment-ends", "the segment has no coordinates", ""),
        ({"x1": 0}, "segment-ends", "the segment has no length", "(0, 0)"),
        ({"grid": "Q"}, "grid-unknown", "there is no grid 'Q'", "Q"),
        ({"first_trace": 8, "last_trace": 7}, "segment-traces", "first_trace comes after last_trace", "8 to 7"),
        (
            {"first_trace": 3, "last_trace": 9},
            "segment-traces",
            "its traces already belong to another segment",
            "2 traces",
        ),
    ],
)
def test_a_segment_that_cannot_be_placed_is_a_fault_and_the_others_are(fields, code, text, received):
    placed = place_line(9, [_row(last_trace=4), _row(row=7, **fields)], GRIDS.get)
    assert placed.keep.tolist() == [0, 1, 2, 3]
    fault = placed.findings[0]
    assert (fault.grade, fault.code, fault.text, fault.received) == ("fault", code, text, received)
    assert fault.where == "lines.csv, row 7"
    assert fault.line == "L1"


def test_nothing_to_place_is_refused():
    with pytest.raises(InputError, match="at least one trace"):
        place_line(0, [_row()], GRIDS.get)
    with pytest.raises(InputError, match="at least one segment"):
        place_line(3, [], GRIDS.get)
    placed = place_line(3, [_row(last_trace=4)], GRIDS.get)
    assert len(placed.keep) == 0
    assert _codes(placed) == [("fault", "segment-beyond")]


def test_headers_on_a_local_frame_are_site_metres():
    placed = place_by_headers([0, 1, 2], [5, 5, 5], coordinates="length", frame=Frame())
    assert placed.x.tolist() == [0, 1, 2]
    assert _codes(placed) == [("assumed", "header-coordinates")]


def test_feet_become_metres():
    # The international foot is 0.3048 m exactly (yard and pound agreement of 1959).
    placed = place_by_headers([0, 10, 100], [5, 5, 5], coordinates="feet", frame=Frame())
    np.testing.assert_allclose(placed.x, [0, 3.048, 30.48], rtol=1e-12)
    np.testing.assert_allclose(placed.y, 1.524, rtol=1e-12)
    assert placed.findings[0].grade == "assumed"
    assert "in feet converted to site metres, 0.3048 m to the foot" in placed.findings[0].text
    with pytest.raises(FrameError, match=r"L3: header coordinates in feet on the frame of EPSG:32633.*[Ee]xport"):
        place_by_headers([0, 10], [5, 5], coordinates="feet", frame=TIED, line="L3")


def test_slow_fixes_are_spread_over_their_traces():
    true = 0.1 * np.arange(60)
    placed = place_by_headers(np.floor(true + 1e-9), np.full(60, 3.0), coordinates="metres", frame=Frame())
    np.testing.assert_allclose(placed.x, true, atol=1e-9)
    np.testing.assert_allclose(placed.y, 3.0)
    assert _codes(placed) == [("assumed", "header-coordinates"), ("assumed", "header-fixes")]
    assert placed.findings[1].received == "6 fixes for 60 traces, about 1 m apart"


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 40), st.integers(1, 40), st.integers(1, 80), st.integers(2, 6), st.floats(0, 360))
def test_ends_of_slow_fixes_stay_within_a_step(held, first, last, n_fix, bearing):
    runs = [min(first, held), *[held] * (n_fix - 2), last]
    along = np.repeat(7.0 + np.arange(n_fix), runs)
    x, y = along * np.cos(np.radians(bearing)), along * np.sin(np.radians(bearing))
    placed = place_by_headers(x, y, coordinates="metres", frame=Frame())
    off = placed.x * np.cos(np.radians(bearing)) + placed.y * np.sin(np.radians(bearing)) - along
    assert off.min() > -1e-9
    assert off.max() < 1
    steps = np.hypot(np.diff(placed.x), np.diff(placed.y))
    assert steps.min() > 0
    if n_fix > 2 and last <= held:
        np.testing.assert_allclose(steps, 1 / held)


def test_spread_fixes_mind_traces_that_were_left_out():
    east = 500_000 + np.repeat([0.0, 1.0, 2.0], 4)
    east[5] = np.nan
    placed = place_by_headers(east, np.full(12, 5e6), coordinates="metres", frame=Frame(epsg=32633))
    np.testing.assert_allclose(placed.x - 500_000, np.delete(0.25 * np.arange(12), 5), atol=1e-9)


def test_headers_that_move_at_each_trace_are_left_as_they_are():
    placed = place_by_headers([0, 0, 1, 5], [0, 1, 1, 1], coordinates="metres", frame=Frame())
    assert (placed.x.tolist(), placed.y.tolist()) == ([0, 0, 1, 5], [0, 1, 1, 1])
    assert _codes(placed) == [("assumed", "header-coordinates")]


def test_headers_on_a_tied_frame_are_projected_metres():
    east, north = 500_000 + 0.8 * np.arange(4), 5_000_000 + 0.6 * np.arange(4)
    placed = place_by_headers(east, north, coordinates="length", frame=TIED)
    np.testing.assert_allclose(placed.x, np.arange(4), atol=1e-6)
    np.testing.assert_allclose(placed.y, 0, atol=1e-6)
    assert "EPSG:32633" in placed.findings[0].text


def test_headers_in_degrees_agree_with_pyproj():
    to_degrees = pyproj.Proj("+proj=utm +zone=33 +datum=WGS84")
    lon, lat = to_degrees(500_000 + 0.8 * np.arange(4), 5_000_000 + 0.6 * np.arange(4), inverse=True)
    placed = place_by_headers(lon, lat, coordinates="degrees", frame=TIED)
    np.testing.assert_allclose(placed.x, np.arange(4), atol=1e-5)
    with pytest.raises(FrameError, match="L3: header coordinates in degrees on a metre frame"):
        place_by_headers(lon, lat, coordinates="degrees", frame=Frame(), line="L3")
    with pytest.raises(FrameError, match="unknown EPSG code"):
        place_by_headers(lon, lat, coordinates="degrees", frame=Frame(epsg=999_999))
    with pytest.raises(FrameError, match="far from the site's control points.*km away"):
        place_by_headers(lon, lat, coordinates="length", frame=TIED)


def test_traces_without_position_are_left_out():
    east = np.array([0, 500_000, 500_001, np.nan, 500_002.0])
    north = np.array([0, 5_000_000, 5_000_000, 5_000_000, 5_000_000.0])
    placed = place_by_headers(east, north, coordinates="length", frame=Frame(epsg=32633), line="L1")
    assert placed.keep.tolist() == [1, 2, 4]
    assert placed.findings[0].text == "2 traces without a position are left out"
    # Beside a local origin, (0, 0) is a place like any other.
    assert len(place_by_headers([0, 1, 2], [0, 0, 0], coordinates="length", frame=Frame()).keep) == 3


def test_headers_without_positions_are_refused():
    with pytest.raises(InputError, match=r"no positions \(received all traces at \(0, 0\)\)"):
        place_by_headers([0, 0], [0, 0], coordinates="length", frame=Frame())
    with pytest.raises(InputError, match=r"no positions \(received none\)"):
        place_by_headers([np.nan], [0], coordinates="length", frame=Frame())
    with pytest.raises(InputError, match="one value for each trace"):
        place_by_headers([0, 1], [0], coordinates="length", frame=Frame())
