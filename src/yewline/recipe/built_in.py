"""The recipes that come with the package, by name."""

from __future__ import annotations

import difflib
from functools import cache
from importlib import resources

from yewline.errors import SettingsError
from yewline.recipe.recipe import Recipe, recipe_from_toml, standard_recipe

__all__ = ["list_recipes", "shipped_recipe"]

_FOLDER = "shipped"


@cache
def list_recipes() -> tuple[str, ...]:
    """Names of the recipes that come with the package, the standard one first.

    Examples
    --------
    >>> list_recipes()
    ('standard', 'dry-sand', 'high-frequency', 'low-frequency', 'middle-frequency', 'wet-clay')
    """
    files = resources.files(__package__).joinpath(_FOLDER).iterdir()
    return ("standard", *sorted(file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml")))


def shipped_recipe(name: str, *, where: str | None = None) -> Recipe:
    """The recipe of that name that comes with the package.

    Parameters
    ----------
    name : one of `list_recipes`.
    where : the file that asks for it, for messages.

    Raises
    ------
    SettingsError : there is none of that name; the nearest is named.

    Examples
    --------
    >>> [call.step for call in shipped_recipe("wet-clay").before][:2]
    ['time_zero', 'dewow']
    """
    if name == "standard":
        return standard_recipe()
    known = list_recipes()
    if name not in known:
        near = difflib.get_close_matches(str(name), known, n=1, cutoff=0.5)
        advice = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(known)}; or write a recipe.toml"
        raise SettingsError("no such recipe comes with yewline", where=where, received=repr(name), do=advice)
    return _read(name)


@cache
def _read(name: str) -> Recipe:
    text = resources.files(__package__).joinpath(_FOLDER, f"{name}.toml").read_text(encoding="utf-8")
    return recipe_from_toml(text, f"{name}.toml")
