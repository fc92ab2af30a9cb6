"""Absorption of a site: the one rate of decay that spreading leaves, fitted over all lines of all visits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import check_traces

__all__ = ["AbsorptionFit", "absorption_with_sigma", "fit_absorption"]

F64 = npt.NDArray[np.float64]

SKIPPED_PERIODS = 3.0
"""Periods of the centre frequency after time zero that the direct wave may fill."""
FEWEST_BINS = 6
HIGHEST_DB_PER_NS = 20.0
FEWEST_PIECES = 8
"""Fewer lines than this are cut into pieces of neighbouring traces, so that their spread can be seen."""
NEPERS_ABOVE_NOISE = 0.7


@dataclass(frozen=True, slots=True)
class AbsorptionFit:
    """Absorption of a site with its uncertainty.

    Attributes
    ----------
    rate_db_per_ns : as `fit_absorption` gives it.
    sigma_db_per_ns : one standard deviation, from lines (or pieces of lines) drawn anew.
    lines, pieces : lines whose decay could be seen, and the pieces that were drawn from.
    """

    rate_db_per_ns: float
    sigma_db_per_ns: float
    lines: int
    pieces: int


def absorption_with_sigma(
    sections: Sequence[tuple[npt.ArrayLike, Section]],
    *,
    spreading_power: float = 1.0,
    draws: int = 100,
    seed: int | np.random.Generator = 0,
) -> AbsorptionFit:
    """Rate of `fit_absorption` with its standard deviation.

    Parameters
    ----------
    sections, spreading_power : as for `fit_absorption`.
    draws : how often lines are drawn anew and the rate is fitted to them, 10 to 10,000.
    seed : of the draws.

    Returns
    -------
    Rate, standard deviation (NaN for a single piece) and what they rest on. The deviation covers how lines differ, not
    that the ground may reflect more or less with depth.

    Raises
    ------
    InputError : as for `fit_absorption`, or draws out of range.

    Notes
    -----
    Bootstrap over lines; where there are fewer than eight, over that many pieces of neighbouring traces.

    References
    ----------
    Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(400)
    >>> noise = np.random.default_rng(1).standard_normal((80, 400))
    >>> fit = absorption_with_sigma([(noise * 2.5 / np.maximum(t, 2.5) * 10 ** (-0.4 * t / 20), section)], draws=20)
    >>> round(fit.rate_db_per_ns, 1), bool(0 < fit.sigma_db_per_ns < 0.05), fit.pieces
    (0.4, True, 8)
    """
    rate = fit_absorption(sections, spreading_power=spreading_power)
    count = int(check_in_range(draws, "draws", 10, 10_000))
    start = float(np.median([section.period_ns for _, section in sections]))
    share = math.ceil(FEWEST_PIECES / len(sections))
    curves, lines = [], 0
    for amplitude, section in sections:
        values = check_traces(amplitude)
        parts = [_decay(part, section, start) for part in np.array_split(values, min(share, len(values)))]
        curves += [part for part in parts if part is not None]
        lines += any(part is not None for part in parts)
    if len(curves) < 2:
        return AbsorptionFit(rate, math.nan, lines, len(curves))
    rng = np.random.default_rng(seed)
    drawn = [
        _rate_of([curves[i] for i in rng.integers(0, len(curves), len(curves))], start, spreading_power)
        for _ in range(count)
    ]
    return AbsorptionFit(rate, float(np.std(drawn, ddof=1)), lines, len(curves))


def fit_absorption(sections: Sequence[tuple[npt.ArrayLike, Section]], *, spreading_power: float = 1.0) -> float:
    """Rate at which amplitude falls with two-way time after spreading is taken out, dB/ns.

    Pooled over all lines of all visits, so that the gain made from it is one for the whole site and amplitudes stay
    comparable. A line counts by its typical trace, the site by its typical line: single strong responses do not matter.

    Parameters
    ----------
    sections : for each line its samples (T, S), time zero at the first sample and background removed, and its section.
        Sample intervals may differ.
    spreading_power : power of time of the spreading that is taken out: that of the `compensate` which will use the
        rate, so that the two together level the decay.

    Returns
    -------
    Rate in dB/ns, never negative: where nothing decays faster than spreading alone, 0.

    Raises
    ------
    InputError : no line, records too short or too silent for any decay to be seen, or a power outside 0 to 3.

    Notes
    -----
    In bins of one period, level² = (A · (t₀/t)^p · 10^{−a(t − t₀)/20})² + n², with A, a and the noise n fitted to the
    logarithm of the root mean square by robust least squares, so that the noise floor does not flatten the rate. Where
    a bin is no whole number of samples, a sample on its edge counts to both sides by its share.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(400)
    >>> noise = np.random.default_rng(1).standard_normal((50, 400))
    >>> decay = 2.5 / np.maximum(t, 2.5) * 10 ** (-0.4 * t / 20)
    >>> round(fit_absorption([(noise * decay, section)]), 1)
    0.4
    """
    power = check_in_range(spreading_power, "spreading_power", 0.0, 3.0)
    if not sections:
        raise InputError("no lines to fit the absorption to", do="give at least one line")
    start = float(np.median([section.period_ns for _, section in sections]))
    curves = [curve for amplitude, section in sections if (curve := _decay(amplitude, section, start)) is not None]
    if not curves:
        raise InputError(
            "absorption cannot be fitted: every record is too short or silent",
            received=f"{len(sections)} lines",
            do=f"at least {FEWEST_BINS} periods after the direct wave are needed",
        )
    return _rate_of(curves, start, power)


def _rate_of(curves: list[F64], start: float, power: float) -> float:
    """Rate of the typical curve."""
    longest = max(len(curve) for curve in curves)
    stacked = np.full((len(curves), longest), np.nan)
    for row, curve in zip(stacked, curves, strict=True):
        row[: len(curve)] = curve
    level = np.nanmedian(stacked, axis=0).astype(np.float64)
    time = start * (SKIPPED_PERIODS + 0.5 + np.arange(longest, dtype=np.float64))
    return _fit(time, level, start, power)


def _decay(amplitude: npt.ArrayLike, section: Section, bin_ns: float) -> F64 | None:
    """Log level of a line in bins of `bin_ns` after the direct wave, in nepers from its early level; None if silent."""
    values = check_traces(amplitude)
    samples, per_bin = values.shape[1], bin_ns / section.interval_ns
    count = math.floor((samples - 0.5) / per_bin - SKIPPED_PERIODS + 1e-9)
    if count < FEWEST_BINS:
        return None
    power = _binned(values.astype(np.float64) ** 2, per_bin * (SKIPPED_PERIODS + np.arange(count + 1)))
    # The mean of the middle half of the traces: as robust as the median, and steadier on a short line.
    power.sort(axis=0)
    quarter = len(power) // 4
    middle = power[quarter : len(power) - quarter].mean(axis=0)
    if not (middle > 0).all():
        return None
    level = 0.5 * np.log(middle)
    decay: F64 = level - level[: FEWEST_BINS // 2].mean()
    return decay


def _binned(values: F64, edges: F64) -> F64:
    """Mean over bins between `edges`, (T, bins); sample i stands for the time from i − ½ to i + ½ intervals."""
    first, last = edges[0], min(edges[-1], values.shape[1] - 0.5)
    seams = np.arange(math.floor(first), math.ceil(last) + 1) + 0.5
    bounds = np.union1d(edges[:-1], np.append(seams[(seams > first) & (seams < last)], last))
    owner = np.rint(0.5 * (bounds[1:] + bounds[:-1])).astype(np.intp)
    starts = np.searchsorted(bounds, edges[:-1])
    total: F64 = np.add.reduceat(values[:, owner] * np.diff(bounds), starts, axis=1)
    return total / np.diff(edges)


def _fit(time: F64, level: F64, start: float, power: float) -> float:
    spreading = -power * np.log(time / start)
    elapsed = (time - start) * np.log(10.0) / 20.0

    def residual(parameters: F64) -> F64:
        size, rate, noise = parameters
        return 0.5 * np.logaddexp(2.0 * (size + spreading - rate * elapsed), 2.0 * noise) - level

    # Start from the part well above the end of the record, by the median of all its pairwise slopes.
    high = level > np.median(level[-max(2, len(level) // 10) :]) + NEPERS_ABOVE_NOISE
    early = max(FEWEST_BINS // 2, len(high) if high.all() else int(high.argmin()))
    flat = level[:early] - spreading[:early]
    a, b = np.triu_indices(early, 1)
    guess = min(max(-float(np.median((flat[b] - flat[a]) / (elapsed[b] - elapsed[a]))), 0.0), HIGHEST_DB_PER_NS)
    if guess == 0.0:
        return 0.0
    size = float(np.median(flat + guess * elapsed[:early]))
    floor = float(level.min())
    fitted = least_squares(
        residual,
        [size, guess, floor - 0.5],
        bounds=([size - 20.0, 0.0, floor - 12.0], [size + 20.0, HIGHEST_DB_PER_NS + 1e-6, floor + 1.0]),
        loss="soft_l1",
        f_scale=0.1,
        x_scale=[1.0, 0.1, 1.0],
    )
    return float(fitted.x[1])
