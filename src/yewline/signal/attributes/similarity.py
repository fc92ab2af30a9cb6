"""Similarity: how far neighbouring traces say the same."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.attributes.kernels import stack_neighbours
from yewline.signal.engines import COMPILED
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import half_window

__all__ = [
    "default_similarity_length_m",
    "default_similarity_window_ns",
    "dips_to_try",
    "local_dip",
    "semblance_along",
    "similarity",
]

F64 = npt.NDArray[np.float64]

DIPS_A_PERIOD = 4.0
"""Dips tried differ by a quarter of a period from one end of the window to the other."""
SILENT = np.float32(1e-14)


def default_similarity_window_ns(section: Section) -> float:
    """One and a half periods of the centre frequency, ns: a pulse."""
    return 1.5 * section.period_ns


def default_similarity_length_m(section: Section) -> float:
    """Five traces, m; 0 where there is one trace only."""
    return 4.0 * section.spacing_m


def similarity(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    measure: Literal["semblance", "correlation"] = "semblance",
    length_m: Annotated[float | None, Field(gt=0, le=100)] = None,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    highest_dip_ns_per_m: Annotated[float, Field(ge=0, le=1_000)] = 0.0,
) -> Traces:
    """How alike neighbouring traces are: near one in undisturbed layers, low where they are broken or noise prevails.

    It knows no gain: the same ground gives the same value whatever the antenna's coupling, as long as noise is low.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling, trace spacing and antenna.
    measure : "semblance", the share of the window's energy that its mean trace holds, which strong traces rule; or
        "correlation", the mean correlation of the trace with its neighbours, which counts all alike.
    length_m : length of the window along the line, m; left out, five traces.
    window_ns : length of the window in time, ns; left out, one and a half periods of the centre frequency.
    highest_dip_ns_per_m : the window is tilted to the dip that fits best, up to this size, ns/m; 0 keeps it level.

    Returns
    -------
    (T, S) float32 from 0 to 1; 0 in silence. Noise alone gives about one over the number of traces in semblance, and
    near 0 in correlation; with dips to choose from, more.

    Raises
    ------
    InputError : samples that are not finite, a value out of range, or no trace spacing.

    Notes
    -----
    Semblance: Σ_t (Σ_x a)² / (N Σ_t Σ_x a²). Correlation: mean over the neighbours of Σ_t ab/√(Σ_t a² Σ_t b²), not less
    than 0. Windows at the ends of the line and of the record hold what there is.

    References
    ----------
    Neidell & Taner 1971, Geophysics 36:482–497; Marfurt, Kirlin, Farmer & Bahorich 1998, Geophysics 63:1150–1165 (from
    memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> layers = np.tile(np.sin(np.arange(40.0) ** 1.3), (9, 1))
    >>> layers[5:] = np.random.default_rng(0).standard_normal((4, 40))
    >>> alike = similarity(layers, section)
    >>> float(alike[2, 20].round(3)), bool(alike[7, 20] < 0.6)
    (1.0, True)
    """
    values = check_traces(amplitude)
    check_choice(measure, "measure", ("semblance", "correlation"))
    reach, half = _window(section, len(values), length_m, window_ns)
    unit, _ = near_one(values)
    best = np.zeros_like(unit)
    score = semblance_along if measure == "semblance" else _correlation_along
    for dip in dips_to_try(section, highest_dip_ns_per_m, reach):
        np.maximum(best, score(unit, section, (-reach, reach + 1), half, dip), out=best)
    return np.minimum(best, np.float32(1.0))


def local_dip(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    highest_dip_ns_per_m: float,
    length_m: float | None = None,
    window_ns: float | None = None,
) -> tuple[Traces, Traces]:
    """Dip of the best semblance at each sample, and that semblance.

    Parameters
    ----------
    amplitude, section, length_m, window_ns : as for `similarity`.
    highest_dip_ns_per_m : dips are tried up to this size, ns/m.

    Returns
    -------
    Dip (T, S), ns/m, positive for what comes later along the line, by a parabola through the best three; and semblance.

    Raises
    ------
    InputError : as for `similarity`.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.1, centre_mhz=250.0)
    >>> t, x = 0.25 * np.arange(160), 0.1 * np.arange(30)[:, None]
    >>> dip, alike = local_dip(np.exp(-((t - 20 - 3.0 * (x - 1.5)) ** 2) / 4), section, highest_dip_ns_per_m=8.0)
    >>> round(float(dip[15, 80]), 1), float(alike[15, 80].round(2))
    (3.0, 1.0)
    """
    values = check_traces(amplitude)
    reach, half = _window(section, len(values), length_m, window_ns)
    unit, _ = near_one(values)
    dips = dips_to_try(section, highest_dip_ns_per_m, reach)
    scores = np.stack([semblance_along(unit, section, (-reach, reach + 1), half, dip) for dip in dips])
    at = scores.argmax(axis=0)[None]
    best = np.take_along_axis(scores, at, axis=0)[0]
    dip = dips[at[0]]
    if len(dips) >= 3:
        inner = np.clip(at, 1, len(dips) - 2)
        low, mid, high = (np.take_along_axis(scores, inner + step, axis=0)[0] for step in (-1, 0, 1))
        bend = low - 2 * mid + high
        with np.errstate(divide="ignore", invalid="ignore"):
            aside = np.where((bend < 0) & (inner[0] == at[0]), 0.5 * (low - high) / bend, 0.0)
        dip = dip + np.clip(aside, -0.5, 0.5) * (dips[1] - dips[0])
    return dip.astype(np.float32), np.minimum(best, np.float32(1.0))


def semblance_along(unit: Traces, section: Section, reach: tuple[int, int], half: int, dip: float) -> Traces:
    """Semblance of the traces from reach[0] to reach[1] − 1 about each, along a dip; (T, S)."""
    total, square, count = stack_neighbours(unit, *reach, *shifts(section, reach, dip))
    power, powers = COMPILED.running_mean(total, half), COMPILED.running_mean(square, half)
    n = np.maximum(count, 1).astype(np.float32)[:, None]
    alike: Traces = np.where(powers > SILENT, power / (n * np.maximum(powers, SILENT)), np.float32(0.0))
    # Differences of running sums may leave a hair below nothing.
    return np.maximum(alike, np.float32(0.0))


def shifts(
    section: Section, reach: tuple[int, int], dip: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float32]]:
    """Whole samples, and share of the next one, by which neighbours are late along a dip."""
    late = dip * section.spacing_m / section.interval_ns * np.arange(*reach)
    whole = np.floor(late + 1e-9)
    return whole.astype(np.int64), np.maximum(late - whole, 0.0).astype(np.float32)


def dips_to_try(section: Section, highest_ns_per_m: float, reach: int) -> F64:
    """Dips from −highest to highest, ns/m, so close that none is missed over a window of 2·reach traces."""
    highest = check_in_range(highest_ns_per_m, "highest_dip_ns_per_m", 0.0, 1_000.0)
    if highest == 0 or reach == 0:
        return np.zeros(1)
    step = section.period_ns / (DIPS_A_PERIOD * 2 * reach * section.spacing_m)
    side = max(1, int(np.ceil(highest / step)))
    return np.linspace(-highest, highest, 2 * side + 1)


def _correlation_along(unit: Traces, section: Section, reach: tuple[int, int], half: int, dip: float) -> Traces:
    """Mean correlation of each trace with its neighbours along a dip, not less than 0; (T, S)."""
    n = len(unit)
    own = COMPILED.running_mean(unit * unit, half)
    total, count = np.zeros_like(unit), np.zeros((n, 1), np.float32)
    for d in range(*reach):
        if d == 0 or abs(d) >= n:
            continue
        here = slice(max(0, -d), n - max(0, d))
        there = _late(unit, section, d, dip)[max(0, d) : n + min(0, d)]
        product = COMPILED.running_mean(unit[here] * there, half)
        powers = own[here] * COMPILED.running_mean(there * there, half)
        total[here] += np.where(powers > SILENT**2, product / np.sqrt(np.maximum(powers, SILENT**2)), np.float32(0.0))
        count[here] += 1
    if not count.any():
        return np.where(own > SILENT, np.float32(1.0), np.float32(0.0))
    return np.maximum(total / np.maximum(count, 1), np.float32(0.0))


def _late(unit: Traces, section: Section, d: int, dip: float) -> Traces:
    """All traces read as late as a neighbour d traces on is along a dip."""
    late = dip * section.spacing_m * d / section.interval_ns
    if late == 0:
        return unit
    place = np.clip(np.arange(unit.shape[1]) + late, 0, unit.shape[1] - 1)
    low = np.minimum(place.astype(np.int64), max(unit.shape[1] - 2, 0))
    share = (place - low).astype(np.float32)
    return unit[:, low] * (1 - share) + unit[:, np.minimum(low + 1, unit.shape[1] - 1)] * share


def _window(section: Section, n: int, length_m: float | None, window_ns: float | None) -> tuple[int, int]:
    """Neighbours on either side, and samples on either side, of a window."""
    window = default_similarity_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    length = default_similarity_length_m(section) if length_m is None else check_positive(length_m, "length_m")
    half = half_window(window, section.interval_ns)
    if n == 1:
        return 0, half
    if section.spacing_m <= 0:
        raise InputError(
            "a length in metres needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    return max(1, min(round(0.5 * length / section.spacing_m), n - 1)), half
