"""The main job on sites written by hand, and what a run does with stale, broken and missing things."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from yewline.errors import SiteError
from yewline.export import write_results
from yewline.report import write_report
from yewline.workspace import check_site, open_site, run_site
from yewline.workspace.store import load_volume

SCHEMA = json.loads((Path(__file__).parents[2] / "src" / "yewline" / "workspace" / "run.schema.json").read_text())

DEPTH = 0.8
"""m, of the recorded echoes: see conftest."""


def run(root: Path):
    return run_site(open_site(root), export=write_results, report=write_report)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("site", ["text_site", "segy_site"])
def test_a_site_written_by_hand_runs_through(site: str, request: pytest.FixtureRequest):
    """Four burials of known place and depth, recorded by a closed form, are matched one to one."""
    root = request.getfixturevalue(site)
    before = contents(root)
    outcome = run(root)
    jsonschema.validate({**outcome.figures, "report": str(outcome.report), "seconds": 1.0}, SCHEMA)
    (visit,) = outcome.figures["visits"]
    assert visit["recall"]["value"] == 1.0
    assert visit["precision"]["value"] is None
    assert "opened" in visit["precision"]["why"]
    # Topp 1980 at a mean water content of 0.185.
    assert visit["velocity_m_per_ns"]["mean"] == pytest.approx(0.098, abs=0.002)
    assert visit["burial_distance_m"]["mean"] < 0.3
    assert outcome.report.read_text().startswith("<!DOCTYPE html>")
    # Nothing outside results/ was touched.
    assert {k: v for k, v in contents(root).items() if not k.startswith("results/")} == before


def test_text_and_segy_give_the_same_figures(text_site: Path, segy_site: Path):
    """The same samples through two formats; text keeps six decimals, IBM floats about seven digits."""
    a, b = (run(root).figures["visits"][0] for root in (text_site, segy_site))
    assert a["hotspots"] == b["hotspots"]
    assert a["centroid_distance_m"]["mean"] == pytest.approx(b["centroid_distance_m"]["mean"], abs=0.01)


def test_a_second_run_does_nothing(text_site: Path):
    run(text_site)
    before = contents(text_site / "results")
    outcome = run(text_site)
    assert outcome.made == ()
    assert outcome.told() == "Nothing was stale; nothing was done."
    assert contents(text_site / "results") == before


def test_only_what_is_stale_is_done_again(text_site: Path):
    run(text_site)
    burials = text_site / "burials.csv"
    burials.write_text(burials.read_text().replace("adult", "child"))
    assert run(text_site).made == ("export", "report")
    readings = text_site / "visits" / "day" / "readings.csv"
    readings.write_text(readings.read_text() + "1.0,1.0,0.2\n")
    assert run(text_site).made == ("volume day", "export", "report")
    (text_site / "results" / "report.html").unlink()
    assert run(text_site).made == ("report",)


def test_drawn_hotspots_are_scored_instead_of_found_ones(text_site: Path):
    (text_site / "marks").mkdir()
    square = [[1.2, 0.6], [2.0, 0.6], [2.0, 2.4], [1.2, 2.4], [1.2, 0.6]]
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [square]}}
    (text_site / "marks" / "mine.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "frame": "site", "features": [feature]})
    )
    (visit,) = run(text_site).figures["visits"]
    assert visit["hotspots"] == 1
    assert visit["recall"]["value"] == 0.25


def test_a_broken_line_is_left_out_and_the_report_says_so(text_site: Path):
    broken = text_site / "visits" / "day" / "lines" / "L03.txt"
    broken.write_bytes(broken.read_bytes()[:2000] + b"\x00\x01\x02")
    outcome = run(text_site)
    assert "L03" in outcome.report.read_text()
    report = check_site(open_site(text_site))
    faults = [finding for finding in report.findings if finding.grade == "fault"]
    assert [fault.line for fault in faults] == ["L03"]
    assert faults[0].where.startswith("visits/day/lines/L03.txt")


def test_without_an_interval_no_line_is_used(text_site: Path):
    toml = text_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text().replace("interval_ns = 0.4", ""))
    with pytest.raises(SiteError, match="no usable line in any visit"):
        run(text_site)
    texts = [f.text for f in check_site(open_site(text_site)).findings if f.grade == "fault"]
    assert any("interval" in text for text in texts)


def test_without_readings_a_declared_velocity_serves(text_site: Path):
    (text_site / "visits" / "day" / "readings.csv").unlink()
    with pytest.raises(SiteError, match=r"no visit has a velocity.*velocity_m_per_ns under \[soil\]"):
        run(text_site)
    toml = text_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text() + "[soil]\nvelocity_m_per_ns = 0.098\n")
    (visit,) = run(text_site).figures["visits"]
    assert visit["moisture"]["mean"] is None
    assert visit["moisture"]["why"]
    assert visit["recall"]["value"] == 1.0


def test_without_burials_there_is_a_map_but_no_score(text_site: Path):
    (text_site / "burials.csv").unlink()
    outcome = run(text_site)
    (visit,) = outcome.figures["visits"]
    assert visit["hotspots"] >= 4
    assert visit["recall"]["value"] is None
    assert outcome.figures["comparisons"] == []
    jsonschema.validate({**outcome.figures, "report": str(outcome.report), "seconds": 1.0}, SCHEMA)


def test_a_site_recipe_replaces_the_standard_one(text_site: Path):
    run(text_site)
    (text_site / "recipe.toml").write_text(
        'name = "plain"\n[[before]]\nstep = "time_zero"\n[[before]]\nstep = "background_removal"\n'
        '[[after]]\nstep = "envelope"\n'
    )
    outcome = run(text_site)
    assert "lines day" in outcome.made
    provenance = json.loads((text_site / "results" / "provenance.json").read_text())
    assert "plain" in json.dumps(provenance)


def test_readings_outside_the_area_are_named_and_not_used(text_site: Path):
    readings = text_site / "visits" / "day" / "readings.csv"
    readings.write_text(readings.read_text() + "900,900,0.59\n")
    findings = [f for f in check_site(open_site(text_site)).findings if f.code == "readings-outside"]
    assert len(findings) == 1
    assert "rows 18" in findings[0].where
    (visit,) = run(text_site).figures["visits"]
    assert visit["moisture"]["mean"] == pytest.approx(0.185, abs=0.01)


def depth_of_echo(root: Path, x: float, y: float) -> float:
    """Depth of the strongest response under a place, below the direct wave."""
    volume = load_volume(root / "results" / "visits" / "day" / "volume.zarr")
    column = volume.strength.sel(x=x, y=y, method="nearest").sel(depth=slice(0.35, None))
    return float(column.depth[int(np.argmax(column.values))])


def test_wetter_readings_put_the_same_echoes_shallower(text_site: Path):
    """A column is cut at estimated depth, not at time: the same echoes move with the velocity of the ground."""
    run(text_site)
    assert depth_of_echo(text_site, 1.6, 1.5) == pytest.approx(DEPTH, abs=0.06)
    readings = text_site / "visits" / "day" / "readings.csv"
    rows = readings.read_text().splitlines()
    readings.write_text("\n".join([rows[0], *(",".join([*row.split(",")[:2], "0.30"]) for row in rows[1:])]) + "\n")
    (visit,) = run(text_site).figures["visits"]
    # Topp 1980: 0.07295 m/ns at a water content of 0.30.
    assert visit["velocity_m_per_ns"]["mean"] == pytest.approx(0.073, abs=0.001)
    assert depth_of_echo(text_site, 1.6, 1.5) == pytest.approx(DEPTH * 0.073 / 0.098, abs=0.06)


def test_lines_are_brought_to_one_level_only_where_the_site_asks_for_it(text_site: Path) -> None:
    plain = run(text_site).report.read_text()
    before = load_volume(text_site / "results" / "visits" / "day" / "volume.zarr")
    assert "gains_lines" not in before.attrs
    with (text_site / "site.toml").open("a") as file:
        file.write('\n[volume]\nbalance = ["lines"]\ninterpolation = "linear"\n')
    outcome = run(text_site)
    assert "volume day" in outcome.made
    after = load_volume(text_site / "results" / "visits" / "day" / "volume.zarr")
    gains = json.loads(after.attrs["gains_lines"])
    assert len(gains["gain"]) == after.attrs["lines"]
    # Lines of six metres under burials a third as long: none is moved by more than the bound, and the page says so.
    assert max(abs(20 * np.log10(gain)) for gain in gains["gain"]) < 6.0
    assert "brought to the level of their neighbours" in outcome.report.read_text()
    assert "brought to the level of their neighbours" not in plain
    assert not np.array_equal(after["strength"].values, before["strength"].values, equal_nan=True)


def test_ground_that_is_not_level_is_cut_between_heights_too(text_site: Path):
    run(text_site)
    assert not (text_site / "results" / "levels").exists()
    (text_site / "elevation.csv").write_text("x,y,z\n-5,-5,100\n25,-5,103\n25,25,103\n-5,25,100\n")
    outcome = run(text_site)
    page = outcome.report.read_text()
    assert "day: cuts between heights" in page
    names = [path.stem for path in (text_site / "results" / "levels" / "day").glob("*.tif")]
    heights = sorted(tuple(map(float, name.removeprefix("strength_").removesuffix("_m").split("-"))) for name in names)
    assert len(heights) > 5
    assert all(base < top < 103.1 for base, top in heights)
    # One below the other, without a gap.
    assert all(a[1] == pytest.approx(b[0], abs=0.011) for a, b in itertools.pairwise(heights))
    # Depths below the surface are what all figures rest on, as before.
    assert outcome.figures["visits"][0]["slice_m"]
    (text_site / "elevation.csv").unlink()
    run(text_site)
    assert not list((text_site / "results" / "levels").rglob("*.tif"))
