"""Settings files and field notes of a simulated site, in words for someone who has never seen a site folder."""

from __future__ import annotations

from yewline.simulation.scenes import SceneDay, SceneFile
from yewline.simulation.scenes.toml_text import toml_value

__all__ = ["readme", "site_toml", "visit_toml"]

_FITTED_SIGMA = 0.01


def readme(scene: SceneFile) -> str:
    """`README.txt` of the folder."""
    return f"""\
This site is invented, and nothing in it was recorded anywhere: it is the scene "{scene.name}",
simulated with the full wave. {scene.about}

  site.toml            what the site is, and the choices that the figures rest on
  area.geojson         outline of what was surveyed
  burials.gpkg         burials known from excavation, if any; opened.geojson: ground that was opened
  visits/NAME/         one day's survey each: settings, lines, moisture readings
  truth/               what really lies in the ground and what befell the recordings: no command
                       reads it; it is there for you to compare with

For learning and testing only. How well a survey does on simulated ground says little about how
well it would do on yours: real ground is less even, and antennas are less simple.
"""


def site_toml(scene: SceneFile, known_sigma_m: float) -> str:
    """`site.toml` of the folder."""
    about = f"An invented burial ground, simulated with the full wave (seed {scene.seed}). {scene.about}"
    return f"""\
# A yewline site. This one is simulated; lines that begin with # are comments.

name = {toml_value(scene.name)}
about = {toml_value(about)}

# Standard deviation of a radar trace's position along x and along y, in metres: tapes between pegs.
position_sigma_m = {known_sigma_m:g}

# What the tool should say to whoever opens a report of this site.
cautions = ["Simulated data: for learning and testing only."]

[target]
# What a surveyor would expect here: common planning sizes, not taken from the truth.
adult = {{ length_m = 2.1, width_m = 0.75 }}
child = {{ length_m = 1.2, width_m = 0.5 }}
depth_m = [0.5, 1.5]       # top and base between which burials are expected

[primary]
# The choices that the figures rest on. On your own site fix them before looking at results.
rule = "noise"             # outline what is so many units of noise above the median
threshold = 3.0

[release]
# Places of graves are sensitive. Nothing leaves this machine; write here who decides what may be shown.
decided_by = "nobody: the site is invented"
contact = ""
"""


def visit_toml(scene: SceneFile, day: SceneDay, *, velocity_m_per_ns: float | None) -> str:
    """`visit.toml` of one day; a velocity is stated where there are no moisture readings."""
    texture = scene.ground.soil.texture
    soil = f"sand {100 * texture.sand:.0f} %, clay {100 * texture.clay:.0f} %"
    fitted = ""
    if velocity_m_per_ns is not None:
        fitted = (
            f"velocity_m_per_ns = {velocity_m_per_ns:.3f}   # as fitted to diffraction legs: there are no readings\n"
            f"velocity_sigma_m_per_ns = {_FITTED_SIGMA:g}\n"
        )
    readings = ""
    if scene.readings.count:
        readings = f"""
[readings]
sensor = "two-rod probe, pushed in from the surface"
sigma_vwc = {max(scene.readings.sigma_vwc, 0.001):g}             # standard deviation of one reading, m³/m³
support_depth_m = {scene.readings.support_depth_m:g}       # a reading stands for the ground down to here
"""
    return f"""\
# One day's survey (simulated).

date = {day.date}
weather = {toml_value(day.weather)}
notes = {toml_value(day.notes)}

[antenna]
centre_mhz = {scene.nominal_mhz:g}           # centre frequency as its specification gives it, in air
separation_m = {scene.antenna.separation_m:g}        # between transmitter and receiver

[soil]
texture = {toml_value(soil)}
{fitted}{readings}"""
