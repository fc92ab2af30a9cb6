"""Moveout of one event on a gather: a reflection's hyperbola or a direct wave's straight line, fitted to picks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_in_range
from yewline.errors import InputError
from yewline.signal.velocity.estimate import VelocityEstimate
from yewline.signal.velocity.hyperbola import VelocityKind, velocity_kind
from yewline.signal.velocity.robust import fit_curve, fit_errors

__all__ = ["FEWEST", "Moveout", "MoveoutFit", "check_offsets", "fit_moveout", "moveout_times"]

F64 = npt.NDArray[np.float64]
Moveout = Literal["reflection", "linear"]

FEWEST: Final = 5
"""Offsets that a moveout needs."""


@dataclass(frozen=True, slots=True)
class MoveoutFit:
    """A reflection, t² = t0² + x²/v², or a direct wave, t = t0 + x/v.

    Attributes
    ----------
    moveout : "reflection" or "linear".
    t0_ns : time at no offset, ns; of a direct wave what time zero is off.
    v_m_per_ns : of a reflection the root mean square velocity down to it, of a direct wave its own.
    covariance : of t0 and v.
    dof : degrees of freedom behind it.
    offsets_m : (n,) of the picks.
    picks_ns : (n,) the picks.
    rms_ns : of the residuals.
    semblance : coherence along the curve; None where not measured.
    cautions : "short-spread" where the offsets span less than half the depth.
    """

    moveout: Moveout
    t0_ns: float
    v_m_per_ns: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    dof: float
    offsets_m: tuple[float, ...]
    picks_ns: tuple[float, ...]
    rms_ns: float
    semblance: float | None = None
    cautions: tuple[str, ...] = ()

    @property
    def sigma_v_m_per_ns(self) -> float:
        """Standard deviation of the velocity, m/ns."""
        return math.sqrt(self.covariance[1][1])

    @property
    def sigma_t0_ns(self) -> float:
        """Standard deviation of the time at no offset, ns."""
        return math.sqrt(self.covariance[0][0])

    @property
    def kind(self) -> VelocityKind:
        """What the velocity can belong to: see `velocity_kind`."""
        return velocity_kind(self.v_m_per_ns, self.sigma_v_m_per_ns)

    def estimate(self, label: str = "") -> VelocityEstimate:
        """The same as a `VelocityEstimate`: a reflection's down to its depth, a direct wave's of the uppermost soil."""
        deep = 0.5 * self.t0_ns * self.v_m_per_ns if self.moveout == "reflection" else 0.3
        return VelocityEstimate(
            self.v_m_per_ns,
            self.sigma_v_m_per_ns,
            "reflection moveout" if self.moveout == "reflection" else "ground wave",
            depth_to_m=max(deep, 1e-3),
            n=1,
            dof=self.dof,
            label=label,
            cautions=self.cautions,
        )


def fit_moveout(
    offset_m: npt.ArrayLike,
    times_ns: npt.ArrayLike,
    *,
    moveout: Moveout = "reflection",
    start: tuple[float, float] | None = None,
    zero_sigma_ns: float = 0.0,
) -> MoveoutFit:
    """Fit t0 and v to picked arrivals over offset; robust, with errors correlated along the offsets.

    Parameters
    ----------
    offset_m : (n,) distance between transmitter and receiver, m; five at least.
    times_ns : (n,) arrivals, ns after time zero.
    moveout : "reflection" for t² = t0² + x²/v², "linear" for t = t0 + x/v.
    start : first guess of t0 and v; left out, from a straight line.
    zero_sigma_ns : standard deviation of time zero, the same for all picks, ns.

    Returns
    -------
    MoveoutFit

    Raises
    ------
    InputError : fewer than five offsets, or times that do not grow with offset.

    Examples
    --------
    >>> fit = fit_moveout([0.0, 0.5, 1.0, 1.5, 2.0], [20.0, 20.61553, 22.36068, 25.0, 28.28427])
    >>> round(fit.t0_ns, 3), round(fit.v_m_per_ns, 4)
    (20.0, 0.1)
    """
    x, t = check_offsets(offset_m), check_array(times_ns, "times_ns", ndim=1)
    check_choice(moveout, "moveout", ("reflection", "linear"))
    check_in_range(zero_sigma_ns, "zero_sigma_ns", 0.0, 1e3)
    if x.shape != t.shape:
        raise InputError("each pick has an offset and a time", received=f"{len(x)} offsets and {len(t)} times")
    if len(np.unique(x)) < FEWEST:
        raise InputError(f"a moveout needs {FEWEST} offsets or more", received=len(np.unique(x)))
    power = 2 if moveout == "reflection" else 1
    slope, level = np.polyfit(x**power, t**power, 1)
    if not slope > 0:
        raise InputError(
            "these times do not grow with offset: no velocity follows from them",
            received=f"{t.min():.2f} to {t.max():.2f} ns over {np.ptp(x):.2f} m",
            do="check the offsets, and pick one event",
        )
    first = (max(level, 0.01 * float(t.min()) ** power) ** (1 / power) if power == 2 else level, slope ** (-1 / power))
    guess = np.array(first if start is None else start, dtype=np.float64)

    def model(p: F64) -> tuple[F64, F64]:
        v = max(float(p[1]), 1e-4)
        if moveout == "linear":
            return p[0] + x / v, np.stack([np.ones_like(x), -x / v**2], axis=1)
        times = np.maximum(np.hypot(p[0], x / v), 1e-9)
        return times, np.stack([p[0] / times, -(x**2) / (v**3 * times)], axis=1)

    fit = fit_curve(model, guess, t, least_scale=1e-5 * float(np.median(np.abs(t)) + 1e-3))
    t0, v = float(fit.parameters[0]), float(fit.parameters[1])
    if not (1e-3 <= v <= 10.0 and math.isfinite(t0) and (moveout == "linear" or abs(t0) > 0)):
        raise InputError("no moveout fits these picks", received=f"t0 {t0:.3g} ns and v {v:.3g} m/ns")
    errors = fit_errors(fit, x)
    solve = np.linalg.pinv(fit.slopes)
    moved = solve @ np.full(len(x), zero_sigma_ns)
    total = errors.covariance + np.outer(moved, moved)
    cautions = ("short-spread",) if moveout == "reflection" and np.ptp(x) < 0.25 * abs(t0) * v else ()
    return MoveoutFit(
        moveout,
        abs(t0) if moveout == "reflection" else t0,
        v,
        ((float(total[0, 0]), float(total[0, 1])), (float(total[1, 0]), float(total[1, 1]))),
        errors.dof,
        tuple(x.tolist()),
        tuple(t.tolist()),
        float(np.sqrt(np.mean(fit.residual**2))),
        cautions=cautions,
    )


def moveout_times(offset: F64, moveout: Moveout, t0: F64 | float, v: float) -> F64:
    """Times of a reflection or a direct wave at offsets."""
    return np.asarray(np.hypot(t0, offset / v) if moveout == "reflection" else t0 + offset / v)


def check_offsets(offset_m: npt.ArrayLike | None) -> F64:
    """Offsets (T,) as distances; refused where there are none."""
    if offset_m is None:
        raise InputError(
            "a gather without offsets gives no velocity",
            received="none",
            do="give the distance between transmitter and receiver for each trace",
        )
    return np.abs(check_array(offset_m, "offset_m", ndim=1))
