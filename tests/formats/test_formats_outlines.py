"""Outlines of every format arrive in site metres, or are refused: checked against pyproj and the control points."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from shapely import Polygon, box

from yewline.errors import FormatError, FrameError, InputError
from yewline.formats import (
    read_area,
    read_burials,
    read_drawn_hotspots,
    read_opened,
    read_outlines,
    write_corners_csv,
    write_geojson,
    write_outlines,
)
from yewline.model import BURIAL_COLUMNS, HOTSPOT_COLUMNS, OPENED_COLUMNS, Frame, Grid, empty_outlines, make_outlines

# The site lies in UTM zone 33 N, turned by 30 degrees: x axis along (cos 30, sin 30).
TURN = np.deg2rad(30.0)
EAST, NORTH = 512_000.0, 5_400_000.0
LOCAL = Frame(north_deg=12.0)
PLAIN = Frame(epsg=32633)
BOW_TIE = Polygon([(0, 0), (2, 1), (2, 0), (0, 1)])


def _projected(x, y):
    return EAST + np.cos(TURN) * x - np.sin(TURN) * y, NORTH + np.sin(TURN) * x + np.cos(TURN) * y


TIED = Frame(
    epsg=32633,
    control=[
        dict(zip(("x", "y", "easting", "northing"), (x, y, *_projected(x, y)), strict=True))
        for x, y in ((0, 0), (40, 0), (0, 25))
    ],
)


def _burials():
    rows = [
        {"burial": "B1", "kind": "adult", "top_m": 0.9, "base_m": 1.4, "sigma_xy_m": 0.03},
        {"burial": "7", "kind": "child", "evidence": "probed"},
    ]
    return make_outlines(
        BURIAL_COLUMNS, rows, [box(1, 2, 3.1, 2.75), Polygon([(8, 4), (9, 5), (8.5, 5.5), (7.5, 4.5)])]
    )


def _save(path, geometry, crs=None, **columns):
    table = gpd.GeoDataFrame(columns or {"burial": [f"B{i}" for i in range(len(geometry))]}, geometry=geometry, crs=crs)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="'crs' was not provided")
        pyogrio.write_dataframe(table, path)
    return path


def _geojson(path, geometry, frame=None, **properties):
    features = [{"type": "Feature", "properties": properties, "geometry": g} for g in geometry]
    document = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(document if frame is None else {**document, "frame": frame}))
    return path


def _ring(*corners):
    return {"type": "Polygon", "coordinates": [[*map(list, corners), list(corners[0])]]}


def _grades(findings, grade):
    return [f for f in findings if f.grade == grade]


def _assert_same(table, wanted, atol=1e-9):
    assert table.crs is None
    pd.testing.assert_frame_equal(
        pd.DataFrame(table.drop(columns="geometry")), pd.DataFrame(wanted.drop(columns="geometry"))
    )
    for got, want in zip(table.geometry, wanted.geometry, strict=True):
        assert shapely.get_num_coordinates(got) == shapely.get_num_coordinates(want)
        assert shapely.hausdorff_distance(got, want) <= atol


# -- coordinate systems ---------------------------------------------------------------------------------------------


def test_longitude_and_latitude_land_where_pyproj_and_the_control_points_say(tmp_path):
    corners = [(10.0, 5.0), (12.0, 5.0), (12.0, 6.0)]
    # Independent of the package: pyproj alone, from projected corners that the turn of the site gives.
    to_degrees = pyproj.Proj("+proj=utm +zone=33 +datum=WGS84")
    lon_lat = [to_degrees(*_projected(x, y), inverse=True) for x, y in corners]
    path = _geojson(tmp_path / "burials.geojson", [_ring(*lon_lat)], burial="B1")
    table, findings = read_burials(path, TIED)
    got = np.asarray(table.geometry[0].exterior.coords)[:3]
    np.testing.assert_allclose(got, corners, atol=2e-6)
    assert any("transformed from WGS 84" in f.text for f in findings)
    assert not _grades(findings, "warning")


def test_control_points_themselves_map_to_site_metres(tmp_path):
    points = [_projected(x, y) for x, y in ((0, 0), (40, 0), (0, 25))]
    path = _save(tmp_path / "burials.gpkg", [Polygon(points)], crs="EPSG:32633")
    table, _ = read_burials(path, TIED)
    np.testing.assert_allclose(
        sorted(map(tuple, np.round(table.geometry[0].exterior.coords[:3], 6))), [(0, 0), (0, 25), (40, 0)], atol=1e-5
    )


def test_another_zone_is_transformed(tmp_path):
    corners = [(0.0, 0.0), (30.0, 0.0), (30.0, 20.0)]
    move = pyproj.Transformer.from_crs(32633, 32632, always_xy=True)
    there = [move.transform(*_projected(x, y)) for x, y in corners]
    table, findings = read_area(_save(tmp_path / "area.shp", [Polygon(there)], crs="EPSG:32632"), TIED)
    assert shapely.equals_exact(shapely.normalize(table), shapely.normalize(Polygon(corners)), tolerance=1e-4)
    assert [f.code for f in findings if f.grade == "warning"] == []


def test_without_control_points_site_metres_are_the_projected_ones(tmp_path):
    path = _save(tmp_path / "burials.gpkg", [box(500_000, 10, 500_002, 11)], crs="EPSG:32633")
    table, _ = read_burials(path, PLAIN)
    assert table.geometry[0].bounds == (500_000, 10, 500_002, 11)


def test_a_coarse_change_of_datum_is_warned_of(tmp_path):
    # European Datum 1950 to WGS 84: metres of uncertainty by the EPSG registry.
    east, north = pyproj.Transformer.from_crs(32633, 23033, always_xy=True).transform(*_projected(0, 0))
    path = _save(tmp_path / "burials.gpkg", [box(east, north, east + 2, north + 1)], crs="EPSG:23033")
    _, findings = read_burials(path, TIED)
    (warning,) = _grades(findings, "warning")
    assert "change of datum is accurate to" in warning.text


def test_outlines_far_from_the_control_points_are_warned_of(tmp_path):
    east, north = _projected(3000.0, 0.0)
    path = _save(tmp_path / "burials.gpkg", [box(east, north, east + 2, north + 1)], crs="EPSG:32633")
    _, findings = read_burials(path, TIED)
    (warning,) = _grades(findings, "warning")
    assert warning.code == "outlines-far"
    assert warning.received == "3.0 km away"


def test_a_member_crs_of_the_2008_draft_is_believed_and_told(tmp_path):
    path = _geojson(tmp_path / "a.geojson", [_ring(_projected(0, 0), _projected(2, 0), _projected(2, 1))])
    document = json.loads(path.read_text())
    document["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32633"}}
    path.write_text(json.dumps(document))
    table, findings = read_burials(path, TIED)
    np.testing.assert_allclose(table.geometry[0].bounds, (0, 0, 2, 1), atol=1e-6)
    assert any("from the member 'crs'" in f.text for f in findings)
    document["crs"] = {"type": "name", "properties": {"name": "nowhere"}}
    path.write_text(json.dumps(document))
    with pytest.raises(FormatError, match="member 'crs' names no known system"):
        read_burials(path, TIED)


@pytest.mark.parametrize("suffix", [".shp", ".gpkg"])
def test_a_file_without_system_is_assumed_to_be_in_site_metres(tmp_path, suffix):
    if suffix == ".shp":
        path = _save(tmp_path / "burials.shp", [box(0, 0, 2, 1)])
    else:
        path = tmp_path / "burials.gpkg"
        write_outlines(path, {"burials": _burials()}, LOCAL)
    for frame in (LOCAL, TIED):
        _, findings = read_burials(path, frame)
        (assumed,) = _grades(findings, "assumed")
        assert assumed.text == "the file names no coordinate system: taken as site metres"


def test_site_metres_declared_in_geojson_are_not_assumed(tmp_path):
    table, findings = read_burials(
        _geojson(tmp_path / "b.geojson", [_ring((0, 0), (2, 0), (2, 1))], "site", name="N"), TIED
    )
    assert table.loc[0, "burial"] == "N"
    assert not _grades(findings, "assumed")


GRAVE_IN_DEGREES = [(15.1, 48.7), (15.10002, 48.7), (15.10002, 48.70001), (15.1, 48.70001)]


def test_degrees_on_a_metre_frame_are_refused(tmp_path):
    geojson = _geojson(tmp_path / "b.geojson", [_ring(*GRAVE_IN_DEGREES)])
    with pytest.raises(FrameError, match=r'degrees on a metre frame.*epsg code.*"frame": "site"'):
        read_burials(geojson, LOCAL)
    with pytest.raises(FrameError, match="degrees on a metre frame.*save the file in site metres"):
        read_burials(_save(tmp_path / "b.gpkg", [Polygon(GRAVE_IN_DEGREES)], crs="EPSG:4326"), LOCAL)
    with pytest.raises(FrameError, match="in a system the site lacks.*UTM zone 33N"):
        read_burials(_save(tmp_path / "c.gpkg", [box(500_000, 10, 500_002, 11)], crs="EPSG:32633"), LOCAL)


def test_degrees_without_a_system_are_seen_by_their_size(tmp_path):
    shapefile = _save(tmp_path / "b.shp", [Polygon(GRAVE_IN_DEGREES)])
    corners = tmp_path / "b.csv"
    corners.write_text("id,x,y\n" + "".join(f"1,{x},{y}\n" for x, y in GRAVE_IN_DEGREES))
    declared = _geojson(tmp_path / "b.geojson", [_ring(*GRAVE_IN_DEGREES)], "site")
    for path in (shapefile, corners, declared):
        for frame in (LOCAL, TIED):
            with pytest.raises(FrameError, match=r"degrees on a metre frame.*near \(15.10000, 48.70000\)"):
                read_burials(path, frame)


def test_metres_in_plain_geojson_are_not_taken_as_degrees(tmp_path):
    path = _geojson(tmp_path / "b.geojson", [_ring((100, 200), (102, 200), (102, 201))])
    with pytest.raises(FrameError, match=r"not longitude and latitude.*\(100, 200\)"):
        read_burials(path, TIED)


def test_projected_values_without_a_system_are_refused_on_a_tied_frame(tmp_path):
    path = _save(tmp_path / "b.shp", [Polygon([_projected(0, 0), _projected(2, 0), _projected(2, 1)])])
    with pytest.raises(FrameError, match="far from the site's control points.*look like projected coordinates"):
        read_burials(path, TIED)


def test_undefined_degrees_and_bad_frames_are_refused(tmp_path):
    path = tmp_path / "b.gpkg"
    table = gpd.GeoDataFrame({"burial": ["B"]}, geometry=[Polygon(GRAVE_IN_DEGREES)], crs="EPSG:4326")
    pyogrio.write_dataframe(table, path, layer_options={"SRID": 0})
    with pytest.raises(FrameError, match="degrees of an undefined system"):
        read_burials(path, TIED)
    with pytest.raises(FrameError, match="must be a projected system.*EPSG:4326"):
        write_outlines(tmp_path / "o.gpkg", {"burials": _burials()}, Frame(epsg=4326))
    with pytest.raises(FrameError, match="unknown EPSG code.*999999"):
        write_outlines(tmp_path / "o.gpkg", {"burials": _burials()}, Frame(epsg=999999))
    with pytest.raises(FrameError, match="the site's frame is local"):
        write_geojson(tmp_path / "o.geojson", _burials(), frame=LOCAL)
    assert not list(tmp_path.glob("*o.*"))


def test_what_no_projection_can_reach_is_refused(tmp_path):
    path = _save(tmp_path / "b.gpkg", [box(-75.0, 0.0, -74.0, 1.0)], crs="EPSG:4326")
    with pytest.raises(FrameError, match="cannot be transformed|outside the reach"):
        read_burials(path, PLAIN)


# -- round trips ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("frame", [LOCAL, PLAIN, TIED], ids=["local", "plain", "tied"])
def test_geopackage_round_trip(tmp_path, frame):
    path = tmp_path / "site.gpkg"
    burials = _burials()
    before = burials.copy(deep=True)
    opened = make_outlines(
        OPENED_COLUMNS, [{"opened": "O1", "depth_reached_m": 1.6}], [box(0, 0, 10, 6).difference(box(4, 2, 5, 3))]
    )
    write_outlines(path, {"burials": burials, "opened": opened, "hotspots": empty_outlines(HOTSPOT_COLUMNS)}, frame)
    _assert_same(read_burials(path, frame)[0], burials, 1e-7)
    _assert_same(read_opened(path, frame)[0], opened, 1e-7)
    assert len(read_outlines(path, HOTSPOT_COLUMNS, frame)[0]) == 0
    _assert_same(burials, before)


@pytest.mark.parametrize("frame", [None, TIED], ids=["site", "degrees"])
def test_geojson_round_trip(tmp_path, frame):
    path = tmp_path / "burials.geojson"
    write_geojson(path, _burials(), frame=frame)
    table, _ = read_burials(path, TIED)
    _assert_same(table, _burials(), 2e-4)


def test_corners_round_trip(tmp_path):
    path = tmp_path / "burials.csv"
    write_corners_csv(path, _burials())
    table, _ = read_burials(path, LOCAL)
    _assert_same(table, _burials(), 5e-5)


def test_shapefile_names_cut_to_ten_letters_are_known_again(tmp_path):
    path = tmp_path / "opened.shp"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the writer warns of the very thing that is tested
        gpd.GeoDataFrame({"opened": ["O1"], "depth_reached_m": [1.2]}, geometry=[box(0, 0, 2, 1)], crs=32633).to_file(
            path
        )
    assert "depth_reac" in pyogrio.read_info(path)["fields"]
    table, _ = read_opened(path, PLAIN)
    assert table.loc[0, ["opened", "depth_reached_m"]].tolist() == ["O1", 1.2]


# -- standards ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("frame", "srs"), [(LOCAL, -1), (TIED, 32633)])
def test_geopackage_follows_the_standard(tmp_path, frame, srs):
    # OGC 12-128: application_id "GPKG", user_version 10400 for 1.4, the required tables and rows, geometry magic "GP".
    path = tmp_path / "site.gpkg"
    write_outlines(path, {"burials": _burials()}, frame)
    with sqlite3.connect(path) as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert base.execute("PRAGMA user_version").fetchone() == (10400,)
        tables = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert {"gpkg_spatial_ref_sys", "gpkg_contents", "gpkg_geometry_columns"} <= tables
        assert {-1, 0, 4326} <= {row[0] for row in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert base.execute("SELECT data_type, srs_id FROM gpkg_contents").fetchall() == [("features", srs)]
        assert base.execute("SELECT substr(geom, 1, 2) FROM burials").fetchone() == (b"GP",)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    base.close()


def test_geopackage_is_the_same_bytes_again_and_leaves_settings_alone(tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-02-03T04:05:06.000Z"})
    try:
        for name in ("a.gpkg", "b.gpkg", "a.gpkg"):
            write_outlines(tmp_path / name, {"burials": _burials(), "none": empty_outlines(BURIAL_COLUMNS)}, TIED)
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2001-02-03T04:05:06.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    hashes = {hashlib.sha256(path.read_bytes()).hexdigest() for path in tmp_path.iterdir()}
    assert len(hashes) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.gpkg", "b.gpkg"]


def test_geojson_follows_rfc_7946(tmp_path):
    # RFC 7946: 3.1.6 outer rings anticlockwise, holes clockwise, first position repeated; 4 no member "crs".
    table = make_outlines(
        OPENED_COLUMNS,
        [{"opened": "O1"}, {"opened": "O2"}],
        [
            Polygon([(0, 0), (0, 4), (4, 4), (4, 0)], [[(1, 1), (2, 1), (2, 2), (1, 2)]]),
            shapely.MultiPolygon([box(6, 0, 7, 1), shapely.reverse(box(8, 0, 9, 1))]),
        ],
    )
    path = tmp_path / "o.geojson"
    write_geojson(path, table, frame=TIED)
    document = json.loads(path.read_text())
    assert document["type"] == "FeatureCollection"
    assert not {"crs", "frame"} & set(document)
    assert document["features"][0]["properties"]["depth_reached_m"] is None
    polygons = [document["features"][0]["geometry"]["coordinates"], *document["features"][1]["geometry"]["coordinates"]]
    for outer, *holes in polygons:
        assert outer[0] == outer[-1]
        assert shapely.is_ccw(shapely.LinearRing(outer))
        assert not any(shapely.is_ccw(shapely.LinearRing(hole)) for hole in holes)
    # Seven decimals of a degree are 1.1 cm, so a corner needs more than the six that the RFC finds enough.
    longitude = str(polygons[0][0][0][0])
    assert 7 <= len(longitude.partition(".")[2]) <= 9
    first = path.read_bytes()
    write_geojson(path, table, frame=TIED)
    assert path.read_bytes() == first


def test_missing_outlines_are_null_in_geojson_and_negative_zero_is_zero(tmp_path):
    table = gpd.GeoDataFrame(
        {"a": [np.int64(1), 2], "t": [pd.Timestamp(0), None]}, geometry=[box(-0.00001, 0, 1, 1), None]
    )
    write_geojson(tmp_path / "t.geojson", table)
    document = json.loads((tmp_path / "t.geojson").read_text())
    assert document["features"][1]["geometry"] is None
    assert document["features"][0]["properties"] == {"a": 1, "t": "1970-01-01 00:00:00"}
    assert "-0.0" not in (tmp_path / "t.geojson").read_text()


# -- faults ---------------------------------------------------------------------------------------------------------


def _faulty():
    return [
        box(0, 0, 2, 1),
        BOW_TIE,
        None,
        shapely.LineString([(0, 0), (1, 1)]),
        box(0, 0, 2, 1),
        Polygon(),
        Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [[(5, 5), (6, 5), (6, 6)]]),
        box(5, 5, 7, 6),
    ]


def test_outlines_that_cannot_be_used_are_faults_and_the_others_load(tmp_path):
    path = tmp_path / "burials.geojson"
    features = [
        {
            "type": "Feature",
            "properties": {"burial": i},
            "geometry": None if g is None else json.loads(shapely.to_geojson(g)),
        }
        for i, g in enumerate(_faulty(), start=1)
    ]
    features.append({"type": "Feature", "properties": None, "geometry": {"type": "Polygon", "coordinates": [[[0, 0]]]}})
    features.append({"type": "Feature", "geometry": {"type": "Blob"}})
    path.write_text(json.dumps({"type": "FeatureCollection", "frame": "site", "features": features}))
    table, findings = read_burials(path, LOCAL)
    assert table["burial"].tolist() == ["1", "8"]
    faults = {f.where.rpartition(" ")[2]: (f.text, f.received) for f in _grades(findings, "fault")}
    assert faults["2"] == ("the burial outline crosses itself", "Self-intersection[1 0.5]")
    assert faults["3"][0] == faults["6"][0] == "the burial has no outline"
    assert faults["4"] == ("the burial is not a polygon", "LineString")
    assert faults["5"][0] == "the same burial outline stands in the file twice: the second is left out"
    assert faults["7"][0] == "the burial outline is not valid"
    assert faults["9"][0].startswith("the burial outline is left out: its geometry cannot be read")
    assert set(faults) == {"2", "3", "4", "5", "6", "7", "9", "10"}


@pytest.mark.parametrize("name", ["b.gpkg", "b.shp"])
def test_a_crossing_outline_in_a_gis_file_is_a_fault(tmp_path, name):
    path = _save(tmp_path / name, [BOW_TIE, box(5, 5, 7, 6)])
    table, findings = read_burials(path, LOCAL)
    assert table["burial"].tolist() == ["B1"]
    (fault,) = _grades(findings, "fault")
    assert fault.received == "Self-intersection[1 0.5]"
    assert fault.where.endswith("feature 1")


def test_attributes_are_checked_one_by_one(tmp_path):
    columns = {
        "burial": ["A", "A", None, "A (2)"],
        "kind": ["Adult", "giant", None, "child"],
        "evidence": ["excavated", "rumour", None, "marker"],
        "top_m": [1.5, 0.5, -1.0, None],
        "base_m": [0.5, 1.5, None, None],
        "Sigma_XY_m": [0.1, None, 0.2, 0.3],
        "evidance": ["", "", "", ""],
        "colour": ["", "", "", ""],
    }
    path = _save(tmp_path / "b.gpkg", [box(3 * i, 0, 3 * i + 2, 1) for i in range(4)], **columns)
    table, findings = read_burials(path, LOCAL)
    assert table["burial"].tolist() == ["A", "A (3)", "B3", "A (2)"]
    assert table["kind"].tolist() == ["adult", "unknown", "unknown", "child"]
    assert table["evidence"].tolist() == ["excavated", "documented", "excavated", "marker"]
    assert table["sigma_xy_m"].tolist() == [0.1, 0.05, 0.2, 0.3]
    assert table["top_m"].fillna(-9).tolist() == [-9, 0.5, -9, -9]
    told = [(f.grade, f.text) for f in findings]
    assert ("fault", "top_m is not above base_m: both depths are left blank") in told
    assert ("fault", "top_m must be a number of at least 0: left blank") in told
    assert ("warning", "evidence is none of excavated, probed, documented, marker: taken as documented") in told
    assert ("warning", "the name A is used more than once: called A (3)") in told
    assert ("assumed", "the outline has no name: called B3") in told
    assert ("found", "attributes not used: evidance, colour") in told


def test_a_misspelt_attribute_is_named_with_the_nearest_known_one(tmp_path):
    _, findings = read_burials(
        _geojson(tmp_path / "b.geojson", [_ring((0, 0), (2, 0), (2, 1))], "site", evidance="probed"), LOCAL
    )
    (warning,) = _grades(findings, "warning")
    assert (warning.text, warning.do) == ("attribute 'evidance' is not used", "did you mean 'evidence'?")


def test_corners_with_faults(tmp_path):
    path = tmp_path / "burials.csv"
    path.write_text(
        "id;corner;x;y;grid;kind;top_m\n"
        "A;2;2;0;;adult;0,8\nA;1;0;0;;child;\nA;3;2;1,5;;;\n"  # out of order, and its kind differs
        "B;1;0;0;;;\nB;2;two;0;;;\nB;3;1;1;;;\n"
        "C;1;0;0;;;\nC;2;1;0;;;\n"
        "D;1;0;0;;;\nD;1;1;0;;;\nD;2;1;1;;;\n"
        "E;1;0;0;G;;\nE;2;1;0;G;;\nE;3;1;1;G;;\n"
        "F;1;0;0;Q;;\n"
        "G;one;0;0;;;\n"
    )
    grids = {"G": Grid(name="G", origin=(10, 0))}
    table, findings = read_burials(path, LOCAL, to_site=grids.get)
    assert table["burial"].tolist() == ["A", "E"]
    assert table.loc[0, ["kind", "top_m"]].tolist() == ["adult", 0.8]
    assert shapely.equals(table.geometry[0], Polygon([(0, 0), (2, 0), (2, 1.5)]))
    assert table.geometry[1].bounds == (10, 0, 11, 1)
    faults = {f.where.rpartition(", ")[2]: f.text.partition(": ")[2] for f in _grades(findings, "fault")}
    assert faults == {
        "row 6": "x of a corner is not a number: two",
        "rows 8 to 9": "an outline needs three corners, this has 2",
        "rows 10 to 12": "two corners have the same number",
        "row 16": "there is no grid 'Q'",
        "row 17": "corner is not a number: one",
    }
    assert [f.text for f in _grades(findings, "warning")] == [
        "kind differs between the corners of one outline: the first is taken"
    ]


def test_only_plain_outlines_can_be_written_as_corners(tmp_path):
    table = make_outlines(OPENED_COLUMNS, [{"opened": "O1"}], [box(0, 0, 4, 4).difference(box(1, 1, 2, 2))])
    with pytest.raises(InputError, match="only single outlines without holes"):
        write_corners_csv(tmp_path / "o.csv", table)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("b.dxf", b"", r"outlines of a kind that is not read \(received .dxf\)"),
        ("b", b"", "outlines of a kind that is not read.*no suffix"),
        ("b.gpkg", b"not a database", "not a readable outline file"),
        ("b.shp", b"\x00\x00\x27\x0a", "not a readable outline file"),
        ("b.geojson", b"", "row 1, column 1: not valid JSON"),
        ("b.geojson", b"\xff\xfe", "byte 0: not a text file in UTF-8"),
        ("b.geojson", b"[1]", "no member 'type'"),
        ("b.geojson", b'{"type": "FeatureCollection"}', "no list of features"),
        (
            "b.geojson",
            b'{"type": "FeatureCollection", "features": [], "frame": "metres"}',
            "member 'frame' must be \"site\"",
        ),
        ("b.geojson", b"[" * 100_000, "nested too deeply"),
        ("b.csv", b"burial,x\nB,1\n", "no column 'y'"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused(tmp_path, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FormatError, match=message):
        read_burials(tmp_path / name, LOCAL)


@pytest.mark.parametrize("name", ["b.gpkg", "b.geojson", "b.csv"])
def test_a_missing_file_is_refused(tmp_path, name):
    with pytest.raises(FormatError, match="file not found"):
        read_burials(tmp_path / name, LOCAL)


def test_the_layer_of_several_is_chosen_by_name_or_asked_for(tmp_path):
    path = tmp_path / "all.gpkg"
    write_outlines(path, {"Burials": _burials(), "more": _burials().iloc[:1]}, LOCAL)
    assert len(read_burials(path, LOCAL)[0]) == 2
    assert len(read_burials(path, LOCAL, layer="more")[0]) == 1
    with pytest.raises(FormatError, match="several layers and none named 'opened'.*Burials, more"):
        read_opened(path, LOCAL)
    with pytest.raises(FormatError, match="there is no layer 'none'"):
        read_burials(path, LOCAL, layer="none")
    write_outlines(path, {"old burials": _burials(), "new burials": _burials()}, LOCAL)
    with pytest.raises(FormatError, match="several layers named 'burials'"):
        read_burials(path, LOCAL)
    pyogrio.write_dataframe(pd.DataFrame({"a": [1]}), tmp_path / "t.gpkg", layer="t")
    with pytest.raises(FormatError, match="no layer with geometry"):
        read_burials(tmp_path / "t.gpkg", LOCAL)
    with pytest.raises(FormatError, match="the layer holds no geometry"):
        read_burials(tmp_path / "t.gpkg", LOCAL, layer="t")


def test_reading_leaves_the_folder_untouched_and_sees_unsaved_changes(tmp_path):
    path = tmp_path / "b.gpkg"
    write_outlines(path, {"burials": _burials()}, LOCAL)
    # A GIS program leaves its databases in write-ahead mode.
    with sqlite3.connect(path) as base:
        base.execute("PRAGMA journal_mode = WAL")
    base.close()
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    assert len(read_burials(path, LOCAL)[0]) == 2
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before
    base = sqlite3.connect(path)
    base.execute("CREATE TABLE note (text)")
    base.commit()
    _, findings = read_burials(path, LOCAL)
    base.close()
    assert any("another program has this file open" in f.text for f in findings)


def test_several_parts_of_one_kind_are_kept_together(tmp_path):
    both = shapely.MultiPolygon([box(0, 0, 1, 1), box(3, 0, 4, 1)])
    path = tmp_path / "b.gpkg"
    table = make_outlines(BURIAL_COLUMNS, [{"burial": "A"}, {"burial": "B"}], [both, box(6, 0, 7, 1)])
    write_outlines(path, {"burials": table}, LOCAL)
    read, _ = read_burials(path, LOCAL)
    assert [g.geom_type for g in read.geometry] == ["MultiPolygon", "Polygon"]


def test_lines_and_points_can_be_layers_too(tmp_path):
    lines = gpd.GeoDataFrame({"line": ["L1"]}, geometry=[shapely.LineString([(0, 0), (1, 0)])])
    mixed = gpd.GeoDataFrame({"a": [1, 2]}, geometry=[shapely.Point(0, 0), box(0, 0, 1, 1)])
    write_outlines(tmp_path / "l.gpkg", {"lines": lines, "mixed": mixed}, PLAIN)
    assert pyogrio.list_layers(tmp_path / "l.gpkg").tolist() == [["lines", "LineString"], ["mixed", "Unknown"]]
    with pytest.raises(InputError, match="no layer to write"):
        write_outlines(tmp_path / "n.gpkg", {}, LOCAL)
    with pytest.raises(InputError, match="layer 'lines' has a coordinate system of its own"):
        write_outlines(tmp_path / "n.gpkg", {"lines": lines.set_crs(4326)}, LOCAL)


# -- areas and drawn hotspots -----------------------------------------------------------------------------------------


def test_area_is_the_union_of_its_outlines(tmp_path):
    path = _geojson(
        tmp_path / "area.geojson",
        [_ring((0, 0), (4, 0), (4, 3), (0, 3)), _ring((4, 0), (8, 0), (8, 3), (4, 3))],
        "site",
    )
    area, findings = read_area(path, LOCAL)
    assert area.equals(box(0, 0, 8, 3))
    assert area.geom_type == "Polygon"
    assert [f.code for f in findings] == ["outlines-read"]
    (tmp_path / "area.csv").write_text("x,y\n0,0\n4,0\n4,3\n")
    assert read_area(tmp_path / "area.csv", LOCAL)[0].area == 6.0
    (tmp_path / "bare.geojson").write_text(json.dumps({**_ring((0, 0), (1, 0), (1, 1)), "frame": "site"}))
    assert read_area(tmp_path / "bare.geojson", LOCAL)[0].area == 0.5
    (tmp_path / "none.csv").write_text("x,y\n0,0\n4,0\n")
    with pytest.raises(FormatError, match="no usable outline.*three corners"):
        read_area(tmp_path / "none.csv", LOCAL)


def test_an_outline_without_area_is_a_fault(tmp_path):
    (tmp_path / "area.csv").write_text("x,y\n0,0\n4,0\n8,0\n")
    with pytest.raises(FormatError, match="no usable outline"):
        read_area(tmp_path / "area.csv", LOCAL)


def test_drawn_hotspots_of_a_visit(tmp_path):
    path = tmp_path / "drawn.geojson"
    features = [
        {
            "type": "Feature",
            "id": n,
            "properties": {"visit": visit} if visit else {},
            "geometry": _ring((n, 0), (n + 0.9, 0), (n, 1)),
        }
        for n, visit in enumerate(["spring", "", "autumn"])
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "frame": "site", "features": features}))
    table, _ = read_drawn_hotspots(path, LOCAL, "spring")
    assert table["hotspot"].tolist() == ["0", "1"]
    assert set(table["visit"]) == {"spring"}
    assert set(table["source"]) == {"drawn"}
    assert list(table.columns) == [*HOTSPOT_COLUMNS, "geometry"]
    path.write_text('{"type": "FeatureCollection", "frame": "site", "features": []}')
    assert len(read_drawn_hotspots(path, LOCAL, "spring")[0]) == 0
    path.write_text(json.dumps({"type": "Feature", "frame": "site", "geometry": _ring((0, 0), (1, 0), (0, 1))}))
    assert read_drawn_hotspots(path, LOCAL, "spring")[0]["hotspot"].tolist() == ["H1"]
