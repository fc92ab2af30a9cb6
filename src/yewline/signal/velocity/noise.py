"""What noise alone would give: the scores of mirrored curves, of one line or of all lines of a visit together."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.signal.velocity.scan import BANDS, LineScan

__all__ = ["NoiseTail", "SearchNoise", "pool_scans", "surest"]

F64 = npt.NDArray[np.float64]

TAIL: Final = 0.1
"""Share of the noise's maxima that make its tail."""
LEAST_MAXIMA: Final = 20
"""Fewer maxima make no tail."""
LEAST_FALL: Final = 0.5


@dataclass(frozen=True, slots=True)
class NoiseTail:
    """Tail of the scores of noise.

    Attributes
    ----------
    many : maxima above `start` that are expected.
    start, fall : where the tail begins, and by how much scores lie above it on the mean.
    known_from : maxima that `fall` is known from; infinite where it is not an estimate.
    maxima : all of them.
    """

    many: float
    start: float
    fall: float
    known_from: float
    maxima: int

    def expected(self, score: npt.ArrayLike) -> F64:
        """Maxima of noise (n,) as high as each score.

        Of an exponential tail whose mean is itself estimated from k values: (1 + x/(k·fall))^−k, which tends to
        exp(−x/fall) for many. With few, what is rare is not known so well, and it takes more to stand out.

        Examples
        --------
        >>> sure, unsure = NoiseTail(1.0, 0.0, 1.0, math.inf, 0), NoiseTail(1.0, 0.0, 1.0, 10, 0)
        >>> float(sure.expected(7.0).round(4)), float(unsure.expected(7.0).round(4))
        (0.0009, 0.005)
        """
        above = np.maximum(np.asarray(score, float) - self.start, 0.0) / self.fall
        if math.isinf(self.known_from):
            return np.asarray(self.many * np.exp(-above))
        return np.asarray(self.many * np.exp(-self.known_from * np.log1p(above / self.known_from)))


@dataclass(frozen=True, slots=True)
class SearchNoise:
    """What noise gives on the lines that were pooled, in each band of velocity.

    Attributes
    ----------
    tails : one a band.
    room : of the lines together: see `LineScan`.
    bands : in how many of them hyperbolas were looked for.
    maxima : maxima of the mirrored scans that all this rests on.
    """

    tails: tuple[NoiseTail, ...]
    room: float
    bands: int
    maxima: int

    def expected(self, scan: LineScan) -> F64:
        """Maxima (C,) as high as each of a line's that noise would give on that line, all bands together."""
        found = np.zeros(len(scan.score))
        for band, tail in enumerate(self.tails):
            mine = scan.band == band
            found[mine] = tail.expected(scan.score[mine])
        return found * (self.bands * scan.room / max(self.room, 1e-12))


def pool_scans(scans: Iterable[LineScan]) -> SearchNoise:
    """The noise of many lines together: few lines alone have enough of it to tell what is rare.

    Parameters
    ----------
    scans : from `scan_line`, of lines of one visit.

    Returns
    -------
    SearchNoise, to be given to `find_hyperbolas`.

    Notes
    -----
    Each band of velocity has its own tail, for level layers and their relief lie along flat curves and never along
    those of ground: judged together they would hide what is no noise at all. A band with fewer than 20 maxima has the
    tail of all bands; where all have fewer, that of pure chance is taken, one fall per unit of score.

    Examples
    --------
    >>> from yewline.signal.section import Section
    >>> from yewline.signal.velocity.scan import scan_line
    >>> section = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)
    >>> rng = np.random.default_rng(1)
    >>> noise = pool_scans([scan_line(rng.standard_normal((60, 200)), section) for _ in range(3)])
    >>> len(noise.tails), noise.maxima > 100
    (3, True)
    """
    held = list(scans)
    score = np.concatenate([scan.mirrored_score for scan in held]) if held else np.zeros(0)
    band = np.concatenate([scan.mirrored_band for scan in held]) if held else np.zeros(0, np.int64)
    room = sum(scan.room for scan in held)
    tails = tuple(_tail(score[band == b] if (band == b).sum() >= LEAST_MAXIMA else score, room) for b in range(BANDS))
    looked = {int(b) for scan in held for b in (*np.unique(scan.band), *np.unique(scan.mirrored_band))}
    return SearchNoise(tails, room, len(looked), len(score))


def _tail(score: F64, room: float) -> NoiseTail:
    """The exponential tail of the highest tenth of noise maxima."""
    n = len(score)
    if n < LEAST_MAXIMA:
        return NoiseTail(max(room, 1.0), 1.0, 1.0, math.inf, n)
    many = max(math.ceil(TAIL * n), LEAST_MAXIMA // 2)
    ordered = np.sort(score)[::-1]
    start = float(ordered[many])
    fall = max(float((ordered[:many] - start).mean()), LEAST_FALL)
    # Half of all places were lost to rivals at chance level, where one beats the other as often as not.
    return NoiseTail(2.0 * many, start, fall, many, n)


def surest(expected_false: npt.ArrayLike, share: float = 0.1) -> npt.NDArray[np.bool_]:
    """Which of many finds to keep, so that no more than a share of those kept are expected to be false.

    Parameters
    ----------
    expected_false : (n,) for each find, how many as good as it noise would give on all lines together.
    share : of false ones among those kept.

    Returns
    -------
    (n,) mask. Where nothing is to be found, chances are about `share` that anything at all is kept.

    Raises
    ------
    InputError : a share out of range, or numbers that are not finite.

    Notes
    -----
    The finds are put in order and kept up to the last one at which expected over found is at most `share`: what shows
    on many lines may be less sure, each, than what shows on one.

    References
    ----------
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289–300. Elias & Gygi 2007, Nat. Methods 4:207–214 (with decoys in
    place of a distribution). Both from memory.

    Examples
    --------
    >>> surest([0.01, 0.28, 0.15, 2.0]).tolist(), surest([0.28]).tolist()
    ([True, True, True, False], [False])
    """
    expected = check_array(expected_false, "expected_false", ndim=1) if np.size(expected_false) else np.zeros(0)
    limit = check_in_range(share, "share", 1e-6, 1.0)
    order = np.argsort(expected, kind="stable")
    good = np.flatnonzero(expected[order] <= limit * np.arange(1, len(expected) + 1))
    kept = np.zeros(len(expected), bool)
    kept[order[: good[-1] + 1 if len(good) else 0]] = True
    return kept
