from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from yewline.errors import InputError
from yewline.report.palette import bytes_of
from yewline.report.raster import BLANK, data_uri, figure_png, palette_png, shrink, to_index


def decode(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGBA"))


def test_every_index_comes_back_as_its_colour_and_blank_as_transparent():
    index = np.arange(256, dtype=np.uint8).reshape(16, 16)
    picture = decode(palette_png(index, "broc"))
    assert (picture.reshape(-1, 4)[:BLANK, :3] == bytes_of("broc")[:BLANK]).all()
    assert picture.reshape(-1, 4)[:, 3].tolist() == [255] * 255 + [0]


def test_index_follows_value_and_clips():
    values = np.linspace(-2, 2, 9)[None]
    index = to_index(values, -1.0, 1.0)
    assert index.tolist() == [[0, 0, 0, 64, 127, 190, 254, 254, 254]] or index.tolist() == [
        [0, 0, 0, 63, 127, 190, 254, 254, 254]
    ]
    assert to_index([[np.inf, -np.inf, np.nan]], 0, 1)[0, 2] == BLANK


def test_fewer_levels_spread_over_the_whole_scale():
    index = to_index(np.linspace(0, 1, 1001)[None], 0, 1, levels=5)
    assert np.unique(index).tolist() == [0, 64, 127, 190, 254]


def test_a_flat_range_does_not_divide_by_zero():
    assert to_index([[2.0, 2.0]], 2.0, 2.0).tolist() == [[0, 0]]


def test_wrong_levels_are_refused():
    with pytest.raises(InputError, match=r"levels must lie between 2 and 255 \(received 1\)"):
        to_index([[0.0]], 0, 1, levels=1)


def test_shrinking_keeps_the_mean_of_whole_blocks_and_the_place_of_an_event():
    a = np.zeros((100, 60), np.float32)
    a[41, 23] = 1.0
    small = shrink(a, most_rows=25, most_columns=20)
    assert small.shape == (25, 20)
    assert np.argwhere(small).tolist() == [[41 // 4, 23 // 3]]
    assert small.sum() == pytest.approx(1 / 12)
    assert shrink(a, most_rows=100, most_columns=60) is a


def test_a_figure_gives_the_same_bytes_twice_and_names_no_program():
    def draw() -> bytes:
        figure = Figure(figsize=(1, 1))
        figure.text(0.5, 0.5, "a")
        return figure_png(figure)

    first = draw()
    assert first == draw()
    assert b"atplotlib" not in first
    assert decode(first).shape == (150, 150, 4)
    assert base64.b64decode(data_uri(first).split(",")[1]) == first
