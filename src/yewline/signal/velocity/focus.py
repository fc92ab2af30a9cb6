"""Velocity at which migration focuses a line best, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.dips import dip_filter
from yewline.signal.migration import migrate_stolt
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.velocity.estimate import VelocityEstimate
from yewline.signal.velocity.semblance import check_velocities

__all__ = ["FocusMeasure", "FocusVelocity", "default_focus_velocities_m_per_ns", "focus_estimate"]

F64 = npt.NDArray[np.float64]
FocusMeasure = Literal["varimax", "kurtosis", "entropy"]

LEAST_WINDOWS: Final = 8
LEVEL_NS_PER_M: Final = 5.0
"""Dips that are taken out: those of level layers and what is left of the direct wave. Faster than light, they belong to
nothing in the ground but the very tops of diffractions."""
WINDOW_PERIODS: Final = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class FocusVelocity:
    """Sharpness of the migrated line over velocity.

    Attributes
    ----------
    v_m_per_ns : (V,) velocities tried, m/ns.
    sharpness : (V,) measure at each: the higher, the sharper.
    estimate : the velocity of the highest point with its standard deviation; None where the curve has no top inside
        the range.
    measure : which one.
    draws_m_per_ns : (B,) tops of the bootstrap's curves that have one.
    """

    v_m_per_ns: F64
    sharpness: F64
    estimate: VelocityEstimate | None
    measure: FocusMeasure
    draws_m_per_ns: F64


def default_focus_velocities_m_per_ns() -> F64:
    """0.05 to 0.18 m/ns in 27 steps, which soils have; common practice, no source."""
    return np.geomspace(0.05, 0.18, 27)


def focus_estimate(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    seed: int | np.random.Generator,
    velocities_m_per_ns: npt.ArrayLike | None = None,
    measure: FocusMeasure = "varimax",
    window_m: float = 2.0,
    window_ns: float | None = None,
    first_ns: float | None = None,
    draws: int = 400,
) -> FocusVelocity:
    """Migrate a line at many velocities and take the one that makes it sharpest.

    Parameters
    ----------
    amplitude : (T, S) samples after time zero, dewow, band-pass and background removal.
    section : sampling, trace spacing and antenna.
    seed : of the bootstrap.
    velocities_m_per_ns : (V,) to be tried, five at least; left out, `default_focus_velocities_m_per_ns`.
    measure : "varimax", NΣa⁴/(Σa²)² of the N samples of each window and then their mean, weighted by the root of each
        one's energy; "kurtosis", the same over the whole line, which the strongest responses rule; "entropy", minus
        Σp·ln p with p = a²/Σa², over the whole line, turned over so that the highest is the sharpest.
    window_m : length of the windows along the line, and of the pieces of line that the bootstrap draws, m.
    window_ns : length of the windows in time, ns; left out, three periods, about one response.
    first_ns : samples before this do not count, ns; left out, one and a half periods.
    draws : of the bootstrap.

    Returns
    -------
    FocusVelocity

    Raises
    ------
    InputError : fewer than five velocities, or too few traces to migrate.

    Notes
    -----
    Only diffractions tell velocities apart. Level layers are as sharp at one velocity as at another, and strong: by
    them and by the direct wave whole lines found their sharpest picture where there is none. So dips below 5 ns/m go
    first (see `dip_filter`), and each response is judged within its own surroundings.

    Antennas apart are brought to one place by t → √(t² − (s/v)²) beforehand, which is exact at an apex. The standard
    deviation is that of the tops of curves from pieces of the line drawn with replacement (pieces are taken as
    independent), with half a step of the velocities added. A top at the range's end is none: the caution then says so
    where a share of the draws ends there.

    References
    ----------
    Wiggins 1978, Geoexploration 16:21–35 (varimax). Fomel, Landa & Taner 2007, Geophysics 72:U89–U94 (focusing of
    diffractions). Both from memory.

    Examples
    --------
    >>> x, t = 0.05 * np.arange(81), 0.25 * np.arange(160)
    >>> u = np.pi * 0.4 * (t - 16.0 * np.sqrt(1 + ((x[:, None] - 2.0) / 0.8) ** 2))
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> curve = focus_estimate((1 - 2 * u**2) * np.exp(-(u**2)), section, seed=1, measure="kurtosis")
    >>> round(curve.estimate.v_m_per_ns, 2)
    0.1
    """
    values = check_traces(amplitude, samples=8)
    check_choice(measure, "measure", ("varimax", "kurtosis", "entropy"))
    given = default_focus_velocities_m_per_ns() if velocities_m_per_ns is None else velocities_m_per_ns
    speeds = check_velocities(given)
    check_positive(window_m, "window_m")
    tall = check_positive(WINDOW_PERIODS * section.period_ns if window_ns is None else window_ns, "window_ns")
    if len(speeds) < 5:
        raise InputError("a curve of focus needs five velocities or more", received=len(speeds))
    if len(values) < 8:
        raise InputError("too few traces to judge their focus", received=len(values), do="give 8 traces or more")
    first = 1.5 * section.period_ns if first_ns is None else check_in_range(first_ns, "first_ns", 0.0, 1e5)
    start = min(int(first / section.interval_ns), values.shape[1] - 4)
    size = max(2, round(window_m / section.spacing_m)) if section.spacing_m > 0 else len(values)
    high = max(2, round(tall / section.interval_ns))
    steep = dip_filter(values, section, high_ns_per_m=LEVEL_NS_PER_M) if section.spacing_m > 0 else values
    sums = np.stack([_sums(steep, section, float(v), start, (size, high)) for v in speeds])
    curve = _sharpness(sums, np.ones((1, sums.shape[1])), measure)[0]
    rng = np.random.default_rng(seed)
    n = sums.shape[1]
    drawn = rng.multinomial(n, np.full(n, 1.0 / n), int(check_in_range(draws, "draws", 20, 100_000)))
    tops = np.array([_top(speeds, one) for one in _sharpness(sums, drawn.astype(np.float64), measure)])
    inside = tops[np.isfinite(tops)]
    estimate = _estimate(_top(speeds, curve), speeds, tops, inside, n, values, section)
    return FocusVelocity(speeds, curve, estimate, measure, inside)


def _sums(values: Traces, section: Section, v: float, start: int, size: tuple[int, int]) -> F64:
    """(W, R, 4) sums of windows along the line and in time, of the migrated section: count, a², a⁴ and a²·ln a²."""
    moved = migrate_stolt(_zero_offset(values, section, v), section, velocity_m_per_ns=v)[:, start:]
    # Stolt's stretch changes a section's level with velocity; all sums are of powers of one level.
    power = (moved / max(float(np.abs(values).max()), 1e-30)).astype(np.float64) ** 2
    logs = power * np.log(np.maximum(power, 1e-60))
    along, down = (np.arange(0, max(n - k // 2, 1), k) for n, k in zip(power.shape, size, strict=True))
    parts = (np.ones_like(power), power, power**2, logs)
    return np.stack([np.add.reduceat(np.add.reduceat(part, along), down, axis=1) for part in parts], axis=2)


def _zero_offset(values: Traces, section: Section, v: float) -> Traces:
    if section.separation_m == 0:
        return values
    n = values.shape[1]
    wanted = np.sqrt(np.arange(n) ** 2 + (section.separation_m / (v * section.interval_ns)) ** 2)
    low = np.minimum(wanted.astype(np.int64), n - 2)
    part = np.clip(wanted - low, 0.0, 1.0).astype(np.float32)
    part_of = np.where(wanted <= n - 1, 1.0, 0.0).astype(np.float32)
    moved: Traces = ((1 - part) * values[:, low] + part * values[:, low + 1]) * part_of
    return moved


def _sharpness(sums: F64, weights: F64, measure: FocusMeasure) -> F64:
    """(B, V) sharpness of windows (V, W, R, 4) under weights (B, W) of the pieces of line."""
    if measure == "varimax":
        own = sums[..., 0] * sums[..., 2] / np.maximum(sums[..., 1] ** 2, 1e-300)
        # One weight for all velocities, or the level of a picture would count as its sharpness.
        share = np.sqrt(sums[..., 1].mean(axis=0))
        total = np.maximum(weights @ share.sum(axis=1), 1e-300)
        return np.asarray(weights @ (own * share).sum(axis=2).T / total[:, None])
    count, second, fourth, logs = (weights @ sums[..., k].sum(axis=2).T for k in range(4))
    safe = np.maximum(second, 1e-300)
    if measure == "kurtosis":
        return np.asarray(count * fourth / safe**2)
    return np.asarray(logs / safe - np.log(safe))


def _top(speeds: F64, curve: F64) -> float:
    """Velocity at the highest point, by a parabola in the logarithm; NaN at an end."""
    i = int(np.argmax(curve))
    if i == 0 or i == len(curve) - 1:
        return math.nan
    u = np.log(speeds[i - 1 : i + 2])
    a, b, _ = np.polyfit(u - u[1], curve[i - 1 : i + 2] / max(abs(float(curve[i])), 1e-300), 2)
    shift = -0.5 * b / a if a < 0 else 0.0
    return float(np.exp(np.clip(u[1] + shift, u[0], u[2])))


def _estimate(
    top: float, speeds: F64, tops: F64, inside: F64, windows: int, values: Traces, section: Section
) -> VelocityEstimate | None:
    if not math.isfinite(top) or len(inside) < max(10, 0.5 * len(tops)):
        return None
    i = int(np.searchsorted(speeds, top))
    step = float(speeds[min(i, len(speeds) - 1)] - speeds[max(i - 1, 0)])
    scale = math.sqrt(windows / max(windows - 1, 1))
    sigma = math.hypot(scale * float(np.std(inside - top)), 0.5 * step)
    sigma = math.hypot(sigma, 0.5 * abs(float(np.mean(inside)) - top))
    cautions = []
    if len(inside) < 0.95 * len(tops):
        cautions.append("top-at-the-end")
    if windows < LEAST_WINDOWS:
        cautions.append("few-windows")
    deepest = 0.5 * top * section.interval_ns * values.shape[1]
    return VelocityEstimate(
        v_m_per_ns=top,
        sigma_m_per_ns=sigma,
        source="focus",
        depth_to_m=deepest,
        n=windows,
        dof=float(max(windows - 1, 1)),
        cautions=tuple(cautions),
    )
