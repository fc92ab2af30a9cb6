"""`lines.csv`: layout detected, faults by row, the other rows still load."""

from __future__ import annotations

from pathlib import Path

import pytest

from yewline.errors import FormatError
from yewline.formats import read_lines_table

HEADER = "line,grid,file,first_trace,last_trace,x0,y0,x1,y1,note\n"


def _write(folder: Path, text: str | bytes) -> Path:
    path = folder / "lines.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


@pytest.mark.parametrize(
    ("separator", "comma", "told"),
    [
        (",", False, "comma separated"),
        (";", False, "semicolon separated"),
        ("\t", False, "tab separated"),
        (";", True, "semicolon separated, decimal comma"),
        ("\t", True, "tab separated, decimal comma"),
    ],
)
def test_every_layout_gives_the_same_segments(tmp_path, separator, comma, told):
    rows = [HEADER.strip().split(","), ["L1", "A", "a.sgy", "1", "200", "0.25", "0.5", "-20.5", "0.5", "wet"]]
    text = "\n".join(separator.join(row) for row in rows)
    if comma:
        text = text.replace(".25", ",25").replace(".5", ",5")
    segments, findings = read_lines_table(_write(tmp_path, text))
    (one,) = segments
    assert (one.line, one.grid, one.file, one.first_trace, one.last_trace) == ("L1", "A", "a.sgy", 1, 200)
    assert (one.x0, one.y0, one.x1, one.y1, one.note, one.row) == (0.25, 0.5, -20.5, 0.5, "wet", 2)
    assert [finding.text for finding in findings] == [told]


def test_quoted_decimal_commas_between_commas_are_understood(tmp_path):
    segments, findings = read_lines_table(_write(tmp_path, 'line,file,x0,y0,x1,y1\nL1,a,"0,5","0,0","9,5","0,0"\n'))
    assert (segments[0].x0, segments[0].x1) == (0.5, 9.5)
    assert findings[0].text == "comma separated, decimal comma"


@pytest.mark.parametrize("line_end", ["\r\n", "\r", "\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_marks_of_encoding_comments_and_line_ends_do_not_matter(tmp_path, line_end, encoding):
    text = line_end.join(["# by hand", "", "Line ; FILE;note", "L1;a.sgy;Grüße", "# no", "L2;b.sgy;"])
    segments, _ = read_lines_table(_write(tmp_path, text.encode(encoding)))
    assert [(s.line, s.row, s.note) for s in segments] == [("L1", 4, "Grüße"), ("L2", 6, "")]
    assert segments[0].x0 is None


def test_windows_text_is_read_and_reported(tmp_path):
    segments, findings = read_lines_table(_write(tmp_path, "line,file,note\nL1,a,Gr\xfc\xdfe\n".encode("latin-1")))
    assert segments[0].note == "Grüße"
    assert "Windows-1252" in findings[0].text
    assert findings[0].grade == "assumed"


def test_segments_of_one_line_follow_one_another(tmp_path):
    rows = "L1,,a,1,50,0,0,5,0,\nL1,,a,60,100,6,0,10,0,around a stone\nL2,,b,,,0,1,10,1,\n"
    segments, findings = read_lines_table(_write(tmp_path, HEADER + rows))
    assert [(s.line, s.first_trace, s.last_trace) for s in segments] == [
        ("L1", 1, 50),
        ("L1", 60, 100),
        ("L2", None, None),
    ]
    assert [f.grade for f in findings] == ["found"]


@pytest.mark.parametrize(
    ("row", "text", "received"),
    [
        ("L1,,other.sgy,,,0,3,9,3,", "line L1 is already the name of another file, in row 2", "other.sgy after a.sgy"),
        ("L1,,a.sgy,,,0,3,9,3,", "line L1 already has these traces, from row 2", "traces first to last"),
        ("L9,,b.sgy,,,4,3,4,3,", "the line has no length", "(4, 3)"),
        ("L9,,b.sgy,,,4,three,4,3,", "y0 is not a number", "three"),
        ("L9,,b.sgy,,,4,inf,4,3,", "y0 is not a number", "inf"),
        ("L9,,b.sgy,,,4,1_0,4,3,", "y0 is not a number", "1_0"),
        ("L9,,b.sgy,0,,4,1,4,3,", "first_trace is not a trace number", "0"),
        ("L9,,b.sgy,1.5,,4,1,4,3,", "first_trace is not a trace number", "1.5"),
        ("L9,,b.sgy,7,3,4,1,4,3,", "first_trace comes after last_trace", "7 to 3"),
        ("L9,,,,,4,1,4,3,", "no file is named", "an empty cell"),
        (",,b.sgy,,,4,1,4,3,", "the line has no name", "an empty cell"),
        ("L9,,b.sgy,,,4,1,,3,", "the ends of the line are partly empty", "only x0, y0, y1"),
        ("L9,,../b.sgy,,,4,1,4,3,", "the file lies outside the visit's folder of lines", "../b.sgy"),
        ("L9,,/b.sgy,,,4,1,4,3,", "the file lies outside the visit's folder of lines", "/b.sgy"),
        ("L9,,b.sgy,,,4,5,1,4,3,x,y", "the row has more cells than the header names", "12 cells for 10 columns"),
    ],
)
def test_a_bad_row_is_a_fault_and_the_others_load(tmp_path, row, text, received):
    path = _write(tmp_path, HEADER + "L1,,a.sgy,,,0,0,9,0,\n" + row + "\nL2,,c.sgy,,,0,1,9,1,\n")
    segments, findings = read_lines_table(path)
    assert [s.line for s in segments] == ["L1", "L2"]
    (fault,) = [f for f in findings if f.grade == "fault"]
    assert fault.text == text
    assert received in fault.received
    assert fault.where == f"{path}, row 3"
    assert fault.do


def test_a_table_without_rows_is_a_fault(tmp_path):
    segments, findings = read_lines_table(_write(tmp_path, HEADER))
    assert segments == []
    assert findings[-1].code == "lines-none"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01line,file\n", r"byte 0: not a text file \(received a zero byte\)"),
        (b"line,file,fisrt_trace\nL1,a,1\n", "unknown column 'fisrt_trace'.*Did you mean 'first_trace'"),
        (b"line,file,zebra\nL1,a,1\n", "unknown column 'zebra'.*Known columns: file, first_trace"),
        (b"line,fille\nL1,a\n", "there is no column 'file'.*Rename 'fille'"),
        (b"L1,a,0,0,1,1\n", "there is no column 'line'.*Name the columns"),
        (b"line,file,line\nL1,a,b\n", "two columns are named 'line'"),
        (
            b"line;file;x0;y0;x1;y1\nL1;a;0,5;0;2.5;0\n",
            "decimal comma and decimal point are mixed.*0,5 in row 2, 2.5 in row 2",
        ),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(tmp_path, content, message):
    with pytest.raises(FormatError, match=message):
        read_lines_table(_write(tmp_path, content))


def test_a_missing_table_is_refused(tmp_path):
    with pytest.raises(FormatError, match="file not found"):
        read_lines_table(tmp_path / "lines.csv")
    with pytest.raises(FormatError, match="cannot be opened"):
        read_lines_table(tmp_path)
