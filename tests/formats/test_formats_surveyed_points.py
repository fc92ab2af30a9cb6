"""Tables of heights, tracks, trace times and fiducial marks: what is read, transformed, refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj
import pytest

from yewline.errors import FormatError, FrameError
from yewline.formats import read_elevation, read_fiducials, read_trace_times, read_track, seconds_of
from yewline.model import Frame, Grid

TIED = Frame(
    epsg=32630,
    control=[
        {"x": 0, "y": 0, "easting": 500000, "northing": 5900000},
        {"x": 0, "y": 20, "easting": 500000, "northing": 5900020},
    ],
)


def write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def test_places_in_three_ways_mean_the_same_place(tmp_path: Path):
    lon, lat = pyproj.Transformer.from_crs(32630, 4326, always_xy=True).transform(500003.0, 5900004.0)
    ways = ("x,y,z\n3,4,9\n", "easting,northing,z\n500003,5900004,9\n", f"longitude,latitude,z\n{lon!r},{lat!r},9\n")
    for number, text in enumerate(ways):
        points, said = read_elevation(write(tmp_path / f"{number}.csv", text), frame=TIED)
        assert points[["x", "y", "z"]].values[0] == pytest.approx([3, 4, 9], abs=1e-4)
        assert ("points-transformed" in [f.code for f in said]) == (number > 0)


def test_points_of_a_grid_and_a_decimal_comma(tmp_path: Path):
    grids = {"B": Grid(name="B", origin=(10.0, 0.0), rotation_deg=90.0)}
    path = write(tmp_path / "elevation.csv", "grid;x;y;z\nB;1,5;0;2,25\n;1,5;0;2,5\n")
    points, _ = read_elevation(path, frame=Frame(), to_site=grids.get)
    assert points[["x", "y", "z"]].values == pytest.approx(np.array([[10.0, 1.5, 2.25], [1.5, 0.0, 2.5]]))
    with pytest.raises(FormatError, match="no grid 'B'"):
        read_elevation(path, frame=Frame())


@pytest.mark.parametrize(
    ("text", "frame", "said"),
    [
        ("x,z\n1,2\n", Frame(), "given by half"),
        ("x,y,easting,northing,z\n1,2,3,4,5\n", TIED, "more than one way"),
        ("x,y\n1,2\n", Frame(), "no column 'z'"),
        ("x,y,height\n1,2,3\n", Frame(), "no column 'z'"),
        ("x,y,z,h\n1,2,3,4\n", Frame(), "unknown column 'h'"),
        ("easting,northing,z\n1,2,3\n", Frame(), "eastings and northings on a metre frame"),
        ("longitude,latitude,z\n54,-2,3\n", TIED, "lie far from the site's control points"),
        ("x,y,z\n,,\nup,1,2\n", Frame(), "no row can be used"),
    ],
)
def test_tables_that_cannot_be_used_say_why(tmp_path: Path, text, frame, said):
    with pytest.raises((FormatError, FrameError), match=said):
        read_elevation(write(tmp_path / "elevation.csv", text), frame=frame)


def test_a_bad_row_is_a_fault_and_the_others_are_read(tmp_path: Path):
    points, said = read_elevation(
        write(tmp_path / "e.csv", "x,y,z\n0,0,5\n1,0,nine\n2,0,99999\n3,0,6\n"), frame=Frame()
    )
    assert points["x"].tolist() == [0.0, 3.0]
    assert [f.text for f in said if f.grade == "fault"] == [
        "z is not a number",
        "z must be a number between -500 and 9000",
    ]


@pytest.mark.parametrize(
    ("text", "seconds", "way"),
    [
        ("12.5", 12.5, "seconds"),
        ("00:01:02.25", 62.25, "clock"),
        ("10:21", 37260.0, "clock"),
        ("1970-01-02T00:00:01", 86401.0, "date"),
        ("1970-01-01T01:00:00+01:00", 0.0, "date with zone"),
    ],
)
def test_times_as_people_and_receivers_write_them(text, seconds, way):
    assert seconds_of(text) == (pytest.approx(seconds), way)


@pytest.mark.parametrize("text", ["noon", "10h30", "nan", "2031-13-01"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(ValueError):
        seconds_of(text)


def test_a_track_by_the_clock_and_one_by_trace_numbers(tmp_path: Path):
    fixes, _ = read_track(
        write(tmp_path / "a.csv", "time,x,y,z,sigma_m\n10:00:00,0,0,5,0.02\n10:00:01,1,0,5,\n"), frame=Frame()
    )
    assert fixes["time_s"].tolist() == [36000.0, 36001.0]
    assert fixes["clock"].tolist() == ["clock", "clock"]
    assert np.isnan(fixes["trace"]).all()
    assert np.isnan(fixes["sigma_m"][1])
    fixes, _ = read_track(write(tmp_path / "b.csv", "line,trace,x,y\nL1,1,0,0\nL1,50,1,0\n"), frame=Frame())
    assert fixes["trace"].tolist() == [1.0, 50.0]
    assert np.isnan(fixes["time_s"]).all()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("trace,x,y\n1,0,0\n", "without the line"),
        ("time,x,y\n10:00:00,0,0\n12.5,1,0\n", "more than one way"),
        ("x,y\n0,0\n", "no column 'time' or 'trace'"),
    ],
)
def test_tracks_that_cannot_be_used_say_why(tmp_path: Path, text, said):
    with pytest.raises(FormatError, match=said):
        read_track(write(tmp_path / "t.csv", text), frame=Frame())


def test_trace_times_and_marks(tmp_path: Path):
    times, _ = read_trace_times(write(tmp_path / "trace_times.csv", "line,trace,time\nL1,1,0\nL1,200,50.5\n"))
    assert times[["trace", "time_s"]].values.tolist() == [[1.0, 0.0], [200.0, 50.5]]
    with pytest.raises(FormatError, match="without its time"):
        read_trace_times(write(tmp_path / "x.csv", "line,trace,time\nL1,1,0\nL1,200,\n"))
    marks, said = read_fiducials(write(tmp_path / "fiducials.csv", "line,trace,distance_m\nL1,1.5,3\nL1,9,3\n"))
    assert marks["trace"].tolist() == [9.0]
    assert any("whole number" in f.text for f in said)
