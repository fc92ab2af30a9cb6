"""Depths of known burials held to excavated ones, beside what chance gives."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr

from yewline.model import BURIAL_COLUMNS, SiteSettings, VolumeGrid, make_outlines, make_volume
from yewline.workspace.stage_known_depths import check_depths

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=48, ny=40, depth_step_m=0.025, nz=64)
AREA = shapely.box(-0.125, -0.125, 11.875, 9.875)
SLICE_M = (0.8, 1.2)
SITE = SiteSettings.model_validate({"name": "s", "target": {"depth_m": [0.5, 1.4]}, "primary": {"slice_m": SLICE_M}})
SHALLOW = ((2.0, 2.0), (6.0, 2.0), (10.0, 2.0), (4.0, 5.0))
DEEP = ((2.0, 8.0), (6.0, 8.0), (10.0, 8.0), (8.0, 5.0))
"""Bodies 0.75 and 1.0 m down: on the slice lie the deep ones."""


def ground(bodies: dict[tuple[float, float], float], *, seed: int = 1, moved: int = 0, noise: int = 7) -> xr.Dataset:
    """Bodies at their depths in noise, by depth: what a visit with the right velocity shows, whatever it is."""
    x, y = np.meshgrid(GRID.x, GRID.y)
    strength = np.random.default_rng(noise).gamma(20.0, 0.05, (GRID.nz, GRID.ny, GRID.nx))
    for (bx, by), depth in bodies.items():
        near = np.exp(-(((x - bx) / 0.4) ** 2) - ((y - by) / 0.7) ** 2)
        strength += 8.0 * near * np.exp(-0.5 * ((GRID.depth - depth) / 0.06) ** 2)[:, None, None]
    strength = np.roll(strength, moved, axis=2)
    strength *= 1.0 + 0.02 * np.random.default_rng(seed).standard_normal(strength.shape)
    return make_volume(
        GRID,
        strength=strength.astype(np.float32),
        coverage=np.ones(strength.shape, bool),
        depth_error=np.full(strength.shape, 0.08, np.float32),
        attrs={"separation_m": 0.0, "grid": GRID.model_dump_json()},
    )


BODIES = {**dict.fromkeys(SHALLOW, 0.7), **dict.fromkeys(DEEP, 1.05)}


def burials(depth_m: float | None = None, evidence: str = "excavated"):
    rows, shapes = [], []
    for number, ((x, y), depth) in enumerate(BODIES.items(), start=1):
        rows.append({"burial": f"B{number}", "kind": "adult", "top_m": depth_m or depth, "evidence": evidence})
        shapes.append(shapely.box(x - 0.4, y - 0.9, x + 0.4, y + 0.9))
    return make_outlines(BURIAL_COLUMNS, rows, shapes)


def checked(volume: xr.Dataset, known, **how):
    return check_depths(volume, known, score=None, covered=AREA, settings=SITE, **how)


def test_depths_of_bodies_come_out_and_chance_does_not_give_them() -> None:
    check = checked(ground(BODIES), burials())
    assert check.every.n == 8
    assert check.every.rms_m < 0.02
    assert check.every.top_share.k == 8
    assert check.chance.rms_m > 0.2
    assert check.chance.p == pytest.approx(0.01)
    assert check.matched is None
    assert set(check.table["burial"]) == {f"B{n}" for n in range(1, 9)}


def test_a_wrong_velocity_shows_as_a_difference() -> None:
    slow = {place: 0.8 * depth for place, depth in BODIES.items()}
    check = checked(ground(slow), burials())
    assert check.every.mean_m == pytest.approx(-0.2 * np.mean(list(BODIES.values())), abs=0.02)
    assert check.every.top_share.k < 8


def test_without_an_answer_nothing_is_better_than_chance() -> None:
    found = [checked(ground({}, noise=noise), burials()).chance.p for noise in (1, 2, 3)]
    assert min(found) > 0.05


def test_burials_without_an_excavated_depth_are_left_out() -> None:
    assert checked(ground(BODIES), burials(evidence="marker")) is None
    some = burials()
    some.loc[2:, "top_m"] = np.nan
    check = checked(ground(BODIES), some, rests_on_depths=True)
    assert len(check.table) == 2
    assert check.chance is None
    assert check.rests_on_depths


def test_columns_strongest_at_an_end_are_told_apart() -> None:
    check = checked(ground(dict.fromkeys(BODIES, 0.42)), burials())
    assert check.every is None
    assert check.table["at_end"].all()
    assert "no column has a crest" in check.why


# -------------------------------------------------------------------------------------------------------- the whole run
