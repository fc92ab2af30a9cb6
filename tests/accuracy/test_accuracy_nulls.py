"""Chance levels: how often unrelated patterns are called near, whether true ones are, and what is said about it."""

from __future__ import annotations

import numba
import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree
from shapely import affinity

from yewline.accuracy import Window, draw_shifts, placement_level, poisson_nearest, row_note, shift_level
from yewline.errors import InputError

GRAVE = 2.1
IRREGULAR = shapely.Polygon(
    [(0, 0), (38, -3), (44, 12), (36, 26), (14, 29), (-2, 18)], [[(18, 10), (24, 10), (24, 16), (18, 16)]]
)
RECTANGLE = shapely.box(0, 0, 40, 25)


def clustered(rng, area, *, parents=6, children=6.0, spread=1.2):
    """A Thomas process: parents at random in and around the area, normal scatter about each."""
    x0, y0, x1, y1 = area.bounds
    while True:
        ground = (x1 - x0 + 6) * (y1 - y0 + 6)
        centres = rng.uniform((x0 - 3, y0 - 3), (x1 + 3, y1 + 3), (rng.poisson(parents * ground / area.area), 2))
        points = np.repeat(centres, rng.poisson(children, len(centres)), axis=0)
        points = points + rng.normal(0, spread, points.shape)
        points = points[shapely.contains_xy(area, points[:, 0], points[:, 1])]
        if len(points) >= 6:
            return points


def rows(rng, area):
    """Up to 30 burials in rows, in a zone of half the area's length and width, somewhere in it."""
    x0, y0, x1, y1 = area.bounds
    zone = np.array([(x1 - x0) / 2, (y1 - y0) / 2])
    while True:
        corner = rng.uniform((x0, y0), (x1 - zone[0], y1 - zone[1]))
        x, y = np.meshgrid(np.arange(0.0, zone[0], 1.3), np.arange(0.0, zone[1], 2.6))
        points = corner + np.column_stack([x.ravel(), y.ravel()]) + rng.normal(0, 0.15, (x.size, 2))
        points = points[shapely.contains_xy(area, points[:, 0], points[:, 1])]
        if len(points) >= 6:
            return rng.permutation(points)[:30]


def rejections(area, burials_of, sims, *, draws=199, variant=None):
    """Share of unrelated pairs of patterns with p ≤ 0.05: (shift, placement) each for both directions."""
    window = Window.of(area)
    rejected = np.zeros((2, 2))
    for seed in range(sims):
        rng = np.random.default_rng(seed)
        hotspots, burials = clustered(rng, area), burials_of(rng, area)
        shift = shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=draws, seed=seed, variant=variant)
        placement = placement_level(hotspots, burials, window, draws=draws, seed=seed)
        rejected += [[level.p is not None and level.p <= 0.05 for level in pair] for pair in (shift, placement)]
    return rejected / sims


@pytest.mark.parametrize("burials_of", [rows, clustered])
def test_unrelated_clusters_are_rejected_in_at_most_six_in_a_hundred(burials_of):
    # With 800 pairs one standard error at 5 % is 0.8 %: a test whose true rate were 8 % would fail here 98 times
    # in 100.
    shift, placement = rejections(IRREGULAR, burials_of, 800)
    assert (shift <= 0.06).all()
    # Placing hotspots one by one as if they were independent rejects about one unrelated pair in four (here).
    assert placement[0] > 0.15


def test_unrelated_clusters_in_a_rectangle():
    shift, placement = rejections(RECTANGLE, clustered, 600)
    assert (shift <= 0.06).all()
    assert placement[0] > 0.15


def test_a_pattern_with_room_is_tested_inside():
    # One patch of hotspots, small against the area: every shift keeps all of it inside.
    window = Window.of(shapely.box(0, 0, 60, 45))
    p = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        patch = rng.uniform(-6, 6, (20, 2))
        # Anywhere that the patch fits: then the observed place is one of all possible shifts.
        patch += rng.uniform(-patch.min(axis=0), (60, 45) - patch.max(axis=0))
        level = shift_level(patch, rows(rng, window.area), window, grave_length_m=GRAVE, draws=199, seed=seed)
        assert "kept inside" in level.hotspot_to_burial.notes[0]
        p.append([side.p for side in level])
    # The level is exact here but for the short shifts that count against it: at most 5 % ± 1 standard error of 1.1 %.
    assert (np.mean(np.asarray(p) <= 0.05, axis=0) <= 0.06).all()


@pytest.mark.parametrize("area", [IRREGULAR, RECTANGLE, shapely.box(0, 0, 90, 70)])
def test_hotspots_that_follow_the_graves_are_told_from_chance(area):
    window = Window.of(area)
    low = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        burials = window.sample(rng, 30)
        true = burials[rng.random(30) < 0.7]
        hotspots = np.vstack([true + rng.normal(0, 0.3, true.shape), window.sample(rng, 6)])
        pair = shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=999, seed=seed)
        low.append([side.p <= 0.05 for side in pair])
    assert (np.mean(low, axis=0) >= 0.9).all()


def test_placement_expects_what_poisson_says():
    # Far from the edge, a blind pick is as far from its nearest burial as in a Poisson pattern: 1/(2√λ) (Clark & Evans
    # 1954). Burials cover a wide ground and picks its middle only; 60 patterns average out one pattern's luck.
    expected = []
    middle = Window.of(shapely.box(20, 20, 80, 80))
    for seed in range(60):
        burials = np.random.default_rng(seed).uniform(0, 100, (500, 2))
        pair = placement_level(middle.sample(np.random.default_rng(seed), 40), burials, middle, draws=200, seed=seed)
        expected.append(pair.hotspot_to_burial.expected_m)
    error = np.std(expected) / np.sqrt(60)
    assert np.mean(expected) == pytest.approx(poisson_nearest(0.05), abs=4 * error)


@pytest.mark.parametrize("count", [5, 25, 120])
def test_random_marks_have_no_skill_at_any_density(count):
    window = Window.of(IRREGULAR)
    burials = window.sample(np.random.default_rng(0), 20)
    gain = []
    for seed in range(150):
        marks = window.sample(np.random.default_rng(seed + 1), count)
        pair = placement_level(marks, burials, window, draws=99, seed=seed)
        observed = cKDTree(burials).query(marks)[0].mean(), cKDTree(marks).query(burials)[0].mean()
        gain.append([o - side.expected_m for o, side in zip(observed, pair, strict=True)])
    gain = np.asarray(gain)
    assert (np.abs(gain.mean(axis=0)) < 4 * gain.std(axis=0) / np.sqrt(150)).all()


@pytest.mark.parametrize("variant", ["inside", "wrapped", "dropped"])
def test_every_shift_is_a_grave_long_and_stays_inside(variant):
    window = Window.of(RECTANGLE)
    rng = np.random.default_rng(3)
    hotspots, burials = rng.uniform((12, 9), (24, 16), (9, 2)), rng.uniform((2, 2), (38, 23), (12, 2))
    shifts = draw_shifts(hotspots, burials, window, grave_length_m=GRAVE, draws=300, rng=rng, variant=variant)
    assert shifts.vectors.shape == (300, 2)
    moved = shifts.moved(hotspots, 0, 300)
    stay, _ = shifts.keeps(hotspots, burials, 0, 300)
    if variant == "wrapped":
        apart = np.abs(moved[:, 0] - hotspots[0])
        apart = np.minimum(apart, np.array([40.0, 25.0]) - apart)
    else:
        apart = moved[:, 0] - hotspots[0]
        # Rigid: every hotspot moves alike.
        assert (moved - hotspots) == pytest.approx(np.repeat(shifts.vectors[:, None], 9, axis=1))
    assert np.hypot(*apart.T).min() >= GRAVE - 1e-9
    inside = window.contains(moved).reshape(300, 9)
    assert (stay == inside).all() if variant == "dropped" else inside.all()


def test_wrapping_follows_a_turned_rectangle():
    window = Window.of(affinity.rotate(RECTANGLE, 25, origin=(0, 0)))
    rng = np.random.default_rng(1)
    hotspots = window.sample(rng, 40)
    shifts = draw_shifts(hotspots, hotspots, window, grave_length_m=GRAVE, draws=200, rng=rng)
    assert shifts.variant == "wrapped"
    # A sliver of slack: points that wrap onto the very edge may fall beside it by rounding.
    area = shapely.buffer(window.area, 1e-9)
    assert shapely.contains_xy(area, *shifts.moved(hotspots, 0, 200).reshape(-1, 2).T).all()


def test_short_shifts_set_the_smallest_p():
    # A single hotspot may go anywhere in a square of 20 m: the share of places within a grave length of where it is,
    # π L²/A, is what p cannot fall below.
    window = Window.of(shapely.box(0, 0, 20, 20))
    level = shift_level([[10.0, 10.0]], [[10.0, 10.0]], window, grave_length_m=GRAVE, draws=9_999, seed=1)
    share = np.pi * GRAVE**2 / 400
    assert level.hotspot_to_burial.p == level.hotspot_to_burial.smallest_p
    assert level.hotspot_to_burial.smallest_p == pytest.approx(share, rel=0.15)
    assert any("p cannot fall below" in note for note in level.hotspot_to_burial.notes)


def test_p_is_that_of_the_sample():
    rng = np.random.default_rng(5)
    window = Window.of(IRREGULAR)
    hotspots, burials = window.sample(rng, 25), window.sample(rng, 20)
    observed = cKDTree(burials).query(hotspots)[0].mean()
    level = placement_level(hotspots, burials, window, draws=499, seed=3).hotspot_to_burial
    assert level.p == (1 + (level.sample_m <= observed).sum()) / 500
    assert level.smallest_p == 1 / 500
    assert level.expected_m == pytest.approx(level.sample_m.mean())
    assert level.low_m < level.expected_m < level.high_m
    shifted = shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=499, seed=3).hotspot_to_burial
    short = int(shifted.notes[1].split("; ")[1].split(" ")[0])
    assert shifted.p == (1 + short + (shifted.sample_m <= observed).sum()) / (500 + short)
    assert shifted.smallest_p == (1 + short) / (500 + short)


def test_same_seed_same_bytes_whatever_the_threads():
    window = Window.of(IRREGULAR)
    rng = np.random.default_rng(5)
    hotspots, burials = window.sample(rng, 30), window.sample(rng, 25)

    def samples(seed):
        pairs = (
            placement_level(hotspots, burials, window, draws=999, seed=seed),
            shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=999, seed=seed),
        )
        return b"".join(side.sample_m.tobytes() for pair in pairs for side in pair)

    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        one = samples(7)
    finally:
        numba.set_num_threads(before)
    assert samples(7) == one
    assert samples(8) != one


def test_chance_does_not_know_the_frame():
    window = Window.of(IRREGULAR)
    rng = np.random.default_rng(5)
    hotspots, burials = clustered(rng, IRREGULAR), window.sample(rng, 25)
    move = np.array([1_000.0, -500.0])
    moved = Window.of(affinity.translate(IRREGULAR, *move))
    here = shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=499, seed=3)
    there = shift_level(hotspots + move, burials + move, moved, grave_length_m=GRAVE, draws=499, seed=3)
    for a, b in zip(here, there, strict=True):
        assert a.sample_m == pytest.approx(b.sample_m, abs=1e-6)
        assert a.p == b.p


def test_row_spacing_is_warned_of():
    x, y = np.meshgrid(np.arange(8) * 1.3, np.arange(5) * 2.6)
    graves = np.column_stack([x.ravel(), y.ravel()]) + 8.0
    assert "repeat themselves" in row_note(graves, tolerance_m=0.5, grave_length_m=GRAVE)
    scattered = np.random.default_rng(2).uniform(0, 60, (40, 2))
    assert row_note(scattered, tolerance_m=0.5, grave_length_m=GRAVE) == ""
    assert row_note(graves[:4], tolerance_m=0.5, grave_length_m=GRAVE) == ""
    assert row_note(graves[:6] * 0.01, tolerance_m=0.5, grave_length_m=GRAVE) == ""
    level = shift_level(graves, graves, Window.of(RECTANGLE), grave_length_m=GRAVE, draws=99, seed=1)
    notes = " ".join(level.hotspot_to_burial.notes)
    assert "repeat themselves" in notes
    assert "hotspots that keep to this zone" in notes


def test_what_cannot_be_given_says_why():
    window = Window.of(RECTANGLE)
    some = [[5.0, 5.0], [9.0, 9.0]]
    for level_of in (
        lambda h, b: placement_level(h, b, window, draws=99, seed=1),
        lambda h, b: shift_level(h, b, window, grave_length_m=GRAVE, draws=99, seed=1),
    ):
        assert level_of([], some).hotspot_to_burial.why == "there are no hotspots"
        assert level_of(some, []).burial_to_hotspot.why == "no burials are known"
        lost = level_of([[90.0, 90.0]], some).hotspot_to_burial
        assert lost.why == "no hotspot lies on the ground compared"
        assert lost.p is None
        assert lost.sample_m.size == 0
        part = level_of([[90.0, 90.0], [3.0, 3.0]], some).hotspot_to_burial
        assert any("1 of 2 hotspots lie outside" in note for note in part.notes)
    narrow = shift_level(
        [[0.5, 0.5]], [[1.0, 0.5]], Window.of(shapely.box(0, 0, 2, 1)), grave_length_m=GRAVE, draws=99, seed=1
    )
    assert "no room to shift" in narrow.hotspot_to_burial.why
    crooked = Window.of(shapely.Polygon([(0, 0), (2, 0), (1, 1.5)]))
    assert "no room" in shift_level([[1, 0.5]], [[1, 0.6]], crooked, grave_length_m=9, draws=99, seed=1)[0].why
    assert (
        draw_shifts(
            np.array([[1.0, 0.5]]),
            np.array([[1.0, 0.5]]),
            crooked,
            grave_length_m=1,
            draws=9,
            rng=np.random.default_rng(1),
            variant="wrapped",
        )
        is None
    )


def test_burials_outside_the_area():
    rng = np.random.default_rng(6)
    window = Window.of(IRREGULAR)
    hotspots = clustered(rng, IRREGULAR)
    burials = np.vstack([window.sample(rng, 10), [[90.0, 90.0]]])
    level = shift_level(hotspots, burials, window, grave_length_m=GRAVE, draws=199, seed=1).burial_to_hotspot
    assert any("1 of 11 burials lie outside the area" in note for note in level.notes)
    assert level.expected_m < 20
    away = shift_level(hotspots, [[90.0, 90.0]], window, grave_length_m=GRAVE, draws=99, seed=1).burial_to_hotspot
    assert away.p is None


def test_faults():
    window = Window.of(RECTANGLE)
    with pytest.raises(InputError, match="at least one draw"):
        placement_level([[1.0, 1.0]], [[1.0, 1.0]], window, draws=0, seed=1)
    with pytest.raises(InputError, match=r"hotspots must be points \(n, 2\)"):
        placement_level([1.0, 1.0], [[1.0, 1.0]], window, seed=1)
    with pytest.raises(InputError, match="burials must be finite"):
        placement_level([[1.0, 1.0]], [[np.nan, 1.0]], window, seed=1)
    with pytest.raises(InputError, match="grave_length_m must be greater than zero"):
        shift_level([[1.0, 1.0]], [[1.0, 1.0]], window, grave_length_m=0, seed=1)


def test_zone_share_is_that_of_the_burials_hull():
    """A zone of 10 x 10 m with half a grave length around it, in 40 x 40 m of ground."""
    field = Window.of(shapely.box(0, 0, 40, 40))
    graves = np.array([[x, y] for x in (15.0, 20.0, 25.0) for y in (15.0, 20.0, 25.0)])
    pair = shift_level(graves, graves, field, grave_length_m=2.0, draws=99, seed=1)
    around = 10 * 10 + 4 * 10 * 1.0 + np.pi * 1.0**2
    assert pair.hotspot_to_burial.zone_share == pytest.approx(around / 1600, rel=0.01)
    assert placement_level(graves, graves, field, draws=99, seed=1).hotspot_to_burial.zone_share is None
