"""A recipe: the ordered steps of processing, as data in TOML; the same one runs on every visit."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from yewline.errors import SettingsError
from yewline.model import digest, read_settings, read_toml
from yewline.recipe.schema import parameter_model
from yewline.recipe.steps import STEPS, Step, find_step

__all__ = [
    "PARTS",
    "Recipe",
    "StepCall",
    "read_recipe",
    "recipe_digest",
    "recipe_from_toml",
    "recipe_to_toml",
    "standard_recipe",
]

PARTS: Final = ("before", "after", "display")
_MEANING: Final = {
    "before": "steps before the velocity is known",
    "after": "steps after the velocity is known",
    "display": "for pictures only",
}
_ROOT_KEYS: Final = ("name", *PARTS)


@dataclass(frozen=True, slots=True)
class StepCall:
    """One step of a recipe.

    Attributes
    ----------
    step : its name.
    stated : the parameters that the recipe states; the others keep their defaults.

    Raises
    ------
    SettingsError : there is no step of that name, or it does not take such a parameter.
    """

    step: str
    stated: Mapping[str, Any] = field(default_factory=dict)
    _all: Mapping[str, Any] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "stated", MappingProxyType(dict(self.stated)))
        if find_step(self.step) is None:
            known = [step.name for step in STEPS]
            raise SettingsError("unknown step", received=repr(self.step), do=_near(str(self.step), known))
        settings = read_settings(parameter_model(self.kind), dict(self.stated), f"step {self.step}")
        object.__setattr__(self, "_all", MappingProxyType(settings.model_dump()))

    @property
    def kind(self) -> Step:
        """The step itself."""
        return next(step for step in STEPS if step.name == self.step)

    @property
    def parameters(self) -> dict[str, Any]:
        """All parameters, stated or by default; None stands for "from the antenna or the site"."""
        return dict(self._all)

    def __reduce__(self) -> tuple[Any, ...]:
        # A mapping proxy cannot be pickled, and recipes travel to other processes.
        return (StepCall, (self.step, dict(self.stated)))


@dataclass(frozen=True, slots=True)
class Recipe:
    """Ordered steps in three parts.

    Attributes
    ----------
    name : what people call it.
    before, after : amplitude-true steps before and after the velocity is known; they feed the volume.
    display : steps on top of `before`, for pictures only.
    """

    name: str
    before: tuple[StepCall, ...] = ()
    after: tuple[StepCall, ...] = ()
    display: tuple[StepCall, ...] = ()


def read_recipe(path: Path) -> Recipe:
    """Read a recipe from a TOML file.

    Raises
    ------
    SettingsError : no such file, no valid TOML, an unknown step or parameter (the nearest known one is named), a
        value of the wrong type or out of range, or a step where it may not stand.
    """
    return _recipe_from(read_toml(path), str(path))


def recipe_from_toml(text: str, where: str = "recipe") -> Recipe:
    """Parse a recipe from TOML; `where` names its place in messages.

    Raises
    ------
    SettingsError : as `read_recipe`.

    Examples
    --------
    >>> recipe = recipe_from_toml('name = "short"\\n[[before]]\\nstep = "dewow"\\nwindow_ns = 5.0')
    >>> recipe.before[0].parameters
    {'window_ns': 5.0}
    """
    try:
        return _recipe_from(tomllib.loads(text), where)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"not valid TOML: {error}", where=where, do="mend that line") from error


@cache
def standard_recipe() -> Recipe:
    """The recipe that runs where a site has none of its own.

    Examples
    --------
    >>> [call.step for call in standard_recipe().after]
    ['migrate_stolt', 'envelope']
    """
    text = resources.files(__package__).joinpath("standard.toml").read_text(encoding="utf-8")
    return recipe_from_toml(text, "standard.toml")


def recipe_to_toml(recipe: Recipe) -> str:
    """A recipe as TOML, with the parameters that it states; reading it back gives an equal recipe."""
    lines = [f"name = {json.dumps(recipe.name, ensure_ascii=False)}"]
    for part in PARTS:
        for call in getattr(recipe, part):
            lines += ["", f"[[{part}]]", f"step = {json.dumps(call.step)}"]
            lines += [f"{key} = {_toml_value(value)}" for key, value in call.stated.items()]
    return "\n".join(lines) + "\n"


def _toml_value(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def recipe_digest(recipe: Recipe) -> str:
    """A short stable name for what a recipe does: its steps with every parameter, defaults among them; not its name."""
    return digest({part: [[c.step, c.parameters] for c in getattr(recipe, part)] for part in PARTS})


def _recipe_from(data: dict[str, Any], where: str) -> Recipe:
    for key in data:
        if key not in _ROOT_KEYS:
            raise SettingsError(
                f"unknown key '{key}'", where=where, received=_short(data[key]), do=_near(key, _ROOT_KEYS)
            )
    name = data.get("name", "own recipe")
    if not isinstance(name, str) or not name.strip():
        raise SettingsError("'name' must be text", where=where, received=repr(name), do='write name = "my recipe"')
    parts = {part: _calls(data.get(part, []), part, where) for part in PARTS}
    for part, calls in parts.items():
        late = next((call.step for call in calls[1:] if call.kind.first), None)
        if late is not None:
            raise SettingsError(
                f"'{late}' takes what the lines beside were before, and so stands first under [[{part}]]",
                where=where,
                received=f"after {calls[0].step}",
                do=f"move it to the top of [[{part}]]",
            )
    if not (parts["before"] or parts["after"]):
        raise SettingsError(
            "the recipe has no steps", where=where, do="write at least one [[before]] or [[after]] table"
        )
    return Recipe(name=name.strip(), **parts)


def _calls(entries: Any, part: str, where: str) -> tuple[StepCall, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError(
            f"'{part}' must be a list of steps",
            where=where,
            received=_short(entries),
            do=f"write each step as [[{part}]]",
        )
    return tuple(_step_call(entry, part, f"{where}, {part} step {i}") for i, entry in enumerate(entries, start=1))


def _step_call(entry: dict[str, Any], part: str, where: str) -> StepCall:
    name = entry.get("step")
    if name is None:
        raise SettingsError(
            "a step without its name", where=where, received=_short(entry), do='write step = "dewow", say'
        )
    step = find_step(name) if isinstance(name, str) else None
    if step is None:
        raise SettingsError("unknown step", where=where, received=repr(name), do=_near_step(str(name), part))
    _check_place(step, part, where)
    stated = {key: value for key, value in entry.items() if key != "step"}
    settings = read_settings(parameter_model(step), stated, f"{where} ({step.name})")
    return StepCall(step.name, {key: getattr(settings, key) for key in stated})


def _check_place(step: Step, part: str, where: str) -> None:
    if part in step.branches:
        return
    if not step.amplitude_true:
        problem = step.why_display
    elif part == "display":
        problem = f"'{step.name}' cannot stand among the steps for pictures, which start from the [[before]] result"
    else:
        problem = f"'{step.name}' stands among the {_MEANING[part]}, and belongs elsewhere"
    raise SettingsError(
        problem, where=where, received=f"[[{part}]]", do=f"move it to {' or '.join(f'[[{b}]]' for b in step.branches)}"
    )


def _near(name: str, known: list[str] | tuple[str, ...]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"did you mean '{close[0]}'?" if close else f"known: {', '.join(known)}"


def _near_step(name: str, part: str) -> str:
    """The nearest step of all, else those that may stand in this part: all of them are too many to read."""
    close = difflib.get_close_matches(name, [step.name for step in STEPS], n=1, cutoff=0.5)
    if close:
        return f"did you mean '{close[0]}'?"
    return f"known in [[{part}]]: {', '.join(step.name for step in STEPS if part in step.branches)}"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
