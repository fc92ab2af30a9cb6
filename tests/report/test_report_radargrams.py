from __future__ import annotations

import base64
import io
from dataclasses import replace

import numpy as np
import pytest
import shapely
from PIL import Image

from yewline.ground import depth_of_time
from yewline.model import HOTSPOT_COLUMNS, make_outlines, make_radargram
from yewline.report.palette import bytes_of
from yewline.report.radargrams import (
    Span,
    amplitude_clip,
    crossings,
    natural_key,
    pixels_for_each,
    radargram_views,
    select_lines,
    ticks,
)


def line(amplitude, x, y, name="L1", segment=None):
    return make_radargram(
        amplitude, interval_ns=0.5, x=x, y=y, segment=segment, attrs={"line": name, "separation_m": 0.2}
    )


def picture_of(view):
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(view.uri.split(",")[1]))).convert("RGB")).astype(int)


@pytest.fixture
def visit(site):
    outlines = [shapely.box(10, -1, 12, 1), shapely.box(15, -1, 15.5, 1), shapely.box(10, 5, 12, 6)]
    rows = [{"hotspot": f"H{i}", "visit": "a"} for i in (1, 2, 3)]
    x = np.linspace(0, 20, 201)
    amplitude = np.zeros((201, 120), np.float32)
    amplitude[50, 30], amplitude[150, 90] = 5.0, -5.0
    return replace(
        site.visits[0],
        radargrams={"L1": line(amplitude, x, np.zeros(201)), "L10": line(amplitude, x[::-1], np.zeros(201), "L10")},
        scored=make_outlines(HOTSPOT_COLUMNS, rows, outlines),
    )


def test_spans_are_where_the_line_runs_through_hotspots(visit):
    spans = crossings(visit)
    assert [(s.hotspot, round(s.start_m, 6), round(s.end_m, 6)) for s in spans["L1"]] == [
        ("H1", 10.1, 11.9),
        ("H2", 15.1, 15.4),
    ]
    # Walked the other way the same hotspots stand at the other end.
    assert [(s.hotspot, round(s.start_m, 6), round(s.end_m, 6)) for s in spans["L10"]] == [
        ("H2", 4.6, 4.9),
        ("H1", 8.1, 9.9),
    ]


def test_a_line_that_enters_a_hotspot_twice_has_two_spans(visit):
    fork = shapely.union_all([shapely.box(2, -1, 3, 1), shapely.box(6, -1, 7, 1), shapely.box(2, 1, 7, 2)])
    scored = make_outlines(HOTSPOT_COLUMNS, [{"hotspot": "H1"}], [fork])
    assert len(crossings(replace(visit, scored=scored))["L1"]) == 2


def test_an_event_stands_at_its_own_distance_and_time(visit):
    view = radargram_views(visit, {}, clip=1.0, pixels_each=10**6)[0]
    pixels, table = picture_of(view), bytes_of("broc").astype(int)
    assert pixels.shape == (120, 201, 3)
    assert pixels[30, 50].tolist() == table[254].tolist()
    assert pixels[90, 150].tolist() == table[0].tolist()
    assert np.abs(pixels[0, 0] - table[127]).max() <= 4


def test_the_same_clip_gives_the_same_colour_on_every_visit(synthetic, site):
    clip = amplitude_clip(site)
    pooled = np.concatenate([np.abs(r.values).ravel() for v in site.visits for r in v.radargrams.values()])
    assert np.mean(pooled > clip) == pytest.approx(0.02, abs=0.003)
    value = np.full((10, 10), 0.5 * clip, np.float32)
    colours = set()
    for visit in site.visits:
        flat = replace(visit, radargrams={"L": line(value, np.arange(10.0), np.zeros(10))})
        view = radargram_views(flat, {}, clip=clip, pixels_each=10**6)[0]
        colours.add(tuple(picture_of(view)[5, 5]))
    assert len(colours) == 1


def test_clip_of_silence_is_not_zero(site):
    silent = replace(site.visits[0], radargrams={"L": line(np.zeros((4, 4)), np.arange(4.0), np.zeros(4))})
    assert amplitude_clip(replace(site, visits=(silent,))) == 1.0
    assert amplitude_clip(replace(site, visits=())) == 1.0


def test_marks_and_ticks_stand_at_their_distance(visit):
    view = radargram_views(visit, crossings(visit), clip=1.0, pixels_each=10**6)[0]
    left, _, wide, _ = view.box
    (x0, x1, _, name), _ = view.marks
    assert name == "H1"
    assert [x0, x1] == pytest.approx([left + wide * 10.1 / 20, left + wide * 11.9 / 20], abs=0.06)
    places = {label: x for x, label in view.distance_ticks}
    assert places["10"] == pytest.approx(left + wide / 2, abs=0.06)
    assert "crosses hotspots H1 and H2" in view.caption
    assert "L1" in view.alt


def test_depth_ticks_agree_with_the_depth_of_their_time(visit):
    view = radargram_views(visit, {}, clip=1.0, pixels_each=10**6)[0]
    _, top, _, high = view.box
    window = 119 * 0.5
    for y, label in view.depth_ticks:
        time = (y - top) / high * window
        depth = depth_of_time(time, visit.velocity.mean_m_per_ns, separation_m=0.2)
        assert float(depth) == pytest.approx(float(label), abs=0.05 if label == "0" else 0.02)
    assert len(view.depth_ticks) >= 3


def test_the_band_of_the_slice_lies_at_its_depth_or_is_left_out_below_the_window(visit):
    view = radargram_views(visit, {}, clip=1.0, pixels_each=10**6)[0]
    _, top, _, high = view.box
    y0, height = view.band
    v = visit.velocity.mean_m_per_ns
    for y, depth in ((y0, 0.6), (y0 + height, 0.8)):
        assert depth_of_time((y - top) / high * 59.5, v, separation_m=0.2).item() == pytest.approx(depth, abs=0.02)
    deep = visit.slices.assign_coords(top=visit.slices["top"] + 50, base=visit.slices["base"] + 50)
    assert radargram_views(replace(visit, slices=deep), {}, clip=1.0, pixels_each=10**6)[0].band is None


def test_names_that_would_touch_use_two_rows_and_then_go_without(visit):
    spans = {"L1": tuple(Span(f"HOT-{i:04d}", 5 + 0.3 * i, 5.2 + 0.3 * i) for i in range(4))}
    marks = radargram_views(visit, spans, clip=1.0, pixels_each=10**6)[0].marks
    named = [(mark[2], mark[3]) for mark in marks if mark[3]]
    assert len(marks) == 4
    assert len(named) == 2
    assert len({row for row, _ in named}) == 2


def test_a_narrow_crossing_is_still_visible(visit):
    marks = radargram_views(visit, {"L1": (Span("H", 3.0, 3.0),)}, clip=1.0, pixels_each=10**6)[0].marks
    assert marks[0][1] - marks[0][0] == pytest.approx(4.0)


def test_lines_in_natural_order_and_the_most_crossed_first(site):
    assert sorted(["L10", "L2", "L1b", "L1"], key=natural_key) == ["L1", "L1b", "L2", "L10"]
    assert sorted(["2", "a"], key=natural_key) == ["2", "a"]
    spans = {"a": {"L1": (), "L2": (Span("H1", 0, 1), Span("H1", 2, 3)), "L3": (Span("H1", 0, 1), Span("H2", 2, 3))}}
    assert select_lines(spans, most=1) == ["L3"]
    assert select_lines({"a": {"L2": (), "L1": ()}}, most=1) == ["L1"]
    assert select_lines({}) == []


def test_many_large_radargrams_share_a_budget(site):
    noise = np.random.default_rng(0).normal(size=(900, 500)).astype(np.float32)
    one = line(noise, np.linspace(0, 30, 900), np.zeros(900))
    visits = tuple(replace(v, radargrams=dict.fromkeys([f"L{i}" for i in range(40)], one)) for v in site.visits)
    busy = replace(site, visits=visits)
    view = radargram_views(replace(visits[0], radargrams={"L": one}), {}, clip=2.0, pixels_each=pixels_for_each(busy))[
        0
    ]
    assert 80 * len(view.uri) < 11e6
    assert picture_of(view).shape[0] >= 250


def test_ticks_are_round_and_inside():
    assert ticks(0, 70, 5) == [0, 20, 40, 60]
    assert ticks(0.3, 1.1, 4) == [0.4, 0.6, 0.8, 1.0]
    assert ticks(-0.2, 0.2, 2) == [-0.2, 0.0, 0.2]
    assert ticks(5.0, 5.0, 3) == [5.0]


def test_a_single_trace_does_not_break(site):
    lone = replace(site.visits[0], radargrams={"L": line(np.ones((1, 8)), [0.0], [0.0])})
    view = radargram_views(lone, crossings(lone), clip=1.0, pixels_each=100)[0]
    assert view.distance_ticks
