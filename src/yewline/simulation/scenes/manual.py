"""Every table and key of a scene file, with unit, default and meaning, taken from the dataclasses themselves."""

from __future__ import annotations

import dataclasses
import datetime as dt
import inspect
import re
from collections.abc import Iterator
from typing import Final

from yewline.simulation.earth import DayWater, Ground, Soil
from yewline.simulation.faults import LEDGER_KINDS, Fault
from yewline.simulation.fillings import MATERIALS, Fill, Metal, Solid
from yewline.simulation.graves import Grave, Lining, Vault
from yewline.simulation.instrument import Instrument
from yewline.simulation.layer_table import LAYER_KINDS
from yewline.simulation.layers import Layer as LayerOfFaults
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.lines import LinePlan
from yewline.simulation.scenes.parts import Opened, Readings, SceneDay, SolverGrid
from yewline.simulation.scenes.practice import SIZES
from yewline.simulation.scenes.rows import GraveRow
from yewline.simulation.scenes.tables import Key, in_words, keys_of, kind_name
from yewline.simulation.scenes.toml_text import toml_value

__all__ = ["key_meanings", "scene_key_tables"]

Row = tuple[str, str, str, str]

_HEAD = ("| key | unit | default | meaning |", "|---|---|---|---|")
_UNITS: Final = (
    (r"_db_per_ns$", "dB/ns"),
    (r"_ms_per_m$", "mS/m"),
    (r"_g_per_cm3$", "g/cm³"),
    (r"_mhz$", "MHz"),
    (r"_ns$", "ns"),
    (r"_deg$", "°"),
    (r"_db$", "dB"),
    (r"_years$", "years"),
    (r"^temperature_c$", "°C"),
    (r"(^|_)vwc$|^(porosity|residual|surface|deep|wet|mixed)$", "m³/m³"),
    (r"_m$|^(x|y|start|end|points|origin)$", "m"),
)
_COMMON: Final = {
    "label": "its name; left out: its kind and number",
    "x": "of its middle, along the site's x axis",
    "y": "of its middle, along the site's y axis",
    "points": "list of [x, y, depth] along it",
    "start": "[x, y] of one end",
    "end": "[x, y] of the other end",
    "azimuth_deg": "of its long axis, clockwise from the site's +y",
    "radius_m": "its radius",
    "depth_m": "of its middle, or how far it reaches into the ground",
    "width_m": "across it",
    "taper_m": "each wall lies this much further in at the base",
    "top_m": "depth of its top",
    "base_m": "depth of its base",
    "fill": "what it was filled with",
    "material": "what it is made of",
    "blur_m": "standard deviation of the passage from it to the soil",
    "older": "true: it was there before the graves, and they cut it",
    "permittivity": "relative permittivity",
    "conductivity_ms_per_m": "conductivity",
    "vwc": "mean water content at all depths",
    "surface": "mean water content at the surface",
    "deep": "mean water content far below it",
    "profile_m": "depth over which the difference falls to 1/e",
    "length_m": "its length",
    "height_m": "its height",
    "thickness_m": "its thickness",
    "kind": "its kind",
    "seed": "of what is drawn; left out: from the scene's seed",
}
_OWN: Final = {
    ("Soil", "model"): "how permittivity follows from water",
    ("Soil", "solid_permittivity"): "relative permittivity of the grains",
    ("Soil", "exponent"): "of the mixing model; 0.5 is that of the complex refractive index",
    ("Soil", "cementation"): "exponent of porosity in Archie's law",
    ("Soil", "saturation_exponent"): "exponent of saturation in Archie's law",
    ("Soil", "conduction"): "how conductivity follows from water: pore water and grain surfaces, or the texture model",
    ("Ground", "structure_seed"): "of the patches that the water follows on every day",
    ("DayWater", "profile"): "mean with depth",
    ("DayWater", "macro"): "uneven water at the scale of metres",
    ("DayWater", "micro"): "uneven water at the scale of centimetres to decimetres",
    ("Patches", "smoothness"): "of the family matern, and of no other",
    ("WettingFront", "surface"): "the drained soil under the front: mean water content at the surface before the rain",
    ("WettingFront", "deep"): "mean water content far below",
    ("WettingFront", "profile_m"): "depth over which the difference between the two falls to 1/e",
    ("FrozenCrust", "surface"): "mean water content at the surface, frozen or not",
    ("FrozenCrust", "deep"): "mean water content far below",
    ("FrozenCrust", "profile_m"): "depth over which the difference between the two falls to 1/e",
    ("Instrument", "interval_ns"): "between samples",
    ("Instrument", "samples"): "of a trace",
    (
        "Instrument",
        "air",
    ): "strength of the direct wave in air; 1 is that of an isotropic source (first-order model only)",
    ("Instrument", "ground"): "strength of the direct wave along the ground (first-order model only)",
    ("Odometer", "slip_m"): "distance lost in each of them",
    ("Odometer", "slip_over_m"): "distance over which each of them lasts",
    ("Odometer", "stop_m"): "how far the antennas go on while the wheel stands still",
    ("LineShift", "swing_over_m"): "wavelength of that swing",
    ("Ringing", "period_ns"): "of the ringing",
    ("Ringing", "decay_ns"): "time in which it falls to 1/e",
    ("Drift", "warm_m"): "distance after which the settling has all but 1/e of it",
    ("Converter", "gain_db"): "gain burnt into the record, at time zero",
    ("Converter", "gain_db_per_ns"): "its growth after time zero",
    ("Converter", "gain_limit_db"): "its largest value",
    ("Fault", "kind"): "what befell the line",
    ("Fault", "visit"): "name of the day",
    ("Fault", "line"): "name of the line; of duplicate-name, the name that is given twice",
    ("Fault", "other"): "of swapped-lines, the other one; of duplicate-name, the line stored under the name of `line`",
    ("Fault", "traces"): "stays empty: such a fault touches the whole line",
    ("Fault", "unit"): "of `amount`",
    ("SceneDay", "date"): "year-month-day, without quotes",
    ("Layer", "relief_m"): "standard deviation of its ups and downs",
    ("Layer", "relief_range_m"): "practical range of its ups and downs",
    ("Stone", "x"): "of its middle",
    ("Stone", "y"): "of its middle",
    ("Stone", "depth_m"): "of its middle",
    ("Stone", "long"): "its longest level half-axis (towards `azimuth_deg`) over `radius_m`",
    ("Stone", "flat"): "its upright half-axis over `radius_m`",
    ("TreeThrow", "long"): "half-axis along `azimuth_deg` over `radius_m`",
    ("Headstone", "height_m"): "how far it stands above the ground",
    ("Headstone", "depth_m"): "how far it reaches into the ground",
    ("Kerb", "height_m"): "how far it stands above the ground",
    ("Kerb", "depth_m"): "how far it reaches into the ground",
    ("Drain", "wall_m"): "thickness of the pipe's wall, inside `radius_m`; 0 for an unlined hole",
    ("Drain", "wall"): "what the pipe is made of; metal makes the whole of it a conductor",
    ("Coffin", "length_m"): "outside; left out, as the cut has room for it",
    ("Coffin", "width_m"): "outside, at the shoulders; left out, as the cut has room for it",
    ("Coffin", "height_m"): "outside",
    ("Coffin", "head"): "of a shouldered one: width at the head over that at the shoulders",
    ("Coffin", "foot"): "of a shouldered one: width at the foot over that at the shoulders",
    ("Vault", "length_m"): "outside; left out, that of the cut",
    ("Vault", "width_m"): "outside; left out, that of the cut",
    ("Vault", "height_m"): "outside; left out, 0.9 or what the cut has room for",
    ("Vault", "fill"): "soil in the chamber, under the air",
    ("Grave", "label"): "its name; left out, G and its number",
    ("Grave", "kind"): "adult, child or infant",
    ("Grave", "x"): "of the cut's middle",
    ("Grave", "y"): "of the cut's middle",
    ("Grave", "top_m"): "depth from which the cut can be told from the soil around it",
    ("Grave", "base_m"): "depth of its base",
    ("Grave", "coffin"): "a coffin on the base",
    ("Grave", "fill"): "what was put back",
    ("Grave", "shroud"): "a body laid down without a coffin",
    ("Grave", "vault"): "a lined chamber on the base; coffins stand in it",
    ("Grave", "lining"): "a slab over the base, under all else",
    ("Grave", "topsoil"): "what the hollow was filled with",
    ("ExtraLine", "start"): "[x, y] of its first trace",
    ("ExtraLine", "end"): "[x, y] of its last trace",
}
"""Where a docstring speaks of several fields in one breath, or to somebody who writes code."""

_TOP: Final[tuple[Row, ...]] = (
    ("name", "–", "the file's name", "of the scene: letters, digits, - and _"),
    ("about", "–", '""', "one sentence: what it shows"),
    ("seed", "–", "0", "of all that is drawn and not stated: rows, patches, layers, noise"),
    ("bounds_m", "m", "required", "[x0, y0, x1, y1]: graves and lines lie inside"),
)
_KNOWN: Final[tuple[Row, ...]] = (
    ("labels", "–", "see meaning", "labels of the graves that become known burials"),
    ("share", "–", "see meaning", "or the chance of each grave to be known, drawn from the seed"),
    (
        "opened",
        "–",
        "[]",
        "ground that was opened; without labels and share, the graves whose middle lies in it are known",
    ),
)
_PAIR: Final[tuple[Row, ...]] = (
    (
        "nominal_mhz",
        "MHz",
        "400.0",
        "of a generic pair: 100, 200, 270, 400, 500, 700 or 900; all other keys follow from it",
    ),
    ("loading", "–", "0.8", "centre in the ground over the nominal one; lower in wet soil"),
    ("window_ns", "ns", "of the pair", "length of the record"),
)
_BEFALLS: Final[tuple[Row, ...]] = (
    ("kind", "–", "required", ", ".join(LAYER_KINDS)),
    ("days", "–", "[]", "names of the days that it befalls; none: all"),
    ("off", "–", "false", "kept in the file, but switched off"),
)
_ROW_TABLES: Final[tuple[Row, ...]] = (
    ("grave", "–", "{}", "keys of `[[graves]]` that all graves of the row have, `age_years` among them"),
    ("between", "–", "{}", "numbers of `[[graves]]`, each drawn between [low, high]"),
    ("one_of", "–", "{}", "keys of `[[graves]]`, each drawn from a list"),
)
_AGE: Final[Row] = (
    "age_years",
    "years",
    "none",
    "since it was dug: the other keys say how it was then, a sound coffin in it unless they say otherwise",
)


def scene_key_tables() -> str:
    """All tables and keys in Markdown, for the documents.

    Examples
    --------
    >>> "| `bounds_m` | m | required |" in scene_key_tables()
    True
    """
    parts: list[str] = []
    for title, text, rows in _chapters():
        parts += [f"### {title}", ""]
        if text:
            parts += [text, ""]
        parts += [*_HEAD, *(f"| `{name}` | {unit} | {usual} | {told} |" for name, unit, usual, told in rows), ""]
    return "\n".join(parts)


def _chapters() -> Iterator[tuple[str, str, list[Row]]]:
    yield "At the top of the file", "", list(_TOP)
    yield "`[soil]`", _summary(Soil), _rows(Soil)
    yield "`[structure]`", _summary(Ground), [row for row in _rows(Ground) if row[0] != "soil"]
    yield "`[[days]]`", _summary(SceneDay), _rows(SceneDay)
    yield "`[lines]`", _summary(LinePlan), _rows(LinePlan)
    yield "`[antenna]`", _summary(Instrument), [*_PAIR, *_rows(Instrument, default="of the pair")]
    for kind, layer in LAYER_KINDS.items():
        first = list(_BEFALLS) if kind == next(iter(LAYER_KINDS)) else []
        text = f"{_summary(layer)}" + (" The first three keys are those of all kinds." if first else "")
        yield f'`[[disturbances]]` of kind "{kind}"', text, [*first, *_rows(layer)]
    yield "`[[faults]]`", "A whole line left out, misnamed, turned round or swapped.", _fault_rows()
    yield "`[readings]`", _summary(Readings), _rows(Readings)
    yield "`[known]`", "Left out, all graves are known burials.", list(_KNOWN)
    yield "`[[known.opened]]`", _summary(Opened), _rows(Opened)
    yield "`[solver]`", _summary(SolverGrid), _rows(SolverGrid)
    yield "`[[graves]]`", _sizes(), [*_grave_rows(), _AGE]
    yield "`[[rows]]`", _summary(GraveRow), [*_rows(GraveRow), *_ROW_TABLES]
    for name, key in keys_of(Scene).items():
        if key.many and key.kinds != (Grave,):
            yield f"`[[{name}]]`", _summary(key.kinds[0]), _rows(key.kinds[0])
    for kind_of_table in _inner():
        yield _inner_title(kind_of_table), _summary(kind_of_table), _rows(kind_of_table)
    materials = [(name, "–", "–", _material(filling)) for name, filling in MATERIALS.items()]
    yield "Materials by name", "Wherever a material is asked for, one of these names will do.", materials


def _sizes() -> str:
    told = "; ".join(
        f"{kind} {size.length_m:g} × {size.width_m:g} m, base {size.base_m:g} m" for kind, size in SIZES.items()
    )
    return f"{_summary(Grave)} Sizes that are left out follow from the kind: {told} (common practice)."


def _fault_rows() -> list[Row]:
    kinds = ", ".join(LEDGER_KINDS)
    return [(*row[:3], f"{_OWN['Fault', 'kind']}: {kinds}") if row[0] == "kind" else row for row in _rows(Fault)]


def _grave_rows() -> list[Row]:
    usual = {"label": "G and its number", "kind": '"adult"', "azimuth_deg": "90.0", "top_m": "0.2"}
    usual |= dict.fromkeys(("length_m", "width_m", "base_m"), "of its kind")
    return [(name, unit, usual.get(name, default), told) for name, unit, default, told in _rows(Grave)]


def _rows(kind: type, *, default: str | None = None) -> list[Row]:
    told = key_meanings(kind)
    return [
        (key.name, _unit(key.name), default or _usual(key), _cell(told[key.name], key))
        for key in keys_of(kind).values()
    ]


def _cell(told: str, key: Key) -> str:
    told = re.sub(r"\bNone\b", "none", told.replace("|", "\\|"))
    told = re.sub(r", (m|m³/m³|MHz|ns)(?=$|; )", "", told)
    if len(key.kinds) > 1:
        names = [kind_name(kind) for kind in key.kinds]
        also = "a material by its name, or " if "text" in in_words(key.annotation) else ""
        return f"{told} ({also}a table of kind {', '.join(names[:-1])} or {names[-1]})"
    if key.kinds:
        return f"{told} ({'tables' if key.many else 'table'}: {kind_name(key.kinds[0]).replace('-', ' ')})"
    words = in_words(key.annotation)
    return told if words in ("a number", "text") else f"{told} ({words})"


def _usual(key: Key) -> str:
    if key.required:
        return "required"
    if key.name in ("seed", "day_seed", "structure_seed"):
        return "from `seed`"
    if key.default is None:
        return "none"
    if key.many or key.default == ():
        return "[]"
    if dataclasses.is_dataclass(key.default):
        return "see its table"
    return toml_value(key.default) if isinstance(key.default, float | int | str | tuple | dt.date) else str(key.default)


def _unit(name: str) -> str:
    return next((unit for pattern, unit in _UNITS if re.search(pattern, name)), "–")


def key_meanings(kind: type) -> dict[str, str]:
    """What each key of a dataclass's table means: from its docstring, or else what such keys mean everywhere.

    Examples
    --------
    >>> key_meanings(Readings)["count"]
    'how many, spread over the surveyed ground; 0 for none'
    """
    found: dict[str, str] = {}
    for part in reversed(kind.__mro__):
        if dataclasses.is_dataclass(part):
            found |= _documented(part, set(keys_of(kind)))
    if issubclass(kind, LayerOfFaults):
        found["label"] = "tells it from another of its kind"
    return {name: _OWN.get((kind.__name__, name)) or found.get(name) or _COMMON.get(name, "") for name in keys_of(kind)}


def _documented(kind: type, names: set[str]) -> dict[str, str]:
    text = inspect.cleandoc(kind.__doc__ or "")
    match = re.search(r"^Attributes\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", text + "\n", flags=re.DOTALL | re.MULTILINE)
    block = re.sub(r"\n +", " ", match[1] if match else "")
    names_before = r"`?\w+`?(?:(?:, | and )`?\w+`?)*"
    found: dict[str, str] = {}
    for line in block.splitlines():
        # One line may hold several: "x, y : its middle. radius_m : its radius".
        pieces = re.split(rf"(?:^|(?<=[.;]) )({names_before}) : ", line)
        for heads, told in zip(pieces[1::2], pieces[2::2], strict=True):
            for name in re.findall(r"\w+", heads):
                if name in names:
                    found[name] = told.strip().rstrip(".;")
    return found


def _summary(kind: type) -> str:
    first = inspect.cleandoc(kind.__doc__ or "").split("\n\n")[0]
    return " ".join(first.split())


def _inner() -> list[type]:
    """Dataclasses that stand in tables inside others, in the order in which they are met."""
    roots: list[type] = [Soil, SceneDay, LinePlan, Instrument, *LAYER_KINDS.values(), Grave]
    roots += [kind for key in keys_of(Scene).values() for kind in key.kinds]
    met: list[type] = []
    queue = list(roots)
    while queue:
        for key in keys_of(queue.pop(0)).values():
            for kind in key.kinds:
                if kind not in met:
                    met.append(kind)
                    queue.append(kind)
    return [kind for kind in met if kind is not Metal]


def _inner_title(kind: type) -> str:
    if kind in _one_of_several():
        return f'Table with kind = "{kind_name(kind)}"'
    return f"Table: {kind_name(kind).replace('-', ' ')}"


def _one_of_several() -> set[type]:
    """Kinds that a table has to name, since others may stand in their place."""
    roots = [DayWater, *(kind for key in keys_of(Scene).values() for kind in key.kinds), Vault, Lining]
    several = {kind for root in roots for key in keys_of(root).values() if len(key.kinds) > 1 for kind in key.kinds}
    return several - {Fill}


def _material(filling: Fill | Solid | Metal) -> str:
    if isinstance(filling, Solid):
        return f"permittivity {filling.permittivity:g}, conductivity {filling.conductivity_ms_per_m:g} mS/m"
    return "a perfect conductor" if isinstance(filling, Metal) else "soil"
