"""The figures of a run as JSON, and the published schema that holds them."""

from __future__ import annotations

import copy
import json
from dataclasses import replace

import jsonschema
import pytest

from yewline.workspace.results import run_schema


@pytest.fixture(scope="module")
def schema():
    return run_schema()


@pytest.fixture(scope="module")
def valid(schema):
    return jsonschema.Draft202012Validator(schema).is_valid


def whole(result):
    return {**result.summary(), "report": "results/report.html", "seconds": 7.5}


def test_the_schema_is_itself_valid_and_describes_every_field(schema):
    jsonschema.Draft202012Validator.check_schema(schema)
    objects = [schema, *schema["$defs"].values()]
    for kind in objects:
        assert kind["additionalProperties"] is False
        for name, field in kind["properties"].items():
            described = "description" in field or "$ref" in field
            assert described, name
    assert "readings themselves" in schema["$defs"]["moisture"]["properties"]["sd"]["description"]
    assert "mean velocity" in schema["$defs"]["velocity"]["properties"]["sd"]["description"]


@pytest.mark.parametrize(
    "make",
    [
        lambda s: s.make_site(2, 1),
        lambda s: s.make_site(5, 1),
        lambda s: s.make_site(2, 1, known=False),
        lambda s: s.without_readings(s.make_site(1, 1)),
        lambda s: s.without_hotspots(s.make_site(2, 1)),
    ],
)
def test_every_kind_of_result_fits_the_schema(synthetic, schema, make):
    shown = whole(make(synthetic))
    jsonschema.Draft202012Validator(schema).validate(shown)
    json.dumps(shown, allow_nan=False)


def test_the_figures_are_those_of_the_result(site):
    shown = site.summary()
    assert shown["site"] == site.settings.name
    for entry, visit in zip(shown["visits"], site.visits, strict=True):
        score = visit.score
        assert entry["visit"] == visit.name
        told = {name: entry["moisture"][name] for name in ("mean", "sd", "n")}
        assert told == {name: getattr(visit.moisture, name) for name in told}
        assert entry["velocity_m_per_ns"] == {"mean": visit.velocity.mean_m_per_ns, "sd": 0.006}
        assert entry["hotspots"] == len(visit.scored)
        assert entry["slice_m"] == [0.6, 0.8]
        assert entry["tolerance_m"] == score.tolerance_m
        assert entry["recall"]["value"] == score.recall.k / score.recall.n
        for name, item in (
            ("centroid_distance_m", score.hotspot_to_burial),
            ("burial_distance_m", score.burial_to_hotspot),
        ):
            assert entry[name]["n"] == item.n
            assert entry[name]["mean"] == item.mean_m
            assert entry[name]["chance_mean"] == item.shift.expected_m
            assert entry[name]["p"] == item.shift.p
        assert "why" not in entry
    comparison = shown["comparisons"][0]
    assert comparison["paired_difference_m"] == site.comparisons[0].paired_difference_m
    assert comparison["statement"] == site.comparisons[0].statement


def leaves(figures):
    """All figures of an object, of those inside it too."""
    for value in figures.values():
        if isinstance(value, dict):
            yield from leaves(value)
        else:
            yield value


def test_what_cannot_be_given_is_null_beside_a_why(synthetic):
    shown = synthetic.without_readings(synthetic.make_site(1, 1, known=False)).summary()["visits"][0]
    for name in ("moisture", "centroid_distance_m", "burial_distance_m", "recall", "precision"):
        assert set(leaves({key: value for key, value in shown[name].items() if key not in ("n", "why")})) == {None}
        assert shown[name]["why"]
    assert shown["tolerance_m"] is None
    assert shown["why"]
    blank = synthetic.without_hotspots(synthetic.make_site(2, 1)).summary()
    assert blank["visits"][0]["centroid_distance_m"]["why"] == "there are no hotspots"
    assert blank["visits"][0]["recall"]["value"] == 0.0
    assert blank["visits"][0]["precision"]["why"].startswith("no ground was opened")
    assert blank["comparisons"][0]["why"] == "a visit has no hotspots"


def test_a_number_that_is_not_finite_becomes_null(site):
    visit = site.visits[0]
    odd = replace(visit, velocity=replace(visit.velocity, mean_sigma_m_per_ns=float("nan")))
    shown = replace(site, visits=(odd,)).summary()["visits"][0]["velocity_m_per_ns"]
    assert shown == {"mean": 0.112, "sd": None, "why": "the error of the velocity is not known"}


def test_chance_that_cannot_be_given_says_why(site):
    visit = site.visits[0]
    item = visit.score.hotspot_to_burial
    lost = replace(item, shift=replace(item.shift, expected_m=None, p=None, why="the area is too small"))
    odd = replace(visit, score=replace(visit.score, hotspot_to_burial=lost))
    shown = replace(site, visits=(odd,)).summary()["visits"][0]["centroid_distance_m"]
    assert shown["mean"] == item.mean_m
    assert (shown["p"], shown["why"]) == (None, "the area is too small")


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("extra",), 1),
        (("visits", 0, "extra"), 1),
        (("visits", 0, "recall", "extra"), 1),
        (("visits", 0, "recall", "value"), None),
        (("visits", 0, "recall", "value"), 1.2),
        (("visits", 0, "moisture", "mean"), 14.0),
        (("visits", 0, "velocity_m_per_ns", "mean"), 0.31),
        (("visits", 0, "hotspots"), 2.5),
        (("visits", 0, "slice_m"), [0.6]),
        (("visits", 0, "centroid_distance_m", "p"), 0.0),
        (("visits", 0, "tolerance_m"), None),
        (("comparisons", 0, "direction"), "sideways"),
        (("comparisons", 0, "low"), None),
        (("seconds",), -1),
        (("report",), None),
    ],
)
def test_the_schema_refuses_what_does_not_belong(site, valid, where, value):
    shown = whole(site)
    assert valid(shown)
    broken = copy.deepcopy(shown)
    place = broken
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = value
    assert not valid(broken)


def test_the_schema_asks_for_every_figure(site, valid):
    shown = whole(site)
    for place in (shown, shown["visits"][0], shown["visits"][0]["precision"], shown["comparisons"][0]):
        for name in list(place):
            kept = place.pop(name)
            assert not valid(shown), name
            place[name] = kept
    assert valid(shown)
