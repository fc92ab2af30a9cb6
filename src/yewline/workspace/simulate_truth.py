"""What no survey of a simulated site could know, in a folder of its own that no command reads as data."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline.formats import write_geojson, write_netcdf
from yewline.model import BURIAL_COLUMNS, make_outlines
from yewline.simulation import grave_outline
from yewline.simulation.earth import moisture_statistics
from yewline.simulation.scenes import SceneFile, scene_to_toml
from yewline.workspace.simulate_folder import Identity
from yewline.workspace.simulate_ledger import LedgerLine, faults_on
from yewline.workspace.simulate_pieces import LAYER_ARRAYS
from yewline.workspace.simulate_work import Piece

__all__ = ["write_truth"]

_NOTE: Final = "What lies in the invented ground and what befell the recordings. No command reads this folder as data."
_PLACES: Final = ("visit", "line", "trace", "said_x", "said_y", "true_x", "true_y")
_DEPTHS_M: Final = np.arange(0.0, 2.01, 0.1).round(1)


def write_truth(
    folder: Path,
    scene: SceneFile,
    identity: Identity,
    ledgers: Mapping[str, tuple[LedgerLine, ...]],
    piece: Callable[[str, str], Piece],
) -> None:
    """Write the truth of a simulated site.

    ``scene.toml`` is the scene with everything that was drawn, ``truth.json`` what befell lines and how wet the
    ground was, ``burials.geojson`` all graves, ``sections.json`` what lies under each line, ``layers.json`` and
    ``layers.npz`` each layer of disturbance, ``positions.csv`` where the antennas truly were, and ``clean/`` the field
    of each line before anything befell it, at its true places.

    Parameters
    ----------
    folder : to write.
    scene, identity : what was simulated.
    ledgers : lines of each day as they are stored.
    piece : gives the finished line of a day and a line.
    """
    folder.mkdir()
    (folder / "scene.toml").write_text(scene_to_toml(scene), encoding="utf-8")
    _write_burials(folder, scene)
    days: dict[str, Any] = {}
    sections: dict[str, Any] = {}
    layers: list[dict[str, Any]] = []
    arrays: dict[str, npt.NDArray[Any]] = {}
    places: list[list[object]] = []
    for day in (day for day in scene.days if day.name in identity.days):
        lines: dict[str, Any] = {}
        faults = [fault.as_dict() for fault in faults_on(scene, day.name, identity.lines)]
        for line in identity.lines:
            held = piece(day.name, line)
            about = dict(held.about)
            layers += about.pop("layers")
            faults += about.pop("faults")
            sections.setdefault(day.name, {})[line] = about.pop("section")
            lines[line] = about
            arrays |= {name[len(LAYER_ARRAYS) :]: a for name, a in held.arrays.items() if name.startswith(LAYER_ARRAYS)}
            places += _place_rows(day.name, line, held)
            _write_clean(folder / "clean" / day.name / f"{line}.nc", held, title=f"Line {line}, field before any fault")
        days[day.name] = {
            "lines": lines,
            "stored": [asdict(entry) for entry in ledgers[day.name]],
            "faults": faults,
            "moisture": _moisture(scene, day.name),
        }
    _write_json(folder / "sections.json", sections, indent=None)
    _write_json(folder / "layers.json", layers)
    # Named member by member, in order, and undated: the same arrays give the same bytes.
    named: dict[str, Any] = {name: arrays[name] for name in sorted(arrays)}
    np.savez_compressed(folder / "layers.npz", **named)
    _write_table(folder / "positions.csv", places)
    told = {"note": _NOTE, "simulation": identity.as_dict(), "seed": scene.seed, "known": list(scene.known)}
    _write_json(folder / "truth.json", {**told, "visits": days})


def _write_burials(folder: Path, scene: SceneFile) -> None:
    graves = scene.scene.graves
    rows = [
        {"burial": grave.label, "kind": grave.kind, "top_m": grave.top_m, "base_m": grave.base_m, "sigma_xy_m": 0.0}
        for grave in graves
    ]
    table = make_outlines(BURIAL_COLUMNS, rows, [grave_outline(grave) for grave in graves])
    write_geojson(folder / "burials.geojson", table)


def _write_clean(path: Path, piece: Piece, *, title: str) -> None:
    write_netcdf(
        path,
        piece.arrays["clean"],
        interval_ns=piece.about["interval_ns"],
        x=piece.arrays["true_xy"][:, 0],
        y=piece.arrays["true_xy"][:, 1],
        delay_ns=-piece.about["zero_ns"],
        title=title,
    )


def _place_rows(day: str, line: str, piece: Piece) -> list[list[object]]:
    both = np.column_stack([piece.arrays["said_xy"], piece.arrays["true_xy"]]).round(4) + 0.0
    return [[day, line, trace, *row] for trace, row in enumerate(both.tolist(), start=1)]


def _moisture(scene: SceneFile, day: str) -> dict[str, Any]:
    """Mean and spread of the water content by depth, over all grounds that could have been drawn."""
    water = next(held.water for held in scene.days if held.name == day)
    told = moisture_statistics(scene.ground, water, _DEPTHS_M)
    return {
        "depth_m": _DEPTHS_M.tolist(),
        "mean_vwc": told.mean.round(5).tolist(),
        "sd_vwc": told.sd.round(5).tolist(),
        "held_at_residual": told.clipped_low.round(5).tolist(),
        "held_at_porosity": told.clipped_high.round(5).tolist(),
    }


def _write_table(path: Path, rows: list[list[object]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_PLACES)
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")


def _write_json(path: Path, told: Any, *, indent: int | None = 1) -> None:
    path.write_text(json.dumps(told, indent=indent, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
