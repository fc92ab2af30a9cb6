"""Results for other programs: layers for GIS, maps as GeoTIFF, tables as CSV, figures and provenance as JSON."""

from __future__ import annotations

from yewline.export.folder import file_names, write_results
from yewline.export.layers import result_layers
from yewline.export.tables import result_tables

__all__ = ["file_names", "result_layers", "result_tables", "write_results"]
