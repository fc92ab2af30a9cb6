"""GeoPackage (OGC 12-128) with several layers, the same bytes whenever the same outlines are written."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio

from yewline.errors import InputError
from yewline.formats.atomic import replacing
from yewline.formats.site_metres import from_site_metres, projected_system
from yewline.model import BURIAL_COLUMNS, HOTSPOT_COLUMNS, OPENED_COLUMNS, Frame

__all__ = ["write_outlines"]

UNDEFINED_CARTESIAN = -1
VERSION = "1.4"
# The standard wants a date of last change in every file; a fixed one lets results be compared byte by byte.
FIXED_DATE = "1970-01-01T00:00:00.000Z"

_NUMBERS = {
    name
    for columns in (BURIAL_COLUMNS, OPENED_COLUMNS, HOTSPOT_COLUMNS)
    for name, default in columns.items()
    if isinstance(default, float)
}
_LOCK = threading.Lock()


def write_outlines(path: Path, layers: dict[str, gpd.GeoDataFrame], frame: Frame) -> None:
    """Write tables of outlines (or lines, or points) as layers of one GeoPackage.

    With an EPSG code in the frame the coordinates are transformed to that system; a local frame is written in
    site metres under the standard's undefined Cartesian system (srs_id −1). The file appears whole or not at
    all, and a second run writes the same bytes.

    Parameters
    ----------
    path : file to write; a file of that name is replaced in one step.
    layers : layer name to table in site metres; an empty table gives an empty layer.
    frame : the site's.

    Raises
    ------
    InputError : no layers, or a table that has a coordinate system of its own.
    FrameError : the frame's EPSG code or control points cannot be used.

    References
    ----------
    OGC 12-128, GeoPackage Encoding Standard, version 1.4.

    Examples
    --------
    >>> import tempfile
    >>> from shapely import box
    >>> from yewline.model import make_outlines
    >>> burials = make_outlines(BURIAL_COLUMNS, [{"burial": "B1"}], [box(0, 0, 2, 1)])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_outlines(Path(folder) / "site.gpkg", {"burials": burials}, Frame())
    ...     pyogrio.list_layers(Path(folder) / "site.gpkg").tolist()
    [['burials', 'Polygon']]
    """
    if not layers:
        raise InputError("there is no layer to write", do="give at least one table")
    for name, table in layers.items():
        if table.crs is not None:
            raise InputError(
                f"layer '{name}' has a coordinate system of its own", received=table.crs, do="give site metres"
            )
    with _LOCK, _fixed_date(), warnings.catch_warnings(), replacing(path) as draft:
        # A local frame has no system to give, and srs_id −1 says so in the file.
        warnings.filterwarnings("ignore", message="'crs' was not provided", category=UserWarning)
        for number, (name, table) in enumerate(layers.items()):
            placed, options = _placed(table, frame), _options(table)
            if number == 0:
                options["dataset_options"] = {"VERSION": VERSION}
            if frame.epsg is None:
                options["layer_options"] = {"SRID": UNDEFINED_CARTESIAN}
            pyogrio.write_dataframe(placed, draft, layer=name, driver="GPKG", append=number > 0, **options)


def _placed(table: gpd.GeoDataFrame, frame: Frame) -> gpd.GeoDataFrame:
    # An empty table has lost the types of its columns; the known ones are given back.
    empty = {name: "float64" if name in _NUMBERS else "str" for name in table.columns if name != table.geometry.name}
    plain = table if len(table) else table.astype(empty)
    if frame.epsg is None:
        return plain
    crs = projected_system(frame)
    geometry = from_site_metres(np.asarray(table.geometry.values, dtype=object), frame)
    return plain.set_geometry(gpd.GeoSeries(geometry, index=plain.index, crs=crs))


def _options(table: gpd.GeoDataFrame) -> dict[str, Any]:
    kinds = {str(kind) for kind in table.geometry.geom_type if kind is not None}
    if not kinds:
        return {"geometry_type": "Polygon"}
    if len(kinds) == 1:
        return {"geometry_type": kinds.pop()}
    single = {kind.removeprefix("Multi") for kind in kinds}
    if len(single) == 1:
        return {"geometry_type": f"Multi{single.pop()}", "promote_to_multi": True}
    return {"geometry_type": "Unknown"}


@contextmanager
def _fixed_date() -> Iterator[None]:
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
