"""GeoPackage and shapefile, read through GDAL; the file itself is never touched."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pyproj

from yewline.errors import FormatError
from yewline.formats.raw_outlines import RawOutline, RawOutlines, unreadable
from yewline.model import Finding

__all__ = ["read_raw_gis"]


def read_raw_gis(path: Path, *, layer: str | None = None, prefer: str = "") -> RawOutlines:
    """Read one layer of a GeoPackage or shapefile.

    Parameters
    ----------
    path : the file.
    layer : its layer; None takes the only one with geometry, or of several the one named `prefer`.
    prefer : a layer's name, such as "burials".

    Raises
    ------
    FormatError : unreadable, no layer with geometry, or several and none of the wanted name.
    """
    where = str(path)
    if not path.is_file():
        raise FormatError("file not found", where=where, do="write it, or mend its name")
    findings = list(_open_elsewhere(path))
    options: dict[str, Any] = {}
    if path.suffix.lower() == ".gpkg" and not findings:
        # An ordinary open may leave lock files beside a database, and raw files are never changed.
        options["IMMUTABLE"] = "YES"
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            chosen = _layer(path, layer, prefer)
            table = pyogrio.read_dataframe(path, layer=chosen, on_invalid="ignore", **options)
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.GeometryError) as error:
            raise unreadable(where, error) from error
    findings += [
        Finding("warning", "outlines-reader", " ".join(str(note.message).split()), where=where) for note in caught
    ]
    place = where if path.suffix.lower() == ".shp" else f"{where}, layer '{chosen}'"
    if "geometry" not in table.columns:
        raise FormatError("the layer holds no geometry", where=place, do="name a layer of outlines")
    names = [name for name in table.columns if name != "geometry"]
    features = [
        RawOutline(
            f"{place}, feature {number}",
            table.geometry.iloc[number - 1],
            {name: _plain(table[name].iloc[number - 1]) for name in names},
        )
        for number in range(1, len(table) + 1)
    ]
    crs = None if table.crs is None else pyproj.CRS(table.crs)
    return RawOutlines(place, tuple(features), "nothing" if crs is None else "system", crs, tuple(findings))


def _open_elsewhere(path: Path) -> list[Finding]:
    log = path.with_name(path.name + "-wal")
    if not (log.is_file() and log.stat().st_size):
        return []
    text = "another program has this file open: its last changes may be missing here"
    return [Finding("warning", "outlines-open", text, where=str(path), do="close it there and run again")]


def _layer(path: Path, layer: str | None, prefer: str) -> str:
    where = str(path)
    found = [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
    spatial = [name for name, kind in found if kind is not None]
    if layer is not None:
        if layer not in [name for name, _ in found]:
            raise FormatError(f"there is no layer '{layer}'", where=where, received=", ".join(n for n, _ in found))
        return layer
    if path.suffix.lower() == ".shp" or len(spatial) == 1:
        return spatial[0] if spatial else found[0][0]
    if not spatial:
        raise FormatError("there is no layer with geometry", where=where, do="save the outlines as polygons")
    wanted = [name for name in spatial if prefer and prefer in name.lower()]
    exact = [name for name in wanted if name.lower() == prefer]
    if len(exact or wanted) != 1:
        raise FormatError(
            f"several layers and none named '{prefer}'" if not wanted else f"several layers named '{prefer}'",
            where=where,
            received=", ".join(spatial),
            do=f"name the wanted one '{prefer}'",
        )
    return (exact or wanted)[0]


def _plain(value: Any) -> Any:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return None
    return value.item() if isinstance(value, np.generic) else value
