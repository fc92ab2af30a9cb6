"""Hyperbolas of people's own: in the journal with who and when, changed, undone, taken back."""

from __future__ import annotations

import pytest

from yewline.errors import InputError
from yewline.marks import append_act, draw_velocity, drawn_velocities, read_journal, remove_velocity, undo
from yewline.marks.journal import Act
from yewline.signal.velocity import FitOptions, HyperbolaFit, draw_hyperbola

FIT = {"x_m": 4.0, "t0_ns": 20.0, "v_m_per_ns": 0.1}


def held(path, visit="spring"):
    return drawn_velocities(read_journal(path)[0], visit)


def test_a_fit_comes_back_the_same_from_the_journal(tmp_path):
    path = tmp_path / "marks" / "journal.jsonl"
    drawn = draw_hyperbola(
        3.2, 21.0, 0.085, leg_m=1.0, reading_sigma_ns=0.6, options=FitOptions(separation_m=0.2), line="L3"
    )
    draw_velocity(path, "V1", drawn.to_dict(), visit="spring", line="L3", who="A. Surveyor", when="2031-05-02T10:00")
    (mark,) = held(path)
    assert HyperbolaFit.from_dict(mark.fit) == drawn
    assert (mark.name, mark.visit, mark.line, mark.who, mark.when) == (
        "V1",
        "spring",
        "L3",
        "A. Surveyor",
        "2031-05-02T10:00",
    )
    assert held(path, "autumn") == []


def test_the_last_fit_counts_and_undo_brings_back_the_one_before_with_its_author(tmp_path):
    path = tmp_path / "journal.jsonl"
    draw_velocity(path, "V1", FIT, visit="spring", line="L3", who="first")
    draw_velocity(path, "V1", {**FIT, "v_m_per_ns": 0.12}, visit="spring", line="L3", who="second")
    assert [(m.fit["v_m_per_ns"], m.who) for m in held(path)] == [(0.12, "second")]
    undo(path)
    assert [(m.fit["v_m_per_ns"], m.who) for m in held(path)] == [(0.1, "first")]
    remove_velocity(path, "V1", who="third")
    assert held(path) == []
    undo(path)
    assert len(held(path)) == 1


@pytest.mark.parametrize(
    ("fit", "told"),
    [
        ({}, r"x_m of a hyperbola must be a finite number \(received None\)"),
        ({**FIT, "t0_ns": 0.0}, "t0_ns of a hyperbola must be greater than zero"),
        ({**FIT, "v_m_per_ns": float("nan")}, "v_m_per_ns of a hyperbola must be a finite number"),
        ({**FIT, "x_m": True}, "x_m of a hyperbola must be a finite number"),
    ],
)
def test_what_is_no_hyperbola_is_not_written(tmp_path, fit, told):
    path = tmp_path / "journal.jsonl"
    with pytest.raises(InputError, match=told):
        draw_velocity(path, "V1", fit, visit="spring", line="L3")
    assert not path.exists()


def test_a_hyperbola_needs_its_line_and_a_name_that_is_there(tmp_path):
    path = tmp_path / "journal.jsonl"
    with pytest.raises(InputError, match="belongs to a line of a visit"):
        draw_velocity(path, "V1", FIT, visit="spring", line="")
    draw_velocity(path, "V1", FIT, visit="spring", line="L3")
    with pytest.raises(InputError, match=r"no drawn hyperbola 'V2' \(received V1\)"):
        remove_velocity(path, "V2")


def test_an_entry_of_another_shape_is_passed_over(tmp_path):
    path = tmp_path / "journal.jsonl"
    append_act(path, Act("put", "velocities", "odd", {"visit": "spring", "fit": [1, 2]}))
    draw_velocity(path, "V1", FIT, visit="spring", line="L3")
    assert [mark.name for mark in held(path)] == ["V1"]
