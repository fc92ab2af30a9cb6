"""Names on maps: apart from one another, inside the map, beside what they name."""

from __future__ import annotations

import logging

import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg

from yewline.report.basemap import world_bounds
from yewline.report.maps import strength_limits, visit_map
from yewline.report.moisture import moisture_limits, moisture_map
from yewline.report.names import place_names


def boxes(middles, sizes):
    return shapely.box(*(middles - sizes / 2).T, *(middles + sizes / 2).T)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_names_of_a_crowd_do_not_cover_one_another(seed):
    rng = np.random.default_rng(seed)
    at = rng.uniform(20, 380, (40, 2))
    shapes, sizes = boxes(at, np.array([8.0, 18.0])), np.full((40, 2), (9.4, 5.5))
    middles, apart = place_names(sizes, shapes, [], (0, 0, 400, 400))
    written = boxes(middles, sizes)
    covered = shapely.area(shapely.intersection(written[:, None], written[None, :]))
    np.fill_diagonal(covered, 0)
    assert covered.max() < 1e-9
    assert shapely.within(written, shapely.box(0, 0, 400, 400)).all()
    near = shapely.distance(written, shapes)
    assert near[~apart].max() < 8
    assert near.max() < 45


def test_a_lone_name_stands_close_to_its_outline_and_off_what_lies_around():
    shape, grave = shapely.box(50, 50, 60, 70), shapely.box(60.5, 40, 90, 80)
    sizes = np.array([[9.4, 5.5]])
    middles, apart = place_names(sizes, [shape], [grave], (0, 0, 120, 120))
    written = boxes(middles, sizes)[0]
    assert not apart[0]
    assert written.distance(shape) < 6
    assert written.intersection(grave).area < 1e-9


def test_names_at_the_edge_stay_on_the_map():
    shape = shapely.box(112, 100, 119, 119)
    sizes = np.array([[9.4, 5.5]])
    middles, _ = place_names(sizes, [shape], [], (0, 0, 120, 120))
    assert shapely.within(boxes(middles, sizes)[0], shapely.box(0, 0, 120, 120))


def test_a_long_narrow_map_is_drawn_without_a_word_from_the_library(site, caplog):
    x0, y0, x1, y1 = world_bounds(site)
    narrow = (x0, y0, x0 + 8 * (y1 - y0), y1)
    tall = (x0, y0, x1, y0 + 8 * (x1 - x0))
    with caplog.at_level(logging.WARNING):
        for bounds in (narrow, tall):
            for figure in (
                visit_map(site, site.visits[0], bounds=bounds, limits=strength_limits(site)),
                moisture_map(site, site.visits[0], bounds=bounds, limits=moisture_limits(site)),
            ):
                FigureCanvasAgg(figure).draw()
                axes = next(axes for axes in figure.axes if axes.images)
                origin, right, up = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
                assert right[0] - origin[0] == pytest.approx(up[1] - origin[1], rel=1e-6)
    assert caplog.text == ""


def test_long_lines_to_a_burial_that_is_no_match_are_not_drawn(site, monkeypatch):
    monkeypatch.setattr("yewline.report.maps.LONGEST_LINK_M", 1.5)
    visit = site.visits[0]
    figure = visit_map(site, visit, bounds=world_bounds(site), limits=strength_limits(site))
    axes = next(axes for axes in figure.axes if axes.images)
    drawn = [part for held in axes.collections for part in held.get_segments()]
    lengths = np.array([np.hypot(*(part[-1] - part[0])) for part in drawn])
    distance = visit.score.hotspot_to_burial.distance_m
    matched = np.isin(np.arange(len(distance)), visit.score.matches[:, 0])
    # Each is drawn twice: a light line under a dark one.
    assert len(lengths) == 2 * int((matched | (distance <= 1.5)).sum())
    assert (distance[~matched] > 1.5).any()
