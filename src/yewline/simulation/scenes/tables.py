"""From a table of a scene file to the dataclass that it describes, by the dataclass's own fields.

A field added to a dataclass is a key of its table from then on: nothing here knows the names. Every fault is a
`SettingsError` that says where in the file it stands; entries of a list are counted from 1.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
import types
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from pydantic import ConfigDict, TypeAdapter, ValidationError

from yewline.errors import SettingsError, YewlineError

__all__ = [
    "NONE",
    "Key",
    "Place",
    "in_words",
    "keys_of",
    "kind_name",
    "list_in",
    "named",
    "one_of",
    "read_list",
    "read_table",
    "refuse_unknown",
    "table_in",
]

T = TypeVar("T")

NONE = "none"
"""What a file writes where a key is to hold nothing although its default is something."""

_REQUIRED = object()


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a scene file something stands: the file, and the path of tables and keys."""

    file: str
    path: str = ""

    def key(self, name: str) -> Place:
        """The place of a key of this table."""
        return Place(self.file, f"{self.path}.{name}" if self.path else name)

    def entry(self, index: int) -> Place:
        """The place of an entry of this list; `index` counts from 0, the text from 1."""
        return Place(self.file, f"{self.path}[{index + 1}]")

    @property
    def table(self) -> str:
        """The path as it stands in a header: without the counts of entries."""
        return re.sub(r"\[\d+\]", "", self.path)

    def __str__(self) -> str:
        return f"{self.file}, {self.path}" if self.path else self.file


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table.

    Attributes
    ----------
    name : as it is written.
    annotation : the field's type.
    kinds : the dataclasses it can be a table of; none for a plain value. With several, its key ``kind`` says which.
    many : it is a list of such tables.
    optional : it may hold nothing.
    default : its default; `required` where there is none.
    """

    name: str
    annotation: Any
    kinds: tuple[type, ...]
    many: bool
    optional: bool
    default: Any
    required: bool


def keys_of(kind: type) -> Mapping[str, Key]:
    """The keys of the table of a dataclass, in the order of its fields.

    Examples
    --------
    >>> from yewline.simulation.scene import Grave
    >>> keys = keys_of(Grave)
    >>> keys["base_m"].required, [kind.__name__ for kind in keys["fill"].kinds]
    (True, ['Fill'])
    """
    return _keys_of(cast(Hashable, kind))


@cache
def _keys_of(kind: Any) -> Mapping[str, Key]:
    hints = get_type_hints(kind)
    return types.MappingProxyType(
        {field.name: _key(field, hints[field.name]) for field in dataclasses.fields(kind) if field.init}
    )


def _key(field: dataclasses.Field[Any], annotation: Any) -> Key:
    default: Any = _REQUIRED
    if field.default is not dataclasses.MISSING:
        default = field.default
    elif field.default_factory is not dataclasses.MISSING:
        default = field.default_factory()
    parts = _parts(annotation)
    lists = [_parts(get_args(part)[0]) for part in parts if get_origin(part) is tuple and get_args(part)[1:] == (...,)]
    single = _dataclasses(parts)
    listed = () if single else tuple(kind for inner in lists for kind in _dataclasses(inner))
    required = default is _REQUIRED
    return Key(
        name=field.name,
        annotation=annotation,
        kinds=single or listed,
        many=bool(listed),
        optional=types.NoneType in parts,
        default=None if required else default,
        required=required,
    )


def _dataclasses(parts: tuple[Any, ...]) -> tuple[type, ...]:
    return tuple(part for part in parts if isinstance(part, type) and dataclasses.is_dataclass(part))


def kind_name(kind: type) -> str:
    """What a table says for ``kind``, where it can be of several.

    Examples
    --------
    >>> from yewline.simulation.earth import WettingFront
    >>> kind_name(WettingFront)
    'wetting-front'
    """
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", kind.__name__).lower()


def _parts(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else (annotation,)


def read_table(
    kind: type[T], data: Any, place: Place, *, defaults: Mapping[str, Any] | None = None, also: Iterable[str] = ()
) -> T:
    """Make a `kind` from a table.

    Parameters
    ----------
    kind : a dataclass.
    data : the parsed table.
    place : where it stands.
    defaults : values of fields that the table leaves out, before the dataclass's own defaults.
    also : keys that the table may hold besides and that are read elsewhere.

    Raises
    ------
    SettingsError : no table; a key that is unknown, missing or of the wrong type; or what the dataclass refuses.

    Examples
    --------
    >>> from yewline.simulation.scene import Stone
    >>> read_table(Stone, {"x": 1, "y": 2, "depth_m": 0.8, "radius_m": 0.1}, Place("a.toml", "stones[1]")).permittivity
    6.0
    >>> read_table(Stone, {"x": 1, "y": 2, "depht_m": 0.8, "radius_m": 0.1}, Place("a.toml", "stones[1]"))
    Traceback (most recent call last):
    ...
    yewline.errors.SettingsError: a.toml, stones[1]: unknown key 'depht_m' (received 0.8). Did you mean 'depth_m'?
    """
    held = table_in(data, place)
    keys = keys_of(kind)
    extra = tuple(also)
    refuse_unknown(held, (*keys, *extra), place)
    stated = {name: _value(keys[name], value, place.key(name)) for name, value in held.items() if name not in extra}
    filled = {**(defaults or {}), **stated}
    for name, key in keys.items():
        if key.required and name not in filled:
            raise SettingsError(f"missing key '{name}'", where=str(place), do=f"add {name} = {_example(key)}")
    try:
        return kind(**filled)
    except YewlineError as error:
        guilty = _guilty(kind, filled, stated, defaults or {}, error)
        raise SettingsError(
            error.problem,
            where=str(place if guilty is None else place.key(guilty)),
            received=error.received,
            do=error.do or "mend the value",
        ) from error


def _guilty(
    kind: type, filled: dict[str, Any], stated: Mapping[str, Any], defaults: Mapping[str, Any], error: YewlineError
) -> str | None:
    """The one key that the dataclass speaks of, or the one without which it would have nothing to say."""
    named = [name for name in keys_of(kind) if re.search(rf"\b{re.escape(name)}\b", error.problem)]
    if len(named) == 1 and (named[0] in stated or error.problem.startswith(named[0])):
        return named[0]
    cured = []
    for name in stated:
        rest = {key: value for key, value in filled.items() if key != name}
        if name in defaults:
            rest[name] = defaults[name]
        elif keys_of(kind)[name].required:
            continue
        try:
            kind(**rest)
        except YewlineError:
            continue
        cured.append(name)
    return cured[0] if len(cured) == 1 else None


def read_list(kind: type[T], data: Any, place: Place) -> tuple[T, ...]:
    """Make one `kind` from each table of a list."""
    return tuple(read_table(kind, entry, place.entry(i)) for i, entry in enumerate(list_in(data, place)))


def list_in(data: Any, place: Place) -> list[Any]:
    """`data` if it is a list of tables."""
    if not isinstance(data, list):
        raise SettingsError(
            "must be a list of tables",
            where=str(place),
            received=_short(data),
            do=f"write each as [[{place.table}]]",
        )
    return data


def table_in(data: Any, place: Place) -> dict[str, Any]:
    """`data` if it is a table."""
    if not isinstance(data, dict):
        advice = f"write it as [[{place.table}]]" if place.path.endswith("]") else f"write it as [{place.table}]"
        if isinstance(data, list):
            advice += ", once only"
        raise SettingsError("must be a table", where=str(place), received=_short(data), do=advice)
    return data


def refuse_unknown(held: Mapping[str, Any], known: Iterable[str], place: Place) -> None:
    """Refuse the first key that is not known, and name the nearest one that is."""
    names = list(known)
    for name in held:
        if name not in names:
            raise SettingsError(
                f"unknown key '{name}'", where=str(place), received=_short(held[name]), do=nearest(name, names)
            )


def nearest(name: str, known: list[str]) -> str:
    """Advice after a name that is not known: the nearest one that is, or all of them."""
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if not near and "_" in name:
        # A wrong unit: the stem is right and the ending is not.
        near = [key for key in known if key.rsplit("_", 1)[0] == name.rsplit("_", 1)[0]][:1]
    return f"did you mean '{near[0]}'?" if near else f"known are {', '.join(sorted(known))}"


def one_of(annotation: Any, value: Any, place: Place) -> Any:
    """`value`, checked to be of a type; lists become tuples, whole numbers pass for numbers, text does not.

    Examples
    --------
    >>> one_of(tuple[float, float], [1, 2], Place("a.toml", "start"))
    (1.0, 2.0)
    """
    try:
        return _adapter(annotation).validate_python(_frozen(value))
    except ValidationError as error:
        raise SettingsError(
            f"must be {in_words(annotation)}", where=str(place), received=_short(value), do=_advice(value)
        ) from error


def _value(key: Key, value: Any, place: Place) -> Any:
    if key.optional and value == NONE and str not in _parts(key.annotation):
        return None
    if not key.kinds:
        return one_of(key.annotation, value, place)
    if key.many:
        return tuple(_of_kind(key, entry, place.entry(i)) for i, entry in enumerate(list_in(value, place)))
    return _of_kind(key, value, place)


def _of_kind(key: Key, value: Any, place: Place) -> Any:
    """A table of the one kind there is, or of the one that it names; a name where names are taken too."""
    if isinstance(value, str) and str in _parts(key.annotation):
        return value
    kinds = key.kinds
    held = table_in(value, place)
    if len(kinds) == 1:
        return read_table(kinds[0], held, place)
    kind_of = {kind_name(kind): kind for kind in kinds}
    name = named(held.get("kind"), kind_of, place)
    return read_table(kind_of[name], {k: v for k, v in held.items() if k != "kind"}, place)


def named(kind: Any, kinds: Iterable[str], place: Place) -> str:
    """The value of a table's key ``kind``, if it is one of `kinds`; None where the key is missing."""
    names = list(kinds)
    if kind is None:
        raise SettingsError("missing key 'kind'", where=str(place), do=f"add kind = {_choices(names)}")
    if kind not in names:
        do = nearest(str(kind), names)
        raise SettingsError("there is no such kind", where=str(place.key("kind")), received=repr(kind), do=do)
    return str(kind)


@cache
def _adapter(annotation: Any) -> TypeAdapter[Any]:
    return TypeAdapter(annotation, config=ConfigDict(strict=True, allow_inf_nan=False, arbitrary_types_allowed=True))


def _frozen(value: Any) -> Any:
    return tuple(_frozen(item) for item in value) if isinstance(value, list) else value


def _advice(value: Any) -> str:
    if isinstance(value, str) and re.match(r"\s*-?[\d.]+", value):
        return "write the number alone, without quotes: the ending of the key is its unit"
    return "mend the value"


def in_words(annotation: Any) -> str:
    """What a value of a type is, for a surveyor.

    Examples
    --------
    >>> in_words(tuple[float, float]), in_words(float | None), in_words(Literal["dry", "wet"])
    ('a list of 2 numbers', 'a number', '"dry" or "wet"')
    """
    parts = [part for part in _parts(annotation) if part is not types.NoneType]
    return " or ".join(_words_of(part) for part in parts)


_WORDS = {"float": "number", "int": "whole number", "str": "text", "bool": "true or false", "date": "date"}


def _words_of(part: Any) -> str:
    if get_origin(part) is Literal:
        return _choices(get_args(part))
    if get_origin(part) is tuple:
        inner = get_args(part)
        if inner[1:] == (...,):
            return f"a list of {_many(inner[0])}"
        return f"a list of {len(inner)} {_many(inner[0])}"
    if dataclasses.is_dataclass(part):
        return "a table"
    word = _WORDS.get(getattr(part, "__name__", str(part)), "a value that fits")
    return word if word in ("text", "true or false", "a value that fits") else f"a {word}"


def _choices(values: Iterable[Any]) -> str:
    quoted = [f'"{value}"' for value in values]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


def _many(part: Any) -> str:
    one = in_words(part).removeprefix("a ")
    return one if one == "text" else re.sub(r"^(list|whole number|number|date|table)\b", r"\1s", one)


def _example(key: Key) -> str:
    words = in_words(key.annotation)
    return "…, " + words if words else "…"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
