"""Automatic search for diffraction hyperbolas on a line: coherent sums along curves, noise by mirrored ones, picks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import check_traces
from yewline.signal.velocity.analytic import Analytic, analytic
from yewline.signal.velocity.curves import Curves, mirrored, moveout_curves, offsets_of
from yewline.signal.velocity.engines import COMPILED
from yewline.signal.velocity.fit import FitOptions
from yewline.signal.velocity.hyperbola import SLOWEST_M_PER_NS, HyperbolaFit
from yewline.signal.velocity.picks import Candidate, LegOptions, follow_legs
from yewline.units import C_M_PER_NS

__all__ = ["HyperbolaSearch", "RefusedHyperbola", "SearchOptions", "find_hyperbolas"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

VELOCITY_RATIO: Final = 1.17
"""Of neighbouring velocities of the scan; about the highest scores they are taken six times as fine."""
APEXES_A_PERIOD: Final = 6
FLOOR: Final = 0.7
"""Power added to each trace's, in shares of the line's at that time."""
CONTROL_TRACES: Final = 2
"""The mirrored scan takes every second trace: noise needs no finer grid."""
MOST: Final = 400
TAIL: Final = 0.8
"""The noise's maxima above this quantile are looked at more finely and make its tail."""
LEAST_MAXIMA: Final = 20


@dataclass(frozen=True, slots=True)
class SearchOptions:
    """Where to look and what to keep.

    Attributes
    ----------
    slowest_m_per_ns, fastest_m_per_ns : velocities that are tried; the default goes from water to air, so that waves
        through the air are seen for what they are.
    first_ns : earliest apex, ns after time zero; left out, one and a half periods after the direct wave.
    reach : legs are followed to this multiple of the depth, to either side.
    longest_m : and no farther than this, m.
    false_alarms : hyperbolas on the line that noise may be expected to give, at most, for one that is kept.
    zero_sigma_ns : standard deviation of time zero and the pulse's crest, ns; left out, a twentieth of a period.
    radius_sigma_m : standard deviation of the objects' radius, which is taken to be 0, m.
    on_ground : whether the antennas lie on the ground, which turns the phase of waves sent at an angle: the picks are
        then corrected for it (see `surface_delay_ns`).
    surface_sigma : standard deviation of that correction, as a share of it: antennas differ, and lie more or less well.

    Raises
    ------
    InputError : a value out of range, or velocities in the wrong order.
    """

    slowest_m_per_ns: float = 0.045
    fastest_m_per_ns: float = C_M_PER_NS
    first_ns: float | None = None
    reach: float = 1.0
    longest_m: float = 2.0
    false_alarms: float = 0.1
    zero_sigma_ns: float | None = None
    radius_sigma_m: float = 0.0
    on_ground: bool = True
    surface_sigma: float = 0.2

    def __post_init__(self) -> None:
        low = check_in_range(self.slowest_m_per_ns, "slowest_m_per_ns", SLOWEST_M_PER_NS, C_M_PER_NS)
        high = check_in_range(self.fastest_m_per_ns, "fastest_m_per_ns", SLOWEST_M_PER_NS, C_M_PER_NS)
        if low >= high:
            raise InputError("the slowest velocity must lie below the fastest", received=f"{low:g} and {high:g} m/ns")
        if self.first_ns is not None:
            check_in_range(self.first_ns, "first_ns", 0.0, 1e5)
        check_in_range(self.reach, "reach", 0.3, 5.0)
        check_positive(self.longest_m, "longest_m")
        check_in_range(self.false_alarms, "false_alarms", 1e-9, 1e3)
        if self.zero_sigma_ns is not None:
            check_in_range(self.zero_sigma_ns, "zero_sigma_ns", 0.0, 1e3)
        check_in_range(self.radius_sigma_m, "radius_sigma_m", 0.0, 10.0)
        check_in_range(self.surface_sigma, "surface_sigma", 0.0, 2.0)


@dataclass(frozen=True, slots=True)
class RefusedHyperbola:
    """A candidate that is not used, and why.

    Attributes
    ----------
    x_m, apex_ns, v_m_per_ns : of the candidate.
    expected_false : as good as this that the line's own noise would give.
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
    noise_score : score that one such maximum in ten exceeds, about.
    """

    fits: tuple[HyperbolaFit, ...]
    air: tuple[HyperbolaFit, ...]
    refused: tuple[RefusedHyperbola, ...]
    noise_maxima: int
    noise_score: float


def find_hyperbolas(
    amplitude: npt.ArrayLike, section: Section, options: SearchOptions | None = None, *, line: str = ""
) -> HyperbolaSearch:
    """Find diffraction hyperbolas on a line, pick their legs and fit each.

    Parameters
    ----------
    amplitude : (T, S) samples after time zero, dewow, band-pass and background removal; evenly spaced traces.
    section : sampling, trace spacing, antenna and, where known, the distance of each trace.
    options : where to look and what to keep.
    line : name of the line, kept in each fit.

    Returns
    -------
    HyperbolaSearch

    Raises
    ------
    InputError : no trace spacing, samples that are not finite, or traces too short for any apex.

    Notes
    -----
    At each apex and velocity K traces of the analytic signal a, each time brought to the line's own level, are summed
    along the hyperbola: S = |Σa|²/(K(Σ|a|² + Kε)). For unrelated traces S exceeds s with probability (1 − s)^(K−1), so
    the score is −(K − 1)·ln(1 − S). The highest maxima are scored again with velocities six and times three times as
    fine, or hyperbolas between two velocities of the scan would be lost.

    What it takes to stand out is told by the line itself: the same scan with curves bent upward instead of downward,
    which no diffraction is; the tail of its maxima's scores is taken to be exponential and gives the number of maxima
    as high as a candidate's that noise would give. Upward maxima where a downward one beats them are the diffraction's
    own, and do not count.

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
    values = check_traces(amplitude, samples=2)
    if section.spacing_m <= 0 and len(values) > 1:
        raise InputError(
            "a search for hyperbolas needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    if section.distance_m is not None and len(section.distance_m) != len(values):
        raise InputError(
            "distances must be one for each trace", received=f"{len(section.distance_m)} for {len(values)} traces"
        )
    empty = HyperbolaSearch((), (), (), 0, math.nan)
    if len(values) < 5 or float(np.ptp(values)) == 0.0:
        return empty
    signal = analytic(values, section, even=True)
    curves, velocities = _curves(signal, section, chosen, len(values))
    if curves is None:
        return empty
    candidates, noise = _candidates(signal, section, curves, velocities, chosen)
    options_of_fit = FitOptions(
        separation_m=section.separation_m,
        radius_sigma_m=chosen.radius_sigma_m,
        zero_sigma_ns=0.05 * section.period_ns if chosen.zero_sigma_ns is None else chosen.zero_sigma_ns,
    )
    return _sorted_out(signal, section, candidates, noise, chosen, options_of_fit, line)


def _curves(signal: Analytic, section: Section, options: SearchOptions, traces: int) -> tuple[Curves | None, F64]:
    count = 1 + math.ceil(math.log(options.fastest_m_per_ns / options.slowest_m_per_ns) / math.log(VELOCITY_RATIO))
    velocities = np.geomspace(options.slowest_m_per_ns, options.fastest_m_per_ns, max(count, 2))
    samples = signal.real.shape[1]
    first = options.first_ns
    if first is None:
        first = section.separation_m / C_M_PER_NS + 1.5 * section.period_ns
    step = max(round(section.period_ns / APEXES_A_PERIOD / signal.interval_ns), 1) * signal.interval_ns
    apexes = np.arange(first, (samples - 1) * signal.interval_ns, step)
    longest = min(int(options.longest_m / section.spacing_m), (traces - 1) // 2)
    if len(apexes) < 3 or longest < 2:
        return None, velocities
    curves = moveout_curves(
        apexes,
        velocities,
        offsets_of(longest),
        spacing_m=section.spacing_m,
        separation_m=section.separation_m,
        interval_ns=signal.interval_ns,
        samples=samples,
        reach=options.reach,
    )
    return curves, velocities


@dataclass(frozen=True, slots=True)
class _Noise:
    """Tail of the scores of noise maxima: `many` of them above `start`, falling off by e each `fall`."""

    many: float
    start: float
    fall: float
    maxima: int

    def expected(self, score: float) -> float:
        return self.many * math.exp(min((self.start - score) / self.fall, 0.0))


def _candidates(
    signal: Analytic, section: Section, curves: Curves, velocities: F64, options: SearchOptions
) -> tuple[list[Candidate], _Noise]:
    stride = _stride(section, options)
    score, which = COMPILED.scan(signal.real, signal.imag, *curves, stride, FLOOR)
    mirror, mirror_which = COMPILED.scan(signal.real, signal.imag, *mirrored(curves), CONTROL_TRACES * stride, FLOOR)
    near = (_near_traces(section, stride), 2 * APEXES_A_PERIOD + 1)
    coarse = (max(3, near[0] // CONTROL_TRACES | 1), near[1])
    top = maximum_filter(score, near)
    rival = top[::CONTROL_TRACES][: len(mirror)]
    upward = np.nonzero((mirror == maximum_filter(mirror, coarse)) & (mirror > 0) & (mirror > rival))
    downward = np.nonzero((score == top) & (score > 0))
    start = float(np.quantile(mirror[upward], TAIL)) if len(upward[0]) >= LEAST_MAXIMA else 0.0

    def finer(
        places: tuple[npt.NDArray[np.intp], ...],
        coarse_score: F32,
        curve: npt.NDArray[np.int32],
        step: int,
        bend: float,
    ) -> tuple[npt.NDArray[np.int64], F64, F64, F64]:
        strength = coarse_score[places]
        rows, columns = (
            axis[np.lexsort((places[1], places[0], -strength))][: (strength > start).sum()] for axis in places
        )
        geometry = (section.spacing_m, section.separation_m, signal.interval_ns, options.reach, FLOOR, bend)
        trace = (rows * step).astype(np.int64)
        apex = curves.apex[columns] * signal.interval_ns
        shifts = np.arange(-1, 2) * (section.period_ns / APEXES_A_PERIOD / 3.0)
        ratio = float(velocities[1] / velocities[0])
        return (
            trace,
            *COMPILED.rescore(
                signal.real,
                signal.imag,
                trace,
                apex,
                velocities[curve[rows, columns]],
                shifts,
                ratio ** (np.arange(-3, 4) / 6.0),
                curves.offsets,
                np.array(geometry),
            ),
        )

    noise = _noise(
        finer(upward, mirror, mirror_which, CONTROL_TRACES * stride, -1.0)[1],
        len(upward[0]),
        mirror.size / (coarse[0] * coarse[1]),
    )
    trace, strength, apex, velocity = finer(downward, score, which, stride, 1.0)
    found = []
    for i in np.argsort(-strength, kind="stable")[:MOST]:
        expected = noise.expected(float(strength[i]))
        if expected > options.false_alarms:
            break
        found.append(Candidate(int(trace[i]), float(apex[i]), float(velocity[i]), float(strength[i]), expected))
    return found, noise


def _stride(section: Section, options: SearchOptions) -> int:
    """Traces from one apex to the next: a sixteenth of the wavelength in the slowest ground that is looked for."""
    return max(1, int(max(options.slowest_m_per_ns, 0.06) * section.period_ns / 10.0 / section.spacing_m))


def _near_traces(section: Section, stride: int) -> int:
    """Apexes nearer than half a wavelength (at 0.1 m/ns) compete; an odd number of places."""
    return 2 * max(1, round(0.05 * section.period_ns / (section.spacing_m * stride))) + 1


def _noise(score: F64, maxima: int, places: float) -> _Noise:
    """Tail of the finer scores of the noise's highest maxima, of which there are `maxima` in all."""
    if maxima < LEAST_MAXIMA:
        # Too quiet or too short for a tail: what pure chance would give, one fall per unit of score.
        return _Noise(max(places, 1.0), 1.0, 1.0, maxima)
    start = float(np.median(score))
    above = score[score > start]
    fall = max(float((above - start).mean()) if len(above) else 0.0, 0.5)
    # Half of all places were lost to rivals at chance level, where one beats the other as often as not.
    return _Noise(2.0 * max(len(above), 1), start, fall, maxima)


def _sorted_out(
    signal: Analytic,
    section: Section,
    candidates: list[Candidate],
    noise: _Noise,
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
    return HyperbolaSearch(once, tuple(air), tuple(refused), noise.maxima, noise.start)


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
