"""Stripes are taken out, graves are not: planted strong responses keep their strength beside the ground around them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from yewline.errors import InputError
from yewline.model import VelocityField, VolumeGrid, make_radargram
from yewline.volume import (
    BalanceOptions,
    Nodes,
    apply_gains,
    direction_gains,
    line_gains,
    line_nodes,
    volume_of_nodes,
)
from yewline.volume.robust_level import common_difference

SPACING, STEP, N_Z, LENGTH = 0.5, 0.1, 40, 20.0
ALWAYS = BalanceOptions(when="always")
SEEDS = range(4)


def ground(seed, n_lines=24):
    """Envelope of smooth random reflectivity that decays with depth, (line, place, depth)."""
    rng = np.random.default_rng(seed)
    shape, smooth = (round(n_lines * SPACING / STEP), round(LENGTH / STEP), N_Z), (1.75, 1.75, 1.5)
    parts = [gaussian_filter(rng.standard_normal(shape), smooth, mode="wrap") for _ in range(2)]
    return (np.hypot(*parts) * np.exp(-np.arange(N_Z) / 12.0))[:: round(SPACING / STEP)]


def nodes(strength, at, *, turned=False):
    n = len(strength)
    x, one = STEP * np.arange(n), np.ones(n)
    along, across = (x, at * one), (one, 0 * one)
    values = np.column_stack([strength, np.full(n, 0.01)]).astype(np.float32)
    if turned:
        along, across = along[::-1], across[::-1]
    return Nodes(*along, *across, 0.05 * one, 0.05 * one, values)


def survey(strength, gains=None):
    gains = np.ones(len(strength)) if gains is None else gains
    return [nodes(g * own, SPACING * i) for i, (own, g) in enumerate(zip(strength, gains, strict=True))]


def decibels(values):
    return 20 * np.log10(values)


@pytest.mark.parametrize("seed", SEEDS)
def test_stripes_shrink_to_a_fifth(seed):
    strength = ground(seed)
    stripes = 10 ** (np.random.default_rng(100 + seed).normal(0, 2, len(strength)) / 20)
    parts = survey(strength, stripes)
    gains = line_gains(parts, line_spacing_m=SPACING)
    assert gains.applied.tolist() == [True]
    assert gains.p[0] < 1e-6
    before, after = gains.off_db, line_gains(apply_gains(parts, gains), line_spacing_m=SPACING).off_db
    assert np.std(after) < np.std(before) / 5


@pytest.mark.parametrize("seed", SEEDS)
def test_without_stripes_nothing_is_done(seed):
    gains = line_gains(survey(ground(seed)), line_spacing_m=SPACING)
    assert gains.applied.tolist() == [False]
    assert (gains.gain == 1).all()
    # Forced, it stays below what an eye sees: 1 dB is a ninth of amplitude.
    forced = line_gains(survey(ground(seed)), line_spacing_m=SPACING, options=ALWAYS)
    assert np.abs(decibels(forced.gain)).max() < 1.0
    assert np.std(decibels(forced.gain)) < 0.2


def test_chance_is_what_it_says_on_ground_without_stripes():
    p = [line_gains(survey(ground(200 + seed, 12)), line_spacing_m=SPACING).p[0] for seed in range(40)]
    assert np.mean(np.array(p) < 0.05) <= 0.1
    assert 0.2 < np.mean(p) < 0.8


def planted(strength, kind):
    """The ground with strong responses of 12 dB put in, and where they are."""
    where = np.zeros(strength.shape, bool)
    x = STEP * np.arange(strength.shape[1])
    if kind == "single":
        where[10, 80:88, 10:22] = True
    elif kind == "row along a line":
        # Graves 0.8 m wide every 1.25 m, from 0.4 to 1.2 m in 2 m of ground, all under one line.
        where[10][np.ix_(x % 1.25 < 0.8, np.arange(8, 24))] = True
    else:
        # Wider than the spacing: three lines cross it, 2 m along each of them.
        where[9:12, 80:100, 8:24] = True
    return np.where(where, 4.0 * strength, strength), where


@pytest.mark.parametrize("kind", ["single", "row along a line", "wider than the spacing"])
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("striped", [False, True])
def test_graves_keep_their_strength(kind, seed, striped):
    strength = ground(seed)
    stripes = np.ones(len(strength))
    if striped:
        stripes = 10 ** (np.random.default_rng(100 + seed).normal(0, 2, len(strength)) / 20)
    with_graves, where = planted(strength, kind)
    plain = line_gains(survey(strength, stripes), line_spacing_m=SPACING, options=ALWAYS)
    graves = line_gains(survey(with_graves, stripes), line_spacing_m=SPACING, options=ALWAYS)
    lines = where.any(axis=(1, 2))
    # What the balance does to a line with graves beside what it does to the same line without.
    change = graves.gain[lines] / plain.gain[lines]
    assert np.median(np.abs(change - 1)) < 0.06
    assert np.abs(decibels(change)).max() < 0.9


def test_over_seeds_a_row_of_graves_along_a_line_keeps_its_strength_to_a_few_per_cent():
    change = []
    for seed in range(20):
        strength = ground(seed)
        with_graves, _ = planted(strength, "row along a line")
        gains = [
            line_gains(survey(s), line_spacing_m=SPACING, options=ALWAYS).gain[10] for s in (strength, with_graves)
        ]
        change.append(gains[1] / gains[0])
    assert abs(np.mean(change) - 1) < 0.03
    assert np.median(np.abs(np.array(change) - 1)) < 0.03


def test_a_change_over_many_lines_is_the_grounds_and_stays():
    strength = ground(3)
    slow = 10 ** (4 * np.sin(np.arange(24) / 24 * np.pi) / 20)
    gains = line_gains(survey(strength, slow), line_spacing_m=SPACING, options=ALWAYS)
    plain = line_gains(survey(strength), line_spacing_m=SPACING, options=ALWAYS)
    assert np.abs(decibels(gains.gain / plain.gain)).max() < 0.4


def test_lines_walked_to_and_fro_at_two_levels_come_together():
    zigzag = np.where(np.arange(24) % 2, 1.3, 1.0)
    gains = line_gains(survey(ground(4), zigzag), line_spacing_m=SPACING)
    assert np.median(gains.gain[::2] / gains.gain[1::2]) == pytest.approx(1.3, rel=0.03)


def test_no_line_is_changed_by_more_than_the_bound():
    loud = np.ones(24)
    loud[12] = 100.0
    gains = line_gains(survey(ground(5), loud), line_spacing_m=SPACING)
    assert decibels(gains.gain[12]) == pytest.approx(-6.0)
    assert gains.off_db[12] == pytest.approx(40.0, abs=1.0)


def test_order_and_direction_of_walking_do_not_matter():
    parts = survey(ground(2), np.where(np.arange(24) == 7, 2.0, 1.0))
    gains = line_gains(parts, line_spacing_m=SPACING)
    back = [replace(p, ux=-p.ux) if n % 2 else p for n, p in enumerate(parts)]
    np.testing.assert_allclose(line_gains(back, line_spacing_m=SPACING).gain, gains.gain, rtol=1e-9)
    turned = line_gains(parts[::-1], line_spacing_m=SPACING).gain[::-1]
    np.testing.assert_allclose(turned, gains.gain, rtol=1e-6)


def crossed(seed, louder):
    rng = np.random.default_rng(seed)
    shape, smooth = (201, 201, N_Z), (1.75, 1.75, 1.5)
    block = np.hypot(*(gaussian_filter(rng.standard_normal(shape), smooth) for _ in range(2)))
    every = range(0, 201, 10)
    one = [nodes(block[j], 0.1 * j) for j in every]
    return one, [nodes(louder * block[:, i], 0.1 * i, turned=True) for i in every]


@pytest.mark.parametrize("louder", [0.5, 1.0, 1.6])
def test_two_directions_are_brought_to_one_level(louder):
    one, two = crossed(6, louder)
    gains = direction_gains(one + two, line_spacing_m=1.0)
    ratio = gains.gain[len(one) :] / gains.gain[: len(one)]
    assert ratio == pytest.approx(1 / louder, rel=0.02)
    assert np.log(gains.gain).mean() == pytest.approx(0.0, abs=1e-6)
    assert gains.applied.all() == (louder != 1.0)


def test_what_answers_one_direction_more_stays():
    one, two = crossed(7, 1.5)
    # A pipe along x: the lines across it see it four times as strongly, those along it do not.
    piped = []
    for part in two:
        values = part.values.copy()
        values[95:105, 10:16] *= 4
        piped.append(replace(part, values=values))
    gains = direction_gains(one + piped, line_spacing_m=1.0)
    assert gains.gain[-1] / gains.gain[0] == pytest.approx(1 / 1.5, rel=0.02)


def test_one_direction_or_lines_that_bend_are_left_alone():
    one, _ = crossed(8, 1.0)
    alone = direction_gains(one, line_spacing_m=1.0)
    assert (alone.gain == 1).all()
    assert not alone.applied.any()
    turn = np.linspace(0, np.pi, 50)
    circle = Nodes(
        np.cos(turn), np.sin(turn), -np.sin(turn), np.cos(turn), 0 * turn, 0.1 + 0 * turn, np.ones((50, 3), np.float32)
    )
    gains = line_gains([*one, circle], line_spacing_m=1.0)
    assert gains.family[-1] == -1
    assert gains.gain[-1] == 1
    assert np.isnan(gains.off_db[-1])


def test_too_few_lines_have_no_trend():
    gains = line_gains(survey(ground(1)[:3], [1.0, 3.0, 1.0]), line_spacing_m=SPACING, options=ALWAYS)
    assert (gains.gain == 1).all()
    assert np.isnan(gains.p[0])


def test_blank_depths_and_silent_samples_take_no_part():
    strength = ground(9)
    parts = survey(strength, np.where(np.arange(24) == 5, 2.0, 1.0))
    holed = [replace(p, values=p.values.copy()) for p in parts]
    for n, part in enumerate(holed):
        part.values[:, 30 + n % 5 : -1] = np.nan
        part.values[: n % 7, :-1] = 0.0
    gains = line_gains(holed, line_spacing_m=SPACING)
    assert gains.gain[5] == pytest.approx(line_gains(parts, line_spacing_m=SPACING).gain[5], rel=0.06)


def test_position_sigma_is_no_strength():
    parts = survey(ground(1), np.where(np.arange(24) == 5, 2.0, 1.0))
    changed = apply_gains(parts, line_gains(parts, line_spacing_m=SPACING))
    for before, after in zip(parts, changed, strict=True):
        np.testing.assert_array_equal(after.values[:, -1], before.values[:, -1])
    assert changed[5].values[0, 0] < parts[5].values[0, 0]


def test_a_volume_carries_its_gains():
    grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=5, ny=4, depth_step_m=0.2, nz=3)
    velocity = VelocityField.uniform(0.1, 0.01)
    x = np.arange(0, 2.01, 0.1)
    lines = [make_radargram(np.ones((21, 60)), interval_ns=0.2, x=x, y=0.5 * i + 0 * x) for i in range(4)]
    parts = [line_nodes(line, velocity, grid, line_spacing_m=0.5) for line in lines]
    gains = line_gains(parts, line_spacing_m=0.5)
    volume = volume_of_nodes(apply_gains(parts, gains), velocity, grid, line_spacing_m=0.5)
    told = json.loads(json.dumps(gains.as_dict()))
    assert told["gain"] == [1.0] * 4
    assert float(volume.strength.max()) == 1.0


def test_the_common_difference_is_that_of_most_depths_or_places():
    rng = np.random.default_rng(0)
    values = rng.normal(0.0, 0.3, (40, 40))
    group = np.arange(40) // 4
    plain, error = common_difference(values, group)
    assert abs(plain) < 4 * error < 0.2
    some_depths, some_places = values.copy(), values.copy()
    some_depths[:, :16] += 1.5
    some_places[:16] += 1.5
    assert common_difference(some_depths, group)[0] == pytest.approx(plain, abs=0.03)
    # Places are a median's matter, which moves by half a standard deviation or so when two fifths are off.
    assert common_difference(some_places, group)[0] == pytest.approx(plain, abs=0.35)


def test_its_error_is_not_less_than_what_it_scatters_by():
    rng = np.random.default_rng(1)
    group = np.arange(48) // 4
    told = np.array([common_difference(rng.normal(0, 1, (48, 20)), group) for _ in range(200)])
    # Where nothing is correlated it is at its most careful, a quarter too large.
    assert 1.0 < np.sqrt((told[:, 1] ** 2).mean()) / told[:, 0].std() < 1.4


def test_faults_are_told():
    parts = survey(ground(1)[:4])
    with pytest.raises(InputError, match=r"there are no lines to balance.*Give the lines of a visit"):
        line_gains([], line_spacing_m=0.5)
    with pytest.raises(InputError, match="line_spacing_m must be greater than zero"):
        direction_gains(parts, line_spacing_m=0.0)
    with pytest.raises(InputError, match=r"when must be one of significant, always .*'never'"):
        BalanceOptions(when="never")
    with pytest.raises(InputError, match="most_db must lie between 0 and 60"):
        BalanceOptions(most_db=-1.0)
    with pytest.raises(InputError, match=r"one gain for each line .*4 for 3"):
        apply_gains(parts[:3], line_gains(parts, line_spacing_m=0.5))
