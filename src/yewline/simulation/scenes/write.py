"""Scenes written back as TOML: everything that reading would not fill in by itself."""

from __future__ import annotations

from typing import Final

from yewline.simulation.antennas import antenna
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.parts import Disturbance
from yewline.simulation.scenes.tables import keys_of
from yewline.simulation.scenes.toml_text import stated, table_text, toml_value

__all__ = ["scene_to_toml"]

ALWAYS: Final = ("day_seed", "seed", "structure_seed")
"""Keys that a reader draws where they are missing."""
GRAVE_ALWAYS: Final = ("label", "kind", "length_m", "width_m", "azimuth_deg", "top_m", "base_m")
"""Keys that a reader fills in by the grave's kind."""


def scene_to_toml(scene: SceneFile) -> str:
    """A scene as the text of a scene file; reading it back gives an equal scene.

    Rows of graves are written grave by grave, since what was drawn is part of the scene.

    Examples
    --------
    >>> from yewline.simulation.scenes.read import read_scene, scene_from_toml
    >>> scene = read_scene("intercut")
    >>> scene_from_toml(scene_to_toml(scene)) == scene
    True
    """
    lines = [
        f"name = {toml_value(scene.name)}",
        f"about = {toml_value(scene.about)}",
        f"seed = {scene.seed}",
        f"bounds_m = {toml_value(scene.scene.bounds)}",
        "",
        *table_text("soil", scene.ground.soil),
        "",
        "[structure]",
        *(f"{name} = {toml_value(value)}" for name, value in _structure(scene).items()),
    ]
    for day in scene.days:
        lines += ["", *table_text("days", day, many=True, always=ALWAYS)]
    lines += ["", *table_text("lines", scene.lines)]
    lines += ["", *_antenna(scene)]
    for name in ("readings", "solver"):
        if stated(getattr(scene, name)):
            lines += ["", *table_text(name, getattr(scene, name))]
    for held in scene.disturbances:
        lines += ["", *_disturbance(held)]
    for fault in scene.faults:
        lines += ["", *table_text("faults", fault, many=True)]
    lines += ["", "[known]", f"labels = {toml_value(scene.known)}"]
    for opened in scene.opened:
        lines += ["", *table_text("known.opened", opened, many=True)]
    for name, key in keys_of(Scene).items():
        if key.many:
            for body in getattr(scene.scene, name):
                lines += ["", *table_text(name, body, many=True, always=GRAVE_ALWAYS if name == "graves" else ALWAYS)]
    return "\n".join(lines) + "\n"


def _structure(scene: SceneFile) -> dict[str, object]:
    return {name: value for name, value in stated(scene.ground, always=ALWAYS).items() if name != "soil"}


def _disturbance(held: Disturbance) -> list[str]:
    first, *rest = table_text("disturbances", held.layer, many=True)
    lines = [first, f"kind = {toml_value(held.layer.kind)}"]
    if held.days:
        lines.append(f"days = {toml_value(held.days)}")
    if held.off:
        lines.append("off = true")
    return [*lines, *rest]


def _antenna(scene: SceneFile) -> list[str]:
    base = antenna(scene.nominal_mhz)
    lines = table_text("antenna", scene.antenna, base=base)
    return [lines[0], f"nominal_mhz = {toml_value(scene.nominal_mhz)}", *lines[1:]]
