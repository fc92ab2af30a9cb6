"""Burial by burial: one measure throughout, and no grave under a hotspot called silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from yewline.accuracy import score_visit
from yewline.model import BURIAL_COLUMNS, HOTSPOT_COLUMNS, centroids, make_outlines
from yewline.report import render_report
from yewline.report.history import burial_gaps, burial_lead, burial_states, burial_table
from yewline.report.hotspots import longer_than_grave
from yewline.report.tables import hotspot_table, overview_table


@pytest.fixture(scope="module")
def shared(site):
    """Two graves end to end under one long hotspot, one grave matched, one far from all, one outside."""
    graves = [
        shapely.box(2.0, 5.0, 2.8, 7.0),
        shapely.box(2.0, 7.6, 2.8, 9.6),
        shapely.box(6.0, 5.0, 6.8, 7.0),
        shapely.box(20.0, 8.0, 20.8, 10.0),
        shapely.box(40.0, 8.0, 40.8, 10.0),
    ]
    spots = [shapely.box(1.9, 4.9, 2.9, 9.9), shapely.box(6.1, 5.5, 6.7, 6.5)]
    rows = [
        {"hotspot": f"dry-0{i + 1}", "visit": "dry", "length_m": s.bounds[3] - s.bounds[1]} for i, s in enumerate(spots)
    ]
    hotspots = make_outlines(HOTSPOT_COLUMNS, rows, spots)
    burials = make_outlines(
        BURIAL_COLUMNS, [{"burial": f"B{i + 1}", "kind": "adult"} for i in range(len(graves))], graves
    )
    score = score_visit(spots, graves, area=site.area, tolerance_m=0.25, grave_length_m=2.1, draws=99, seed=1)
    visit = replace(site.visits[0], name="dry", scored=hotspots, found=hotspots, score=score)
    return replace(site, burials=burials, visits=(visit,), comparisons=())


def test_each_burial_is_told_by_how_it_lies_to_the_hotspots(shared):
    visit = shared.visits[0]
    # The long hotspot's middle (y = 7.4) lies 0.4 m from one grave and 0.2 m from the other, which it matches.
    assert burial_states(shared, visit) == ["part", "yes", "yes", "no", "out"]
    cells = [(row[2].text, row[2].note, row[2].kind) for row in burial_table(shared).rows]
    assert cells[0] == ("inside hotspot 01", "whose middle lies 0.40 m off; matched with B2", "part")
    assert cells[1] == ("hotspot 01", "its middle lies 0.20 m off", "yes")
    assert cells[2] == ("hotspot 02", "its middle lies inside", "yes")
    assert cells[3][0] == "without a response"
    assert cells[4] == ("not counted", "outside the covered ground", "out")


def test_every_distance_is_from_a_hotspots_middle_to_the_burials_outline(shared):
    visit = shared.visits[0]
    middles = shapely.points(centroids(visit.scored))
    for gap, grave in zip(burial_gaps(shared, visit), shared.burials.geometry, strict=True):
        assert gap.gap_m == pytest.approx(grave.distance(middles[gap.hotspot]))
    far = burial_gaps(shared, visit)[3]
    assert burial_table(shared).rows[3][2].note == f"nearest hotspot {far.gap_m:.2f} m off"


def test_a_burial_beside_a_hotspot_that_is_matched_elsewhere_is_not_called_silent(shared):
    visit = shared.visits[0]
    outline = visit.score.burial_to_outline
    apart = replace(outline, distance_m=np.maximum(outline.distance_m, 0.01))
    wide = replace(visit, score=replace(visit.score, burial_to_outline=apart, tolerance_m=0.5))
    cell = burial_table(replace(shared, visits=(wide,))).rows[0][2]
    assert (cell.text, cell.note, cell.kind) == (
        "beside hotspot 01",
        "its middle lies 0.40 m off; matched with B2",
        "part",
    )


def test_the_table_is_led_by_what_it_says(shared, synthetic):
    lead = burial_lead(shared)
    assert lead.startswith(
        "Of 5 known burials: dry: 2 with a match, 1 without a response, 1 in or beside a hotspot that is not their "
        "match."
    )
    assert burial_lead(synthetic.without_burials(shared)) == ""


def test_a_hotspot_longer_than_any_grave_is_named_and_still_counted(shared):
    visit = shared.visits[0]
    assert longer_than_grave(shared, visit.scored).tolist() == [True, False]
    short = visit.scored.assign(length_m=[1.5 * 2.1, np.nan])
    assert longer_than_grave(shared, short).tolist() == [False, False]
    assert [row[3].note for row in hotspot_table(shared, visit).rows] == ["longer than an expected grave", ""]
    rows = {row[0].text: row[1] for row in overview_table(shared).rows}
    assert "1 longer than an expected grave" in rows["Hotspots"].note
    assert "1 more lies in a hotspot's outline" in rows["Known burials matched"].note
    assert visit.score.recall.k == 2


def test_recall_stands_beside_what_luck_would_match(shared):
    visit = shared.visits[0]
    lucky = replace(visit, score=replace(visit.score, chance_recall=0.21, chance_recall_why=""))
    rows = {row[0].text: row[1] for row in overview_table(replace(shared, visits=(lucky,))).rows}
    assert "by chance 0.21" in rows["Known burials matched"].note
    none = replace(visit, score=replace(visit.score, chance_recall=None, chance_recall_why="no room to shift"))
    rows = {row[0].text: row[1] for row in overview_table(replace(shared, visits=(none,))).rows}
    assert "chance level: no room to shift" in rows["Known burials matched"].note


def test_the_map_names_hotspots_longer_than_a_grave(shared):
    page = " ".join(render_report(shared).split())
    assert "perhaps a pipe, a ditch or several graves in a row: 01. Counted like all others." in page
