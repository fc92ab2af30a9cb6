"""A visit's readings from file to map: calibrated, corrected, placed along lines, and looked through."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest

from yewline.ground import split_reading_error
from yewline.physics import malicki_moisture, roth_moisture, topp_moisture_exact
from yewline.workspace.check import check_site
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.site import Site, read_site
from yewline.workspace.stage_ground import load_readings
from yewline.workspace.visit_readings import RELATIONS, read_visit_readings

LINES = """\
line,file,first_trace,last_trace,x0,y0,x1,y1
L1,a.sgy,,,2,3,2,13
L2,b.sgy,1,100,0,0,3,4
L2,b.sgy,101,220,3,4,3,10
L3,c.sgy,,,,,,
"""


@pytest.fixture
def invented(tmp_path: Path):
    """Makes a site of one visit: `readings`, more `settings` of [readings], and other files of the visit."""

    def make(readings: str, settings: str = "", **files: str) -> Site:
        visit = tmp_path / "visits" / "day"
        (visit / "lines").mkdir(parents=True, exist_ok=True)
        (tmp_path / "site.toml").write_text('name = "Invented ground"\n')
        (visit / "visit.toml").write_text(f"date = 2031-05-14\n[antenna]\ncentre_mhz = 400\n[readings]\n{settings}\n")
        (visit / "lines.csv").write_text(LINES)
        (visit / "readings.csv").write_text(readings)
        for name, content in files.items():
            (visit / f"{name}.csv").write_text(content)
        return read_site(tmp_path)

    return make


def loaded(site: Site):
    readings, _, findings = load_readings(site, site.visits[0], None)
    return readings, {finding.code: finding for finding in findings}


PAIRS = "reading,vwc\n" + "".join(f"{300 + 50 * k},{0.05 + 0.05 * k + 0.008 * (-1) ** k:.3f}\n" for k in range(7))


def test_samples_calibrate_readings_and_their_error(invented):
    site = invented("x,y,reading\n0,0,350\n1,0,450\n2,0,550\n", calibration=PAIRS)
    readings, told = loaded(site)
    np.testing.assert_allclose(readings["vwc"], [0.1, 0.2, 0.3], atol=0.006)
    assert (readings["vwc_own_sd"] > 0).all()
    assert readings["vwc_common_sd"].idxmin() == 1
    assert told["calibration"].text.startswith("calibrated by 7 pairs")
    assert "readings-sigma" not in told
    # A run begins anew where the samples change; the lines stay.
    assert "visits/day/calibration.csv" in hash_inputs(site)
    assert not [f for f in site.strays() if "calibration" in f.where]


def test_samples_of_the_site_serve_where_a_visit_has_none(invented, tmp_path):
    site = invented("x,y,vwc_percent\n0,0,20\n1,0,30\n")
    pairs = "reading,vwc_percent\n10,12\n20,22.5\n30,31.5\n40,42\n"
    (tmp_path / "calibration.csv").write_text(pairs)
    readings, _ = loaded(site)
    np.testing.assert_allclose(readings["vwc"], [0.22, 0.32], atol=0.004)
    assert readings["written"].tolist() == [20, 30]


@pytest.mark.parametrize(
    ("settings", "pairs", "text"),
    [
        ("gain = 0.001", PAIRS, "the readings are calibrated in two ways"),
        ("", "reading,vwc\n1,0.1\n2,0.2\n", "a calibration needs at least 3 pairs"),
        ("", "reading,vwc\n1,0.2\n2,0.1\n3,0.3\n4,0.12\n", "the readings do not follow the samples: no calibration"),
    ],
)
def test_readings_whose_calibration_fails_are_not_used_without(invented, settings, pairs, text):
    readings, told = loaded(invented("x,y,vwc\n0,0,0.2\n", settings, calibration=pairs))
    assert readings is None
    assert told["readings-left-out"].text == text


def test_stated_gain_and_sensor_class(invented):
    readings, told = loaded(invented("x,y,reading\n0,0,500\n", 'gain = 0.001\noffset_vwc = -0.3\nsensor_class = "tdr"'))
    assert readings["vwc"].item() == pytest.approx(0.2)
    assert told["readings-sigma"].text.startswith("sigma_vwc is not stated: 0.015 m³/m³ is taken")
    _, told = loaded(invented("x,y,vwc\n0,0,0.2\n", "sigma_vwc = 0.02"))
    assert "readings-sigma" not in told


def test_relations_of_the_settings_are_those_of_physics():
    from yewline.model import ReadingSettings  # noqa: PLC0415

    for name in RELATIONS:
        assert ReadingSettings(relation=name).relation == name
        assert 0.1 < float(RELATIONS[name](9.0)) < 0.2


@pytest.mark.parametrize(
    ("soil", "by"),
    [
        ('texture = "peat"', partial(roth_moisture, organic=True)),
        ('texture = "sandy loam"', topp_moisture_exact),
        ('model = "malicki"\nbulk_g_per_cm3 = 1.2', partial(malicki_moisture, bulk_g_per_cm3=1.2)),
    ],
)
def test_permittivity_becomes_water_by_the_relation_that_the_soil_is_given(invented, soil, by):
    site = invented("x,y,permittivity\n0,0,9.0\n1,0,14.0\n", f'relation = "soil"\n[soil]\n{soil}')
    readings, _ = loaded(site)
    np.testing.assert_allclose(readings["vwc"], by(np.array([9.0, 14.0])), atol=2e-4)


def test_places_along_lines_and_beyond_them(invented):
    rows = ["L1,0", "L1,4.5", "L1,10.8", "L2,5", "L2,8", "L1,12", "L3,0", "l1,0"]
    text = "line,distance_m,vwc\n" + "".join(f"{row},0.2\n" for row in rows)
    site = invented(text)
    readings, findings = read_visit_readings(site, site.visits[0])
    assert readings[["x", "y"]].to_numpy().tolist() == [[2, 3], [2, 7.5], [2, 13], [3, 4], [3, 7]]
    faults = [(f.text, f.do) for f in findings if f.grade == "fault"]
    assert faults[0] == ("line 'L1' is 10.00 m long", "distance_m counts metres from the start of the line")
    assert faults[1][0] == "lines.csv has no ends of a line 'L3'"
    assert "L1" in faults[2][1] or "L2" in faults[2][1] or "ends" in faults[2][1]


def test_temperature_and_salt_are_corrected_only_where_asked_for(invented):
    rows = "x,y,vwc,temperature_c,ec_ms_per_m\n0,0,0.3,5,150\n1,0,0.3,-2,\n2,0,0.3,20,10\n"
    readings, told = loaded(invented(rows))
    assert readings["vwc"].tolist() == [0.3, 0.3, 0.3]
    assert told["readings-salty"].text.startswith("1 readings lie in ground of more than 100 mS/m")
    readings, told = loaded(invented(rows, "correct_temperature = true"))
    assert readings["vwc"].tolist() == pytest.approx([0.2903, 0.3, 0.3], abs=5e-5)
    assert "cold ground reads too wet" in told["readings-temperature"].text
    assert told["readings-temperature-left"].received == "rows 3"
    readings, told = loaded(invented(rows, "vwc_per_ms_per_m = 0.0005"))
    assert readings["vwc"].iloc[0] < 0.2
    assert "readings-salty" not in told
    assert told["readings-salt"].received == "0 of them end at a limit of 0 to 0.6"


def test_one_of_several_depths_is_mapped(invented):
    rows = "x,y,vwc_10cm,vwc_30cm\n0,0,0.2,0.3\n1,0,0.22,0.31\n"
    readings, told = loaded(invented(rows))
    assert readings["vwc"].tolist() == [0.2, 0.22]
    assert told["readings-depths"].grade == "assumed"
    readings, told = loaded(invented(rows, "depth_m = 0.3"))
    assert readings["vwc"].tolist() == [0.3, 0.31]
    assert told["readings-depths"].grade == "found"
    readings, told = loaded(invented(rows, "depth_m = 0.5"))
    assert readings is None
    assert told["readings-left-out"].received == "depth_m = 0.5; readings at 0.1 m, 0.3 m"


def test_hours_from_the_radar_and_porosity(invented):
    rows = "x,y,vwc,time\n0,0,0.2,09:30\n1,0,0.5,18:00\n"
    times = "line,trace,time\nL1,1,09:00:00\nL1,200,10:00:00\n"
    _, told = loaded(invented(rows, "bulk_g_per_cm3 = 1.4", trace_times=times))
    assert told["readings-late"].received == "up to 8.0 h; rows 3"
    assert told["readings-above-porosity"].text.endswith("0.47")
    _, told = loaded(invented(rows, "porosity = 0.55", trace_times="line,trace\n"))
    assert "readings-above-porosity" not in told


def test_check_tells_it_with_places_inside_the_site(invented):
    site = invented("x,y,vwc\n0,0,0.2\n0,0,0.2\n", calibration="reading,vwc\n0.1,0.1\n0.2,0.22\n0.3,0.29\n0.4,0.42\n")
    told = {f.code: f for f in check_site(site).findings}
    assert told["readings-duplicate"].where == "visits/day/readings.csv"
    assert told["calibration"].where == "visits/day/calibration.csv"
    assert split_reading_error(0.03)[0] == pytest.approx(0.0212, abs=1e-4)
