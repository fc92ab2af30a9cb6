"""Lines to volume: every line of a visit in one block of ground, at estimated depth."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import VelocityField, VolumeGrid, make_volume
from yewline.progress import SILENT, Progress
from yewline.volume.depths import cell_depth_error_m, depth_table_m
from yewline.volume.distance import distance_to_data_m
from yewline.volume.interpolate import Nodes, joined_nodes
from yewline.volume.interpolators import GAUSSIAN, Interpolation, interpolate_by
from yewline.volume.pieces import Pieces, cut_pieces
from yewline.volume.resample import depth_bins

__all__ = [
    "RADIUS_IN_SPACINGS",
    "RESPONSE_SIGMA_PERIODS",
    "TIME_ZERO_SIGMA_NS",
    "arrival_sigma_ns",
    "build_volume",
    "line_nodes",
    "volume_of_nodes",
]

RADIUS_IN_SPACINGS: Final = 1.5
"""Interpolation radius in line spacings (common practice, no source): one missing line is bridged, two are not."""

TIME_ZERO_SIGMA_NS: Final = 0.25
"""Error of time zero, one standard deviation: half of the drift that a session is allowed (from memory)."""

RESPONSE_SIGMA_PERIODS: Final = 0.15
"""How far, in periods of the centre frequency, the strongest envelope of a top comes after the wave that it sends back:
0.08 to 0.28 by the full wave (docs/studies.md). Later, never earlier: things look a few centimetres too deep."""

_NARROWEST: Final = 0.25
"""Along a line a weight is never narrower than this share of its width across: very small cells would show scallops."""


def arrival_sigma_ns(centre_mhz: float) -> float:
    """Error of the time at which a top answers, one standard deviation: of time zero, and of the envelope about it.

    Parameters
    ----------
    centre_mhz : centre frequency of the antenna.

    Examples
    --------
    >>> round(arrival_sigma_ns(200.0), 3), round(arrival_sigma_ns(400.0), 3)
    (0.791, 0.451)
    """
    period_ns = 1e3 / check_positive(centre_mhz, "centre_mhz")
    return math.hypot(TIME_ZERO_SIGMA_NS, RESPONSE_SIGMA_PERIODS * period_ns)


def build_volume(
    lines: Collection[xr.DataArray],
    velocity: VelocityField,
    grid: VolumeGrid,
    *,
    line_spacing_m: float,
    separation_m: float = 0.0,
    radius_m: float | None = None,
    time_zero_sigma_ns: float = TIME_ZERO_SIGMA_NS,
    interpolation: Interpolation = GAUSSIAN,
    progress: Progress = SILENT,
) -> xr.Dataset:
    """Put the lines of a visit into one volume at estimated depth.

    Parameters
    ----------
    lines : radargrams (trace, time) of envelope, gone through once, in any direction, their time counted from
        the moment that the wave enters the ground. NaN samples are taken as not recorded.
    velocity : the visit's velocity; every trace is turned to depth by the velocity at its own place.
    grid : cells; the same for all visits.
    line_spacing_m : distance between neighbouring lines.
    separation_m : distance between transmitter and receiver.
    radius_m : no line farther than this counts; 1.5 line spacings if not given.
    time_zero_sigma_ns : error of time zero, one standard deviation, for the depth error.
    interpolation : the way from lines to cells; the Gaussian weights of the notes if not given.
    progress : told of every line.

    Returns
    -------
    Dataset (depth, y, x): `strength` (mean envelope; NaN without data), `coverage`, `depth_error` [m, half-width of the
    90 % interval; NaN without data]; and over (y, x) `position_sigma` [m, 1 sd per axis; NaN without data, or where the
    lines do not say it] and `distance_m` to the nearest line, also where there is no data.

    Raises
    ------
    InputError : no lines, a line that is not a radargram, or a length that is not positive.

    Notes
    -----
    In three steps. (1) The envelope of each trace is averaged over depth bins; a bin less than half recorded is blank.
    (2) Each line is cut into pieces one cell long, and its traces are averaged in each. (3) Pieces are interpolated to
    the cells with Gaussian weights half a line spacing wide across the line and half a piece along it, corrected so
    that planes are kept; the squares of the traces' position sigma go the same way. Cells are blank beyond half a line
    spacing outside the lines, and wherever no line is within the radius.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=5, ny=3, depth_step_m=0.1, nz=4)
    >>> x = np.arange(0, 2.01, 0.05)
    >>> lines = [make_radargram(np.ones((41, 50)), interval_ns=0.2, x=x, y=0 * x + y) for y in (0.0, 0.5)]
    >>> volume = build_volume(lines, VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    >>> volume.strength.values[:, 0, 2].tolist(), volume.coverage.values[0].sum(axis=1).tolist()
    ([1.0, 1.0, 1.0, 1.0], [5, 5, 0])
    """
    if len(lines) == 0:
        raise InputError("there are no lines to make a volume from", do="give at least one processed line")
    check_positive(line_spacing_m, "line_spacing_m")
    check_in_range(separation_m, "separation_m", 0.0, 10.0)
    # One line at a time: only its depth bins are kept, so memory is bounded by the pieces and the volume itself.
    parts = [
        line_nodes(line, velocity, grid, line_spacing_m=line_spacing_m, separation_m=separation_m)
        for line in progress.over(lines, "lines to depth")
    ]
    return volume_of_nodes(
        parts,
        velocity,
        grid,
        line_spacing_m=line_spacing_m,
        separation_m=separation_m,
        radius_m=radius_m,
        time_zero_sigma_ns=time_zero_sigma_ns,
        interpolation=interpolation,
    )


def volume_of_nodes(
    parts: Sequence[Nodes],
    velocity: VelocityField,
    grid: VolumeGrid,
    *,
    line_spacing_m: float,
    separation_m: float = 0.0,
    radius_m: float | None = None,
    time_zero_sigma_ns: float = TIME_ZERO_SIGMA_NS,
    interpolation: Interpolation = GAUSSIAN,
) -> xr.Dataset:
    """The second half of `build_volume`: depth bins of all lines, each from `line_nodes`, to one volume.

    Parameters
    ----------
    parts : one a line, in the order of the lines, on which the last bits depend.
    velocity, grid, line_spacing_m, separation_m, radius_m, time_zero_sigma_ns, interpolation : as for
        `build_volume`.

    Returns
    -------
    Dataset (depth, y, x) as from `build_volume`.

    Raises
    ------
    InputError : no lines, or a length that is not positive.
    """
    if len(parts) == 0:
        raise InputError("there are no lines to make a volume from", do="give at least one processed line")
    spacing = check_positive(line_spacing_m, "line_spacing_m")
    radius = RADIUS_IN_SPACINGS * spacing if radius_m is None else check_positive(radius_m, "radius_m")
    separation = check_in_range(separation_m, "separation_m", 0.0, 10.0)
    error = cell_depth_error_m(velocity, grid, time_zero_sigma_ns=time_zero_sigma_ns, separation_m=separation)
    # Strength by depth, and one more column: the square of the position sigma.
    nodes = joined_nodes(parts)
    made = interpolate_by(interpolation, nodes, grid.x, grid.y, line_spacing_m=spacing, radius_m=radius)
    strength, sigma = made[:-1], np.sqrt(made[-1])
    coverage = np.isfinite(strength)
    error[~coverage] = np.nan
    volume = make_volume(
        grid,
        strength=strength,
        coverage=coverage,
        depth_error=error,
        position_sigma=sigma,
        attrs={
            "lines": len(parts),
            "line_spacing_m": spacing,
            "radius_m": radius,
            "separation_m": separation,
            "time_zero_sigma_ns": float(time_zero_sigma_ns),
            "velocity": velocity.source,
            "measure": "mean envelope",
            "interpolation": interpolation.method,
        },
    )
    away = distance_to_data_m(nodes, grid.x, grid.y, radius_m=radius)
    return volume.assign(distance_m=(("y", "x"), away, {"units": "m", "long_name": "distance from the nearest line"}))


def line_nodes(
    line: xr.DataArray,
    velocity: VelocityField,
    grid: VolumeGrid,
    *,
    line_spacing_m: float,
    separation_m: float = 0.0,
) -> Nodes:
    """The first half of `build_volume`: the depth bins of one line, which may then be let go of.

    Parameters
    ----------
    line, velocity, grid, line_spacing_m, separation_m : as for `build_volume`, one line.

    Returns
    -------
    Nodes : mean strength over depth bins in each piece of the line.

    Raises
    ------
    InputError : a line that is not a radargram, or a length that is not positive.
    """
    spacing = check_positive(line_spacing_m, "line_spacing_m")
    separation = check_in_range(separation_m, "separation_m", 0.0, 10.0)
    if line.dims != ("trace", "time") or not {"x", "y", "time"} <= set(line.coords):
        raise InputError(
            "a line must be a radargram over (trace, time) with coordinates x, y and time",
            received=f"{line.dims} with {', '.join(map(str, line.coords))}",
            where=line.attrs.get("line"),
        )
    x, y = line["x"].values.astype(np.float64), line["y"].values.astype(np.float64)
    segment = line["segment"].values if "segment" in line.coords else None
    pieces = cut_pieces(x, y, segment, length_m=grid.cell_m)
    depth, row = depth_table_m(line["time"].values, velocity, x, y, separation_m=separation, step_m=grid.depth_step_m)
    values = depth_bins(
        line.values.astype(np.float32, copy=False),
        depth,
        pieces.piece,
        n_pieces=len(pieces.x),
        step_m=grid.depth_step_m,
        n_bins=grid.nz,
        row=row,
    )
    square = _piece_means(line["sigma_xy"].values ** 2, pieces) if "sigma_xy" in line.coords else np.nan
    wide = np.column_stack([values, np.broadcast_to(np.asarray(square, np.float32), len(values))])
    return _nodes(pieces, wide, spacing)


def _piece_means(values: npt.NDArray[np.float64], pieces: Pieces) -> npt.NDArray[np.float64]:
    count = np.bincount(pieces.piece, minlength=len(pieces.x))
    return np.bincount(pieces.piece, values, minlength=len(pieces.x)) / np.maximum(count, 1)


def _nodes(pieces: Pieces, values: npt.NDArray[np.float32], spacing: float) -> Nodes:
    return Nodes(
        x=pieces.x,
        y=pieces.y,
        ux=pieces.ux,
        uy=pieces.uy,
        half_m=pieces.half_m,
        sigma_m=np.maximum(0.5 * pieces.pitch_m, _NARROWEST * 0.5 * spacing),
        values=values,
    )
