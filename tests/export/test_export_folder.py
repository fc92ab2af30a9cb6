from __future__ import annotations

import csv
import hashlib
import io
import json
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
import xarray as xr

from yewline.errors import InputError
from yewline.export import result_layers, result_tables, write_results
from yewline.export.folder import file_names, map_grid
from yewline.export.tables import ResultTable, table_csv
from yewline.model import Frame, centroids, make_radargram

pytestmark = pytest.mark.filterwarnings("ignore:.*geotransform.*:rasterio.errors.NotGeoreferencedWarning")


@pytest.fixture(scope="module")
def folder(site, tmp_path_factory):
    path = tmp_path_factory.mktemp("results")
    write_results(site, path)
    return path


def digests(folder):
    return {
        str(file.relative_to(folder)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def rows(folder, name):
    with (folder / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def test_layers_hold_what_the_result_holds(site, folder):
    path = folder / "layers.gpkg"
    kinds = dict(pyogrio.list_layers(path).tolist())
    assert kinds["links"] == "LineString"
    assert kinds["lines"] == "LineString"
    assert kinds["readings"] == "Point"
    hotspots = gpd.read_file(path, layer="hotspots")
    wanted = [shape for visit in site.visits for shape in visit.scored.geometry]
    assert len(hotspots) == len(wanted)
    assert all(a.equals_exact(b, 1e-9) for a, b in zip(hotspots.geometry, wanted, strict=True))
    assert set(hotspots["visit"]) == {visit.name for visit in site.visits}
    assert gpd.read_file(path, layer="burials")["burial"].tolist() == site.burials["burial"].tolist()
    assert gpd.read_file(path, layer="area").geometry[0].equals_exact(site.area, 1e-9)
    links = gpd.read_file(path, layer="links")
    assert int(links["matched"].sum()) == sum(visit.score.recall.k for visit in site.visits)
    np.testing.assert_allclose(links["distance_m"], links.geometry.length)
    lines = gpd.read_file(path, layer="lines")
    assert len(lines) == 8
    assert lines["length_m"].tolist() == pytest.approx([28.0] * 8)
    assert all(len(line.coords) == 2 for line in lines.geometry)  # straight lines need no more
    readings = gpd.read_file(path, layer="readings")
    assert len(readings) == 80
    first = site.visits[0].readings.iloc[0]
    assert (readings.geometry[0].x, readings.geometry[0].y, readings["vwc"][0]) == (first.x, first.y, first.vwc)


def test_each_slice_is_a_map_with_its_depth_in_its_name(site, folder):
    visit = site.visits[0]
    slices = visit.slices
    files = sorted((folder / "slices" / visit.name).glob("*.tif"))
    assert len(files) == slices.sizes["slice"]
    path = folder / "slices" / visit.name / "strength_0.60-0.80_m.tif"
    with rasterio.open(path) as file:
        assert "depth 0.60–0.80 m ± 0.07" in file.descriptions[0]
        for x, y in ((27.0, 1.0), (3.25, 16.0), (12.5, 7.75)):
            value = next(file.sample([(x, y)]))[0]
            assert value == slices["strength"].isel(slice=4).sel(x=x, y=y).item()
        assert np.isnan(next(file.sample([(19.0, 3.0)]))[0])  # the hole in the area


def test_moisture_maps_are_written_with_their_error(site, folder):
    visit = site.visits[1]
    for file, name in (("water", "vwc"), ("water_sd", "vwc_sd")):
        with rasterio.open(folder / "moisture" / visit.name / f"{file}.tif") as raster:
            assert raster.units == ("m³/m³",)
            np.testing.assert_allclose(raster.read(1)[::-1], visit.moisture_map[name].values, rtol=1e-6)


def test_tables_hold_every_item_once(site, folder):
    hotspots = rows(folder, "hotspots")
    assert sum(row["scored"] == "yes" for row in hotspots) == sum(len(visit.scored) for visit in site.visits)
    assert len(rows(folder, "burials")) == len(site.burials)
    assert len(rows(folder, "matches")) == sum(len(visit.score.matches) for visit in site.visits)
    assert len(rows(folder, "burial_history")) == 2 * len(site.burials)
    assert len(rows(folder, "slices")) == 20
    assert [row["chosen"] for row in rows(folder, "slices")].count("yes") == 2
    assert len(rows(folder, "lines")) == 8
    assert len(rows(folder, "findings")) == len(site.findings)
    assert rows(folder, "comparisons")[0]["statement"] == site.comparisons[0].statement
    assert float(rows(folder, "moisture")[0]["mean"]) == pytest.approx(site.visits[0].moisture.mean, rel=1e-5)
    first = rows(folder, "burials")[0]
    assert [float(first["x_m"]), float(first["y_m"])] == pytest.approx(centroids(site.burials)[0].tolist(), abs=5e-4)


def test_distances_name_both_ends_and_their_direction(site, folder):
    table = rows(folder, "distances")
    visit = site.visits[0]
    for direction, item in (
        ("hotspot to burial", visit.score.hotspot_to_burial),
        ("burial to hotspot", visit.score.burial_to_hotspot),
    ):
        part = [
            row
            for row in table
            if (row["visit"], row["direction"], row["measure"]) == (visit.name, direction, "centroid to centroid")
        ]
        assert [float(row["distance_m"]) for row in part] == pytest.approx(item.distance_m.tolist(), rel=1e-5)
        names = (site.burials["burial"], visit.scored["hotspot"])
        first, second = names[::-1] if direction.startswith("hotspot") else names
        assert [row["from"] for row in part] == first.tolist()
        assert [row["to"] for row in part] == [second.iloc[i] for i in item.nearest]
    summary = rows(folder, "distance_summary")
    assert [row["null"] for row in summary[:2]] == ["shift", "placement"]
    assert float(summary[0]["chance_mean_m"]) == pytest.approx(visit.score.hotspot_to_burial.shift.expected_m, rel=1e-5)


def test_figures_and_provenance_as_json(site, folder):
    assert json.loads((folder / "summary.json").read_text("utf-8")) == json.loads(json.dumps(site.summary()))
    provenance = json.loads((folder / "provenance.json").read_text("utf-8"))
    assert provenance["inputs"] == site.inputs
    assert provenance["recipe"]["digest"] == site.recipe_digest
    assert provenance["visits"][site.visits[0].name]["date"] == "2030-01-12"
    assert provenance["restriction"].startswith("Restricted")


def test_the_readme_names_every_file_and_who_decides(site, folder):
    text = (folder / "README.txt").read_text("utf-8")
    assert text.startswith("Restricted: shows places of burials.")
    assert "the Hollow Bank descendants' council" in text
    for file in folder.rglob("*"):
        if file.is_file() and file.suffix != ".tif" and file.name != "README.txt":
            assert str(file.relative_to(folder)) in text
    assert "slices/VISIT/" in text
    assert "moisture/VISIT/" in text
    bare = site.settings.model_copy(update={"release": type(site.settings.release)()})
    write_results(replace(site, settings=bare), folder)
    assert "nothing here may be passed on" in (folder / "README.txt").read_text("utf-8")
    write_results(site, folder)


def test_a_second_run_writes_the_same_bytes_and_nothing_more(site, folder, tmp_path):
    before = digests(folder)
    written = write_results(site, folder)
    assert digests(folder) == before
    assert {str(path.relative_to(folder)) for path in written} == set(before)
    write_results(site, tmp_path / "other" / "place")
    assert digests(tmp_path / "other" / "place") == before


def test_maps_of_an_earlier_run_do_not_stay(site, tmp_path):
    write_results(site, tmp_path)
    visit = site.visits[0]
    fewer = replace(visit, slices=visit.slices.isel(slice=[3, 4]), chosen=1, moisture_map=None)
    write_results(replace(site, visits=(fewer,)), tmp_path)
    kept = sorted(str(file.relative_to(tmp_path)) for file in tmp_path.rglob("*.tif"))
    assert kept == [f"slices/{visit.name}/strength_{depth}_m.tif" for depth in ("0.50-0.70", "0.60-0.80")]


def test_a_projected_frame_places_layers_and_maps_alike(site, tmp_path):
    frame = Frame(
        epsg=32633,
        control=[
            {"x": 0, "y": 0, "easting": 500_000, "northing": 5_000_000},
            {"x": 0, "y": 10, "easting": 500_010, "northing": 5_000_000},
        ],
    )
    placed = replace(site, settings=site.settings.model_copy(update={"frame": frame}))
    write_results(placed, tmp_path)
    reading = gpd.read_file(tmp_path / "layers.gpkg", layer="readings")
    assert reading.crs.to_epsg() == 32633
    first = site.visits[0].readings.iloc[0]
    # y bears east here, so x bears south.
    assert reading.geometry[0].x == pytest.approx(500_000 + first.y, abs=1e-6)
    assert reading.geometry[0].y == pytest.approx(5_000_000 - first.x, abs=1e-6)
    with rasterio.open(tmp_path / "slices" / site.visits[0].name / "strength_0.60-0.80_m.tif") as file:
        value = next(file.sample([(500_001.0, 4_999_973.0)]))[0]
    assert value == site.visits[0].slices["strength"].isel(slice=4).sel(x=27.0, y=1.0).item()
    assert "EPSG:32633" in (tmp_path / "README.txt").read_text("utf-8")


@pytest.mark.parametrize("kind", ["without_burials", "without_readings", "without_hotspots"])
def test_results_that_lack_something_are_still_written(synthetic, site, tmp_path, kind):
    lacking = getattr(synthetic, kind)(site)
    write_results(lacking, tmp_path)
    layers = {str(name) for name in pyogrio.list_layers(tmp_path / "layers.gpkg")[:, 0]}
    assert {"area", "burials", "opened", "hotspots", "hotspots_equal_area", "lines"} <= layers
    assert ("readings" in layers) == (kind != "without_readings")
    assert ("links" in layers) == (kind == "without_readings")
    json.loads((tmp_path / "summary.json").read_text("utf-8"))
    for file in (tmp_path / "tables").glob("*.csv"):
        pd.read_csv(file)


def test_hostile_names_stay_inside_the_folder(synthetic, tmp_path):
    hostile = synthetic.with_hostile_names(synthetic.make_site(2, 7))
    climbing = replace(hostile.visits[1], name="../../away")
    write_results(replace(hostile, visits=(hostile.visits[0], climbing)), tmp_path / "in")
    assert [path.name for path in tmp_path.iterdir()] == ["in"]
    assert len(list((tmp_path / "in" / "slices").iterdir())) == 2
    assert synthetic.HOSTILE in {row["line"] for row in rows(tmp_path / "in", "lines")}


def test_file_names_are_plain_and_differ():
    assert file_names(["a b", "a/b", "A_b", "", "..", "été"]) == ["a_b", "a_b-2", "A_b-3", "visit", "visit-2", "été"]


def test_lines_with_gaps_bends_and_single_traces(site):
    x = np.array([0.0, 1.0, 2.0, 5.0, 6.0])
    bent = make_radargram(np.zeros((5, 3)), interval_ns=1.0, x=x, y=[0, 0, 1, 1, 1], segment=[0, 0, 0, 1, 1])
    lone = make_radargram(np.zeros((1, 3)), interval_ns=1.0, x=[0.0], y=[0.0])
    visit = replace(site.visits[0], radargrams={"bent": bent, "lone": lone})
    lines = result_layers(replace(site, visits=(visit,)))["lines"]
    assert lines["line"].tolist() == ["bent"]
    assert lines.geometry[0].equals(shapely.MultiLineString([[(0, 0), (1, 0), (2, 1)], [(5, 1), (6, 1)]]))
    assert len(result_tables(replace(site, visits=(visit,)))["lines"].rows) == 2


def test_drawn_hotspots_are_the_scored_ones_where_there_are_any(site):
    visit = replace(site.visits[0], drawn=site.visits[0].scored)
    table = result_tables(replace(site, visits=(visit,)))["hotspots"]
    assert {row[0] for row in table.rows if row[1]} == {"drawn"}
    assert {row[0] for row in table.rows} == {"noise", "equal-area", "drawn"}


def test_a_visit_that_was_not_scored_has_no_rows_of_accuracy(site):
    half = replace(site, visits=(replace(site.visits[0], score=None), site.visits[1]))
    tables = result_tables(half)
    for name in ("distances", "distance_summary", "matches"):
        assert {row[0] for row in tables[name].rows} == {site.visits[1].name}
    assert {row[2] for row in tables["burial_history"].rows} == {site.visits[1].name}


def test_distances_of_eligible_burials_only_keep_their_names(site):
    visit = site.visits[0]
    item, eligible = visit.score.burial_to_hotspot, visit.score.eligible
    some = replace(item, distance_m=item.distance_m[eligible], nearest=item.nearest[eligible])
    score = replace(visit.score, burial_to_hotspot=some)
    table = result_tables(replace(site, visits=(replace(visit, score=score),)))["distances"]
    names = [row[3] for row in table.rows if row[1:3] == ("burial to hotspot", "centroid to centroid")]
    assert names == site.burials["burial"][eligible].tolist()


def test_cells_that_are_not_square_are_refused():
    with pytest.raises(InputError, match=r"square cells, evenly spaced \(received steps of 0\.5 to 1 m\)"):
        map_grid(xr.Dataset(coords={"x": [0.0, 0.5, 1.0], "y": [0.0, 1.0]}))
    assert map_grid(xr.Dataset(coords={"x": [3.0], "y": [4.0]})).cell_m == 1.0


def test_csv_keeps_millimetres_of_large_coordinates_and_quotes_what_needs_it():
    table = ResultTable("", ("x", "y1_m", "p", "note"), [(512_345.6789, 1.0, 0.000123456789, 'a "b", c\nd')])
    back = next(csv.DictReader(io.StringIO(table_csv(table).decode("utf-8"), newline="")))
    assert back == {"x": "512345.679", "y1_m": "1.000", "p": "0.000123457", "note": 'a "b", c\nd'}
