"""Survey lines and rows of graves lie where a scene says, and vary as it asks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.simulation.scenes import (
    ExtraLine,
    LinePlan,
    SceneFile,
    planned_lines,
    scene_from_toml,
)

SMALL = """
bounds_m = [0.0, 0.0, 6.0, 4.0]
[[days]]
name = "dry"
date = 2031-05-14
water.profile = { kind = "drained", surface = 0.10, deep = 0.16 }
[[graves]]
label = "G1"
x = 2.0
y = 2.0
azimuth_deg = 0.0
[[graves]]
label = "G2"
x = 4.0
y = 2.0
azimuth_deg = 0.0
[lines]
count = 3
length_m = 4.0
origin = [1.0, 1.0]
"""


def row_scene(extra: str = "", **keys: str) -> SceneFile:
    table = {"label": '"A"', "start": "[2.0, 3.0]", "count": "5"} | keys
    rows = "\n".join(f"{key} = {value}" for key, value in table.items())
    text = SMALL.replace("6.0, 4.0", "20.0, 12.0") + f"[[rows]]\n{rows}\n{extra}"
    return scene_from_toml(text, "rows.toml")


# Lines.


def test_lines_lie_on_the_grid():
    plan = LinePlan(count=3, length_m=2.0, spacing_m=0.5, trace_interval_m=0.1, origin=(4.0, 1.0), rotation_deg=90.0)
    lines = planned_lines(plan)
    assert [line.name for line in lines] == ["L1", "L2", "L3"]
    assert [line.start for line in lines] == [(4.0, 1.0), (3.5, 1.0), (3.0, 1.0)]
    assert [line.end for line in lines] == [(4.0, 3.0), (3.5, 3.0), (3.0, 3.0)]
    assert np.diff(lines[0].places()) == pytest.approx(0.1)
    assert lines[0].xy()[5] == pytest.approx([4.0, 1.5])


def test_zigzag_lines_are_walked_back_and_names_have_as_many_figures_as_they_need():
    lines = planned_lines(LinePlan(count=11, length_m=1.03, trace_interval_m=0.05, zigzag=True))
    assert lines[0].name == "L01"
    assert lines[0].end == (1.0, 0.0)  # cut to a whole number of intervals
    assert lines[1].start == (1.0, 0.5)
    assert lines[1].end == (0.0, 0.5)


def test_an_extra_line_keeps_its_ends():
    plan = LinePlan(extra=(ExtraLine("tie", (0.0, 0.0), (3.0, 4.0)),), trace_interval_m=0.3)
    (line,) = planned_lines(plan)
    places = line.places()
    assert places[-1] == pytest.approx(5.0)
    assert np.diff(places) == pytest.approx(5.0 / 17)
    assert line.xy()[-1] == pytest.approx([3.0, 4.0])


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({}, "there are no lines"),
        ({"count": 2, "length_m": 0.02}, "leaves the line empty"),
        ({"extra": (ExtraLine("a", (0, 0), (1, 0)), ExtraLine("A", (0, 0), (0, 1)))}, "same name"),
        ({"count": 1, "prefix": "a/b"}, "letters, digits"),
        ({"count": 1, "spacing_m": 0.0}, "spacing_m must be greater than zero"),
    ],
)
def test_plans_that_cannot_be_walked_are_refused(plan: dict, said: str):
    with pytest.raises(InputError, match=said):
        LinePlan(**plan)


def test_a_line_without_length_is_refused():
    with pytest.raises(InputError, match="the line is empty: it ends where it starts"):
        ExtraLine("a", (1.0, 1.0), (1.0, 1.0))


# Rows.


def test_a_row_lies_where_it_is_said_to():
    scene = row_scene(jitter_m="0.0", azimuth_spread_deg="0.0", direction_deg="30.0", spacing_m="1.5")
    row = [grave for grave in scene.scene.graves if grave.label.startswith("A")]
    assert [grave.label for grave in row] == ["A1", "A2", "A3", "A4", "A5"]
    far = 1.5 * np.arange(5)
    assert [grave.x for grave in row] == pytest.approx(2.0 + far * np.sin(np.radians(30)), abs=6e-4)
    assert [grave.y for grave in row] == pytest.approx(3.0 + far * np.cos(np.radians(30)), abs=6e-4)
    assert {grave.azimuth_deg for grave in row} == {120.0}  # square to the row


def test_rows_vary_as_asked():
    scene = row_scene(
        "[rows.between]\nbase_m = [0.9, 1.0]\n[rows.one_of]\ncorner_m = [0.0, 0.1]\n[rows.grave]\ntop_m = 0.3\n",
        count="15",
        spacing_m="1.1",
        azimuth_spread_deg="5.0",
        infant_share="0.3",
        child_share="0.4",
    )
    row = [grave for grave in scene.scene.graves if grave.label.startswith("A")]
    assert {grave.kind for grave in row} == {"adult", "child", "infant"}
    assert all(0.9 <= grave.base_m <= 1.0 and grave.top_m == 0.3 for grave in row)
    assert {grave.corner_m for grave in row} == {0.0, 0.1}
    turned = [(grave.azimuth_deg + 90) % 180 - 90 for grave in row]
    assert 1.0 < np.std(turned) < 12.0


def test_one_key_more_leaves_what_else_is_drawn():
    plain, more = row_scene(), row_scene("[rows.between]\ntop_m = [0.15, 0.3]\n")
    for a, b in zip(plain.scene.graves, more.scene.graves, strict=True):
        assert dataclasses.replace(b, top_m=a.top_m) == a
    with_seed = scene_from_toml("seed = 5\n" + scene_text_of_row())
    assert [g.x for g in with_seed.scene.graves] != [g.x for g in plain.scene.graves]


def scene_text_of_row() -> str:
    return SMALL.replace("6.0, 4.0", "20.0, 12.0") + '[[rows]]\nlabel = "A"\nstart = [2.0, 3.0]\ncount = 5\n'


def test_years_take_their_share():
    young, old = (row_scene(age_years=f"[{years}, {years}]").scene.graves[0] for years in (5, 200))
    assert young.coffin.state == "sound"
    assert old.coffin.state == "gone"
    assert old.blur_m > 2 * young.blur_m
    # A looser fill settles towards the soil's own porosity of 0.42.
    assert 0.42 < old.fill.porosity < young.fill.porosity


def test_sizes_that_are_left_out_fit_the_cut():
    text = SMALL.replace('label = "G1"', 'label = "G1"\nbase_m = 1.7\nvault = {}\ncoffin = { void = 1.0 }').replace(
        'label = "G2"', 'label = "G2"\nkind = "infant"\nshroud = {}'
    )
    first, second = scene_from_toml(text).scene.graves
    assert first.vault.length_m == first.length_m
    assert first.coffin.length_m < first.vault.length_m - 2 * first.vault.wall_m
    assert second.shroud.length_m < second.length_m < 1.0
