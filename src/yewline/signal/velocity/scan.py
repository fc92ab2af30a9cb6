"""One line's scan for hyperbolas: where coherent sums along curves stand highest, and where mirrored ones do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.velocity.analytic import Analytic, analytic
from yewline.signal.velocity.curves import Curves, mirrored, moveout_curves, offsets_of
from yewline.signal.velocity.engines import COMPILED
from yewline.signal.velocity.hyperbola import SLOWEST_M_PER_NS
from yewline.units import C_M_PER_NS

__all__ = ["BANDS", "LineScan", "SearchOptions", "checked_line", "scan_line"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Finer = tuple[Index, F64, F64, F64]
"""Trace, apex [ns], velocity [m/ns] and score."""

VELOCITY_RATIO: Final = 1.17
"""Of neighbouring velocities of the scan; about the highest scores they are taken six times as fine."""
APEXES_A_PERIOD: Final = 6
FLOOR: Final = 0.7
"""Power added to each trace's, in shares of the line's at that time."""
CONTROL_TRACES: Final = 2
"""The mirrored scan takes every second trace: noise needs no finer grid."""
EDGES_M_PER_NS: Final = (0.13, 0.19)
"""Between the bands of velocity, each judged by its own noise: that of most ground, that of very dry ground, and curves
so flat that level layers lie along them (own choice, no source)."""
BANDS: Final = len(EDGES_M_PER_NS) + 1


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


@dataclass(frozen=True, slots=True, eq=False)
class LineScan:
    """The highest places of one line's scan: small enough to be held for every line of a visit.

    Attributes
    ----------
    trace, apex_ns, v_m_per_ns, score, band : (C,) maxima of the scan that are higher than half of the noise's: number
        of the trace, time of the apex as seen, velocity, score, and band of velocity (0 to 2).
    mirrored_score, mirrored_band : (M,) maxima of the mirrored scan, which are noise.
    room : places that compete with one another no more: how many maxima the line has room for, in each band.
    """

    trace: Index
    apex_ns: F64
    v_m_per_ns: F64
    score: F64
    band: Index
    mirrored_score: F64
    mirrored_band: Index
    room: float

    @classmethod
    def empty(cls) -> LineScan:
        """Of a line on which nothing can be looked for."""
        none, numbers = np.zeros(0), np.zeros(0, np.int64)
        return cls(numbers, none, none, none, numbers, none, numbers, 0.0)


def scan_line(amplitude: npt.ArrayLike, section: Section, options: SearchOptions | None = None) -> LineScan:
    """Where on a line hyperbolas may lie, and what its noise alone gives: the first pass of a search over many lines.

    Parameters
    ----------
    amplitude, section, options : as in `find_hyperbolas`.

    Returns
    -------
    LineScan, for `pool_scans` and, with the noise of all lines, back to `find_hyperbolas`.

    Raises
    ------
    InputError : as `find_hyperbolas`.

    Examples
    --------
    >>> section = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)
    >>> scan = scan_line(np.random.default_rng(1).standard_normal((60, 200)), section)
    >>> scan.trace.shape == scan.score.shape, scan.room > 10
    (True, True)
    """
    chosen = SearchOptions() if options is None else options
    values = checked_line(amplitude, section)
    return LineScan.empty() if values is None else scanned(analytic(values, section, even=True), section, chosen)


def checked_line(amplitude: npt.ArrayLike, section: Section) -> Traces | None:
    """The samples, or None where there is nothing to be looked for: too few traces, or no signal."""
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
    return None if len(values) < 5 or float(np.ptp(values)) == 0.0 else values


def scanned(signal: Analytic, section: Section, options: SearchOptions) -> LineScan:
    """The scan of a line whose analytic signal is known, band by band of velocity."""
    every = _velocities(options)
    band_of = np.digitize(every, EDGES_M_PER_NS)
    found, mirror = [], []
    room = 0.0
    for band in np.unique(band_of):
        velocities = every[band_of == band]
        curves = _curves(signal, section, options, velocities)
        if curves is None:
            return LineScan.empty()
        downward, upward, room = _maxima(signal, section, options, curves, velocities, float(every[1] / every[0]))
        found.append((*downward, np.full(len(downward[0]), band)))
        mirror.append((upward, np.full(len(upward), band)))
    trace, apex, v, score, band = (np.concatenate(part) for part in zip(*found, strict=True))
    mirrored_score, mirrored_band = (np.concatenate(part) for part in zip(*mirror, strict=True))
    return LineScan(trace, apex, v, score, band, mirrored_score, mirrored_band, room)


def _velocities(options: SearchOptions) -> F64:
    count = 1 + math.ceil(math.log(options.fastest_m_per_ns / options.slowest_m_per_ns) / math.log(VELOCITY_RATIO))
    return np.geomspace(options.slowest_m_per_ns, options.fastest_m_per_ns, max(count, 2))


def _curves(signal: Analytic, section: Section, options: SearchOptions, velocities: F64) -> Curves | None:
    traces, samples = signal.real.shape
    first = options.first_ns
    if first is None:
        first = section.separation_m / C_M_PER_NS + 1.5 * section.period_ns
    step = max(round(section.period_ns / APEXES_A_PERIOD / signal.interval_ns), 1) * signal.interval_ns
    apexes = np.arange(first, (samples - 1) * signal.interval_ns, step)
    longest = min(int(options.longest_m / section.spacing_m), (traces - 1) // 2)
    if len(apexes) < 3 or longest < 2:
        return None
    return moveout_curves(
        apexes,
        velocities,
        offsets_of(longest),
        spacing_m=section.spacing_m,
        separation_m=section.separation_m,
        interval_ns=signal.interval_ns,
        samples=samples,
        reach=options.reach,
    )


def _maxima(
    signal: Analytic, section: Section, options: SearchOptions, curves: Curves, velocities: F64, ratio: float
) -> tuple[Finer, F64, float]:
    """Maxima of the scan (trace, apex, velocity, score), scores of the mirrored scan's, and the room for such."""
    stride = _stride(section, options)
    score, which = COMPILED.scan(signal.real, signal.imag, *curves, stride, FLOOR)
    mirror, mirror_which = COMPILED.scan(signal.real, signal.imag, *mirrored(curves), CONTROL_TRACES * stride, FLOOR)
    near = (_near_traces(section, stride), 2 * APEXES_A_PERIOD + 1)
    coarse = (max(3, near[0] // CONTROL_TRACES | 1), near[1])
    top = maximum_filter(score, near)
    rival = top[::CONTROL_TRACES][: len(mirror)]
    # An upward maximum beside a higher downward one is the diffraction's own.
    upward = np.nonzero((mirror == maximum_filter(mirror, coarse)) & (mirror > 0) & (mirror > rival))
    # What is lower than half of the noise's maxima is nothing rare: it is counted as it is, or left out.
    usual = float(np.median(mirror[upward])) if len(upward[0]) else 0.0
    strong = (mirror[upward] >= usual).nonzero()[0]
    downward = np.nonzero((score == top) & (score > usual))

    def finer(rows: Index, columns: Index, curve: npt.NDArray[np.int32], step: int, bend: float) -> Finer:
        geometry = (section.spacing_m, section.separation_m, signal.interval_ns, options.reach, FLOOR, bend)
        trace = (rows * step).astype(np.int64)
        strength, apex, v = COMPILED.rescore(
            signal.real,
            signal.imag,
            trace,
            curves.apex[columns] * signal.interval_ns,
            velocities[curve[rows, columns]],
            np.arange(-1, 2) * (section.period_ns / APEXES_A_PERIOD / 3.0),
            ratio ** (np.arange(-3, 4) / 6.0),
            curves.offsets,
            np.array(geometry),
        )
        return trace, apex, v, strength

    noise = mirror[upward].astype(np.float64)
    noise[strong] = finer(upward[0][strong], upward[1][strong], mirror_which, CONTROL_TRACES * stride, -1.0)[3]
    found = finer(downward[0], downward[1], which, stride, 1.0)
    return found, noise, mirror.size / (coarse[0] * coarse[1])


def _stride(section: Section, options: SearchOptions) -> int:
    """Traces from one apex to the next: a sixteenth of the wavelength in the slowest ground that is looked for."""
    return max(1, int(max(options.slowest_m_per_ns, 0.06) * section.period_ns / 10.0 / section.spacing_m))


def _near_traces(section: Section, stride: int) -> int:
    """Apexes nearer than half a wavelength (at 0.1 m/ns) compete; an odd number of places."""
    return 2 * max(1, round(0.05 * section.period_ns / (section.spacing_m * stride))) + 1
