"""Strength and wave of one line in bins of time: what is left of a recording when gain, coupling and decay are out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import gaussian_filter1d

from yewline.model import interval_ns, spacing_m
from yewline.signal import Section, envelope

__all__ = ["direct_wave_ns", "line_features", "time_bins"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

SAMPLE_TRACES = 160
WAVE_PERIODS = 0.15
BRIGHTEST = 4.0
"""Times the usual strength at its time to which one answer may count: one stone must not outvote a line."""


def direct_wave_ns(line: xr.DataArray) -> float:
    """Time of the largest mean swing in the first half of the record, ns after the first sample."""
    level = np.abs(line.values[:: max(1, len(line) // SAMPLE_TRACES)]).mean(axis=0)
    return float(level[: max(1, len(level) // 2)].argmax()) * interval_ns(line)


def time_bins(
    direct_ns: Sequence[float],
    window_ns: Sequence[float],
    *,
    period_ns: float,
    skip_periods: float,
    bin_periods: float,
) -> F64:
    """Middles of bins of time (K,), ns after the first sample: what nearly all lines recorded after the direct wave.

    Examples
    --------
    >>> time_bins([4.0], [8.0], period_ns=2.0, skip_periods=1.0, bin_periods=0.5).tolist()
    [6.5, 7.5]
    """
    width = bin_periods * period_ns
    # A line with a far shorter record would cut all others down to itself: it is compared with what it has.
    start, stop = float(np.median(direct_ns)) + skip_periods * period_ns, float(np.quantile(window_ns, 0.1))
    count = max(0, int((stop - start) / width + 1e-9))
    return np.asarray(start + width * (np.arange(count) + 0.5), np.float64)


def line_features(line: xr.DataArray, bins: F64, *, period_ns: float, smooth_m: float) -> tuple[F32, F32]:
    """Strength (T, K) and wave (T, J) of one line, by trace as recorded.

    Parameters
    ----------
    line : radargram (T, S), before any gain.
    bins : from `time_bins`.
    period_ns : of the antenna, the same for all lines that are compared.
    smooth_m : standard deviation of the smoothing along the line, m; half of it for the wave.
    """
    values = np.ascontiguousarray(line.values, np.float32)
    step = interval_ns(line)
    usual = np.median(values[:: max(1, len(values) // SAMPLE_TRACES)], axis=0)
    section = Section(interval_ns=step, spacing_m=0.0, centre_mhz=1_000.0 / period_ns)
    # Samples of any size are told apart by their shape alone.
    largest = float(np.abs(values).max())
    # In place where it can be: fresh memory costs more than these sums.
    local = values - usual
    local /= np.float32(largest if largest > 0 else 1.0)
    strength = envelope(local, section) @ _bin_weights(bins, step, local.shape[1])
    floor = np.maximum(np.median(strength, axis=0), np.float32(1e-30 + 1e-6 * float(strength.max())))
    strength /= floor
    np.minimum(strength, np.float32(BRIGHTEST), out=strength)
    fine = np.arange(bins[0], bins[-1], WAVE_PERIODS * period_ns)
    wave = local @ _bin_weights(fine, step, local.shape[1])
    wave /= np.interp(fine, bins, floor).astype(np.float32)
    np.clip(wave, np.float32(-BRIGHTEST), np.float32(BRIGHTEST), out=wave)
    stride = spacing_m(line)
    if smooth_m > 0 and stride > 0:
        for picture, sigma in ((strength, smooth_m / stride), (wave, 0.5 * smooth_m / stride)):
            gaussian_filter1d(picture, sigma, axis=0, output=picture, mode="nearest", truncate=3.0)
    strength -= strength.mean(axis=0)
    strength -= strength.mean(axis=1, keepdims=True)
    return np.ascontiguousarray(strength, np.float32), np.ascontiguousarray(wave, np.float32)


def _bin_weights(bins: F64, step: float, n: int) -> F32:
    """(S, K) weights of samples in each bin: a triangle as wide as two bins, of sum 1; none beyond the record."""
    width = max(float(bins[1] - bins[0]), step)
    weight = np.maximum(0.0, 1.0 - np.abs(step * np.arange(n)[:, None] - bins[None, :]) / width)
    weight[:, bins > (n - 1) * step] = 0.0
    total = weight.sum(axis=0)
    return (weight / np.where(total > 0, total, 1.0)).astype(np.float32)
