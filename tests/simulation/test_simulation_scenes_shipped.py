"""The scenes that come with the package: each shows what it says, and is computed in minutes."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import shapely

from yewline.physics import plane_wave
from yewline.simulation.earth import (
    DayWater,
    Drained,
    FrozenCrust,
    WaterTable,
    WettingFront,
    materials,
    water_on_section,
)
from yewline.simulation.graves import grave_outline
from yewline.simulation.scenes import (
    SceneDay,
    SceneFile,
    build_section,
    list_scenes,
    planned_lines,
    read_scene,
)

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "scenes.md"
NAMES = [name for name, _ in list_scenes()]
SHIPPED = ROOT / "src" / "yewline" / "simulation" / "scenes" / "shipped"


def soil_on(scene: SceneFile, day: SceneDay, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean over a line of water content, permittivity and conductivity with depth."""
    x = np.linspace(1.0, scene.scene.bounds[2] - 1.0, 60)
    vwc = water_on_section(scene.ground, day.water, x, np.full(60, 2.0), depth)
    wet = dataclasses.replace(
        scene.ground.soil, temperature_c=day.water.temperature_c or scene.ground.soil.temperature_c
    )
    permittivity, conductivity = materials(wet, vwc, frequency_mhz=scene.antenna_on(day).centre_mhz)
    return vwc.mean(axis=0), permittivity.mean(axis=0), conductivity.mean(axis=0)


def loss_db(scene: SceneFile, day: SceneDay, base_m: float) -> float:
    depth = np.arange(0.0125, base_m, 0.025)
    _, permittivity, conductivity = soil_on(scene, day, depth)
    wave = plane_wave(scene.antenna_on(day).centre_mhz, permittivity=permittivity, conductivity_ms_per_m=conductivity)
    return float(2 * 8.686 * np.sum(wave.alpha_np_per_m) * 0.025)


# What the shipped scenes show.


def test_the_scenes_that_a_surveyor_would_look_for_are_there():
    wanted = {"row-of-graves", "clay", "patchy-sand", "roots-and-stones", "intercut", "infants", "no-graves"}
    assert wanted <= set(NAMES)
    assert sorted(NAMES) == NAMES
    assert {path.stem for path in SHIPPED.glob("*.toml")} == set(NAMES)


@pytest.mark.parametrize(("name", "about"), list_scenes())
def test_each_says_in_one_sentence_what_it_shows(name: str, about: str):
    assert about == read_scene(name).about
    assert 40 <= len(about) <= 130
    assert about.endswith(".")
    assert about.count(".") == 1
    assert "grave found" not in about


@pytest.mark.parametrize("name", NAMES)
def test_shipped_scenes_are_whole(name: str):
    scene = read_scene(name)
    assert scene.name == name
    area = shapely.box(*scene.scene.bounds)
    lines = planned_lines(scene.lines)
    for line in lines:
        assert shapely.covers(area, shapely.MultiPoint(line.xy()))
    for grave in scene.scene.graves:
        assert area.contains(grave_outline(grave))
        # All but infants' graves at the edge of the spacing are crossed: else the scene would show nothing.
        crossed = sum(shapely.LineString(line.xy()).intersects(grave_outline(grave)) for line in lines)
        assert crossed >= 2, grave.label
    assert set(scene.known) <= {grave.label for grave in scene.scene.graves}
    assert scene.days[0].date < scene.days[-1].date or len(scene.days) == 1
    assert all(isinstance(day.water, DayWater) for day in scene.days)
    assert any(held.layer.kind == "noise" for held in scene.disturbances)


@pytest.mark.parametrize("name", NAMES)
def test_shipped_scenes_are_computed_in_minutes(name: str):
    """At most 5 lines of 240 traces a day, and some 100 million cell updates a trace."""
    scene = read_scene(name)
    lines = planned_lines(scene.lines)
    assert len(lines) <= 5
    assert all(len(line.places()) <= 240 for line in lines)
    depth = np.arange(0.0125, 2.0, 0.05)
    for day in scene.days:
        pair = scene.antenna_on(day)
        highest = float(soil_on(scene, day, depth)[1].max())
        # Ten cells a wavelength at 2.76 times the centre; a 2-D step lasts cell/(c√2). A window of 5 m by 2.5 m.
        cell = 0.2998 / (2.76e-3 * pair.centre_mhz * highest**0.5 * 10)
        steps = pair.samples * pair.interval_ns / (cell / (0.2998 * 2**0.5))
        assert 5.0 / cell * 2.5 / cell * steps < 3e8, f"{name} on {day.name}"


def test_water_slows_and_weakens_the_wave_over_the_row():
    scene = read_scene("row-of-graves")
    dry, wet = scene.days
    depth = np.arange(0.05, 1.2, 0.05)
    assert soil_on(scene, wet, depth)[1].mean() > 1.6 * soil_on(scene, dry, depth)[1].mean()
    assert loss_db(scene, wet, 1.2) > loss_db(scene, dry, 1.2) + 4.0
    assert scene.antenna_on(wet).centre_mhz < scene.antenna_on(dry).centre_mhz
    ages = {grave.blur_m for grave in scene.scene.graves}
    assert len(ages) == len(scene.scene.graves)
    assert "A6" not in {grave.label for grave in scene.scene.graves}


def test_clay_spends_the_wave_and_sand_does_not():
    clay, sand = read_scene("clay"), read_scene("patchy-sand")
    summer, winter = clay.days
    base = min(grave.base_m for grave in clay.scene.graves)
    assert loss_db(clay, winter, base) > loss_db(clay, summer, base) + 6.0 > 20.0
    assert all(loss_db(sand, day, base) < 5.0 for day in sand.days)


def test_sand_is_patchy_on_one_day_and_even_on_the_other():
    scene = read_scene("patchy-sand")
    x = np.linspace(0.0, 13.0, 261)
    spread = [
        float(water_on_section(scene.ground, day.water, x, np.full(261, 2.5), np.array([0.4])).std())
        for day in scene.days
    ]
    assert spread[0] > 2.5 * spread[1] > 0.0
    # Wetter and drier fills stand side by side.
    wetness = {grave.fill.wetness for grave in scene.scene.graves}
    assert min(wetness) < 1.0 < max(wetness)


def test_most_of_what_diffracts_among_roots_and_stones_is_no_grave():
    scene = read_scene("roots-and-stones").scene
    assert len(scene.roots) + len(scene.stones) > 3 * len(scene.graves)
    assert any(abs(stone.depth_m - 1.05) < 0.2 and stone.radius_m > 0.2 for stone in scene.stones)


def test_intercut_graves_do_cut_and_stack():
    graves = read_scene("intercut").scene.graves
    plans = [grave_outline(grave) for grave in graves]
    cut = [(a, b) for b in range(len(plans)) for a in range(b) if plans[a].intersection(plans[b]).area > 0.1]
    assert len(cut) >= 3
    # The later one, which stands later in the file, is the shallower: it cuts the older one's fill.
    assert all(graves[b].base_m < graves[a].base_m for a, b in cut)
    assert any(len(grave.coffins) == 2 for grave in graves)


def test_infants_are_small_shallow_and_closely_surveyed():
    scene = read_scene("infants")
    small = [grave for grave in scene.scene.graves if grave.kind == "infant"]
    assert len(small) >= 4
    assert all(grave.length_m < 0.95 and grave.width_m < 0.46 and grave.base_m < 0.8 for grave in small)
    assert scene.lines.spacing_m == 0.25
    assert {grave.kind for grave in scene.scene.graves} == {"infant", "child", "adult"}
    assert isinstance(scene.days[1].water.profile, WettingFront)


def test_nobody_lies_where_there_are_no_graves():
    scene = read_scene("no-graves")
    assert scene.scene.graves == ()
    assert scene.known == ()
    held = scene.scene
    assert all((held.tree_throws, held.planting_pits, held.trenches, held.drains, held.burrows, held.stones))


def test_vaults_and_voids_hold_air_and_metal():
    graves = {grave.label: grave for grave in read_scene("vault-and-void").scene.graves}
    assert graves["vault"].vault is not None
    assert [graves[name].coffin.state for name in ("sound", "collapsed")] == ["sound", "collapsed"]
    assert graves["lead"].coffin.metal
    assert graves["shroud"].coffin is None
    assert read_scene("vault-and-void").scene.headstones


def test_frost_brings_the_permittivity_of_the_crust_down_and_leaves_that_below():
    scene = read_scene("frozen-crust")
    line = planned_lines(scene.lines)[0]
    crust, below = [], []
    for day in scene.days:
        section = build_section(
            scene.scene, scene.ground, day.water, line.start, line.end,
            cell_m=0.05, depth_m=1.2, air_m=0.0, margin_m=0.0, frequency_mhz=160.0,
        )  # fmt: skip
        middle = np.median(section.permittivity, axis=0)
        crust.append(float(middle[3]))  # 0.15 m down
        below.append(float(middle[20]))  # 1 m down
    assert isinstance(scene.days[0].water.profile, Drained)
    assert isinstance(scene.days[1].water.profile, FrozenCrust)
    assert crust[1] < 0.5 * crust[0]
    assert below[1] == pytest.approx(below[0], rel=0.05)


def test_the_water_table_rises_into_the_graves():
    scene = read_scene("water-table")
    low, high = (day.water.profile for day in scene.days)
    assert isinstance(low, WaterTable)
    bases = [grave.base_m for grave in scene.scene.graves]
    assert high.table_m < max(bases) < low.table_m
    assert min(bases) < high.table_m
    # Below the table the soil is full.
    vwc = soil_on(scene, scene.days[1], np.array([0.2, 1.5]))[0]
    assert vwc[1] == pytest.approx(scene.ground.soil.porosity, abs=1e-6)
    assert vwc[0] < 0.6 * scene.ground.soil.porosity
