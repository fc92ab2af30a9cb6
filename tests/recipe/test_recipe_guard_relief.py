"""Uneven ground that a recipe takes for level is named; level ground, levelled with errors, is not."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.model import make_radargram
from yewline.recipe import guard, recipe_from_toml

X = 0.05 * np.arange(300)
STOLT = recipe_from_toml('[[after]]\nstep = "migrate_stolt"\n[[after]]\nstep = "envelope"')
SURFACE = recipe_from_toml('[[after]]\nstep = "migrate_kirchhoff"\nfrom_surface = true\n[[after]]\nstep = "envelope"')


def line(heights: np.ndarray, segment: np.ndarray | None = None):
    return make_radargram(
        np.zeros((len(X), 40)), interval_ns=0.5, x=X, y=0 * X, z=heights, segment=segment, attrs={"centre_mhz": 400.0}
    )


def said(recipe, heights, depth=1.2, segment=None):
    found = guard(recipe, line(heights, segment), grave_length_m=2.1, target_depth_m=depth)
    return [f for f in found if f.code == "relief-ignored"]


def test_a_slope_of_ten_degrees_is_named_with_what_it_moves():
    """A target 1.2 m deep is moved by 1.2 m · sin 10° = 0.21 m."""
    (finding,) = said(STOLT, 100 + np.tan(np.radians(10)) * X)
    assert "up to 10°" in finding.received
    assert "moved by up to 0.21 m" in finding.received
    assert "from_surface" in finding.do


def test_gentle_relief_as_high_as_the_target_is_deep_is_named():
    gentle = 0.8 * np.exp(-(((X - 7.5) / 6) ** 2))
    assert np.degrees(np.arctan(np.abs(np.gradient(gentle, X)).max())) < 8
    assert len(said(STOLT, 50 + gentle)) == 1
    assert said(STOLT, 50 + gentle, depth=3.0) == []


def test_a_recipe_that_starts_from_the_surface_is_left_alone():
    assert said(SURFACE, 100 + 0.3 * X) == []


@pytest.mark.parametrize("seed", range(20))
def test_level_ground_levelled_with_centimetre_errors_raises_no_alarm(seed):
    rng = np.random.default_rng(seed)
    # Points every metre, to 1.5 cm, read between them as a site's own heights are.
    points = 100 + rng.normal(0, 0.015, 16)
    assert said(STOLT, np.interp(X, np.arange(16.0), points)) == []


def test_nothing_is_said_without_heights_or_depth_or_along_a_gap():
    assert said(STOLT, np.zeros(len(X))) == []
    assert said(STOLT, 100 + 0.3 * X, depth=None) == []
    # A step of the ground between two segments is no slope.
    two = np.where(np.arange(300) < 150, 100.0, 100.5)
    assert said(STOLT, two, segment=(np.arange(300) >= 150).astype(int)) == []
