"""The ledger: rows and files compared, copies found, trace counts held against lengths."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import LineSegment
from yewline.positions import check_ledger, find_copied_data, trace_count_check


def _row(line, file, row=2, **fields):
    return LineSegment(line=line, file=file, row=row, **fields)


def _told(findings):
    return [(f.grade, f.code, f.where, f.do) for f in findings]


def test_a_ledger_that_agrees_says_nothing():
    rows = [_row("L1", "a.sgy"), _row("L2", "sub\\b.sgy", 3)]
    assert check_ledger(rows, ["a.sgy", "sub/b.sgy"], sha256={"a.sgy": "1", "sub/b.sgy": "2"}) == []


def test_rows_without_file_and_files_without_row():
    rows = [_row("L1", "a.sgy"), _row("L2", "line02.SGY", 3), _row("L3", "zzz", 4)]
    findings = check_ledger(rows, ["a.sgy", "line02.sgy", "line02.toml", "extra.dat"])
    assert _told(findings) == [
        ("fault", "row-without-file", "lines.csv, row 3", "did you mean 'line02.sgy'?"),
        ("fault", "row-without-file", "lines.csv, row 4", "put the file there, or remove the row"),
        ("fault", "file-without-row", "extra.dat", "add a row to lines.csv, or move the file away"),
        ("fault", "file-without-row", "line02.sgy", "add a row to lines.csv, or move the file away"),
    ]
    assert findings[0].text == "the file of line L2 is not there"
    assert findings[0].received == "line02.SGY"


def test_one_name_for_two_files():
    (finding,) = check_ledger([_row("L1", "a"), _row("L1", "b", 5)], ["a", "b"])
    assert finding.code == "line-duplicate"
    assert finding.received == "b after a"
    assert finding.where == "lines.csv, row 5"


def test_one_stretch_of_a_file_under_two_names():
    whole = [_row("L1", "a"), _row("L2", "a", 3)]
    (finding,) = check_ledger(whole, ["a"])
    assert finding.text == "the same traces of a file are line L1 and line L2"
    assert check_ledger(whole, ["a"], labelled=["a"]) == []
    parts = [_row("L1", "a", first_trace=1, last_trace=50), _row("L2", "a", 3, first_trace=51), _row("L1", "a", 4)]
    # Row 4 gives all of the file to L1 again: that is L2's stretch.
    assert [f.where for f in check_ledger(parts, ["a"])] == ["lines.csv, row 4"]
    assert check_ledger(parts[:2], ["a"]) == []


def test_two_files_of_the_same_content():
    rows = [_row("L1", "a"), _row("L2", "b", 3)]
    (finding,) = check_ledger(rows, ["a", "b"], sha256={"b": "c0ffee", "a": "c0ffee"})
    assert finding.text == "the content is that of a, byte for byte"
    assert (finding.where, finding.line) == ("b", "L2")


def _lines(rng, n=12, shape=(300, 200)):
    """Unlike lines under a strong common direct wave, neighbours alike as over a drain that all of them cross."""
    common = 50 * np.exp(-np.arange(shape[1]) / 15.0) * np.cos(np.arange(shape[1]) / 4.0)
    shared = rng.normal(size=shape)
    return {f"L{i}": (common + 1.5 * shared + rng.normal(size=shape)).astype(np.float32) for i in range(n)}


def test_copies_are_found_and_neighbours_left_in_peace():
    alarms = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        lines = _lines(rng)
        alarms += len(find_copied_data(lines))
        lines["C"] = lines["L3"].copy()
        lines["R"] = 0.5 * lines["L5"][::-1]
        lines["N"] = lines["L7"] + rng.normal(0, 0.02, lines["L7"].shape).astype(np.float32)
        found = [(f.line, f.text) for f in find_copied_data(lines)]
        assert found == [
            ("C", "the samples are those of line L3"),
            ("R", "the samples are those of line L5, turned round"),
            ("N", "the samples are those of line L7"),
        ]
    assert alarms == 0


def test_blank_lines_and_other_shapes_are_no_copies():
    rng = np.random.default_rng(1)
    lines = {
        "a": np.zeros((20, 30)),
        "b": np.zeros((20, 30)),
        "c": rng.normal(size=(20, 31)),
        "d": np.full((20, 30), np.nan),
    }
    assert find_copied_data(lines) == []
    assert find_copied_data({}) == []


def test_trace_counts_follow_the_lengths():
    rng = np.random.default_rng(3)
    alarms = 0
    for _ in range(200):
        length = rng.uniform(2, 30, 20)
        # A measuring wheel errs by 1 % (common practice, no source), and traces are whole.
        count = np.round(length * (1 + rng.normal(0, 0.01, 20)) / 0.05).astype(int) + 1
        alarms += bool(
            trace_count_check({f"L{i}": (float(m), int(n)) for i, (m, n) in enumerate(zip(length, count, strict=True))})
        )
    assert alarms / 200 < 0.05
    lines = {f"L{i}": (10.0, 201) for i in range(5)}
    (few,) = trace_count_check({**lines, "X": (10.0, 180)})
    assert (few.line, few.received) == ("X", "180 traces on 10 m, expected 201")
    assert few.text.startswith("fewer")
    (many,) = trace_count_check({**lines, "X": (10.0, 240)})
    assert many.text.startswith("more")
    assert trace_count_check({**lines, "X": (10.0, 180)}, tolerance=0.2) == []


def test_too_few_lines_tell_nothing():
    assert trace_count_check({"a": (10.0, 201), "b": (10.0, 101), "c": (0.0, 5), "d": (3.0, 1)}) == []
    with pytest.raises(InputError, match="tolerance must lie between 0 and 1"):
        trace_count_check({}, tolerance=2.0)
