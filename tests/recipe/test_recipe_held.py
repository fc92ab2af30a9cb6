"""Steps that change where traces or samples lie, and heights: coordinates, segments, times and attributes go along."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from yewline import signal
from yewline.errors import InputError
from yewline.model import interval_ns, make_radargram, provenance_steps, spacing_m
from yewline.recipe import explain_recipe, recipe_from_toml, run_after, run_before, run_display, section_of

DT, MHZ = 0.25, 400.0
ATTRS = {"centre_mhz": MHZ, "separation_m": 0.16, "line": "L07", "visit": "dry"}

EQUAL = '[[before]]\nstep = "equal_spacing"\n'


def wave(distance: np.ndarray, samples: int = 64) -> np.ndarray:
    """A plane wave that dips along the line, far inside the band that the spacing holds."""
    return np.sin(4.0 * np.asarray(distance)[:, None] + 0.4 * np.arange(samples))


def line_at(x: np.ndarray, *, heights=None, segment=None, start_ns: float = 0.0, samples: int = 64):
    x = np.asarray(x, float)
    radargram = make_radargram(
        wave(x, samples), interval_ns=DT, x=x, y=2.0 + 0 * x, segment=segment, start_ns=start_ns, attrs=ATTRS
    )
    z = np.zeros(len(x)) if heights is None else np.asarray(heights, float)
    return radargram.assign_coords(z=("trace", z, {"units": "m"}), sigma_xy=("trace", 0.05 + 0.01 * x, {"units": "m"}))


# Equal spacing


def test_new_traces_lie_at_equal_distances_and_carry_what_is_known_of_them():
    x = np.cumsum(np.random.default_rng(3).uniform(0.07, 0.13, 120))
    line = line_at(x, heights=2.0 + 0.1 * x)
    even = run_before(recipe_from_toml(EQUAL + "spacing_m = 0.1"), line)
    assert np.diff(even["distance"].values) == pytest.approx(0.1)
    # On a straight line of even slope every coordinate is a straight line of distance.
    assert even["x"].values == pytest.approx(x[0] + even["distance"].values)
    assert even["y"].values == pytest.approx(2.0)
    assert even["z"].values == pytest.approx(2.0 + 0.1 * even["x"].values)
    assert even["sigma_xy"].values == pytest.approx(0.05 + 0.01 * even["x"].values)
    assert set(even.coords) == set(line.coords)
    assert even["x"].attrs == {"units": "m"}
    assert (even["segment"].values == 0).all()
    assert even["segment"].dtype == np.int32
    assert np.abs(even.values - wave(even["x"].values))[8:-8].max() < 0.01
    assert even.dtype == np.float32
    assert spacing_m(even) == pytest.approx(0.1)
    assert even.attrs["line"] == "L07"


def test_samples_are_those_of_the_step_alone():
    line = line_at(np.cumsum(np.random.default_rng(3).uniform(0.07, 0.13, 60)))
    even = run_before(recipe_from_toml(EQUAL), line)
    assert even.values.tobytes() == signal.equal_spacing(line.values, section_of(line)).tobytes()
    assert even["distance"].values.tobytes() == signal.equal_places(section_of(line)).tobytes()


def test_later_steps_see_the_new_spacing():
    x = np.cumsum(np.random.default_rng(3).uniform(0.07, 0.13, 200))
    recipe = recipe_from_toml(
        EQUAL + 'spacing_m = 0.2\n[[before]]\nstep = "background_removal"\nwindow_m = 4.0\n'
        '[[after]]\nstep = "migrate_stolt"'
    )
    line = line_at(x)
    even = run_before(recipe_from_toml(EQUAL + "spacing_m = 0.2"), line)
    both = run_before(recipe, line)
    # A window of 4 m is 20 traces of the new ones, and would be 40 of the old ones.
    expected = signal.background_removal(even.values, section_of(even), window_m=4.0)
    assert both.values.tobytes() == expected.tobytes()
    assert section_of(both).spacing_m == pytest.approx(0.2)
    moved = run_after(recipe, both, velocity_m_per_ns=0.1)
    fast = section_of(both, velocity_m_per_ns=0.1)
    assert moved.values.tobytes() == signal.migrate_stolt(both.values, fast).tobytes()


def test_a_gap_in_the_line_parts_it_and_later_steps_leave_it_so():
    x = np.concatenate([np.arange(0.0, 4.01, 0.1), np.arange(6.0, 9.01, 0.1)])
    recipe = recipe_from_toml(EQUAL + '[[before]]\nstep = "background_removal"')
    even = run_before(recipe_from_toml(EQUAL), line_at(x))
    assert even["x"].values == pytest.approx(x)
    assert even["segment"].values.tolist() == [0] * 41 + [1] * 31
    apart = run_before(recipe, line_at(x))
    section = section_of(even)
    for part in (slice(0, 41), slice(41, 72)):
        assert apart.values[part].tobytes() == signal.background_removal(even.values[part], section).tobytes()
    whole = signal.background_removal(even.values, section)
    assert np.abs(whole - apart.values).max() > 0.01


def test_segments_are_resampled_apart_to_one_spacing():
    # Two segments walked at different paces: what is left out is settled on the whole line.
    x = np.concatenate([np.arange(0.0, 6.01, 0.1), 8.0 + np.arange(0.0, 3.01, 0.15)])
    segment = np.repeat([0, 1], [61, 21])
    even = run_before(recipe_from_toml(EQUAL), line_at(x, segment=segment))
    (made,) = provenance_steps(even)
    assert made["parameters"]["spacing_m"] == pytest.approx(0.1)
    assert made["parameters"]["largest_gap_m"] == pytest.approx(0.3)
    assert even["segment"].values.tolist() == [0] * 61 + [1] * 31
    second = even.values[61:]
    assert even["x"].values[61:] == pytest.approx(8.0 + 0.1 * np.arange(31))
    assert np.abs(second - wave(even["x"].values[61:]))[8:-8].max() < 0.02
    assert np.diff(even["distance"].values[61:]) == pytest.approx(0.1)


def test_a_segment_without_length_becomes_one_trace():
    x = np.concatenate([np.arange(0.0, 3.01, 0.1), [5.0], [7.0, 7.0]])
    line = line_at(x, segment=np.repeat([0, 1, 2], [31, 1, 2]))
    even = run_before(recipe_from_toml(EQUAL), line)
    assert even["segment"].values.tolist() == [0] * 31 + [1, 2]
    assert even["x"].values[-2:].tolist() == [5.0, 7.0]
    assert even.values[-2].tobytes() == line.values[31].tobytes()
    assert even.values[-1] == pytest.approx(line.values[32:].mean(axis=0), abs=1e-6)


def test_traces_recorded_standing_still_are_one_place():
    x = np.concatenate([np.arange(0.0, 2.01, 0.1), np.full(7, 2.0), np.arange(2.1, 4.01, 0.1)])
    even = run_before(recipe_from_toml(EQUAL), line_at(x))
    assert even["x"].values == pytest.approx(0.1 * np.arange(41))
    assert even["sigma_xy"].values == pytest.approx(0.05 + 0.01 * even["x"].values)


def test_words_and_counts_of_a_trace_go_to_the_nearest_new_one():
    line = line_at(np.arange(0.0, 1.01, 0.1)).assign_coords(fold=("trace", np.arange(11)))
    even = run_before(recipe_from_toml(EQUAL + "spacing_m = 0.05\nmethod = 'linear'"), line)
    assert even["fold"].values.tolist()[::2] == list(range(11))
    assert even["fold"].dtype == np.arange(11).dtype


def test_a_line_that_stands_still_is_refused_with_line_and_step():
    with pytest.raises(InputError, match="visit dry line L07, step equal_spacing: the line has no length"):
        run_before(recipe_from_toml(EQUAL), line_at(np.zeros(5)))
    falling = line_at(np.arange(5.0)).assign_coords(distance=("trace", [0.0, 1.0, 0.5, 2.0, 3.0]))
    with pytest.raises(InputError, match="visit dry line L07, step equal_spacing: distance along the line falls"):
        run_before(recipe_from_toml(EQUAL), falling)


# New sample interval


def test_a_new_sample_interval_changes_times_and_nothing_else():
    line = line_at(np.cumsum([0.0, 0.1, 0.0, 0.5, 0.1, 2.0]), start_ns=-3.0)
    recipe = recipe_from_toml('[[before]]\nstep = "resample_time"\ninterval_ns = 0.5\n[[before]]\nstep = "dewow"')
    new = run_before(recipe, line)
    assert new["time"].values.tolist() == [-3.0 + 0.5 * i for i in range(32)]
    assert new["time"].attrs == {"units": "ns"}
    assert interval_ns(new) == 0.5
    for name in ("distance", "x", "y", "z", "sigma_xy", "segment"):
        assert new[name].identical(line[name])
    section = section_of(line)
    coarse = signal.resampled(section, interval_ns=0.5)
    expected = signal.dewow(signal.resample_time(line.values, section, interval_ns=0.5), coarse)
    assert new.values.tobytes() == expected.tobytes()
    assert [step["parameters"] for step in provenance_steps(new)] == [{"interval_ns": 0.5}, {"window_ns": 5.0}]
    assert interval_ns(line) == DT


def test_times_count_from_zero_after_time_zero_and_a_new_interval():
    line = line_at(0.1 * np.arange(12), start_ns=-5.0, samples=128)
    pulse = np.zeros((12, 128), np.float32)
    pulse[:, 40:45] = [1, 4, 9, 4, 1]
    line = line.copy(data=pulse)
    for order in (("time_zero", "resample_time"), ("resample_time", "time_zero")):
        text = "".join(f'[[before]]\nstep = "{name}"\n' + "interval_ns = 0.125\n" * (name[0] == "r") for name in order)
        new = run_before(recipe_from_toml(text), line)
        assert new["time"].values[:3].tolist() == [0.0, 0.125, 0.25]
        assert interval_ns(new) == 0.125


# Heights


SLOPE = '[[before]]\nstep = "dewow"\n[[display]]\nstep = "topography"\n'


def test_topography_makes_the_record_longer_and_names_its_datum():
    x = 0.1 * np.arange(50)
    line = line_at(x, heights=10.0 + 0.1 * x, start_ns=0.0)
    shown = run_display(recipe_from_toml(SLOPE), line, velocity_m_per_ns=0.1)
    top = 10.0 + 0.1 * x[-1]
    assert shown.attrs["datum_m"] == pytest.approx(top)
    # The lowest trace lies 0.49 m below the datum: 9.8 ns later, 39.2 samples.
    assert shown.sizes["time"] == line.sizes["time"] + 40
    assert shown["time"].values == pytest.approx(DT * np.arange(shown.sizes["time"]))
    assert shown.values[-1, :64] == pytest.approx(line.values[-1], abs=1e-5)
    assert (shown.values[0, :30] == 0).all()
    assert shown["x"].identical(line["x"])
    (made,) = provenance_steps(shown)
    assert made["parameters"]["datum_m"] == pytest.approx(top)
    assert "datum_m" not in line.attrs


def test_segments_share_one_datum_and_one_length():
    x = 0.1 * np.arange(60)
    heights = 10.0 + 0.1 * x
    segment = np.repeat([0, 1], [30, 30])
    one = run_display(recipe_from_toml(SLOPE), line_at(x, heights=heights), velocity_m_per_ns=0.1)
    two = run_display(recipe_from_toml(SLOPE), line_at(x, heights=heights, segment=segment), velocity_m_per_ns=0.1)
    assert two.attrs["datum_m"] == one.attrs["datum_m"]
    assert two.shape == one.shape
    # The second segment alone is recorded for 88 samples; a shift by parts of a sample rings a little beyond its end.
    assert two.values[:, :88] == pytest.approx(one.values[:, :88], abs=1e-6)
    assert (two.values[30:, 88:] == 0).all()
    # Heights are smoothed inside each segment: distance does not grow from one to the next.
    smooth = recipe_from_toml(SLOPE + "smooth_m = 1.0")
    steady = run_display(smooth, line_at(x, heights=heights, segment=segment), velocity_m_per_ns=0.1)
    assert steady.values[:, :80] == pytest.approx(one.values[:, :80], abs=1e-3)


def test_topography_needs_heights_and_a_velocity():
    with pytest.raises(InputError, match="line L07, step topography: topography needs the height of the ground"):
        run_display(recipe_from_toml(SLOPE), line_at(np.arange(5.0)), velocity_m_per_ns=0.1)
    with pytest.raises(InputError, match="line L07, step topography: topography needs a velocity"):
        run_display(recipe_from_toml(SLOPE), line_at(np.arange(5.0), heights=np.arange(5.0)))


def test_heights_that_nobody_gave_are_not_level_ground():
    assert section_of(line_at(np.arange(3.0))).elevation_m is None
    assert section_of(line_at(np.arange(3.0), heights=[0.0, 0.1, 0.0])).elevation_m.tolist() == [0.0, 0.1, 0.0]


def test_segments_run_apart_with_their_own_heights_and_places():
    x = 0.1 * np.arange(60)
    line = line_at(x, heights=1.0 + 0.2 * np.sin(x), segment=np.repeat([0, 1], [35, 25]))
    recipe = recipe_from_toml('[[after]]\nstep = "migrate_kirchhoff"\nfrom_surface = true')
    moved = run_after(recipe, line, velocity_m_per_ns=0.1)
    for part in (slice(0, 35), slice(35, 60)):
        own = section_of(line.isel(trace=part), velocity_m_per_ns=0.1)
        alone = signal.migrate_kirchhoff(line.values[part], own, from_surface=True)
        assert moved.values[part] == pytest.approx(alone, abs=1e-6)


def test_steps_for_pictures_may_use_what_the_site_fitted():
    line = line_at(0.1 * np.arange(20))
    recipe = recipe_from_toml('[[before]]\nstep = "dewow"\n[[display]]\nstep = "compensate"')
    with_rate = run_display(recipe, line, absorption_db_per_ns=0.5)
    expected = signal.compensate(line.values, section_of(line, absorption_db_per_ns=0.5))
    assert with_rate.values.tobytes() == expected.tobytes()
    assert provenance_steps(with_rate)[0]["parameters"]["absorption_db_per_ns"] == 0.5


# What each step did


def test_each_step_is_explained_by_before_after_and_removed():
    line = line_at(np.cumsum(np.random.default_rng(3).uniform(0.07, 0.13, 80)), start_ns=0.0)
    recipe = recipe_from_toml(
        '[[before]]\nstep = "dewow"\n' + EQUAL + '[[before]]\nstep = "background_removal"\n'
        '[[before]]\nstep = "compensate"\n[[after]]\nstep = "migrate_stolt"\n[[after]]\nstep = "envelope"\n'
        '[[display]]\nstep = "automatic_gain"'
    )
    views = explain_recipe(recipe, line, absorption_db_per_ns=0.2)
    assert [view.step for view in views] == ["dewow", "equal_spacing", "background_removal", "compensate"]
    assert [view.title for view in views][:2] == ["Wow removal", "Equal trace distance"]
    assert [view.removed is None for view in views] == [False, True, False, True]
    for earlier, later in pairwise(views):
        assert earlier.after.identical(later.before)
    for view in (views[0], views[2]):
        assert view.removed.values + view.after.values == pytest.approx(view.before.values, abs=1e-6)
        assert view.removed["x"].identical(view.after["x"])
    done = run_before(recipe, line, absorption_db_per_ns=0.2)
    assert views[-1].after.values.tobytes() == done.values.tobytes()
    assert [view.parameters for view in views] == [step["parameters"] for step in provenance_steps(done)]
    (moved, strength) = explain_recipe(recipe, done, part="after", velocity_m_per_ns=0.1)
    assert (moved.step, moved.removed, strength.removed) == ("migrate_stolt", None, None)
    assert strength.after.values.tobytes() == run_after(recipe, done, velocity_m_per_ns=0.1).values.tobytes()
    (shown,) = explain_recipe(recipe, done, part="display")
    assert shown.after.values.tobytes() == run_display(recipe, done).values.tobytes()
    with pytest.raises(InputError, match="part must be one of"):
        explain_recipe(recipe, line, part="later")
    with pytest.raises(InputError, match="visit dry line L07, step migrate_stolt: migration needs a velocity"):
        explain_recipe(recipe, done, part="after")
