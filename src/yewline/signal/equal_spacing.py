"""Equal trace distance: a line resampled from where its traces were taken to places that are evenly apart."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.sparse import csr_array

from yewline._check import check_choice
from yewline.errors import InputError
from yewline.signal.equal_places import Layout, layout_of
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["equal_spacing"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

BAND_SHARE = 0.9
"""Share of the highest wavenumber that the usual spacing can hold at which the band ends."""
BAND_SHARE_COARSER = 1.1
"""The same for a coarser spacing, where whatever was recorded up to that wavenumber has to be kept out (measured: waves
of 0.9 of it come through with 0.01 of their size on nearly even places, with 0.14 to 0.23 if the band ended there)."""
NEIGHBOURS = 16
"""Traces that one new trace is made from, where it is not coarser than the recorded ones."""
RIDGE = 1e-4
"""Noise that is granted to every line, as a share of the variance: weights stay small where traces are far apart."""
RAMP_SHARE = 0.8
"""From this share of what a coarser spacing can hold, wavenumbers are let go."""
NODES = 96
ROWS = 2_048
"""New traces whose weights are worked out at a time, so that memory does not grow with the line."""


def equal_spacing(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    spacing_m: Annotated[float | None, Field(gt=0, le=100)] = None,
    method: Literal["band_limited", "linear"] = "band_limited",
    largest_gap_m: Annotated[float | None, Field(gt=0, le=1_000)] = None,
    at_gap: Literal["leave", "refuse"] = "leave",
) -> Traces:
    """Resample a line to equal trace distance, for whatever counts traces as metres: migration, slopes, windows.

    Traces at one place (standing still, a wheel that slipped) are averaged first. A gap is never filled: the new traces
    leave it out, so that the line then consists of stretches which each are evenly spaced. A stretch so short that no
    new place falls on it is left out with the gaps beside it.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : whose `distance_m` says where the traces were taken; it never falls, but may stand still.
    spacing_m : distance between the new traces, m; left out, the usual (median) one of the recorded traces.
    method : "band_limited" keeps flanks of hyperbolas as steep as the spacing allows, and takes out what a coarser
        spacing cannot hold; "linear" mixes the two traces next to each place, and dulls what is steep.
    largest_gap_m : traces further apart have a gap between them, m; left out, three times the spacing (the new or the
        usual one, whichever is larger).
    at_gap : "leave" leaves it out; "refuse" stops there with the place of the gap.

    Returns
    -------
    (N, S) float32 at the distances of `equal_places`; `equally_spaced` gives the section that belongs to it.

    Raises
    ------
    InputError : no distances, fewer or more than traces, or one that falls; a gap where that is refused; all traces at
        one place; over a million new traces, or over twenty for each recorded one.

    Notes
    -----
    Band-limited: a new trace is Σ w_k x_k over the 16 traces nearest to it (more where it is coarser than they are),
    with the w of least expected error among those of sum one, for a field of spectrum 1 + cos(πκ/κ₀) up to κ₀ = 0.9 of
    the highest wavenumber that the usual spacing can hold, and noise of 10⁻⁴ of its variance: interpolation within the
    band, on places that need not be even. A new place within a millionth of the spacing of a recorded one is that one.
    For a spacing too coarse for that band κ₀ is 1.1 of that wavenumber, and the new trace is that of the field below
    what the new spacing can hold, let go of from 0.8 of that on.

    References
    ----------
    Yen 1956, IRE Trans. Circuit Theory 3:251–257 (band-limited functions from uneven samples); Matheron 1963, Economic
    Geology 58:1246–1266 (least error under a sum of one). Both from memory.

    Examples
    --------
    >>> at = np.cumsum(np.random.default_rng(0).uniform(0.07, 0.13, 100))
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0, distance_m=at)
    >>> from yewline.signal.equal_places import equal_places
    >>> new = equal_places(section, spacing_m=0.1)
    >>> wave = equal_spacing(np.sin(12.0 * at)[:, None], section, spacing_m=0.1)[:, 0]
    >>> bool(abs(wave - np.sin(12.0 * new))[8:-8].max() < 0.003)
    True
    """
    values = check_traces(amplitude)
    check_choice(method, "method", ("band_limited", "linear"))
    check_choice(at_gap, "at_gap", ("leave", "refuse"))
    layout = layout_of(section, spacing_m, largest_gap_m)
    if len(layout.group) != len(values):
        raise InputError(
            "each trace needs its distance along the line",
            received=f"{len(layout.group)} distances for {len(values)} traces",
        )
    if at_gap == "refuse" and layout.gaps:
        before, after = layout.gaps[0]
        raise InputError(
            "the line has a gap",
            received=f"no trace between {before:.2f} and {after:.2f} m",
            do="check the line's positions, or let at_gap be 'leave'",
        )
    scale = np.float32(max(float(np.abs(values).max()), 1e-30))
    merged = _merged(values / scale, layout)
    parts = []
    for (first, stop), wanted in zip(layout.runs, layout.wanted, strict=True):
        at = layout.at_m[first:stop]
        weights = _linear(at, wanted) if method == "linear" else _band_limited(at, wanted, layout.spacing_m)
        parts.append(weights @ merged[first:stop])
    return np.ascontiguousarray(np.concatenate(parts) * scale, dtype=np.float32)


def _merged(values: Traces, layout: Layout) -> Traces:
    """Mean of the traces at each place, (P, S)."""
    if len(layout.at_m) == len(values):
        return values
    starts = np.searchsorted(layout.group, np.arange(len(layout.at_m)))
    total = np.add.reduceat(values, starts, axis=0, dtype=np.float64)
    return (total / np.bincount(layout.group)[:, None]).astype(np.float32)


def _linear(at: F64, wanted: F64) -> csr_array:
    if len(at) == 1:
        return csr_array(np.ones((len(wanted), 1), np.float32))
    left = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, len(at) - 2)
    share = np.clip((wanted - at[left]) / (at[left + 1] - at[left]), 0.0, 1.0)
    return _rows(np.column_stack([left, left + 1]), np.column_stack([1.0 - share, share]), len(at))


def _band_limited(at: F64, wanted: F64, spacing: float) -> csr_array:
    """Weights of least expected error at `wanted` for a field that fills the band, low-passed where that is coarser."""
    n = len(at)
    usual = float(np.median(np.diff(at))) if n > 1 else spacing
    coarser = max(1.0, spacing / usual)
    # A spacing that still holds the whole band is no coarser one.
    same = coarser * BAND_SHARE <= 1.0
    band, end = (BAND_SHARE, None) if same else (BAND_SHARE_COARSER, 1.0 / (BAND_SHARE_COARSER * coarser))
    unit = band / usual
    taps = min(n, int(np.ceil(NEIGHBOURS * coarser)))
    first = np.clip(np.searchsorted(at, wanted) - taps // 2, 0, n - taps)
    index = first[:, None] + np.arange(taps)
    weights = np.empty(index.shape)
    for start in range(0, len(wanted), ROWS):
        rows = slice(start, start + ROWS)
        weights[rows] = _least_error(at[index[rows]] * unit, wanted[rows] * unit, end)
    return _rows(index, weights, n)


def _least_error(near: F64, wanted: F64, end: float | None) -> F64:
    """(N, K) weights of the K places `near` each of N wanted ones, distances in 1/2κ₀, the band cut at `end`·κ₀."""
    count, taps = near.shape
    matrix = np.ones((count, taps + 1, taps + 1))
    matrix[:, :taps, :taps] = _correlation(near[:, :, None] - near[:, None, :])
    matrix[:, np.arange(taps), np.arange(taps)] += RIDGE
    matrix[:, taps, taps] = 0.0
    away = wanted[:, None] - near
    cross = np.ones((count, taps + 1))
    cross[:, :taps] = _correlation(away) if end is None else _low_passed(away, end)
    weights: F64 = np.linalg.solve(matrix, cross[..., None])[:, :taps, 0]
    there = np.abs(away) < 1e-6
    return np.where(there.any(axis=1, keepdims=True), there, weights) if end is None else weights


def _correlation(x: F64) -> F64:
    """Correlation at x = 2κ₀·distance of a field of spectrum 1 + cos(πκ/κ₀), |κ| < κ₀."""
    beside = np.abs(np.abs(x) - 1.0) < 1e-6
    value: F64 = np.sinc(x) / np.where(beside, 1.0, 1.0 - x * x)
    return np.where(beside, 0.5, value)


def _low_passed(x: F64, end: float) -> F64:
    """The same of the field with itself below `end` · κ₀."""
    node, weight = np.polynomial.legendre.leggauss(NODES)
    kappa = 0.5 * min(end, 1.0) * (node + 1.0)
    ramp = np.clip((kappa / end - RAMP_SHARE) / (1.0 - RAMP_SHARE), 0.0, 1.0)
    power = weight * (1.0 + np.cos(np.pi * kappa)) * 0.5 * (1.0 + np.cos(np.pi * ramp))
    total = np.zeros_like(x)
    # The whole field's variance is that of both halves of its spectrum, of mean 1 each.
    for k, p in zip(kappa, 0.5 * min(end, 1.0) * power, strict=True):
        total += p * np.cos(np.pi * k * x)
    return total


def _rows(index: Index, weights: F64, n: int) -> csr_array:
    count, taps = index.shape
    starts = taps * np.arange(count + 1)
    return csr_array((weights.astype(np.float32).ravel(), index.ravel(), starts), shape=(count, n))
