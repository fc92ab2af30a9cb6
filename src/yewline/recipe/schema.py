"""What a step takes, derived from its function's signature and docstring alone: model, JSON schema, help and table."""

from __future__ import annotations

import inspect
import re
from functools import cache
from typing import Any, Literal, get_args, get_origin, get_type_hints

from pydantic import ConfigDict, Field, create_model
from pydantic.fields import FieldInfo

from yewline.model import Settings
from yewline.recipe.purposes import PURPOSES
from yewline.recipe.steps import STEPS, Step, find_step

__all__ = ["Parameter", "parameter_model", "recipe_schema", "step_help", "step_parameters", "step_table"]


class Parameter(Settings):
    """One parameter of a step.

    Attributes
    ----------
    name, kind, default, bounds, text : as they are printed; `default` is "see meaning" where it follows from the
        antenna, the site or the line.
    """

    name: str
    kind: str
    default: str
    bounds: str
    text: str


class _StepSettings(Settings):
    """Base of the derived models: no conversion, so that a number written as text is refused."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)


@cache
def parameter_model(step: Step) -> type[Settings]:
    """A frozen model of a step's parameters; unknown keys, wrong types and values out of range are refused."""
    hints = get_type_hints(step.function, include_extras=True)
    texts = _parameter_texts(step)
    fields: dict[str, Any] = {
        name: (hints[name], Field(default=parameter.default, description=texts[name]))
        for name, parameter in inspect.signature(step.function).parameters.items()
        if parameter.kind is inspect.Parameter.KEYWORD_ONLY
    }
    model: type[Settings] = create_model(
        "".join(word.title() for word in step.name.split("_")), __base__=_StepSettings, __doc__=_summary(step), **fields
    )
    return model


def step_parameters(step: Step) -> tuple[Parameter, ...]:
    """The parameters of a step, in the order of its signature.

    Examples
    --------
    >>> from yewline.recipe.steps import find_step
    >>> [(p.name, p.kind, p.default, p.bounds) for p in step_parameters(find_step("dewow"))]
    [('window_ns', 'number', 'see meaning', '> 0, ≤ 10000')]
    """
    return tuple(
        Parameter(
            name=name,
            kind=_kind(info.annotation),
            default="see meaning" if info.default is None else str(info.default),
            bounds=_bounds(info),
            text=info.description or "",
        )
        for name, info in parameter_model(step).model_fields.items()
    )


def recipe_schema() -> dict[str, Any]:
    """JSON schema (2020-12) of a recipe as data: what its TOML file holds once parsed."""
    definitions: dict[str, Any] = {}
    for step in STEPS:
        own = parameter_model(step).model_json_schema()
        own["properties"] = {"step": {"const": step.name, "title": step.title}, **own.get("properties", {})}
        own["required"] = ["step"]
        definitions[step.name] = own
    places = {
        place: {
            "type": "array",
            "items": {"anyOf": [{"$ref": f"#/$defs/{step.name}"} for step in STEPS if place in step.branches]},
            "default": [],
        }
        for place in ("before", "after", "display")
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Recipe",
        "type": "object",
        "properties": {"name": {"type": "string", "minLength": 1}, **places},
        "required": ["name"],
        "additionalProperties": False,
        "$defs": definitions,
    }


def step_help(step: Step) -> str:
    """Help for one step as plain text: what it does, where it may stand, what it takes."""
    lines = [f"{step.name}: {_summary(step)}", f"  may stand in: {', '.join(step.branches)}"]
    for parameter in step_parameters(step):
        limits = f", {parameter.bounds}" if parameter.bounds else ""
        lines.append(f"  {parameter.name} ({parameter.kind}{limits}; default {parameter.default}): {parameter.text}")
    return "\n".join(lines)


def step_table() -> str:
    """All steps and their parameters as tables in Markdown, one a purpose, for the documents."""
    return "\n".join(f"### {purpose}\n\n{_table(names)}" for purpose, names in PURPOSES)


def _table(names: tuple[str, ...]) -> str:
    rows = ["| step | what it does | may stand in | parameter | default | meaning |", "|---|---|---|---|---|---|"]
    for step in (step for name in names if (step := find_step(name)) is not None):
        head = f"| `{step.name}` | {_summary(step)} | {', '.join(step.branches)} "
        parameters = step_parameters(step)
        if not parameters:
            rows.append(f"{head}| none | | |")
        for parameter in parameters:
            rows.append(f"{head}| `{parameter.name}` | {parameter.default} | {parameter.text} |")
            head = "| | | "
    return "\n".join(rows) + "\n"


def _summary(step: Step) -> str:
    return (inspect.getdoc(step.function) or "").partition("\n")[0]


def _parameter_texts(step: Step) -> dict[str, str]:
    """The docstring's text on each parameter, joined to one line."""
    section = re.search(r"\nParameters\n-+\n(.*?)\n\n", inspect.getdoc(step.function) or "", re.DOTALL)
    texts: dict[str, str] = {}
    for entry in re.split(r"\n(?=\S)", section.group(1) if section else ""):
        name, _, text = entry.partition(" : ")
        texts[name] = " ".join(text.split())
    return texts


def _kind(annotation: Any) -> str:
    choices = [part for part in get_args(annotation) if part is not type(None)] if get_origin(annotation) else []
    if get_origin(annotation) is Literal:
        return "one of " + ", ".join(repr(choice) for choice in choices)
    plain = choices[0] if choices else annotation
    return {"float": "number", "int": "whole number", "bool": "true or false"}.get(plain.__name__, "text")


def _bounds(info: FieldInfo) -> str:
    signs = {"gt": ">", "ge": "≥", "lt": "<", "le": "≤"}
    return ", ".join(
        f"{signs[key]} {value:g}"
        for part in info.metadata
        for key in signs
        if (value := getattr(part, key, None)) is not None
    )
