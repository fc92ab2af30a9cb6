"""The results folder: layers, maps, tables, figures and provenance, each file whole and the same on every run."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from yewline.errors import InputError
from yewline.export.layers import result_layers
from yewline.export.tables import ResultTable, result_tables, table_csv
from yewline.formats import write_atomic, write_geotiff, write_outlines
from yewline.model import VolumeGrid
from yewline.report import CAUTIONS, FOOTER, RESTRICTED, depth_label
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["write_results"]


def write_results(result: SiteResult, folder: Path) -> list[Path]:
    """Write a result for other programs to read.

    Every file is written beside its place and then moved there; the same result gives the same bytes. Slices of an
    earlier run that this one no longer has are taken away, so that the folder never mixes two runs. Everything in it
    is restricted: it shows places of burials.

    Parameters
    ----------
    result : of a run; see `yewline.workspace.results`.
    folder : where to write; made where it is missing.

    Returns
    -------
    The files written, in order.

    Raises
    ------
    InputError : a map whose cells are not square.
    FrameError : the site's frame cannot be tied to its projected system.
    """
    folder.mkdir(parents=True, exist_ok=True)
    layers, tables = result_layers(result), result_tables(result)
    written = [folder / "layers.gpkg"]
    write_outlines(written[0], layers, result.settings.frame)
    maps: set[Path] = set()
    for visit, name in zip(result.visits, file_names([visit.name for visit in result.visits]), strict=True):
        maps.update(_write_maps(result, visit, folder, name))
    for part in ("slices", "attributes", "levels", "moisture"):
        for old in sorted((folder / part).rglob("*.tif")):
            if old not in maps:
                old.unlink()
    written.extend(sorted(maps))
    plain = {f"tables/{name}.csv": table_csv(table) for name, table in tables.items()}
    plain["summary.json"] = _json(result.summary())
    plain["provenance.json"] = _json(_provenance(result))
    plain["README.txt"] = _readme(result, sorted(layers), tables).encode("utf-8")
    for name, data in plain.items():
        write_atomic(folder / name, data)
        written.append(folder / name)
    return written


def _write_maps(result: SiteResult, visit: VisitResult, folder: Path, name: str) -> list[Path]:
    frame, slices = result.settings.frame, visit.slices
    grid = map_grid(slices)
    out = []
    for k, cells in enumerate(slices["strength"].values):
        top, base = float(slices["top"].values[k]), float(slices["base"].values[k])
        path = folder / "slices" / name / f"strength_{top:.2f}-{base:.2f}_m.tif"
        write_geotiff(path, cells, grid, frame, description=f"strength (relative), depth {depth_label(visit, k)}")
        out.append(path)
    top, base = (float(slices[side].values[visit.chosen]) for side in ("top", "base"))
    for attribute, held in {} if visit.attributes is None else visit.attributes.items():
        path = folder / "attributes" / name / f"{attribute}_{top:.2f}-{base:.2f}_m.tif"
        what = f"{held.attrs['long_name']}, depth {depth_label(visit, visit.chosen)}"
        write_geotiff(path, held.values.astype(np.float32), grid, frame, description=what, units=held.attrs["units"])
        out.append(path)
    if visit.levels is not None:
        for k, cells in enumerate(visit.levels["strength"].values):
            top, base = (float(visit.levels[f"{face}_height"].values[k]) for face in ("top", "base"))
            path = folder / "levels" / name / f"strength_{base:.2f}-{top:.2f}_m.tif"
            write_geotiff(path, cells, grid, frame, description=f"strength (relative), height {base:.2f}–{top:.2f} m")
            out.append(path)
    if visit.moisture_map is not None:
        grid = map_grid(visit.moisture_map)
        for variable, file, what in (
            ("vwc", "water", "volumetric water content"),
            ("vwc_sd", "water_sd", "standard deviation of the estimated water content"),
        ):
            path = folder / "moisture" / name / f"{file}.tif"
            cells = visit.moisture_map[variable].values.astype(np.float32)
            write_geotiff(path, cells, grid, frame, description=what, units="m³/m³")
            out.append(path)
    return out


def map_grid(cells: xr.Dataset) -> VolumeGrid:
    """The grid of a dataset over y and x with square cells.

    Raises
    ------
    InputError : the cells are not square or not evenly spaced.

    Examples
    --------
    >>> grid = map_grid(xr.Dataset(coords={"x": [0.0, 0.5, 1.0], "y": [2.0, 2.5]}))
    >>> grid.cell_m, grid.nx, grid.ny
    (0.5, 3, 2)
    """
    x, y = cells["x"].values.astype(float), cells["y"].values.astype(float)
    steps = np.concatenate([np.diff(x), np.diff(y)])
    cell = float(np.median(steps)) if len(steps) else 1.0
    if not cell > 0 or (len(steps) and np.abs(steps - cell).max() > 1e-6 * max(cell, 1.0)):
        raise InputError(
            "a map must have square cells, evenly spaced", received=f"steps of {steps.min():g} to {steps.max():g} m"
        )
    return VolumeGrid(x0=float(x[0]), y0=float(y[0]), cell_m=cell, nx=len(x), ny=len(y), depth_step_m=1.0, nz=1)


def file_names(names: list[str]) -> list[str]:
    """Names that any file system takes, one for each name and no two alike.

    Examples
    --------
    >>> file_names(["dry 1", "dry/1", "wet"])
    ['dry_1', 'dry_1-2', 'wet']
    """
    out: list[str] = []
    for name in names:
        plain = re.sub(r"[^\w.-]+", "_", name).strip("._") or "visit"
        number, candidate = 1, plain
        while candidate.lower() in {taken.lower() for taken in out}:
            number += 1
            candidate = f"{plain}-{number}"
        out.append(candidate)
    return out


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False, sort_keys=True) + "\n").encode("utf-8")


def _provenance(result: SiteResult) -> dict[str, Any]:
    return {
        "version": result.version,
        "recipe": {"name": result.recipe_name, "digest": result.recipe_digest, "toml": result.recipe},
        "inputs": result.inputs,
        "choices": [{"what": what, "value": value, "why": why} for what, value, why in result.choices],
        "settings": result.settings.model_dump(mode="json"),
        "visits": {visit.name: visit.settings.model_dump(mode="json") for visit in result.visits},
        "findings": [finding.as_dict() for finding in result.findings],
        "restriction": RESTRICTED,
    }


def _readme(result: SiteResult, layers: list[str], tables: dict[str, ResultTable]) -> str:
    release, frame = result.settings.release, result.settings.frame
    who = f"Release requires approval by: {release.decided_by}." if release.decided_by else (
        "Nobody is named in site.toml who decides on release: nothing here may be passed on."
    )  # fmt: skip
    system = (
        "site metres on a local frame; y bears "
        f"{frame.bearing_of_y_deg():.2f} degrees from north. The files name no coordinate system."
        if frame.epsg is None
        else f"EPSG:{frame.epsg}, metres. Tables are in site metres."
    )
    lines = [
        f"{RESTRICTED}. {FOOTER}",
        who,
        "",
        f"Results for {result.settings.name}, made by yewline {result.version}.",
        "Derived files: safe to delete, the same run writes them again.",
        f"Coordinates: {system}",
        "",
        f"layers.gpkg        layers: {', '.join(layers)} (GeoPackage)",
        "slices/VISIT/      strength of each depth slice; the name has its depth, the band its depth error (GeoTIFF)",
        "attributes/VISIT/  what site.toml asks for under [volume] attributes, at the chosen slice (GeoTIFF)",
        "levels/VISIT/      strength between two heights, where the ground is known not to be level (GeoTIFF)",
        "moisture/VISIT/    water.tif: estimated water content, m3/m3; water_sd.tif: its standard deviation (GeoTIFF)",
        "visits/VISIT/      radargrams.zarr: processed lines; volume.zarr: strength over depth, y, x (Zarr)",
        "                   velocities.json: what the recordings say of the velocity, every hyperbola with its picks",
        "comparisons/       each later visit against the first, at equal depth: difference, and ratio in dB (Zarr)",
        "summary.json       the figures that yewline run --json prints, without report and seconds",
        "provenance.json    inputs with SHA-256, recipe, choices, settings, version, findings",
        "report.html        the report; left_out.json: what could not be used; stages.json: what is up to date",
        *(f"tables/{name}.csv".ljust(30) + table.about for name, table in tables.items()),
        "",
        "Cells without data hold NaN. Empty fields in tables: not known.",
        "Depths are estimates; their errors are half-widths of the 90 % interval.",
        "",
        *(f"{head}: {text}" for head, text in CAUTIONS),
    ]
    return "\n".join(lines) + "\n"
