"""From dataclasses to the tables of a scene file: what differs from its default, and what has none."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import numbers
from collections.abc import Collection
from typing import Any

from yewline.errors import InputError
from yewline.simulation.scenes.tables import NONE, Key, keys_of, kind_name

__all__ = ["stated", "table_text", "toml_value"]

_WIDTH = 110
"""A table inside another is written on one line up to this many characters."""


def table_text(
    header: str, held: Any, *, many: bool = False, base: Any = None, always: Collection[str] = ()
) -> list[str]:
    """The lines of one table, those of the tables inside it included.

    Parameters
    ----------
    header : path of the table.
    held : a dataclass.
    many : it is an entry of a list of tables.
    base : an instance that a reader starts from; only what differs from it is written. Else the fields' defaults.
    always : fields that are written whatever they are, since a reader takes something else where they are missing.

    Examples
    --------
    >>> from yewline.simulation.scene import Fill, Stone
    >>> table_text("stones", Stone(1.0, 2.0, 0.8, 0.1), many=True)
    ['[[stones]]', 'x = 1.0', 'y = 2.0', 'depth_m = 0.8', 'radius_m = 0.1']
    """
    plain: list[str] = []
    inner: list[str] = []
    for name, value in stated(held, base, always).items():
        key = keys_of(type(held))[name]
        if key.many and value:
            for entry in value:
                inner += ["", *_with_kind(key, entry, table_text(f"{header}.{name}", entry, many=True, always=always))]
            continue
        line = f"{name} = {_field_value(key, value, always)}"
        if dataclasses.is_dataclass(value) and (len(line) > _WIDTH or _has_lists(value)):
            inner += ["", *_with_kind(key, value, table_text(f"{header}.{name}", value, always=always))]
        else:
            plain.append(line)
    return [f"[[{header}]]" if many else f"[{header}]", *plain, *inner]


def _with_kind(key: Key, held: Any, lines: list[str]) -> list[str]:
    return lines if len(key.kinds) == 1 else [lines[0], f"kind = {toml_value(kind_name(type(held)))}", *lines[1:]]


def _field_value(key: Key, value: Any, always: Collection[str]) -> str:
    """The value of a field on one line."""
    if not dataclasses.is_dataclass(value):
        return toml_value(value)
    several = len(key.kinds) > 1
    pairs = [f"kind = {toml_value(kind_name(type(value)))}"] if several else []
    keys = keys_of(type(value))
    pairs += [
        f"{name} = {_field_value(keys[name], item, always)}" for name, item in stated(value, None, always).items()
    ]
    return f"{{ {', '.join(pairs)} }}" if pairs else "{}"


def toml_value(value: Any) -> str:
    """One plain value as TOML.

    Examples
    --------
    >>> toml_value((1.0, "a", True))
    '[1.0, "a", true]'
    """
    if value is None:
        return json.dumps(NONE)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON leaves the delete character as it is, TOML does not allow it.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, numbers.Integral):
        return str(int(value))
    if isinstance(value, numbers.Real):
        return repr(float(value))
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    raise InputError("a value that TOML cannot hold", received=type(value).__name__)


def stated(held: Any, base: Any = None, always: Collection[str] = ()) -> dict[str, Any]:
    """Fields of `held` that a file has to state: those without a default, and those that differ from it."""
    found = {}
    for name, key in keys_of(type(held)).items():
        value = getattr(held, name)
        usual = key.default if base is None else getattr(base, name)
        if name in always or (base is None and key.required) or value != usual:
            found[name] = value
    return found


def _has_lists(value: Any) -> bool:
    keys = keys_of(type(value))
    return any(keys[name].many for name in stated(value))
