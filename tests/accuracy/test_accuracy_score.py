"""A visit's whole score: counts by hand, what does not change it, and what it says when a figure cannot be given."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from yewline.accuracy import Window, centroids_of, chance_recall, draw_shifts, placement_level, score_visit
from yewline.errors import InputError
from yewline.hotspots import coverage_area
from yewline.model import VelocityField, VolumeGrid, make_radargram
from yewline.volume import build_volume

AREA = shapely.box(0, 0, 40, 25)
GRAVES = [shapely.box(x, y, x + 2, y + 0.8) for x, y in [(4, 4), (4, 8), (12, 4), (12, 8), (20, 14), (30, 20)]]


def spot(x, y, size=0.3):
    return shapely.box(x - size, y - size, x + size, y + size)


SPOTS = [spot(5, 4.4), spot(5.3, 9.1), spot(13, 4.4), spot(13, 4.6), spot(35, 3), spot(25, 7)]


def score(hotspots=SPOTS, graves=GRAVES, **options):
    options = {"area": AREA, "tolerance_m": 0.5, "grave_length_m": 2.1, "draws": 199, "seed": 2, **options}
    return score_visit(hotspots, graves, **options)


def test_counts_by_hand():
    # Hotspots 0, 1 (0.3 m beyond its grave's side) and one of 2 and 3 match; both of those lie on one grave.
    found = score(opened=[shapely.box(3, 3, 16, 10), shapely.box(24, 6, 26, 8)])
    assert found.matches[:, 1].tolist() == [0, 1, 2]
    assert found.match_distance_m == pytest.approx([0.0, 0.3, 0.0])
    assert (found.recall.k, found.recall.n) == (3, 6)
    # Wilson 1927 for 3 of 6, by hand: (6 + z² ± z√(z² + 6))/(2(6 + z²)) with z² = 3.841459.
    assert (found.recall.low, found.recall.high) == pytest.approx((0.187616, 0.812384), abs=5e-7)
    # Hotspot 4 lies on ground that nobody opened; 5 on opened ground without a burial; the spare of 2 and 3 counts
    # as wrong.
    assert found.assessable.tolist() == [True, True, True, True, False, True]
    assert (found.precision.k, found.precision.n, found.precision.value) == (3, 5, 0.6)
    assert found.eligible.all()


def test_precision_counts_opened_ground_only():
    # Only the eastern pair of graves was opened, and a blank patch: hotspots 2, 3 and 5 lie there, and one of 2 and 3
    # matches. Hotspots 0 and 1 match graves known from ground that nobody opened: they would be hits for nothing.
    found = score(opened=[shapely.box(11, 3, 16, 10), shapely.box(24, 6, 26, 8)])
    assert found.assessable.tolist() == [False, False, True, True, False, True]
    assert (found.precision.k, found.precision.n) == (1, 3)
    assert (found.recall.k, found.recall.n) == (3, 6)
    # Blank ground alone: its one hotspot is wrong, whatever is known elsewhere.
    blank = score(opened=shapely.box(24, 6, 26, 8))
    assert (blank.precision.k, blank.precision.n, blank.precision.value) == (0, 1, 0.0)


def test_a_burial_on_unopened_ground_adds_no_hit():
    dug = [shapely.box(3, 3, 16, 10)]
    base = score(opened=dug)
    more = score([*SPOTS, spot(31, 20.4)], opened=dug)
    assert more.recall.k == base.recall.k + 1
    assert more.precision == base.precision


def test_distances_in_both_directions():
    found = score()
    assert found.hotspot_to_burial.direction == "hotspot to burial"
    assert found.hotspot_to_burial.n == 6
    assert found.hotspot_to_burial.distance_m[:2] == pytest.approx([0.0, np.hypot(0.3, 0.7)])
    assert found.burial_to_hotspot.nearest[:3].tolist() == [0, 1, 2]
    assert found.hotspot_to_outline.distance_m[:3] == pytest.approx([0.0, 0.3, 0.0])
    # Burial 1's centroid (5, 8.4) lies 0.4 m below the lower edge of hotspot 1.
    assert found.burial_to_outline.distance_m[:2] == pytest.approx([0.0, 0.4])
    for distances in (found.hotspot_to_burial, found.burial_to_hotspot):
        assert distances.measure == "centroid to centroid"
        assert distances.placement.null == "placement"
        assert distances.shift.null == "shift"
        assert distances.low_m < distances.mean_m < distances.high_m
    assert found.hotspot_to_outline.shift is None


def test_without_opened_ground_there_is_no_precision():
    for opened in (None, [], shapely.LineString([(0, 0), (1, 1)])):
        found = score(opened=opened)
        assert found.precision.value is None
        assert found.precision.why.startswith("no opened ground was recorded")
        assert not found.assessable.any()
        assert any("against known burials only" in note for note in found.hotspot_to_burial.placement.notes)
    # Every hotspot on a known grave, none of it opened: still no precision.
    graves_only = score([spot(*g.centroid.coords[0]) for g in GRAVES])
    assert (graves_only.recall.k, graves_only.precision.value, graves_only.assessable.any()) == (6, None, False)
    apart = score([spot(35, 3)], opened=shapely.box(24, 6, 26, 8))
    assert apart.precision.why == "no hotspot lies on opened ground"


def test_null_a_is_drawn_where_ground_was_opened():
    found = score(opened=shapely.box(2, 2, 18, 12)).hotspot_to_burial.placement
    assert "over opened ground" in found.notes
    assert any("2 of 6 hotspots lie outside" in note for note in found.notes)
    # The same as placing the four hotspots that lie there in the opened box, with its own stream of the seed.
    plain = placement_level(
        centroids_of(np.array(SPOTS)),
        centroids_of(np.array(GRAVES)),
        Window.of(shapely.box(2, 2, 18, 12)),
        draws=199,
        seed=np.random.default_rng([2, 5]),
    ).hotspot_to_burial
    assert (found.expected_m, found.p) == (plain.expected_m, plain.p)
    # Opened ground lies near the graves, so a blind pick there is nearer than one anywhere.
    assert found.expected_m < score().hotspot_to_burial.placement.expected_m
    graves_only = score(opened=GRAVES).hotspot_to_burial.placement
    assert any("little but the burials themselves" in note for note in graves_only.notes)
    # 4 m² of blank ground against 9.6 m² of graves is too little as well; 12 m² is enough.
    for size, said in ((2.0, "little but the burials themselves"), (3.5, "over opened ground")):
        patch = score(opened=shapely.box(24, 6, 24 + size, 6 + size)).hotspot_to_burial.placement
        assert any(said in note for note in patch.notes)
    elsewhere = score(covered=shapely.box(0, 0, 18, 25), opened=shapely.box(24, 6, 30, 12))
    notes = elsewhere.hotspot_to_burial.placement.notes
    assert "no opened ground lies on the covered ground" in notes
    assert any("against known burials only" in note for note in notes)


def test_chance_recall_is_that_of_null_b():
    found = score()
    # Null B's own shifts, drawn anew from its stream of the seed.
    spots, graves = centroids_of(np.array(SPOTS)), centroids_of(np.array(GRAVES))
    rng = np.random.default_rng([2, 6])
    shifts = draw_shifts(spots, graves, Window.of(AREA), grave_length_m=2.1, draws=199, rng=rng)
    assert found.chance_recall == chance_recall(spots, np.array(GRAVES), shifts, tolerance_m=0.5)
    assert 0 < found.chance_recall < found.recall.value
    assert found.chance_recall_why == ""


def test_twice_the_hotspots_match_more_by_chance():
    rng = np.random.default_rng(8)
    many = [spot(x, y) for x, y in rng.uniform((1, 1), (39, 24), (80, 2))]
    few = many[::2]
    assert score(many, draws=999).chance_recall > 1.5 * score(few, draws=999).chance_recall


def test_chance_recall_counts_eligible_burials_only():
    west = shapely.box(0, 0, 18, 25)
    inside, everything = score(SPOTS, GRAVES[:4], covered=west), score(SPOTS, GRAVES, covered=west)
    assert everything.chance_recall == pytest.approx(inside.chance_recall)
    none = score(SPOTS, GRAVES[4:], covered=west)
    assert (none.chance_recall, none.chance_recall_why) == (None, "no known burial lies on covered ground")
    assert none.hotspot_to_burial.shift.why == "no known burial lies on the ground compared"
    lost = score([spot(35, 3)], covered=west)
    assert (lost.chance_recall, lost.chance_recall_why) == (None, "no hotspot lies on the ground compared")


def test_masked_graves_do_not_change_recall():
    # Known burials beyond the covered ground are set apart: they change neither recall nor its matches.
    west = shapely.box(0, 0, 18, 25)
    inside, everything = score(SPOTS, GRAVES[:4], covered=west), score(SPOTS, GRAVES, covered=west)
    assert everything.recall == inside.recall
    assert everything.eligible.tolist() == [True] * 4 + [False] * 2
    assert any("2 of 6 known burials lie outside the covered ground" in note for note in everything.notes)
    # A hotspot that could serve either serves the burial that counts, and a spare one may still be right.
    pair = [shapely.box(17, 5, 17.9, 6), shapely.box(18.1, 5, 19, 6)]
    one = score([spot(18, 5.5)], pair, covered=west, opened=shapely.box(10, 0, 30, 20))
    assert one.matches.tolist() == [[0, 0]]
    two = score([spot(18.2, 5.5), spot(17.5, 5.5)], pair, covered=west, opened=shapely.box(10, 0, 30, 20))
    assert sorted(two.matches.tolist()) == [[0, 1], [1, 0]]
    assert (two.recall.k, two.recall.n, two.precision.k) == (1, 1, 2)


def test_ground_that_could_not_be_walked_changes_coverage_and_not_recall():
    """Lines that leave out a rectangle about one grave, as headstones make them."""
    hole = shapely.box(17, 11, 25, 18)
    grid = VolumeGrid(x0=0.25, y0=0.25, cell_m=0.5, nx=80, ny=50, depth_step_m=0.2, nz=1)
    spacing = 0.5

    def covered(left_out) -> shapely.Geometry:
        lines = []
        for y in spacing * (0.5 + np.arange(50)):
            x = np.arange(0.05, 40.0, 0.1)
            there = ~shapely.intersects_xy(left_out, x, np.full(len(x), y))
            segment = (np.arange(len(x)) > np.argmin(there)).astype(int)[there] if not there.all() else None
            x = x[there]
            lines.append(make_radargram(np.ones((len(x), 20)), interval_ns=0.5, x=x, y=0 * x + y, segment=segment))
        volume = build_volume(lines, VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=spacing)
        return coverage_area(volume.strength.values[0], grid)

    whole, holed = covered(shapely.Polygon()), covered(hole)
    assert whole.area == pytest.approx(AREA.area)
    # At most what was left out, at least that less 1.5 spacings, over which the volume goes, and half a cell.
    lost = whole.area - holed.area
    assert hole.buffer(-(1.5 * spacing + grid.cell_m / 2), join_style="mitre").area <= lost <= hole.area
    assert hole.buffer(grid.cell_m / 2, join_style="mitre").contains(whole - holed)

    every, masked = score(covered=whole), score(covered=holed)
    unknown = score(covered=holed, graves=[g for g in GRAVES if not hole.contains(g)])
    assert (every.recall.k, every.recall.n) == (3, 6)
    # The share of known burials that could be found falls; recall is that of the others.
    assert (every.eligible.mean(), masked.eligible.mean()) == (1.0, 5 / 6)
    assert (masked.recall.k, masked.recall.n) == (3, 5)
    assert masked.recall == unknown.recall
    assert any("1 of 6 known burials lie outside the covered ground" in note for note in masked.notes)


def test_empty_ground_far_away_changes_no_match():
    wide = shapely.box(0, 0, 400, 300)
    here, there = score(), score(area=wide)
    assert there.matches.tolist() == here.matches.tolist()
    assert there.recall == here.recall
    assert there.hotspot_to_burial.mean_m == here.hotspot_to_burial.mean_m
    # The chance level does change: its ground is part of it.
    assert there.hotspot_to_burial.placement.expected_m > here.hotspot_to_burial.placement.expected_m


@settings(max_examples=8, deadline=None)
@given(st.floats(0, 360), st.floats(-500, 500), st.integers(0, 99))
def test_score_does_not_know_frame_or_order(turn, move, seed):
    rng = np.random.default_rng(seed)
    spots, graves = rng.permutation(len(SPOTS)), rng.permutation(len(GRAVES))

    def there(outline):
        return affinity.translate(affinity.rotate(outline, turn, origin=(0, 0)), move, -move)

    base = score(draws=19)
    other = score(
        [there(SPOTS[i]) for i in spots],
        [there(GRAVES[i]) for i in graves],
        area=there(AREA),
        covered=there(shapely.box(-9, -9, 60, 60)),
        draws=19,
    )
    assert other.recall == base.recall
    assert other.match_distance_m.sum() == pytest.approx(base.match_distance_m.sum(), abs=1e-9)
    assert other.hotspot_to_burial.distance_m == pytest.approx(base.hotspot_to_burial.distance_m[spots], abs=1e-9)
    assert other.burial_to_outline.distance_m == pytest.approx(base.burial_to_outline.distance_m[graves], abs=1e-9)


def test_nothing_found_and_nothing_known():
    blank = score([])
    assert (blank.recall.k, blank.recall.n, blank.recall.value) == (0, 6, 0.0)
    assert blank.hotspot_to_burial.mean_m is None
    assert blank.burial_to_hotspot.why == "there are no hotspots to measure to"
    assert blank.burial_to_hotspot.shift.why == "there are no hotspots"
    assert (blank.chance_recall, blank.chance_recall_why) == (None, "there are no hotspots")
    unknown = score(SPOTS, [])
    assert unknown.recall.value is None
    assert unknown.recall.why == "no known burial lies on covered ground"
    assert unknown.hotspot_to_burial.placement.why == "no burials are known"
    single = score([SPOTS[0]])
    assert single.hotspot_to_burial.sd_m is None
    assert single.hotspot_to_burial.mean_m == pytest.approx(0.0, abs=1e-12)


def test_same_seed_same_figures():
    one, two, other = score(), score(), score(seed=3)
    for name in ("hotspot_to_burial", "burial_to_hotspot"):
        a, b, c = (getattr(found, name) for found in (one, two, other))
        assert (a.low_m, a.high_m) == (b.low_m, b.high_m)
        assert a.shift.sample_m.tobytes() == b.shift.sample_m.tobytes()
        assert a.placement.sample_m.tobytes() == b.placement.sample_m.tobytes()
        assert a.placement.sample_m.tobytes() != c.placement.sample_m.tobytes()


def test_faults():
    with pytest.raises(InputError, match="covered ground lies outside the area"):
        score(covered=shapely.box(90, 90, 99, 99))
    with pytest.raises(InputError, match="covered ground must be a polygon"):
        score(covered="all")
    with pytest.raises(InputError, match="opened ground must be outlines"):
        score(opened=[1])
    with pytest.raises(InputError, match="burial outlines holds an empty outline"):
        score(graves=[shapely.Polygon()])
    with pytest.raises(InputError, match="grave_length_m must be greater than zero"):
        score(grave_length_m=-1)
