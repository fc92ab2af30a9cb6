"""Delimited text: layouts, separators, decimal marks, units, and what is wrong with a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest

from yewline.errors import FormatError, InputError
from yewline.formats import TextOptions, read_text, write_text
from yewline.model import ReadHints, Recording

Save = Callable[[str], Path]


@pytest.fixture
def save(tmp_path: Path) -> Save:
    def keep(text: str, encoding: str = "utf-8") -> Path:
        path = tmp_path / "line.txt"
        path.write_bytes(text.encode(encoding))
        return path

    return keep


def codes_of(recording: Recording) -> list[str]:
    return [note.code for note in recording.notes]


def said(recording: Recording, code: str) -> str:
    return next(note.text for note in recording.notes if note.code == code)


EXPECTED = [[1.0, 2.5, -3.0], [4.0, 5.0, 6e-2]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time_ns,a,b\n0,1,4\n0.4,2.5,5\n0.8,-3,6e-2\n", "separator comma, decimal point, header row with 3 names"),
        ("time_ns;a;b\n0;1;4\n0,4;2,5;5\n0,8;-3;6e-2\n", "separator semicolon, decimal comma"),
        ("time_ns;a;b\n0;1;4\n0.4;2.5;5\n0.8;-3;6e-2\n", "separator semicolon, decimal point"),
        ("time_ns\ta\tb\n0\t1\t4\n0,4\t2,5\t5\n0,8\t-3\t6e-2\n", "separator tab, decimal comma"),
        ("time_ns a b\n0.0  1   4\n0.4  2.5 5\n0.8 -3   6.0D-02\n", "separator blanks, decimal point"),
        ("time_ns a b\r\n0,0  1   4\r\n0,4  2,5 5\r\n0,8 -3   0,06\r\n\r\n", "separator blanks, decimal comma"),
        ("\ufefftime_ns, a, b,\n0, 1, 4,\n0.4, 2.5, 5,\n0.8, -3, 0.06,\n", "separator comma, decimal point"),
    ],
)
def test_separators_and_decimal_marks(text: str, words: str, save: Save) -> None:
    got = read_text(save(text))
    npt.assert_array_equal(got.amplitude, np.array(EXPECTED, np.float32))
    assert got.amplitude.flags.c_contiguous
    assert said(got, "text-layout").startswith(words)
    assert got.interval_ns == pytest.approx(0.4, rel=1e-12)
    assert got.interval_source == "the column 'time_ns'"
    assert "times in the first column" in said(got, "text-orientation")


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_other_encodings(encoding: str, save: Callable[[str, str], Path]) -> None:
    got = read_text(save("# Friedhof Süd\ntime_ns,a\n0,1\n0.5,2\n", encoding))
    assert got.amplitude.tolist() == [[1.0, 2.0]]
    assert "text-encoding" in codes_of(got)


@pytest.mark.parametrize(
    ("name", "interval"),
    [("time_ns", 0.5), ("t [ps]", 0.5e-3), ("Time (us)", 500.0), ("twt_ns", 0.5), ("t_µs", 500.0), ("t", 0.5)],
)
def test_time_units_by_name(name: str, interval: float, save: Save) -> None:
    got = read_text(save(f"{name},a\n1.0,1\n1.5,2\n2.0,3\n"))
    assert got.interval_ns == pytest.approx(interval)
    assert got.delay_ns == pytest.approx(2 * interval)
    assert ("time-unit" in codes_of(got)) == (name == "t")


def test_declared_interval_beats_an_assumed_unit_not_a_named_one(save: Save) -> None:
    assumed = read_text(save("t,a\n0,1\n500,2\n1000,3\n"), ReadHints(interval_ns=0.5))
    assert assumed.interval_ns == 0.5
    assert "time-unit" not in codes_of(assumed)
    named = read_text(save("t_ns,a\n0,1\n0.4,2\n0.8,3\n"), ReadHints(interval_ns=0.5))
    assert named.interval_ns == pytest.approx(0.4)
    assert "interval-contradiction" in codes_of(named)


def test_times_rounded_in_print(save: Save) -> None:
    # A step of 0.4167 ns printed to a tenth: legal, and the report says how sharp the interval is.
    rows = "".join(f"{0.4167 * k:.1f},{k}\n" for k in range(8))
    got = read_text(save("time_ns,a\n" + rows))
    assert got.interval_ns == pytest.approx(0.4167, abs=0.1 / 7)
    assert "time-rounded" in codes_of(got)
    assert "time-rounded" not in codes_of(read_text(save("time_ns,a\n0,1\n0.4,2\n0.8,3\n")))


def test_bare_matrix(save: Save) -> None:
    got = read_text(save("1 4\n2.5 5\n-3 0.06\n"))
    npt.assert_array_equal(got.amplitude, np.array(EXPECTED, np.float32))
    assert got.interval_ns is None
    assert "interval-unknown" in codes_of(got)
    assert read_text(save("1 4\n2.5 5\n-3 0.06\n"), ReadHints(interval_ns=0.3)).interval_ns == 0.3
    evenly = read_text(save("0 1 4\n0.4 2.5 5\n0.8 -3 0.06\n"))
    npt.assert_array_equal(evenly.amplitude, np.array(EXPECTED, np.float32))
    assert evenly.interval_source == "the first column, which steps evenly"
    assert "time-unit" in codes_of(evenly)


@pytest.mark.parametrize(
    "text",
    [
        "# rows = traces\n# interval_ns = 0.4\n1 2.5 -3\n4 5 0.06\n",
        "% Rows: Traces\n% interval_ns: 0,4\n1 2,5 -3\n4 5 0,06\n",
        "trace,0.0,0.4,0.8\n1,1,2.5,-3\n2,4,5,0.06\n",
        "line;0,0 ns;0,4 ns;0,8 ns\nA 1;1;2,5;-3\nB;4;5;0,06\n",
    ],
)
def test_rows_as_traces(text: str, save: Save) -> None:
    got = read_text(save(text))
    npt.assert_array_equal(got.amplitude, np.array(EXPECTED, np.float32))
    assert got.interval_ns == pytest.approx(0.4)
    if text.startswith("line"):
        assert got.line is not None
        assert got.line.tolist() == ["A 1", "B"]
        assert "time-unit" not in codes_of(got)


def test_long_rows(save: Save) -> None:
    head = "x,y,t,amplitude\n"
    rows = "0,0,0,1\n0,0,0.5,2\n0.1,0,0,3\n0.1,0,0.5,4\n0.1,1,0,5\n0.1,1,0.5,6\n"
    for text, grade in ((head + rows, "found"), (rows, "assumed")):
        got = read_text(save(text))
        assert got.amplitude.tolist() == [[1, 2], [3, 4], [5, 6]]
        assert got.x is not None
        assert got.y is not None
        assert (got.x.tolist(), got.y.tolist()) == ([0.0, 0.1, 0.1], [0.0, 0.0, 1.0])
        assert got.interval_ns == pytest.approx(0.5)
        assert [note.grade for note in got.notes if note.code == "text-orientation"] == [grade]


def test_long_rows_with_lines_in_another_order_of_columns(save: Save) -> None:
    text = "Line;Amp;Time_ps;Y;X\nB;1;0;2,5;0\nB;2;400;2,5;0\nA 1;3;0;2,5;0\nA 1;4;400;2,5;0\n"
    got = read_text(save(text))
    assert got.amplitude.tolist() == [[1, 2], [3, 4]]
    assert got.line is not None
    assert got.line.tolist() == ["B", "A 1"]
    assert got.interval_ns == pytest.approx(0.4)


def test_traces_at_one_place_are_parted_where_time_falls_back(save: Save) -> None:
    got = read_text(save("x,y,t_ns,amplitude\n0,0,0,1\n0,0,1,2\n0,0,0,3\n0,0,1,4\n"))
    assert got.amplitude.tolist() == [[1, 2], [3, 4]]


def test_missing_and_infinite_samples_are_kept_and_reported(save: Save) -> None:
    got = read_text(save("time_ns,a,b\n0,1,\n0.4,inf,5\n0.8,-3,NA\n"))
    npt.assert_array_equal(got.amplitude, np.array([[1, np.inf, -3], [np.nan, 5, np.nan]], np.float32))
    note = next(note for note in got.notes if note.code == "not-finite")
    assert note.received == "3 samples: trace 1 sample 2, trace 2 sample 1, trace 2 sample 3"


# --- writer ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("delay", [0, 2000])
def test_long_rows_with_other_times_are_refused_however_late_they_begin(delay: int, save: Save) -> None:
    rows = [(0, delay, 1), (0, delay + 0.5, 2), (1, delay, 3), (1, delay + 0.4, 4)]
    path = save("x,y,t,amplitude\n" + "".join(f"{x},0,{t},{a}\n" for x, t, a in rows))
    with pytest.raises(FormatError, match="row 5.*traces have different times"):
        read_text(path)


def test_long_rows_of_one_sample_give_no_interval(save: Save) -> None:
    with pytest.raises(FormatError, match="one sample a trace gives no sample interval"):
        read_text(save("x,y,t,amplitude\n0,0,5,1\n1,0,5,2\n"))


@pytest.mark.parametrize("layout", ["matrix", "long"])
@pytest.mark.parametrize(("separator", "decimal_comma"), [(",", False), (";", True), ("\t", False), ("\t", True)])
def test_writer(tmp_path: Path, layout: str, separator: str, decimal_comma: bool) -> None:
    rng = np.random.default_rng(3)
    amplitude = rng.normal(size=(4, 6)).astype(np.float32)
    amplitude[1, 2], amplitude[2, 0] = np.nan, -np.inf
    x, y = [0.0, 0.0, 1.25, 1.25], [5.5, 5.5, 5.5, 5.5]
    write_text(
        tmp_path / "a.csv", amplitude, interval_ns=0.41667, x=x, y=y, line=["A 1", "A 1", "B", "B"], delay_ns=-2.5,
        options=TextOptions(layout, separator, decimal_comma),
    )  # fmt: skip
    got = read_text(tmp_path / "a.csv")
    npt.assert_array_equal(got.amplitude, amplitude)
    assert (got.interval_ns, got.delay_ns) == (0.41667, -2.5)
    assert got.x is not None
    assert got.y is not None
    assert (got.x.tolist(), got.y.tolist()) == (x, y)
    assert got.line is not None
    assert got.line.tolist() == ["A 1", "A 1", "B", "B"]


def test_matrix_against_numpy(tmp_path: Path) -> None:
    amplitude = np.arange(12, dtype=np.float32).reshape(3, 4) / 7
    write_text(tmp_path / "a.csv", amplitude, interval_ns=0.5)
    theirs = np.loadtxt(tmp_path / "a.csv", delimiter=",", skiprows=5, comments="#")
    npt.assert_array_equal(theirs[:, 1:].T.astype(np.float32), amplitude)
    npt.assert_allclose(theirs[:, 0], [0.0, 0.5, 1.0, 1.5])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"options": TextOptions("diagonal")}, "layout must be one of matrix, long"),
        ({"options": TextOptions(separator="|")}, "separator must be one of"),
        ({"options": TextOptions(decimal_comma=True)}, "separator and decimal mark are both a comma"),
        ({"options": TextOptions("long")}, "the long layout needs x and y"),
        ({"line": ["A,B"]}, "a line label cannot stand in this text file"),
    ],
)
def test_writer_refuses(tmp_path: Path, change: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        write_text(tmp_path / "a.csv", [[1.0]], interval_ns=0.5, **change)


# --- faults ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time_ns,a\n0,1\n0.4,\x00\n", r"byte 18: not a text file: it holds binary bytes \(received 0x00\)"),
        ("# only a remark\n", "no traces: the text holds no numbers"),
        ("time_ns,a\n", "no traces: a header row and no rows of numbers"),
        ("x,y,t,amplitude\n# nothing\n", "no traces: a header row"),
        ("some words only\nand more words\n", "no numbers found in the text"),
        (
            "time_ns,a,b\n0,1,2\n0.4,1\n",
            r"row 3 \(byte 18\): a row has another number of cells.*received 2 cells where 3",
        ),
        ("time_ns,a,b\n0,1,2\n0.4,1,x\n0.8,1,2\n", r"row 3 \(byte 18\): a cell is not a number \(received 'x'\)"),
        ("time_ns,a\n0,1\n0.4,1\n0.8,1\n2.0,1\n", "times do not step evenly upward .received 0.8 as time 3"),
        ("time_ns,a\n0,1\n", "one sample a trace gives no sample interval"),
        ("# rows = sideways\n1,2\n3,4\n", "'rows' must be samples or traces"),
        ("# interval_ns = soon\n1,2\n3,4\n", "declared interval_ns is not a number"),
        ("# interval_ns = 0\n1,2\n3,4\n", "must be greater than zero"),
        (
            "# traces = 3\ntime_ns,a,b\n0,1,2\n0.4,1,2\n",
            "trace count differs from the header.*2 traces where the header says 3",
        ),
        (
            "# samples = 9\ntime_ns,a\n0,1\n0.4,1\n",
            r"row 4 \(byte 28\): the sample count differs from the header \(received 2",
        ),
        ("# x = 1,2\n# interval_ns = 1\na,b,c\n1,2,3\n4,5,6\n", "declared x must have one value for each trace"),
        ("# x = 1,here,3\n# interval_ns = 1\na,b,c\n1,2,3\n4,5,6\n", "declared x is not a number"),
        ("x,y,t,amplitude\n0,0,0,1\n0,0,1,2\n1,0,0,3\n", r"row 4 \(byte 32\): the sample count differs between traces"),
        ("x,y,t,amplitude\n0,0,0,1\n0,0,1,2\n1,0,0,3\n1,0,2,4\n", r"row 5.*traces have different times \(received 2"),
    ],
)
def test_faults(text: str, message: str, save: Save) -> None:
    with pytest.raises(FormatError, match=message):
        read_text(save(text))


def test_half_a_utf_16_character(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_bytes(b"\xff\xfe1\x00,")
    with pytest.raises(FormatError, match="not a text file"):
        read_text(tmp_path / "a.txt")
