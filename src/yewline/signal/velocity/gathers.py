"""Gathers with growing antenna separation: common midpoint and wide angle. Reflections, air wave and ground wave."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from yewline._check import check_choice, check_in_range
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.velocity.analytic import Analytic, analytic
from yewline.signal.velocity.hyperbola import AIR_FROM_M_PER_NS
from yewline.signal.velocity.moveout import FEWEST, Moveout, MoveoutFit, check_offsets, fit_moveout, moveout_times
from yewline.signal.velocity.picks import pick_along
from yewline.signal.velocity.semblance import SemblancePanel, along_curves, check_velocities
from yewline.units import C_M_PER_NS

__all__ = [
    "DirectWaves",
    "find_direct_waves",
    "find_reflections",
    "gather_semblance",
]

F64 = npt.NDArray[np.float64]

LEAST_SEMBLANCE: Final = 0.3
"""Of a direct wave, whose strength falls off along it."""
AIR_SHARE: Final = 0.08
"""A linear event this near to the velocity of light is the air wave."""


class DirectWaves(NamedTuple):
    """Air wave and ground wave of a gather; None where there is none that can be told."""

    air: MoveoutFit | None
    ground: MoveoutFit | None


def gather_semblance(
    amplitude: npt.ArrayLike,
    section: Section,
    offset_m: npt.ArrayLike | None,
    *,
    moveout: Moveout = "reflection",
    velocities_m_per_ns: npt.ArrayLike | None = None,
) -> SemblancePanel:
    """Semblance of a gather over velocity and time at no offset.

    Parameters
    ----------
    amplitude : (T, S) samples after time zero, which is the moment the wave leaves the transmitter.
    section : sampling and antenna.
    offset_m : (T,) distance between transmitter and receiver of each trace, m.
    moveout : "reflection" for t² = t0² + x²/v², "linear" for t = t0 + x/v (air, ground and refracted waves).
    velocities_m_per_ns : (V,) to be tried; left out, 0.045 m/ns to air.

    Returns
    -------
    SemblancePanel

    Raises
    ------
    InputError : no offsets, offsets that are all the same, or not one for each trace.

    Notes
    -----
    As `semblance_panel`. A common-midpoint gather shares its point of reflection; in a wide-angle gather it moves along
    the line, so that a dip of the layer goes into the velocity.

    References
    ----------
    Taner & Koehler 1969, Geophysics 34:859–881 (from memory).

    Examples
    --------
    >>> x, t = 0.1 * np.arange(2, 22), 0.25 * np.arange(160)
    >>> u = np.pi * 0.4 * (t - np.hypot(16.0, x / 0.1)[:, None])
    >>> section = Section(interval_ns=0.25, spacing_m=0.1, centre_mhz=400.0)
    >>> gather = (1 - 2 * u**2) * np.exp(-(u**2))
    >>> gather_semblance(gather, section, x, velocities_m_per_ns=[0.08, 0.1, 0.12]).best()[0]
    0.1
    """
    values, offset = _gather(amplitude, offset_m)
    check_choice(moveout, "moveout", ("reflection", "linear"))
    return _panel(analytic(values, section, even=True), values.shape[1], section, offset, moveout, velocities_m_per_ns)


def find_reflections(
    amplitude: npt.ArrayLike,
    section: Section,
    offset_m: npt.ArrayLike | None,
    *,
    velocities_m_per_ns: npt.ArrayLike | None = None,
    least_semblance: float = 0.5,
    first_ns: float | None = None,
    zero_sigma_ns: float | None = None,
) -> tuple[MoveoutFit, ...]:
    """Find reflections on a gather, pick and fit them, in order of time.

    Parameters
    ----------
    amplitude, section, offset_m : as for `gather_semblance`.
    velocities_m_per_ns : (V,) to be tried.
    least_semblance : of an event that counts, 0 to 1; at least three times what unrelated traces give is asked anyway.
    first_ns : earliest t0, ns; left out, two periods.
    zero_sigma_ns : standard deviation of time zero, ns; left out, a twentieth of a period.

    Returns
    -------
    MoveoutFit of each reflection; its `kind` tells those of the air, which are no ground.

    Raises
    ------
    InputError : no offsets, offsets that are all the same, or not one for each trace.
    """
    values, offset = _gather(amplitude, offset_m)
    signal = analytic(values, section, even=True)
    panel = _panel(signal, values.shape[1], section, offset, "reflection", velocities_m_per_ns)
    first = 2.0 * section.period_ns if first_ns is None else check_in_range(first_ns, "first_ns", 0.0, 1e5)
    sigma = 0.05 * section.period_ns if zero_sigma_ns is None else zero_sigma_ns
    least = max(check_in_range(least_semblance, "least_semblance", 0.0, 1.0), min(3.0 / len(values), 0.9))
    period = max(1, round(section.period_ns / section.interval_ns))
    # Semblance does not see strength: what is coherent but faint beside the gather's strongest is noise of a filter.
    strong = panel.semblance * (panel.time_ns >= first)[None, :]
    top = maximum_filter(strong, (max(5, len(panel.v_m_per_ns) // 3), 2 * period + 1))
    found: list[MoveoutFit] = []
    rows, columns = np.nonzero((strong == top) & (strong >= least))
    for i in np.argsort(-strong[rows, columns], kind="stable"):
        start = (float(panel.time_ns[columns[i]]), float(panel.v_m_per_ns[rows[i]]))
        fit = _followed(signal, section, offset, "reflection", start, sigma)
        if fit is None or any(abs(fit.t0_ns - kept.t0_ns) < section.period_ns for kept in found):
            continue
        found.append(fit)
    return tuple(sorted(found, key=lambda fit: fit.t0_ns))


def find_direct_waves(
    amplitude: npt.ArrayLike,
    section: Section,
    offset_m: npt.ArrayLike | None,
    *,
    zero_sigma_ns: float | None = None,
) -> DirectWaves:
    """Air wave and ground wave of a gather by their straight moveout, fitted where they have parted.

    Parameters
    ----------
    amplitude, section, offset_m : as for `gather_semblance`.
    zero_sigma_ns : standard deviation of time zero, ns; left out, a twentieth of a period.

    Returns
    -------
    DirectWaves : the air wave's velocity is known, so its fit tells whether offsets and time zero are right.

    Raises
    ------
    InputError : no offsets, offsets that are all the same, or not one for each trace.
    """
    values, offset = _gather(amplitude, offset_m)
    signal = analytic(values, section, even=True)
    sigma = 0.05 * section.period_ns if zero_sigma_ns is None else zero_sigma_ns
    panel = _panel(signal, values.shape[1], section, offset, "linear", None)
    early = panel.semblance[:, panel.time_ns <= section.period_ns]
    power = early.max(axis=1)
    is_air = panel.v_m_per_ns > AIR_FROM_M_PER_NS
    parted = np.abs(offset) * (1.0 / 0.15 - 1.0 / C_M_PER_NS) > 0.5 * section.period_ns
    waves: list[MoveoutFit | None] = []
    for choose in (is_air, ~is_air):
        i = int(np.argmax(np.where(choose, power, -1.0)))
        t0 = float(panel.time_ns[int(early[i].argmax())])
        fit = _followed(signal, section, offset, "linear", (t0, float(panel.v_m_per_ns[i])), sigma, use=parted)
        # Picks hold to noise too: a wave must be coherent along its whole line.
        least = max(LEAST_SEMBLANCE, min(3.0 / len(values), 0.9))
        waves.append(fit if fit is not None and (fit.semblance or 0.0) >= least else None)
    air, ground = waves
    if air is not None and abs(air.v_m_per_ns / C_M_PER_NS - 1.0) > max(
        AIR_SHARE, 3.0 * air.sigma_v_m_per_ns / C_M_PER_NS
    ):
        air = None
    if ground is not None and ground.kind != "ground":
        ground = None
    return DirectWaves(air, ground)


def _followed(
    signal: Analytic,
    section: Section,
    offset: F64,
    moveout: Moveout,
    start: tuple[float, float],
    sigma: float,
    use: npt.NDArray[np.bool_] | None = None,
) -> MoveoutFit | None:
    """Picks along a curve of the panel, fitted twice; None where they are too few."""
    now = start
    fit: MoveoutFit | None = None
    wanted = np.ones(len(offset), bool) if use is None else use
    for _ in range(2):
        predicted = moveout_times(offset, moveout, *now)
        inside = wanted & (predicted >= 0) & (predicted < (signal.real.shape[1] - 1) * signal.interval_ns)
        traces = np.nonzero(inside)[0].astype(np.int64)
        if len(traces) < FEWEST:
            return None
        picks = pick_along(signal, section, traces, predicted[traces], offset[traces])
        if picks.good.sum() < FEWEST or len(np.unique(offset[traces][picks.good])) < FEWEST:
            return None
        try:
            fit = fit_moveout(
                offset[traces][picks.good],
                picks.times_ns[picks.good],
                moveout=moveout,
                start=now,
                zero_sigma_ns=sigma,
            )
        except InputError:
            return None
        now = (fit.t0_ns, fit.v_m_per_ns)
    if fit is None or fit.kind == "impossible":
        return None
    place = (moveout_times(offset[traces], moveout, *now) / signal.interval_ns)[None, :]
    semblance = float(along_curves(signal, traces, place, section)[0][0])
    return replace(fit, semblance=semblance)


def _panel(
    signal: Analytic, samples: int, section: Section, offset: F64, moveout: Moveout, velocities: npt.ArrayLike | None
) -> SemblancePanel:
    speeds = check_velocities(velocities)
    times = section.interval_ns * np.arange(samples, dtype=np.float64)
    traces = np.arange(len(offset), dtype=np.int64)
    parts = [
        along_curves(signal, traces, moveout_times(offset, moveout, times[:, None], v) / signal.interval_ns, section)
        for v in speeds
    ]
    return SemblancePanel(speeds, times, np.stack([part[0] for part in parts]), np.stack([part[1] for part in parts]))


def _gather(amplitude: npt.ArrayLike, offset_m: npt.ArrayLike | None) -> tuple[Traces, F64]:
    values = check_traces(amplitude, samples=2)
    offset = check_offsets(offset_m)
    if len(offset) != len(values):
        raise InputError("a gather has one offset for each trace", received=f"{len(offset)} for {len(values)} traces")
    if len(np.unique(offset)) < FEWEST:
        raise InputError(
            f"a gather needs {FEWEST} different offsets or more",
            received=f"{len(np.unique(offset))} from {offset.min():g} to {offset.max():g} m",
            do="a line with a fixed antenna separation is no gather: use its hyperbolas",
        )
    return values, offset
