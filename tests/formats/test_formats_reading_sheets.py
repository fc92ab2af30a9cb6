"""Readings as people keep them: workbooks with titles, merged headings, units, percent, notes, formulas, matrices."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FormatError, InputError
from yewline.formats import ReadingOptions, read_readings
from yewline.formats.reading_cells import CellNumber, ShownAsPercent, UnsavedFormula, number_in_cell
from yewline.formats.reading_headings import Depth, depth_in, is_unit, parse_heading
from yewline.model import READING_QUANTITIES


def workbook(folder: Path, *sheets, merge=(), percent=(), hidden=()) -> Path:
    """A workbook of (title, rows); `merge`, `percent` and `hidden` name ranges, cells and rows of its first sheet."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets:
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    first = book.worksheets[0]
    for block in merge:
        first.merge_cells(block)
    for cell in percent:
        first[cell].number_format = "0 %"
    for row in hidden:
        first.row_dimensions[row].hidden = True
    path = folder / "readings.xlsx"
    book.save(path)
    book.close()
    return path


def text(folder: Path, content: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(content)
    return path


def codes(findings):
    return {finding.code: finding for finding in findings}


def by_place(readings, depth_m=None):
    rows = readings if depth_m is None else readings[np.isclose(readings["depth_m"], depth_m)]
    return {(x, y): round(vwc, 6) for x, y, vwc in rows[["x", "y", "vwc"]].itertuples(index=False)}


# Cells and headings


@settings(max_examples=50, deadline=None)
@given(st.floats(0.0, 99.0).map(lambda value: round(value, 3)), st.sampled_from(["wet", "(root)", "? stone", "!"]))
def test_a_note_beside_a_number_takes_nothing_from_it(value, note):
    found = number_in_cell(f"{value} {note}")
    assert found.value == value
    assert found.note == note.strip("()")


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        ("23 %", CellNumber(23.0, "percent")),
        ("23% wet", CellNumber(23.0, "percent", "wet")),
        ("0.23 m³/m³", CellNumber(0.23, "fraction")),
        (ShownAsPercent(0.25), CellNumber(25.0, "percent")),
        (0.3, CellNumber(0.3)),
        ("n/a", None),
        ("-", None),
        (None, None),
    ],
)
def test_cells_as_people_write_them(cell, found):
    assert number_in_cell(cell) == found


@pytest.mark.parametrize(
    "cell", ["20-25", "<5", "~20", "wet", "23 cm", "1.2.3", "12 34", "23,5", True, UnsavedFormula("=A1")]
)
def test_cells_that_are_not_one_number(cell):
    with pytest.raises(ValueError, match="number|value was not saved|float"):
        number_in_cell(cell)


@pytest.mark.parametrize(
    ("heading", "unit", "group", "name", "factor", "depth"),
    [
        ("VWC", "", "", "vwc", 1.0, None),
        ("VWC (%)", "", "", "vwc_percent", 1.0, None),
        ("vwc", "%", "", "vwc_percent", 1.0, None),
        ("Volumetric water content [m³/m³]", "", "", "vwc", 1.0, None),
        ("vwc_percent_10cm", "", "", "vwc_percent", 1.0, Depth(0.1)),
        ("vwc_30cm", "", "", "vwc", 1.0, Depth(0.3)),
        ("permittivity 0-20 cm", "", "", "permittivity", 1.0, Depth(0.1, 0.0, 0.2)),
        ("10 cm", "", "vwc_percent", "vwc_percent", 1.0, Depth(0.1)),
        ("0,3 m", "", "Volumetric water content (%)", "vwc_percent", 1.0, Depth(0.3)),
        ("10 cm", "%", "vwc", "vwc_percent", 1.0, Depth(0.1)),
        ("depth (cm)", "", "", "depth_m", 0.01, None),
        ("x", "m", "", "x", 1.0, None),
        ("Temperature [°C]", "", "", "temperature_c", 1.0, None),
        ("EC (dS/m)", "", "", "ec_ms_per_m", 100.0, None),
        ("reading", "-", "", "reading", 1.0, None),
        ("reading", "counts", "", "reading", 1.0, None),
    ],
)
def test_headings_as_people_write_them(heading, unit, group, name, factor, depth):
    found = parse_heading(heading, unit=unit, group=group)
    assert (found.name, found.factor, found.depth) == (name, pytest.approx(factor), depth)


@pytest.mark.parametrize("heading", ["moisture", "moisture (%)", "10 cm", "operator", "humidity_10cm", "x_10cm"])
def test_headings_that_do_not_say_what_they_hold(heading):
    assert parse_heading(heading) is None


@pytest.mark.parametrize("quantity", READING_QUANTITIES)
def test_every_quantity_may_have_a_depth(quantity):
    assert parse_heading(f"{quantity}_20cm").depth == Depth(0.2)


def test_units_that_a_column_cannot_have_are_refused():
    with pytest.raises(FormatError, match=r"column 'x \(ft\)' cannot be in 'ft'.*[Uu]nits read: m"):
        parse_heading("x (ft)")
    with pytest.raises(FormatError, match="column 'vwc_percent' cannot be in 'm3/m3'"):
        parse_heading("vwc_percent", unit="m3/m3")
    assert not is_unit("wet")
    assert depth_in("30-10 cm") is None


# Layouts


def test_titles_merged_headings_and_a_row_of_units(tmp_path):
    rows = [
        ["Moisture of the upper field, spring", None, None, None],
        [None],
        ["Position", None, "Volumetric water content", None],
        ["x", "y", "10 cm", "30 cm"],
        ["m", "m", "%", "%"],
        [0, 0, 21, 31],
        [None],
        [5, 0, 23, None],
    ]
    path = workbook(tmp_path, ("Sheet1", rows), merge=("A1:D1", "A3:B3", "C3:D3"))
    readings, findings = read_readings(path)
    assert by_place(readings, 0.1) == {(0, 0): 0.21, (5, 0): 0.23}
    assert by_place(readings, 0.3) == {(0, 0): 0.31}
    assert readings["row"].tolist() == [6, 6, 8]
    assert "column '10 cm' is read as vwc_percent at 0.1 m" in {f.text for f in findings}
    assert findings[0].text == "read from sheet 'Sheet1', header in row 4"


def test_headings_merged_downwards_over_the_units(tmp_path):
    rows = [["x", "y", "VWC", "Comment"], [None, None, "%", None], [1, 2, 20, "dry"], [3, 2, 25, None]]
    path = workbook(tmp_path, ("a", rows), merge=("A1:A2", "B1:B2", "D1:D2"))
    assert by_place(read_readings(path)[0]) == {(1, 2): 0.2, (3, 2): 0.25}


def test_line_merged_over_its_readings_and_values_merged_over_rows(tmp_path):
    rows = [["grid", "x", "y", "vwc"], ["", 1, 0, 0.2], [None, 1, 1, 0.3], [None, 1, 2, None], [None, 1, 3, 0.25]]
    path = workbook(tmp_path, ("a", rows), merge=("B2:B5", "D3:D4"))
    readings, findings = read_readings(path)
    assert by_place(readings) == {(1, 0): 0.2, (1, 1): 0.3, (1, 3): 0.25}
    told = codes(findings)["readings-merged"]
    assert told.text == "cells merged over several rows count as one reading, in their first row"
    assert told.received == "row 4"


@pytest.mark.parametrize(("name", "plain"), [("vwc", 0.31), ("vwc_percent", 31)])
def test_percent_of_the_spreadsheet_is_percent_in_either_column(tmp_path, name, plain):
    rows = [["x", "y", name], [0, 0, 0.23], [1, 0, "27 %"], [2, 0, plain]]
    readings, findings = read_readings(workbook(tmp_path, ("a", rows), percent=("C2",)))
    assert by_place(readings) == {(0, 0): 0.23, (1, 0): 0.27, (2, 0): 0.31}
    assert codes(findings)["readings-percent"].received == "row 2, row 3"


def test_notes_commas_and_blanks_of_all_kinds(tmp_path):
    rows = [
        ["x", "y", "vwc_percent", "note"],
        [0, 0, "23,5 wet", "under the tree"],
        [1, 0, "n/a", None],
        [2, 0, "-", None],
        [None],
        [3, 0, "20-25", None],
        [4, 0, "21,0", None],
    ]
    readings, findings = read_readings(workbook(tmp_path, ("a", rows)))
    assert by_place(readings) == {(0, 0): 0.235, (4, 0): 0.21}
    assert readings["note"].tolist() == ["under the tree; wet", ""]
    assert codes(findings)["readings-note"].received == "row 2: wet"
    faults = [(f.text, f.received) for f in findings if f.grade == "fault"]
    assert faults == [
        ("vwc_percent is blank", "n/a"),
        ("vwc_percent is blank", "-"),
        ("vwc_percent is not a number", "20-25"),
    ]


def test_formulas_are_read_as_saved_and_told_where_nothing_was_saved(tmp_path):
    # openpyxl writes formulas without values; a value is put in as a spreadsheet program would save it.
    path = workbook(tmp_path, ("a", [["x", "y", "vwc"], [0, 0, 0.2], [1, 0, "=C2*1.5"]]))
    _, findings = read_readings(path)
    (fault,) = [f for f in findings if f.grade == "fault"]
    assert fault.text == "vwc holds a formula whose value was not saved"
    assert fault.do == "open the file in a spreadsheet program and save it again"
    _put_value(path, "C3", "0.3")
    readings, findings = read_readings(path)
    assert by_place(readings) == {(0, 0): 0.2, (1, 0): 0.3}
    assert codes(findings)["readings-formulas"].text.startswith("1 cells hold formulas")


def _put_value(path: Path, cell: str, value: str) -> None:
    import re  # noqa: PLC0415
    import zipfile  # noqa: PLC0415

    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    xml = parts[sheet].decode()
    parts[sheet] = re.sub(
        rf'(<c r="{cell}"[^>]*>\s*<f>[^<]*</f>)\s*<v\s*/?>(</v>)?', rf"\1<v>{value}</v>", xml
    ).encode()
    assert parts[sheet].decode() != xml
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def test_hidden_rows_and_cells_beside_the_table_are_told(tmp_path):
    rows = [["x", "y", "vwc"], [0, 0, 0.2], [1, 0, 0.25, None, "stone"], [2, 0, 0.3]]
    readings, findings = read_readings(workbook(tmp_path, ("a", rows), hidden=(4,)))
    assert len(readings) == 3
    told = codes(findings)
    assert told["readings-hidden"].received == "rows 4"
    assert told["readings-surplus"].received == "row 3: stone"


def test_dates_and_clocks_of_two_columns_make_one_time(tmp_path):
    rows = [
        ["x", "y", "vwc", "date", "time"],
        [0, 0, 0.2, dt.datetime(2031, 5, 14), dt.time(9, 30)],
        [1, 0, 0.2, None, dt.datetime(2031, 5, 14, 10)],
        [2, 0, 0.2, "2031-05-14", "11:00"],
        [3, 0, 0.2, dt.date(2031, 5, 14), None],
    ]
    readings, _ = read_readings(workbook(tmp_path, ("a", rows)))
    assert readings["time"].tolist() == ["2031-05-14T09:30:00", "2031-05-14T10:00:00", "2031-05-14T11:00", "2031-05-14"]


# Sheets

TABLE = [["x", "y", "vwc"], [0, 0, 0.2], [1, 0, 0.3]]


def test_one_of_several_sheets_is_named_and_not_guessed(tmp_path):
    path = workbook(tmp_path, ("dry", TABLE), ("wet", TABLE), ("sketch", [["a"]]))
    with pytest.raises(FormatError, match=r'several sheets hold readings, and none is named.*dry, wet.*sheet = "dry"'):
        read_readings(path)
    readings, findings = read_readings(path, options=ReadingOptions(sheet=("wet",)))
    assert len(readings) == 2
    assert codes(findings)["readings-sheets-left"].received == "dry, sketch"
    with pytest.raises(FormatError, match=r"there is no such sheet.*damp.*[Ss]heets here: dry, wet, sketch"):
        read_readings(path, options=ReadingOptions(sheet=("damp",)))
    with pytest.raises(FormatError, match="sheet 'sketch': there is no header row"):
        read_readings(path, options=ReadingOptions(sheet=("sketch",)))


def test_a_sheet_a_depth(tmp_path):
    path = workbook(tmp_path, ("10 cm", TABLE), ("20-40cm", TABLE))
    readings, findings = read_readings(path)
    assert readings["depth_m"].tolist() == [0.1, 0.1, pytest.approx(0.3), pytest.approx(0.3)]
    assert readings["depth_to_m"].tolist()[2:] == [0.4, 0.4]
    assert "sheet '10 cm' is taken for that depth where it has no column of depths" in {f.text for f in findings}
    with pytest.raises(FormatError, match=r"rows of several sheets cannot be excluded by number.*column use"):
        read_readings(path, options=ReadingOptions(exclude_rows=(2,)))


def test_a_text_file_has_no_sheets(tmp_path):
    with pytest.raises(FormatError, match="a text file has no sheets"):
        read_readings(text(tmp_path, "x,y,vwc\n0,0,0.2\n"), options=ReadingOptions(sheet=("a",)))


# Matrices


def matrix(corner):
    return [
        ["upper field"],
        [None],
        [corner, 0, 2.5, 5],
        [0, 0.20, 0.21, 0.22],
        [10, 0.30, None, "0.32 wet"],
        ["mean", 1],
    ]


def test_a_matrix_is_laid_out_like_the_ground(tmp_path):
    readings, findings = read_readings(workbook(tmp_path, ("a", matrix("vwc"))))
    assert by_place(readings) == {(0, 0): 0.2, (2.5, 0): 0.21, (5, 0): 0.22, (0, 10): 0.3, (5, 10): 0.32}
    told = codes(findings)
    assert told["readings-matrix"].text == (
        "read as a matrix of vwc: columns are x from 0 to 5 m, rows are y from 0 to 10 m"
    )
    assert 'matrix_rows = "x"' in told["readings-matrix"].do
    assert told["readings-matrix-rows"].received == "6"
    turned, _ = read_readings(workbook(tmp_path, ("a", matrix("vwc"))), options=ReadingOptions(matrix_rows="x"))
    assert by_place(turned)[(10, 5)] == 0.32


@pytest.mark.parametrize("corner", [None, "y / x"])
def test_a_matrix_needs_its_unit_declared(tmp_path, corner):
    path = workbook(tmp_path, ("a", matrix(corner)))
    with pytest.raises(FormatError, match="a matrix of readings whose unit nobody has declared.*corner cell"):
        read_readings(path)
    readings, _ = read_readings(path, options=ReadingOptions(unit="vwc"))
    assert len(readings) == 5
    with pytest.raises(FormatError, match="the corner cell says vwc, the settings say vwc_percent"):
        read_readings(workbook(tmp_path, ("a", matrix("vwc"))), options=ReadingOptions(unit="vwc_percent"))


def test_a_matrix_as_text_with_decimal_commas_and_north_at_the_top(tmp_path):
    readings, findings = read_readings(text(tmp_path, "vwc_percent;0;2,5\n10;20,5;21\n5;22;23\n"))
    assert by_place(readings) == {(0, 10): 0.205, (2.5, 10): 0.21, (0, 5): 0.22, (2.5, 5): 0.23}
    assert "rows are y from 10 to 5 m" in codes(findings)["readings-matrix"].text
    with pytest.raises(FormatError, match="two units are mixed"):
        read_readings(text(tmp_path, "vwc_percent,0,1,2\n0,0.2,0.21,0.22\n1,22,23,24\n"))


# What the numbers are


def test_water_by_mass_needs_a_bulk_density(tmp_path):
    path = text(tmp_path, "x,y,g_per_g,bulk_g_per_cm3\n0,0,0.15,1.4\n1,0,0.15,\n")
    with_default, _ = read_readings(path, options=ReadingOptions(bulk_g_per_cm3=1.2))
    assert by_place(with_default) == {(0, 0): 0.21, (1, 0): 0.18}
    assert with_default["written"].tolist() == [0.15, 0.15]
    without, findings = read_readings(path)
    assert by_place(without) == {(0, 0): 0.21}
    (fault,) = [f for f in findings if f.grade == "fault"]
    assert fault.text == "water by mass without the bulk density of the soil"
    percent, _ = read_readings(text(tmp_path, "x,y,g_per_g_percent,bulk_g_per_cm3\n0,0,15,1.4\n"))
    assert by_place(percent) == {(0, 0): 0.21}


def test_permittivity_and_what_the_probe_shows_need_a_conversion(tmp_path):
    path = text(tmp_path, "x,y,permittivity\n0,0,9\n1,0,16\n")
    root = ReadingOptions(relation=lambda eps: 0.1138 * np.sqrt(eps) - 0.1758)
    assert by_place(read_readings(path, options=root)[0]) == {(0, 0): 0.1656, (1, 0): 0.2794}
    with pytest.raises(
        FormatError, match=r"no usable reading.*nothing turns permittivity into water content.*calibration"
    ):
        read_readings(path)
    counts = text(tmp_path, "x,y,reading\n0,0,500\n1,0,600\n2,0,2000\n")
    with pytest.raises(FormatError, match="nothing turns reading into water content"):
        read_readings(counts)
    readings, findings = read_readings(counts, options=ReadingOptions(calibrate=lambda r: 0.001 * r - 0.3))
    assert by_place(readings) == {(0, 0): 0.2, (1, 0): 0.3}
    (fault,) = [f for f in findings if f.grade == "fault"]
    assert fault.received == "reading 2000, which makes 1.700 m³/m³"
    assert findings[-1].text == "2 readings, calibrated"
    with pytest.raises(FormatError, match="permittivity out of range.*median 300"):
        read_readings(text(tmp_path, "x,y,permittivity\n0,0,300\n"), options=root)


def test_a_value_that_a_relation_is_not_meant_for_is_a_fault_of_its_row(tmp_path):
    def refuses(eps):
        if (eps > 60).any():
            raise InputError("permittivity must lie between 2 and 60", received=f"{eps[0]:g}")
        return eps / 100

    _, findings = read_readings(
        text(tmp_path, "x,y,permittivity\n0,0,9\n1,0,70\n"), options=ReadingOptions(relation=refuses)
    )
    assert [f.text for f in findings if f.grade == "fault"] == ["permittivity must lie between 2 and 60"]


def test_readings_along_lines(tmp_path):
    def place(line, distance_m):
        if line != "L1":
            raise InputError(f"there is no line '{line}'", do="add it to lines.csv")
        return 10.0, distance_m

    path = text(tmp_path, "line,distance_m,vwc\nL1,0,0.2\nL1,1,0.21\nL9,0,0.2\n")
    readings, findings = read_readings(path, options=ReadingOptions(to_place=place))
    assert by_place(readings) == {(10, 0): 0.2, (10, 1): 0.21}
    assert readings[["line", "distance_m"]].to_numpy().tolist() == [["L1", 0.0], ["L1", 1.0]]
    assert [f.text for f in findings if f.grade == "fault"] == ["there is no line 'L9'"]
    with pytest.raises(FormatError, match="a reading along a line whose ends are not known"):
        read_readings(path)
    with pytest.raises(FormatError, match=r"there is no column 'distance_m'"):
        read_readings(text(tmp_path, "line,vwc\nL1,0.2\n"))
    both, findings = read_readings(text(tmp_path, "x,y,line,distance_m,vwc\n1,2,L1,7,0.2\n"))
    assert by_place(both) == {(1, 2): 0.2}
    assert (
        codes(findings)["readings-placed"].text == "readings are placed by x and y; line and distance_m are only kept"
    )


# What is left out, and what is refused


def test_rows_are_left_out_by_number_or_by_a_column_and_named(tmp_path):
    path = text(tmp_path, "x,y,vwc,use\n0,0,0.2,\n1,0,0.5,no\n2,0,0.2,yes\n3,0,0.2,\n")
    readings, findings = read_readings(path, options=ReadingOptions(exclude_rows=(5, 40)))
    assert readings["row"].tolist() == [2, 4]
    told = codes(findings)
    assert told["readings-excluded"].received == "rows 3, 5"
    assert told["readings-excluded-none"].received == "40"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("x,y,vwc,use\n0,0,0.2,maybe\n", "row 2: use must be yes or no.*maybe"),
        ("x,y,vwc,use\n0,0,0.2,x\n1,0,0.2,\n", "some rows say yes and the others nothing.*1 blank of 2.*[Ww]rite no"),
        (
            "x,y,vwc\n" + "".join(f"{i},0,0.2{i}\n" for i in range(6)) + "".join(f"{i},1,2{i}\n" for i in range(3)),
            "two units are mixed in one column.*0.2 in row 2, 20 in row 8; the fewer in rows 8, 9, 10",
        ),
        ("x,y,vwc_10cm,vwc_percent_10cm\n0,0,0.2,20\n", "both vwc and vwc_percent are given.*another depth"),
        ("x,y,vwc_10cm,vwc_10cm\n0,0,0.2,0.2\n", "two columns are named 'vwc_10cm'"),
        ("x,y,x,vwc\n0,0,0,0.2\n", "two columns are named 'x'"),
        ("x,y,vwc,vwc_30cm\n0,0,0.2,0.3\n", "one of several depths has no depth.*vwc_10cm"),
        ("x (ft),y,vwc\n0,0,0.2\n", "cannot be in 'ft'"),
        ("x;y;vwc\n0;0;0,2\n1;0;0.3\n", "decimal comma and decimal point are mixed"),
        ("", "the file is empty"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, content, message):
    with pytest.raises(FormatError, match=message):
        read_readings(text(tmp_path, content))


def test_one_fraction_among_percents_is_warned_of_by_row(tmp_path):
    rows = "".join(f"{i},0,{20 + i}\n" for i in range(9))
    _, findings = read_readings(text(tmp_path, f"x,y,vwc_percent\n{rows}9,0,0.24\n"))
    assert codes(findings)["readings-unit-slip"].received == "rows 11: 0.24 in row 11, 20 in row 2"
    _, findings = read_readings(text(tmp_path, "x,y,vwc_percent\n0,0,0.8\n1,0,0.9\n2,0,1.1\n3,0,1.6\n"))
    assert "readings-unit-slip" not in codes(findings)
