"""Rows of graves: a short table that stands for many graves, drawn from the scene's seed."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from yewline._check import check_finite, check_in_range, check_positive
from yewline.errors import InputError, SettingsError
from yewline.simulation.graves import Grave, Vault
from yewline.simulation.scenes.ageing import aged
from yewline.simulation.scenes.practice import SIZES, TOP_M, coffin_in, cut_size
from yewline.simulation.scenes.tables import Place, keys_of, one_of, read_table, refuse_unknown, table_in

__all__ = ["GraveRow", "read_grave", "read_row"]

_DRAWN = ("grave", "between", "one_of")
"""Tables of a row that speak of its graves: keys common to all, ranges to draw from, lists to choose from."""


_OF_THE_ROW = ("label", "kind", "x", "y")
"""Keys of a grave that the row itself decides."""


@dataclass(frozen=True, slots=True)
class GraveRow:
    """Graves side by side.

    Attributes
    ----------
    label : graves are labelled with it and their place in the row, such as A3.
    start : middle of the first grave, site metres (x, y).
    count : places in the row.
    spacing_m : from one grave's middle to the next along the row, m; 1.0 to 1.5 is common practice.
    direction_deg : of the row, clockwise from the site's +y axis.
    azimuth_deg : of the graves' long axes, clockwise from +y; nothing: square to the row.
    azimuth_spread_deg : standard deviation of the single graves' azimuths, degrees.
    jitter_m : standard deviation of the graves' places along and across the row, m.
    missing : places left empty, counted from 1.
    kind : of the graves: adult, child or infant.
    child_share, infant_share : chance that a place holds a child's or an infant's grave instead.
    age_years : youngest and oldest; each grave's age is drawn between them and says what is left of it. Nothing: no
        ages, and graves as `rows.grave` describes them.
    """

    label: str
    start: tuple[float, float]
    count: int
    spacing_m: float = 1.4
    direction_deg: float = 90.0
    azimuth_deg: float | None = None
    azimuth_spread_deg: float = 4.0
    jitter_m: float = 0.08
    missing: tuple[int, ...] = ()
    kind: str = "adult"
    child_share: float = 0.0
    infant_share: float = 0.0
    age_years: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not self.label:
            raise InputError("label of a row is empty", do='name it such as "A"')
        check_in_range(self.count, "count", 1, 1000)
        check_positive(self.spacing_m, "spacing_m")
        check_finite(self.direction_deg, "direction_deg")
        check_in_range(self.azimuth_spread_deg, "azimuth_spread_deg", 0.0, 90.0)
        check_in_range(self.jitter_m, "jitter_m", 0.0, 5.0)
        cut_size(self.kind)
        check_in_range(self.child_share, "child_share", 0.0, 1.0)
        check_in_range(self.infant_share, "infant_share", 0.0, 1.0)
        if self.child_share + self.infant_share > 1:
            raise InputError(
                "child_share and infant_share add up to more than 1", received=self.child_share + self.infant_share
            )
        if any(not 1 <= place <= self.count for place in self.missing):
            raise InputError("missing names a place that is not in the row", received=self.missing, do="count from 1")
        if self.age_years is not None and not 0 <= self.age_years[0] <= self.age_years[1]:
            raise InputError("age_years must be [youngest, oldest]", received=self.age_years, do="swap the two")


def read_grave(data: Any, place: Place, *, label: str, porosity: float = 0.42) -> Grave:
    """A grave from its table; sizes that it leaves out are those of its kind.

    With ``age_years`` the table says how the grave was dug, with a sound coffin unless it says otherwise, and the
    years take their share.

    Parameters
    ----------
    data : the parsed table.
    place : where it stands.
    label : its label where it states none.
    porosity : of the soil around it, to which that of an aged fill is tied.

    Examples
    --------
    >>> grave = read_grave({"x": 3.0, "y": 2.0, "kind": "child"}, Place("a.toml", "graves[1]"), label="G1")
    >>> grave.label, grave.length_m, grave.base_m
    ('G1', 1.2, 0.85)
    """
    held = table_in(data, place)
    kind = held.get("kind", "adult")
    if not isinstance(kind, str) or kind not in SIZES:
        choices = ", ".join(SIZES)
        raise SettingsError(
            f"kind must be one of {choices}", where=str(place.key("kind")), received=repr(kind), do="mend the value"
        )
    defaults = _usual(kind, label)
    years = one_of(float | None, held.get("age_years"), place.key("age_years"))
    stated = {key: value for key, value in held.items() if key != "age_years"}
    if years is not None and not {"coffin", "shroud", "vault"} & set(stated):
        stated["coffin"] = {"void": 1.0}
    grave = read_table(Grave, _fitted(stated, {**defaults, **stated}), place, defaults=defaults)
    if years is None:
        return grave
    try:
        return _rounded(aged(grave, years, soil_porosity=porosity))
    except InputError as error:
        raise SettingsError(
            error.problem,
            where=str(place.key("age_years")),
            received=error.received,
            do="give the years since it was dug",
        ) from error


def _rounded(grave: Grave) -> Grave:
    """What the years changed, in figures that a person would write: the scene can be written back as a file."""
    fill = replace(
        grave.fill,
        porosity=round(grave.fill.porosity, 3),
        wetness=round(grave.fill.wetness, 3),
        mixed=round(grave.fill.mixed, 4),
    )
    return replace(
        grave,
        fill=fill,
        blur_m=round(grave.blur_m, 4),
        settled_m=round(grave.settled_m, 3),
        coffin=None if grave.coffin is None else replace(grave.coffin, void=round(grave.coffin.void, 3)),
        more_coffins=tuple(replace(coffin, void=round(coffin.void, 3)) for coffin in grave.more_coffins),
    )


def _usual(kind: str, label: str) -> dict[str, Any]:
    size = cut_size(kind)
    return {
        "label": label,
        "kind": kind,
        "length_m": size.length_m,
        "width_m": size.width_m,
        "azimuth_deg": 90.0,
        "top_m": TOP_M,
        "base_m": size.base_m,
    }


def _fitted(held: dict[str, Any], cut: Mapping[str, Any]) -> dict[str, Any]:
    """Sizes of what lies in the cut, where the tables leave them out; whatever is odd is left for the checks."""
    numbers = [cut["length_m"], cut["width_m"], cut["base_m"], cut.get("taper_m", 0.0)]
    if not all(isinstance(number, int | float) and not isinstance(number, bool) for number in numbers):
        return held
    length, width, base, taper = (float(number) for number in numbers)
    length, width = length - 2 * taper, width - 2 * taper
    room: dict[str, dict[str, float]] = {
        "coffin": coffin_in(cut["kind"], length, width),
        "vault": {"length_m": length, "width_m": width, "height_m": min(0.9, round(base - 0.25, 3))},
        "shroud": {"length_m": min(1.65, round(length - 0.1, 3)), "width_m": min(0.42, round(width - 0.05, 3))},
    }
    vault = held.get("vault")
    if isinstance(vault, dict):
        wall = vault.get("wall_m", keys_of(Vault)["wall_m"].default)
        if isinstance(wall, int | float):
            inner = coffin_in(cut["kind"], length - 2 * wall, width - 2 * wall)
            room["coffin"] = {**inner, "height_m": min(inner["height_m"], 0.35)}
    filled = dict(held)
    for name, sizes in room.items():
        if isinstance(held.get(name), dict):
            filled[name] = {**sizes, **held[name]}
    return filled


def read_row(data: Any, place: Place, *, seed: int, porosity: float = 0.42) -> tuple[Grave, ...]:
    """The graves of a row.

    A number drawn depends on the scene's seed, the row's label, the place in the row and the key alone: a key more in
    the table, or a row more in the file, leaves all other graves as they were.

    Parameters
    ----------
    data : the parsed table, with the tables ``grave``, ``between`` and ``one_of`` if it has them.
    place : where it stands.
    seed : of the scene.
    porosity : as in `read_grave`.

    Examples
    --------
    >>> row = {"label": "A", "start": [2.0, 3.0], "count": 3, "missing": [2], "between": {"base_m": [0.9, 1.1]}}
    >>> [grave.label for grave in read_row(row, Place("a.toml", "rows[1]"), seed=1)]
    ['A1', 'A3']
    """
    held = table_in(data, place)
    row = read_table(GraveRow, {k: v for k, v in held.items() if k not in _DRAWN}, place, also=_DRAWN)
    tables = {name: table_in(held.get(name, {}), place.key(name)) for name in _DRAWN}
    for name, table in tables.items():
        refuse_unknown(
            table, [key for key in (*keys_of(Grave), "age_years") if key not in _OF_THE_ROW], place.key(name)
        )
    between = {key: _range(value, place.key("between").key(key)) for key, value in tables["between"].items()}
    for key, values in tables["one_of"].items():
        if not isinstance(values, list) or not values:
            raise SettingsError(
                "must be a list to choose from",
                where=str(place.key("one_of").key(key)),
                received=repr(values),
                do="list at least one value in [ ]",
            )
    graves = []
    for i in range(row.count):
        if i + 1 not in row.missing:
            label = f"{row.label}{i + 1}"
            keys = _drawn(row, i, between, tables["one_of"], seed) | tables["grave"]
            graves.append(
                read_grave(keys, Place(place.file, f"{place.path}.grave ({label})"), label=label, porosity=porosity)
            )
    return tuple(graves)


def _drawn(
    row: GraveRow, i: int, between: Mapping[str, tuple[float, float]], lists: Mapping[str, Any], seed: int
) -> dict[str, Any]:
    """The keys of grave `i`, as if they stood in the file."""

    def rng(key: str) -> np.random.Generator:
        return np.random.default_rng([seed, zlib.crc32(row.label.encode()), i, zlib.crc32(key.encode())])

    chance = rng("kind").random()
    kind = "infant" if chance < row.infant_share else row.kind
    kind = "child" if row.infant_share <= chance < row.infant_share + row.child_share else kind
    turn = math.radians(row.direction_deg)
    along, across = row.jitter_m * rng("place").standard_normal(2)
    far = i * row.spacing_m + along
    middle = row.direction_deg + 90.0 if row.azimuth_deg is None else row.azimuth_deg
    size = cut_size(kind)
    drawn: dict[str, Any] = {
        "kind": kind,
        "x": round(row.start[0] + far * math.sin(turn) + across * math.cos(turn), 3),
        "y": round(row.start[1] + far * math.cos(turn) - across * math.sin(turn), 3),
        "azimuth_deg": round((middle + row.azimuth_spread_deg * float(rng("azimuth_deg").standard_normal())) % 180, 1),
        "length_m": round(float(rng("length_m").uniform(*size.length_range_m)), 2),
        "width_m": round(float(rng("width_m").uniform(*size.width_range_m)), 2),
        "base_m": round(float(rng("base_m").uniform(*size.base_range_m)), 2),
    }
    if row.age_years is not None:
        drawn["age_years"] = round(float(rng("age_years").uniform(*row.age_years)), 1)
    drawn |= {key: round(float(rng(key).uniform(low, high)), 3) for key, (low, high) in between.items()}
    return drawn | {key: values[int(rng(key).integers(len(values)))] for key, values in lists.items()}


def _range(value: Any, place: Place) -> tuple[float, float]:
    low, high = one_of(tuple[float, float], value, place)
    if low > high:
        raise SettingsError("must be [low, high]", where=str(place), received=repr(value), do="swap the two")
    return low, high
