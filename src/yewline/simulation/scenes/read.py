"""Scene files: read from TOML, written back, and the scenes that come with the package."""

from __future__ import annotations

import tomllib
import zlib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from yewline._check import check_in_range
from yewline.errors import InputError, SettingsError, YewlineError
from yewline.model import read_toml
from yewline.simulation.antennas import LOADING, antenna
from yewline.simulation.earth import Ground, Soil
from yewline.simulation.faults import Fault
from yewline.simulation.instrument import Instrument
from yewline.simulation.layer_table import LAYER_KINDS
from yewline.simulation.scene import Grave, Scene, kind_of
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.lines import LinePlan
from yewline.simulation.scenes.parts import Disturbance, Opened, Readings, SceneDay, SolverGrid
from yewline.simulation.scenes.rows import read_grave, read_row
from yewline.simulation.scenes.tables import (
    Place,
    keys_of,
    list_in,
    named,
    nearest,
    one_of,
    read_list,
    read_table,
    refuse_unknown,
    table_in,
)

__all__ = ["list_scenes", "read_scene", "scene_from_toml"]

TOP = ("name", "about", "seed", "bounds_m", "soil", "structure", "days", "lines", "antenna", "readings")
TOP_MORE = ("disturbances", "faults", "known", "rows", "solver")
KNOWN = ("labels", "share", "opened")
PAIR = ("nominal_mhz", "loading", "window_ns")
"""Keys of ``[antenna]`` besides those of an instrument."""

BEFALLS = ("days", "off")
"""Keys of ``[[disturbances]]`` besides those of the layer."""

NOMINAL_MHZ = 400.0
_SHIPPED = "shipped"


def read_scene(scene: str | Path) -> SceneFile:
    """Read a scene: one that comes with the package, by its name, or a TOML file.

    Parameters
    ----------
    scene : a name from `list_scenes`, or a path that ends in ``.toml``.

    Returns
    -------
    SceneFile, its rows of graves drawn and its defaults filled in.

    Raises
    ------
    SettingsError : there is no such scene or file, it is no TOML in UTF-8, a key is unknown, missing or of the wrong
        type, a value cannot be, or parts do not go together; the message names file, table and key.

    Examples
    --------
    >>> scene = read_scene("row-of-graves")
    >>> [day.name for day in scene.days]
    ['dry', 'wet']
    """
    text = str(scene)
    if isinstance(scene, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        path = Path(scene)
        if path.is_dir():
            raise SettingsError("a folder, not a scene file", where=text, do="give a TOML file")
        if not path.is_file():
            raise SettingsError(
                "there is no such file", where=text, do="check the path, or name a scene of the package"
            )
        return _scene_of(read_toml(path), path.name, path.stem)
    known = sorted(_shipped())
    if text not in known:
        raise SettingsError(
            "there is no such scene",
            received=repr(text),
            do=nearest(text, known),
        )
    return scene_from_toml(_shipped()[text], f"{text}.toml")


def scene_from_toml(text: str, where: str = "scene.toml") -> SceneFile:
    """Make a scene from the text of a scene file; `where` names it in messages.

    Raises
    ------
    SettingsError : as `read_scene`.

    Examples
    --------
    >>> scene = scene_from_toml('''
    ... bounds_m = [0.0, 0.0, 6.0, 4.0]
    ... [[days]]
    ... name = "dry"
    ... date = 2031-05-14
    ... water.profile = { kind = "drained", surface = 0.10, deep = 0.16 }
    ... [[graves]]
    ... x = 3.0
    ... y = 2.0
    ... [lines]
    ... count = 3
    ... length_m = 4.0
    ... origin = [1.0, 1.0]
    ... ''')
    >>> scene.scene.graves[0].label, scene.known, scene.scene.graves[0].base_m
    ('G1', ('G1',), 1.2)
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"not valid TOML: {error}",
            where=where,
            do="mend that line; text stands in quotes, and numbers have a decimal point",
        ) from error
    return _scene_of(data, where, Path(where).stem)


def list_scenes() -> tuple[tuple[str, str], ...]:
    """Names of the scenes that come with the package, and what each shows.

    Examples
    --------
    >>> "no-graves" in dict(list_scenes())
    True
    """
    scenes = []
    for name, text in sorted(_shipped().items()):
        scenes.append((name, str(tomllib.loads(text)["about"])))
    return tuple(scenes)


def _shipped() -> dict[str, str]:
    folder = resources.files("yewline.simulation.scenes").joinpath(_SHIPPED)
    return {
        entry.name.removesuffix(".toml"): entry.read_text(encoding="utf-8")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    }


def _scene_of(data: dict[str, Any], file: str, stem: str) -> SceneFile:
    root = Place(file)
    refuse_unknown(data, (*TOP, *TOP_MORE, *_lists()), root)
    if "bounds_m" not in data:
        raise SettingsError("missing key 'bounds_m'", where=file, do="add bounds_m = [x0, y0, x1, y1], in metres")
    if "lines" not in data:
        raise SettingsError("there are no lines", where=file, do="write a [lines] table")
    seed = _seed(data, root)
    ground = _ground(data, root, seed)
    scene = _contents(data, root, seed, ground.soil.porosity)
    nominal, pair = _antenna(data.get("antenna", {}), root.key("antenna"))
    known, opened = _known(data.get("known", {}), root.key("known"), scene, seed)
    held: dict[str, Any] = {
        "name": one_of(str, data.get("name", stem), root.key("name")),
        "about": one_of(str, data.get("about", ""), root.key("about")),
        "seed": seed,
        "scene": scene,
        "ground": ground,
        "days": _days(data.get("days", []), root.key("days"), seed),
        "lines": read_table(LinePlan, data["lines"], root.key("lines")),
        "nominal_mhz": nominal,
        "antenna": pair,
        "disturbances": _disturbances(data.get("disturbances", []), root.key("disturbances")),
        "readings": read_table(Readings, data.get("readings", {}), root.key("readings")),
        "faults": read_list(Fault, data.get("faults", []), root.key("faults")),
        "known": known,
        "opened": opened,
        "solver": read_table(SolverGrid, data.get("solver", {}), root.key("solver")),
    }
    try:
        return SceneFile(**held)
    except InputError as error:
        raise _placed(error, root if error.where is None else root.key(error.where)) from error


def _placed(error: YewlineError, place: Place) -> SettingsError:
    return SettingsError(error.problem, where=str(place), received=error.received, do=error.do or "mend the value")


def _seed(data: Mapping[str, Any], root: Place) -> int:
    seed = int(one_of(int, data.get("seed", 0), root.key("seed")))
    try:
        check_in_range(seed, "seed", 0, 2**31)
    except InputError as error:
        raise _placed(error, root.key("seed")) from error
    return seed


def _lists() -> dict[str, tuple[type, ...]]:
    """The scene's lists of bodies and the kinds that each holds."""
    return {name: key.kinds for name, key in keys_of(Scene).items() if key.many}


def _contents(data: Mapping[str, Any], root: Place, seed: int, porosity: float) -> Scene:
    placed: list[tuple[Any, Place]] = []
    lists: dict[str, tuple[Any, ...]] = {}
    for name, kinds in _lists().items():
        entries = list_in(data.get(name, []), root.key(name))
        places = [root.key(name).entry(i) for i in range(len(entries))]
        if kinds == (Grave,):
            rows = list_in(data.get("rows", []), root.key("rows"))
            for i, row in enumerate(rows):
                place = root.key("rows").entry(i)
                placed += [(grave, place) for grave in read_row(row, place, seed=seed, porosity=porosity)]
            made: list[Any] = [grave for grave, _ in placed if isinstance(grave, Grave)]
            own: list[Any] = [
                read_grave(entry, place, label=f"G{i + 1}", porosity=porosity)
                for i, (entry, place) in enumerate(zip(entries, places, strict=True))
            ]
        else:
            made, own = [], _bodies(kinds[0], entries, places, seed)
        placed += zip(own, places, strict=True)
        lists[name] = (*made, *own)
    bounds = one_of(tuple[float, float, float, float], data["bounds_m"], root.key("bounds_m"))
    _check_labels(placed)
    try:
        return Scene(bounds, **lists)
    except InputError as error:
        raise _placed(error, _place_of(error.where, lists, placed, root)) from error


def _bodies(kind: type, entries: list[Any], places: list[Place], seed: int) -> list[Any]:
    """Bodies of one kind; what is drawn differs from one to the next unless the file says otherwise."""
    seeded = "seed" in keys_of(kind)
    return [
        read_table(kind, entry, place, defaults={"seed": _own_seed(seed, kind.__name__, i)} if seeded else {})
        for i, (entry, place) in enumerate(zip(entries, places, strict=True))
    ]


def _check_labels(placed: list[tuple[Any, Place]]) -> None:
    first: dict[str, Place] = {}
    for body, place in placed:
        if body.label and body.label in first:
            raise SettingsError(
                f"the label '{body.label}' is taken already",
                where=str(place.key("label")),
                received=repr(body.label),
                do=f"give each its own; the other one is {first[body.label].path}",
            )
        first[body.label] = place


def _place_of(
    label: str | None, lists: Mapping[str, tuple[Any, ...]], placed: list[tuple[Any, Place]], root: Place
) -> Place:
    """Where the thing of which a scene speaks by its label stands in the file."""
    if label is None:
        return root.key("bounds_m")
    for body, place in placed:
        number = next(i for bodies in lists.values() for i, other in enumerate(bodies, start=1) if other is body)
        if label in (body.label, f"{kind_of(body)} {number}"):
            return Place(place.file, f"{place.path}.grave ({label})") if place.table == "rows" else place
    return root


def _own_seed(seed: int, name: str, i: int) -> int:
    """A seed of its own for entry `i` of the list `name`."""
    return zlib.crc32(f"{seed} {name} {i}".encode())


def _ground(data: Mapping[str, Any], root: Place, seed: int) -> Ground:
    soil = read_table(Soil, data.get("soil", {}), root.key("soil"))
    return read_table(
        Ground, data.get("structure", {}), root.key("structure"), defaults={"soil": soil, "structure_seed": seed}
    )


def _days(entries: Any, place: Place, seed: int) -> tuple[SceneDay, ...]:
    days = []
    for i, entry in enumerate(list_in(entries, place)):
        held = dict(table_in(entry, place.entry(i)))
        if isinstance(held.get("water"), dict):
            held["water"] = {"day_seed": _own_seed(seed, "days", i), **held["water"]}
        days.append(read_table(SceneDay, held, place.entry(i)))
    return tuple(days)


def _disturbances(entries: Any, place: Place) -> tuple[Disturbance, ...]:
    return tuple(_disturbance(entry, place.entry(i)) for i, entry in enumerate(list_in(entries, place)))


def _disturbance(entry: Any, place: Place) -> Disturbance:
    held = dict(table_in(entry, place))
    kind = LAYER_KINDS[named(held.pop("kind", None), LAYER_KINDS, place)]
    layer = read_table(kind, held, place, also=BEFALLS)
    days = one_of(tuple[str, ...], held.get("days", []), place.key("days"))
    return Disturbance(layer, days, one_of(bool, held.get("off", False), place.key("off")))


def _antenna(data: Any, place: Place) -> tuple[float, Instrument]:
    held = table_in(data, place)
    own = {name: one_of(float, held[name], place.key(name)) for name in PAIR if name in held}
    nominal = own.get("nominal_mhz", NOMINAL_MHZ)
    # The window is to be as long as it says, also where the file samples it at an interval of its own.
    step = one_of(float, held["interval_ns"], place.key("interval_ns")) if "interval_ns" in held else None
    try:
        pair = antenna(nominal, window_ns=own.get("window_ns"), interval_ns=step, loading=own.get("loading", LOADING))
    except InputError as error:
        raise _placed(error, place) from error
    usual = {name: getattr(pair, name) for name in keys_of(Instrument)}
    return nominal, read_table(Instrument, held, place, defaults=usual, also=PAIR)


def _known(data: Any, place: Place, scene: Scene, seed: int) -> tuple[tuple[str, ...], tuple[Opened, ...]]:
    """Labels of the known graves and the opened ground: by label, by chance, by what was opened, or else all."""
    held = table_in(data, place)
    refuse_unknown(held, KNOWN, place)
    opened = read_list(Opened, held.get("opened", []), place.key("opened"))
    labels = tuple(grave.label for grave in scene.graves)
    if "labels" in held:
        if "share" in held:
            raise SettingsError("labels and share exclude each other", where=str(place), do="leave one of them out")
        return one_of(tuple[str, ...], held["labels"], place.key("labels")), opened
    if "share" in held:
        share = one_of(float, held["share"], place.key("share"))
        try:
            check_in_range(share, "share", 0.0, 1.0)
        except InputError as error:
            raise _placed(error, place.key("share")) from error
        chance = np.random.default_rng([seed, zlib.crc32(b"known")]).random(len(labels))
        return tuple(label for label, drawn in zip(labels, chance, strict=True) if drawn < share), opened
    if opened:
        dug = shapely.unary_union([part.outline() for part in opened])
        return tuple(g.label for g in scene.graves if dug.contains(shapely.Point(g.x, g.y))), opened
    return labels, opened
