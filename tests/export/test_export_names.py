"""Every hotspot that is written has a name of its own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from yewline.export import result_layers, result_tables
from yewline.export.names import named_sets


def with_rule(site, rule):
    primary = site.settings.primary.model_copy(update={"rule": rule})
    return replace(site, settings=site.settings.model_copy(update={"primary": primary}))


@pytest.mark.parametrize(("rule", "plain", "lettered"), [("noise", "noise", "E"), ("equal-area", "equal-area", "N")])
def test_the_rule_that_is_not_the_first_choice_gets_its_letter(site, rule, plain, lettered):
    result = with_rule(site, rule)
    for visit in result.visits:
        sets = named_sets(result, visit)
        other = "equal-area" if plain == "noise" else "noise"
        assert sets[plain]["hotspot"].tolist()[0] == "H01"
        assert sets[other]["hotspot"].tolist()[0] == f"H{lettered}01"
        names = [name for table in sets.values() for name in table["hotspot"]]
        assert len(set(names)) == len(names)
        assert visit.equal_area["hotspot"].tolist()[0] == "H01"  # nothing given is changed


def test_names_that_a_person_gave_are_kept_whatever_they_are(site):
    visit = site.visits[0]
    drawn = visit.scored.assign(hotspot=[f"H{'E' if i % 2 else ''}{i + 1:02d}" for i in range(len(visit.scored))])
    mixed = replace(visit, drawn=drawn, scored=drawn)
    sets = named_sets(site, mixed)
    assert sets["drawn"]["hotspot"].tolist() == drawn["hotspot"].tolist()
    names = [name for table in sets.values() for name in table["hotspot"]]
    assert len(set(names)) == len(names)


def test_the_table_and_the_layers_carry_the_same_names(site):
    table = result_tables(site)["hotspots"]
    at = table.columns.index("hotspot")
    layer = result_layers(site)["hotspots_equal_area"]
    assert [row[at] for row in table.rows if row[0] == "equal-area"] == layer["hotspot"].tolist()
    rows = [(row[at], row[table.columns.index("visit")]) for row in table.rows]
    assert len(set(rows)) == len(rows)


def test_hotspots_longer_than_a_grave_are_marked_in_table_and_layer(site):
    visit = site.visits[0]
    long = visit.scored.assign(length_m=[10.8] + [1.5] * (len(visit.scored) - 1))
    result = replace(site, visits=(replace(visit, scored=long, found=long),))
    assert result_layers(result)["hotspots"]["longer_than_grave"].sum() == 1
    table = result_tables(result)["hotspots"]
    assert [row[-1] for row in table.rows if row[0] == "noise"] == [True] + [False] * (len(long) - 1)


def test_a_match_has_one_distance_in_both_tables(site):
    tables = result_tables(site)
    matches = {row[:3]: row[3] for row in tables["matches"].rows}
    columns = tables["burial_history"].columns
    history = [dict(zip(columns, row, strict=True)) for row in tables["burial_history"].rows]
    told = {(r["visit"], r["hotspot"], r["burial"]): r["outline_distance_m"] for r in history if r["matched"]}
    assert told == pytest.approx(matches)
    assert len(told) == len(matches) > 0
