"""Trusted depth: how deep the ground answers above the noise, cell by cell."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import VelocityField, VolumeGrid, provenance_steps
from yewline.progress import SILENT, Progress
from yewline.volume.build import RADIUS_IN_SPACINGS, line_nodes
from yewline.volume.interpolate import Nodes, interpolate_nodes, joined_nodes
from yewline.volume.median_around import median_around

__all__ = ["GAINS", "TRUST_REASONS", "LineNoise", "line_noise", "trusted_depth"]

Array = npt.NDArray[np.float64]

GAINS: Final = (
    "automatic_gain",
    "compensate",
    "line_balance",
    "power_gain",
    "q_compensation",
    "spectral_whitening",
    "trace_balance",
)
"""Steps after which noise no longer stays the same down the record."""

TRUST_REASONS: Final = ("known", "no_data", "at_least_to_the_base", "never_above_the_noise", "noise_still_falling")
"""What is said of a cell's trusted depth, in the order of its numbers from 0."""

_TAIL: Final = 0.2
_SETTLED: Final = 1.1
"""Level of the tail's first half beside its second: above this the record ends before the answer does."""
_MEAN_OF_MEDIAN: Final = float(np.sqrt(0.25 * np.pi / np.log(2.0)))
"""Mean of the envelope of noise over its median: both of a Rayleigh distribution."""
_PLACES: Final = 5


@dataclass(frozen=True, slots=True)
class LineNoise:
    """Noise of one line.

    Attributes
    ----------
    level : mean envelope of the noise, in the units of the samples.
    settled : whether the record had come down to it; where not, the noise is less than `level`.
    """

    level: float
    settled: bool


def line_noise(envelope: npt.ArrayLike) -> LineNoise:
    """Noise of a line by the last fifth of its record.

    Parameters
    ----------
    envelope : (T, S) of samples before any gain; NaN samples are left out.

    Returns
    -------
    LineNoise.

    Raises
    ------
    InputError : not two axes, or nothing recorded in the tail.

    Notes
    -----
    The median over traces and times of the tail, times √(π/(4 ln 2)), the mean over the median of a Rayleigh
    distribution: late echoes in less than half of it do not count. The record has settled where the median of the
    tail's first half is at most a tenth above that of its second.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> noise = line_noise(np.abs(rng.normal(size=(200, 500)) + 1j * rng.normal(size=(200, 500))))
    >>> round(noise.level, 2), noise.settled
    (1.25, True)
    """
    values = check_array(envelope, "envelope", ndim=2, dtype=np.float32, finite=False)
    tail = values[:, values.shape[1] - max(2, round(_TAIL * values.shape[1])) :]
    early, late = tail[:, : tail.shape[1] // 2], tail[:, tail.shape[1] // 2 :]
    if not (np.isfinite(early).any() and np.isfinite(late).any()):
        raise InputError("nothing is recorded at the end of the line", do="cut the record where its samples end")
    first, second, whole = (float(np.median(part[np.isfinite(part)])) for part in (early, late, tail))
    return LineNoise(_MEAN_OF_MEDIAN * whole, first <= _SETTLED * second)


def trusted_depth(
    lines: Collection[xr.DataArray],
    velocity: VelocityField,
    grid: VolumeGrid,
    *,
    line_spacing_m: float,
    separation_m: float = 0.0,
    ratio: float = 2.0,
    around_m: float = 1.0,
    progress: Progress = SILENT,
) -> xr.Dataset:
    """Depth down to which the ground around each cell usually answers above the noise.

    It needs lines whose noise is the same from the start of the record to its end: their envelopes before any gain. The
    lines that a volume is made from have had one, so they are to be handed in a second time, from before it.

    Parameters
    ----------
    lines, velocity, grid, line_spacing_m, separation_m : as for `build_volume`; envelopes before any gain.
    ratio : envelope over noise down to which a slice is trusted; above 1.
    around_m : side of the square over which an answer is usual, the median.
    progress : told of every line.

    Returns
    -------
    Dataset over (y, x): `trusted_depth` [m]; `trust_reason`, a number in `TRUST_REASONS`; `noise`, mean envelope. The
    depth is NaN where there is no data; zero where the ground is never above the noise; the base of what was recorded
    (or of the grid) where it is so throughout. Where the noise was still falling at the end of the record, the depth is
    the least that it can be.

    Raises
    ------
    InputError : no lines, one that had a gain, a ratio that is not above 1, or a length that is not positive.

    Notes
    -----
    Lines go to depth and to cells as in a volume, their noise (`line_noise`) with them by the same weights. The depth
    is where the usual envelope last crosses ratio × noise, its logarithm taken as straight between the middles of bins.
    The envelope holds the noise too, so that at ratio k the answer itself is √(k² − 1) times the noise.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=5, ny=2, depth_step_m=0.1, nz=20)
    >>> x, t = np.arange(0, 2.01, 0.05), 0.2 * np.arange(300)
    >>> fading = np.tile(np.maximum(np.exp(-0.2 * t), 0.01), (41, 1))
    >>> lines = [make_radargram(fading, interval_ns=0.2, x=x, y=0 * x + y) for y in (0.0, 0.5)]
    >>> trusted = trusted_depth(lines, VelocityField.uniform(0.1, 0.01), grid, line_spacing_m=0.5)
    >>> float(trusted.trusted_depth[0, 2].round(1))
    1.0
    """
    if len(lines) == 0:
        raise InputError("there are no lines to tell the noise of", do="give the envelopes of a visit before any gain")
    spacing = check_positive(line_spacing_m, "line_spacing_m")
    check_in_range(ratio, "ratio", 1.01, 1000.0)
    check_positive(around_m, "around_m")
    parts = []
    for line in progress.over(lines, "noise of lines"):
        _refuse_gain(line)
        nodes = line_nodes(line, velocity, grid, line_spacing_m=spacing, separation_m=separation_m)
        parts.append(_with_noise(nodes, line_noise(line.values)))
    radius = RADIUS_IN_SPACINGS * spacing
    made = interpolate_nodes(joined_nodes(parts), grid.x, grid.y, line_spacing_m=spacing, radius_m=radius)
    strength, noise, settled = made[:-2], made[-2], made[-1]
    side = max(1, round(around_m / grid.cell_m))
    usual = np.stack([median_around(level, side, places=_PLACES) for level in strength])
    usual[~np.isfinite(strength)] = np.nan
    depth, reason = _last_crossing(usual, ratio * noise.astype(np.float64), grid)
    reason[(reason == 0) & (settled < 0.5)] = TRUST_REASONS.index("noise_still_falling")
    gone = ~np.isfinite(strength).any(axis=0)
    depth[gone], reason[gone] = np.nan, TRUST_REASONS.index("no_data")
    dims = ("y", "x")
    flags = {"flag_values": list(range(len(TRUST_REASONS))), "flag_meanings": " ".join(TRUST_REASONS)}
    return xr.Dataset(
        {
            "trusted_depth": (
                dims,
                depth.astype(np.float32),
                {"units": "m", "positive": "down", "long_name": "depth to which the ground answers above the noise"},
            ),
            "trust_reason": (dims, reason, {"long_name": "what is said of the trusted depth", **flags}),
            "noise": (dims, noise, {"units": "1", "long_name": "mean envelope of the noise"}),
        },
        coords={name: grid.coordinates()[name] for name in dims},
        attrs={"grid": grid.model_dump_json(), "ratio": float(ratio), "around_m": float(around_m)},
    )


def _refuse_gain(line: xr.DataArray) -> None:
    had = [str(step.get("step")) for step in provenance_steps(line) if step.get("step") in GAINS]
    if had:
        raise InputError(
            "the noise of a line can be told only before any gain",
            received=", ".join(had),
            where=line.attrs.get("line"),
            do="give the line as it was before that step",
        )


def _with_noise(nodes: Nodes, noise: LineNoise) -> Nodes:
    told = np.broadcast_to(np.array([noise.level, noise.settled], np.float32), (len(nodes.x), 2))
    return replace(nodes, values=np.column_stack([nodes.values[:, :-1], told]))


def _last_crossing(usual: Array, limit: Array, grid: VolumeGrid) -> tuple[Array, npt.NDArray[np.int8]]:
    """Depth where each column is last above its limit, and the reason's number."""
    known = np.isfinite(usual)
    above = known & (usual >= limit)
    bins = np.arange(len(usual))[:, None, None]
    last = np.where(above, bins, -1).max(axis=0)
    base = np.where(known, bins, -1).max(axis=0)
    reason = np.zeros(limit.shape, np.int8)
    reason[last < 0] = TRUST_REASONS.index("never_above_the_noise")
    throughout = (last >= 0) & (last == base)
    reason[throughout] = TRUST_REASONS.index("at_least_to_the_base")
    here = np.clip(last, 0, len(usual) - 1)
    # A record has no holes: the next bin is known, or the bin's own middle is all that can be said.
    there = np.minimum(here + 1, len(usual) - 1)
    a, b = (np.take_along_axis(usual, k[None], axis=0)[0] for k in (here, there))
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.log(a / limit) / np.log(a / b)
    part = np.where(np.isfinite(part), np.clip(part, 0.0, 1.0), 0.0)
    depth = grid.depth_step_m * (last + 0.5 + part)
    depth[throughout] = grid.depth_step_m * (base[throughout] + 1)
    depth[last < 0] = 0.0
    return depth, reason
