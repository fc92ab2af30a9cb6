"""Water content from permittivity for a relation that has no inverse in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.physics.ranges import numbers_within

__all__ = ["moisture_by_root"]

Array = npt.NDArray[np.float64]

# Each step halves the bracket: 0.9 · 2⁻⁵⁰ is below 1e-15.
_HALVINGS = 50


def moisture_by_root(
    permittivity: npt.ArrayLike, relation: Callable[[Array], Array], *, highest_vwc: float = 0.6
) -> Array:
    """Water content at which `relation` gives `permittivity`.

    Parameters
    ----------
    permittivity : any shape; NaN stays NaN.
    relation : permittivity from water content, array to array of the same shape, rising from 0 to `highest_vwc`.
    highest_vwc : end of the search, m³/m³.

    Returns
    -------
    Same shape, m³/m³.

    Raises
    ------
    InputError : a permittivity that the relation does not reach between no water and `highest_vwc`.

    Notes
    -----
    Bisection: slower than Newton's method and never astray.

    Examples
    --------
    >>> from yewline.physics import texture_permittivity
    >>> def soil(vwc):
    ...     return texture_permittivity(vwc, sand=0.4, clay=0.2, frequency_mhz=500.0).real
    >>> float(moisture_by_root(soil(0.2), soil, highest_vwc=0.43).round(12))
    0.2
    """
    ends = relation(np.array([0.0, highest_vwc]))
    if not ends[1] > ends[0]:
        raise InputError("the relation does not rise with water", received=f"{ends[0]:g} to {ends[1]:g}")
    eps = numbers_within(permittivity, "permittivity", ends[0] * (1 - 1e-12), ends[1] * (1 + 1e-12))
    low, high = np.zeros_like(eps), np.full_like(eps, highest_vwc)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = relation(middle) > eps
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.where(np.isnan(eps), np.nan, 0.5 * (low + high))
