"""Arrivals along the legs of a hyperbola, picked by their likeness to the pulse at its apex.

The apex is timed by the crest of the pulse's envelope, as time zero is; the legs by the wave itself, relative to it.
What the ground's surface does to the wave's phase along the legs is taken out of the picks: see `surface_delay_ns`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.signal.engines import COMPILED as FLAT
from yewline.signal.section import Section
from yewline.signal.velocity.analytic import Analytic
from yewline.signal.velocity.engines import COMPILED
from yewline.signal.velocity.fit import FitOptions, fit_hyperbola, fit_place
from yewline.signal.velocity.hyperbola import AIR_FROM_M_PER_NS, HyperbolaFit
from yewline.signal.velocity.surface import surface_delay_ns

__all__ = ["Candidate", "LegOptions", "Picks", "follow_legs", "pick_along"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

ALIKE: Final = 0.6
"""A pick whose trace is less like the pulse (correlation) does not count."""
LOST: Final = 3
"""Picks in a row that do not count end a leg."""
FEWEST: Final = 7
LEAST_A_LEG: Final = 3
MOST_UNSURE: Final = 0.25
SLOWEST_FIT: Final = 0.02
FASTEST_FIT: Final = 0.6
SIDE_BAND: Final = 0.2
"""The envelope's delay is the slope of the phase between frequencies this share below and above."""
GRID: Final = 24
"""Places at which the surface's delay is worked out; between them it is interpolated."""
ROUNDS: Final = (0.6, 1.0, 1.0)
"""Shares of the full reach, one a round: the near legs settle the curve before the far ones are followed."""
LAG_PERIODS: Final = 0.4
"""Picks keep within less than half a period of the curve, or they would jump to the next cycle."""


class Candidate(NamedTuple):
    """Apex of the scan: trace, time as seen [ns], velocity [m/ns], score and how many noise would give."""

    trace: int
    apex_ns: float
    v_m_per_ns: float
    score: float
    expected_false: float


class LegOptions(NamedTuple):
    """How far legs are followed, and whether the antennas lie on the ground: see `SearchOptions`."""

    reach: float
    longest_m: float
    on_ground: bool
    surface_sigma: float


def follow_legs(
    signal: Analytic, section: Section, candidate: Candidate, options: FitOptions, legs: LegOptions
) -> tuple[HyperbolaFit | None, str]:
    """Pick both legs and fit, from the apex outward in rounds; the fit, and why it is refused if it is."""
    distance = _distances(signal, section)
    apex = max(candidate.apex_ns, 0.2 * section.period_ns)
    v = candidate.v_m_per_ns
    straight = math.sqrt(max(apex**2 - (options.separation_m / v) ** 2, (0.2 * apex) ** 2))
    now = (float(distance[candidate.trace]), straight, v)
    frequency = section.centre_mhz
    picked: _Picked | None = None
    for share in ROUNDS:
        traces = _within(distance, now, share * legs.reach, legs.longest_m, section)
        if len(traces) < FEWEST:
            return None, "few picks"
        early = _surface(distance[traces], now, options, frequency) if legs.on_ground else np.zeros(len(traces))
        picked = _pick(signal, section, distance, traces, now, options, early)
        if picked is None or len(np.unique(picked.x)) < FEWEST:
            return None, "few picks"
        if min((picked.x < now[0]).sum(), (picked.x > now[0]).sum()) < LEAST_A_LEG:
            return None, "one leg"
        frequency = picked.frequency_mhz
        now = fit_place(picked.x, picked.times - picked.early, options, now)
        if not distance[0] <= now[0] <= distance[-1]:
            return None, "one leg"
        if not (SLOWEST_FIT <= now[2] <= FASTEST_FIT and now[1] > 0):
            return None, "velocity"
    if picked is None:
        return None, "no fit"
    common = legs.surface_sigma * picked.early[None, :]
    try:
        fit = fit_hyperbola(picked.x, picked.times - picked.early, options, start=now, common_ns=common)
    except InputError:
        return None, "no fit"
    measured = replace(
        fit, semblance=_semblance(signal, distance, traces, fit), expected_false=candidate.expected_false
    )
    unsure = measured.sigma_v_m_per_ns > MOST_UNSURE * measured.v_m_per_ns
    return measured, "unsure" if unsure else ""


def _surface(x: F64, now: tuple[float, float, float], options: FitOptions, frequency_mhz: float) -> F64:
    """(n,) how much later, on both ways, picks come for the surface's sake.

    The legs by the phase, relative to the apex; all together by the delay of the envelope at the apex.
    """
    x0, t0, v = now
    # A wave through the air passes no surface; near its velocity there is nothing to correct.
    if v >= AIR_FROM_M_PER_NS:
        return np.zeros(len(x))
    half, depth = 0.5 * options.separation_m, 0.5 * t0 * v
    grid = np.linspace(0.0, float(np.abs(x - x0).max()) + half, GRID)
    one_way = surface_delay_ns(grid, depth_m=depth, v_m_per_ns=v, frequency_mhz=frequency_mhz)
    both = np.interp(np.abs(x - x0 - half), grid, one_way) + np.interp(np.abs(x - x0 + half), grid, one_way)
    low, high = (
        share * 2.0 * surface_delay_ns([half], depth_m=depth, v_m_per_ns=v, frequency_mhz=share * frequency_mhz)[0]
        for share in (1.0 - SIDE_BAND, 1.0 + SIDE_BAND)
    )
    envelope = (high - low) / (2.0 * SIDE_BAND)
    return np.asarray(both - 2.0 * np.interp(half, grid, one_way) + envelope)


def _distances(signal: Analytic, section: Section) -> F64:
    if section.distance_m is not None:
        return section.distance_m
    return section.spacing_m * np.arange(len(signal.real), dtype=np.float64)


def _within(distance: F64, now: tuple[float, float, float], reach: float, longest_m: float, section: Section) -> Index:
    wide = min(max(reach * 0.5 * now[1] * now[2], 4.5 * section.spacing_m), longest_m)
    return np.nonzero(np.abs(distance - now[0]) <= wide)[0]


class Picks(NamedTuple):
    """Times of the crest (n,), which of them count (n,), their likeness (n,), and the pulse's frequency."""

    times_ns: F64
    good: npt.NDArray[np.bool_]
    alike: F64
    frequency_mhz: float


class _Picked(NamedTuple):
    x: F64
    times: F64
    early: F64
    frequency_mhz: float


def _pick(
    signal: Analytic,
    section: Section,
    distance: F64,
    traces: Index,
    now: tuple[float, float, float],
    options: FitOptions,
    early: F64,
) -> _Picked | None:
    """Places and times of the picks that count, and the pulse's frequency; `early` (n,) is the surface's part."""
    predicted = _times(distance[traces], now, options) + early
    inside = (predicted >= 0) & (predicted < (signal.real.shape[1] - 1) * signal.interval_ns)
    traces, predicted, early = traces[inside], predicted[inside], early[inside]
    if len(traces) < FEWEST:
        return None
    offset = distance[traces] - now[0]
    picks = pick_along(signal, section, traces, predicted, offset)
    keep = _unbroken(offset, picks.good)
    return _Picked(distance[traces][keep], picks.times_ns[keep], early[keep], picks.frequency_mhz)


def pick_along(signal: Analytic, section: Section, traces: Index, predicted_ns: F64, offset: F64) -> Picks:
    """Pick traces near predicted times by their likeness to the mean pulse of those nearest to offset 0."""
    predicted = predicted_ns / signal.interval_ns
    period = section.period_ns / signal.interval_ns
    half = max(3, round(0.75 * period))
    near = np.argsort(np.abs(offset), kind="stable")[: max(FEWEST, len(traces) // 2)]
    pulse, crest = _pulse(signal, traces[near], predicted[near], half, period)
    norm = pulse.real - pulse.real.mean()
    norm = (norm / max(float(np.linalg.norm(norm)), 1e-30)).astype(np.float32)
    whole = np.round(predicted).astype(np.int64)
    lags = max(2, math.ceil(LAG_PERIODS * period))
    score = FLAT.correlate_lags(signal.real[traces], whole, norm, lags)
    best = score[:, 1:-1].argmax(axis=1) + 1
    left, middle, right = (score[np.arange(len(best)), best + k].astype(np.float64) for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    vertex = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    at = whole + best - lags + np.clip(vertex, -1.0, 1.0) + crest
    # A maximum at the edge of the search is none.
    count = (middle >= ALIKE) & (best > 1) & (best < 2 * lags - 1)
    turn = float(np.angle(np.vdot(pulse[:-1], pulse[1:])))
    frequency = 1e3 * turn / (2.0 * math.pi * signal.interval_ns)
    frequency = min(max(frequency, 0.3 * section.centre_mhz), 2.0 * section.centre_mhz)
    return Picks(at * signal.interval_ns, count, middle, frequency)


def _pulse(
    signal: Analytic, traces: Index, predicted: F64, half: int, period: float
) -> tuple[npt.NDArray[np.complex128], float]:
    """Mean analytic pulse (2h + 1,) about the curve, and how many samples after it the crest of its envelope comes."""
    n = signal.real.shape[1]
    wide = half + round(0.5 * period)
    at = predicted[:, None] + np.arange(-wide, wide + 1)
    low = np.clip(at.astype(np.int64), 0, n - 2)
    part = np.clip(at - low, 0.0, 1.0)
    rows = traces[:, None]
    level = signal.level
    real = (1 - part) * signal.real[rows, low] + part * signal.real[rows, low + 1]
    # The crest is that of the recorded pulse: levels that fall off with time would move it.
    scale = (1 - part) * level[low] + part * level[low + 1]
    imag = (1 - part) * signal.imag[rows, low] + part * signal.imag[rows, low + 1]
    size = np.hypot((real * scale).mean(axis=0), (imag * scale).mean(axis=0))
    first = wide - round(0.5 * period)
    stop = wide + round(0.5 * period) + 1
    top = first + int(size[first:stop].argmax())
    shift = 0.0
    if 0 < top < len(size) - 1:
        bend = size[top - 1] - 2 * size[top] + size[top + 1]
        shift = 0.5 * (size[top - 1] - size[top + 1]) / bend if bend < 0 else 0.0
    mean = real.mean(axis=0) + 1j * imag.mean(axis=0)
    return mean[wide - half : wide + half + 1], top + shift - wide


def _unbroken(offset: F64, count: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The picks that count, each leg ended where `LOST` in a row do not."""
    keep = count.copy()
    for side in (offset <= 0, offset > 0):
        order = np.nonzero(side)[0][np.argsort(np.abs(offset[side]), kind="stable")]
        missed = 0
        for place, i in enumerate(order):
            missed = 0 if count[i] else missed + 1
            if missed >= LOST:
                keep[order[place:]] = False
                break
    return keep


def _times(x: F64, now: tuple[float, float, float], options: FitOptions) -> F64:
    times: F64 = COMPILED.diffraction(
        x,
        now[0],
        0.5 * now[1] * now[2],
        now[2],
        options.separation_m,
        options.radius_m,
        math.radians(options.crossing_deg),
    )[0]
    return times


def _semblance(signal: Analytic, distance: F64, traces: Index, fit: HyperbolaFit) -> float:
    place = fit.times(distance[traces])[None, :] / signal.interval_ns
    together, power, count = COMPILED.moveout_sums(signal.real, signal.imag, traces.astype(np.int64), place)
    return float(together[0] / max(count[0] * power[0], 1e-30))
