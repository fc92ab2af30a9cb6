"""The ground below one line as migration takes it: a section of velocities, and the depth of each sample in it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.signal.migration.kirchhoff_options import ImagePlaces
from yewline.signal.migration.layers import Layers, VelocitySection
from yewline.signal.migration.rays import depths_of_times
from yewline.signal.section import Section

__all__ = ["ground_below", "layers_below"]

F64 = npt.NDArray[np.float64]

NODES_A_WAVE: Final = 8.0
"""Nodes for each wavelength at the centre frequency: what varies within less is not seen by the wave."""
MOST_NODES: Final = 400_000


def ground_below(section: Section, distance_m: F64, time_ns: F64) -> tuple[VelocitySection, ImagePlaces]:
    """Velocities below a line on an even grid, and where in it each sample of each trace belongs.

    Parameters
    ----------
    section : of the line; its `below` tells the velocity, at the places `x_m`, `y_m`.
    distance_m : (T,) of the traces along the line, m.
    time_ns : (S,) two-way times of the samples, ns.

    Returns
    -------
    ground : nodes about an eighth of a wavelength apart, from the surface to the deepest sample, and as far beyond
        the line's ends as that is deep.
    places : (T, S) the depth at which antennas right above would hear each sample, by each trace's own velocities.

    Raises
    ------
    InputError : the velocity below the line, or the places of its traces, are not known.
    """
    z, below = _below(section)
    depth = np.empty((len(distance_m), len(time_ns)))
    for trace, column in enumerate(below.T):
        depth[trace] = depths_of_times(time_ns, _layers(z, column), separation_m=section.separation_m)
    deepest = float(depth.max())
    step = 1e3 * float(np.median(below)) / section.centre_mhz / NODES_A_WAVE
    wide = float(distance_m[-1] - distance_m[0]) + 2 * deepest
    step = max(step, np.sqrt(wide * max(deepest, step) / MOST_NODES))
    nodes_x = distance_m[0] - deepest + step * np.arange(max(3, int(np.ceil(wide / step)) + 2))
    nodes_z = step * np.arange(max(3, int(np.ceil(deepest / step)) + 2))
    # Velocity at the nodes: along the line between traces, with depth between the field's own depths.
    along = np.array([np.interp(nodes_x, distance_m, row) for row in below])
    grid = np.array([np.interp(nodes_z, z, column) for column in along.T]) if len(z) > 1 else None
    velocity = np.repeat(along.T, len(nodes_z), axis=1) if grid is None else grid
    ground = VelocitySection(velocity, step, x0_m=float(nodes_x[0]))
    columns = np.column_stack([distance_m, np.zeros(len(distance_m))])
    return ground, ImagePlaces(columns, depth, depth.shape)


def layers_below(section: Section) -> Layers:
    """The layers below a line, their slowness averaged along it.

    Raises
    ------
    InputError : the velocity below the line, or the places of its traces, are not known.
    """
    z, below = _below(section)
    return _layers(z, 1.0 / (1.0 / below).mean(axis=1))


def _below(section: Section) -> tuple[F64, F64]:
    if section.below is None or section.x_m is None or section.y_m is None:
        raise InputError(
            "the velocity below the line is not known",
            received="one velocity for the whole line",
            do="leave ground out, or give moisture readings for the visit",
        )
    z, below = section.below(section.x_m, section.y_m)
    return np.asarray(z, np.float64), np.asarray(below, np.float64)


def _layers(z: F64, velocity: F64) -> Layers:
    """One trace's velocities as layers that change half-way between the field's depths."""
    tops = np.concatenate([[0.0], 0.5 * (z[1:] + z[:-1])]) if len(z) > 1 else np.zeros(1)
    return Layers(tops, velocity)
