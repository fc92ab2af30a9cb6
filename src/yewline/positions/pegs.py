"""Grid pegs: measured distances and diagonals adjusted by least squares, with errors, closure and outliers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from yewline._check import check_finite, check_positive
from yewline.errors import InputError
from yewline.model import Finding

__all__ = ["PegDistance", "PegNetwork", "adjust_pegs", "peg_findings"]

F64 = npt.NDArray[np.float64]

SUSPECT = 3.29
"""Standardised residual of one measurement in a thousand (Baarda 1968: a data-snooping test at 0.1 %)."""


@dataclass(frozen=True, slots=True)
class PegDistance:
    """One measured distance between two pegs: a side or a diagonal, level or reduced to level.

    Attributes
    ----------
    a, b : names of the pegs.
    distance_m, sigma_m : as measured, and its standard deviation (a tape: 0.02 to 0.05 m; from memory, no source).
    """

    a: str
    b: str
    distance_m: float
    sigma_m: float = 0.03

    def __post_init__(self) -> None:
        check_positive(check_finite(self.distance_m, "distance_m"), "distance_m")
        check_positive(self.sigma_m, "sigma_m")
        if self.a == self.b:
            raise InputError("a distance needs two pegs", received=f"{self.a} to {self.b}")


@dataclass(frozen=True, slots=True)
class PegNetwork:
    """Where pegs lie after the adjustment.

    Attributes
    ----------
    place : name to (x, y), m, in the frame of the plan.
    sigma_m : name to the larger half-axis of its standard error ellipse, m, in the plan's frame.
    residual_m : (M,) measured less adjusted.
    standardised : (M,) residuals in their own standard deviations; NaN for a distance that nothing else checks.
    outlier : (M,) distances that contradict all others and were not used.
    closure : root mean square of residuals in standard deviations, 1 where errors are as stated; NaN if nothing checks.
    p : probability that errors as stated give so poor a closure.
    spare : measurements more than needed.
    moved_m : name to how far the peg lies from its plan, m.
    """

    place: dict[str, tuple[float, float]]
    sigma_m: dict[str, float]
    residual_m: F64
    standardised: F64
    outlier: npt.NDArray[np.bool_]
    closure: float
    p: float
    spare: int
    moved_m: dict[str, float]


def adjust_pegs(plan: Mapping[str, tuple[float, float]], measured: Sequence[PegDistance]) -> PegNetwork:
    """Adjust pegs to the distances measured between them.

    Parameters
    ----------
    plan : name to (x, y) as planned, m: where to begin, and what the frame is.
    measured : sides and diagonals.

    Returns
    -------
    PegNetwork. Distances fix the pegs' shape only; shift and turn are those that leave the plan least moved.

    Raises
    ------
    InputError : fewer than three pegs, a distance to an unknown peg, or pegs whose shape the distances leave open.

    Notes
    -----
    Gauss–Newton on weighted squares with a free datum: the three conditions of Helmert's inner constraints (no mean
    shift, no mean turn against the plan). The worst distance beyond 3.29 of its own standard deviations is left out
    and all is done again, while something checks the rest (data snooping).

    References
    ----------
    Baarda 1968, A testing procedure for use in geodetic networks. Ghilani 2017, Adjustment Computations.

    Examples
    --------
    >>> plan = {"A": (0, 0), "B": (20, 0), "C": (20, 10), "D": (0, 10)}
    >>> diagonal = 500 ** 0.5
    >>> found = adjust_pegs(plan, [PegDistance("A", "B", 20), PegDistance("B", "C", 10), PegDistance("C", "D", 20),
    ...     PegDistance("D", "A", 10), PegDistance("A", "C", diagonal), PegDistance("B", "D", diagonal)])
    >>> found.spare, round(max(found.moved_m.values()), 6)
    (1, 0.0)
    """
    names = list(plan)
    if len(names) < 3:
        raise InputError("a network needs three pegs at least", received=f"{len(names)}", do="give their plan")
    for each in measured:
        for name in (each.a, each.b):
            if name not in plan:
                raise InputError(
                    "a distance names a peg that is not in the plan", received=name, do="add it to the plan"
                )
    start = np.array([plan[name] for name in names], np.float64)
    number = {name: k for k, name in enumerate(names)}
    ends = np.array([[number[each.a], number[each.b]] for each in measured], np.intp).reshape(-1, 2)
    said = np.array([each.distance_m for each in measured])
    sigma = np.array([each.sigma_m for each in measured])
    used = np.ones(len(measured), bool)
    need = 2 * len(names) - 3
    while True:
        place, cover = _solve(start, ends[used], said[used], sigma[used], need)
        residual = said - _distances(place, ends)
        slope = _slopes(place, ends)
        own = sigma**2 - np.einsum("mi,ij,mj->m", slope, cover, slope)
        checked = used & (own > 1e-6 * sigma**2)
        standardised = np.full(len(said), np.nan)
        standardised[checked] = residual[checked] / np.sqrt(own[checked])
        worst = int(np.nanargmax(np.abs(standardised))) if checked.any() else -1
        if worst < 0 or abs(standardised[worst]) <= SUSPECT or used.sum() - 1 <= need:
            break
        without = used.copy()
        without[worst] = False
        if not _fixed(start, ends[without], sigma[without], need):
            break
        used = without
    # A distance that was left out errs by itself and by the network that the others give.
    out = ~used
    reach = sigma**2 + np.einsum("mi,ij,mj->m", slope, cover, slope)
    standardised[out] = residual[out] / np.sqrt(reach[out])
    spare = int(used.sum()) - need
    squares = float(((residual[used] / sigma[used]) ** 2).sum())
    axes = [
        float(np.sqrt(np.linalg.eigvalsh(cover[2 * k : 2 * k + 2, 2 * k : 2 * k + 2])[-1])) for k in range(len(names))
    ]
    moved = np.hypot(*(place - start).T)
    return PegNetwork(
        place={name: (float(place[k, 0]), float(place[k, 1])) for k, name in enumerate(names)},
        sigma_m=dict(zip(names, axes, strict=True)),
        residual_m=residual,
        standardised=standardised,
        outlier=out,
        closure=float(np.sqrt(squares / spare)) if spare > 0 else float("nan"),
        p=float(chi2.sf(squares, spare)) if spare > 0 else float("nan"),
        spare=spare,
        moved_m={name: float(moved[k]) for k, name in enumerate(names)},
    )


def peg_findings(
    network: PegNetwork, measured: Sequence[PegDistance], *, limit_m: float = 0.10, level: float = 0.01
) -> list[Finding]:
    """What an adjustment says: outliers, closure, pegs off their plan, and whether anything checks at all.

    Parameters
    ----------
    network, measured : from and for `adjust_pegs`.
    limit_m : pegs further than this from their plan are named, m (0.10: from memory, no source).
    level : closure with a smaller probability is named.
    """
    findings = []
    for each, residual, out in zip(measured, network.residual_m, network.outlier, strict=True):
        if out:
            text = f"the distance from peg {each.a} to peg {each.b} contradicts all others, and is not used"
            received = f"{each.distance_m:.2f} m, {residual:+.2f} m from what they give"
            findings.append(Finding("warning", "peg-distance", text, received=received, do="measure it again"))
    if network.spare <= 0:
        text = "nothing checks the pegs: there are no more distances than are needed"
        findings.append(Finding("warning", "peg-unchecked", text, do="measure both diagonals"))
    elif network.p < level:
        received = f"{network.closure:.1f} times the errors stated, p {network.p:.2g}"
        findings.append(
            Finding(
                "warning",
                "peg-closure",
                "the pegs' distances do not close",
                received=received,
                do="measure them again, with the tape level and taut",
            )
        )
    for name, moved in network.moved_m.items():
        if moved > limit_m:
            received = f"({network.place[name][0]:.2f}, {network.place[name][1]:.2f}), {moved:.2f} m from the plan"
            findings.append(
                Finding(
                    "warning",
                    "peg-moved",
                    f"peg {name} does not lie where the plan has it",
                    received=received,
                    do="set it anew, or give lines the place it has",
                )
            )
    return findings


def _distances(place: F64, ends: npt.NDArray[np.intp]) -> F64:
    return np.hypot(*(place[ends[:, 0]] - place[ends[:, 1]]).T)


def _slopes(place: F64, ends: npt.NDArray[np.intp]) -> F64:
    """(M, 2P) derivative of each distance by each coordinate."""
    off = place[ends[:, 0]] - place[ends[:, 1]]
    unit = off / np.hypot(*off.T)[:, None]
    slope = np.zeros((len(ends), 2 * len(place)))
    rows = np.arange(len(ends))
    for axis in (0, 1):
        slope[rows, 2 * ends[:, 0] + axis] += unit[:, axis]
        slope[rows, 2 * ends[:, 1] + axis] -= unit[:, axis]
    return slope


def _constraints(place: F64) -> F64:
    """Shift along x and y, and turn: what distances cannot tell."""
    centred = place - place.mean(axis=0)
    rows = np.zeros((3, 2 * len(place)))
    rows[0, 0::2], rows[1, 1::2] = 1.0, 1.0
    rows[2, 0::2], rows[2, 1::2] = -centred[:, 1], centred[:, 0]
    return rows / np.linalg.norm(rows, axis=1)[:, None]


def _fixed(place: F64, ends: npt.NDArray[np.intp], sigma: F64, need: int) -> bool:
    weighted = _slopes(place, ends) / sigma[:, None]
    size = np.linalg.svd(weighted, compute_uv=False)
    return len(size) >= need and bool(size[need - 1] > 1e-6 * size[0])


def _solve(start: F64, ends: npt.NDArray[np.intp], said: F64, sigma: F64, need: int) -> tuple[F64, F64]:
    if len(ends) < need or not _fixed(start, ends, sigma, need):
        raise InputError(
            "the distances leave the pegs' shape open",
            received=f"{len(ends)} distances for {len(start)} pegs, at least {need} needed",
            do="measure more sides or diagonals",
        )
    datum = _constraints(start)
    place = start.copy()
    for _ in range(30):
        slope = _slopes(place, ends) / sigma[:, None]
        rest = (said - _distances(place, ends)) / sigma
        # The datum's own rows keep the sum of moves against the plan without shift and turn.
        moved = (place - start).ravel()
        top = np.vstack([slope, datum / sigma.min()])
        target = np.concatenate([rest, -(datum @ moved) / sigma.min()])
        step = np.linalg.lstsq(top, target, rcond=None)[0]
        place = place + step.reshape(-1, 2)
        if np.abs(step).max() < 1e-10:
            break
    slope = _slopes(place, ends) / sigma[:, None]
    normal = slope.T @ slope
    bordered = np.block([[normal, datum.T], [datum, np.zeros((3, 3))]])
    return place, np.linalg.inv(bordered)[: normal.shape[0], : normal.shape[0]]
