"""Settings are frozen, refuse what they do not know, and say what to do."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from yewline.errors import FrameError, SettingsError
from yewline.model import Frame, Grid, SiteSettings, VisitSettings, read_settings, read_toml

SITE = {"name": "Example"}
VISIT = {"date": "2031-05-02", "antenna": {"centre_mhz": 400}}


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({}, "site.toml: missing key 'name'. Add it"),
        ({"nam": "x"}, "unknown key 'nam' .received 'x'.. Did you mean 'name'"),
        ({**SITE, "primary": {"treshold": 3}}, "unknown key 'primary.treshold'.*Did you mean 'threshold'"),
        ({**SITE, "grids": [{"name": "A", "orign": [0, 0]}]}, "unknown key 'grids.0.orign'.*Did you mean 'origin'"),
        ({**SITE, "qqqq": 1}, "unknown key 'qqqq'.*Known keys: about, cautions"),
        ({**SITE, "primary": {"slice_m": [1.0, 0.5]}}, "slice_m must be .top, base. in metres, the top first"),
        ({**SITE, "primary": {"rule": "best"}}, "'primary.rule' cannot be used"),
        ({**SITE, "target": {"depth_m": [2.0, 1.0]}}, "depth_m must be .top, base. in metres"),
        ({**SITE, "grids": [{"name": "A"}, {"name": "A"}]}, "two grids have the same name"),
        ({**SITE, "frame": {"control": [{"x": 0, "y": 0, "easting": 0, "northing": 0}]}}, "need an epsg code"),
    ],
)
def test_site_settings_refuse(data, said):
    with pytest.raises(SettingsError, match=said):
        read_settings(SiteSettings, data, "site.toml")


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ({"soil": {"velocity_m_per_ns": 0.35}}, "'soil.velocity_m_per_ns' cannot be used.*0.2998.*received 0.35"),
        ({"antenna": {"centre_mhz": -1}}, "'antenna.centre_mhz' cannot be used"),
        ({"recording": {"interval_unit": "ns"}}, "'recording.interval_unit' cannot be used"),
        ({"readings": {"sigma_vwc": 3}}, "'readings.sigma_vwc' cannot be used"),
    ],
)
def test_visit_settings_refuse(extra, said):
    with pytest.raises(SettingsError, match=said):
        read_settings(VisitSettings, {**VISIT, **extra}, "visit.toml")


def test_settings_are_frozen():
    settings = read_settings(SiteSettings, SITE, "site.toml")
    with pytest.raises(ValidationError, match="frozen"):
        settings.name = "other"


def test_toml_faults_name_the_file(tmp_path: Path):
    with pytest.raises(SettingsError, match="file not found"):
        read_toml(tmp_path / "none.toml")
    bad = tmp_path / "bad.toml"
    bad.write_text("a = \n")
    with pytest.raises(SettingsError, match="not valid TOML.*line 1"):
        read_toml(bad)
    bad.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="not a text file in UTF-8"):
        read_toml(bad)


def test_a_time_in_the_date_is_cut_off():
    settings = VisitSettings.model_validate({**VISIT, "date": dt.datetime(2031, 5, 2, 10, 30)})
    assert settings.date == dt.date(2031, 5, 2)


def test_grid_lookup():
    settings = SiteSettings(name="x", grids=(Grid(name="A", origin=(3, 4)),))
    assert settings.grid("") == Grid(name="")
    assert settings.grid("A").origin == (3, 4)
    assert settings.grid("B") is None


def test_grid_turn_keeps_lengths_and_is_anticlockwise():
    grid = Grid(name="A", origin=(2.0, -1.0), rotation_deg=30.0)
    xy = grid.to_site([[0, 0], [1, 0], [0, 1]])
    assert np.allclose(np.hypot(*(xy[1:] - xy[0]).T), 1.0)
    assert np.allclose(xy[1] - xy[0], [np.cos(np.pi / 6), 0.5])


def test_similarity_round_trip_and_residual():
    rng = np.random.default_rng(1)
    turn = np.radians(25.0)
    xy = rng.uniform(0, 50, (5, 2))
    e = 1000 + np.cos(turn) * xy[:, 0] - np.sin(turn) * xy[:, 1]
    n = 2000 + np.sin(turn) * xy[:, 0] + np.cos(turn) * xy[:, 1]
    control = [
        {"x": x, "y": y, "easting": ee, "northing": nn} for (x, y), ee, nn in zip(xy.tolist(), e, n, strict=True)
    ]
    frame = Frame(epsg=32630, control=control)
    tie = frame.to_projected()
    assert tie.residual_m < 1e-9
    assert np.allclose(tie.inverse(tie.forward(xy)), xy)
    # The y axis is turned 25° anticlockwise from north, so its bearing is 335°.
    assert frame.bearing_of_y_deg() == pytest.approx(335.0)


def test_control_points_in_feet_are_refused():
    control = [
        {"x": 0, "y": 0, "easting": 0, "northing": 0},
        {"x": 100, "y": 0, "easting": 30.48, "northing": 0},
    ]
    with pytest.raises(FrameError, match=r"do not fit together.*scale 0\.3048.*feet"):
        Frame(epsg=32630, control=control).to_projected()


def test_frames_without_ties():
    assert Frame(north_deg=370).bearing_of_y_deg() == pytest.approx(10)
    with pytest.raises(FrameError, match="frame is local"):
        Frame().to_projected()
    assert Frame(epsg=32630).to_projected().forward([[1.0, 2.0]]).tolist() == [[1.0, 2.0]]
    with pytest.raises(ValidationError, match="at least two"):
        Frame(epsg=32630, control=[{"x": 0, "y": 0, "easting": 0, "northing": 0}])
