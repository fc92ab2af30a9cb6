"""What a run could not use must not pass in silence: visits, lines, burials, readings."""

from __future__ import annotations

from dataclasses import replace

import pytest

from yewline.model import Finding
from yewline.report.sentences import answer_lead, left_out_sentence, not_concluded, visits_words
from yewline.workspace.results import left_out_sentences


def lost(site, *findings, visits=()):
    return replace(site, findings=findings, left_out=visits)


def fault(code, text, **more):
    return Finding("fault", code, text, **more)


def test_nothing_left_out_needs_no_words(site):
    assert left_out_sentences(lost(site)) == ()
    assert left_out_sentence(lost(site)) == ""
    assert "left out" not in answer_lead(lost(site))
    assert visits_words(lost(site)) == "2 visits were made."


def test_a_visit_that_vanished_is_named_with_the_cause_at_the_root(site):
    one = replace(site, visits=site.visits[:1], comparisons=())
    result = lost(
        one,
        fault("visit-left-out", "no velocity", visit="wet"),
        fault("readings-left-out", "a value is not a number", visit="wet", received="'damp'"),
        visits=("wet",),
    )
    words = visits_words(result)
    assert words.startswith("2 visits were made, and 1 could be used. wet was left out because its moisture readings")
    assert words.endswith("a value is not a number (received 'damp').")
    assert "no velocity" not in words
    assert "in 1 of the 2 visits that were made (12 January 2030). wet was left out because" in answer_lead(result)
    assert any("only one visit could be used" in item for item in not_concluded(result))
    assert left_out_sentence(result) == ""


@pytest.mark.parametrize(
    ("findings", "cause"),
    [
        ([fault("visit-left-out", "no velocity", visit="wet")], "no velocity"),
        (
            [
                fault("visit-empty", "no line of this visit can be used", visit="wet"),
                fault("file-left-out", "the file is truncated", visit="wet", line="A1"),
                fault("file-left-out", "the file is truncated", visit="wet", line="A2"),
            ],
            "line A1: the file is truncated, and 1 more",
        ),
        ([], "nothing of it could be used"),
    ],
)
def test_the_cause_is_the_fault_that_came_first(site, findings, cause):
    assert left_out_sentences(lost(site, *findings, visits=("wet",))) == (f"wet was left out because {cause}.",)


def test_lines_are_counted_once_and_only_where_they_are_missing(site):
    name, used = site.visits[0].name, sum(len(visit.radargrams) for visit in site.visits)
    kept = next(iter(site.visits[0].radargrams))
    findings = (
        fault("file-left-out", "cut short", visit=name, line="X1"),
        fault("line-left-out", "cut short", visit=name, line="X1"),
        fault("segment", "a stretch is left out", visit=name, line=kept),
        fault("line-duplicate", f"line {kept} is already the name of another file", visit=name, line=kept),
    )
    assert left_out_sentences(lost(site, *findings)) == (f"2 of {used + 2} lines could not be used.",)


def test_burials_and_readings_outside_and_whole_files_are_named_calmly(site):
    findings = (
        fault("line-left-out", "cut short", visit=site.visits[0].name, line="X1"),
        Finding("warning", "burials-outside", "3 of 32 known burials lie outside the surveyed area"),
        Finding("warning", "readings-outside", "4 of 90 readings lie more than 1 m outside the surveyed area"),
        fault("opened-left-out", "an outline crosses itself", where="opened.geojson"),
        fault("file-without-row", "no row names this file", where="a"),
        fault("file-without-row", "no row names this file", where="b"),
    )
    used = sum(len(visit.radargrams) for visit in site.visits)
    assert left_out_sentences(lost(site, *findings)) == (
        f"1 of {used + 1} lines could not be used.",
        "3 of 32 known burials lie outside the surveyed area.",
        "4 of 90 readings lie more than 1 m outside the surveyed area.",
        "An outline crosses itself (opened.geojson).",
        "No row names this file (2 places).",
    )
    assert left_out_sentence(lost(site, *findings)) == (
        f"1 of {used + 1} lines could not be used; 3 of 32 known burials lie outside the surveyed area; 4 of 90 "
        "readings lie more than 1 m outside the surveyed area, and 2 other things."
    )
