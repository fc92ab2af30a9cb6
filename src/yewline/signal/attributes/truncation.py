"""Truncation: where a reflection breaks off along the line."""

from __future__ import annotations

from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.signal.attributes.kernels import stack_neighbours
from yewline.signal.attributes.similarity import dips_to_try, shifts
from yewline.signal.engines import COMPILED
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import half_window

__all__ = ["default_truncation_window_ns", "truncation"]

FEWEST_TRACES: Final = 2
SILENT: Final = np.float32(1e-12)


def default_truncation_window_ns(section: Section) -> float:
    """Two periods of the centre frequency, ns."""
    return 2.0 * section.period_ns


def truncation(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    side_m: Annotated[float, Field(gt=0, le=100)] = 0.4,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    highest_dip_ns_per_m: Annotated[float, Field(ge=0, le=1_000)] = 0.0,
) -> Traces:
    """How sharply a level or layered reflection breaks off: high at the two edges of a shaft cut through layers.

    The amplitude that the traces on one side agree on is held against that of the other side. It is a ratio, so it
    knows no gain. What is level has to be in the section: take it before background removal, or after one whose window
    is much longer than a grave.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing.
    section : sampling, trace spacing and antenna.
    side_m : length along the line of each of the two sides, m: half a shaft's width or a little more.
    window_ns : length in time over which amplitude is measured, ns; left out, two periods of the centre frequency.
    highest_dip_ns_per_m : layers may dip up to this, ns/m; 0 for level ones.

    Returns
    -------
    (T, S) float32 from 0 (both sides alike, or nothing but noise) to just below 1 (layers on one side, nothing on the
    other). 0 where the line's end leaves less than half a side.

    Raises
    ------
    InputError : samples that are not finite, a value out of range, or no trace spacing.

    Notes
    -----
    |A₁ − A₂| / (A₁ + A₂ + m): A² = (N·⟨⟨a⟩²⟩ − ⟨⟨a²⟩⟩)/(N − 1), the power of the mean trace of a side less what N
    traces of noise would leave of theirs (not less than 0), by time window; m is what noise of the line's median power
    at that time would give, so that two amplitudes of noise make no contrast.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> layers = np.tile(np.sin(np.arange(60.0) ** 1.3), (40, 1))
    >>> layers[15:25] = 0.0
    >>> edges = truncation(layers, section)[:, 30]
    >>> (edges > 0.5).nonzero()[0].tolist()
    [13, 14, 15, 16, 23, 24, 25, 26]
    """
    values = check_traces(amplitude)
    side = check_positive(side_m, "side_m")
    window = default_truncation_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    if len(values) == 1:
        dips_to_try(section, highest_dip_ns_per_m, 0)
        return np.zeros_like(values)
    if section.spacing_m <= 0:
        raise InputError(
            "a side in metres needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    reach = max(FEWEST_TRACES, min(round(side / section.spacing_m), len(values)))
    half = half_window(window, section.interval_ns)
    unit, _ = near_one(values)
    dips = dips_to_try(section, highest_dip_ns_per_m, reach)
    before, noise_before, enough_before = _agreed(unit, section, (-reach, 0), half, dips)
    after, noise_after, enough_after = _agreed(unit, section, (1, reach + 1), half, dips)
    # By the middle of the line's traces: those at the ends see less than they should.
    noise = np.median(0.5 * (noise_before + noise_after), axis=0)
    contrast = np.abs(before - after) / np.maximum(before + after + noise, SILENT)
    contrast[~(enough_before & enough_after)] = 0.0
    return np.ascontiguousarray(contrast, np.float32)


def _agreed(
    unit: Traces, section: Section, reach: tuple[int, int], half: int, dips: npt.NDArray[np.float64]
) -> tuple[Traces, Traces, npt.NDArray[np.bool_]]:
    """Amplitude (T, S) that the traces of one side agree on, what noise of their power would give, and (T,) enough."""
    best = np.zeros_like(unit)
    noise = np.zeros_like(unit)
    count = np.zeros(len(unit), np.int64)
    for dip in dips:
        total, square, count = stack_neighbours(unit, *reach, *shifts(section, reach, float(dip)))
        n = np.maximum(count, 2).astype(np.float32)[:, None]
        of_mean = COMPILED.running_mean(total, half) / (n * n)
        mean_of = np.maximum(COMPILED.running_mean(square, half), np.float32(0.0)) / n
        np.maximum(best, (n * of_mean - mean_of) / (n - 1), out=best)
        np.maximum(noise, mean_of / n, out=noise)
    return np.sqrt(best), np.sqrt(noise), count >= max(FEWEST_TRACES, (reach[1] - reach[0]) // 2)
