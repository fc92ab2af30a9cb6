"""Control points: the tie from site metres to a projected system, with residuals and each point left out in turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.model import ControlPoint, Finding

__all__ = ["ControlFit", "control_findings", "fit_control"]

F64 = npt.NDArray[np.float64]
Kind = Literal["helmert", "affine"]
NEEDED = {"helmert": 2, "affine": 3}
FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class ControlFit:
    """A tie between two plane frames.

    Attributes
    ----------
    kind : "helmert" (shift, turn, one scale) or "affine" (two scales and a skew as well).
    matrix, shift : (2, 2), (2,): projected = matrix · site + shift.
    scale, turn_deg : mean scale, and the turn of the site's axes, anticlockwise.
    mirrored : whether one axis runs the other way: then east and north, or x and y, were exchanged.
    residual_m : (P, 2) projected position less the fitted one, (east, north).
    left_out_m : (P,) how far each point lies from where all the others put it; NaN where they are too few.
    sigma_m : standard deviation of one coordinate of one point, from the residuals; NaN where nothing checks.
    spare : coordinates more than needed.
    """

    kind: Kind
    matrix: F64
    shift: F64
    scale: float
    turn_deg: float
    mirrored: bool
    residual_m: F64
    left_out_m: F64
    sigma_m: float
    spare: int

    def forward(self, xy: npt.ArrayLike) -> F64:
        """Site metres (n, 2) to projected metres (n, 2)."""
        return np.asarray(xy, np.float64) @ self.matrix.T + self.shift

    def inverse(self, en: npt.ArrayLike) -> F64:
        """Projected metres (n, 2) to site metres (n, 2)."""
        site: F64 = np.linalg.solve(self.matrix, (np.asarray(en, np.float64) - self.shift).T).T.astype(np.float64)
        return site


def fit_control(points: Sequence[ControlPoint], *, kind: Kind = "helmert") -> ControlFit:
    """Tie the site's frame to a projected one through control points.

    Parameters
    ----------
    points : known in both frames; two for "helmert" and three for "affine" fix it, more check it.
    kind : "affine" is for plans that were stretched by copying; for pegs set out with tapes use "helmert".

    Returns
    -------
    ControlFit.

    Raises
    ------
    InputError : too few points, or points that all lie at one place (or, for "affine", in one line).

    Notes
    -----
    Least squares on coordinates reduced to their means, as digits of eastings would be lost otherwise. A mirrored frame
    has no turn that fits it: it is recognised by the better fit of the mirrored similarity.

    Examples
    --------
    >>> points = [ControlPoint(x=x, y=y, easting=500000 - y, northing=100 + x) for x, y in [(0, 0), (10, 0), (0, 20)]]
    >>> fit = fit_control(points)
    >>> round(fit.scale, 6), round(fit.turn_deg, 6), fit.spare
    (1.0, 90.0, 2)
    """
    check_choice(kind, "kind", ("helmert", "affine"))
    if len(points) < NEEDED[kind]:
        raise InputError(
            f"{'an affine tie' if kind == 'affine' else 'a tie'} needs at least {NEEDED[kind]} control points",
            received=len(points),
            do="measure more pegs in both frames",
        )
    site = np.array([[p.x, p.y] for p in points], np.float64)
    there = np.array([[p.easting, p.northing] for p in points], np.float64)
    matrix, shift = _fit(site, there, kind)
    residual = there - (site @ matrix.T + shift)
    spare = 2 * len(points) - (4 if kind == "helmert" else 6)
    left_out = np.full(len(points), np.nan)
    for k in range(len(points)):
        rest = np.arange(len(points)) != k
        if rest.sum() >= NEEDED[kind] and _spread(site[rest], kind):
            other, moved = _fit(site[rest], there[rest], kind)
            left_out[k] = np.hypot(*(there[k] - (other @ site[k] + moved)))
    return ControlFit(
        kind=kind,
        matrix=matrix,
        shift=shift,
        scale=float(np.sqrt(abs(np.linalg.det(matrix)))),
        turn_deg=float(np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))),
        mirrored=_mirrored(site, there),
        residual_m=residual,
        left_out_m=left_out,
        sigma_m=float(np.sqrt((residual**2).sum() / spare)) if spare > 0 else float("nan"),
        spare=spare,
    )


def control_findings(fit: ControlFit, *, limit_m: float = 0.10) -> list[Finding]:
    """What a tie says: mirrored axes, feet for metres, one point that disagrees, and whether anything checks.

    Parameters
    ----------
    fit : from `fit_control`.
    limit_m : misfit of a point above which it is named, m.

    Examples
    --------
    >>> points = [ControlPoint(x=x, y=y, easting=y, northing=x) for x, y in [(0, 0), (10, 0), (0, 20)]]
    >>> control_findings(fit_control(points))[0].text
    'the frame is mirrored: one pair of axes was exchanged'
    """
    check_positive(limit_m, "limit_m")
    if fit.mirrored:
        return [
            Finding(
                "fault",
                "control-mirrored",
                "the frame is mirrored: one pair of axes was exchanged",
                do="exchange x and y, or easting and northing, of all control points",
            )
        ]
    findings = []
    for factor, word in (
        (FOOT_M, "site coordinates look like feet"),
        (1 / FOOT_M, "projected coordinates look like feet"),
    ):
        if abs(fit.scale / factor - 1) < 0.01:
            findings.append(Finding("fault", "control-feet", word, received=f"scale {fit.scale:.4f}", do="give metres"))
    far = np.hypot(*fit.residual_m.T)
    if fit.spare <= 0:
        text = "nothing checks the control points: there are no more than are needed"
        findings.append(Finding("warning", "control-unchecked", text, do="measure one more peg in both frames"))
    elif not findings and max(np.nanmax(fit.left_out_m, initial=0.0), far.max()) > limit_m:
        known = np.where(np.isfinite(fit.left_out_m), fit.left_out_m, far)
        worst = int(known.argmax())
        findings.append(
            Finding(
                "warning",
                "control-misfit",
                f"control point {worst + 1} does not fit the others",
                received=f"{known[worst]:.2f} m from where they put it, {far[worst]:.2f} m after the fit of all",
                do="check its coordinates in both frames, and measure it again",
            )
        )
    return findings


def _spread(site: F64, kind: Kind) -> bool:
    size = np.linalg.svd(site - site.mean(axis=0), compute_uv=False)
    return bool(size[0] > 0 and (kind == "helmert" or size[-1] > 1e-6 * size[0]))


def _fit(site: F64, there: F64, kind: Kind) -> tuple[F64, F64]:
    if not _spread(site, kind):
        raise InputError(
            "the control points lie in one line" if kind == "affine" else "the control points lie at one place",
            received=f"{len(site)} points",
            do="choose points around the site",
        )
    middle, target = site.mean(axis=0), there.mean(axis=0)
    p, q = site - middle, there - target
    if kind == "affine":
        matrix = np.linalg.lstsq(p, q, rcond=None)[0].T
    else:
        matrix = _similarity(p, q)
    return matrix, target - matrix @ middle


def _similarity(p: F64, q: F64) -> F64:
    """Turn and scale that bring p nearest to q; as complex numbers, q ≈ c·p."""
    z, w = p[:, 0] + 1j * p[:, 1], q[:, 0] + 1j * q[:, 1]
    c = np.vdot(z, w) / np.vdot(z, z).real
    return np.array([[c.real, -c.imag], [c.imag, c.real]])


def _mirrored(site: F64, there: F64) -> bool:
    p, q = site - site.mean(axis=0), there - there.mean(axis=0)
    # Two points, or points in one line, fit as well mirrored.
    if np.linalg.svd(p, compute_uv=False)[-1] < 1e-3 * np.linalg.norm(p):
        return False
    turned = p * (1.0, -1.0)
    straight = float(np.linalg.norm(q - p @ _similarity(p, q).T))
    return float(np.linalg.norm(q - turned @ _similarity(turned, q).T)) < 0.5 * straight
