"""Bodies cut by the plane of a line: areas and volumes in closed form, then order, reach, coverage and refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from yewline.errors import InputError
from yewline.simulation.fillings import AIR, Fill, Metal, Solid, filling_of
from yewline.simulation.graves import Coffin, Grave, Lining, Shroud, Vault, grave_outline
from yewline.simulation.lookalikes import (
    Burrow,
    Drain,
    Footing,
    Headstone,
    Kerb,
    PlantingPit,
    Root,
    Stone,
    TreeThrow,
    Trench,
)
from yewline.simulation.scene import Layer, Scene, kind_of, plan_of
from yewline.simulation.scenes.ageing import aged
from yewline.simulation.scenes.bodies import bodies_of
from yewline.simulation.scenes.coverage import coverage
from yewline.simulation.scenes.cutting import Cut, cut_scene, layer_depth, section_truth
from yewline.simulation.scenes.painting import Lattice, bare_outlines, shares_of
from yewline.simulation.scenes.solids import Ellipsoid, Hull, Less, Plane, Union, section_of

BOUNDS = (0.0, 0.0, 10.0, 10.0)
GRAVE = Grave("G1", "adult", 5.0, 5.0, 2.0, 0.8, 20.0, 0.2, 1.3, coffin=Coffin(1.8, 0.5, 0.35, 0.4))


def _turned(azimuth_deg: float, away: float = 0.0) -> tuple[tuple[float, float], tuple[float, float]]:
    """A line of 8 m at a bearing, its middle `away` to the left of (5, 5)."""
    t = np.array([math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))])
    middle = np.array([5.0, 5.0]) + away * np.array([-t[1], t[0]])
    start, end = middle - 4 * t, middle + 4 * t
    return (float(start[0]), float(start[1])), (float(end[0]), float(end[1]))


def _volume(shape: Hull | Ellipsoid | Union | Less, planes: int = 1500) -> float:
    """Sum of section areas over parallel planes 2 m to both sides, by the midpoint rule."""
    plane = Plane(*_turned(37.0))
    across = (np.arange(planes) + 0.5) / planes * 4.0 - 2.0
    return 4.0 / planes * sum(section_of(shape, plane, float(n)).area for n in across)


# ------------------------------------------------------------------------------------------------- areas and volumes


@pytest.mark.parametrize("turn", [30.0, 75.0, 90.0, -60.0, 139.0])
def test_box_cut_at_an_angle(turn: float) -> None:
    # A line through the middle, at the angle t from the long axis, runs w / |sin t| through a box of width w.
    (fill, *_) = cut_scene(Scene(BOUNDS, (replace(GRAVE, coffin=None),)), *_turned(20.0 + turn))
    chord = 0.8 / abs(math.sin(math.radians(turn)))
    assert fill.outline.area == pytest.approx(chord * 1.1, rel=1e-12)
    assert fill.outline.bounds == pytest.approx((4 - chord / 2, 0.2, 4 + chord / 2, 1.3), abs=1e-9)
    assert not fill.beside


@pytest.mark.parametrize(("turn", "away"), [(0.0, 0.0), (33.0, 0.1), (90.0, -0.25), (120.0, 0.2)])
def test_ellipsoid_cut_by_a_plane(turn: float, away: float) -> None:
    # Area π √det M (1 − h²/q) / √q, with M of the half-axes and q = nᵀ M n along the plane's normal at the distance h.
    stone = Stone(5.0, 5.0, 1.0, 0.3, long=1.8, flat=0.5, azimuth_deg=50.0)
    cuts = cut_scene(Scene(BOUNDS, stones=(stone,)), *_turned(turn, away))
    lie = math.radians(turn - 50.0)
    q = (0.54 * math.sin(lie)) ** 2 + (0.3 * math.cos(lie)) ** 2
    area = math.pi * 0.54 * 0.3 * 0.15 * (1 - away**2 / q) / math.sqrt(q)
    assert sum(cut.outline.area for cut in cuts) == pytest.approx(area, rel=1e-9)
    # Within the stretch that the line cuts, the ellipsoid reaches no farther than as a whole.
    near, far = cuts[0].across_m
    assert -math.sqrt(q) - away - 1e-9 <= near < 0 < far <= math.sqrt(q) - away + 1e-9
    if away == 0.0:
        assert (near, far) == pytest.approx((-math.sqrt(q), math.sqrt(q)), rel=1e-3)


@pytest.mark.parametrize(("turn", "dip"), [(90.0, 0.0), (40.0, 0.0), (65.0, 12.0)])
def test_tube_cut_obliquely(turn: float, dip: float) -> None:
    # A plane whose normal n stands at an angle to a tube's axis t cuts the area π r² / |t·n|.
    fall = 3.0 * math.tan(math.radians(dip))
    drain = Drain(((5.0, 2.0, 1.2 - fall), (5.0, 8.0, 1.2 + fall)), 0.1, label="D")
    (cut,) = cut_scene(Scene(BOUNDS, drains=(drain,)), *_turned(turn))
    slant = math.cos(math.radians(dip)) * math.sin(math.radians(turn))
    assert cut.outline.area == pytest.approx(math.pi * 0.01 / slant, rel=1e-6)


def test_pipe_wall_is_a_ring_and_metal_fills_it() -> None:
    points = ((5.0, 2.0, 1.0), (5.0, 8.0, 1.0))
    scene = Scene(BOUNDS, drains=(Drain(points, 0.1, 1.0, wall_m=0.02),))
    wall, inside = cut_scene(scene, (2, 5), (8, 5))
    assert (wall.kind, inside.kind, wall.label, wall.filling) == ("drain wall", "drain", "drain 1", filling_of("pipe"))
    assert wall.outline.area == pytest.approx(math.pi * (0.1**2 - 0.08**2), rel=1e-6)
    assert len(wall.outline.interiors) == 1
    assert shapely.intersection(wall.outline, inside.outline).area < 1e-12
    (metal,) = cut_scene(Scene(BOUNDS, drains=(Drain(points, 0.1, wall_m=0.02, wall="metal"),)), (2, 5), (8, 5))
    assert metal.filling == Metal()
    assert metal.outline.area == pytest.approx(math.pi * 0.01, rel=1e-6)


def _prismatoid(grave: Grave) -> float:
    """Volume of a box whose walls lean in by the same amount on all sides: (A₀ + 4 Aₘ + A₁) h / 6."""
    areas = [(grave.length_m - 2 * t) * (grave.width_m - 2 * t) for t in (0, grave.taper_m / 2, grave.taper_m)]
    return (areas[0] + 4 * areas[1] + areas[2]) * (grave.base_m - grave.top_m) / 6


VOLUMES = {
    "plain cut": (GRAVE, "fill", 2.0 * 0.8 * 1.1),
    "tapered cut": (replace(GRAVE, taper_m=0.1), "fill", _prismatoid(replace(GRAVE, taper_m=0.1))),
    "tilted cut": (replace(GRAVE, tilt_deg=9.0), "fill", 2.0 * 0.8 * 1.1),
    # An arc of eight chords over a right angle has the area of a 32-cornered circle's quarter.
    "rounded cut": (
        replace(GRAVE, corner_m=0.3),
        "fill",
        (2.0 * 0.8 - 4 * 0.09 + 16 * 0.09 * math.sin(math.pi / 16)) * 1.1,
    ),
    "settled top": (replace(GRAVE, settled_m=0.15), "settled", 2 / 3 * math.pi * 1.0 * 0.4 * 0.15),
    "coffin void": (GRAVE, "coffin void", 1.8 * 0.5 * 0.35 * 0.4),
    "coffin soil": (GRAVE, "coffin soil", 1.8 * 0.5 * 0.35 * 0.6),
    "shoulders": (
        replace(GRAVE, coffin=Coffin(1.8, 0.5, 0.35, 1.0, "shouldered"), tilt_deg=5.0),
        "coffin void",
        0.35 * 0.5 * 1.8 * (0.3 * (0.75 + 1) / 2 + 0.7 * (1 + 0.6) / 2),
    ),
    "boards": (
        replace(GRAVE, coffin=Coffin(1.8, 0.5, 0.35, 1.0, board_m=0.02)),
        "coffin boards",
        1.8 * 0.5 * 0.35 - 1.76 * 0.46 * 0.31,
    ),
    "shroud": (
        replace(GRAVE, coffin=None, shroud=Shroud(), tilt_deg=8.0),
        "shroud",
        math.pi / 6 * 1.65 * 0.42 * 0.22,
    ),
    "lining": (replace(GRAVE, lining=Lining(0.06), taper_m=0.05), "lining", 1.9 * 0.7 * 0.06),
    "vault wall": (
        replace(GRAVE, coffin=None, vault=Vault(1.9, 0.75, 0.7, 0.1)),
        "vault wall",
        1.9 * 0.75 * 0.7 - 1.7 * 0.55 * 0.5,
    ),
    "lined shaft": (
        replace(GRAVE, coffin=None, vault=Vault(1.9, 0.75, 1.0, 0.1, void=0.25, roofed=False)),
        "vault soil",
        1.7 * 0.55 * 0.9 * 0.75,
    ),
}


@pytest.mark.parametrize("name", VOLUMES)
def test_sections_of_a_grave_add_up_to_its_volume(name: str) -> None:
    grave, kind, volume = VOLUMES[name]
    (body,) = (body for body in bodies_of("G1", grave) if body.kind == kind)
    assert _volume(body.shape) == pytest.approx(volume, rel=3e-4)


@pytest.mark.parametrize(
    ("thing", "volume"),
    [
        (Stone(5, 5, 1, 0.3, long=2.0, flat=0.6, azimuth_deg=30), 4 / 3 * math.pi * 0.3**3 * 1.2),
        (
            Burrow(((4.5, 5, 0.6), (5.5, 5.2, 0.9)), 0.12),
            math.pi * 0.0144 * (math.dist((0, 0, 0), (1, 0.2, 0.3)) + 4 / 3 * 0.12),
        ),
        (PlantingPit(5, 5, 0.4, 0.0, 0.6, 0.1), math.pi * 0.6 / 3 * (0.16 + 0.12 + 0.09)),
        (Trench((4, 4.5), (5.5, 5.5), 0.5, 0.0, 0.8, 0.1), math.dist((4, 4.5), (5.5, 5.5)) * 0.8 * 0.4),
        (Footing((4, 4.5), (5.5, 5.5), 0.4, 0.2, 0.6), math.dist((4, 4.5), (5.5, 5.5)) * 0.16),
        (Kerb((4, 5), (5.5, 5), 0.12, 0.1, 0.15), 1.5 * 0.12 * 0.25),
        (Headstone(5, 5, 0.6, 0.1, 0.9, 0.3, 40.0), 0.6 * 0.1 * 1.2),
        (TreeThrow(5, 5, 0.8, 0.6, long=1.3, azimuth_deg=25.0), 2 / 3 * math.pi * 0.8**2 * 1.3 * 0.6),
    ],
)
def test_sections_of_a_thing_add_up_to_its_volume(thing: Stone, volume: float) -> None:
    (body,) = bodies_of("T", thing)
    assert _volume(body.shape) == pytest.approx(volume, rel=3e-4)


def test_crescent_is_a_bowl_less_its_core() -> None:
    throw = TreeThrow(5, 5, 0.9, 0.7, "crescent", azimuth_deg=90.0)
    bowl, crescent = (bodies_of("T", thing)[0].shape for thing in (replace(throw, shape="bowl"), throw))
    assert 0.4 * _volume(bowl, 400) < _volume(crescent, 400) < 0.85 * _volume(bowl, 400)
    # The core stands towards the azimuth: the line that runs that way meets the hollow on the other side of the middle.
    (cut,) = cut_scene(Scene(BOUNDS, tree_throws=(throw,)), (2, 5), (8, 5))
    assert cut.outline.centroid.x < 2.8


def test_halves_share_a_plane_without_overlap() -> None:
    void, soil = (next(b.shape for b in bodies_of("G1", GRAVE) if b.kind == k) for k in ("coffin void", "coffin soil"))
    plane = Plane(*_turned(80.0))
    parts = [section_of(shape, plane) for shape in (void, soil)]
    assert shapely.intersection(*parts).area == pytest.approx(0.0, abs=1e-12)
    assert void.corners[:, 2].max() == pytest.approx(0.95 + 0.4 * 0.35)


# --------------------------------------------------------------------------------------------- reach, order, crossing


def test_left_of_the_line_is_positive() -> None:
    grave = replace(GRAVE, azimuth_deg=0.0, coffin=None)
    # Walking east 0.4 m south of the middle, the head (−y) lies 0.6 m to the right and the feet 1.4 m to the left.
    east, west = (cut_scene(Scene(BOUNDS, (grave,)), *ends)[0] for ends in (((1, 4.6), (9, 4.6)), ((9, 4.6), (1, 4.6))))
    assert east.across_m == pytest.approx((-0.6, 1.4))
    assert west.across_m == pytest.approx((-1.4, 0.6))


def test_reach_is_that_of_the_stretch_not_of_the_whole_body() -> None:
    drain = Drain(((2.0, 2.0, 1.0), (8.0, 8.0, 1.0)), 0.05)
    (cut,) = cut_scene(Scene(BOUNDS, drains=(drain,)), (1, 5), (9, 5))
    # At 45° the ellipse is 2 r √2 long, and within it the pipe goes as far across as along, and r √2 more each way.
    assert cut.across_m == pytest.approx((-0.2 / math.sqrt(2), 0.2 / math.sqrt(2)), rel=2e-3)


def test_bodies_beside_the_line() -> None:
    grave = replace(GRAVE, azimuth_deg=0.0)
    scene = Scene(BOUNDS, (grave,), stones=(Stone(5.0, 3.0, 1.0, 0.2),))
    line = ((1.0, 3.7), (9.0, 3.7))
    assert cut_scene(scene, *line) == ()
    cuts = cut_scene(scene, *line, beside_m=0.31)
    assert [cut.kind for cut in cuts] == ["fill"]
    assert cuts[0].beside
    assert cuts[0].across_m == pytest.approx((0.3, 2.3))
    assert cuts[0].outline.area == pytest.approx(0.8 * 1.1)
    stone = cut_scene(scene, *line, beside_m=0.6)[-1]
    assert stone.across_m == pytest.approx((-0.9, -0.5), abs=1e-3)
    # The nearest plane with half the area of the largest circle.
    assert math.pi * 0.04 * 0.5 <= stone.outline.area < math.pi * 0.04 * 0.56
    tube = Scene(BOUNDS, roots=(Root(((2, 4.2, 0.5), (5, 4.2, 0.5), (8, 4.4, 0.5)), 0.1),))
    assert {cut.kind for cut in cut_scene(tube, *line, beside_m=0.5)} == {"root"}
    assert cut_scene(tube, *line, beside_m=0.3) == ()


def test_bodies_beyond_the_ends_count_within_the_margin() -> None:
    scene = Scene(BOUNDS, stones=(Stone(8.5, 5.0, 1.0, 0.2),))
    assert cut_scene(scene, (2, 5), (7, 5)) == ()
    assert len(cut_scene(scene, (2, 5), (7, 5), margin_m=1.4)) == 1


def test_a_bent_tube_may_be_cut_more_than_once() -> None:
    root = Root(((3, 4, 0.5), (4, 6, 0.5), (5, 4, 0.5), (6, 6, 0.5)), 0.05, label="R")
    cuts = cut_scene(Scene(BOUNDS, roots=(root,)), (1, 5), (9, 5))
    assert sorted(cut.outline.centroid.x for cut in cuts) == pytest.approx([2.5, 3.5, 4.5])


def test_order_of_painting() -> None:
    scene = Scene(
        BOUNDS,
        graves=(GRAVE, Grave("G2", "child", 5.5, 5.0, 1.2, 0.5, 0.0, 0.2, 0.9)),
        stones=(Stone(5.0, 5.0, 0.5, 0.1),),
        layers=(Layer(0.5, Fill()), Layer(0.9, Fill(), label="gravel")),
        tree_throws=(TreeThrow(5.0, 5.0),),
        trenches=(Trench((5, 2), (5, 8)),),
        headstones=(Headstone(5.0, 5.0),),
    )
    cuts = cut_scene(scene, (1, 5), (9, 5))
    assert [(cut.label, cut.kind) for cut in cuts] == [
        ("layer 1", "layer"),
        ("gravel", "layer"),
        ("tree throw 1", "tree throw"),
        ("G1", "fill"),
        ("G1", "coffin soil"),
        ("G1", "coffin void"),
        ("G2", "fill"),
        ("trench 1", "trench"),
        ("stone 1", "stone"),
        ("headstone 1", "headstone"),
    ]
    left = cut_scene(scene, (1, 5), (9, 5), without=("G1", "stone 1"))
    assert [cut for cut in cuts if cut.label not in ("G1", "stone 1")] == list(left)


def test_a_later_grave_cuts_through_an_earlier_one() -> None:
    later = Grave("G2", "adult", 5.3, 5.0, 2.0, 0.8, 20.0, 0.2, 1.5)
    lattice = Lattice(0.0, 0.0, 401, 101, 0.02)
    areas = {}
    for order in ((GRAVE, later), (later, GRAVE)):
        cuts = [replace(cut, blur_m=0.0) for cut in cut_scene(Scene(BOUNDS, order), *_turned(110.0))]
        shares = {cuts[n].label + cuts[n].kind: block.sum() * 4e-4 for n, (_, _, block) in shares_of(cuts, lattice)}
        areas[order[0].label] = shares
        for number, cut in enumerate(cuts):
            whole = shapely.union_all([cut.outline for cut in cuts[number + 1 :]])
            seen = shapely.difference(cut.outline, whole).area
            assert shares[cut.label + cut.kind] == pytest.approx(seen, abs=1e-7)
            assert sum(part.area for part in bare_outlines(cuts, number)) == pytest.approx(seen, abs=1e-12)
    assert areas["G1"]["G1coffin void"] < 0.5 * areas["G2"]["G1coffin void"]
    assert areas["G1"]["G2fill"] > areas["G2"]["G2fill"]


def test_crossing_lines_agree() -> None:
    throw = TreeThrow(5.2, 4.8, 1.2, 0.9, long=1.2, azimuth_deg=70)
    grave = replace(GRAVE, tilt_deg=6.0, taper_m=0.05, settled_m=0.1, shroud=None, lining=Lining())
    layer = Layer(0.6, Fill(), relief_m=0.05, relief_range_m=1.5, seed=3)
    scene = Scene(BOUNDS, (grave,), (Stone(5.1, 5.1, 0.5, 0.2, long=1.5),), layers=(layer,), tree_throws=(throw,))
    spans = []
    for ends in (_turned(20.0), _turned(71.0), _turned(250.0)):
        upright = shapely.LineString([(4.0, -1.0), (4.0, 4.0)])
        spans.append({(c.label, c.kind): c.outline.intersection(upright).bounds[1::2] for c in cut_scene(scene, *ends)})
    assert len(spans[0]) == 8
    for other in spans[1:]:
        assert {key: span for key, span in other.items() if span} == {
            key: pytest.approx(span, abs=2e-4) for key, span in spans[0].items() if span
        }


def test_layer_face_has_the_relief_asked_for() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 200, (2, 4000))
    depth = layer_depth(Layer(0.9, Fill(), 0.1, 2.0, seed=4), x, y)
    # A normal variable held within two standard deviations keeps 0.9595 of its variance.
    held = 2 * norm.cdf(2) - 1 - 4 * norm.pdf(2) + 8 * norm.sf(2)
    assert depth.std() == pytest.approx(0.1 * math.sqrt(held), rel=0.05)
    assert depth.mean() == pytest.approx(0.9, abs=0.01)
    assert np.abs(depth - 0.9).max() <= 0.2 + 1e-12
    assert (layer_depth(Layer(0.9, Fill()), x[:3], y[:3]) == 0.9).all()


# ------------------------------------------------------------------------------------------------------------ coverage


@st.composite
def _polygons(draw: st.DrawFn) -> shapely.Geometry:
    places = st.tuples(st.floats(-1.5, 2.5), st.floats(-1.5, 2.5))
    discs = [shapely.buffer(shapely.Point(draw(places)), draw(st.floats(0.05, 1.0)), quad_segs=4) for _ in range(3)]
    return shapely.difference(shapely.union_all(discs[:2]), discs[2])


@settings(max_examples=25, deadline=None, derandomize=True)
@given(_polygons(), st.sampled_from([0.07, 0.1, 0.31]))
def test_coverage_is_the_area_of_the_intersection(polygon: shapely.Geometry, cell: float) -> None:
    x, z = -1.0 + cell * np.arange(23), -0.5 + cell * np.arange(17)
    cells = shapely.box(x[:, None] - cell / 2, z - cell / 2, x[:, None] + cell / 2, z + cell / 2)
    expected = shapely.area(shapely.intersection(cells, polygon)) / cell**2
    assert coverage(polygon, x, z, cell) == pytest.approx(expected, abs=1e-7)


def test_coverage_of_edges_on_cell_lines_and_of_nothing() -> None:
    x, z = np.arange(5.0), np.arange(4.0)
    share = coverage(shapely.box(0.5, 0.5, 2.5, 1.5), x, z, 1.0)
    assert share.sum() == 2.0
    assert (share[1:3, 1] == 1.0).all()
    assert coverage(shapely.Polygon(), x, z, 1.0).max() == 0.0
    assert coverage(shapely.box(10, 10, 11, 11), x, z, 1.0).max() == 0.0
    assert (coverage(shapely.box(-9, -9, 19, 19), x, z, 1.0) == 1.0).all()
    with pytest.raises(InputError, match="x must be nodes one cell apart"):
        coverage(shapely.box(0, 0, 1, 1), x, z, 0.5)


def test_shares_add_up_to_the_area_that_is_covered() -> None:
    scene = Scene(
        BOUNDS,
        graves=(replace(GRAVE, blur_m=0.0, coffin=None, vault=Vault(1.95, 0.78, 0.7, 0.1), settled_m=0.1),),
        stones=(Stone(5.0, 5.2, 0.7, 0.25), Stone(5.15, 5.1, 0.9, 0.2)),
        drains=(Drain(((2, 4, 0.8), (8, 6, 0.9)), 0.1, wall_m=0.02),),
        trenches=(Trench((4.5, 2), (5.5, 8), blur_m=0.0),),
        layers=(Layer(0.6, Fill(), 0.03),),
    )
    cuts = cut_scene(scene, *_turned(100.0), margin_m=1.0)
    lattice = Lattice(0.0, -0.2, 201, 71, 0.04)
    total = np.zeros((201, 71))
    for _, (columns, rows, share) in shares_of(cuts, lattice):
        total[columns, rows] += share
    whole = coverage(shapely.union_all([cut.outline for cut in cuts]), lattice.x, lattice.z, 0.04)
    assert total == pytest.approx(whole, abs=1e-7)


@pytest.mark.parametrize("sd", [0.03, 0.06])
def test_blurred_edge_is_a_normal_passage(sd: float) -> None:
    cut = Cut(shapely.box(1.0, 0.5, 9.0, 9.0), Fill(), (-1, 1), "fill", "G", sd)
    lattice = Lattice(0.0, 0.0, 151, 151, 0.02)
    ((_, (columns, rows, share)),) = shares_of([cut], lattice)
    whole = np.zeros((151, 151))
    whole[columns, rows] = share
    assert whole[:, 120] == pytest.approx(norm.cdf((lattice.x - 1.0) / sd), abs=0.01)
    # The section cuts the body off at its right and lower side: that is no edge.
    assert whole[-1, -1] == pytest.approx(1.0, abs=1e-6)


def test_blur_keeps_area_and_does_not_fade_at_the_surface() -> None:
    bowl = shapely.Polygon([(1.0, 0.0), (2.0, 0.0), (1.8, 0.3), (1.2, 0.3)])
    lattice = Lattice(0.0, 0.0, 151, 61, 0.02)
    ((_, (columns, rows, share)),) = shares_of([Cut(bowl, Fill(), (0, 1), "settled", "G", 0.04)], lattice)
    whole = np.zeros((151, 61))
    whole[columns, rows] = share
    assert whole[75, 0] == pytest.approx(1.0, abs=1e-3)
    # The row on the surface lies half above it.
    area = (whole[:, 1:].sum() + 0.5 * whole[:, 0].sum()) * 4e-4
    assert area == pytest.approx(bowl.area, rel=5e-3)


# ------------------------------------------------------------------------------------------------------- truth and age


def test_truth_tells_every_cut_in_plain_values() -> None:
    scene = Scene(
        BOUNDS,
        (replace(GRAVE, coffin=Coffin(1.8, 0.5, 0.35, 1.0, board_m=0.02, plate_m=0.2)),),
        layers=(Layer(0.5, Fill()),),
    )
    cuts = cut_scene(scene, *_turned(110.0))
    told = json.loads(json.dumps(section_truth(cuts), allow_nan=False))
    assert [entry["kind"] for entry in told] == ["layer", "fill", "coffin boards", "coffin void", "plate"]
    assert told[0]["across_m"] == [None, None]
    assert told[1]["filling"] == {"is": "soil", "porosity": 0.48, "wetness": 0.85, "mixed_vwc": 0.0}
    assert told[2]["filling"]["is"] == "solid"
    assert len(told[2]["outline_m"]) == 2
    assert told[4]["filling"] == {"is": "metal"}
    assert (told[1]["top_m"], told[1]["base_m"], told[1]["beside"]) == (0.2, 1.3, False)
    assert told[1]["area_m2"] == pytest.approx(0.8 * 1.1)


def test_age_softens_settles_and_empties() -> None:
    fresh = replace(
        GRAVE,
        coffin=Coffin(1.8, 0.5, 0.35, 1.0),
        more_coffins=(Coffin(1.6, 0.5, 0.3, 1.0, raised_m=0.4, metal=True),),
    )
    ages = [aged(fresh, years) for years in (0, 10, 40, 120, 400)]
    assert aged(fresh, 0).fill == fresh.fill
    assert aged(fresh, 0).coffin == fresh.coffin
    assert [grave.coffin.state for grave in ages] == ["sound", "sound", "collapsed", "collapsed", "gone"]
    assert all(grave.more_coffins == fresh.more_coffins for grave in ages)
    for name in ("blur_m", "settled_m"):
        values = [getattr(grave, name) for grave in ages]
        assert values == sorted(values)
    contrast = [1.0 - grave.fill.wetness for grave in ages]
    assert contrast == sorted(contrast, reverse=True)
    assert contrast[-1] > 0.05
    with pytest.raises(InputError, match="years must lie between"):
        aged(fresh, -1)


def test_states_boards_plates_and_metal() -> None:
    kinds = {
        "sound": [b.kind for b in bodies_of("G", replace(GRAVE, coffin=Coffin(1.8, 0.5, void=0.9, board_m=0.02)))],
        "gone": [b.kind for b in bodies_of("G", replace(GRAVE, coffin=Coffin(1.8, 0.5, void=0.0, plate_m=0.1)))],
        "lead": [b.kind for b in bodies_of("G", replace(GRAVE, coffin=Coffin(1.8, 0.5, metal=True)))],
    }
    assert kinds["sound"] == ["fill", "coffin boards", "coffin soil", "coffin void"]
    assert kinds["gone"] == ["fill", "plate"]
    assert kinds["lead"] == ["fill", "coffin"]
    stacked = replace(GRAVE, more_coffins=(Coffin(1.7, 0.5, 0.3, 1.0, raised_m=0.4),))
    voids = [body.shape.corners[:, 2] for body in bodies_of("G", stacked) if body.kind == "coffin void"]
    assert [(v.min(), v.max()) for v in voids] == [pytest.approx((0.95, 1.09)), pytest.approx((0.6, 0.9))]
    assert filling_of("air") is AIR
    assert filling_of(Solid(3.0)) == Solid(3.0)


def test_plans_and_kinds() -> None:
    assert plan_of(Layer(0.5, Fill())).is_empty
    assert plan_of(GRAVE).equals(grave_outline(GRAVE))
    assert plan_of(Headstone(1, 1, 0.6, 0.1, azimuth_deg=90.0)).bounds == pytest.approx((0.7, 0.95, 1.3, 1.05))
    assert plan_of(Stone(2, 3, 1, 0.2, long=2.0, azimuth_deg=90.0)).bounds == pytest.approx((1.6, 2.8, 2.4, 3.2))
    assert plan_of(PlantingPit(2, 3, 0.4)).bounds == pytest.approx((1.6, 2.6, 2.4, 3.4))
    assert plan_of(Drain(((0, 0, 1), (1, 0, 1)), 0.1)).bounds == pytest.approx((-0.1, -0.1, 1.1, 0.1))
    assert plan_of(TreeThrow(5, 5, 1.0, long=1.5)).bounds == pytest.approx((4, 3.5, 6, 6.5))
    assert kind_of(TreeThrow(1, 1)) == "tree throw"


# ------------------------------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Scene((0, 0, 5, 10), (replace(GRAVE, azimuth_deg=90.0),)),
            r"G1: grave reaches outside the scene \(received x 4.00 to 6.00 m, .*widen the bounds to \(0.0, 0.0, 6.0,",
        ),
        (lambda: Scene((0, 0, 3, 3), stones=(Stone(5, 1, 1, 0.2),)), "stone 1: stone lies outside the scene"),
        (lambda: Scene((0, 0, 3, 3), trenches=(Trench((5, 1), (6, 1)),)), "trench lies outside .*widen the bounds"),
        (lambda: Scene(BOUNDS, (GRAVE, replace(GRAVE, x=3.0))), "two things in a scene have the same label"),
        (lambda: replace(GRAVE, coffin=Coffin(2.1, 0.5)), "coffin is larger than the cut.*give at most 2 × 0.8 m, or"),
        (lambda: replace(GRAVE, taper_m=0.2), "coffin is larger than the cut .*give at most 1.6 × 0.4 m.* 2.2 × 0.9 m"),
        (lambda: replace(GRAVE, base_m=0.3), "coffin must lie below the surface.*put the base deeper than 0.35 m"),
        (
            lambda: replace(GRAVE, more_coffins=(Coffin(1.5, 0.5, 0.3, raised_m=0.2),)),
            "two coffins in one cut overlap.*raise the upper one to 0.35 m",
        ),
        (lambda: replace(GRAVE, tilt_deg=50.0), r"tilted base.*tilt between -47.7° and 47.7°"),
        (lambda: replace(GRAVE, vault=Vault(2.2, 0.8, 0.8)), "vault is larger than the cut.*give at most 2 × 0.8 m"),
        (
            lambda: replace(GRAVE, vault=Vault(2.0, 0.8, 0.8, 0.2)),
            "coffin is larger than the vault's chamber.*give at most 1.6 × 0.4 × 0.4 m",
        ),
        (lambda: replace(GRAVE, coffin=None, vault=Vault(2.0, 0.8, 1.4)), "vault must lie below .*deeper than 1.4 m"),
        (lambda: replace(GRAVE, shroud=Shroud(2.4)), "shroud is larger than the cut"),
        (lambda: replace(GRAVE, top_m=0.0), "top must lie below the surface .*give a top between 0 and 1.3 m"),
        (lambda: replace(GRAVE, corner_m=0.5), "corner_m must lie between 0 and 0.4"),
        (lambda: Vault(2.0, 0.8, 0.5, 0.3), "no chamber in the vault.*thinner than 0.25 m"),
        (lambda: Coffin(1.8, 0.5, board_m=0.3), "boards leave no room.*give boards of 0 to 0.147 m"),
        (lambda: Coffin(1.8, 0.5, shape="round"), "shape must be one of box, shouldered"),
        (lambda: Lining(material="gold"), "material must be one of air, brick"),
        (lambda: Stone(0, 0, 0.1, 0.2), "stone must lie below the surface.*deeper than 0.2 m"),
        (lambda: Drain(((0, 0, 0.05), (1, 0, 0.5))), "tube must lie below the surface.*lay it deeper than 0.06 m"),
        (lambda: Root(((0, 0, 1), (0, 0, 1))), "two points of a tube that follow one another are the same"),
        (lambda: Drain(((0, 0, 1), (1, 0, 1)), 0.1, wall_m=0.2), "wall_m must lie between 0 and 0.09"),
        (lambda: Trench((0, 0), (0, 0)), "trench needs two places that differ"),
        (lambda: Trench((0, 0), (1, 0), top_m=-0.1), "top of a trench must lie at or below .*a top of 0 or more"),
        (lambda: PlantingPit(0, 0, top_m=0.7), "top of a planting pit must lie .*a base deeper than 0.7 m"),
        (lambda: TreeThrow(0, 0, shape="square"), "shape must be one of bowl, crescent"),
        (lambda: Kerb((0, 0), (1, 0), height_m=0, depth_m=0), r"height_m \+ depth_m must be greater than zero"),
        (lambda: Headstone(0, 0, height_m=0.0), "height_m must be greater than zero"),
        (lambda: cut_scene(Scene(BOUNDS), (1, 1), (1, 1)), "the line is empty.*give two places that differ"),
        (
            lambda: cut_scene(Scene(BOUNDS, (GRAVE,)), (1, 1), (2, 1), without=("G9",)),
            r"nothing of that label \(received G9\). Use one of: G1",
        ),
        (lambda: cut_scene(Scene(BOUNDS), (1, 1), (2, 1), beside_m=-1), "beside_m must lie between"),
        (lambda: Fill(mixed=0.5), "mixed must lie between"),
        (lambda: Solid(0.5), "permittivity must lie between 1"),
    ],
)
def test_refused_with_what_would_do(make: object, message: str) -> None:
    with pytest.raises(InputError, match="(?i)" + message):
        make()
