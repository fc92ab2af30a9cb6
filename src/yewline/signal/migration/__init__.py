"""Migration: responses put back to where they came from, with velocities that vary and exact adjoints."""

from __future__ import annotations

from yewline.signal.migration.aliasing import AliasedShare, aliased_share, aliasing_limit_m
from yewline.signal.migration.below import ground_below, layers_below
from yewline.signal.migration.beside import migrate_kirchhoff_3d
from yewline.signal.migration.eikonal import eikonal_times
from yewline.signal.migration.focus import FocusCurve, FocusWindow, LegBend, focus_curve, leg_bend, sharpness
from yewline.signal.migration.geometry import Antennas, antennas_on_line, antennas_on_lines
from yewline.signal.migration.kirchhoff import kirchhoff_image, kirchhoff_operator, migrate_kirchhoff
from yewline.signal.migration.kirchhoff_options import (
    ImagePlaces,
    KirchhoffOptions,
    Recording,
    places_below_line,
    places_in_block,
)
from yewline.signal.migration.layers import Layers, VelocitySection, vertical_times_ns
from yewline.signal.migration.operators import MigrationOperator
from yewline.signal.migration.phase_shift import migrate_phase_shift, phase_shift_image, phase_shift_operator
from yewline.signal.migration.rays import Legs, depths_of_times, leg_times
from yewline.signal.migration.stolt import default_pad_m, migrate_stolt
from yewline.signal.migration.stolt_operator import stolt_operator

__all__ = [
    "AliasedShare",
    "Antennas",
    "FocusCurve",
    "FocusWindow",
    "ImagePlaces",
    "KirchhoffOptions",
    "Layers",
    "LegBend",
    "Legs",
    "MigrationOperator",
    "Recording",
    "VelocitySection",
    "aliased_share",
    "aliasing_limit_m",
    "antennas_on_line",
    "antennas_on_lines",
    "default_pad_m",
    "depths_of_times",
    "eikonal_times",
    "focus_curve",
    "ground_below",
    "kirchhoff_image",
    "kirchhoff_operator",
    "layers_below",
    "leg_bend",
    "leg_times",
    "migrate_kirchhoff",
    "migrate_kirchhoff_3d",
    "migrate_phase_shift",
    "migrate_stolt",
    "phase_shift_image",
    "phase_shift_operator",
    "places_below_line",
    "places_in_block",
    "sharpness",
    "stolt_operator",
    "vertical_times_ns",
]
