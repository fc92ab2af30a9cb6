"""Swapped, reversed, moved and repeated lines, by how well each hypothesis makes neighbours look alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.model import Finding
from yewline.positions.images import LineImages
from yewline.positions.lag_kernels import lag_products
from yewline.positions.likeness import Likeness, neighbours, pair_correlation, survey_likeness

__all__ = ["Hypothesis", "OrderFault", "find_order_faults", "order_findings"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Known = npt.NDArray[np.bool_]
Hypothesis = Literal["reversed", "swapped", "moved", "duplicate"]

STRANGER_SHARE = 0.1
"""Share of true neighbours that look no more alike than strangers: a kerb, a wall, a change of ground."""
MOST_FOR_A_PAIR = 10.0
"""No single pair may count for more than e to this, however alike: chance has longer tails than a normal curve."""
LEAST_FOR_A_REPEAT, MOST_FOR_A_REPEAT = 4.6, 20.0
"""What waves alone must show of a repeat (100 to 1), and may count for."""
REPEAT, REPEAT_SD = 0.85, 0.12
"""Correlation of waves between a line and its repeat (common practice, no source: above 0.9 where all went well)."""
REPEAT_LAG_M = 0.3
LEAST_WAVE_SD = 0.07
LEAST_WAVE = 0.75
SWAP_REACH = 20
FEWEST_LINES = 5
COARSE_M = 0.15
"""Stations this far apart tell lines from one another as well as closer ones do."""
SURE = 10_000.0


@dataclass(frozen=True, slots=True)
class OrderFault:
    """One line, or two, whose place or direction fits better otherwise than the table of lines says.

    Attributes
    ----------
    kind : what fits best.
    line : the line; for a duplicate the one whose ground was not walked.
    other : the line it was swapped with or repeats; for a moved line the two between which it fits, as "A03, A04".
    log10_ratio : decimal logarithm of the likelihood ratio against "as the table says".
    as_is, best : mean correlation with the neighbours as the table says, and under this hypothesis.
    rival_log10_ratio : the same ratio of the best other hypothesis for this line; −inf if there is none.
    """

    kind: Hypothesis
    line: str
    other: str
    log10_ratio: float
    as_is: float
    best: float
    rival_log10_ratio: float


@dataclass(frozen=True, slots=True)
class _Trial:
    kind: Hypothesis
    line: int
    other: int
    gain: float
    as_is: float
    best: float
    place: str = ""

    @property
    def lines(self) -> tuple[int, ...]:
        """The lines that it is about: a line that is repeated is itself in order."""
        return (self.line, self.other) if self.kind == "swapped" else (self.line,)


def find_order_faults(images: LineImages, *, offset_m: float = 0.0, sure: float = SURE) -> list[OrderFault]:
    """Test each line as it is, reversed, swapped with another, moved into a gap, and as a repeat of another.

    Parameters
    ----------
    images : parallel lines, from `line_images`.
    offset_m : their zigzag, taken out before comparing.
    sure : likelihood ratio from which a hypothesis is believed; hypotheses that could be made in many ways (swaps with
        any other line) need as many times more.

    Returns
    -------
    faults, the likeliest first; no line stands in two of them. Empty where fewer than five lines have neighbours or
    neighbours look no more alike than chance. Nothing is changed.

    Notes
    -----
    For a pair of lines n = 1 or 2 spacings apart with correlation r, λ = log p(r | n apart) − log p(r | strangers),
    both normal curves with the survey's own medians and spreads, the first mixed with a tenth of strangers; at most
    10, and down to 5 where r falls short of what n spacings ask for. A hypothesis is worth the sum of λ over the pairs
    that it changes, less the same sum for the table of lines. For a repeat the waves count as well: a line and its
    repeat are expected to agree by 0.85 ± 0.12, and 100 times more likely so than as the survey's neighbours do.

    A line that was never walked shows as a gap (`line_gaps`), for its neighbours are still where they should be.
    """
    threshold = math.log(check_positive(sure, "sure"))
    left = images.coarser(COARSE_M)
    found: list[OrderFault] = []
    taken: set[str] = set()
    # Once a fault is found its lines are put right, so that their neighbours are judged beside what belongs there.
    for _ in range(len(images.names)):
        judge = _Judge.of(left, offset_m)
        if judge is None:
            break
        trials = [trial for trial in judge.trials() if not {left.names[i] for i in trial.lines} & taken]
        # Wrong by chance in one of many ways: the more there are, the more each must show.
        many = math.log(max(len(left.names) / 2, 1.0))
        trials = [t for t in trials if t.gain > threshold + (many if t.kind in ("swapped", "moved") else 0.0)]
        if not trials:
            break
        best = min(trials, key=lambda trial: (-trial.gain, trial.line, trial.other))
        found.append(_fault(best, trials, left.names))
        taken |= {left.names[i] for i in best.lines}
        left = _put_right(left, best)
    return found


def _put_right(images: LineImages, trial: _Trial) -> LineImages:
    everywhere = list(range(len(images.names)))
    if trial.kind == "reversed":
        return images.arranged(everywhere, turned=trial.line)
    if trial.kind == "swapped":
        source = everywhere.copy()
        source[trial.line], source[trial.other] = trial.other, trial.line
        return images.arranged(source, at=everywhere)
    return images.without(trial.line)


def order_findings(faults: Sequence[OrderFault]) -> list[Finding]:
    """A warning for each line that fits better otherwise, with its likelihood ratio and what to do.

    Examples
    --------
    >>> fault = OrderFault("reversed", "A09", "", 14.2, 0.02, 0.55, -1.0)
    >>> finding, = order_findings([fault])
    >>> finding.code, finding.text
    ('line-reversed', 'the line fits its neighbours when turned round')
    >>> finding.received
    'likelihood ratio 10^14.2; correlation with neighbours 0.02 as listed, 0.55 so'
    """
    return [_told(fault) for fault in faults]


def _told(fault: OrderFault) -> Finding:
    text, do = {
        "reversed": (
            "the line fits its neighbours when turned round",
            "check in the field notes from which end it was walked; if so, accept it in visit.toml",
        ),
        "swapped": (
            f"the line and line {fault.other} fit better with their recordings exchanged",
            f"check the files of {fault.line} and {fault.other} against the field notes; if so, accept it in "
            "visit.toml",
        ),
        "moved": (
            f"the line fits better between lines {fault.other}",
            "check its coordinates against the field notes; it may fill the gap there",
        ),
        "duplicate": (
            f"the line looks like a repeat of line {fault.other}, not like its neighbours",
            f"check whether line {fault.other} was walked twice; if so, walk {fault.line} and leave this one out",
        ),
    }[fault.kind]
    return Finding(
        "warning",
        f"line-{fault.kind}" if fault.kind != "duplicate" else "line-repeat",
        text,
        received=(
            f"likelihood ratio 10^{fault.log10_ratio:.1f}; correlation with neighbours {fault.as_is:.2f} as listed, "
            f"{fault.best:.2f} so"
        ),
        do=do,
        line=fault.line,
    )


class _Judge:
    """One survey's pictures, and what each hypothesis would make of them."""

    @classmethod
    def of(cls, images: LineImages, offset_m: float) -> _Judge | None:
        """None where neighbours cannot be told from strangers."""
        if len(images.names) < FEWEST_LINES:
            return None
        pictures, known = images.stack(offset_m=offset_m)
        likeness = survey_likeness(images, pictures, known)
        if likeness is None or likeness.pairs < FEWEST_LINES - 1:
            return None
        if likeness.near < likeness.chance + 1.5 * likeness.chance_sd:
            return None
        return cls(images, likeness, pictures, known, offset_m)

    def __init__(self, images: LineImages, likeness: Likeness, pictures: F32, known: Known, offset_m: float) -> None:
        self.images, self.likeness, self.offset_m = images, likeness, offset_m
        self.pictures, self.known = pictures, known
        self.table = pair_correlation(pictures, known, pictures, known)
        turned, turned_known = images.place_all(range(len(images.names)), turned=True, offset_m=offset_m)
        self.turned_table = pair_correlation(turned, turned_known, pictures, known)
        self.beside: list[dict[int, int]] = [{} for _ in images.names]
        for i, j, steps in neighbours(images):
            self.beside[i][j] = steps
            self.beside[j][i] = steps

    def trials(self) -> list[_Trial]:
        """All hypotheses of all lines."""
        return [*self.reversals(), *self.swaps(), *self.moves(), *self.duplicates()]

    def worth(self, r: float, steps: int) -> float:
        """λ of one pair."""
        middle, sd = self.likeness.expected(steps)
        # A pair far less alike than its distance asks for is worth less, however little it looks like strangers.
        short = 0.5 * (min(r - middle, 0.0) / sd) ** 2
        most = MOST_FOR_A_PAIR - min(short, 0.5 * MOST_FOR_A_PAIR)
        return float(min(self._log_beside(r, steps) - self._log_stranger(r), most))

    def _log_stranger(self, r: float) -> float:
        return _log_normal(r, self.likeness.chance, self.likeness.chance_sd)

    def _log_beside(self, r: float, steps: int) -> float:
        """Log density of a correlation between true neighbours; more alike than usual is no worse."""
        middle, sd = self.likeness.expected(steps)
        near = _log_normal(min(r, middle), middle, sd)
        return float(np.logaddexp(near + math.log1p(-STRANGER_SHARE), self._log_stranger(r) + math.log(STRANGER_SHARE)))

    def as_is(self, line: int, without: int = -1) -> float:
        """Sum of λ over a line's pairs as the table of lines has them."""
        held = self.beside[line]
        return sum(self.worth(self.table[line, m], steps) for m, steps in held.items() if m != without)

    def mean_as_is(self, line: int) -> float:
        """Mean correlation with the next neighbours."""
        return _mean([self.table[line, m] for m, steps in self.beside[line].items() if steps == 1])

    def reversals(self) -> list[_Trial]:
        found = []
        for line, beside in enumerate(self.beside):
            row = self.turned_table[line]
            gain = sum(self.worth(row[m], steps) for m, steps in beside.items()) - self.as_is(line)
            best = _mean([row[m] for m, steps in beside.items() if steps == 1])
            found.append(_Trial("reversed", line, -1, gain, self.mean_as_is(line), best))
        return found

    def swaps(self) -> list[_Trial]:
        """Two recordings exchanged: each gets the other's places and direction of walking."""
        lines = len(self.images.names)
        # exchanged[at][source, m]: correlation of a source's samples, placed as line `at`, with line m.
        exchanged = [self._at(at) for at in range(lines)]
        found = []
        for i in range(lines):
            for j in range(i + 1, min(lines, i + 1 + SWAP_REACH)):
                if not self.beside[i] and not self.beside[j]:
                    continue
                gain, best = 0.0, []
                for at, source in ((i, j), (j, i)):
                    for m, steps in self.beside[at].items():
                        if m == source:
                            continue
                        r = exchanged[at].get((source, m), 0.0)
                        gain += self.worth(r, steps)
                        if steps == 1:
                            best.append(r)
                    gain -= self.as_is(at, without=source)
                as_is = _mean([self.mean_as_is(i), self.mean_as_is(j)])
                found.append(_Trial("swapped", i, j, gain, as_is, _mean(best)))
        return found

    def _steps(self, i: int, m: int) -> int:
        return max(1, round(abs(self.images.across_m[m] - self.images.across_m[i]) / self.images.spacing_m))

    def _at(self, at: int) -> dict[tuple[int, int], float]:
        beside = list(self.beside[at])
        sources = [
            s for s in range(max(0, at - SWAP_REACH), min(len(self.images.names), at + SWAP_REACH + 1)) if s != at
        ]
        if not beside or not sources:
            return {}
        pictures, known = self.images.place_all(sources, at=at, offset_m=self.offset_m)
        table = pair_correlation(pictures, known, self.pictures[beside], self.known[beside])
        return {(s, m): float(table[a, b]) for a, s in enumerate(sources) for b, m in enumerate(beside)}

    def moves(self) -> list[_Trial]:
        """A line taken from its place and put into a gap between two others, either way round."""
        gaps = [
            (i, j)
            for i, beside in enumerate(self.beside)
            for j, steps in beside.items()
            if i < j
            and steps == 2
            and not any(self.beside[i].get(m) == 1 and self.beside[j].get(m) == 1 for m in beside)
        ]
        found = []
        for line in range(len(self.images.names)):
            for i, j in gaps:
                if line in (i, j):
                    continue
                for table in (self.table, self.turned_table):
                    sides = [float(table[line, i]), float(table[line, j])]
                    gain = sum(self.worth(r, 1) for r in sides) - self.as_is(line)
                    names = f"{self.images.names[i]}, {self.images.names[j]}"
                    found.append(_Trial("moved", line, -1, gain, self.mean_as_is(line), _mean(sides), names))
        return found

    def duplicates(self) -> list[_Trial]:
        """Line j holds the ground of line i over again; only waves tell a repeat from a good neighbour."""
        if not self.images.wave:
            return []
        whole = self.images.waves()
        waves, known = whole.stack(offset_m=self.offset_m)
        back, back_known = whole.place_all(range(len(whole.names)), turned=True, offset_m=self.offset_m)
        step = whole.step_m

        def alike(i: int, j: int) -> tuple[float, float]:
            straight = _best_lag(waves[i], waves[j], known[i], known[j], step)
            return straight, _best_lag(waves[i], back[j], known[i], back_known[j], step)

        # What true neighbours reach by the same search is what a repeat must exceed.
        usual = [
            max(alike(i, j))
            for i, beside in enumerate(self.beside)
            for j, steps in beside.items()
            if i < j and steps == 1
        ]
        middle = float(np.median(usual))
        sd = max(1.4826 * float(np.median(np.abs(np.array(usual) - middle))), LEAST_WAVE_SD)
        high = np.maximum(self.table, self.turned_table.T) >= self.likeness.near
        found = []
        for i, j in np.argwhere(high).tolist():
            if i == j or not self.beside[j]:
                continue
            straight, turned = alike(i, j)
            r = max(straight, turned)
            if r < max(LEAST_WAVE, middle):
                continue
            row = self.table[j] if straight >= turned else self.turned_table[j]
            gain = _log_normal(min(r, REPEAT), REPEAT, REPEAT_SD) - _log_normal(r, middle, sd)
            if gain < LEAST_FOR_A_REPEAT:
                continue
            gain = min(gain, MOST_FOR_A_REPEAT)
            for m, apart in self.beside[j].items():
                if m != i:
                    here = self._log_beside(float(row[m]), self._steps(i, m))
                    there = self._log_beside(float(self.table[j, m]), apart)
                    gain += float(np.clip(here - there, -MOST_FOR_A_PAIR, MOST_FOR_A_PAIR))
            found.append(_Trial("duplicate", j, i, gain, self.mean_as_is(j), r))
        return found


def _best_lag(a: F32, b: F32, known_a: Known, known_b: Known, step_m: float) -> float:
    """Largest correlation of two pictures within a small shift along the line."""
    product, size_a, size_b = (
        part.sum(axis=1) for part in lag_products(a, b, known_a, known_b, max(1, round(REPEAT_LAG_M / step_m)))
    )
    norm = np.sqrt(size_a * size_b)
    return float((product / np.where(norm > 0, norm, 1.0)).max())


def _fault(trial: _Trial, rivals: list[_Trial], names: tuple[str, ...]) -> OrderFault:
    others = [
        other.gain
        for other in rivals
        if trial.line in other.lines and (other.kind, other.other, other.line) != (trial.kind, trial.other, trial.line)
    ]
    return OrderFault(
        kind=trial.kind,
        line=names[trial.line],
        other=trial.place or (names[trial.other] if trial.other >= 0 else ""),
        log10_ratio=trial.gain / math.log(10.0),
        as_is=trial.as_is,
        best=trial.best,
        rival_log10_ratio=max(others, default=-math.inf) / math.log(10.0),
    )


def _log_normal(x: float, middle: float, sd: float) -> float:
    return -0.5 * ((x - middle) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi)


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else 0.0
