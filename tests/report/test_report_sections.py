"""Pictures of a simulated line: what is drawn lies where it should, and the film's colours are those of the field."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import numpy as np
import pytest
from matplotlib import rc_context
from matplotlib.axes import Axes
from PIL import Image

from yewline.report import film_gif, section_png
from yewline.report.palette import STYLE
from yewline.report.sections import draw_section, soil_range
from yewline.report.wave_film import _FIELDS, _GROUNDS, _palette
from yewline.workspace import LineView, ThingView, view_line

TINY = Path(__file__).parents[1] / "tiny_scene.toml"


@pytest.fixture(scope="module")
def view() -> LineView:
    return view_line(TINY)


@pytest.fixture(scope="module")
def film(view: LineView) -> list[np.ndarray]:
    picture = Image.open(io.BytesIO(film_gif(view)))
    frames = []
    for number in range(picture.n_frames):  # type: ignore[attr-defined]
        picture.seek(number)
        frames.append(np.asarray(picture.convert("RGB")))
    return frames


def panels(view: LineView) -> list[Axes]:
    with rc_context(STYLE):
        return draw_section(view).axes[:3]


def words(axes: Axes) -> set[str]:
    return {text.get_text() for text in axes.texts}


def test_three_panels_share_the_distance_axis_and_name_what_they_show(view: LineView):
    model, stored, echoes = panels(view)
    assert {axes.get_xlim() for axes in (model, stored, echoes)} == {(0.0, 5.0)}
    assert model.get_ylim()[0] > 1.2
    assert model.get_ylim()[1] <= 0.0
    assert stored.get_ylim()[0] == pytest.approx(view.time_ns[-1])
    assert {"G1", "G2"} <= words(model)
    assert "through the air" in stored.get_title(loc="left")
    assert (model.get_ylabel(), stored.get_ylabel(), echoes.get_xlabel()) == (
        "depth, m",
        "time, ns",
        "distance along the line, m",
    )


def test_depth_beside_a_radargram_is_half_the_way_of_the_wave(view: LineView):
    (beside,) = panels(view)[1].child_axes
    ticks = beside.get_yticks()
    depths = [float(label.get_text()) for label in beside.get_yticklabels()]
    assert len(depths) >= 3
    v = np.interp(ticks, view.time_ns, view.v_m_per_ns)
    np.testing.assert_allclose(depths, 0.5 * v * ticks, atol=0.03)


def test_a_line_walked_from_its_far_end_gives_the_same_picture(view: LineView):
    back = dataclasses.replace(
        view, trace_m=view.trace_m[::-1], radargram=view.radargram[::-1], echoes=view.echoes[::-1]
    )
    assert section_png(back, dpi=40) == section_png(view, dpi=40)


def test_what_stands_beside_or_is_metal_is_told(view: LineView):
    things = tuple(dataclasses.replace(thing, metal=True, beside=True) for thing in view.things)
    (model, *_) = panels(dataclasses.replace(view, things=things))
    assert "hatched: metal; dotted: beside the line" in model.get_title(loc="left")
    assert any(patch.get_hatch() for patch in model.patches)


def test_direct_waves_keep_their_shape_and_weak_echoes_show(view: LineView):
    norm = panels(view)[1].images[0].norm
    assert (norm.vmin, norm.vmax) == (-100.0, 100.0)
    # arsinh(a)/arsinh(100), from 0 to 1: one percent takes more than a hundredth, and nothing is cut off.
    assert float(norm(1.0)) - 0.5 == pytest.approx(0.5 * np.arcsinh(1.0) / np.arcsinh(100.0))
    assert 0.9 < float(norm(50.0)) < 0.97
    peak = np.abs(np.asarray(panels(view)[1].images[0].get_array())).max(axis=0)
    assert np.median(peak) <= 100.0


def test_a_name_hides_no_small_thing_and_no_other_name(view: LineView):
    """Bodies of a few centimetres side by side, under a layer: names stand under them, and a layer's in a gap."""

    def round_thing(label: str, along: float, depth: float, radius: float) -> ThingView:
        turn = np.linspace(0.0, 2.0 * np.pi, 25)
        ring = np.column_stack([along + radius * np.cos(turn), depth + radius * np.sin(turn)])
        return ThingView(label, "stone", (ring,), beside=False, metal=False)

    face = np.array([[-1.0, 0.3], [6.0, 0.3], [6.0, 9.0], [-1.0, 9.0], [-1.0, 0.3]])
    pit = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.9], [0.0, 0.9], [0.0, 0.0]])
    things = (
        ThingView("bed", "layer", (face,), beside=False, metal=False),
        ThingView("pit", "fill", (pit,), beside=False, metal=False),
        round_thing("left stone", 2.0, 0.5, 0.04),
        round_thing("right stone", 2.1, 0.5, 0.04),
        round_thing("deep stone", 4.0, 0.8, 0.05),
        round_thing("at the end", 0.05, 0.8, 0.02),
    )
    with rc_context(STYLE):
        figure = draw_section(dataclasses.replace(view, things=things))
        model = figure.axes[0]
        figure.draw_without_rendering()
        back = model.transData.inverted()
        boxes = {text.get_text(): text.get_window_extent().transformed(back) for text in model.texts}
    # Two that would run into one another, and one that would be cut off: the later ones go without.
    assert set(boxes) == {"bed", "pit", "left stone", "deep stone"}
    for label, (along, lowest) in {"left stone": (2.0, 0.54), "deep stone": (4.0, 0.85)}.items():
        assert 0.5 * (boxes[label].x0 + boxes[label].x1) == pytest.approx(along, abs=0.02)
        assert min(boxes[label].y0, boxes[label].y1) > lowest - 0.01
    assert max(boxes["pit"].y0, boxes["pit"].y1) < 0.9
    bed = boxes["bed"]
    assert 0.3 < min(bed.y0, bed.y1) < 0.5
    assert not any(bed.x0 < other.x1 and other.x0 < bed.x1 for label, other in boxes.items() if label == "left stone")
    assert bed.x0 > 1.0


def test_the_picture_is_the_same_on_every_run(view: LineView):
    first = section_png(view, dpi=50)
    assert section_png(view, dpi=50) == first
    assert Image.open(io.BytesIO(first)).size[0] == 530


def test_air_is_no_part_of_the_scale_of_the_soil(view: LineView):
    low, high = soil_range(view)
    assert 2.0 < low < high < 10.0
    assert soil_range(dataclasses.replace(view, permittivity=np.ones_like(view.permittivity))) == (1.0, 10.0)


def test_a_film_has_a_frame_for_each_moment_and_goes_round(view: LineView):
    data = film_gif(view)
    picture = Image.open(io.BytesIO(data))
    assert picture.n_frames == len(view.shot.time_ns)  # type: ignore[attr-defined]
    assert picture.info["loop"] == 0
    assert film_gif(view) == data


def test_before_the_wave_only_the_ground_is_drawn_and_then_its_colours(view: LineView, film: list[np.ndarray]):
    # The lower left corner of the model, away from lines: pale and grey until the wave comes, then coloured.
    high, wide = film[0].shape[:2]
    corner = np.s_[round(0.75 * high) : round(0.82 * high), round(0.10 * wide) : round(0.14 * wide)]

    def colourful(frame: np.ndarray) -> float:
        part = frame[corner].astype(int)
        return float((part.max(axis=2) - part.min(axis=2)).max())

    assert colourful(film[0]) <= 4
    assert max(colourful(frame) for frame in film) > 40


def test_colours_are_those_of_the_field(view: LineView):
    """A field of +1 everywhere gives the scale's upper end everywhere, over each shade of the ground."""
    shot = view.shot
    for value, column in ((1.0, _FIELDS - 1), (-1.0, 0), (0.0, _FIELDS // 2), (0.1, round(0.75 * (_FIELDS - 1)))):
        still = dataclasses.replace(shot, field=np.full_like(shot.field[:2], value), time_ns=shot.time_ns[:2])
        frame = np.asarray(Image.open(io.BytesIO(film_gif(dataclasses.replace(view, shot=still)))).convert("RGB"))
        ends = {tuple(colour) for colour in _palette()[: _GROUNDS * _FIELDS].reshape(_GROUNDS, _FIELDS, 3)[:, column]}
        high, wide = frame.shape[:2]
        inside = frame[round(0.3 * high) : round(0.8 * high), round(0.1 * wide) : round(0.6 * wide)].reshape(-1, 3)
        share = np.mean([tuple(colour) in ends for colour in inside.tolist()])
        assert share > 0.85, (value, share)
