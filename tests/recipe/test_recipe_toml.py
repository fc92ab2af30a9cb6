"""Recipes as TOML: round trips, the digest, and every refusal with its place and advice."""

from __future__ import annotations

import pickle
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import SettingsError
from yewline.recipe import (
    STEPS,
    Recipe,
    StepCall,
    read_recipe,
    recipe_digest,
    recipe_from_toml,
    recipe_to_toml,
    standard_recipe,
)

EXAMPLE = """
name = "own"
[[before]]
step = "time_zero"
[[before]]
step = "dewow"
window_ns = 5
[[before]]
step = "background_removal"
window_m = 8.0
statistic = "median"
[[after]]
step = "migrate_stolt"
[[after]]
step = "envelope"
[[display]]
step = "automatic_gain"
window_ns = 12.5
"""


def test_parts_steps_and_parameters_are_read_in_order():
    recipe = recipe_from_toml(EXAMPLE)
    assert recipe.name == "own"
    assert [call.step for call in recipe.before] == ["time_zero", "dewow", "background_removal"]
    assert [call.step for call in recipe.after] == ["migrate_stolt", "envelope"]
    assert recipe.before[2].parameters == {"window_m": 8.0, "statistic": "median"}
    assert dict(recipe.display[0].stated) == {"window_ns": 12.5}


def test_the_standard_recipe():
    recipe = standard_recipe()
    assert [call.step for call in recipe.before] == [
        "time_zero",
        "dewow",
        "band_pass",
        "background_removal",
        "compensate",
    ]
    assert [call.step for call in recipe.after] == ["migrate_stolt", "envelope"]
    assert [call.step for call in recipe.display] == ["automatic_gain"]
    # Nothing is stated but how time zero is picked: so that moisture does not move it.
    stated = {call.step: dict(call.stated) for call in recipe.before + recipe.after + recipe.display if call.stated}
    assert stated == {"time_zero": {"pick": "correlation"}}
    assert recipe.before[3].parameters["window_m"] is None


# Round trips


@pytest.mark.parametrize("recipe", [standard_recipe(), recipe_from_toml(EXAMPLE)], ids=["standard", "own"])
def test_round_trip(recipe, tmp_path):
    text = recipe_to_toml(recipe)
    again = recipe_from_toml(text)
    assert again == recipe
    assert recipe_to_toml(again) == text
    path = tmp_path / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    assert read_recipe(path) == recipe
    assert pickle.loads(pickle.dumps(recipe)) == recipe


STATED = {
    "time_zero": st.fixed_dictionaries(
        {}, optional={"pick": st.sampled_from(["peak", "first_break"]), "smooth_traces": st.integers(1, 999)}
    ),
    "dewow": st.fixed_dictionaries({}, optional={"window_ns": st.floats(0.01, 10_000)}),
    "band_pass": st.fixed_dictionaries({}, optional={"low_mhz": st.floats(1, 99), "order": st.integers(1, 10)}),
    "background_removal": st.fixed_dictionaries({}, optional={"statistic": st.sampled_from(["mean", "median"])}),
    "compensate": st.fixed_dictionaries({}, optional={"spreading_power": st.floats(0, 3)}),
    "q_compensation": st.fixed_dictionaries({}, optional={"q_star": st.floats(1, 1000)}),
}
CALLS = st.one_of([values.map(lambda v, n=name: StepCall(n, v)) for name, values in STATED.items()])


@settings(max_examples=40, deadline=None)
@given(
    name=st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), min_size=1).filter(str.strip).map(str.strip),
    calls=st.lists(CALLS, min_size=1, max_size=5),
)
def test_any_recipe_round_trips(name, calls):
    recipe = Recipe(name=name, before=tuple(calls))
    again = recipe_from_toml(recipe_to_toml(recipe))
    assert again == recipe
    assert recipe_digest(again) == recipe_digest(recipe)


def test_digest_is_of_what_is_done():
    base = recipe_from_toml(EXAMPLE)
    renamed = recipe_from_toml(EXAMPLE.replace('"own"', '"other"'))
    written_out = recipe_from_toml(EXAMPLE.replace('"time_zero"', '"time_zero"\nsmooth_traces = 9'))
    other = recipe_from_toml(EXAMPLE.replace("window_ns = 5", "window_ns = 6"))
    moved = recipe_from_toml(EXAMPLE.replace('step = "migrate_stolt"\n[[after]]\n', ""))
    assert recipe_digest(renamed) == recipe_digest(base) == recipe_digest(written_out)
    assert len({recipe_digest(recipe) for recipe in (base, other, moved)}) == 3


# Refusals


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '[[before]]\nstep = "dewov"',
            "own.toml, before step 1: unknown step (received 'dewov'). Did you mean 'dewow'?",
        ),
        ('[[before]]\nstep = "xyz"', "unknown step (received 'xyz'). Known in [[before]]: repair_traces, time_zero,"),
        (
            '[[after]]\nstep = "xyz"',
            "Known in [[after]]: migrate_stolt, migrate_phase_shift, migrate_kirchhoff,",
        ),
        ('[[after]]\nstep = "Dewow"', "unknown step (received 'Dewow'). Did you mean 'dewow'?"),
        ("[[before]]\nstep = 3", "unknown step (received 3)"),
        ("[[before]]\nwindow_ns = 3", "a step without its name (received {'window_ns': 3})"),
        (
            '[[before]]\nstep = "dewow"\n[[before]]\nstep = "dewow"\nwindow = 3',
            "own.toml, before step 2 (dewow): unknown key 'window' (received 3). Did you mean 'window_ns'?",
        ),
        ('[[before]]\nstep = "dewow"\nwindow_ns = "5"', "'window_ns' cannot be used: input should be a valid number"),
        ('[[before]]\nstep = "dewow"\nwindow_ns = true', "'window_ns' cannot be used: input should be a valid number"),
        ('[[before]]\nstep = "dewow"\nwindow_ns = -5', "'window_ns' cannot be used: input should be greater than 0"),
        ('[[before]]\nstep = "dewow"\nwindow_ns = nan', "'window_ns' cannot be used"),
        ('[[before]]\nstep = "band_pass"\norder = 2.5', "'order' cannot be used: input should be a valid integer"),
        (
            '[[before]]\nstep = "background_removal"\nstatistic = "mode"',
            "'statistic' cannot be used: input should be 'mean' or 'median' (received 'mode')",
        ),
        (
            '[[after]]\nstep = "migrate_stolt"\nvelocity_m_per_ns = 0.31',
            "'velocity_m_per_ns' cannot be used: input should be less than or equal to 0.2998 (received 0.31)",
        ),
        (
            '[[before]]\nstep = "automatic_gain"',
            "automatic gain destroys amplitude: it brings strong and weak responses to one level "
            "(received [[before]]). Move it to [[display]].",
        ),
        ('[[after]]\nstep = "automatic_gain"', "automatic gain destroys amplitude"),
        (
            '[[before]]\nstep = "migrate_stolt"',
            "'migrate_stolt' stands among the steps before the velocity is known, and belongs elsewhere "
            "(received [[before]]). Move it to [[after]].",
        ),
        ('[[after]]\nstep = "dewow"', "'dewow' stands among the steps after the velocity is known"),
        ('[[display]]\nstep = "migrate_stolt"', "'migrate_stolt' cannot stand among the steps for pictures"),
        ('[[befor]]\nstep = "dewow"', "unknown key 'befor' (received [{'step': 'dewow'}]). Did you mean 'before'?"),
        ('before = "dewow"', "'before' must be a list of steps (received 'dewow'). Write each step as [[before]]."),
        ("name = 3", "'name' must be text (received 3)"),
        ('name = "nothing"', "the recipe has no steps"),
        ("[[before]", "own.toml: not valid TOML"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(text, message):
    with pytest.raises(SettingsError, match=re.escape(message)):
        recipe_from_toml(text, "own.toml")


def test_a_recipe_file_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError, match=r"recipe\.toml: file not found"):
        read_recipe(tmp_path / "recipe.toml")


def test_a_call_knows_its_step():
    assert [StepCall(step.name).kind for step in STEPS] == list(STEPS)
    with pytest.raises(SettingsError, match=r"unknown step \(received 'envelop'\)\. Did you mean 'envelope'\?"):
        StepCall("envelop")


def test_calls_cannot_be_changed():
    call = recipe_from_toml(EXAMPLE).before[1]
    with pytest.raises(TypeError, match="does not support item assignment"):
        call.stated["window_ns"] = 7.0
