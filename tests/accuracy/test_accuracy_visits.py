"""Two visits compared: blocks, p-values by hand, chance geometry, and what the statement may say."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.accuracy import Window, compare_visits, share_blocks
from yewline.accuracy.visits import chance_of_capped
from yewline.errors import InputError

AREA = shapely.box(-5, -5, 45, 30)
GRAVES = [shapely.box(x, y, x + 2, y + 0.8) for y in range(0, 25, 5) for x in range(0, 40, 8)]
CENTRES = np.array([(g.centroid.x, g.centroid.y) for g in GRAVES])


def spots(points, size=0.3):
    return [shapely.box(x - size, y - size, x + size, y + size) for x, y in np.atleast_2d(points)]


def moved(up):
    return CENTRES + np.array([0.0, up])


def compare(a, b, *, graves=GRAVES, n_visits=2, **options):
    options = {"area": AREA, "tolerance_m": 0.5, "draws": 499, "seed": 3, **options}
    return compare_visits("dry", a, "wet", b, graves, n_visits=n_visits, **options)


def test_distances_by_hand():
    # Grave 0 hit inside; grave 1 missed by 0.3 m beyond its long side; all others missed by far.
    found = compare([], spots([CENTRES[0], CENTRES[1] + (0.0, 0.7)], 0.1))
    assert found.capped_b_m[:3] == pytest.approx([0.0, 0.3, 0.5])
    assert (found.capped_a_m == 0.5).all()
    assert found.paired_difference_m == pytest.approx(-(0.5 + 0.2) / 25)
    assert (found.n, found.blocks, found.direction) == (25, 25, "burial to hotspot")
    # Two blocks differ: neither can be told from the other sign with p below 2/4.
    assert found.p == found.smallest_p == 0.5
    assert (found.differing, found.tolerance_m) == (2, 0.5)
    assert "p cannot fall below 0.5, because only 2 of 25 burials differ. So few burials could not" in found.statement
    assert "Visit dry has no hotspots." in found.statement


def test_a_hotspot_on_half_a_grave_is_not_capped():
    half = spots(CENTRES + np.array([0.5, 0.0]))
    assert (compare([], half).capped_b_m == 0.0).all()
    by_centre = compare([], half, measure="centroid to centroid", tolerance_m=0.4)
    assert (by_centre.capped_b_m == 0.4).all()
    assert compare([], half, measure="centroid to centroid", tolerance_m=0.8).capped_b_m == pytest.approx(0.5)


def test_clear_difference_is_said_and_moisture_is_not_blamed():
    found = compare([], spots(CENTRES))
    assert found.paired_difference_m == pytest.approx(-0.5)
    assert found.p == pytest.approx(1 / 500)
    assert found.p >= found.smallest_p
    assert found.low_m == found.high_m == pytest.approx(-0.5)
    assert found.statement == (
        "Visit dry has no hotspots. The visits differ: the hotspots of wet lie closer to the known burials, by 0.50 m "
        "on average over 25 burials (p = 0.002). These are distances from burial to the nearest hotspot's middle, "
        "measured to the burial's outline and counted up to 0.50 m. Here p cannot fall below 0.002, because 499 draws "
        "were made. A difference does not say what caused it. By chance alone, from how many hotspots there are and "
        f"how they lie, those of wet would be {-found.chance_difference_m:.2f} m closer. "
        "With 2 visits, fewer than five, no claim about moisture is made."
    )
    assert "With 2 visits, fewer than five, no claim about moisture is made." in found.statement
    many = compare([], spots(CENTRES), n_visits=5)
    assert "moisture" not in many.statement
    assert "With one visit," in compare([], spots(CENTRES), n_visits=1).statement


def test_swapping_visits_swaps_the_sign():
    rng = np.random.default_rng(1)
    a, b = spots(CENTRES[:9] + rng.normal(0, 0.5, (9, 2))), spots(CENTRES[5:] + rng.normal(0, 0.5, (20, 2)))
    there, back = compare(a, b), compare(b, a)
    assert there.paired_difference_m == pytest.approx(-back.paired_difference_m)
    assert (there.low_m, there.high_m) == pytest.approx((-back.high_m, -back.low_m))
    assert there.p == pytest.approx(back.p, abs=0.05)
    assert there.chance_difference_m == pytest.approx(-back.chance_difference_m)


def test_same_hotspots_give_no_difference():
    found = compare(spots(CENTRES[:7]), spots(CENTRES[:7]))
    assert (found.paired_difference_m, found.p, found.smallest_p) == (0.0, 1.0, 1.0)
    assert found.chance_difference_m == 0.0
    assert found.statement.startswith(
        "On both visits every burial lies equally far from the middle of its nearest hotspot, or 0.50 m or farther"
    )
    assert "caused" not in found.statement
    assert (found.differing, found.tolerance_m) == (0, 0.5)


def test_nothing_to_compare_where_every_distance_is_capped():
    # Hotspots 3 m above every grave on one visit, 2 m on the other: far apart, and yet nothing within the tolerance.
    found = compare(spots(moved(3.0)), spots(moved(2.0)))
    assert found.statement == (
        "On both visits every burial lies 0.50 m or farther from the middle of any hotspot, so there is nothing to "
        "compare. With 2 visits, fewer than five, no claim about moisture is made."
    )
    one = compare([], spots(moved(2.0)), n_visits=5)
    assert one.statement.startswith("Visit dry has no hotspots. On both visits every burial lies 0.50 m or farther")
    neither = compare([], [], n_visits=5)
    assert neither.statement == "Neither visit has hotspots, so there is nothing to compare."


def test_no_difference_names_cap_measure_and_cause():
    # By hand: 4 of 25 graves hit on the dry day, 8 others on the wet one: 12 differ, by 0.5 m each, 8 one way and 4 the
    # other, so the mean is (4 − 8)·0.5/25 = −0.08 m. Of 2¹² signs, those with a sum of 4 or more halves either way:
    # 1 − (C(12,5) + C(12,6) + C(12,7))/2¹² = 1 − 2508/4096 = 0.3877.
    found = compare(spots(CENTRES[:4]), spots(CENTRES[4:12]))
    assert found.paired_difference_m == pytest.approx(-0.08)
    assert found.p == pytest.approx(1 - 2508 / 4096)
    assert (found.differing, found.blocks) == (12, 25)
    assert found.statement.startswith(
        "No difference is shown: the hotspots of wet lie closer by 0.08 m on average over 25 burials (p = 0.39). These "
        "are distances from burial to the nearest hotspot's middle, measured to the burial's outline and counted up to "
        "0.50 m. Here p cannot fall below 0.00049, because only 12 of 25 burials differ. By chance alone, "
    )
    assert "caused" not in found.statement
    assert "could not have shown" not in found.statement
    centre = compare(spots(CENTRES[:4]), spots(CENTRES[4:8]), measure="centroid to centroid", n_visits=5)
    assert (
        "distances from the burial's middle to the nearest hotspot's middle, counted up to 0.50 m" in centre.statement
    )
    assert "it is less than 0.01 m on average over 25 burials (p = 1)" in centre.statement
    assert "moisture" not in centre.statement


def test_statement_counts_what_sets_the_smallest_p():
    one = compare(spots(CENTRES[:1]), [], graves=GRAVES[:1])
    assert one.statement.startswith(
        "Visit wet has no hotspots. No difference is shown: the hotspots of dry lie closer by 0.50 m for the one "
        "burial compared (p = 1). "
    )
    assert "Here p cannot fall below 1, because there is only one burial. So few" in one.statement
    two = compare(spots(CENTRES[:3]), spots(CENTRES[:2]))
    assert "because only 1 of 25 burials differs. So few burials could not have shown one." in two.statement
    # Two pairs of neighbours that share a hotspot, and one grave alone: five burials differ, as three.
    graves = [shapely.box(x, y, x + 2, y + 0.8) for x, y in [(0, 0), (0, 1.4), (8, 0), (8, 1.4), (16, 0)]]
    shared = compare([], spots([(1, 1.1), (9, 1.1), (17, 0.4)], 0.2), graves=graves)
    assert (shared.differing, shared.smallest_p) == (5, 2 / 2**3)
    assert "because there are only 5 burials, which count as 3 because some share a hotspot." in shared.statement


def test_differences_that_cancel_inside_a_group():
    # One hotspot between two graves, 0.1 m nearer one on the dry day and 0.1 m nearer the other on the wet day.
    graves = [shapely.box(0, 0, 2, 0.8), shapely.box(0, 1.4, 2, 2.2)]
    found = compare(spots([(1, 1.0)], 0.1), spots([(1, 1.2)], 0.1), graves=graves)
    assert (found.differing, found.blocks, found.p, found.smallest_p) == (2, 1, 1.0, 1.0)
    assert "differ only for burials that share a hotspot, and among those the differences cancel out" in found.statement


def test_shared_hotspots_make_blocks():
    # Pairs of graves 0.6 m apart; one hotspot lies between each pair on the wet visit.
    graves = [shapely.box(x, y, x + 2, y + 0.8) for x in range(0, 32, 8) for y in (0.0, 1.4)]
    between = spots([(x + 1.0, 1.1) for x in range(0, 32, 8)], 0.2)
    found = compare([], between, graves=graves)
    assert (found.n, found.blocks) == (8, 4)
    assert found.p == found.smallest_p == 2 / 2**4
    # Each grave with a hotspot of its own: eight blocks and a smaller p.
    own = spots([(g.centroid.x, g.centroid.y) for g in graves], 0.2)
    assert compare([], own, graves=graves).smallest_p == 2 / 2**8


def test_blocks_hang_together_across_visits():
    assert share_blocks(np.array([0, 0, 1, 2, -1]), np.array([-1, 5, 5, -1, -1])).tolist() == [0, 0, 0, 1, 2]
    assert share_blocks(np.array([-1, -1]), np.array([-1, -1])).tolist() == [0, 1]
    # Hotspot 0 of one visit is not hotspot 0 of the other.
    assert share_blocks(np.array([0, -1]), np.array([-1, 0])).tolist() == [0, 1]


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 12), st.integers(0, 9_999))
def test_blocks_are_the_finest_that_share_nothing(n, seed):
    rng = np.random.default_rng(seed)
    a, b = rng.integers(-1, 6, n), rng.integers(-1, 6, n)
    label = share_blocks(a, b)
    for nearest in (a, b):
        for hotspot in range(6):
            assert len(set(label[nearest == hotspot])) <= 1
    for block in set(label):
        inside = np.flatnonzero(label == block)
        if len(inside) > 1:
            # No burial in a block of several stands alone.
            others = [np.delete(inside, k) for k in range(len(inside))]
            assert all(
                (a[i] >= 0 and (a[i] == a[o]).any()) or (b[i] >= 0 and (b[i] == b[o]).any())
                for i, o in zip(inside, others, strict=True)
            )


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0.05, 3.0))
def test_capped_distances_stay_below_the_cap_and_order_does_not_matter(seed, tolerance):
    rng = np.random.default_rng(seed)
    a, b = spots(rng.uniform(0, 40, (6, 2))), spots(rng.uniform(0, 25, (9, 2)))
    found = compare(a, b, tolerance_m=tolerance, draws=19)
    assert max(found.capped_a_m.max(), found.capped_b_m.max()) <= tolerance
    turn = rng.permutation(len(GRAVES))
    other = compare(a[::-1], b[::-1], graves=[GRAVES[i] for i in turn], tolerance_m=tolerance, draws=19)
    assert other.capped_a_m == pytest.approx(found.capped_a_m[turn])
    assert other.paired_difference_m == pytest.approx(found.paired_difference_m)
    assert other.smallest_p == pytest.approx(found.smallest_p)
    assert other.blocks == found.blocks


def test_no_difference_is_seldom_called_one():
    # Hotspots of both visits drawn alike: p ≤ 0.05 in at most 5 % of 400 sites, ± 3 standard errors of 1.1 %.
    rejected = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        a, b = (spots((CENTRES + rng.normal(0, 0.4, (25, 2)))[rng.random(25) < 0.6]) for _ in range(2))
        rejected += compare(a, b, draws=199, seed=seed).p <= 0.05
    assert rejected / 400 <= 0.05 + 3 * 0.011


def test_chance_difference_knows_number_and_scatter():
    window, outlines = Window.of(AREA), np.array(GRAVES)
    rng = np.random.default_rng(5)
    few, many = window.sample(rng, 10), window.sample(rng, 60)
    heap = rng.normal((20, 12), 0.6, (60, 2))
    options = {"tolerance_m": 1.0, "grave_length_m": 2.1, "draws": 2_000, "seed": 2}
    by_few, by_many, by_heap = (chance_of_capped(h, outlines, window, **options) for h in (few, many, heap))
    # More hotspots come nearer by chance; clustered ones less so than as many spread ones.
    assert by_many < by_few < 1.0
    assert by_many < by_heap < 1.0
    assert chance_of_capped(np.empty((0, 2)), outlines, window, **options) == 1.0
    found = compare(spots(few), spots(many), tolerance_m=1.0)
    assert found.chance_difference_m == pytest.approx(by_many - by_few, abs=0.03)
    assert f"those of wet would be {-found.chance_difference_m:.2f} m closer." in found.statement


def test_chance_of_capped_against_plain_placement_of_a_poisson_pattern():
    # Independent hotspots: P(none within r of a point) = exp(−λπr²), so the mean of min(d, c) is ∫₀ᶜ exp(−λπr²)dr.
    window = Window.of(shapely.box(0, 0, 60, 60))
    rng = np.random.default_rng(4)
    points = shapely.points(rng.uniform(5, 55, (40, 2)))
    options = {"tolerance_m": 2.0, "grave_length_m": 2.1, "draws": 400}
    means = [chance_of_capped(window.sample(rng, 180), points, window, seed=s, **options) for s in range(30)]
    r = np.linspace(0, 2, 2_001)
    expected = np.trapezoid(np.exp(-180 / 3600 * np.pi * r**2), r)
    assert np.mean(means) == pytest.approx(expected, abs=4 * np.std(means) / np.sqrt(30))


def test_small_areas_fall_back_on_placement():
    tiny = shapely.box(0, 0, 2, 1)
    found = compare([], spots([[1, 0.5]], 0.1), graves=[shapely.box(0.5, 0.2, 1.5, 0.8)], area=tiny)
    assert found.blocks == 1
    assert (found.low_m, found.high_m, found.why) == (None, None, "a single block of burials has no interval")
    assert -0.5 < found.chance_difference_m < 0


def test_only_ground_that_both_covered_counts():
    west = shapely.box(-5, -5, 12, 30)
    found = compare([], spots(CENTRES), covered=west)
    assert found.n == int((CENTRES[:, 0] < 12).sum()) == np.isfinite(found.capped_b_m).sum()
    assert np.isnan(found.capped_a_m[CENTRES[:, 0] > 12]).all()
    nowhere = compare([], [], covered=shapely.box(90, 90, 99, 99))
    assert nowhere.paired_difference_m is None
    assert "no known burial lies on ground that both visits covered" in nowhere.statement


def test_without_burials():
    found = compare(spots([[1, 1]]), [], graves=[])
    assert (found.n, found.p, found.why) == (0, None, "no burials are known")
    assert found.statement == (
        "No comparison can be made: no burials are known. With 2 visits, fewer than five, no claim about moisture is "
        "made."
    )


def test_same_seed_same_figures():
    rng = np.random.default_rng(9)
    a, b = spots(CENTRES[:9] + rng.normal(0, 0.5, (9, 2))), spots(CENTRES[5:] + rng.normal(0, 0.5, (20, 2)))
    one, two = compare(a, b), compare(a, b)
    for name in ("p", "low_m", "high_m", "chance_difference_m", "statement"):
        assert getattr(one, name) == getattr(two, name)


def test_faults():
    with pytest.raises(InputError, match="tolerance_m must be greater than zero"):
        compare([], [], tolerance_m=0.0)
    with pytest.raises(InputError, match="at least one draw"):
        compare([], [], draws=0)
    with pytest.raises(InputError, match="measure must be one of"):
        compare([], [], measure="edge")
    with pytest.raises(InputError, match="hotspots of wet must be outlines"):
        compare([], [3])
