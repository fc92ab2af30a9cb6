"""What time does to a grave: its edges grow together with the soil, its coffin goes, its fill settles."""

from __future__ import annotations

import math
from dataclasses import replace

from yewline._check import check_in_range
from yewline.simulation.graves import Coffin, Grave

__all__ = ["aged"]

_SOUND_YEARS = 15.0
_COLLAPSED_VOID, _VOID_YEARS, _GONE_VOID = 0.3, 50.0, 0.02
_FRESH_BLUR_M, _BLUR_M_A_ROOT_YEAR = 0.004, 0.0022
_LEAST_CONTRAST, _CONTRAST_YEARS = 0.35, 80.0
_SETTLED_M, _SETTLE_YEARS = 0.12, 8.0


def aged(grave: Grave, years: float, *, soil_porosity: float = 0.42) -> Grave:
    """The same grave, as it plausibly is after some years.

    Parameters
    ----------
    grave : as it was dug; its coffins' voids and its fill are those of the first day.
    years : since then.
    soil_porosity : of the undisturbed soil, towards which the fill's porosity goes.

    Returns
    -------
    Grave with another blur, fill, settled top and coffins. A vault, a shroud and coffins of metal stay as they are.

    Notes
    -----
    Common practice, no source; soils differ by far more than these rules. Edges blur as 4 mm + 2.2 mm √years. A coffin
    stands 15 years, then has 0.3 of its void left, which falls to 1/e in 50 years; below 0.02 it is gone. The fill
    keeps at least 0.35 of its contrast in porosity and wetness; the rest falls to 1/e in 80 years, and so does the
    fill's mixedness. The top settles by 0.12 m at most (a twelfth of the cut's depth in shallow ones), to 1/e in 8
    years.

    Examples
    --------
    >>> fresh = Grave("G1", "adult", 2, 2, 2.0, 0.7, 0.0, 0.2, 1.3, coffin=Coffin(1.8, 0.5, void=1.0))
    >>> [aged(fresh, years).coffin.state for years in (5, 60, 250)]
    ['sound', 'collapsed', 'gone']
    """
    check_in_range(years, "years", 0.0, 10_000.0)
    check_in_range(soil_porosity, "soil_porosity", 0.05, 0.9)
    kept = _LEAST_CONTRAST + (1.0 - _LEAST_CONTRAST) * math.exp(-years / _CONTRAST_YEARS)
    fill = replace(
        grave.fill,
        porosity=soil_porosity + kept * (grave.fill.porosity - soil_porosity),
        wetness=1.0 + kept * (grave.fill.wetness - 1.0),
        mixed=kept * grave.fill.mixed,
    )
    deepest = min(_SETTLED_M, grave.base_m / 12.0)
    return replace(
        grave,
        blur_m=_FRESH_BLUR_M + _BLUR_M_A_ROOT_YEAR * math.sqrt(years),
        fill=fill,
        coffin=None if grave.coffin is None else _rotted(grave.coffin, years),
        more_coffins=tuple(_rotted(coffin, years) for coffin in grave.more_coffins),
        settled_m=max(grave.settled_m, deepest * (1.0 - math.exp(-years / _SETTLE_YEARS))),
    )


def _rotted(coffin: Coffin, years: float) -> Coffin:
    if coffin.metal or years <= _SOUND_YEARS:
        return coffin
    void = coffin.void * _COLLAPSED_VOID * math.exp(-(years - _SOUND_YEARS) / _VOID_YEARS)
    return replace(coffin, void=void if void >= _GONE_VOID else 0.0)
