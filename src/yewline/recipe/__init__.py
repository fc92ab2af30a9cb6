"""Steps over one radargram, in two parts, as recipes in TOML; a standard recipe is built in."""

from __future__ import annotations

from yewline.recipe.built_in import list_recipes, shipped_recipe
from yewline.recipe.explain import StepView, explain_recipe
from yewline.recipe.guard import guard
from yewline.recipe.lines import run_lines
from yewline.recipe.recipe import (
    PARTS,
    Recipe,
    StepCall,
    read_recipe,
    recipe_digest,
    recipe_from_toml,
    recipe_to_toml,
    standard_recipe,
)
from yewline.recipe.run import Around, run_after, run_before, run_display, section_of
from yewline.recipe.schema import Parameter, parameter_model, recipe_schema, step_help, step_parameters, step_table
from yewline.recipe.steps import STEPS, Step, find_step

__all__ = [
    "PARTS",
    "STEPS",
    "Around",
    "Parameter",
    "Recipe",
    "Step",
    "StepCall",
    "StepView",
    "explain_recipe",
    "find_step",
    "guard",
    "list_recipes",
    "parameter_model",
    "read_recipe",
    "recipe_digest",
    "recipe_from_toml",
    "recipe_schema",
    "recipe_to_toml",
    "run_after",
    "run_before",
    "run_display",
    "run_lines",
    "section_of",
    "shipped_recipe",
    "standard_recipe",
    "step_help",
    "step_parameters",
    "step_table",
]
