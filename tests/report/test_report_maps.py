from __future__ import annotations

import base64
import io
import math
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle
from PIL import Image

from yewline.model import HOTSPOT_COLUMNS, centroids, make_outlines
from yewline.report.basemap import make_basemap, outline_path, round_length, world_bounds
from yewline.report.maps import links, strength_limits, visit_map
from yewline.report.moisture import moisture_limits, moisture_map
from yewline.report.palette import HOTSPOT, MOISTURE, NO_DATA, OTHER, STRENGTH, STYLE, colour_table
from yewline.report.slices import slice_views, svg_outline


class Drawn:
    """A drawn figure, its map axes, and the colour at a place in site metres."""

    def __init__(self, figure):
        canvas = FigureCanvasAgg(figure)
        figure.set_dpi(200)
        canvas.draw()
        self.pixels = np.asarray(canvas.buffer_rgba())[..., :3].astype(float) / 255
        self.axes = next(axes for axes in figure.axes if axes.images)

    def at(self, x, y, reach=0):
        column, row = self.axes.transData.transform((x, y))
        i, j = len(self.pixels) - 1 - int(row), int(column)
        return self.pixels[i - reach : i + reach + 1, j - reach : j + reach + 1].reshape(-1, 3)


@pytest.fixture(scope="module")
def drawn(site):
    visit = site.visits[0]
    return Drawn(visit_map(site, visit, bounds=world_bounds(site), limits=strength_limits(site)))


def near(colour, wanted, within=0.06):
    return np.abs(np.asarray(colour) - np.asarray(wanted)).max(axis=-1) < within


def test_ground_without_data_takes_no_colour_of_the_scale(drawn):
    grey = drawn.at(19.4, 3.5, reach=8)  # in the hole of the area
    assert (np.ptp(grey, axis=1) < 0.05).all()
    assert near(grey, to_rgb(NO_DATA)).mean() > 0.5


def test_each_cell_shows_the_colour_of_its_own_strength(site, drawn):
    slices = site.visits[0].slices
    low, high = strength_limits(site)
    for x, y in ((27.0, 1.0), (25.5, 11.0), (1.0, 16.0), (21.0, 15.0)):
        value = float(slices["strength"].isel(slice=4).sel(x=x, y=y, method="nearest"))
        wanted = colour_table(STRENGTH)[min(255, int(256 * (min(value, high) - low) / (high - low)))]
        assert near(drawn.at(x, y), wanted, 0.03).all()


def test_hotspots_are_drawn_where_they_lie(site, drawn):
    scored = site.visits[0].scored
    mark = to_rgb(HOTSPOT)
    hits = []
    for outline in scored.geometry:
        along = [outline.exterior.interpolate(part, normalized=True) for part in np.linspace(0, 1, 24, endpoint=False)]
        hits.append(np.mean([near(drawn.at(p.x, p.y, reach=1), mark, 0.15).any() for p in along]))
    # Names and links may cover a part of an outline.
    assert np.median(hits) > 0.7
    assert not near(drawn.at(26.5, 6.0, reach=4), mark, 0.15).any()


def test_the_rule_that_is_not_scored_is_drawn_thinly_beside_it(site):
    lone = make_outlines(HOTSPOT_COLUMNS, [{"hotspot": "H1"}], [shapely.box(25, 8, 26, 9)])
    limits, bounds = strength_limits(site), world_bounds(site)
    blue = to_rgb(OTHER)

    def edge_is_blue(site, visit):
        picture = Drawn(visit_map(site, visit, bounds=bounds, limits=limits))
        edge = np.concatenate(
            [picture.at(x, y, reach=1) for x, y in zip(np.linspace(25, 26, 20), [8.0] * 20, strict=True)]
        )
        return near(edge, blue, 0.12).any()

    equal = replace(site.visits[0], equal_area=lone)
    assert edge_is_blue(site, equal)
    assert not edge_is_blue(site, site.visits[0])
    primary = site.settings.primary.model_copy(update={"rule": "equal-area"})
    other = replace(site, settings=site.settings.model_copy(update={"primary": primary}))
    assert not edge_is_blue(other, equal)
    assert edge_is_blue(other, replace(site.visits[0], found=lone))


def test_a_shifted_hotspot_moves_its_mark(site):
    visit = site.visits[0]
    lone = make_outlines(HOTSPOT_COLUMNS, [{"hotspot": "H1", "visit": visit.name}], [shapely.box(25, 8, 26, 9)])
    alone = replace(visit, scored=lone, found=lone, score=None)
    picture = Drawn(visit_map(site, alone, bounds=world_bounds(site), limits=strength_limits(site)))
    assert near(picture.at(25.0, 8.5, reach=1), to_rgb(HOTSPOT), 0.15).any()
    assert near(picture.at(25.5, 8.5), to_rgb(HOTSPOT), 0.15).all()
    assert not near(picture.at(23.9, 8.5, reach=2), to_rgb(HOTSPOT), 0.15).any()


def test_all_visits_share_one_range_of_colours(site):
    bounds, strength, water = world_bounds(site), strength_limits(site), moisture_limits(site)
    for make, limits in ((visit_map, strength), (moisture_map, water)):
        ranges = set()
        for visit in site.visits:
            figure = make(site, visit, bounds=bounds, limits=limits)
            ranges.add(next(axes for axes in figure.axes if axes.images).images[0].get_clim())
        assert ranges == {limits}


def test_a_reading_shows_its_own_value_in_the_colours_of_the_map(site):
    visit = site.visits[0]
    readings = visit.readings.copy()
    readings.loc[0, ["x", "y", "vwc"]] = 26.0, 3.0, 0.30
    wet = replace(visit, readings=readings)
    limits = (0.0, 0.4)
    picture = Drawn(moisture_map(site, wet, bounds=world_bounds(site), limits=limits))
    assert near(picture.at(26.0, 3.0), colour_table(MOISTURE)[int(256 * 0.75)], 0.03).all()
    assert (np.ptp(picture.at(27.2, 3.0, reach=4), axis=1) < 0.05).all()  # no map there, so no colour


def test_readings_without_a_map_are_still_drawn(site):
    visit = replace(site.visits[0], moisture_map=None)
    figure = moisture_map(site, visit, bounds=world_bounds(site), limits=moisture_limits(site))
    assert not any(axes.images for axes in figure.axes[1:2])
    assert len(figure.axes[1].collections) == 2


def test_without_readings_there_is_no_moisture_map(synthetic, site):
    dry = synthetic.without_readings(site)
    assert moisture_limits(dry) is None
    assert moisture_map(dry, dry.visits[0], bounds=world_bounds(dry), limits=(0, 1)) is None


@pytest.mark.parametrize(("bearing", "wanted"), [(0.0, (0, 1)), (90.0, (-1, 0)), (12.0, (-0.2079, 0.9781))])
def test_north_is_turned_by_the_bearing_of_y(site, bearing, wanted):
    frame = site.settings.frame.model_copy(update={"north_deg": bearing})
    turned = replace(site, settings=site.settings.model_copy(update={"frame": frame}))
    with mpl.rc_context(STYLE):
        basemap = make_basemap(turned, "t", world_bounds(turned), [])
    arrow = next(text for text in basemap.paper.texts if text.get_text() == "")
    letter = next(text for text in basemap.paper.texts if text.get_text() == "N")
    direction = np.subtract(arrow.xy, arrow.get_position())
    assert direction / np.hypot(*direction) == pytest.approx(wanted, abs=1e-3)
    assert np.dot(np.subtract(letter.get_position(), arrow.xy), wanted) > 0


def test_the_scale_bar_is_as_long_as_it_says(site):
    with mpl.rc_context(STYLE):
        basemap = make_basemap(site, "t", world_bounds(site), [])
    FigureCanvasAgg(basemap.figure).draw()
    bars = [patch for patch in basemap.paper.patches if isinstance(patch, Rectangle)]
    inches = sum(bar.get_width() for bar in bars)
    said = next(float(t.get_text()[:-2]) for t in basemap.paper.texts if t.get_text().endswith(" m"))
    a, b = basemap.axes.transData.transform([(0, 0), (said, 0)])
    assert (b[0] - a[0]) / basemap.figure.dpi == pytest.approx(inches, rel=1e-6)


@pytest.mark.parametrize(("about", "length"), [(0.7, 0.5), (1.0, 1.0), (4.9, 2.0), (27.0, 20.0), (1e4, 1e4)])
def test_scale_bars_have_round_lengths(about, length):
    assert round_length(about) == pytest.approx(length)


def test_a_long_narrow_site_keeps_its_scale(site):
    long = replace(site, area=shapely.box(0, 0, 200, 3))
    with mpl.rc_context(STYLE):
        basemap = make_basemap(long, "t", (0, 0, 200, 3), [])
    FigureCanvasAgg(basemap.figure).draw()
    origin, right, up = basemap.axes.transData.transform([(0, 0), (1, 0), (0, 1)])
    assert right[0] - origin[0] == pytest.approx(up[1] - origin[1], rel=1e-6)


def test_large_coordinates_are_counted_from_a_round_number(site):
    with mpl.rc_context(STYLE):
        basemap = make_basemap(site, "t", (512_340.0, 17.0, 512_380.0, 40.0), [])
    assert "x − 512,000 (m)" in [text.get_text() for text in basemap.paper.texts]
    assert basemap.axes.get_ylabel() == "y (m)"


def test_every_map_carries_the_restriction_and_the_caution(site):
    with mpl.rc_context(STYLE):
        basemap = make_basemap(site, "t", world_bounds(site), [])
    texts = " ".join(text.get_text() for text in basemap.paper.texts)
    assert "Restricted: shows places of burials" in texts
    assert "grave-like response, not a grave" in texts


def test_links_run_from_each_hotspot_to_its_match_or_else_to_the_nearest(site):
    visit = site.visits[0]
    ends, matched = links(visit, site.burials)
    assert ends.shape == (len(visit.scored), 2, 2)
    np.testing.assert_array_equal(ends[:, 0], centroids(visit.scored))
    assert matched.sum() == visit.score.recall.k
    for hotspot, burial in visit.score.matches:
        np.testing.assert_array_equal(ends[hotspot, 1], centroids(site.burials)[burial])
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    np.testing.assert_allclose(length[~matched], visit.score.hotspot_to_burial.distance_m[~matched])


def test_no_links_without_burials_or_hotspots(synthetic, site):
    assert links(synthetic.without_burials(site).visits[0], site.burials)[0].shape == (0, 2, 2)
    blank = synthetic.without_hotspots(site)
    assert len(links(blank.visits[0], blank.burials)[1]) == 0


def test_ranges_survive_slices_without_any_data(site):
    visit = site.visits[0]
    empty = replace(visit, slices=visit.slices.assign(strength=visit.slices["strength"] * np.nan))
    bare = replace(site, visits=(empty,))
    assert strength_limits(bare) == (0.0, 1.0)
    assert visit_map(bare, empty, bounds=world_bounds(bare), limits=(0.0, 1.0)).axes


def test_many_hotspots_go_without_names(site):
    visit = site.visits[0]
    boxes = [shapely.box(x, y, x + 0.2, y + 0.2) for x in range(1, 14) for y in range(1, 8)]
    rows = [{"hotspot": f"H{i}", "visit": visit.name} for i in range(len(boxes))]
    crowd = replace(visit, scored=make_outlines(HOTSPOT_COLUMNS, rows, boxes), score=None)
    figure = visit_map(site, crowd, bounds=world_bounds(site), limits=strength_limits(site))
    assert not figure.axes[1].texts


def test_outlines_of_nothing_are_no_path():
    assert outline_path(np.array([], dtype=object)) is None
    assert outline_path(shapely.Point(0, 0)) is None
    ring = outline_path(shapely.box(0, 0, 4, 4).difference(shapely.box(1, 1, 2, 2)))
    assert len(ring.vertices) == 10


def test_slice_views_are_north_side_up_and_blank_where_nothing_was_measured(site):
    visit = site.visits[0]
    strength = visit.slices["strength"].copy(deep=True)
    strength[4, -1, 0], strength[4, 0, 0] = 99.0, -99.0  # far top, near bottom of the first column
    marked = replace(visit, slices=visit.slices.assign(strength=strength))
    views = slice_views(site, marked, bounds=world_bounds(site), limits=(0.0, 3.0))
    assert [view.chosen for view in views].count(True) == 1
    view = views[4]
    assert view.label == "0.60–0.80 m ± 0.07"
    assert view.hotspots
    assert not views[3].hotspots
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(view.uri.split(",")[1]))).convert("RGBA"))
    table = np.round(colour_table(STRENGTH) * 255)
    assert picture[0, 0, :3].tolist() == table[254].tolist()
    assert picture[-1, 0, :3].tolist() == table[0].tolist()
    i, j = np.abs(visit.slices["y"].values - 3).argmin(), np.abs(visit.slices["x"].values - 19).argmin()
    assert picture[-1 - i, j, 3] == 0
    unit = view.size[0] / (world_bounds(site)[2] - world_bounds(site)[0])
    assert view.place[2] == pytest.approx((28.0 + 0.25) * unit, abs=0.02)
    assert view.bar == (pytest.approx(5 * unit, abs=0.1), "5 m")
    assert math.isclose(view.north, -12.0)


def test_svg_outlines_turn_y_downward():
    assert svg_outline(shapely.box(1, 1, 2, 3), (0, 0, 4, 4), 10.0) == "M20 30L20 10L10 10L10 30Z"
    assert svg_outline(np.array([], dtype=object), (0, 0, 1, 1), 1.0) == ""
