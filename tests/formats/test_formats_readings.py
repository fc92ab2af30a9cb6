"""Moisture readings: unit declared, row faults, CSV and XLSX alike."""

from __future__ import annotations

import datetime as dt
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FormatError
from yewline.formats import read_readings
from yewline.model import READING_COLUMNS, Grid

ROWS = [["X", "y", "VWC", "Depth_m", "temperature_c", "time", "grid"], [1, 2, 0.2, 0.06, 12.5, "09:30", ""]]


def _csv(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text)
    return path


def _xlsx(folder: Path, *sheets: tuple[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets:
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    path = folder / "readings.xlsx"
    book.save(path)
    book.close()
    return path


def _faults(findings):
    return [(f.where.rpartition(", ")[2], f.text, f.received) for f in findings if f.grade == "fault"]


def test_percent_is_a_hundredth(tmp_path):
    fraction, _ = read_readings(_csv(tmp_path, "x,y,vwc\n1,2,0.235\n"))
    percent, findings = read_readings(_csv(tmp_path, "x,y,vwc_percent\n1,2,23.5\n"))
    assert fraction["vwc"].item() == pytest.approx(percent["vwc"].item(), rel=1e-15)
    assert list(percent.columns) == list(READING_COLUMNS)
    assert "declared in percent" in findings[-1].text


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(0.0, 0.6), min_size=1, max_size=8))
def test_csv_gives_back_what_was_written(tmp_path_factory, values):
    text = "x;y;vwc\n" + "".join(f"{i};0;{value!r}\n".replace(".", ",") for i, value in enumerate(values))
    readings, _ = read_readings(_csv(tmp_path_factory.mktemp("readings"), text))
    np.testing.assert_array_equal(readings["vwc"], values)


def test_xlsx_and_csv_of_the_same_survey_agree(tmp_path):
    book, _ = read_readings(_xlsx(tmp_path, ("s", ROWS)))
    text = "\n".join(",".join(str(cell) for cell in row) for row in ROWS)
    table, _ = read_readings(_csv(tmp_path, text))
    assert book.equals(table)
    assert book.loc[0, ["x", "y", "vwc", "depth_m", "temperature_c", "time", "row"]].tolist() == [
        1,
        2,
        0.2,
        0.06,
        12.5,
        "09:30",
        2,
    ]


def test_xlsx_sheet_and_header_row_are_found_and_told(tmp_path):
    rows = [["Survey of spring"], [], ["x", "y", "vwc", "time"], [1, 2, "0,21", dt.datetime(2024, 5, 2, 9, 30)], [None]]
    path = _xlsx(tmp_path, ("notes", [["sensor", "calibrated"], ["x", 1]]), ("Data", rows))
    readings, findings = read_readings(path)
    assert readings.loc[0, ["vwc", "time", "row"]].tolist() == [0.21, "2024-05-02T09:30:00", 4]
    assert findings[0].text == "read from sheet 'Data', header in row 3, decimal comma"


def test_readings_of_a_grid_land_in_site_metres(tmp_path):
    grids = {"B": Grid(name="B", origin=(10.0, 5.0), rotation_deg=90.0)}
    path = _csv(tmp_path, "x,y,vwc,grid\n1,0,0.2,B\n1,0,0.2,\n1,0,0.2,C\n")
    readings, findings = read_readings(path, to_site=grids.get)
    assert readings[["x", "y"]].round(9).to_numpy().tolist() == [[10.0, 6.0], [1.0, 0.0]]
    assert _faults(findings) == [("row 4", "there is no grid 'C'", "C")]


def test_bad_rows_are_named_and_the_others_load(tmp_path):
    rows = [
        "1,2,0.2,",
        "1,,0.2,",
        "1,2,nan,",
        "1,2,abc,",
        "",
        "1,2,0.75,",
        "1,2,23,",
        "1,2,-0.1,",
        "4,2,0.3,-3",
        "1,2,.3,1,9",
    ]
    readings, findings = read_readings(_csv(tmp_path, "x,y,vwc,depth_m\n" + "\n".join(rows) + "\n"))
    assert readings["x"].tolist() == [1.0, 4.0]
    assert np.isnan(readings["depth_m"]).all()
    limits = "water content must lie between 0 and 0.6 m³/m³"
    assert _faults(findings) == [
        ("row 3", "y is blank", "nothing"),
        ("row 4", "vwc is blank", "nan"),
        ("row 5", "vwc is not a number", "abc"),
        ("row 7", limits, "vwc 0.75"),
        ("row 8", limits, "vwc 23"),
        ("row 9", limits, "vwc -0.1"),
        ("row 10", "depth_m is left blank: it must be a number between 0 and 5", "-3"),
        ("row 11", "the row has more cells than the header names", "1 more"),
    ]


def test_percent_that_looks_like_fraction_is_warned_of(tmp_path):
    _, findings = read_readings(_csv(tmp_path, "x,y,vwc_percent\n1,2,0.2\n1,3,0.3\n"))
    (warning,) = [f for f in findings if f.grade == "warning"]
    assert "look like fractions" in warning.text
    assert warning.received == "highest 0.3 %"


def test_columns_not_used_are_told(tmp_path):
    _, findings = read_readings(_csv(tmp_path, "x,y,vwc,depht_m,operator\n1,2,0.2,0.1,a\n"))
    told = {f.grade: (f.text, f.do) for f in findings if f.code == "column-unused"}
    assert told == {
        "warning": ("column 'depht_m' is not used", "did you mean 'depth_m'?"),
        "found": ("column 'operator' is not used", ""),
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x,y,vwc\n0,0,23\n1,0,25\n", "look like percent declared as fraction.*median 24.*Name the column vwc_percent"),
        ("x,y,vwc\n0,0,0.7\n1,0,0.8\n", "water content out of physical range.*median 0.75"),
        ("x,y,vwc\n0,0,512\n", "water content out of physical range.*median 512.*raw counts"),
        ("x,y,vwc\n0,0,-0.2\n", "water content out of physical range"),
        ("x,y,vwc_percent\n0,0,75\n", "column vwc_percent: water content out of physical range.*between 0 and 60"),
        ("x,y,vwc,vwc_percent\n0,0,.2,20\n", "both vwc and vwc_percent are given"),
        ("x,y,vwc_percentage\n0,0,20\n", "no column 'vwc' or 'vwc_percent'.*Rename 'vwc_percentage'"),
        ("x,y,vwc\n0,0,\n0,,0.2\n", "no usable reading.*2 rows"),
        ("x,y,vwc\n0,0,x\n", "no usable reading"),
        ('x,y,vwc\n0,0,"' + "9" * 140_000 + '"\n', "not a table: field larger"),
    ],
)
def test_a_mistake_of_the_whole_file_rejects_it(tmp_path, text, message):
    with pytest.raises(FormatError, match=message):
        read_readings(_csv(tmp_path, text))


def test_a_workbook_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(FormatError, match=r"no sheet has a header row with x, y, vwc or vwc_percent.*sheets a, b"):
        read_readings(_xlsx(tmp_path, ("a", [["no", "thing"]]), ("b", [])))
    with pytest.raises(FormatError, match=r"no column 'vwc' or 'vwc_percent'"):
        read_readings(_xlsx(tmp_path, ("a", [["x", "y"], [1, 2]])))
    for name, content in (("plain.xlsx", b"x,y,vwc\n"), ("broken.xlsx", b"")):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(FormatError, match="not a readable XLSX workbook"):
            read_readings(tmp_path / name)
    with zipfile.ZipFile(tmp_path / "zip.xlsx", "w") as archive:
        archive.writestr("a.txt", "no workbook")
    with pytest.raises(FormatError, match="not a readable XLSX workbook"):
        read_readings(tmp_path / "zip.xlsx")
    with pytest.raises(FormatError, match="file not found"):
        read_readings(tmp_path / "none.xlsx")
    with pytest.raises(FormatError, match="save it as XLSX or CSV|Save it as XLSX or CSV"):
        read_readings(tmp_path / "old.xls")


def test_true_is_not_a_number_in_a_workbook(tmp_path):
    path = _xlsx(tmp_path, ("a", [["x", "y", "vwc", "temperature_c"], [1, 2, 0.2, True], [True, 2, 0.2, 5]]))
    readings, findings = read_readings(path)
    assert len(readings) == 1
    assert np.isnan(readings.loc[0, "temperature_c"])
    assert [text for _, text, _ in _faults(findings)][-1] == "x is not a number"
