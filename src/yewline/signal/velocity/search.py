"""Automatic search for diffraction hyperbolas on a line: coherent sums along curves, noise by mirrored ones, picks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.velocity.analytic import Analytic, analytic
from yewline.signal.velocity.fit import FitOptions
from yewline.signal.velocity.hyperbola import HyperbolaFit
from yewline.signal.velocity.noise import SearchNoise, pool_scans
from yewline.signal.velocity.picks import Candidate, LegOptions, follow_legs
from yewline.signal.velocity.scan import LineScan, SearchOptions, checked_line, scanned

__all__ = ["HyperbolaSearch", "RefusedHyperbola", "find_hyperbolas"]

MOST: Final = 400


@dataclass(frozen=True, slots=True)
class RefusedHyperbola:
    """A candidate that is not used, and why.

    Attributes
    ----------
    x_m, apex_ns, v_m_per_ns : of the candidate.
    expected_false : as good as this that noise would give on the line.
    reason : "few picks", "one leg", "velocity" (none that ground can have), "unsure", "multiple" (right under another
        at twice its time: the wave that went there twice), "no fit".
    """

    x_m: float
    apex_ns: float
    v_m_per_ns: float
    expected_false: float
    reason: str


@dataclass(frozen=True, slots=True)
class HyperbolaSearch:
    """What a search found.

    Attributes
    ----------
    fits : hyperbolas of the ground, strongest first.
    air : waves through the air, from things above ground; named, never used for the ground's velocity.
    refused : what stood out of the noise, yet gave no hyperbola.
    noise_maxima : maxima of the mirrored scan that the significance rests on.
    """

    fits: tuple[HyperbolaFit, ...]
    air: tuple[HyperbolaFit, ...]
    refused: tuple[RefusedHyperbola, ...]
    noise_maxima: int


def find_hyperbolas(
    amplitude: npt.ArrayLike,
    section: Section,
    options: SearchOptions | None = None,
    *,
    line: str = "",
    scan: LineScan | None = None,
    noise: SearchNoise | None = None,
) -> HyperbolaSearch:
    """Find diffraction hyperbolas on a line, pick their legs and fit each.

    Parameters
    ----------
    amplitude : (T, S) samples after time zero, dewow, band-pass and background removal; evenly spaced traces.
    section : sampling, trace spacing, antenna and, where known, the distance of each trace.
    options : where to look and what to keep.
    line : name of the line, kept in each fit.
    scan : of this line with the same options, where `scan_line` has made it already.
    noise : of all lines of the visit together, from `pool_scans`, which finds more than the line's own: the scans of a
        first pass over the lines take no room.

    Returns
    -------
    HyperbolaSearch

    Raises
    ------
    InputError : no trace spacing, samples that are not finite, or the scan of another line.

    Notes
    -----
    At each apex and velocity K traces of the analytic signal a, each time brought to the line's own level, are summed
    along the hyperbola: S = |Σa|²/(K(Σ|a|² + Kε)). For unrelated traces S exceeds s with probability (1 − s)^(K−1), so
    the score is −(K − 1)·ln(1 − S). Its maxima are scored again with velocities six and times three times as fine, or
    hyperbolas between two velocities of the scan would be lost.

    What it takes to stand out is told by the lines themselves: the same scan with curves bent upward instead of
    downward, which no diffraction is; the tail of its maxima's scores is taken to be exponential and gives the number
    of maxima as high as a candidate's that noise would give on this line. Upward maxima where a downward one beats them
    are the diffraction's own, and do not count. All this is done for each band of velocity by itself (up to 0.13, to
    0.19, and above), since level layers with a little relief lie along flat curves and never along steep ones.

    References
    ----------
    Neidell & Taner 1971, Geophysics 36:482–497 (semblance). Elias & Gygi 2007, Nat. Methods 4:207–214 (search against
    decoys). Both from memory.

    Examples
    --------
    >>> x, t = 0.05 * np.arange(81), 0.2 * np.arange(200)
    >>> u = np.pi * 0.4 * (t - 16.0 * np.sqrt(1 + ((x[:, None] - 2.0) / 0.8) ** 2))
    >>> noise = np.random.default_rng(1).normal(0, 0.05, u.shape)
    >>> section = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)
    >>> found = find_hyperbolas((1 - 2 * u**2) * np.exp(-(u**2)) + noise, section)
    >>> len(found.fits), round(found.fits[0].x_m, 1), round(found.fits[0].v_m_per_ns, 2)
    (1, 2.0, 0.1)
    """
    chosen = SearchOptions() if options is None else options
    values = checked_line(amplitude, section)
    empty = HyperbolaSearch((), (), (), 0)
    if values is None:
        return empty
    signal = analytic(values, section, even=True)
    held = scanned(signal, section, chosen) if scan is None else scan
    if held.room == 0.0:
        return empty
    if len(held.trace) and int(held.trace.max()) >= len(values):
        raise InputError(
            "the scan is that of another line",
            received=f"trace {int(held.trace.max())} of {len(values)}",
            do="give the scan that `scan_line` made of these samples",
        )
    pooled = pool_scans([held]) if noise is None else noise
    options_of_fit = FitOptions(
        separation_m=section.separation_m,
        radius_sigma_m=chosen.radius_sigma_m,
        zero_sigma_ns=0.05 * section.period_ns if chosen.zero_sigma_ns is None else chosen.zero_sigma_ns,
    )
    return _sorted_out(signal, section, _candidates(held, pooled, chosen), pooled, chosen, options_of_fit, line)


def _candidates(scan: LineScan, noise: SearchNoise, options: SearchOptions) -> list[Candidate]:
    """What stands out of the noise, the surest first."""
    expected = noise.expected(scan)
    order = np.lexsort((-scan.score, expected))[:MOST]
    return [
        Candidate(
            int(scan.trace[i]),
            float(scan.apex_ns[i]),
            float(scan.v_m_per_ns[i]),
            float(scan.score[i]),
            float(expected[i]),
        )
        for i in order
        if expected[i] <= options.false_alarms
    ]


def _sorted_out(
    signal: Analytic,
    section: Section,
    candidates: list[Candidate],
    noise: SearchNoise,
    options: SearchOptions,
    fit_options: FitOptions,
    line: str,
) -> HyperbolaSearch:
    fits: list[HyperbolaFit] = []
    air: list[HyperbolaFit] = []
    refused: list[RefusedHyperbola] = []
    legs = LegOptions(options.reach, options.longest_m, options.on_ground, options.surface_sigma)
    for candidate in candidates:
        x = _place(candidate.trace, section)
        if any(_belongs(x, candidate.apex_ns, kept, section) for kept in (*fits, *air)):
            continue
        fit, reason = follow_legs(signal, section, candidate, fit_options, legs)
        if fit is not None and any(_same(fit, kept, section) for kept in (*fits, *air)):
            continue
        if fit is not None and fit.kind == "impossible":
            reason = "velocity"
        if fit is None or reason:
            velocity = candidate.v_m_per_ns if fit is None else fit.v_m_per_ns
            refused.append(RefusedHyperbola(x, candidate.apex_ns, velocity, candidate.expected_false, reason))
            continue
        (air if fit.kind == "air" else fits).append(replace(fit, line=line))
    # Only now, for the wave that went twice can be coherent over longer legs than that which went once.
    twice = [fit for fit in fits if any(_multiple(fit, other, section) for other in fits)]
    for fit in twice:
        expected = math.nan if fit.expected_false is None else fit.expected_false
        refused.append(RefusedHyperbola(fit.x_m, fit.apex_ns, fit.v_m_per_ns, expected, "multiple"))
    once = tuple(fit for fit in fits if fit not in twice)
    return HyperbolaSearch(once, tuple(air), tuple(refused), noise.maxima)


def _place(trace: int, section: Section) -> float:
    return trace * section.spacing_m if section.distance_m is None else float(section.distance_m[trace])


def _belongs(x: float, apex_ns: float, kept: HyperbolaFit, section: Section) -> bool:
    """Whether a candidate's apex lies on a hyperbola that was kept already: on its legs, or in the pulse's tail."""
    if not min(kept.picks_x_m) - 0.1 <= x <= max(kept.picks_x_m) + 0.1:
        return False
    late = apex_ns - float(kept.times([x])[0])
    # A pulse rings on for a period or two right under its apex; beside it a leg is crossed at once.
    tail = 2.0 if abs(x - kept.x_m) < 0.5 * kept.depth_m else 1.0
    return -1.0 * section.period_ns < late < tail * section.period_ns


def _same(one: HyperbolaFit, other: HyperbolaFit, section: Section) -> bool:
    near = max(2.0 * section.spacing_m, 0.25 * other.v_m_per_ns * section.period_ns)
    return abs(one.x_m - other.x_m) < near and abs(one.apex_ns - other.apex_ns) < section.period_ns


def _multiple(one: HyperbolaFit, other: HyperbolaFit, section: Section) -> bool:
    near = max(2.0 * section.spacing_m, 0.25 * other.v_m_per_ns * section.period_ns)
    return abs(one.x_m - other.x_m) < near and abs(one.apex_ns - 2.0 * other.apex_ns) < section.period_ns
