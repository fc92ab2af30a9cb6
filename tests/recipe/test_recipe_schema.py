"""One derivation: signature and docstring of a step against its schema, help, table and registry."""

from __future__ import annotations

import inspect
import tomllib

import jsonschema
import numpy as np
import pytest

from yewline.recipe import (
    PARTS,
    STEPS,
    find_step,
    parameter_model,
    recipe_schema,
    recipe_to_toml,
    standard_recipe,
    step_help,
    step_parameters,
    step_table,
)
from yewline.signal import Section

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, velocity_m_per_ns=0.1, absorption_db_per_ns=0.3)
VALIDATOR = jsonschema.Draft202012Validator(recipe_schema())


def keyword_only(step):
    return [p for p in inspect.signature(step.function).parameters.values() if p.kind is p.KEYWORD_ONLY]


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_parameters_are_those_of_the_signature(step):
    assert [p.name for p in step_parameters(step)] == [p.name for p in keyword_only(step)]
    assert [p.name for p in inspect.signature(step.function).parameters.values()][:2] == ["amplitude", "section"]
    assert parameter_model(step)().model_dump() == {p.name: p.default for p in keyword_only(step)}


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_everything_is_documented(step):
    assert step.function.__name__ == step.name
    text = step_help(step)
    assert inspect.getdoc(step.function).partition("\n")[0] in text
    for parameter in step_parameters(step):
        assert parameter.text
        assert parameter.name in text
        assert f"`{parameter.name}`" in step_table()
    assert f"`{step.name}`" in step_table()


def test_names_differ_and_branches_are_known():
    assert len({step.name for step in STEPS}) == len(STEPS)
    for step in STEPS:
        assert set(step.branches) <= set(PARTS)
        assert step.amplitude_true == bool({"before", "after"} & set(step.branches))
        assert bool(step.why_display) != step.amplitude_true
    assert find_step("no_such_step") is None


def test_schema_is_a_schema_and_takes_the_standard_recipe():
    jsonschema.Draft202012Validator.check_schema(recipe_schema())
    VALIDATOR.validate(tomllib.loads(recipe_to_toml(standard_recipe())))


@pytest.mark.parametrize(
    "recipe",
    [
        {"name": "x", "before": [{"step": "dewov"}]},
        {"name": "x", "before": [{"step": "dewow", "window": 3.0}]},
        {"name": "x", "before": [{"step": "dewow", "window_ns": -3.0}]},
        {"name": "x", "before": [{"step": "automatic_gain"}]},
        {"name": "x", "before": [{"window_ns": 3.0}]},
        {"name": "x", "later": []},
        {"before": []},
    ],
)
def test_schema_refuses_what_the_reader_refuses(recipe):
    assert not VALIDATOR.is_valid(recipe)


@pytest.mark.parametrize("step", [s for s in STEPS if s.name != "time_zero"], ids=lambda step: step.name)
def test_defaults_written_out_do_the_same(step):
    x = np.random.default_rng(0).standard_normal((30, 128)).astype(np.float32)
    resolved = step.resolved({}, SECTION, 128)
    stated = {name: value for name, value in resolved.items() if value is not None}
    assert step.function(x, SECTION, **stated).tobytes() == step.function(x, SECTION).tobytes()
    assert set(resolved) == {p.name for p in keyword_only(step)}
    missing = {name for name, value in resolved.items() if value is None}
    assert missing <= {"window_m"}


def test_defaults_of_time_zero_written_out_do_the_same():
    x = np.zeros((9, 128), np.float32)
    x[:, 30:33] = [1.0, 2.0, 1.0]
    step = find_step("time_zero")
    resolved = step.resolved({"pick": "first_break"}, SECTION, 128)
    assert resolved == {"pick": "first_break", "search_ns": 16.0, "threshold": 0.05, "smooth_traces": 9}
    assert step.function(x, SECTION, **resolved).tobytes() == step.function(x, SECTION, pick="first_break").tobytes()


def test_kinds_and_bounds_in_words():
    kinds = {p.name: (p.kind, p.default, p.bounds) for p in step_parameters(find_step("time_zero"))}
    assert kinds == {
        "pick": ("one of 'peak', 'first_break'", "peak", ""),
        "search_ns": ("number", "see meaning", "> 0, ≤ 10000"),
        "threshold": ("number", "0.05", "> 0, < 1"),
        "smooth_traces": ("whole number", "9", "≥ 1, ≤ 999"),
    }
