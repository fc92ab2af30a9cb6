"""Scene files that cannot be used are refused with the place in the file and a remedy."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from yewline.errors import SettingsError
from yewline.simulation.graves import Coffin
from yewline.simulation.scenes import (
    read_scene,
    scene_from_toml,
)
from yewline.simulation.scenes.tables import Place, read_table
from yewline.simulation.scenes.toml_text import table_text

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


# Faults in files: place and remedy.

BAD = {
    "unknown key": (
        SMALL.replace('label = "G2"', 'label = "G2"\nbase_n = 1.2'),
        r"bad\.toml, graves\[2\]: unknown key 'base_n' \(received 1\.2\)\. Did you mean 'base_m'\?",
    ),
    "unknown table": (SMALL + "[soils]\nporosity = 0.4\n", r"unknown key 'soils' .*Did you mean 'soil'\?"),
    "wrong unit": (
        SMALL.replace('label = "G2"', 'label = "G2"\nlength_feet = 6'),
        r"graves\[2\]: unknown key 'length_feet' .*Did you mean 'length_m'\?",
    ),
    "unknown key deep inside": (
        SMALL.replace("deep = 0.16", "depe = 0.16"),
        r"bad\.toml, days\[1\]\.water\.profile: unknown key 'depe' .*Did you mean 'deep'\?",
    ),
    "grave outside": (
        SMALL.replace("x = 4.0", "x = 5.9"),
        r"bad\.toml, graves\[2\]: grave reaches outside the scene .*Widen the bounds",
    ),
    "stone outside": (
        SMALL + "[[stones]]\nx = 9.0\ny = 2.0\ndepth_m = 0.5\nradius_m = 0.1\n",
        r"bad\.toml, stones\[1\]: stone lies outside the scene",
    ),
    "row outside": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 6\n',
        r"bad\.toml, rows\[1\]\.grave \(R\d\): grave reaches outside the scene",
    ),
    "empty line": (
        SMALL.replace("length_m = 4.0", "length_m = 0.01"),
        r"bad\.toml, lines\.length_m: length_m leaves the line empty.*Make the lines longer",
    ),
    "line outside": (SMALL.replace("length_m = 4.0", "length_m = 40"), r"bad\.toml, lines: line L1 leaves the scene"),
    "no lines": (SMALL[: SMALL.index("[lines]")], r"bad\.toml: there are no lines\. .*\[lines\]"),
    "antenna underground": (
        SMALL + "[antenna]\nheight_m = -0.1\n",
        r"bad\.toml, antenna\.height_m: the antenna is underground \(received height -0\.1 m\)\. Give a height of 0",
    ),
    "no such pair": (SMALL + "[antenna]\nnominal_mhz = 333\n", r"bad\.toml, antenna: there is no generic antenna pair"),
    "negative permittivity": (
        SMALL + "[[stones]]\nx = 2.0\ny = 2.0\ndepth_m = 0.5\nradius_m = 0.1\npermittivity = -4\n",
        r"bad\.toml, stones\[1\]\.permittivity: permittivity must lie between 1 and 100 \(received -4\.0\)",
    ),
    "negative permittivity of grains": (
        SMALL + "[soil]\nsolid_permittivity = -4.0\n",
        r"bad\.toml, soil\.solid_permittivity: solid_permittivity must lie between",
    ),
    "no days": (
        re.sub(r"\[\[days\]\].*?(?=\[\[graves)", "", SMALL, count=1, flags=re.DOTALL),
        r"bad\.toml, days: the scene has no day\. Write at least one \[\[days\]\]",
    ),
    "two days of one name": (
        SMALL + '[[days]]\nname = "Dry"\ndate = 2031-05-15\nwater.profile = { kind = "even", vwc = 0.1 }\n',
        r"bad\.toml, days\[2\]: two days have the same name \(received 'Dry'\)",
    ),
    "duplicate labels": (
        SMALL.replace('"G2"', '"G1"'),
        r"bad\.toml, graves\[2\]\.label: the label 'G1' is taken already.*the other one is graves\[1\]",
    ),
    "base above top": (
        SMALL.replace('label = "G2"', 'label = "G2"\nbase_m = 0.1'),
        r"bad\.toml, graves\[2\]\.base_m: a grave's top must lie below the surface and above its base",
    ),
    "number in quotes": (
        SMALL.replace("x = 4.0", 'x = "4 m"'),
        r"bad\.toml, graves\[2\]\.x: must be a number \(received '4 m'\)\. Write the number alone, without quotes",
    ),
    "not a number at all": (SMALL.replace("x = 4.0", "x = nan"), r"graves\[2\]\.x: must be a number \(received nan\)"),
    "true for a number": (SMALL.replace("x = 4.0", "x = true"), r"graves\[2\]\.x: must be a number"),
    "a list too short": (SMALL.replace("[1.0, 1.0]", "[1.0]"), r"lines\.origin: must be a list of 2 numbers"),
    "bounds swapped": (
        SMALL.replace("[0.0, 0.0, 6.0, 4.0]", "[6.0, 4.0, 0.0, 0.0]"),
        r"bad\.toml, bounds_m: bounds must be \(x0, y0, x1, y1\)",
    ),
    "bounds missing": (SMALL.replace("bounds_m", "# "), r"bad\.toml: missing key 'bounds_m'. Add bounds_m ="),
    "missing key": (SMALL.replace("x = 4.0", ""), r"bad\.toml, graves\[2\]: missing key 'x'\. Add x = …, a number"),
    "date in quotes": (SMALL.replace("2031-05-14", '"2031-05-14"'), r"days\[1\]\.date: must be a date"),
    "no kind": (SMALL.replace('kind = "drained", ', ""), r"water\.profile: missing key 'kind'\. Add kind = \"even\""),
    "unknown kind": (
        SMALL.replace('"drained"', '"draind"'),
        r"water\.profile\.kind: there is no such kind \(received 'draind'\)\. Did you mean 'drained'\?",
    ),
    "unknown grave": (SMALL.replace('label = "G2"', 'kind = "tomb"'), r"graves\[2\]\.kind: kind must be one of adult"),
    "unknown material": (
        SMALL + '[[kerbs]]\nstart = [1.0, 1.0]\nend = [2.0, 1.0]\nmaterial = "gold"\n',
        r"kerbs\[1\]\.material: material must be one of air",
    ),
    "table for a list": (SMALL.replace("[[days]]", "[days]"), r"days: must be a list of tables .*\[\[days\]\]"),
    "list for a table": (SMALL + "[[soil]]\nporosity = 0.4\n", r"soil: must be a table .*as \[soil\], once only"),
    "value for a table": (SMALL.replace("water.profile =", "water ="), r"water: unknown key 'kind'"),
    "number for a table": ("soil = 3\n" + SMALL, r"soil: must be a table \(received 3\)\. Write it as \[soil\]"),
    "coffin too large": (
        SMALL.replace('label = "G2"', 'label = "G2"\ncoffin = { length_m = 3.0 }'),
        r"bad\.toml, graves\[2\]\.coffin: a coffin is larger than the cut",
    ),
    "row with unknown key": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\n[rows.grave]\nbase = 1.0\n',
        r"bad\.toml, rows\[1\]\.grave: unknown key 'base'",
    ),
    "row with places": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\n[rows.grave]\nx = 1.0\n',
        r"rows\[1\]\.grave: unknown key 'x'",
    ),
    "row drawn backwards": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\n[rows.between]\nbase_m = [1.2, 1.0]\n',
        r"rows\[1\]\.between\.base_m: must be \[low, high\].*Swap the two",
    ),
    "row with nothing to choose from": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\n[rows.one_of]\nbase_m = []\n',
        r"rows\[1\]\.one_of\.base_m: must be a list to choose from",
    ),
    "row of too many children": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\nchild_share = 0.7\ninfant_share = 0.7\n',
        r"rows\[1\]: child_share and infant_share add up to more than 1",
    ),
    "row with odd gaps": (
        SMALL + '[[rows]]\nlabel = "R"\nstart = [1.0, 2.0]\ncount = 2\nmissing = [3]\n',
        r"rows\[1\]\.missing: missing names a place that is not in the row",
    ),
    "age below zero": (
        SMALL.replace('label = "G2"', 'label = "G2"\nage_years = -3'),
        r"graves\[2\]\.age_years: years must lie between .*Give the years since it was dug",
    ),
    "known and unknown": (SMALL + '[known]\nlabels = ["G9"]\n', r"known\.labels: there is no grave of that label"),
    "known twice": (SMALL + '[known]\nlabels = ["G1"]\nshare = 0.5\n', r"known: labels and share exclude each other"),
    "known share": (SMALL + "[known]\nshare = 1.5\n", r"known\.share: share must lie between 0 and 1"),
    "opened outside": (
        SMALL + '[[known.opened]]\nlabel = "w"\nbounds_m = [1.0, 1.0, 30.0, 3.0]\n',
        r"known\.opened\[1\]: opened ground leaves the scene",
    ),
    "opened backwards": (
        SMALL + '[[known.opened]]\nlabel = "w"\nbounds_m = [3.0, 1.0, 1.0, 3.0]\n',
        r"known\.opened\[1\]\.bounds_m: bounds_m must be",
    ),
    "disturbance of no kind": (SMALL + "[[disturbances]]\nwhite = 0.1\n", r"disturbances\[1\]: missing key 'kind'"),
    "disturbance of unknown kind": (
        SMALL + '[[disturbances]]\nkind = "nois"\n',
        r"disturbances\[1\]\.kind: there is no such kind \(received 'nois'\)\. Did you mean 'noise'\?",
    ),
    "disturbance on no day": (
        SMALL + '[[disturbances]]\nkind = "noise"\nwhite = 0.1\ndays = ["wet"]\n',
        r"disturbances\[1\]\.days: there is no such day \(received 'wet'\)\. Use dry",
    ),
    "disturbance twice": (
        SMALL + 2 * '[[disturbances]]\nkind = "noise"\nwhite = 0.1\n',
        r"disturbances: two layers go by one name",
    ),
    "fault on no day": (
        SMALL + '[[faults]]\nkind = "gap"\nvisit = "wet"\nline = "L1"\n',
        r"faults\[1\]\.visit: there is no such day",
    ),
    "fault on no line": (
        SMALL + '[[faults]]\nkind = "gap"\nvisit = "dry"\nline = "L7"\n',
        r"faults\[1\]\.line: there is no such line \(received 'L7'\)\. Use L1, L2 or L3",
    ),
    "fault of traces": (
        SMALL + '[[faults]]\nkind = "dead-trace"\nvisit = "dry"\nline = "L1"\n',
        r"faults\[1\]\.kind: kind must be one of gap.*write it as \[\[disturbances\]\]",
    ),
    "faults on one line": (
        SMALL + 2 * '[[faults]]\nkind = "gap"\nvisit = "dry"\nline = "L1"\n',
        r"faults: two faults touch one line",
    ),
    "seed below zero": ("seed = -1\n" + SMALL, r"bad\.toml, seed: seed must lie between"),
    "a name that no folder could have": ('name = "a/b"\n' + SMALL, r"bad\.toml, name: a scene's name must be letters"),
    "a day that no folder has": (SMALL.replace('name = "dry"', 'name = "a/b"'), r"days\[1\]\.name: name of a day"),
    "solver without cells": (SMALL + "[solver]\ncell_m = 0.0\n", r"solver\.cell_m: cell_m must be greater than zero"),
    "loading": (SMALL.replace('name = "dry"', 'name = "dry"\nloading = 3.0'), r"days\[1\]\.loading: loading must lie"),
    "not TOML": (SMALL + "this is no TOML\n", r"not valid TOML: .*line 21.*Mend that line"),
}  # fmt: skip


@pytest.mark.parametrize("fault", BAD)
def test_a_bad_file_is_refused_with_place_and_remedy(fault: str, tmp_path: Path):
    text, said = BAD[fault]
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=said) as caught:
        read_scene(path)
    assert caught.value.do
    with pytest.raises(SettingsError, match=said):
        scene_from_toml(text, "bad.toml")


def test_the_text_that_the_faults_are_made_from_is_good():
    assert [grave.label for grave in scene_from_toml(SMALL).scene.graves] == ["G1", "G2"]


def test_a_file_in_another_encoding_is_refused(tmp_path: Path):
    path = tmp_path / "bad.toml"
    path.write_bytes(("# é\n" + SMALL).encode("latin-1"))
    with pytest.raises(SettingsError, match=r"bad\.toml: not a text file in UTF-8\. Save it as UTF-8"):
        read_scene(path)


def test_files_and_scenes_that_are_not_there(tmp_path: Path):
    with pytest.raises(SettingsError, match="there is no such file"):
        read_scene(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="a folder, not a scene file"):
        read_scene(tmp_path)
    with pytest.raises(SettingsError, match=r"there is no such scene \(received 'klay'\)\. Did you mean 'clay'\?"):
        read_scene("klay")
    with pytest.raises(SettingsError, match="there is no such scene .*clay, frozen-crust"):
        read_scene("zzzz")


@dataclasses.dataclass(frozen=True)
class Case:
    coffin: Coffin | None = dataclasses.field(default_factory=lambda: Coffin(1.0, 0.4))


def test_nothing_can_be_said_where_something_is_usual():
    place = Place("a.toml", "cases[1]")
    assert read_table(Case, {}, place).coffin == Coffin(1.0, 0.4)
    assert read_table(Case, {"coffin": "none"}, place).coffin is None
    assert table_text("cases", Case(None), many=True) == ["[[cases]]", 'coffin = "none"']
