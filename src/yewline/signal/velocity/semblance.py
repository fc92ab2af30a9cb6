"""Semblance of diffraction hyperbolas over velocity and time at one place of a line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from yewline._check import check_array, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import check_traces
from yewline.signal.velocity.analytic import Analytic, analytic
from yewline.signal.velocity.engines import COMPILED
from yewline.signal.velocity.fit import FitOptions
from yewline.signal.velocity.hyperbola import SLOWEST_M_PER_NS
from yewline.units import C_M_PER_NS

__all__ = ["SemblancePanel", "along_curves", "check_velocities", "default_velocities_m_per_ns", "semblance_panel"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

GATE_PERIODS: Final = 1.0
FLOOR: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class SemblancePanel:
    """Coherence along curves.

    Attributes
    ----------
    v_m_per_ns : (V,) velocities, m/ns.
    time_ns : (N,) apex times as they are seen (of a gather: times at no offset), ns.
    semblance : (V, N) float32, 0 to 1; one over the number of traces is what unrelated traces give.
    traces : (V, N) how many traces each value rests on.
    """

    v_m_per_ns: F64
    time_ns: F64
    semblance: F32
    traces: npt.NDArray[np.int64]

    def best(self) -> tuple[float, float, float]:
        """Velocity, time and semblance of the highest value.

        Examples
        --------
        >>> ones = np.ones((1, 2), np.int64)
        >>> SemblancePanel(np.array([0.1]), np.array([5.0, 6.0]), np.array([[0.1, 0.5]], np.float32), ones).best()
        (0.1, 6.0, 0.5)
        """
        i, j = np.unravel_index(int(self.semblance.argmax()), self.semblance.shape)
        return float(self.v_m_per_ns[i]), float(self.time_ns[j]), float(self.semblance[i, j])


def default_velocities_m_per_ns(count: int = 48) -> F64:
    """From slow ground (0.045 m/ns) to air, evenly in the logarithm, (count,) m/ns.

    Examples
    --------
    >>> default_velocities_m_per_ns(3).round(3).tolist()
    [0.045, 0.116, 0.3]
    """
    return np.geomspace(0.045, C_M_PER_NS, int(check_in_range(count, "count", 2, 10_000)))


def semblance_panel(
    amplitude: npt.ArrayLike,
    section: Section,
    x_m: float,
    *,
    velocities_m_per_ns: npt.ArrayLike | None = None,
    options: FitOptions | None = None,
    reach: float = 1.0,
    longest_m: float = 2.0,
) -> SemblancePanel:
    """Semblance of hyperbolas with their apex at one place, over velocity and apex time.

    Parameters
    ----------
    amplitude : (T, S) samples after time zero, dewow, band-pass and background removal.
    section : sampling, trace spacing, antenna and, where known, the distance of each trace.
    x_m : place of the apex along the line, m.
    velocities_m_per_ns : (V,) to be tried; left out, `default_velocities_m_per_ns`.
    options : radius and crossing of the object; its antenna separation is the section's where it is 0.
    reach : legs go out to this multiple of the depth, to either side, and to three traces at least.
    longest_m : and no farther than this, m.

    Returns
    -------
    SemblancePanel

    Raises
    ------
    InputError : a place off the line, velocities that no ground has, no trace spacing.

    Notes
    -----
    S = ⟨|Σa|²⟩/⟨K(Σ|a|² + K/10)⟩ with the analytic signal a along the curve, each time brought to the line's own level,
    and ⟨⟩ the mean over one period of time; the tenth keeps faint ground from passing for coherent. The peak of a panel
    is broad; an estimate with its standard deviation comes from `fit_hyperbola`.

    References
    ----------
    Neidell & Taner 1971, Geophysics 36:482–497. Taner, Koehler & Sheriff 1979, Geophysics 44:1041–1063 (analytic
    signal). Both from memory.

    Examples
    --------
    >>> x, t = 0.05 * np.arange(41), 0.25 * np.arange(160)
    >>> u = np.pi * 0.4 * (t - 16.0 * np.sqrt(1 + ((x[:, None] - 1.0) / 0.8) ** 2))
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> panel = semblance_panel((1 - 2 * u**2) * np.exp(-(u**2)), section, 1.0, velocities_m_per_ns=[0.08, 0.1, 0.12])
    >>> panel.best()[0]
    0.1
    """
    values = check_traces(amplitude, samples=2)
    distance = distances_of(section, len(values))
    x = check_in_range(check_finite(x_m, "x_m"), "x_m", float(distance.min()), float(distance.max()))
    speeds = check_velocities(velocities_m_per_ns)
    chosen = FitOptions() if options is None else options
    separation = chosen.separation_m or section.separation_m
    check_in_range(reach, "reach", 0.3, 10.0)
    wide = check_positive(longest_m, "longest_m")
    signal = analytic(values, section, even=True)
    times = section.interval_ns * np.arange(values.shape[1], dtype=np.float64)
    traces = np.nonzero(np.abs(distance - x) <= wide)[0].astype(np.int64)
    at_least = 3.01 * float(np.median(np.diff(distance))) if len(distance) > 1 else 0.0
    offset = distance[traces] - x
    crossing = np.radians(chosen.crossing_deg)
    panel = []
    for v in speeds:
        # A curve each velocity and time: the kernel takes one object at a time, so curves come from a table by depth.
        place = np.full((len(times), len(traces)), -1.0)
        for i, apex in enumerate(times):
            straight = np.sqrt(max(apex**2 - (separation / v) ** 2, 0.0))
            if straight <= 0:
                continue
            depth = 0.5 * v * straight
            use = np.abs(offset) <= max(reach * depth, at_least)
            curve, _ = COMPILED.diffraction(
                offset[use], 0.0, depth, float(v), separation, chosen.radius_m, float(crossing)
            )
            place[i, use] = curve / signal.interval_ns
        panel.append(along_curves(signal, traces, place, section))
    together = np.stack([part[0] for part in panel])
    return SemblancePanel(speeds, times, together, np.stack([part[1] for part in panel]))


def along_curves(
    signal: Analytic, traces: npt.NDArray[np.int64], place: F64, section: Section
) -> tuple[F32, npt.NDArray[np.int64]]:
    """Semblance (N,) along N neighbouring curves of samples `place` (N, K), over a gate of one period, and counts."""
    together, power, count = COMPILED.moveout_sums(signal.real, signal.imag, traces, place)
    gate = max(1, round(GATE_PERIODS * section.period_ns / section.interval_ns)) | 1
    # As in the search: power that is added keeps faint ground from passing for coherent.
    power = power + FLOOR * count
    above = uniform_filter1d(together, gate, mode="constant")
    below = uniform_filter1d(count * power, gate, mode="constant")
    # What the filter's own rounding leaves of silent ground is no coherence.
    quiet = below <= 1e-12 * max(float(below.max()), 1e-300)
    share = np.where(quiet | (count < 2), 0.0, above / np.where(quiet, 1.0, below))
    return np.clip(share, 0.0, 1.0).astype(np.float32), count.astype(np.int64)


def check_velocities(velocities_m_per_ns: npt.ArrayLike | None) -> F64:
    """Velocities (V,) that ground or air can have, increasing; the default ones where None is given."""
    if velocities_m_per_ns is None:
        return default_velocities_m_per_ns()
    speeds = check_array(velocities_m_per_ns, "velocities_m_per_ns", ndim=1)
    if speeds.min() < SLOWEST_M_PER_NS or speeds.max() > C_M_PER_NS * (1 + 1e-9):
        raise InputError(
            "no ground has these velocities",
            received=f"{speeds.min():g} to {speeds.max():g} m/ns",
            do=f"velocities lie between {SLOWEST_M_PER_NS:g} (water) and {C_M_PER_NS:.4f} m/ns (air)",
        )
    if (np.diff(speeds) <= 0).any():
        raise InputError("velocities must increase", received=speeds.tolist()[:8])
    return speeds


def distances_of(section: Section, traces: int) -> F64:
    """Distance of each trace (T,), m: as known, or from the spacing."""
    if section.distance_m is not None:
        if len(section.distance_m) != traces:
            raise InputError(
                "distances must be one for each trace", received=f"{len(section.distance_m)} for {traces} traces"
            )
        return section.distance_m
    if section.spacing_m <= 0 and traces > 1:
        raise InputError(
            "hyperbolas need the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    return section.spacing_m * np.arange(traces, dtype=np.float64)
