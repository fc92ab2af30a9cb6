"""Kirchhoff migration: each image point is the sum of the traces along the times at which it would be heard."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.migration.below import ground_below
from yewline.signal.migration.geometry import Antennas, antennas_on_line
from yewline.signal.migration.kirchhoff_engines import Plan, Sums, choose_sums, make_plan
from yewline.signal.migration.kirchhoff_options import ImagePlaces, KirchhoffOptions, Recording, places_below_line
from yewline.signal.migration.layers import Layers, VelocitySection
from yewline.signal.migration.operators import MigrationOperator
from yewline.signal.migration.rays import depths_of_times
from yewline.signal.migration.stolt import line_velocity
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["kirchhoff_image", "kirchhoff_operator", "migrate_kirchhoff"]

Real = npt.NDArray[Any]


def kirchhoff_operator(
    antennas: Antennas,
    places: ImagePlaces,
    ground: float | Layers | VelocitySection,
    recording: Recording,
    *,
    options: KirchhoffOptions | None = None,
    precision: Literal["single", "double"] = "single",
) -> MigrationOperator:
    """Diffraction modelling and Kirchhoff migration, an exact pair.

    Parameters
    ----------
    antennas : of T traces.
    places : of the image.
    ground : one velocity, m/ns; layers, for antennas at depth 0; or a section, for one line along x.
    recording : sampling of the traces.
    options : weights, aperture, anti-alias control; 2-D weights within 60° by default.
    precision : of numbers.

    Returns
    -------
    MigrationOperator: `adjoint` migrates traces (T, S), `apply` models them from an image of `places.shape`.

    Raises
    ------
    InputError : values out of range; heights over layers; a velocity section that is not below a line.

    Notes
    -----
    m(x, z) = Σ_traces w·q(t), t = (r_s + r_r)/v. In a plane w = Δx·√(t_xx/2π), t_xx = Σ cos²θ/(vr), and q is the trace
    times (−jω)^½; for antennas close together that is the obliquity cosθ over √(πvr). Over an area
    w = ΔA·√(det ∇∇t)/2π, and q the trace times −jω: cosθ/(πvr). "2.5d" multiplies the weights in a plane with the way
    there and back. With these weights a reflection keeps its amplitude and shape at any dip. Modelling turns by
    √(jω) or jω instead. Times come from straight legs, from rays through layers, or from swept fronts; in a section of
    velocities each leg's second derivative is taken as that of a straight leg of the same length and time.

    Memory holds traces, image and, for a section of velocities, 32 fronts; never traces × image.

    References
    ----------
    Schneider 1978, Geophysics 43:49–76. Bleistein, Cohen & Hagin 1987, Geophysics 52:26–36 (2.5-D). Lumley, Claerbout &
    Bevc 1994, 64th Ann. Int. Mtg., SEG (anti-alias control).

    Examples
    --------
    >>> pair = antennas_on_line(0.1 * np.arange(20))
    >>> places = places_below_line(0.1 * np.arange(20), [0.5, 0.6])
    >>> kirchhoff_operator(pair, places, 0.1, Recording(64, 0.5, 200.0)).shape
    (1280, 40)
    """
    chosen = KirchhoffOptions() if options is None else options
    plan = make_plan(antennas, places, ground, recording, chosen)
    return operator_of(plan, choose_sums(plan), np.dtype(np.float32 if precision == "single" else np.float64))


def operator_of(plan: Plan, sums: Sums, dtype: np.dtype[Any]) -> MigrationOperator:
    """The pair that a plan and its sums make."""
    shaping, places = plan.shaping, plan.places
    shape = (len(plan.antennas.share), shaping.samples)

    def migrate(data: Real) -> Real:
        image = np.zeros(places.depth_m.shape, dtype)
        sums.gather(shaping.forward(data), image)
        return image.reshape(places.shape)

    def model(image: Real) -> Real:
        copies = np.zeros((shaping.copies, shape[0], shaping.length), dtype)
        sums.scatter(copies, np.ascontiguousarray(image.reshape(places.depth_m.shape)))
        return shaping.transpose(copies).astype(dtype, copy=False)

    return MigrationOperator(places.shape, shape, dtype, model, migrate)


def kirchhoff_image(
    amplitude: npt.ArrayLike,
    antennas: Antennas,
    places: ImagePlaces,
    ground: float | Layers | VelocitySection,
    section: Section,
    *,
    options: KirchhoffOptions | None = None,
) -> npt.NDArray[np.float32]:
    """Migrate traces to the points of an image: below a line, or in a block below parallel lines.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    antennas : of the T traces; `antennas_on_line` and `antennas_on_lines` make them.
    places : of the image; `places_below_line` and `places_in_block` make them.
    ground, options : as in `kirchhoff_operator`.
    section : sample interval and antenna.

    Returns
    -------
    Image of `places.shape`, float32.

    Raises
    ------
    InputError : as `kirchhoff_operator`; samples that are not finite; another number of traces than of antennas.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> pair = antennas_on_line(0.1 * np.arange(20))
    >>> kirchhoff_image(np.ones((20, 64)), pair, places_below_line([1.0], [0.5, 0.6]), 0.1, section).shape
    (1, 2)
    """
    values = check_traces(amplitude)
    if len(values) != len(antennas.share):
        raise InputError("each trace needs its antennas", received=f"{len(values)} traces, {len(antennas.share)} pairs")
    recording = Recording(values.shape[1], section.interval_ns, section.centre_mhz)
    image = kirchhoff_operator(antennas, places, ground, recording, options=options).adjoint(values)
    return image.astype(np.float32, copy=False)


def migrate_kirchhoff(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    velocity_m_per_ns: Annotated[float | None, Field(gt=0, le=0.2998)] = None,
    ground: Literal["mean", "below the line"] = "mean",
    weights: Literal["2d", "2.5d"] = "2d",
    aperture_deg: Annotated[float, Field(ge=1, le=90)] = 60.0,
    aperture_m: Annotated[float, Field(gt=0, le=1_000)] = 1_000.0,
    antialias: bool = True,
    from_surface: bool = False,
) -> Traces:
    """Collapse diffractions and move dipping reflections to where they come from, by sums along their times.

    Unlike Stolt's migration it takes the antennas' separation into account, uneven spacing and heights of the ground,
    leaves out what comes in more steeply than the aperture, and keeps steep operators from aliasing. Time stays time:
    a sample of the result lies where antennas right above it would record it.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, spacing or distance of traces, antenna separation, velocity and heights.
    velocity_m_per_ns : wave velocity, m/ns; left out, that of the ground as estimated for the visit.
    ground : "mean" takes one velocity for the visit; "below the line" takes it as it varies along the line and with
        depth, with travel times swept through it: several times slower, and worth it where moisture is patchy.
    weights : "2d" keeps the amplitude of reflections as recorded; "2.5d" also undoes their spreading from 1 m on: not
        for lines whose spreading has been compensated.
    aperture_deg : steepest angle from the vertical that is summed, deg.
    aperture_m : farthest distance along the line that is summed, m; 1000 leaves it to the angle.
    antialias : average along time where the operator is so steep that neighbouring traces would alias.
    from_surface : start from the heights of the ground where they are known: not for lines that were shifted in time
        for them.

    Returns
    -------
    (T, S) float32. A single trace holds no dip, and comes back as it is.

    Raises
    ------
    InputError : no velocity, one above that of light, no trace spacing, distances that do not rise, heights wanted and
        not known, a ground that is not known below the line, or samples that are not finite.

    Notes
    -----
    See `kirchhoff_operator`. Time t stands for depth z = ½√((vt)² − s²) below the surface, s being the separation.

    References
    ----------
    Schneider 1978, Geophysics 43:49–76.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0, velocity_m_per_ns=0.1)
    >>> flat = np.tile(np.exp(-(0.5 * (np.arange(64) - 30)) ** 2), (60, 1))
    >>> int(migrate_kirchhoff(flat, section)[30].argmax())
    30
    """
    values = check_traces(amplitude)
    speed = line_velocity(section, velocity_m_per_ns)
    reach = check_in_range(aperture_m, "aperture_m", 1e-3, 1_000.0)
    options = KirchhoffOptions(weights, aperture_deg, reach if reach < 1_000.0 else None, antialias, threads="one")
    n_trace, n_time = values.shape
    if n_trace == 1 or n_time == 1:
        return values.copy()
    distance = distances_along(section, n_trace)
    height = _heights(section, n_trace) if from_surface else None
    antennas = antennas_on_line(distance, separation_m=section.separation_m, elevation_m=height)
    time = section.interval_ns * np.arange(n_time)
    if ground == "below the line":
        if from_surface:
            raise InputError(
                "heights of the ground go with one velocity only",
                received="from_surface with ground 'below the line'",
                do="choose one of the two",
            )
        varying, depths = ground_below(section, distance, np.asarray(time, np.float64))
        return kirchhoff_image(values, antennas, depths, varying, section, options=options)
    depth = depths_of_times(time, speed, separation_m=section.separation_m)
    places = places_below_line(distance, depth, surface_m=height)
    return kirchhoff_image(values, antennas, places, speed, section, options=options)


def distances_along(section: Section, n_trace: int) -> npt.NDArray[np.float64]:
    """(T,) of the traces, from their distances or their spacing."""
    if section.distance_m is not None:
        if len(section.distance_m) != n_trace:
            raise InputError(
                "each trace needs its distance", received=f"{len(section.distance_m)} for {n_trace} traces"
            )
        return section.distance_m
    if section.spacing_m <= 0:
        raise InputError(
            "migration needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    return np.asarray(section.spacing_m * np.arange(n_trace), np.float64)


def _heights(section: Section, n_trace: int) -> npt.NDArray[np.float64]:
    if section.elevation_m is None:
        raise InputError("the heights of the ground are not known", do="leave from_surface out, or give heights")
    if len(section.elevation_m) != n_trace:
        raise InputError("each trace needs its height", received=f"{len(section.elevation_m)} for {n_trace} traces")
    return section.elevation_m
