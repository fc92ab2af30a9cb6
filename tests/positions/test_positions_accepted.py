"""Corrections that a person accepts: the table of lines as it would read had it been kept right."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import LineCorrection, LineSegment, make_radargram
from yewline.positions import (
    FieldCheck,
    OrderFault,
    amend_rows,
    check_field,
    correct_zigzag,
    correction_toml,
    lines_corrected,
    propose_corrections,
    undo_zigzag,
    zigzag_of,
)


def row(line: str, file: str, *ends: float, first: int | None = None, last: int | None = None) -> LineSegment:
    return LineSegment(
        line=line,
        file=file,
        first_trace=first,
        last_trace=last,
        **dict(zip(("x0", "y0", "x1", "y1"), ends, strict=True)),
    )


ROWS = [
    row("A1", "a.sgy", 0, 0, 0, 9),
    row("A2", "b.sgy", 1, 9, 1, 0, first=5, last=90),
    row("B1", "c.sgy", 0, 0, 4, 0),
]


def test_swapped_lines_change_recordings_and_keep_their_places():
    rows, said = amend_rows(ROWS, [LineCorrection(kind="swapped", lines=("A1", "A2"))])
    assert [(r.line, r.file, r.first_trace, r.last_trace, r.x0, r.y0) for r in rows[:2]] == [
        ("A1", "b.sgy", 5, 90, 0, 0),
        ("A2", "a.sgy", None, None, 1, 9),
    ]
    assert rows[2] == ROWS[2]
    assert [(f.grade, f.line) for f in said] == [("found", "A1"), ("found", "A2")]
    # Done twice it is undone.
    again, _ = amend_rows(rows, [LineCorrection(kind="swapped", lines=("A2", "A1"))])
    assert again == ROWS


def test_a_line_turned_round_keeps_its_traces_and_turns_its_segments():
    segments = [row("A1", "a.sgy", 0, 0, 0, 4, first=1, last=40), row("A1", "a.sgy", 0, 6, 0, 9, first=41, last=70)]
    rows, _ = amend_rows(segments, [LineCorrection(kind="reversed", lines=("A1",))])
    assert [(r.first_trace, r.last_trace, r.y0, r.y1) for r in rows] == [(1, 40, 9, 6), (41, 70, 4, 0)]
    assert amend_rows(rows, [LineCorrection(kind="reversed", lines=("A1",))])[0] == segments


def test_lines_left_out_are_gone_and_said():
    rows, said = amend_rows(ROWS, [LineCorrection(kind="left-out", lines=("A*",), reason="walked twice")])
    assert [r.line for r in rows] == ["B1"]
    assert [f.text for f in said] == ["accepted: left out (walked twice)"] * 2


@pytest.mark.parametrize(
    ("correction", "rows", "said"),
    [
        (LineCorrection(kind="left-out", lines=("C9",)), ROWS, "names lines that are not there"),
        (LineCorrection(kind="swapped", lines=("A1", "C9")), ROWS, "names lines that are not there"),
        (
            LineCorrection(kind="reversed", lines=("A1",)),
            [LineSegment(line="A1", file="a")],
            "does not say where it lies",
        ),
        (
            LineCorrection(kind="swapped", lines=("A1", "B1")),
            [*ROWS[:1], ROWS[1].model_copy(update={"line": "A1", "file": "a.sgy"}), ROWS[2]],
            "cannot swap A1 and B1",
        ),
    ],
)
def test_what_cannot_be_applied_is_a_fault_and_changes_nothing(correction, rows, said):
    left, findings = amend_rows(rows, [correction])
    assert left == list(rows)
    assert any(said in f.text and f.grade == "fault" and f.do for f in findings)


def test_patterns_name_many_lines():
    zigzag = LineCorrection(kind="zigzag", lines=("A?",), offset_m=0.1)
    assert lines_corrected(zigzag, ["A1", "A10", "B1"]) == ["A1"]
    assert zigzag_of("A1", [zigzag]) == [zigzag]
    assert zigzag_of("A10", [zigzag]) == []


@pytest.mark.parametrize("slope", [0.0, 0.004])
@pytest.mark.parametrize("forth", [True, False])
def test_undoing_a_zigzag_puts_traces_where_they_were(slope, forth):
    """Placed ahead by a + b·s along the direction of walking, as the notes of `estimate_zigzag` define it."""
    axis = np.array([np.sin(0.3), np.cos(0.3)])
    s = np.linspace(0.0, 20.0, 101)[:: 1 if forth else -1]
    put = s + (1 if forth else -1) * (0.2 + slope * (s - 10.0))
    line = make_radargram(
        np.zeros((101, 4)), interval_ns=0.5, x=put * axis[0], y=put * axis[1], sigma_xy=0.03, attrs={"line": "L"}
    )
    back = undo_zigzag(line, offset_m=0.2, slope_m_per_m=slope, middle_m=10.0, axis=tuple(axis), sigma_m=0.04)
    found = back["x"].values * axis[0] + back["y"].values * axis[1]
    # The slope is read where traces were put, not where they were: second order in it.
    assert np.abs(found - s).max() <= slope * (0.2 + slope * 10) + 1e-12
    np.testing.assert_allclose(back["sigma_xy"].values, 0.05)
    np.testing.assert_array_equal(line["x"].values, put * axis[0])


def test_a_line_without_direction_cannot_be_moved_back():
    line = make_radargram(np.zeros((2, 4)), interval_ns=0.5, x=[1, 1], y=[2, 2], attrs={"line": "L9"})
    with pytest.raises(InputError, match="L9.*no direction"):
        undo_zigzag(line, offset_m=0.1)


def test_what_a_check_proposes_can_be_pasted_and_puts_the_survey_right(survey, ground):
    """A planted zigzag of 0.2 m and a line turned round: proposed as TOML, read back, applied, and gone."""
    lines = survey(ground(3), seed=3, zigzag_m=0.2)
    lines["L06"] = lines["L06"].copy(data=lines["L06"].values[::-1])
    first = check_field(lines, visit="day")
    proposed = propose_corrections(first)
    text = "\n\n".join(correction_toml(each) for each in proposed)
    read = [LineCorrection(**each) for each in tomllib.loads(text)["corrections"]]
    assert read == list(proposed)
    assert sorted(each.kind for each in read) == ["reversed", "zigzag"]
    zigzag, turned = sorted(read, key=lambda each: each.kind, reverse=True)
    assert turned.lines == ("L06",)
    assert zigzag.offset_m == pytest.approx(0.2, abs=0.03)
    assert zigzag.offset_m is not None
    moved = {
        name: undo_zigzag(
            line,
            offset_m=zigzag.offset_m,
            slope_m_per_m=zigzag.slope_m_per_m,
            middle_m=zigzag.middle_m,
            axis=zigzag.axis,
            sigma_m=zigzag.sigma_m,
        )
        for name, line in lines.items()
    }
    # The same as the estimate itself does, to the digits that are printed.
    same = correct_zigzag(lines["L03"], first.images[0], first.zigzag[0])
    assert np.abs(same["x"].values - moved["L03"]["x"].values).max() < 0.001
    moved["L06"] = moved["L06"].copy(data=moved["L06"].values[::-1])
    left = check_field(moved, visit="day")
    assert propose_corrections(left) == ()


def test_a_moved_line_is_not_proposed_for_where_it_lay_has_to_be_remembered():
    fault = OrderFault("moved", "L04", "L08, L09", 12.0, 0.1, 0.6, -1.0)
    check = FieldCheck((), (), (), (fault,), (), (), (), {}, {})
    assert propose_corrections(check) == ()
