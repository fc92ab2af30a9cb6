"""Wave velocity from the recordings: hyperbolas, semblance, focus, gathers, known depths, and all of them side by side.

Every estimate carries a standard deviation. Waves through the air are named and never used for the ground's velocity.
"""

from __future__ import annotations

from yewline.signal.velocity.combine import (
    EstimatePair,
    HyperbolaVelocity,
    VelocityComparison,
    combine_estimates,
    estimate_of,
    hyperbola_velocity,
)
from yewline.signal.velocity.diffraction import (
    DiffractionSlopes,
    apparent_velocity,
    diffraction_slopes,
    diffraction_times,
    oblique_velocity,
    true_velocity,
)
from yewline.signal.velocity.dix import IntervalVelocities, dix_velocities
from yewline.signal.velocity.estimate import VelocityEstimate
from yewline.signal.velocity.fit import FitOptions, draw_hyperbola, fit_hyperbola
from yewline.signal.velocity.focus import (
    FocusMeasure,
    FocusVelocity,
    default_focus_velocities_m_per_ns,
    focus_estimate,
)
from yewline.signal.velocity.gathers import DirectWaves, find_direct_waves, find_reflections, gather_semblance
from yewline.signal.velocity.hyperbola import (
    AIR_FROM_M_PER_NS,
    SLOWEST_M_PER_NS,
    HyperbolaFit,
    VelocityKind,
    velocity_kind,
)
from yewline.signal.velocity.known_depths import (
    KnownDepthFit,
    LineWithErrors,
    known_depth_velocity,
    line_with_errors,
)
from yewline.signal.velocity.moveout import Moveout, MoveoutFit, fit_moveout
from yewline.signal.velocity.noise import SearchNoise, pool_scans, surest
from yewline.signal.velocity.scan import LineScan, SearchOptions, scan_line
from yewline.signal.velocity.search import HyperbolaSearch, RefusedHyperbola, find_hyperbolas
from yewline.signal.velocity.semblance import SemblancePanel, default_velocities_m_per_ns, semblance_panel
from yewline.signal.velocity.surface import surface_delay_ns

__all__ = [
    "AIR_FROM_M_PER_NS",
    "SLOWEST_M_PER_NS",
    "DiffractionSlopes",
    "DirectWaves",
    "EstimatePair",
    "FitOptions",
    "FocusMeasure",
    "FocusVelocity",
    "HyperbolaFit",
    "HyperbolaSearch",
    "HyperbolaVelocity",
    "IntervalVelocities",
    "KnownDepthFit",
    "LineScan",
    "LineWithErrors",
    "Moveout",
    "MoveoutFit",
    "RefusedHyperbola",
    "SearchNoise",
    "SearchOptions",
    "SemblancePanel",
    "VelocityComparison",
    "VelocityEstimate",
    "VelocityKind",
    "apparent_velocity",
    "combine_estimates",
    "default_focus_velocities_m_per_ns",
    "default_velocities_m_per_ns",
    "diffraction_slopes",
    "diffraction_times",
    "dix_velocities",
    "draw_hyperbola",
    "estimate_of",
    "find_direct_waves",
    "find_hyperbolas",
    "find_reflections",
    "fit_hyperbola",
    "fit_moveout",
    "focus_estimate",
    "gather_semblance",
    "hyperbola_velocity",
    "known_depth_velocity",
    "line_with_errors",
    "oblique_velocity",
    "pool_scans",
    "scan_line",
    "semblance_panel",
    "surest",
    "surface_delay_ns",
    "true_velocity",
    "velocity_kind",
]
