"""Temporal stability: which places stay wetter or drier than the rest, and which ones speak for the whole ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import rankdata

from yewline._check import check_array
from yewline.errors import InputError
from yewline.ground.effective_size import correlation_freedom, correlation_tail, spread_form
from yewline.ground.likely_models import likely_models
from yewline.ground.two_visits import match_places

__all__ = ["TemporalStability", "common_places", "temporal_stability"]

Array = npt.NDArray[np.float64]

_FEWEST_FOR_TEST: Final = 8


@dataclass(frozen=True, slots=True)
class TemporalStability:
    """How places keep their rank over visits.

    Attributes
    ----------
    mean_relative_difference : (P,) from the visit's mean, over the visits; NaN at places that were left out.
    sd_relative_difference : (P,) its standard deviation over the visits.
    index : (P,) √(mean² + sd²), small where a place is both near the mean and steady.
    ranking : places by `index`, the most representative first.
    left_out : places that were not read in every visit.
    rank_correlation : (V, V) Spearman's.
    effective_n : (V, V) independent places that would fix it as well; NaN where not tested.
    p : (V, V) two-sided p of no rank correlation, at `effective_n`; NaN where not tested.
    why : why nothing is tested, in plain words; else empty.
    """

    mean_relative_difference: Array
    sd_relative_difference: Array
    index: Array
    ranking: npt.NDArray[np.intp]
    left_out: npt.NDArray[np.intp]
    rank_correlation: Array
    effective_n: Array
    p: Array
    why: str


def common_places(visits: Sequence[pd.DataFrame], *, tolerance_m: float = 0.5) -> tuple[Array, Array]:
    """Bring the readings of several visits to the places of the first.

    Parameters
    ----------
    visits : tables of readings as `model.make_readings` gives them, at least two.
    tolerance_m : farthest that readings of one place lie apart.

    Returns
    -------
    xy : (P, 2) places of the first visit, m.
    vwc : (P, V) their readings, NaN where a visit has none.

    Raises
    ------
    InputError : fewer than two visits, or values that are not finite.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> one = make_readings(x=[0.0, 5.0], y=[0.0, 0.0], vwc=[0.2, 0.3])
    >>> two = make_readings(x=[5.1, 9.0], y=[0.0, 0.0], vwc=[0.35, 0.4])
    >>> common_places([one, two])[1].tolist()
    [[0.2, nan], [0.3, 0.35]]
    """
    if len(visits) < 2:
        raise InputError("temporal stability needs two visits or more", received=len(visits))
    tables = [check_array(v[["x", "y", "vwc"]].to_numpy(), "readings' x, y and vwc", ndim=2) for v in visits]
    places = tables[0][:, :2]
    vwc = np.full((len(places), len(tables)), np.nan)
    vwc[:, 0] = tables[0][:, 2]
    for v, table in enumerate(tables[1:], start=1):
        here, there = match_places(places, table[:, :2], tolerance_m=tolerance_m)
        vwc[here, v] = table[there, 2]
    return places, vwc


def temporal_stability(xy: npt.ArrayLike, vwc: npt.ArrayLike) -> TemporalStability:
    """Relative differences of places over visits, representative places, and how ranks persist.

    Parameters
    ----------
    xy : (P, 2) places, m.
    vwc : (P, V) moisture at each place and visit, m³/m³, V ≥ 2; NaN where a place was not read. `common_places` makes
        both from tables.

    Returns
    -------
    The stability. Places that any visit left unread are left out, and named.

    Raises
    ------
    InputError : fewer than two visits, fewer than two places read in all of them, or a visit whose mean is zero.

    Notes
    -----
    δᵢᵥ = (θᵢᵥ − θ̄ᵥ)/θ̄ᵥ with θ̄ᵥ the plain mean over the places; the standard deviation over visits has V − 1 in its
    denominator. From two visits it rests on one difference a place: a ranking then, hardly a steadiness. The relative
    difference shrinks as a visit gets wetter even where the pattern stays. Neighbouring places share their rank, so
    Spearman's correlation r is tested with t = r √((n − 2)/(1 − r²)) at the effective n of `correlation_freedom` of the
    visits' ranks, as a mixture over `likely_models`, with eight places or more.

    References
    ----------
    Vachaud et al. 1985, Soil Sci. Soc. Am. J. 49:822-828; Jacobs et al. 2004, Remote Sens. Environ. 92:436-446 (index);
    Vanderlinden et al. 2012, Vadose Zone J. 11(4) (review). Dutilleul 1993, Biometrics 49:305-314 (effective size).

    Examples
    --------
    >>> found = temporal_stability([[0, 0], [1, 0], [2, 0]], [[0.1, 0.3], [0.2, 0.3], [0.3, 0.6]])
    >>> found.mean_relative_difference.round(3).tolist(), found.ranking.tolist()
    ([-0.375, -0.125, 0.5], [1, 0, 2])
    """
    places = check_array(xy, "xy", ndim=2)
    table = check_array(vwc, "vwc", ndim=2, finite=False)
    if places.shape != (len(table), 2):
        raise InputError("there must be one place (x, y) for each row", received=f"{places.shape} for {len(table)}")
    if table.shape[1] < 2:
        raise InputError("temporal stability needs two visits or more", received=table.shape[1])
    read = np.isfinite(table).all(axis=1)
    if read.sum() < 2:
        raise InputError(
            "fewer than two places were read in every visit",
            received=f"{int(read.sum())} of {len(table)}",
            do="read the same places in each visit, or allow a larger tolerance of a place",
        )
    held = table[read]
    level = held.mean(axis=0)
    if np.any(level <= 0):
        raise InputError("a visit's mean is zero: relative differences need moisture", received=f"{level.min():g}")
    relative = held / level - 1.0
    mrd, sd, index = (np.full(len(table), np.nan) for _ in range(3))
    mrd[read], sd[read] = relative.mean(axis=1), relative.std(axis=1, ddof=1)
    index[read] = np.hypot(mrd[read], sd[read])
    ranking = np.argsort(index, kind="stable")[: int(read.sum())]
    return TemporalStability(mrd, sd, index, ranking, np.flatnonzero(~read), *_ranks(places[read], held))


def _ranks(xy: Array, vwc: Array) -> tuple[Array, Array, Array, str]:
    visits = vwc.shape[1]
    ranks = rankdata(vwc, axis=0)
    even = np.ptp(ranks, axis=0) == 0
    r, size, p = np.eye(visits), np.full((visits, visits), np.nan), np.full((visits, visits), np.nan)
    differ = np.flatnonzero(~even)
    r[even, :] = r[:, even] = np.nan
    r[np.ix_(differ, differ)] = np.corrcoef(ranks[:, differ], rowvar=False)
    if len(xy) < _FEWEST_FOR_TEST:
        why = f"{len(xy)} places are too few to test rank correlation ({_FEWEST_FOR_TEST} are needed)."
        return r, size, p, why
    if len(np.unique(xy, axis=0)) < 3:
        return r, size, p, "The places are fewer than three: rank correlation is not tested."
    form = spread_form(np.full(len(xy), 1.0 / len(xy)))
    models = {v: likely_models(xy, ranks[:, v]) for v in differ}
    for a in differ:
        for b in differ[differ > a]:
            freedom = correlation_freedom(form, xy, models[a], models[b])
            size[a, b] = size[b, a] = np.median(freedom) + 2.0
            p[a, b] = p[b, a] = 2.0 * correlation_tail(-abs(r[a, b]), freedom)
    return r, size, p, "A visit reads the same everywhere: it has no ranks." if even.any() else ""
