"""One file a format behind one registry; tables, outlines and maps in open formats."""

from __future__ import annotations

from yewline.formats.atomic import replacing, write_atomic
from yewline.formats.calibration_pairs import read_calibration_pairs
from yewline.formats.corners import write_corners_csv
from yewline.formats.fiducials import read_fiducials
from yewline.formats.flat import FlatDescription, description_path, read_flat, write_flat
from yewline.formats.geojson import write_geojson
from yewline.formats.geopackage import write_outlines
from yewline.formats.geotiff import site_affine, write_geotiff
from yewline.formats.lines_table import LINE_COLUMNS, read_lines_table
from yewline.formats.netcdf import read_netcdf, write_netcdf
from yewline.formats.number_table import Column, NumberTable, read_numbers
from yewline.formats.outlines import read_area, read_burials, read_drawn_hotspots, read_opened, read_outlines
from yewline.formats.rain import read_rain
from yewline.formats.reading_rows import ReadingOptions
from yewline.formats.readings import read_readings
from yewline.formats.registry import READERS, Reader, read_recording
from yewline.formats.seg2 import read_seg2
from yewline.formats.seg2_write import Seg2Options, write_seg2
from yewline.formats.segy import read_segy
from yewline.formats.segy_write import SegyOptions, write_segy
from yewline.formats.site_metres import projected_system
from yewline.formats.surveyed_points import read_elevation, read_trace_times, read_track, seconds_of
from yewline.formats.text import read_text
from yewline.formats.text_write import TextOptions, write_text

__all__ = [
    "LINE_COLUMNS",
    "READERS",
    "Column",
    "FlatDescription",
    "NumberTable",
    "Reader",
    "ReadingOptions",
    "Seg2Options",
    "SegyOptions",
    "TextOptions",
    "description_path",
    "projected_system",
    "read_area",
    "read_burials",
    "read_calibration_pairs",
    "read_drawn_hotspots",
    "read_elevation",
    "read_fiducials",
    "read_flat",
    "read_lines_table",
    "read_netcdf",
    "read_numbers",
    "read_opened",
    "read_outlines",
    "read_rain",
    "read_readings",
    "read_recording",
    "read_seg2",
    "read_segy",
    "read_text",
    "read_trace_times",
    "read_track",
    "replacing",
    "seconds_of",
    "site_affine",
    "write_atomic",
    "write_corners_csv",
    "write_flat",
    "write_geojson",
    "write_geotiff",
    "write_netcdf",
    "write_outlines",
    "write_seg2",
    "write_segy",
    "write_text",
]
