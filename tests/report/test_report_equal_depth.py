"""Depths of known burials on the page, beside chance, and what is said where none is known."""

from __future__ import annotations

import re
from dataclasses import replace

from yewline.report.known_depths import known_depths
from yewline.report.page import render_report


def section_of(page: str) -> str:
    found = re.search(r'<section id="equal-depth".*?</section>', page, re.DOTALL)
    assert found is not None
    return found[0]


def test_known_depths_stand_beside_chance_and_mark_what_holds(site):
    section = known_depths(site)
    table = section["known_table"]
    by_head = {row[0].text: row[1:] for row in table.rows}
    for cell, visit in zip(by_head["Off the top"], site.visits, strict=True):
        assert cell.text == f"{visit.depth_check.every.mean_m:.2f} m"
    for cell, visit in zip(by_head["Error"], site.visits, strict=True):
        assert cell.text == f"{visit.depth_check.every.rms_m:.2f} m (0.31 m; p = 0.010)"
    assert by_head["Intervals that hold the top"][0].note == "by chance 22 %"
    rows = section["depth_burials"].rows
    assert len(rows) == 24
    assert rows[3][2].note.startswith("strongest at an end")
    for row, held in zip(rows, site.visits[0].depth_check.table["holds_top"], strict=True):
        assert (row[2].kind == "yes") == held
    assert "no independent finding" in section["known_words"]
    assert "1 on" in section["known_words"]


def test_depths_that_the_velocity_rests_on_are_said_to_be_seen(site):
    visits = tuple(
        replace(visit, depth_check=replace(visit.depth_check, rests_on_depths=True)) for visit in site.visits
    )
    assert "has seen the answer" in known_depths(replace(site, visits=visits))["known_words"]


def test_without_excavated_depths_it_says_so(synthetic):
    text = section_of(render_report(synthetic.make_site(2, 1, known=False)))
    assert "No known burial has an excavated depth" in text
    assert "Burial by burial" not in text


def test_burials_and_errors_are_shown_without_anything_to_compare(synthetic):
    text = section_of(render_report(synthetic.make_site(1, 1)))
    assert "With one visit there is nothing to cut at equal depth" in text
    assert "Error of depth" in text
    assert "How deep silence counts" in text
