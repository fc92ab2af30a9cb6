"""Pairs of readings and samples: water by volume or by mass, their errors, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yewline.errors import FormatError, InputError
from yewline.formats import read_calibration_pairs
from yewline.model import vwc_of_gravimetric


def text(folder: Path, content: str) -> Path:
    path = folder / "calibration.csv"
    path.write_text(content)
    return path


def test_water_by_mass_and_by_volume_are_the_same_water(tmp_path):
    mass, _ = read_calibration_pairs(
        text(tmp_path, "reading,gravimetric_g_per_g,bulk_g_per_cm3\n500,0.15,1.4\n600,0.2,1.4\n")
    )
    volume, _ = read_calibration_pairs(text(tmp_path, "reading,vwc\n500,0.21\n600,0.28\n"))
    percent, _ = read_calibration_pairs(text(tmp_path, "reading;vwc_percent\n500;21,0\n600;28,0\n"))
    np.testing.assert_allclose(mass["vwc"], volume["vwc"])
    np.testing.assert_allclose(percent["vwc"], volume["vwc"])


def test_errors_of_mass_and_density_add_by_squares(tmp_path):
    stated = "reading,gravimetric_g_per_g,gravimetric_sd,bulk_g_per_cm3,bulk_sd\n500,0.15,0.004,1.4,0.1\n"
    pairs, findings = read_calibration_pairs(text(tmp_path, stated))
    assert pairs["vwc_sd"].item() == pytest.approx(np.hypot(1.4 * 0.004, 0.15 * 0.1))
    assert not [f for f in findings if f.code == "calibration-sd"]
    _, findings = read_calibration_pairs(text(tmp_path, "reading,vwc\n500,0.2\n"))
    assert [f.text for f in findings if f.grade == "assumed"] == ["vwc_sd is not stated in 1 rows: 0.01 is taken"]


def test_density_of_the_settings_fills_blanks(tmp_path):
    path = text(tmp_path, "reading,gravimetric_g_per_g,bulk_g_per_cm3\n500,0.1,1.5\n600,0.2,\n700,,1.4\n")
    pairs, findings = read_calibration_pairs(path, bulk_g_per_cm3=1.3)
    assert pairs["vwc"].tolist() == pytest.approx([0.15, 0.26])
    assert [f.received for f in findings if f.text == "pairs without a sample are left out"] == ["rows 4"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("reading,vwc,gravimetric_g_per_g\n1,0.2,0.1\n", "water of the samples is given in two ways"),
        ("reading,gravimetric_g_per_g\n1,0.1\n", "water by mass without the bulk density"),
        ("reading,moisture\n1,0.1\n", "there is no column 'gravimetric_g_per_g' or 'vwc' or 'vwc_percent'"),
        ("reading,vwc,salt\n1,0.1,3\n", "unknown column 'salt'"),
        ("reading,vwc\n1,21\n", "no row can be used"),
    ],
)
def test_tables_of_pairs_that_cannot_be_used_are_refused(tmp_path, content, message):
    with pytest.raises(FormatError, match=message):
        read_calibration_pairs(text(tmp_path, content))


def test_density_that_no_soil_has_is_refused():
    with pytest.raises(InputError, match="bulk density must lie between 0.1 and 2.6"):
        vwc_of_gravimetric(0.2, 1400.0)
    with pytest.raises(InputError, match="water by mass must not be negative"):
        vwc_of_gravimetric(-0.2, 1.4)
