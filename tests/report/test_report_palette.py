from __future__ import annotations

import re
from importlib import resources

import numpy as np
import pytest
from skimage.color import rgb2lab

from yewline.report.palette import (
    AMPLITUDE,
    BURIAL,
    HOTSPOT,
    INK,
    MOISTURE,
    MUTED,
    OTHER,
    STRENGTH,
    colour_map,
    colour_table,
)


def lightness(name: str) -> np.ndarray:
    """CIE 1976 L* (CIE 15) of a scale, by scikit-image."""
    return rgb2lab(colour_table(name)[None])[0, :, 0]


@pytest.mark.parametrize("name", [STRENGTH, MOISTURE])
def test_sequential_scales_fall_evenly_in_lightness(name):
    light = lightness(name)
    assert (np.diff(light) < 0.05).all()
    slope = np.polyfit(np.arange(256), light, 1)
    assert np.abs(np.polyval(slope, np.arange(256)) - light).max() < 0.12 * (light[0] - light[-1])
    assert light[0] - light[-1] > 40


def test_the_scale_of_amplitudes_is_lightest_at_zero_and_falls_to_both_sides():
    light = lightness(AMPLITUDE)
    # One step of L* is about what the eye can tell apart: zero looks as light as anything on the scale.
    assert light[127:129].min() > light.max() - 1
    assert (np.diff(light[:125]) > 0).all()
    assert (np.diff(light[135:]) < 0).all()
    assert abs(light[0] - light[-1]) < 1


def test_blank_cells_are_transparent():
    assert colour_map(STRENGTH)(np.ma.masked_invalid([np.nan]))[0, 3] == 0


def relative_luminance(colour: str) -> float:
    """WCAG 2.1, relative luminance."""
    rgb = np.array([int(colour.lstrip("#")[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    high, low = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_gives_the_ends_of_the_published_range():
    # WCAG 2.1: contrast ratios range from 1 to 21.
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == 1.0


def test_text_of_page_and_figures_has_contrast_enough():
    # WCAG 2.1, success criterion 1.4.3 (AA): 4.5 for text; 1.4.11: 3 for marks.
    css = resources.files("yewline.report").joinpath("templates/report.css").read_text("utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    for text in ("ink", "muted", "accent", "mark"):
        for ground in ("paper", "ground", "warm", "calm"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert min(contrast(colour, "#ffffff") for colour in (INK, MUTED)) >= 4.5
    assert min(contrast(colour, "#ffffff") for colour in (HOTSPOT, BURIAL, OTHER)) >= 3


def test_the_burial_and_hotspot_colours_differ_in_lightness_too():
    light = rgb2lab(np.array([[[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in (HOTSPOT, BURIAL, OTHER)]]))[
        0, :, 0
    ]
    assert np.abs(np.diff(np.sort(light))).min() > 8
