"""Velocity by several ways on the page: sentences, intervals, table, hyperbolas on one line; and in the figures."""

from __future__ import annotations

import copy
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from matplotlib import rc_context

from yewline.export import result_tables
from yewline.ground import SourceCheck
from yewline.report import render_report
from yewline.report.palette import STYLE
from yewline.report.velocities import (
    hyperbola_example,
    source_name,
    velocities,
    velocity_limits,
    velocity_plot,
    velocity_sentence,
)
from yewline.workspace.results import run_schema
from yewline.workspace.velocities import VelocityJoin


def with_velocities(site, held):
    return replace(site, visits=(replace(site.visits[0], velocities=held), *site.visits[1:]))


def test_the_sentence_says_what_is_used_and_whether_the_others_agree(site, synthetic):
    held = site.visits[0].velocities
    agreed = velocity_sentence(held)
    assert agreed.startswith("Depths rest on 0.112 m/ns (0.100 to 0.124) down to 1.50 m, readings.")
    assert "The 2 sources agree within their errors" in agreed
    apart = velocity_sentence(synthetic.make_velocities(0.112, "L01", off=0.75))
    assert "The 2 sources differ by more than their errors explain" in apart
    assert "moisture and hyperbolas, by 0.028 m/ns" in apart
    alone = replace(held, sources=held.sources[:1], comparison=None)
    assert velocity_sentence(alone).endswith("Nothing else tells the velocity, so nothing checks it.")
    checks = (SourceCheck("moisture", 40, 0.112, 0.006, 0.04, 0.05), SourceCheck("focus", 1, 0.11, 0.002, -0.03, 0.05))
    joined = replace(held, join=VelocityJoin(checks, 2.5, 0.06, 0.88, (0.21, 0.02), "Topp et al. 1980"))
    told = velocity_sentence(joined)
    assert "Furthest off: moisture readings, 4 % faster than the others say (± 8 %, 90 %)." in told
    assert "the errors that each shares were multiplied by 2.5" in told
    assert "predicted to 6 % (rms), 88 in 100 within their 90 % interval" in told
    assert "would mean 0.21 ± 0.03 m³/m³ of water (90 %, Topp et al. 1980): no check of the depths" in told
    assert velocity_sentence(replace(held, used=None)).startswith("The error of the velocity that depths rest on")


def test_each_source_has_its_interval_where_it_belongs(site):
    visit = site.visits[0]
    held = visit.velocities
    limits = velocity_limits([held])
    with rc_context(STYLE):
        (axes,) = velocity_plot(visit, held, limits=limits).axes
    bars = [line for line in axes.lines if len(line.get_xdata()) == 2 and len(set(line.get_ydata())) == 1]
    # Rows are drawn from below: the used source stands on top.
    drawn = {round(line.get_ydata()[0]): line.get_xdata() for line in bars}
    for row, source in enumerate(reversed(held.sources)):
        np.testing.assert_allclose(drawn[row], source.interval)
    words = [text.get_text() for text in axes.texts]
    assert {"Moisture readings", "used for depths", "Ground wave of gather cmp1", "shown only", "0.112"} <= set(words)
    # Student's t at nine degrees of freedom: 2.262 (any table of its quantiles).
    low, high = held.sources[1].interval
    assert (high - low) / 2 == pytest.approx(2.262 * 0.003, rel=1e-3)


def test_limits_hold_all_intervals_but_no_velocity_that_ground_cannot_have(site):
    held = site.visits[0].velocities
    wide = replace(held.sources[1], estimate=replace(held.sources[1].estimate, sigma_m_per_ns=0.2))
    low, high = velocity_limits([replace(held, sources=(*held.sources, wide))])
    assert 0.0 < low <= 0.03
    assert 0.30 <= high < 0.33
    assert velocity_limits([]) == (0.03, 0.3)
    assert velocity_plot(site.visits[0], replace(held, sources=()), limits=(0.0, 0.3)) is None


def test_the_table_says_what_another_velocity_would_do_to_a_depth(site, synthetic):
    result = with_velocities(site, synthetic.make_velocities(0.1, "L01", off=0.9))
    table = velocities(result)[0].table
    rows = {row[0].text: row for row in table.rows}
    assert rows["Moisture readings"][0].note == "used for depths"
    assert rows["Hyperbolas"][4].text == "0.90 m"
    assert rows["Hyperbolas"][5].text == "–"
    assert "fewer than five" in rows["Hyperbolas"][6].note
    check = SourceCheck("hyperbolas", 2, 0.085, 0.004, -0.05, 0.04)
    held = replace(result.visits[0].velocities, join=VelocityJoin((check,), 1.0))
    (row,) = [row for row in velocities(with_velocities(site, held))[0].table.rows if row[0].text == "Hyperbolas"]
    assert (row[5].text, row[5].note) == ("-5 % ± 7", "taken as 0.085")
    assert rows["Ground wave of gather cmp1"][0].note == "not compared"
    endless = replace(result.visits[0].velocities.sources[0].estimate, depth_to_m=math.inf)
    held = result.visits[0].velocities
    some = replace(held, used=None, sources=(replace(held.sources[0], estimate=endless),))
    (row,) = velocities(with_velocities(site, some))[0].table.rows
    assert (row[3].text, row[4].text) == ("all depths", "–")


def test_the_example_line_carries_every_hyperbola_at_its_place(site):
    view = hyperbola_example(site, clip=1.0, pixels_each=10_000)
    assert view.line == "L01"
    assert view.caption == "2 hyperbolas used (full lines), 1 outlier (dashed), 1 wave through the air (dotted)"
    assert [dash for _, dash in view.curves] == ["", "", "6 3", "1.5 3"]
    left, top, wide, high = view.box
    radargram = site.visits[0].radargrams["L01"]
    window, length = float(radargram["time"].values[-1]), float(radargram["distance"].values[-1])
    for seen, (path, _) in zip(site.visits[0].velocities.hyperbolas, view.curves, strict=True):
        points = np.array([pair.split() for pair in path[1:].split("L")], float)
        apex = points[points[:, 1].argmin()]
        assert (apex[0] - left) / wide * length == pytest.approx(seen.fit.x_m, abs=0.1)
        assert (apex[1] - top) / high * window == pytest.approx(seen.fit.apex_ns, abs=0.3)
    none = replace(site, visits=tuple(replace(visit, velocities=None) for visit in site.visits))
    assert hyperbola_example(none, clip=1.0, pixels_each=10_000) is None


def test_the_page_has_the_section_with_and_without_velocities(site):
    page = render_report(site)
    assert '<section id="velocity"' in page
    assert "Hyperbolas on one line" in page
    assert page.count("agree within their errors") >= 2
    blank = render_report(replace(site, visits=tuple(replace(visit, velocities=None) for visit in site.visits)))
    assert "The velocity was not compared." in blank
    assert "Hyperbolas on one line" not in blank


def test_names_of_gathers_are_escaped(synthetic):
    site = synthetic.make_site(1, 1)
    held = site.visits[0].velocities
    odd = replace(held.sources[2], estimate=replace(held.sources[2].estimate, label=synthetic.HOSTILE))
    assert synthetic.HOSTILE in source_name(odd)
    page = render_report(with_velocities(site, replace(held, sources=(*held.sources[:2], odd))))
    assert "<script>" not in page


def test_the_figures_hold_every_source_and_the_schema_refuses_others(site):
    shown = {**site.summary(), "report": "report.html", "seconds": 1.0}
    valid = jsonschema.Draft202012Validator(run_schema()).is_valid
    assert valid(shown)
    held = shown["visits"][0]["velocities"]
    assert [(s["source"], s["used"], s["compared"]) for s in held["sources"]] == [
        ("moisture", True, True),
        ("hyperbolas", False, True),
        ("ground wave", False, False),
    ]
    assert held["hyperbolas"] == {"used": 2, "outlier": 1, "air": 1, "unusable": 0}
    assert held["dof"] == 1
    assert [pair["first"] for pair in held["pairs"]] == ["moisture"]
    for where, value in ((("sources", 0, "source"), "guess"), (("p",), None), (("sources", 0, "extra"), 1)):
        broken = copy.deepcopy(shown)
        place = broken["visits"][0]["velocities"]
        for key in where[:-1]:
            place = place[key]
        place[where[-1]] = value
        assert not valid(broken)
    alone = with_velocities(site, None).summary()["visits"][0]["velocities"]
    assert (alone["mean"], alone["why"]) == (None, "there is but one source of velocity")


def test_tables_hold_sources_and_hyperbolas(site):
    tables = result_tables(site)
    rows = [dict(zip(tables["velocities"].columns, row, strict=True)) for row in tables["velocities"].rows]
    assert [row["source"] for row in rows[:3]] == ["moisture", "hyperbolas", "ground wave"]
    assert [row["used"] for row in rows[:3]] == [True, False, False]
    fits = [dict(zip(tables["hyperbolas"].columns, row, strict=True)) for row in tables["hyperbolas"].rows]
    assert [fit["became"] for fit in fits[:4]] == ["used", "used", "outlier", "air"]
    assert fits[0]["depth_m"] == pytest.approx(0.8, abs=0.05)
    people = replace(site.visits[0].velocities, people=(site.visits[0].velocities.hyperbolas[0].fit,))
    rows = result_tables(with_velocities(site, people))["hyperbolas"].rows
    assert "laid by hand" in {row[2] for row in rows}
