"""Sections built from a scene, its ground and a day: means over cells, water in fills, what is left out, crossings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from yewline.errors import InputError
from yewline.simulation.bodies import scatter_scene
from yewline.simulation.earth import DayWater, Drained, Even, FrozenCrust, Ground, Patches, Soil, materials
from yewline.simulation.fillings import Fill
from yewline.simulation.graves import Coffin, Grave, Vault
from yewline.simulation.lookalikes import Drain, Headstone, Kerb, PlantingPit, Root, Stone, Trench
from yewline.simulation.scene import Layer, Scene
from yewline.simulation.scenes.cutting import cut_scene
from yewline.simulation.scenes.sections import build_section
from yewline.simulation.soil import Moisture, soil_columns
from yewline.simulation.wave import Section

BOUNDS = (0.0, 0.0, 8.0, 8.0)
GROUND = Ground(Soil(porosity=0.42), 5)
EVEN = DayWater(Even(0.2))
UNEVEN = DayWater(
    Drained(0.14, 0.22), macro=Patches(0.02, (4.0, 4.0, 1.0)), micro=Patches(0.01, (0.2, 0.2, 0.2)), fade_m=1.5
)
GRAVE = Grave("G1", "adult", 4.0, 4.0, 2.0, 0.8, 0.0, 0.2, 1.2, Fill(0.5, 0.8), Coffin(1.8, 0.5, 0.35, 1.0), 0.0)


def _build(scene: Scene, water: DayWater = EVEN, **changes: object) -> Section:
    settings = {"start": (2.0, 4.0), "end": (6.0, 4.0), "ground": GROUND, "cell_m": 0.05, "depth_m": 1.5, "air_m": 0.3}
    settings |= {"margin_m": 0.2, "frequency_mhz": 300.0, **changes}
    return build_section(scene, settings.pop("ground"), water, settings.pop("start"), settings.pop("end"), **settings)


def _at(section: Section, values: np.ndarray, s: float, depth: float) -> float:
    i = round((s - section.x0_m) / section.cell_m)
    k = round((depth - section.z0_m) / section.cell_m)
    return float(values[i, k])


def _soil(vwc: float, porosity: float | None = None) -> tuple[float, float]:
    eps, sigma = materials(GROUND.soil, vwc, porosity=porosity, frequency_mhz=300.0)
    return float(eps), float(sigma)


# ------------------------------------------------------------------------------------------------- means and surface


def test_empty_ground_has_the_soil_below_and_air_above() -> None:
    section = _build(Scene(BOUNDS))
    eps, sigma = _soil(0.2)
    assert (section.columns, section.depths) == (89, 37)
    assert (section.x0_m, section.z0_m) == (-0.2, -0.3)
    assert section.permittivity[:, :6] == pytest.approx(1.0)
    # The row of nodes on the surface is half air.
    assert section.permittivity[:, 6] == pytest.approx(0.5 + 0.5 * eps)
    assert section.conductivity_ms_per_m[:, 6] == pytest.approx(0.5 * sigma)
    assert section.permittivity[:, 7:] == pytest.approx(eps)
    assert section.conductivity_ms_per_m[:, 7:] == pytest.approx(sigma)
    assert section.conductors == ()


def test_cells_hold_area_weighted_means() -> None:
    # A void from 1.33 to 1.83 m along and 0.86 to 1.0 m down, in cells of 0.1 m around whole tenths.
    grave = replace(GRAVE, x=3.58, base_m=1.0, coffin=Coffin(1.8, 0.5, 0.14, 1.0), fill=Fill(0.42, 1.0))
    section = _build(Scene(BOUNDS, (grave,)), cell_m=0.1, margin_m=0.0)
    eps, sigma = _soil(0.2)
    for s, depth, share in (
        (1.5, 0.9, 0.9),
        (1.3, 0.9, 0.2 * 0.9),
        (1.8, 0.9, 0.8 * 0.9),
        (1.8, 1.0, 0.8 * 0.5),
        (1.5, 0.8, 0.0),
    ):
        assert _at(section, section.permittivity, s, depth) == pytest.approx(eps + share * (1 - eps), rel=1e-6)
        assert _at(section, section.conductivity_ms_per_m, s, depth) == pytest.approx(sigma * (1 - share), rel=1e-6)


def test_what_a_stone_changes_is_its_area() -> None:
    stone = Stone(4.03, 4.1, 0.77, 0.23, 6.0, 1.0)
    section, bare = (_build(Scene(BOUNDS, stones=stones)) for stones in ((stone,), ()))
    change = (section.permittivity.astype(float) - bare.permittivity).sum() * 0.05**2
    assert change == pytest.approx((6.0 - _soil(0.2)[0]) * math.pi * (0.23**2 - 0.1**2), rel=1e-5)


def test_later_bodies_replace_earlier_ones_within_a_cell() -> None:
    # A stone under a void share a cell: half each, no soil is left between them.
    grave = replace(GRAVE, base_m=1.0, coffin=Coffin(1.8, 0.8, 0.3, 1.0))
    trench = Trench((4.0, 2.0), (4.0, 6.0), 0.4, 0.85, 1.4, fill=Fill(0.3, 0.0), blur_m=0.0)
    section = _build(Scene(BOUNDS, (grave,), trenches=(trench,)), cell_m=0.1, margin_m=0.0)
    dry = _soil(0.02, 0.3)[0]
    assert _at(section, section.permittivity, 2.0, 0.8) == pytest.approx(1.0)
    assert _at(section, section.permittivity, 2.0, 0.9) == pytest.approx(dry, rel=1e-6)
    # In the next column the trench takes the half up to 2.2 m and its row half of the depth.
    assert _at(section, section.permittivity, 2.2, 0.9) == pytest.approx(0.5 * dry + 0.5, rel=1e-6)


def test_headstones_and_kerbs_stand_in_the_air() -> None:
    scene = Scene(
        BOUNDS,
        headstones=(Headstone(4.0, 4.0, 0.6, 0.2, 0.25, 0.0, material="granite"),),
        kerbs=(Kerb((5.0, 3.0), (5.0, 5.0), 0.2, 0.1, 0.2, "concrete"),),
    )
    section, bare = _build(scene), _build(Scene(BOUNDS))
    eps, _ = _soil(0.2)
    assert _at(section, section.permittivity, 2.0, -0.1) == pytest.approx(5.0)
    # It stands on the ground: the cell on the surface is half stone, half soil.
    assert _at(section, section.permittivity, 2.0, 0.0) == pytest.approx(2.5 + 0.5 * eps)
    assert _at(section, section.permittivity, 3.0, 0.0) == pytest.approx(7.0)
    assert _at(section, section.permittivity, 3.0, 0.2) == pytest.approx(3.5 + 0.5 * eps)
    assert _at(section, section.permittivity, 3.0, -0.15) == pytest.approx(1.0)
    assert (section.permittivity != bare.permittivity).any(axis=1).sum() < 14


# ------------------------------------------------------------------------------------------------------- water in fills


def test_fill_has_its_share_of_the_undisturbed_water() -> None:
    grave = replace(GRAVE, coffin=None)
    section = _build(Scene(BOUNDS, (grave,)), cell_m=0.1)
    assert _at(section, section.permittivity, 2.0, 0.7) == pytest.approx(_soil(0.16, 0.5)[0], rel=1e-6)
    assert _at(section, section.conductivity_ms_per_m, 2.0, 0.7) == pytest.approx(_soil(0.16, 0.5)[1], rel=1e-6)
    # Fuller than its pores it cannot be.
    soaked = _build(Scene(BOUNDS, (replace(grave, fill=Fill(0.45, 4.0)),)), cell_m=0.1)
    assert _at(soaked, soaked.permittivity, 2.0, 0.7) == pytest.approx(_soil(0.45, 0.45)[0], rel=1e-6)
    dried = _build(Scene(BOUNDS, (replace(grave, fill=Fill(0.45, 0.0)),)), cell_m=0.1)
    assert _at(dried, dried.permittivity, 2.0, 0.7) == pytest.approx(_soil(0.02, 0.45)[0], rel=1e-6)


def test_layer_is_a_fill_without_end() -> None:
    section = _build(Scene(BOUNDS, layers=(Layer(0.725, Fill(0.35, 1.2)),)))
    column = section.permittivity[30]
    assert column[7:20] == pytest.approx(_soil(0.2)[0])
    assert column[21:] == pytest.approx(_soil(0.24, 0.35)[0])
    assert (section.permittivity == section.permittivity[:1]).all()


def test_mixed_fill_has_lumps_of_its_own_and_keeps_them() -> None:
    big = replace(GRAVE, width_m=3.6, length_m=7.0, coffin=None, fill=Fill(0.5, 1.0, 0.02, 0.2))
    other = replace(big, label="G2")
    plain = replace(big, fill=Fill(0.5, 1.0))
    where = (slice(10, 80), slice(12, 29))
    days = (EVEN, DayWater(Even(0.2), micro=Patches(0.02, 0.2)))
    lumpy = [_build(Scene(BOUNDS, (big,)), day).permittivity[where] for day in days]
    # The lumps stand in place of the soil's own small scale, and are the same on both days.
    assert (lumpy[0] == lumpy[1]).all()
    slope = (_soil(0.201, 0.5)[0] - _soil(0.199, 0.5)[0]) / 0.002
    assert lumpy[0].std() == pytest.approx(0.02 * slope, rel=0.15)
    assert lumpy[0].mean() == pytest.approx(_soil(0.2, 0.5)[0], rel=0.02)
    apart = _build(Scene(BOUNDS, (other,))).permittivity[where]
    assert abs(np.corrcoef(lumpy[0].ravel(), apart.ravel())[0, 1]) < 0.3
    # Without lumps of its own a fill keeps the soil's.
    kept = _build(Scene(BOUNDS, (plain,)), days[1]).permittivity[where]
    soil = _build(Scene(BOUNDS), days[1]).permittivity[where]
    assert np.corrcoef(kept.ravel(), soil.ravel())[0, 1] > 0.999
    assert _build(Scene(BOUNDS, (plain,))).permittivity[where].std() < 1e-6


def test_frost_reaches_into_fills() -> None:
    grave = replace(GRAVE, coffin=None, fill=Fill(0.5, 1.4))
    frost = DayWater(FrozenCrust(0.6, 0.2, 0.2, unfrozen_vwc=0.03), temperature_c=0.0)
    thawed = DayWater(Drained(0.2, 0.2), temperature_c=0.0)
    cold, mild = (_build(Scene(BOUNDS, (grave,)), day, cell_m=0.1) for day in (frost, thawed))
    assert _at(cold, cold.permittivity, 2.0, 0.4) < 0.5 * _at(mild, mild.permittivity, 2.0, 0.4)
    assert _at(cold, cold.permittivity, 2.0, 0.9) == pytest.approx(_at(mild, mild.permittivity, 2.0, 0.9))


def test_relaxing_section_has_the_same_static_permittivity() -> None:
    scene = Scene(BOUNDS, (GRAVE,), stones=(Stone(5.2, 4.0, 0.6, 0.2),))
    relaxing, plain = _build(scene, relaxing=True), _build(scene, frequency_mhz=10.0)
    assert relaxing.relaxation is not None
    assert plain.relaxation is None
    assert relaxing.static_permittivity() == pytest.approx(plain.permittivity, rel=1e-3)
    assert _at(relaxing, relaxing.relaxation.strength, 3.2, 0.6) == 0.0
    assert _at(relaxing, relaxing.relaxation.strength, 1.0, 0.6) > 1.0


# ---------------------------------------------------------------------------------------------------------------- metal


def test_metal_is_a_conductor_and_stays_out_of_the_means() -> None:
    pipe = Drain(((4.02, 2.0, 0.77), (4.02, 6.0, 0.77)), 0.11, wall_m=0.01, wall="metal")
    section, bare = _build(Scene(BOUNDS, drains=(pipe,))), _build(Scene(BOUNDS))
    (outline,) = section.conductors
    assert outline.area == pytest.approx(math.pi * 0.11**2, rel=1e-5)
    assert section.permittivity == pytest.approx(bare.permittivity, rel=1e-6)
    assert section.conductivity_ms_per_m == pytest.approx(bare.conductivity_ms_per_m, rel=1e-6)


def test_a_later_cut_takes_metal_away() -> None:
    plate = replace(GRAVE, coffin=Coffin(1.8, 0.5, 0.3, 0.0, metal=True))
    trench = Trench((4.0, 2.0), (4.0, 6.0), 0.2, 0.3, 1.4, blur_m=0.0)
    section = _build(Scene(BOUNDS, (plate,), trenches=(trench,)))
    assert [part.area for part in section.conductors] == pytest.approx([0.15 * 0.3] * 2)
    dry = _build(Scene(BOUNDS, (replace(plate, coffin=None),), trenches=(trench,)))
    assert _at(section, section.permittivity, 2.0, 1.0) == _at(dry, dry.permittivity, 2.0, 1.0)


# --------------------------------------------------------------------------------------------------- left out, crossing


def _busy() -> Scene:
    return Scene(
        BOUNDS,
        graves=(
            replace(GRAVE, blur_m=0.02, settled_m=0.1, fill=Fill(0.5, 0.8, 0.02)),
            Grave("G2", "adult", 5.3, 4.1, 2.0, 0.7, 15.0, 0.2, 1.1, Fill(0.5, 1.2, 0.01), None, 0.03),
        ),
        stones=(Stone(3.2, 4.0, 0.6, 0.15), Stone(4.2, 4.0, 0.5, 0.15)),
        roots=(Root(((2, 3, 0.3), (6, 5, 0.5)), 0.04),),
        layers=(Layer(0.4, Fill(0.4, 1.1), 0.03, 2.0, 0.01, 3), Layer(1.0, Fill(0.38, 1.0), 0.05, 3.0, 0.05, 4)),
        headstones=(Headstone(3.0, 4.0),),
    )


@pytest.mark.parametrize("label", ["G1", "G2", "stone 2", "root 1", "headstone 1"])
def test_leaving_a_body_out_keeps_every_other_bit(label: str) -> None:
    scene = _busy()
    whole, left = (_build(scene, UNEVEN, without=without) for without in ((), (label,)))
    differs = (whole.permittivity != left.permittivity) | (whole.conductivity_ms_per_m != left.conductivity_ms_per_m)
    assert differs.any()
    outlines = [cut.outline for cut in cut_scene(scene, (2.0, 4.0), (6.0, 4.0), margin_m=0.2) if cut.label == label]
    # Blur reaches four standard deviations, and a cell half its diagonal.
    reach = shapely.buffer(shapely.union_all(outlines), 4 * 0.03 + 0.11)
    i, k = np.nonzero(differs)
    assert shapely.intersects_xy(reach, whole.distance_m[i], whole.depth_m[k]).all()


def test_the_same_call_gives_the_same_bytes() -> None:
    one, two = (_build(_busy(), UNEVEN) for _ in range(2))
    assert one.permittivity.tobytes() == two.permittivity.tobytes()
    assert one.conductivity_ms_per_m.tobytes() == two.conductivity_ms_per_m.tobytes()


def test_crossing_lines_meet_the_same_ground() -> None:
    # Means over a cell differ between two planes only where a face is near: compare the ground without bodies, exactly,
    # and the depths of the bodies from the sections where they are level.
    scene = Scene(BOUNDS, layers=(Layer(0.4, Fill(0.4, 1.3, 0.02, 0.4), 0.03, 2.0, 0.0, 3),))
    # They cross at (4, 4.5): 2 m along the first line, 1.5 m along the second.
    east = _build(scene, UNEVEN, start=(2.0, 4.5), end=(6.0, 4.5))
    north = _build(scene, UNEVEN, start=(4.0, 3.0), end=(4.0, 6.0))
    columns = [section.permittivity[round((s + 0.2) / 0.05)] for section, s in ((east, 2.0), (north, 1.5))]
    near_face = np.abs(east.depth_m - 0.4) < 0.12
    assert columns[0][~near_face] == pytest.approx(columns[1][~near_face], rel=1e-5)
    assert columns[0] == pytest.approx(columns[1], rel=0.03)


def test_bodies_beside_the_line_are_built_in_on_request() -> None:
    scene = Scene(BOUNDS, stones=(Stone(4.0, 4.5, 0.6, 0.2),))
    bare, missed, taken = (
        _build(Scene(BOUNDS)),
        _build(scene),
        _build(scene, beside_m=0.4),
    )
    assert (missed.permittivity == bare.permittivity).all()
    assert _at(taken, taken.permittivity, 2.0, 0.6) == pytest.approx(6.0)


# ------------------------------------------------------------------------------------------- first order, and refusals


def test_first_order_model_takes_pits_and_trenches_as_boxes() -> None:
    day = soil_columns(BOUNDS, Moisture(0.2, 0.2, patch_sd=0.0), centre_mhz=400.0)
    trench = Trench((3.0, 4.0), (5.0, 4.0), 0.7, 0.2, 1.1, 0.0, Fill(0.5, 0.8), 0.01)
    box = Grave("box", "trench", 4.0, 4.0, 2.0, 0.7, 90.0, 0.2, 1.1, Fill(0.5, 0.8))
    as_trench, as_grave = (
        scatter_scene(scene, day, seed=1, density_per_m3=0.0)
        for scene in (Scene(BOUNDS, trenches=(trench,)), Scene(BOUNDS, graves=(box,)))
    )
    assert (as_trench.weight == as_grave.weight).all()
    pit = scatter_scene(Scene(BOUNDS, planting_pits=(PlantingPit(4, 4, 0.4, 0.0, 0.6),)), day, seed=1, density_per_m3=0)
    assert pit.depth.max() == pytest.approx(0.6)
    layered = [
        scatter_scene(Scene(BOUNDS, trenches=t, layers=(Layer(0.6, Fill(0.3, 1.2)),)), day, seed=1, density_per_m3=0.0)
        for t in ((trench,), ())
    ]
    assert len(layered[0]) - len(as_trench) < len(layered[1])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"cell_m": 1e-5}, r"too many cells .*use cells of \d.* m or more"),
        ({"cell_m": 0.0}, "cell_m must be greater than zero"),
        ({"end": (2.0, 4.0)}, "the line is empty"),
        ({"without": ("G7",)}, "nothing of that label"),
        ({"air_m": -1.0}, "air_m must lie between"),
        ({"depth_m": 0.0}, "depth_m must be greater than zero"),
    ],
)
def test_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match="(?i)" + message):
        _build(Scene(BOUNDS, (GRAVE,)), **changes)


def test_vault_with_a_coffin_in_it() -> None:
    grave = replace(
        GRAVE,
        length_m=2.4,
        width_m=1.1,
        vault=Vault(2.3, 1.0, 0.7, 0.1),
        coffin=Coffin(1.9, 0.6, 0.35, 1.0, metal=True),
    )
    section = _build(Scene(BOUNDS, (grave,)), cell_m=0.02)
    (coffin,) = section.conductors
    assert coffin.bounds == pytest.approx((1.7, 0.75, 2.3, 1.1))
    assert _at(section, section.permittivity, 2.0, 0.66) == pytest.approx(1.0)
    assert _at(section, section.permittivity, 2.0, 1.16) == pytest.approx(4.5)
    assert _at(section, section.permittivity, 1.54, 0.9) == pytest.approx(4.5)
