"""Robust fit of a curve to picked times, and an honest covariance where neighbouring picks err together."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["HUBER", "CurveFit", "FitErrors", "fit_curve", "fit_errors"]

F64 = npt.NDArray[np.float64]
Model = Callable[[F64], tuple[F64, F64]]

HUBER: Final = 1.345
"""Residuals beyond this many scales count less; 95 % efficient for normal errors (Huber 1981)."""
STEPS: Final = 60
_CORRELATIONS: Final = np.concatenate([np.linspace(0.0, 0.9, 19), [0.93, 0.95, 0.97, 0.98]])
"""Correlations of neighbouring picks that are tried."""


class CurveFit(NamedTuple):
    """What fits best: parameters (p,), residuals, weights (n,), derivatives (n, p), scale, and whether it settled."""

    parameters: F64
    residual: F64
    weight: F64
    slopes: F64
    scale: float
    settled: bool


class FitErrors(NamedTuple):
    """Covariance (p, p); degrees of freedom; correlation of neighbouring picks; how many free picks they are worth."""

    covariance: F64
    dof: float
    correlation: float
    n_effective: float


def fit_curve(
    model: Model, start: F64, observed: F64, *, scale: float | None = None, least_scale: float = 1e-6
) -> CurveFit:
    """Huber fit by reweighted Gauss–Newton steps, damped where a step would not help.

    Parameters
    ----------
    model : parameters (p,) to times (n,) and derivatives (n, p).
    start : (p,) first guess.
    observed : (n,) times.
    scale : one standard deviation of a pick; left out, 1.4826 × the median size of the residuals, at every step.
    least_scale : lower limit of the scale that is found.
    """
    now = start.copy()
    times, slopes = model(now)
    residual = observed - times
    held = _scale(residual, len(now), least_scale) if scale is None else scale
    damping, settled = 1e-8, False
    for _ in range(STEPS):
        weight = _weights(residual, held)
        normal = slopes.T @ (weight[:, None] * slopes)
        size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        step = np.linalg.solve(
            normal / np.outer(size, size) + damping * np.eye(len(now)), slopes.T @ (weight * residual) / size
        )
        trial = now + step / size
        trial_times, trial_slopes = model(trial)
        trial_residual = observed - trial_times
        before, after = _loss(residual, held), _loss(trial_residual, held)
        if not after <= before * (1 + 1e-12) + 1e-300:
            damping = max(damping * 10.0, 1e-6)
            if damping > 1e8:
                break
            continue
        gain = before - after
        now, residual, slopes = trial, trial_residual, trial_slopes
        damping = max(damping * 0.1, 1e-12)
        new = _scale(residual, len(now), least_scale) if scale is None else scale
        small = float(np.abs(step).max()) <= 1e-9 * max(1.0, float(np.abs(now * size).max()))
        if small or (gain <= 1e-14 * before and abs(new - held) <= 1e-9 * held):
            settled, held = True, new
            break
        held = new
    return CurveFit(now, residual, _weights(residual, held), slopes, held, settled)


def fit_errors(fit: CurveFit, order: F64) -> FitErrors:
    """Covariance of a fit whose neighbouring picks are correlated; `order` (n,) is their place along the line.

    Notes
    -----
    Residuals of a fit look less correlated than the errors are, the more so the fewer the picks. So the correlation ρ
    of neighbours (ρ^k at k steps) is the one that would give the residuals' own: with M = 1 − H (H projects on the
    derivatives), tr(M D M R_ρ)/tr(M R_ρ) equals the ratio seen, D picking neighbours; one standard error (Bartlett) is
    added, since too small a ρ is the costlier mistake. The covariance is (JᵀJ)⁻¹ Jᵀ R J (JᵀJ)⁻¹ times the variance
    ψᵀψ/tr(M R), corrected for Huber's loss. Degrees of freedom are Satterthwaite's (tr MR)²/tr(MRMR).

    References
    ----------
    Huber 1981, Robust Statistics, §7.6. Satterthwaite 1946, Biometrics Bull. 2:110–114. Bartlett 1946, J. R. Stat. Soc.
    Suppl. 8:27–41. (All from memory.)
    """
    rank = np.argsort(order, kind="stable")
    slopes, psi = fit.slopes[rank], (fit.weight * fit.residual)[rank]
    n, p = slopes.shape
    size = np.sqrt(np.maximum((slopes**2).sum(axis=0), 1e-300))
    base, triangle = np.linalg.qr(slopes / size)
    bound = np.abs(fit.residual) >= HUBER * fit.scale
    linear = max(float(1.0 - bound.mean()), 0.3)
    factor = (1.0 + p / n * (1.0 - linear) / linear) / linear
    rho = _correlation(base, psi)
    matrix = (rho ** np.arange(n))[np.abs(np.subtract.outer(np.arange(n), np.arange(n)))]
    within = matrix @ base
    kept = matrix - base @ within.T  # M R
    trace = float(np.trace(kept))
    # tr(MRMR) of M R with M a projection.
    square = float((kept * (kept - (kept @ base) @ base.T).T).sum()) if n <= 400 else trace
    variance = float(psi @ psi) / max(trace, 1e-9)
    inverse = np.linalg.inv(triangle) if abs(np.linalg.det(triangle)) > 1e-14 else np.linalg.pinv(triangle)
    scaled = inverse @ (base.T @ within) @ inverse.T
    covariance = factor**2 * variance * scaled / np.outer(size, size)
    dof = max(trace**2 / max(square, 1e-12), 1.0)
    n_effective = n**2 / float(matrix.sum())
    return FitErrors(covariance, dof, rho, n_effective)


def _correlation(base: F64, psi: F64) -> float:
    """Correlation of neighbouring errors that explains that of neighbouring residuals, plus one standard error."""
    n = len(psi)
    total = float(psi @ psi)
    if total <= 0 or n < 5:
        return 0.0
    seen = float(psi[1:] @ psi[:-1]) / total
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    inner = base.T @ _neighbours(base)
    expected = np.empty(len(_CORRELATIONS))
    for i, rho in enumerate(_CORRELATIONS):
        matrix = (rho ** np.arange(n))[lag]
        within = matrix @ base
        gram = base.T @ within
        level = n - float(np.trace(gram))
        # tr(M D M R) = tr(DR) − 2 tr(Qᵀ D R Q) + tr(QᵀDQ QᵀRQ)
        pairs = (n - 1) * rho - 2.0 * float((_neighbours(base) * within).sum()) + float((inner * gram).sum())
        expected[i] = pairs / level
    rising = np.maximum.accumulate(expected)
    wanted = seen + np.sqrt(max(1.0 - seen**2, 0.0) / n)
    return float(np.interp(wanted, rising, _CORRELATIONS))


def _neighbours(values: F64) -> F64:
    """D·values: half the sum of both neighbours, along the first axis."""
    out = np.zeros_like(values)
    out[1:] += 0.5 * values[:-1]
    out[:-1] += 0.5 * values[1:]
    return out


def _scale(residual: F64, parameters: int, least: float) -> float:
    n = len(residual)
    spread = 1.4826 * float(np.median(np.abs(residual))) * np.sqrt(n / max(n - parameters, 1))
    return max(spread, least)


def _weights(residual: F64, scale: float) -> F64:
    return np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-300))


def _loss(residual: F64, scale: float) -> float:
    u = np.abs(residual) / scale
    return float(np.where(u <= HUBER, 0.5 * u * u, HUBER * u - 0.5 * HUBER**2).sum())
