"""Migration in three dimensions: a line's image from its own traces and those of the parallel lines beside it."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.migration.geometry import antennas_on_lines
from yewline.signal.migration.kirchhoff import kirchhoff_image, migrate_kirchhoff
from yewline.signal.migration.kirchhoff_options import ImagePlaces, KirchhoffOptions
from yewline.signal.migration.rays import depths_of_times
from yewline.signal.migration.stolt import line_velocity
from yewline.signal.section import Beside, Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["migrate_kirchhoff_3d"]


def migrate_kirchhoff_3d(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    velocity_m_per_ns: Annotated[float | None, Field(gt=0, le=0.2998)] = None,
    aperture_deg: Annotated[float, Field(ge=1, le=90)] = 45.0,
    antialias: bool = True,
) -> Traces:
    """Move responses to where they come from with the help of the parallel lines beside: from the side as well.

    A line alone cannot tell whether a response comes from below or from the side. With lines close enough together,
    what lies between two of them goes where it is, and the image of a line holds what lies below that line.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, places of the traces, antenna separation, velocity, the lines beside and their spacing.
    velocity_m_per_ns : wave velocity, m/ns; left out, that of the ground as estimated for the visit.
    aperture_deg : steepest angle from the vertical that is summed, deg: along the line and across.
    antialias : average along time where the operator is so steep that neighbouring traces or lines would alias. Without
        it, lines that are too far apart give false responses.

    Returns
    -------
    (T, S) float32; time stays time, as for `migrate_kirchhoff`. A line that has no other beside it is migrated by
    itself, and a single trace comes back as it is.

    Raises
    ------
    InputError : no velocity, no places of the traces, no spacing of the lines, lines beside that are not parallel
        within 10°, or samples that are not finite.

    Notes
    -----
    The sum over an area of `kirchhoff_operator`, each trace standing for its share of the ground, which
    `antennas_on_lines` tells: uneven lines, one that is missing and one that was walked twice keep what is level at its
    amplitude. Beside a wider gap, or at the survey's edge, the sum lacks what more lines would give.

    References
    ----------
    Schneider 1978, Geophysics 43:49–76.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0, velocity_m_per_ns=0.1,
    ...                   distance_m=0.1 * np.arange(60), x_m=0.1 * np.arange(60), y_m=np.zeros(60))
    >>> flat = np.tile(np.exp(-(0.5 * (np.arange(64) - 30)) ** 2), (60, 1))
    >>> int(migrate_kirchhoff_3d(flat, section)[30].argmax())
    30
    """
    values = check_traces(amplitude)
    speed = line_velocity(section, velocity_m_per_ns)
    check_in_range(aperture_deg, "aperture_deg", 1.0, 90.0)
    n_trace, n_time = values.shape
    if n_trace == 1 or n_time == 1:
        return values.copy()
    lines = [] if section.beside is None else [line for line in section.beside() if len(line.amplitude) > 1]
    # By place: sums in single precision would otherwise follow the order in which lines are listed.
    lines.sort(key=_place)
    if not lines:
        return migrate_kirchhoff(
            values, section, velocity_m_per_ns=speed, aperture_deg=aperture_deg, antialias=antialias
        )
    if section.x_m is None or section.y_m is None or section.line_spacing_m is None:
        raise InputError(
            "migration across lines needs to know where the traces lie, and how far apart lines are",
            do="check the line's positions",
        )
    antennas = antennas_on_lines(
        [(section.x_m, section.y_m), *((line.x_m, line.y_m) for line in lines)],
        line_spacing_m=section.line_spacing_m,
        separation_m=section.separation_m,
    )
    traces = np.concatenate([values, *(_of_length(check_traces(line.amplitude), n_time) for line in lines)])
    time = section.interval_ns * np.arange(n_time)
    depth = depths_of_times(time, speed, separation_m=section.separation_m)
    places = ImagePlaces(np.column_stack([section.x_m, section.y_m]), np.tile(depth, (n_trace, 1)), values.shape)
    options = KirchhoffOptions("3d", aperture_deg, None, antialias, threads="one")
    return kirchhoff_image(traces, antennas, places, speed, section, options=options)


def _place(line: Beside) -> tuple[float, ...]:
    return (float(line.x_m.min()), float(line.y_m.min()), float(line.x_m.max()), float(line.y_m.max()))


def _of_length(values: Traces, samples: int) -> Traces:
    """The record cut, or filled up with silence: later than the line's own last sample nothing is imaged."""
    if values.shape[1] >= samples:
        return values[:, :samples]
    return np.pad(values, ((0, 0), (0, samples - values.shape[1])))
