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
from yewline.recipe.purposes import PURPOSES
from yewline.signal import Section

ALONG = 0.05 * np.arange(48)
SECTION = Section(
    interval_ns=0.25,
    spacing_m=0.05,
    centre_mhz=400.0,
    separation_m=0.16,
    velocity_m_per_ns=0.1,
    absorption_db_per_ns=0.3,
    q_star=30.0,
    distance_m=ALONG,
    elevation_m=1.5 + 0.1 * np.sin(2.0 * ALONG),
    x_m=ALONG,
    y_m=0.0 * ALONG,
)
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


def test_every_step_has_one_purpose():
    named = [name for _, names in PURPOSES for name in names]
    assert sorted(named) == sorted(step.name for step in STEPS)
    for purpose, names in PURPOSES:
        assert f"### {purpose}\n" in step_table()
        # What is not amplitude-true stands apart, and nothing else stands there.
        true = {find_step(name).amplitude_true for name in names}
        assert true == {purpose != "For pictures only"}


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


NEEDED = {"notch": {"frequency_mhz": 300.0}}
"""What a step cannot do without."""

OPEN = {
    "repair_traces": {"full_scale"},
    "background_removal": {"window_m"},
    "background_fk": {"window_m"},
    "eigen_background": {"window_m"},
    "dip_filter": {"high_ns_per_m", "slowest_m_per_ns", "fastest_m_per_ns"},
    "air_wave_removal": {"farthest_m"},
    "predictive_deconvolution": {"stop_ns"},
    "predictive_deconvolution_by_trace": {"stop_ns"},
    "zero_phase": {"phase_deg", "stop_ns"},
    "spiking_deconvolution": {"stop_ns"},
    "shaping_deconvolution": {"stop_ns"},
}
"""What stays open when left out: no limit, the whole line, the end of the record, or what the samples say."""


def recorded(traces: int = 48, samples: int = 160) -> np.ndarray:
    """Noise, and a direct wave at sample 20."""
    x = np.random.default_rng(0).standard_normal((traces, samples)).astype(np.float32)
    x[:, 18:23] += np.array([3.0, 8.0, 14.0, -9.0, -2.0], np.float32)
    return x


def same_when_written_out(step, stated: dict) -> set[str]:
    """Hold that a step does the same with what was left out written out; the names that stay open."""
    x = recorded()
    resolved = step.resolved(stated, SECTION, x.shape[1])
    written = {name: value for name, value in resolved.items() if value is not None}
    assert set(resolved) == {p.name for p in keyword_only(step)}
    assert written.items() >= stated.items()
    assert step.function(x, SECTION, **written).tobytes() == step.function(x, SECTION, **stated).tobytes()
    return set(resolved) - set(written)


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_defaults_written_out_do_the_same(step):
    assert same_when_written_out(step, NEEDED.get(step.name, {})) == OPEN.get(step.name, set())


@pytest.mark.parametrize(
    ("name", "stated"),
    [
        ("time_zero", {"pick": "first_break"}),
        ("time_zero", {"pick": "correlation", "smooth_traces": 1}),
        ("equal_spacing", {"spacing_m": 0.2}),
        ("equal_spacing", {"spacing_m": 0.02}),
        ("equal_spacing", {"largest_gap_m": 0.06}),
        ("notch", {"frequency_mhz": 150.0}),
        ("band_pass", {"low_mhz": 200.0}),
        ("band_pass_trapezoid", {"high_pass_mhz": 600.0}),
        ("spectral_whitening", {"high_mhz": 700.0}),
        ("dip_filter", {"action": "keep"}),
        ("dip_filter", {"high_ns_per_m": 12.0}),
        ("dip_filter", {"fastest_m_per_ns": 0.12}),
        ("dip_filter", {"slowest_m_per_ns": 0.12}),
        ("dip_filter", {"action": "keep", "low_ns_per_m": 4.0}),
        ("migrate_stolt", {"velocity_m_per_ns": 0.07}),
        ("migrate_phase_shift", {"velocity_m_per_ns": 0.07}),
        ("topography", {"datum": "mean"}),
        ("topography", {"datum": "lowest", "smooth_m": 0.5}),
        ("topography", {"datum_m": 2.0}),
        ("line_balance", {"reference_level": 5.0}),
        ("q_compensation", {"q_star": 12.0}),
    ],
)
def test_one_value_that_is_stated_decides_what_others_mean(name, stated):
    same_when_written_out(find_step(name), stated)


def test_what_is_left_out_follows_from_what_is_stated():
    gap = find_step("equal_spacing").resolved({"spacing_m": 0.2}, SECTION, 160)["largest_gap_m"]
    assert gap == pytest.approx(0.6)
    slow, fast = (find_step("migrate_stolt").resolved({"velocity_m_per_ns": v}, SECTION, 160) for v in (0.05, 0.1))
    assert fast["pad_m"] == pytest.approx(2 * slow["pad_m"])
    assert find_step("notch").resolved({"frequency_mhz": 300.0}, SECTION, 160)["width_mhz"] == pytest.approx(30.0)
    assert find_step("topography").resolved({}, SECTION, 160)["datum_m"] == SECTION.elevation_m.max()


def test_a_section_that_knows_little_leaves_more_open():
    bare = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    for name, missing in {
        "equal_spacing": {"spacing_m", "largest_gap_m"},
        "q_compensation": {"q_star"},
        "migrate_stolt": {"velocity_m_per_ns", "pad_m"},
        "topography": {"velocity_m_per_ns", "datum_m"},
    }.items():
        resolved = find_step(name).resolved({}, bare, 160)
        assert {key for key, value in resolved.items() if value is None} == missing
    assert find_step("compensate").resolved({}, bare, 160)["absorption_db_per_ns"] == 0.0


def test_what_a_step_takes_out_can_be_seen_for_those_that_take_out():
    assert {step.name for step in STEPS if step.removes} == {
        "repair_traces", "detrend", "dewow", "band_pass", "band_pass_trapezoid", "notch", "background_removal",
        "background_fk", "eigen_background", "dip_filter", "air_wave_removal", "predictive_deconvolution",
        "predictive_deconvolution_by_trace",
    }  # fmt: skip


def test_kinds_and_bounds_in_words():
    kinds = {p.name: (p.kind, p.default, p.bounds) for p in step_parameters(find_step("time_zero"))}
    assert kinds == {
        "pick": ("one of 'peak', 'first_break', 'energy_ratio', 'aic', 'correlation'", "peak", ""),
        "search_ns": ("number", "see meaning", "> 0, ≤ 10000"),
        "threshold": ("number", "0.05", "> 0, < 1"),
        "smooth_traces": ("whole number", "9", "≥ 1, ≤ 999"),
    }
