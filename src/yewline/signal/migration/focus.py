"""Focus: how sharp a migrated section is at each velocity, and on which side of the truth one lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_velocity
from yewline.errors import InputError
from yewline.signal.envelope import envelope
from yewline.signal.migration.kirchhoff import migrate_kirchhoff
from yewline.signal.migration.stolt import migrate_stolt
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["FocusCurve", "FocusWindow", "LegBend", "focus_curve", "leg_bend", "sharpness"]

Array = npt.NDArray[np.float64]
Method = Literal["stolt", "kirchhoff"]

_FOCUSED = 0.03
"""Of a period."""


@dataclass(frozen=True, slots=True)
class FocusWindow:
    """A piece of the section in which focus is judged: one response and its surroundings.

    Attributes
    ----------
    traces : first and last but one.
    samples : first and last but one, of vertical two-way time, which hardly depends on velocity at an apex.
    """

    traces: tuple[int, int]
    samples: tuple[int, int]


@dataclass(frozen=True, eq=False)
class FocusCurve:
    """Sharpness against velocity, in each window.

    Attributes
    ----------
    velocity_m_per_ns : (V,) that were tried.
    varimax : (W, V) N Σe⁴/(Σe²)² of the envelope e: greatest where energy lies in few points.
    entropy : (W, V) −Σ p ln p / ln N, p = e²/Σe²: least where energy lies in few points. 1 for a window without any.
    """

    velocity_m_per_ns: Array
    varimax: Array
    entropy: Array

    def best_m_per_ns(self, measure: Literal["varimax", "entropy"] = "varimax") -> Array:
        """(W,) velocity of the sharpest image, between those tried by a parabola through the best three."""
        check_choice(measure, "measure", ("varimax", "entropy"))
        score = self.varimax if measure == "varimax" else -self.entropy
        return np.array([_vertex(self.velocity_m_per_ns, row) for row in score])


@dataclass(frozen=True, slots=True)
class LegBend:
    """How what is left of a response's legs bends after migration.

    Attributes
    ----------
    bend_ns : time by which energy beside the point lies later (positive) or earlier than the point, times the share
        of energy that lies beside it, ns.
    state : "under" for legs that still hang down, migrated with too low a velocity; "over" for legs that have been
        turned up, too high a velocity; "focused" for neither.
    """

    bend_ns: float
    state: Literal["under", "focused", "over"]


def sharpness(image: npt.ArrayLike) -> tuple[float, float]:
    """Varimax and normalised entropy of an image's envelope.

    Parameters
    ----------
    image : (T, S) envelope or any strength, not negative.

    Returns
    -------
    Varimax N Σe⁴/(Σe²)², from 1 for an even image to N for one point; entropy from 1 to 0.

    References
    ----------
    Wiggins 1978, Geoexploration 16:21–35 (varimax). De Vries & Berkhout 1984, Geophysics 49:2132–2138 (minimum
    entropy for velocities).

    Examples
    --------
    >>> tuple(round(value, 6) for value in sharpness([[0.0, 2.0], [0.0, 0.0]]))
    (4.0, 0.0)
    >>> sharpness([[0.0, 0.0]])
    (1.0, 1.0)
    """
    values = check_array(image, "image", ndim=2)
    top = np.abs(values).max()
    if top == 0 or values.size == 1:
        return 1.0, 1.0
    energy = ((values / top) ** 2).ravel()
    total = energy.sum()
    part = energy / total
    live = part[part > 0]
    # 0 · ln 0 counts for nothing; the sum of one point may come out as −0.
    return (
        float(energy.size * (energy**2).sum() / total**2),
        float(max(0.0, -(live * np.log(live)).sum() / np.log(energy.size))),
    )


def focus_curve(
    amplitude: npt.ArrayLike,
    section: Section,
    velocities_m_per_ns: npt.ArrayLike,
    *,
    windows: Sequence[FocusWindow] | None = None,
    method: Method = "stolt",
) -> FocusCurve:
    """Migrate a line with each velocity and measure how sharp its envelope becomes.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling and trace spacing.
    velocities_m_per_ns : (V,) to try, m/ns.
    windows : pieces of the section, one response each; the whole section if left out.
    method : "stolt" is fast and takes the antennas as lying on one another; "kirchhoff" takes their separation in.

    Returns
    -------
    FocusCurve with a row for each window.

    Raises
    ------
    InputError : no velocities, one that cannot be, a window that is empty or leaves the section, no trace spacing.

    Notes
    -----
    Only diffractions and edges tell velocities apart: a window of flat layers has no preference.

    References
    ----------
    Wiggins 1978, Geoexploration 16:21–35. De Vries & Berkhout 1984, Geophysics 49:2132–2138.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.05, centre_mhz=200.0)
    >>> x, t = 0.05 * np.arange(80)[:, None], 0.5 * np.arange(128)
    >>> late = t - 20.0 * np.hypot(1.0, x - 2.0)
    >>> line = np.exp(-((late / 3.0) ** 2)) * np.cos(1.2 * late)
    >>> curve = focus_curve(line, section, [0.08, 0.09, 0.1, 0.11, 0.12])
    >>> bool(abs(curve.best_m_per_ns()[0] - 0.1) < 0.003)
    True
    """
    values = check_traces(amplitude)
    check_choice(method, "method", ("stolt", "kirchhoff"))
    tried = check_array(velocities_m_per_ns, "velocities_m_per_ns", ndim=1)
    for velocity in tried:
        check_velocity(velocity, "velocities_m_per_ns")
    chosen = [FocusWindow((0, len(values)), (0, values.shape[1]))] if windows is None else list(windows)
    for window in chosen:
        _check_window(window, values)
    varimax, entropy = np.ones((len(chosen), len(tried))), np.ones((len(chosen), len(tried)))
    for v, velocity in enumerate(tried):
        strength = envelope(_migrated(values, section, float(velocity), method), section)
        for w, window in enumerate(chosen):
            varimax[w, v], entropy[w, v] = sharpness(strength[slice(*window.traces), slice(*window.samples)])
    return FocusCurve(tried, varimax, entropy)


def leg_bend(
    amplitude: npt.ArrayLike,
    section: Section,
    velocity_m_per_ns: float,
    *,
    window: FocusWindow,
    method: Method = "stolt",
) -> LegBend:
    """Whether a response migrated with a velocity still hangs down, is turned up, or is focused.

    Parameters
    ----------
    amplitude, section, method : as in `focus_curve`.
    velocity_m_per_ns : to migrate with, m/ns.
    window : about the response, its apex near the middle; three periods high or more.

    Returns
    -------
    LegBend. "focused" is within 3 % of a period: no source, set on exact hyperbolas, where a velocity 10 % off gives 5
    to 19 %.

    Raises
    ------
    InputError : as `focus_curve`.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.05, centre_mhz=200.0)
    >>> x, t = 0.05 * np.arange(80)[:, None], 0.5 * np.arange(128)
    >>> late = t - 20.0 * np.hypot(1.0, x - 2.0)
    >>> line = np.exp(-((late / 3.0) ** 2)) * np.cos(1.2 * late)
    >>> around = FocusWindow((20, 60), (20, 70))
    >>> [leg_bend(line, section, v, window=around).state for v in (0.08, 0.1, 0.12)]
    ['under', 'focused', 'over']
    """
    values = check_traces(amplitude)
    check_choice(method, "method", ("stolt", "kirchhoff"))
    _check_window(window, values)
    image = _migrated(values, section, check_velocity(velocity_m_per_ns, "velocity_m_per_ns"), method)
    strength = envelope(image, section)[slice(*window.traces), slice(*window.samples)].astype(np.float64)
    apex = int(strength.max(axis=1).argmax())
    # Strong energies count: the third power keeps the rest of the window out.
    weight = strength**3
    middle = max(1, round(0.05 * len(strength)))
    away = np.abs(np.arange(len(strength)) - apex)
    beside, point = weight[away > middle].sum(axis=0), weight[away <= middle].sum(axis=0)
    total = weight.sum()
    if total == 0:
        return LegBend(0.0, "focused")
    time = section.interval_ns * np.arange(strength.shape[1])
    bend = float((beside * (time - (point * time).sum() / point.sum())).sum() / total)
    limit = _FOCUSED * section.period_ns
    return LegBend(bend, "under" if bend > limit else "over" if bend < -limit else "focused")


def _migrated(values: Traces, section: Section, velocity: float, method: Method) -> Traces:
    if method == "stolt":
        return migrate_stolt(values, section, velocity_m_per_ns=velocity)
    return migrate_kirchhoff(values, section, velocity_m_per_ns=velocity)


def _check_window(window: FocusWindow, values: Traces) -> None:
    for (start, stop), size in ((window.traces, values.shape[0]), (window.samples, values.shape[1])):
        if not 0 <= start < stop <= size:
            raise InputError(
                "a window is empty or leaves the section",
                received=f"traces {window.traces}, samples {window.samples} of {values.shape}",
            )


def _vertex(velocity: Array, score: Array) -> float:
    best = int(score.argmax())
    if best in (0, len(score) - 1):
        return float(velocity[best])
    x, y = velocity[best - 1 : best + 2] - velocity[best], score[best - 1 : best + 2]
    # Shifted to the best one, the parabola is well conditioned, and velocities need not be evenly spaced.
    second, first, _ = np.polyfit(x, y, 2)
    return float(velocity[best]) if second >= 0 else float(velocity[best] - first / (2 * second))
