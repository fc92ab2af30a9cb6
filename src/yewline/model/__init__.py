"""The shapes that all rooms share: settings, radargram, volume, velocity, readings, outlines, provenance."""

from __future__ import annotations

from yewline.model.conditions import Conditions, YesNo
from yewline.model.finding import Finding, Grade
from yewline.model.frame import ControlPoint, Frame, Grid, Similarity
from yewline.model.outlines import (
    BURIAL_COLUMNS,
    HOTSPOT_COLUMNS,
    OPENED_COLUMNS,
    centroids,
    empty_outlines,
    make_outlines,
)
from yewline.model.provenance import digest, file_sha256, version
from yewline.model.radargram import (
    add_provenance,
    coordinate,
    distance_along,
    interval_ns,
    make_radargram,
    provenance_steps,
    spacing_m,
    with_amplitude,
)
from yewline.model.rain import RainSeries
from yewline.model.reading_settings import SENSOR_SIGMA_VWC, ReadingSettings
from yewline.model.readings import (
    READING_COLUMNS,
    READING_QUANTITIES,
    VWC_HIGHEST,
    VWC_LOWEST,
    make_readings,
    vwc_of_gravimetric,
)
from yewline.model.recording import ReadHints, Recording
from yewline.model.settings import Settings, read_settings, read_toml
from yewline.model.site import PrimaryChoice, Release, SiteSettings, TargetModel, TargetSize, VolumeSettings
from yewline.model.velocity import VelocityField
from yewline.model.visit import (
    Antenna,
    LineCorrection,
    LineSegment,
    RecordingSettings,
    Soil,
    VelocitySettings,
    VelocitySource,
    VisitSettings,
)
from yewline.model.volume import VolumeGrid, make_volume

__all__ = [
    "BURIAL_COLUMNS",
    "HOTSPOT_COLUMNS",
    "OPENED_COLUMNS",
    "READING_COLUMNS",
    "READING_QUANTITIES",
    "SENSOR_SIGMA_VWC",
    "VWC_HIGHEST",
    "VWC_LOWEST",
    "Antenna",
    "Conditions",
    "ControlPoint",
    "Finding",
    "Frame",
    "Grade",
    "Grid",
    "LineCorrection",
    "LineSegment",
    "PrimaryChoice",
    "RainSeries",
    "ReadHints",
    "ReadingSettings",
    "Recording",
    "RecordingSettings",
    "Release",
    "Settings",
    "Similarity",
    "SiteSettings",
    "Soil",
    "TargetModel",
    "TargetSize",
    "VelocityField",
    "VelocitySettings",
    "VelocitySource",
    "VisitSettings",
    "VolumeGrid",
    "VolumeSettings",
    "YesNo",
    "add_provenance",
    "centroids",
    "coordinate",
    "digest",
    "distance_along",
    "empty_outlines",
    "file_sha256",
    "interval_ns",
    "make_outlines",
    "make_radargram",
    "make_readings",
    "make_volume",
    "provenance_steps",
    "read_settings",
    "read_toml",
    "spacing_m",
    "version",
    "vwc_of_gravimetric",
    "with_amplitude",
]
