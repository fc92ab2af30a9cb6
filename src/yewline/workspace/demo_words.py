"""The demo's settings files and field notes, in words for someone who has never seen a site folder."""

from __future__ import annotations

from yewline.simulation import Instrument
from yewline.workspace.demo_scene import GRIDS, DemoDay

__all__ = ["README", "site_toml", "visit_toml"]

SITE_NAME = "Yarrowick Brow"

README = """\
Yarrowick Brow is an invented burial ground. Nothing in this folder was recorded anywhere:
a seeded program drew the graves, walked the lines and read the probe.

  site.toml            what the site is, and the choices that the figures rest on
  area.geojson         outline of what was surveyed; obstacles.geojson: what could not be walked
  burials.gpkg         burials known from excavation; opened.geojson: ground that was opened
  rain.csv             rain by the day, from one gauge for both visits
  visits/NAME/         one day's survey each: settings, lines, moisture readings
  truth/               what really lies in the ground and what went wrong in the field: no command
                       reads it; it is there for you to compare with

Some burials are not in the known set, and some faults of a real day in the field were planted.
`yewline check` on this folder says what it finds.
"""


def site_toml(seed: int) -> str:
    """`site.toml` of the demo."""
    grids = "\n".join(
        f'[[grids]]\nname = "{grid.name}"\norigin = [{grid.origin[0]}, {grid.origin[1]}]\n'
        f"rotation_deg = {grid.rotation_deg}\n"
        for grid in GRIDS
    )
    return f"""\
# A yewline site. This one is invented; lines that begin with # are comments.

name = "{SITE_NAME}"
about = "An invented old burial ground on a hillside (seed {seed}). No such place exists."

# Standard deviation of a radar trace's position along x and along y, in metres: tapes between pegs.
position_sigma_m = 0.05
depth_max_m = 1.8          # how deep to look, in metres

# What the tool should say to whoever opens a report of this site.
cautions = ["Invented data: for learning and testing only."]

[frame]
# x and y are local metres from a peg at the south-west corner.
north_deg = 12.0           # the +y axis points 12 degrees east of north

# Two grids were laid out, the second turned a little to follow the slope:
# each has its origin in site metres and its turn, anticlockwise.
{grids}
[target]
# What is expected here, in metres.
adult = {{ length_m = 2.1, width_m = 0.75 }}
child = {{ length_m = 1.2, width_m = 0.5 }}
depth_m = [0.6, 1.4]       # top and base between which burials are expected
azimuth_deg = 4.0          # of a grave's long axis, clockwise from +y
azimuth_spread_deg = 15.0

[primary]
# The choices that the figures rest on: fixed for the demo. On your own site fix them before looking at results.
slice_m = [{SLICE_M[0]}, {SLICE_M[1]}]      # from above the coffins to below the bases of most graves
rule = "noise"             # outline what is so many units of noise above the median
threshold = 3.0
area_share = 0.08          # for the second rule, which outlines a fixed share of the ground

[release]
# Places of graves are sensitive. Nothing leaves this machine; write here who decides what may be shown.
decided_by = "nobody: the site is invented"
contact = ""
"""


SLICE_M = (0.8, 1.3)


def visit_toml(day: DemoDay, *, centre_mhz: float, instrument: Instrument, percent: bool, sigma_vwc: float) -> str:
    """`visit.toml` of one visit."""
    unit = "vwc_percent in readings.xlsx" if percent else "vwc in readings.csv, as a fraction"
    return f"""\
# One day's survey at {SITE_NAME} (invented).

date = {day.date}
weather = "{day.weather}"
operator = "two people, tape and pegs"
notes = "{day.notes}"

[antenna]
centre_mhz = {centre_mhz:g}           # centre frequency as its specification gives it, in air
separation_m = {instrument.separation_m:g}        # between transmitter and receiver

[recording]
# The SEG-Y files of this visit hold the sample interval in whole picoseconds; SEG-2, NetCDF and the described
# binary files say it themselves.
interval_unit = "ps"
interval_ns = {instrument.interval_ns:g}           # and this is what the text files were exported with

[soil]
texture = "sandy loam over weathered sandstone"

[readings]
sensor = "two-rod probe, 12 cm, pushed in from the surface"
sigma_vwc = {sigma_vwc:g}             # standard deviation of one reading, m³/m³; column {unit}
support_depth_m = 0.12       # a reading stands for the ground from the surface to this depth

[conditions]
# What may differ between visits beside the moisture.
frost = "no"
irrigation = "no"
surface_water = "no"
ground_contact = "yes"
settings_same = "yes"
grass_height_m = {day.grass_height_m:g}
vegetation = "grass"
leaf_cover = "{day.leaf_cover}"
crew = "the same two people"
"""
