"""Latency: positions that arrive late, from lines walked both ways over the same target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yewline._check import check_choice, check_finite, check_positive
from yewline.errors import InputError
from yewline.model import Finding
from yewline.units import Z90

__all__ = ["LatencyEstimate", "TargetPass", "estimate_latency", "latency_findings"]

SPEEDS_DIFFER = 0.15
"""Spread of speeds, as a share of their mean, from which a lag and a fixed lead can be told apart."""


@dataclass(frozen=True, slots=True)
class TargetPass:
    """One walk over a target.

    Attributes
    ----------
    target : which.
    direction : "forward" or "reverse".
    speed_m_per_s : walking speed there.
    place_m : where along the line the recording shows it, by the positions as logged.
    sigma_m : standard deviation of `place_m`.
    """

    target: str
    direction: str
    speed_m_per_s: float
    place_m: float
    sigma_m: float = 0.03

    def __post_init__(self) -> None:
        check_choice(self.direction, "direction", ("forward", "reverse"))
        check_positive(self.speed_m_per_s, "speed_m_per_s")
        check_finite(self.place_m, "place_m")
        check_positive(self.sigma_m, "sigma_m")


@dataclass(frozen=True, slots=True)
class LatencyEstimate:
    """How late positions are, and how far their sensor stands from the antenna.

    Attributes
    ----------
    latency_s, sigma_s : positions logged now were true so long ago; its standard deviation.
    lead_m, lead_sigma_m : how far ahead of the antenna the position sensor is carried; taken as 0 (sigma NaN)
        where all walks were equally fast, for then nothing tells it from latency.
    misfit : root mean square of residuals, in their standard deviations.
    passes, targets : how many.
    """

    latency_s: float
    sigma_s: float
    lead_m: float
    lead_sigma_m: float
    misfit: float
    passes: int
    targets: int

    def offset_m(self, speed_m_per_s: float) -> float:
        """How far too far ahead, in the direction of walking, traces are placed at a speed, m."""
        return self.lead_m - self.latency_s * speed_m_per_s


def estimate_latency(passes: Sequence[TargetPass]) -> LatencyEstimate:
    """Estimate latency from targets passed in both directions.

    Parameters
    ----------
    passes : at least one target in both directions; walks at different speeds tell latency from a fixed lead.

    Returns
    -------
    LatencyEstimate. A negative latency means that positions are stamped early.

    Raises
    ------
    InputError : no target was passed in both directions.

    Notes
    -----
    A target at X shows at X + d·(a − v·τ): d = ±1 is the direction, v the speed, τ the latency and a the lead of the
    sensor. X of each target, τ and a follow by weighted least squares; standard deviations grow with the misfit
    where that is above one and there is more than one degree of freedom.

    References
    ----------
    Böniger & Tronicke 2010, Near Surface Geophysics 8 (walks both ways over one target; from memory).

    Examples
    --------
    >>> found = estimate_latency([
    ...     TargetPass("pipe", "forward", 1.0, 4.8), TargetPass("pipe", "reverse", 1.0, 5.2)])
    >>> round(found.latency_s, 3), round(found.sigma_s, 3)
    (0.2, 0.021)
    """
    both = {p.target for p in passes if p.direction == "forward"} & {
        p.target for p in passes if p.direction == "reverse"
    }
    used = [p for p in passes if p.target in both]
    if not used:
        raise InputError(
            "no target was passed in both directions", received=f"{len(passes)} passes", do="walk over it both ways"
        )
    names = sorted(both)
    sign = np.array([1.0 if p.direction == "forward" else -1.0 for p in used])
    speed = np.array([p.speed_m_per_s for p in used])
    weight = 1.0 / np.array([p.sigma_m for p in used])
    place = np.array([p.place_m for p in used])
    known = np.array([[p.target == name for name in names] for p in used], np.float64)
    apart = bool(np.std(speed) > SPEEDS_DIFFER * speed.mean()) and len(used) >= len(names) + 2
    columns = [known, (-sign * speed)[:, None]] + ([sign[:, None]] if apart else [])
    design = np.concatenate(columns, axis=1) * weight[:, None]
    solution = np.linalg.lstsq(design, place * weight, rcond=None)[0]
    residual = place * weight - design @ solution
    free = len(used) - design.shape[1]
    misfit = float(np.sqrt((residual**2).sum() / free)) if free > 0 else 0.0
    grown = max(1.0, misfit) if free > 1 else 1.0
    spread = grown * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
    at = len(names)
    return LatencyEstimate(
        latency_s=float(solution[at]),
        sigma_s=float(spread[at]),
        lead_m=float(solution[at + 1]) if apart else 0.0,
        lead_sigma_m=float(spread[at + 1]) if apart else float("nan"),
        misfit=misfit,
        passes=len(used),
        targets=len(names),
    )


def latency_findings(estimate: LatencyEstimate, *, speed_m_per_s: float = 1.0, least_m: float = 0.05) -> list[Finding]:
    """A warning where latency displaces traces by more than `least_m` at a walking speed.

    Examples
    --------
    >>> late = LatencyEstimate(0.2, 0.02, 0.0, float("nan"), 0.0, 2, 1)
    >>> latency_findings(late)[0].received
    '0.200 ± 0.033 s (90 %): 0.20 m at 1 m/s, twice that between lines walked both ways'
    """
    shift = abs(estimate.latency_s * speed_m_per_s)
    if shift <= least_m or abs(estimate.latency_s) <= 2 * estimate.sigma_s:
        return []
    word = "late" if estimate.latency_s > 0 else "early"
    return [
        Finding(
            "warning",
            "latency",
            f"positions arrive {word}",
            received=(
                f"{estimate.latency_s:.3f} ± {Z90 * estimate.sigma_s:.3f} s (90 %): {shift:.2f} m at "
                f"{speed_m_per_s:g} m/s, twice that between lines walked both ways"
            ),
            do="enter it in the positioning's settings, or take it out of the tracks",
        )
    ]
