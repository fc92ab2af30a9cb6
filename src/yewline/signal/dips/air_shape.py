"""The shape of one echo through the air: laid flat along its hyperbola, told from what crosses it, laid back."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.optimize import least_squares
from scipy.signal import hilbert

from yewline.signal.dips.air_grid import SILENT_POWER
from yewline.signal.dips.air_wave import air_wave_time_ns
from yewline.signal.section import Section
from yewline.signal.shift import shift_by
from yewline.signal.traces import Traces
from yewline.units import C_M_PER_NS

__all__ = ["Place", "air_wave_shape", "refine_place", "support"]

F64 = npt.NDArray[np.float64]


class Place(NamedTuple):
    """Where a thing stands and how late its echo is.

    Attributes
    ----------
    along_m : distance along the line from its first trace. apart_m : from the line.
    late_ns : behind the straight way.
    """

    along_m: float
    apart_m: float
    late_ns: float = 0.0


FEWEST_TRACES: Final = 3
LAG_PERIODS: Final = 0.5
"""An echo is looked for this far on either side of where it should be; farther off lies another cycle."""
LEAST_CORRELATION: Final = 0.3
QUARTERS: Final = 4
LATE_PERIODS: Final = 0.5
"""Standard deviation, beforehand, of how late an echo is."""
LAG_SCALE_NS: Final = 0.3
"""Departures beyond this count less and less."""
REFINEMENTS: Final = 3


def air_wave_shape(values: Traces, section: Section, place: Place, *, smooth_m: float, pulse_ns: float) -> Traces:
    """What an echo through the air adds to a section.

    Parameters
    ----------
    values : (T, S) samples, what is level along the line taken out.
    section : sampling, spacing and antennas.
    place : where the thing stands.
    smooth_m : length along the line over which the echo's size and phase are taken to change little.
    pulse_ns : length of the pulse.

    Returns
    -------
    (T, S) float32, zero farther than half a pulse from the hyperbola.

    Notes
    -----
    Along the hyperbola the echo is one waveform u, the median of the traces once spreading is undone, at a size and
    phase of their own for each trace: a·u + b·H[u] by least squares, a and b smoothed by a running median, then a mean.
    What crosses at another dip comes at another phase in each trace and drops out of the median.
    """
    model = np.zeros_like(values)
    half = max(2, round(0.5 * pulse_ns / section.interval_ns))
    traces, time = _met(values.shape, section, place)
    if len(traces) < FEWEST_TRACES:
        return model
    flat = _laid_flat(values[traces], time / section.interval_ns, half)
    spread = _spread(time, place)
    waves = _waveform(flat * spread)
    norm = np.sum(waves * waves, axis=1)
    if norm.min() <= 0:
        return model
    sizes = (flat * spread) @ (waves / norm[:, None]).T
    width = 2 * (max(3, round(smooth_m / section.spacing_m)) // 2) + 1
    sizes = np.column_stack([_smooth(size, width) for size in sizes.T])
    # Padded to the length of a trace and moved back to where it was.
    laid = np.zeros((len(traces), values.shape[1] + 2 * half + 1), np.float32)
    laid[:, : 2 * half + 1] = (sizes @ waves) / spread
    back = shift_by(laid, -(time / section.interval_ns - half))[:, : values.shape[1]]
    # The interpolation reaches a few samples beyond the pulse, which must stay as they are.
    away = np.abs(np.arange(values.shape[1]) - time[:, None] / section.interval_ns) > half + 1
    back[away] = 0.0
    model[traces] = back
    return model


def refine_place(
    values: Traces, section: Section, place: Place, *, pulse_ns: float
) -> tuple[Place, tuple[float, float]]:
    """Place of a thing from when its echo arrives at each trace, and the standard deviations of that.

    Each trace is moved to where its correlation with the echo's waveform is largest; the places are fitted to these
    times by robust least squares, with a delay common to all that is held near zero by its prior. The time of an echo
    is that of the crest of its envelope.
    """
    step = section.interval_ns
    lags = max(1, round(LAG_PERIODS * section.period_ns / step))
    half = max(2, round(0.5 * pulse_ns / step))
    sigma = math.inf, math.inf
    for _ in range(REFINEMENTS):
        traces, time = _met(values.shape, section, place)
        if len(traces) < FEWEST_TRACES + 1:
            return place, sigma
        wide = _laid_flat(values[traces], time / step, half + lags)
        wave = _waveform(wide[:, lags : lags + 2 * half + 1] * _spread(time, place))[0]
        late, trust = _lags(wide, wave, lags)
        crest = (_crest(wave) - half) * step
        place, sigma = _fit(
            section.spacing_m * traces.astype(np.float64),
            time + late * step + crest,
            trust,
            place,
            section,
        )
    return place, sigma


def support(level: Traces, section: Section, place: Place, *, reach_m: float, skew: float = 0.0) -> float:
    """How evenly an echo is heard along its hyperbola: agreement with the rest in the quarter that agrees least.

    Something in the ground that runs beside the hyperbola for a while is heard in one quarter of it, an echo in all.

    Parameters
    ----------
    level : (T, S) samples brought to one level.
    place : where the thing stands. reach_m : length of the limbs. skew : dip added, as a share of 2/c.

    Returns
    -------
    −1 to 1: the mean over a quarter's traces of their projection on the mean trace, over their root mean square.
    """
    step = section.interval_ns
    lags = max(1, round(LAG_PERIODS * section.period_ns / step))
    half = max(1, round(0.5 * section.period_ns / step))
    traces, time = _met(level.shape, section, place, reach_m=reach_m, skew=skew)
    if len(traces) < QUARTERS:
        return 0.0
    wide = _laid_flat(level[traces], time / step, half + lags)
    best = -1.0
    # The grid's place may be off by some samples.
    for lag in range(2 * lags + 1):
        flat = wide[:, lag : lag + 2 * half + 1]
        mean = flat.mean(axis=0)
        along = flat @ (mean / max(float(np.linalg.norm(mean)), 1e-30))
        power = (flat**2).sum(axis=1) + SILENT_POWER * flat.shape[1]
        parts = np.array_split(np.arange(len(flat)), QUARTERS)
        least = min(along[part].mean() / math.sqrt(power[part].mean()) for part in parts)
        best = max(best, float(least))
    return best


def _met(
    shape: tuple[int, ...], section: Section, place: Place, *, reach_m: float = math.inf, skew: float = 0.0
) -> tuple[npt.NDArray[np.intp], F64]:
    """Traces in which the echo arrives before the record ends, and when, ns."""
    along = section.spacing_m * np.arange(shape[0]) - place.along_m
    time = air_wave_time_ns(along, place.apart_m, section.separation_m) + place.late_ns
    time += skew * 2.0 / C_M_PER_NS * along
    # Within half a sample of nothing there is no hyperbola to divide by.
    inside = (time < section.interval_ns * (shape[1] - 2)) & (time > 0.5 * section.interval_ns)
    met = np.flatnonzero(inside & (np.abs(along) <= reach_m))
    return met, time[met]


def _spread(time: F64, place: Place) -> F64:
    """(N, 1) way of the echo over the shortest: undoes its spreading."""
    way = np.maximum(time - place.late_ns, 0.0)
    spread: F64 = (way / max(float(way.min()), 1e-3 * float(way.max()), 1e-9))[:, None]
    return np.maximum(spread, 1.0)


def _laid_flat(values: Traces, samples: F64, half: int) -> F64:
    """(N, 2·half + 1) samples about the hyperbola; silence where the record does not reach."""
    # Silence before the first sample, so that a window that begins before it is not cut short.
    padded = np.pad(values, ((0, 0), (half, half + 1)))
    return shift_by(padded, samples)[:, : 2 * half + 1].astype(np.float64)


def _waveform(flat: F64) -> F64:
    """(2, N) the common waveform and its quadrature, fading at their ends."""
    n = flat.shape[1]
    edge = max(1, n // 5)
    fade = np.ones(n)
    fade[:edge] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    fade[n - edge :] = fade[:edge][::-1]
    wave = np.median(flat, axis=0) * fade
    quadrature = np.imag(hilbert(wave, 4 * n))[:n] * fade
    return np.stack([wave, quadrature])


def _smooth(size: F64, width: int) -> F64:
    middle = median_filter(size, width, mode="nearest")
    return uniform_filter1d(middle, max(1, width // 2), mode="nearest")


def _crest(wave: F64) -> float:
    """Place of the largest value of the envelope, in samples, by a parabola."""
    envelope = np.abs(hilbert(wave, 4 * len(wave)))[: len(wave)]
    return _top(envelope, int(envelope.argmax()))


def _top(values: F64, at: int) -> float:
    if not 0 < at < len(values) - 1:
        return float(at)
    low, mid, high = values[at - 1 : at + 2]
    bend = low - 2 * mid + high
    return float(at) if bend >= 0 else at + 0.5 * (low - high) / bend


def _lags(wide: F64, wave: F64, lags: int) -> tuple[F64, F64]:
    """How many samples late the echo is in each trace, and how far that can be trusted, 0 to 1."""
    windows = np.lib.stride_tricks.sliding_window_view(wide, len(wave), axis=1)
    size = np.sqrt(np.maximum((windows**2).sum(axis=2) * (wave @ wave), 1e-60))
    correlation = (windows @ wave) / size
    best = correlation.argmax(axis=1)
    late = np.array([_top(row, at) for row, at in zip(correlation, best, strict=True)]) - lags
    trust = correlation[np.arange(len(best)), best]
    # A crest at the end of the search belongs to something else.
    trust[(best == 0) | (best == 2 * lags) | (trust < LEAST_CORRELATION)] = 0.0
    return late, trust


def _neighbours_agree(left: F64) -> float:
    """Factor on standard deviations, since what crosses an echo moves its neighbouring traces alike."""
    power = float(left @ left)
    alike = min(max(float(left[1:] @ left[:-1]) / power, 0.0), 0.98) if power > 0 else 0.0
    return math.sqrt((1.0 + alike) / (1.0 - alike))


def _fit(along: F64, time: F64, trust: F64, place: Place, section: Section) -> tuple[Place, tuple[float, float]]:
    separation_m, period_ns = section.separation_m, section.period_ns
    use = trust > 0
    if use.sum() < FEWEST_TRACES + 1:
        return place, (math.inf, math.inf)
    along, time, weight = along[use], time[use], trust[use]

    prior = LATE_PERIODS * period_ns

    def residual(at: F64) -> F64:
        arrival = air_wave_time_ns(along - at[0], at[1], separation_m) + at[2]
        return np.append(weight * (arrival - time) / LAG_SCALE_NS, at[2] / prior)

    fitted = least_squares(
        residual,
        [place.along_m, max(place.apart_m, 1e-3), place.late_ns],
        bounds=([place.along_m - 1.0, 0.0, -3 * prior], [place.along_m + 1.0, place.apart_m + 1.0, 3 * prior]),
        loss="soft_l1",
    )
    # Scatter by the median, so that the few traces of another event do not count; the prior keeps its own.
    left = residual(fitted.x)[:-1]
    scatter = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
    slopes = fitted.jac[:-1] / (scatter * _neighbours_agree(np.clip(left / scatter, -3.0, 3.0)))
    held = slopes.T @ slopes + np.diag([0.0, 0.0, prior**-2])
    sigma = np.sqrt(np.maximum(np.diag(np.linalg.pinv(held)), 0.0))
    at = [float(value) for value in fitted.x]
    return Place(at[0], at[1], at[2]), (float(sigma[0]), float(sigma[1]))
