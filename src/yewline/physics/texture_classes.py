"""The twelve texture classes of soil: their limits, and what stands for a class of which only the name is known."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from yewline._check import check_in_range
from yewline.errors import InputError

__all__ = ["TEXTURE_CLASSES", "TextureClass", "named_texture_class", "texture_class_of"]


@dataclass(frozen=True, slots=True)
class TextureClass:
    """What stands for a texture class.

    Attributes
    ----------
    name : of the class.
    sand, clay : shares of the mass; the rest is silt.
    porosity : mean of the class, m³/m³.
    """

    name: str
    sand: float
    clay: float
    porosity: float


TEXTURE_CLASSES: Final = {
    each.name: each
    for each in (
        TextureClass("sand", 0.92, 0.03, 0.437),
        TextureClass("loamy sand", 0.82, 0.06, 0.437),
        TextureClass("sandy loam", 0.58, 0.10, 0.453),
        TextureClass("silt loam", 0.17, 0.13, 0.501),
        TextureClass("silt", 0.07, 0.06, 0.501),
        TextureClass("loam", 0.43, 0.18, 0.463),
        TextureClass("sandy clay loam", 0.58, 0.27, 0.398),
        TextureClass("silty clay loam", 0.10, 0.34, 0.471),
        TextureClass("clay loam", 0.32, 0.34, 0.464),
        TextureClass("sandy clay", 0.52, 0.42, 0.430),
        TextureClass("silty clay", 0.06, 0.47, 0.479),
        TextureClass("clay", 0.22, 0.58, 0.475),
    )
}
"""By name. Sand and clay: Cosby, Hornberger, Clapp & Ginn 1984, Water Resour. Res. 20:682-690 (from memory; silt: a
middle of its field, own choice). Porosity: Rawls, Brakensiek & Saxton 1982, Trans. ASAE 25:1316-1320 (silt as silt
loam)."""

# Words that are also written for a class's own; anything else in a text must stand for no class at all.
_SAME: Final = {"clayey": "clay", "loams": "loam", "clays": "clay", "sands": "sand", "silts": "silt"}
_GRAIN: Final = re.compile(r"\b(?:very\s+)?(?:fine|coarse|medium)\s+(?=sand)")
_WORDS: Final = re.compile(r"\b(?:sandy|silty|clayey|loamy|sand|silt|clay|loam)s?\b")


def texture_class_of(sand: float, clay: float) -> str:
    """Name of the texture class that shares of sand and clay fall into.

    Parameters
    ----------
    sand, clay : shares of the mass, 0 to 1; the rest is silt.

    Raises
    ------
    InputError : a share outside [0, 1], or both above 1 together.

    References
    ----------
    Soil Science Division Staff 2017, Soil Survey Manual, USDA Handbook 18, ch. 3 (limits from memory).

    Examples
    --------
    >>> texture_class_of(0.6, 0.1), texture_class_of(0.2, 0.2)
    ('sandy loam', 'silt loam')
    """
    s, c = (round(100.0 * check_in_range(value, name, 0.0, 1.0), 9) for value, name in ((sand, "sand"), (clay, "clay")))
    if s + c > 100.0 + 1e-6:
        raise InputError("sand and clay must not exceed 1 together", received=f"{sand:g} and {clay:g}")
    z = 100.0 - s - c
    if z + 1.5 * c < 15.0:
        return "sand"
    if z + 2.0 * c < 30.0:
        return "loamy sand"
    if c >= 40.0:
        if z >= 40.0:
            return "silty clay"
        return "clay" if s <= 45.0 else "sandy clay"
    if c >= 35.0 and s > 45.0:
        return "sandy clay"
    if c >= 27.0 and s <= 45.0:
        return "silty clay loam" if s <= 20.0 else "clay loam"
    if c >= 20.0 and z < 28.0:
        return "sandy clay loam"
    if z >= 80.0 and c < 12.0:
        return "silt"
    if z >= 50.0:
        return "silt loam"
    if c < 7.0 or s > 52.0:
        return "sandy loam"
    return "loam"


def named_texture_class(text: str) -> TextureClass | None:
    """The texture class that a text names, or None where it names none or more than one.

    Parameters
    ----------
    text : what a surveyor wrote, such as "dark sandy loam over chalk".

    Returns
    -------
    The class of the one run of texture words in it; several runs name several soils, and none is picked.

    Examples
    --------
    >>> named_texture_class("Dark sandy loam, few stones").name
    'sandy loam'
    >>> named_texture_class("sand over clay") is None
    True
    """
    plain = _GRAIN.sub("", re.sub(r"[^a-z]+", " ", re.sub(r"[,;./()&+]", " | ", text.lower()).replace("|", " stop ")))
    runs: list[list[str]] = []
    ended = True
    for word in plain.split():
        if not _WORDS.fullmatch(word):
            ended = True
            continue
        if ended:
            runs.append([])
        runs[-1].append(_SAME.get(word, word))
        ended = False
    found = {TEXTURE_CLASSES.get(" ".join(run)) for run in runs}
    return found.pop() if len(found) == 1 else None
