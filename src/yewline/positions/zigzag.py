"""Zigzag: lines walked forth and back that lie displaced against one another, measured on what they recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.model import Finding, add_provenance
from yewline.positions.images import LineImages
from yewline.positions.lag_fit import GEOLOGY, SIGNIFICANT, LagCurves, fit_offsets, lag_curves, some_pairs, without_slow
from yewline.positions.likeness import neighbours, survey_likeness

__all__ = [
    "ZigzagBias",
    "ZigzagEstimate",
    "correct_zigzag",
    "estimate_zigzag",
    "undo_zigzag",
    "zigzag_findings",
]

F64 = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LINE_SIGNIFICANT = 4.0
LEAST_M = 0.03


@dataclass(frozen=True, slots=True)
class ZigzagBias:
    """The same fit on pairs of lines walked the same way, which can hold no zigzag.

    Attributes
    ----------
    offset_m, sigma_m : the zigzag that such pairs pretend to, and its standard deviation; NaN without such pairs.
    geology_m : displacement from line to line that all pairs share: ground oblique to the lines, not a fault.
    passed : whether `offset_m` is zero within its error; False where it could not be tried.
    pairs : how many pairs.
    """

    offset_m: float
    sigma_m: float
    geology_m: float
    passed: bool
    pairs: int


@dataclass(frozen=True, slots=True)
class ZigzagEstimate:
    """How far each trace is put too far ahead in the direction in which its line was walked.

    Attributes
    ----------
    offset_m, sigma_m : in the middle of the lines, and its standard deviation, infinite where the correlation has no
        peak at the offset; alternate lines lie twice as far apart.
    slope_m_per_m, slope_sigma : how it grows along the axis; 0 where the data do not call for it, 0 ± NaN where lines
        are too short to tell.
    middle_m : place along the axis to which `offset_m` belongs.
    score_before, score_after : mean correlation of neighbours walked opposite ways, as placed and as corrected.
    chance_sd : spread of that mean by chance.
    significant : whether there is a zigzag: three times its error and 0.03 m, the score gains by it, and the test on
        lines walked the same way did not fail.
    bias : the test on lines walked the same way.
    pairs : neighbours walked opposite ways.
    line_offset_m, line_sigma_m : by line, what is left of each line's own offset after the common one; 0 ± infinity
        where the correlation has no peak, 0 ± NaN for a line without neighbours.
    """

    offset_m: float
    sigma_m: float
    slope_m_per_m: float
    slope_sigma: float
    middle_m: float
    score_before: float
    score_after: float
    chance_sd: float
    significant: bool
    bias: ZigzagBias
    pairs: int
    line_offset_m: Mapping[str, float]
    line_sigma_m: Mapping[str, float]

    def at(self, along_m: npt.ArrayLike) -> F64:
        """The offset at places along the axis, m."""
        return self.offset_m + self.slope_m_per_m * (np.asarray(along_m, np.float64) - self.middle_m)


def estimate_zigzag(images: LineImages, *, largest_m: float = 0.6) -> ZigzagEstimate:
    """Estimate the zigzag of one set of parallel lines.

    Parameters
    ----------
    images : from `line_images`.
    largest_m : largest offset of a line searched for, m.

    Returns
    -------
    ZigzagEstimate. Nothing is moved: see `correct_zigzag`.

    Raises
    ------
    InputError : no neighbouring lines were walked in opposite directions, or the lines have no neighbours.

    Notes
    -----
    What lies at s along the axis shows in line i at s + dᵢ·(a + b·(s − s₀)) + g·nᵢ, with dᵢ = ±1 the direction of
    walking and nᵢ the line's number across: a, b are the zigzag, g is ground oblique to the lines, which looks like a
    zigzag in any one pair but not in pairs of both orders. The sum over pairs of neighbours, one and two apart, of
    their envelopes' correlation at the lag this gives is made largest. Errors are those of an M-estimator in which
    pairs that share a line err together (Aronow, Samii & Assenova 2015, Political Analysis 23:564; from memory). The
    slope is kept where it is three times its error and bends the ends by 0.02 m.
    What grows with the way walked alike in both directions cancels at every place but for a constant: that is the
    odometer's scale, which neighbours cannot show.

    References
    ----------
    Böniger & Tronicke 2010, Near Surface Geophysics 8, on latency from lines walked both ways (from memory).
    """
    limit = check_positive(largest_m, "largest_m")
    pictures, known = images.stack()
    pairs = neighbours(images)
    turning = [pair for pair in pairs if pair[2] == 1 and images.direction[pair[0]] != images.direction[pair[1]]]
    likeness = survey_likeness(images, pictures, known)
    if len(turning) < 2 or likeness is None:
        raise InputError(
            "no neighbouring lines were walked in opposite directions",
            received=f"{len(turning)} such pairs",
            do="a zigzag shows only between lines walked forth and back",
        )
    most = max(4, int(np.ceil((2.0 * limit + 2.0 * GEOLOGY * images.spacing_m) / images.step_m)))
    fine = without_slow(pictures, known, images.step_m)
    curves = lag_curves(images, fine, known, pairs, min(most, len(images.station_m) // 3))
    theta, covariance = fit_offsets(curves, limit)
    opposite = np.abs(curves.turn) == 2
    near = opposite & (np.abs(curves.across) < 1.5)
    before = float(curves.score(curves.lag(np.array([0.0, 0.0, theta[2]])))[near].mean())
    after = float(curves.score(curves.lag(theta))[near].mean())
    chance_sd = likeness.chance_sd / np.sqrt(int(near.sum()))
    sigma = float(np.sqrt(covariance[0, 0]))
    bias = _bias(curves, images, theta, limit)
    significant = (
        (bias.passed or np.isnan(bias.offset_m))
        and abs(theta[0]) > max(SIGNIFICANT * sigma, LEAST_M)
        and after - before > chance_sd
        and after - likeness.chance > SIGNIFICANT * chance_sd
    )
    offsets, spreads = _line_offsets(curves, theta, images)
    station = images.station_m
    return ZigzagEstimate(
        offset_m=float(theta[0]),
        sigma_m=sigma,
        slope_m_per_m=float(theta[1]),
        slope_sigma=float(np.sqrt(covariance[1, 1])),
        middle_m=float(0.5 * (station[0] + station[-1])),
        score_before=before,
        score_after=after,
        chance_sd=float(chance_sd),
        significant=bool(significant),
        bias=bias,
        pairs=len(turning),
        line_offset_m=offsets,
        line_sigma_m=spreads,
    )


def correct_zigzag(radargram: xr.DataArray, images: LineImages, estimate: ZigzagEstimate) -> xr.DataArray:
    """The same line with its traces moved back by the zigzag; samples are shared, positions are new.

    Parameters
    ----------
    radargram : a line of `images`.
    images, estimate : the set it belongs to, and what was found there.

    Returns
    -------
    radargram with other `x`, `y`; `sigma_xy` holds the correction's own error as well, and the provenance a step.

    Raises
    ------
    InputError : the line is not one of the set.
    """
    name = str(radargram.attrs.get("line", ""))
    if name not in images.names:
        raise InputError("the line is not one of those compared", received=name, do="give the set that holds it")
    return undo_zigzag(
        radargram,
        offset_m=estimate.offset_m,
        slope_m_per_m=estimate.slope_m_per_m,
        middle_m=estimate.middle_m,
        axis=images.axis,
        sigma_m=estimate.sigma_m,
    )


def undo_zigzag(
    radargram: xr.DataArray,
    *,
    offset_m: float,
    slope_m_per_m: float = 0.0,
    middle_m: float = 0.0,
    axis: tuple[float, float] | None = None,
    sigma_m: float = 0.0,
) -> xr.DataArray:
    """The same line with its traces moved back against the direction in which it was walked.

    Parameters
    ----------
    radargram : in place, its traces in the order walked.
    offset_m : how far each trace was put too far ahead.
    slope_m_per_m, middle_m, axis : how that grows along `axis` (unit vector; left out, the line's own direction), and
        where along it `offset_m` belongs.
    sigma_m : standard deviation of the offset.

    Returns
    -------
    radargram with other `x`, `y`; `sigma_xy` holds `sigma_m` as well, and the provenance a step.

    Raises
    ------
    InputError : the line has no direction: it ends where it begins.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> back = make_radargram(np.zeros((3, 4)), interval_ns=0.5, x=[0.0, 0.0, 0.0], y=[2.0, 1.0, 0.0])
    >>> undo_zigzag(back, offset_m=0.1)["y"].values.round(3).tolist()
    [2.1, 1.1, 0.1]
    """
    x, y = radargram["x"].values, radargram["y"].values
    walked = np.array([x[-1] - x[0], y[-1] - y[0]])
    if not np.hypot(*walked) > 0:
        raise InputError(
            "a line that ends where it begins has no direction",
            where=str(radargram.attrs.get("line", "")) or None,
            received=f"{len(x)} traces",
            do="leave it out of the correction of the zigzag",
        )
    unit = walked / np.hypot(*walked) if axis is None else np.array(axis, np.float64)
    sign = 1.0 if walked @ unit >= 0 else -1.0
    back = -sign * (offset_m + slope_m_per_m * (x * unit[0] + y * unit[1] - middle_m))
    moved = radargram.assign_coords(
        x=("trace", x + back * unit[0], {"units": "m"}),
        y=("trace", y + back * unit[1], {"units": "m"}),
        sigma_xy=("trace", np.hypot(radargram["sigma_xy"].values, sigma_m), {"units": "m"}),
    )
    step = {
        "step": "zigzag",
        "offset_m": round(offset_m, 4),
        "slope_m_per_m": round(slope_m_per_m, 6),
        "sigma_m": round(sigma_m, 4),
    }
    return add_provenance(moved, step)


def zigzag_findings(estimate: ZigzagEstimate, *, least_m: float = LEAST_M) -> list[Finding]:
    """A warning where alternate lines lie displaced, with both scores and the test for bias.

    Parameters
    ----------
    estimate : from `estimate_zigzag`.
    least_m : offsets below this are let pass, m.
    """
    if not estimate.significant or abs(estimate.offset_m) < least_m:
        return []
    bias = estimate.bias
    told = (
        f"lines walked the same way show {bias.offset_m:+.2f} ± {1.645 * bias.sigma_m:.2f} m, as they should"
        if bias.passed
        else "lines walked the same way show a shift too, or cannot be compared: the ground may mimic it"
    )
    word = "too far ahead" if estimate.offset_m > 0 else "too far behind"
    return [
        Finding(
            "warning",
            "zigzag",
            f"lines walked forth and back lie displaced: traces are put {abs(estimate.offset_m):.2f} m {word}",
            received=(
                f"{estimate.offset_m:+.2f} ± {1.645 * estimate.sigma_m:.2f} m (90 %), "
                f"{2 * abs(estimate.offset_m):.2f} m between neighbours; correlation {estimate.score_before:.2f} as "
                f"placed, {estimate.score_after:.2f} as corrected; {told}"
            ),
            do="check where counting starts and the delay of the positioning; accept it in visit.toml only if the test "
            "agrees",
        )
    ]


def _bias(curves: LagCurves, images: LineImages, theta: F64, limit: float) -> ZigzagBias:
    """The same fit where pairs walked the same way are given alternate directions that they did not have."""
    same = curves.turn == 0
    if int(same.sum()) < 4:
        return ZigzagBias(np.nan, np.nan, float(theta[2]), False, int(same.sum()))
    order = np.zeros(len(images.names))
    for way in (-1, 1):
        held = np.flatnonzero(images.direction == way)
        order[held] = np.arange(len(held))
    pretended = np.where(order % 2 == 0, 1.0, -1.0)
    turn = pretended[curves.second] - pretended[curves.first]
    keep = same & (turn != 0)
    if int(keep.sum()) < 4:
        return ZigzagBias(np.nan, np.nan, float(theta[2]), False, int(keep.sum()))
    chosen = some_pairs(curves, keep)
    found, covariance = fit_offsets(chosen, limit, turn[keep], sloped=False)
    sigma = float(np.sqrt(covariance[0, 0]))
    # A displacement at the edge of the search is none that was found.
    inside = abs(theta[2]) < 0.97 * GEOLOGY * images.spacing_m
    passed = bool(inside and abs(found[0]) <= max(2.5 * sigma, LEAST_M))
    return ZigzagBias(float(found[0]), sigma, float(found[2]), passed, int(keep.sum()))


def _line_offsets(curves: LagCurves, theta: F64, images: LineImages) -> tuple[dict[str, float], dict[str, float]]:
    """What is left of each line's own offset, 0 unless four times its error; its neighbours are held still."""
    base = curves.lag(theta)
    h = 0.5 * curves.step
    pull = (curves.score(base + h) - curves.score(base - h)) / (2 * h)
    # One pair's pull, over all pairs: a line with one or two neighbours has no scatter of its own to judge by.
    usual = float(np.sqrt((pull**2).mean()))
    steps = np.arange(-3.0, 3.01, 0.25) * curves.step
    direction = images.direction.astype(np.float64)
    offsets, spreads = {}, {}
    for line, name in enumerate(images.names):
        touched = (curves.first == line) | (curves.second == line)
        if not touched.any():
            offsets[name], spreads[name] = 0.0, np.nan
            continue
        chosen = some_pairs(curves, touched)
        sign = np.where(chosen.second == line, 1.0, -1.0) * direction[line]
        rows = base[touched[curves.pair]]
        score = np.array([chosen.score(rows + sign[chosen.pair] * s) for s in steps])
        total = score.sum(axis=1)
        best = int(np.clip(total.argmax(), 1, len(steps) - 2))
        bend = (total[best - 1] - 2 * total[best] + total[best + 1]) / (steps[1] - steps[0]) ** 2
        sigma = usual * np.sqrt(int(touched.sum())) / -bend if bend < 0 else np.inf
        found = float(steps[best])
        offsets[name] = found if abs(found) > LINE_SIGNIFICANT * sigma else 0.0
        spreads[name] = float(sigma)
    return offsets, spreads
