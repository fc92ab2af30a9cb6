"""How alike neighbouring lines look, how alike chance would make them, and whether their order matters at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.model import Finding
from yewline.positions.images import LineImages
from yewline.statistics import monte_carlo_p

__all__ = [
    "Likeness",
    "Placebo",
    "neighbours",
    "order_placebo",
    "pair_correlation",
    "placebo_findings",
    "survey_likeness",
]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Known = npt.NDArray[np.bool_]

SHARED = 0.5
"""Share of the shorter line that two lines must have in common to be compared."""
SHIFTS = (0.23, 0.31, 0.39, 0.47, 0.56, 0.64, 0.72)
"""Shifts along the line, as shares of its length, at which two lines show different ground."""
LEAST_SPREAD = 1e-3


@dataclass(frozen=True, slots=True)
class Likeness:
    """What correlations between lines are like in one survey.

    Attributes
    ----------
    near, near_sd : median and spread between neighbours.
    next, next_sd : the same for lines two apart.
    chance, chance_sd : mean and spread between places that have nothing to do with one another.
    pairs : how many pairs of neighbours were compared.
    """

    near: float
    near_sd: float
    next: float
    next_sd: float
    chance: float
    chance_sd: float
    pairs: int

    def expected(self, steps: int) -> tuple[float, float]:
        """Correlation and its spread between lines `steps` spacings apart; beyond two it falls on as it began."""
        if steps <= 1:
            return self.near, self.near_sd
        if steps == 2:
            return self.next, self.next_sd
        above, near = max(self.next - self.chance, 0.0), max(self.near - self.chance, 1e-9)
        return self.chance + above * min(above / near, 1.0) ** (steps - 2), self.next_sd


@dataclass(frozen=True, slots=True)
class Placebo:
    """Whether the order of lines shows in what they recorded.

    Attributes
    ----------
    observed : mean correlation of neighbours as the table of lines orders them.
    shuffled, shuffled_sd : mean and spread of the same over shuffled orders.
    p : share of orders that look as good, by (b + 1)/(m + 1).
    draws : how many orders were drawn.
    lines : how many lines.
    """

    observed: float
    shuffled: float
    shuffled_sd: float
    p: float
    draws: int
    lines: int


def neighbours(images: LineImages, *, apart: tuple[int, ...] = (1, 2)) -> list[tuple[int, int, int]]:
    """Pairs of lines (i, j, steps apart) that run beside one another over at least half of the shorter one.

    Examples
    --------
    Lines on one track are 0 steps apart; the room between two lines counts in usual spacings.

    >>> images = LineImages(
    ...     ("A", "B", "C"), (1.0, 0.0), np.array([1, -1, 1]), np.array([0.0, 0.5, 1.5]), 0.5, np.arange(3.0),
    ...     (np.zeros((3, 1), np.float32),) * 3, (np.arange(3.0),) * 3)
    >>> neighbours(images)
    [(0, 1, 1), (1, 2, 2)]
    """
    if not np.isfinite(images.spacing_m):
        return []
    spans = [(float(a.min()), float(a.max())) for a in images.along_m]
    pairs = []
    for i in range(len(images.names)):
        for j in range(i + 1, len(images.names)):
            steps = round((images.across_m[j] - images.across_m[i]) / images.spacing_m)
            if steps > max(apart):
                break
            low, high = max(spans[i][0], spans[j][0]), min(spans[i][1], spans[j][1])
            shorter = min(spans[i][1] - spans[i][0], spans[j][1] - spans[j][0])
            if steps in apart and shorter > 0 and high - low >= SHARED * shorter:
                pairs.append((i, j, steps))
    return pairs


def pair_correlation(pictures: F32, known: Known, others: F32, others_known: Known) -> F64:
    """Correlation (P, Q) of `pictures` (P, N, K) with `others` (Q, N, K), over stations that both know.

    Examples
    --------
    >>> a = np.random.default_rng(0).normal(size=(2, 30, 5)).astype(np.float32)
    >>> all_known = np.ones((2, 30), bool)
    >>> pair_correlation(a, all_known, a, all_known).round(3).diagonal().tolist()
    [1.0, 1.0]
    """
    product = (pictures.reshape(len(pictures), -1) @ others.reshape(len(others), -1).T).astype(np.float64)
    size, other_size = (np.einsum("pnk,pnk->pn", v, v).astype(np.float64) for v in (pictures, others))
    norm = np.sqrt((size @ others_known.T.astype(np.float64)) * (known.astype(np.float64) @ other_size.T))
    return np.where(norm > 0, product / np.where(norm > 0, norm, 1.0), 0.0)


def survey_likeness(images: LineImages, pictures: F32, known: Known) -> Likeness | None:
    """What correlations between neighbours, lines two apart and unrelated places are like; None without neighbours.

    Parameters
    ----------
    images : the lines.
    pictures, known : from `LineImages.stack`, (L, N, K) and (L, N).

    Notes
    -----
    Chance is measured on the survey itself: each pair of neighbours, one of them moved along by a quarter to three
    quarters of the line, so that what all lines have in common stays and the ground does not.
    """
    pairs = neighbours(images)
    near = [(i, j) for i, j, steps in pairs if steps == 1]
    if not near:
        return None
    table = pair_correlation(pictures, known, pictures, known)
    chance = _chance(pictures, known, near)
    spread = max(float(chance.std()), LEAST_SPREAD)
    first = np.array([table[i, j] for i, j in near])
    second = np.array([table[i, j] for i, j, steps in pairs if steps == 2])
    middle, sd = _robust(first, spread)
    # Where nothing tells what lines two apart are like, they are taken to be half as alike.
    next_middle, next_sd = _robust(second, spread) if len(second) >= 3 else (0.5 * middle, max(sd, spread))
    return Likeness(middle, sd, min(next_middle, middle), next_sd, float(chance.mean()), spread, len(near))


FEWEST_FOR_A_PLACEBO = 7
"""Fewer lines have too few orders, and chance alone makes them look alike."""


def order_placebo(
    images: LineImages, pictures: F32, known: Known, *, draws: int = 999, seed: int = 0
) -> Placebo | None:
    """Does a shuffled order of lines look just as good as the one in the table?

    Parameters
    ----------
    images, pictures, known : as for `survey_likeness`.
    draws : shuffled orders.
    seed : of the draws.

    Returns
    -------
    Placebo, or None for fewer than seven lines, or too few that have neighbours.

    Raises
    ------
    InputError : fewer than 19 draws.

    Notes
    -----
    The statistic is the mean correlation of neighbours. Under the null all orders of the same recordings are equally
    likely; p counts the order of the table as one of them (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39).
    """
    count = round(check_in_range(draws, "draws", 1, 1_000_000))
    if count < 19:
        raise InputError("fewer than 19 draws cannot reach p = 0.05", received=draws, do="draw at least 19")
    near = np.array([(i, j) for i, j, steps in neighbours(images) if steps == 1], dtype=np.intp).reshape(-1, 2)
    lines = len(images.names)
    if lines < FEWEST_FOR_A_PLACEBO or len(near) < 3:
        return None
    table = pair_correlation(pictures, known, pictures, known)
    observed = float(table[near[:, 0], near[:, 1]].mean())
    rng = np.random.default_rng(seed)
    values = np.empty(count)
    for draw in range(count):
        order = rng.permutation(lines)
        values[draw] = table[order[near[:, 0]], order[near[:, 1]]].mean()
    p = monte_carlo_p(int((values >= observed - 1e-12).sum()), count)
    return Placebo(observed, float(values.mean()), float(values.std()), p, count, lines)


def placebo_findings(placebo: Placebo | None, *, level: float = 0.05) -> list[Finding]:
    """A warning where a shuffled order looks as good as the table's.

    Examples
    --------
    >>> placebo_findings(Placebo(0.01, 0.0, 0.02, 0.4, 999, 20))[0].code
    'line-order-placebo'
    >>> placebo_findings(Placebo(0.30, 0.0, 0.02, 0.001, 999, 20))
    []
    """
    if placebo is None or placebo.p <= level:
        return []
    return [
        Finding(
            "warning",
            "line-order-placebo",
            "neighbouring lines look no more alike than lines in shuffled order: faults of order cannot be seen here",
            received=f"p {placebo.p:.2g}, correlation {placebo.observed:.3f} against {placebo.shuffled:.3f}",
            do="check the order of lines against the field notes; lines may lie too far apart to share objects",
        )
    ]


def _chance(pictures: F32, known: Known, near: list[tuple[int, int]]) -> F64:
    """Correlations of neighbours, one of them moved along by each of `SHIFTS`."""
    stations = pictures.shape[1]
    size = np.einsum("pnk,pnk->pn", pictures, pictures).astype(np.float64)
    found = []
    for i, j in near:
        for share in SHIFTS:
            moved = round(share * stations)
            # Two products of halves stand for the turn round the end, and no copy is made.
            product = np.vdot(pictures[i, moved:], pictures[j, : stations - moved])
            product += np.vdot(pictures[i, :moved], pictures[j, stations - moved :])
            both_i, both_j = np.roll(known[j], moved), np.roll(size[j], moved)
            if (known[i] & both_i).sum() < 0.2 * stations:
                continue
            norm = np.sqrt((size[i] * both_i).sum() * (both_j * known[i]).sum())
            found.append(float(product) / norm if norm > 0 else 0.0)
    return np.array(found) if found else np.zeros(1)


def _robust(values: F64, floor: float) -> tuple[float, float]:
    middle = float(np.median(values))
    return middle, max(1.4826 * float(np.median(np.abs(values - middle))), floor)
