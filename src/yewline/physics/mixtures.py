"""Complex permittivity of a mixture of any number of parts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.errors import InputError

__all__ = ["mixture_permittivity", "texture_exponent"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


def mixture_permittivity(
    shares: Sequence[npt.ArrayLike], permittivities: Sequence[npt.ArrayLike], *, exponent: float = 0.5
) -> Complex:
    """Permittivity of a mixture from the volume shares and permittivities of its parts.

    Parameters
    ----------
    shares : one an each part, any shapes that broadcast together; at each place they add up to 1.
    permittivities : relative, real or complex (ε′ − jε″), one for each part, that broadcast with the shares.
    exponent : 0.5 is the complex refractive index model.

    Returns
    -------
    Broadcast shape, complex relative permittivity.

    Raises
    ------
    InputError : lengths that differ, a share below 0, or shares that do not add up to 1.

    Notes
    -----
    ε^α = Σ φᵢ εᵢ^α (Lichtenecker & Rother's form).

    References
    ----------
    Birchak, Gardner, Hipp & Victor 1974, Proc. IEEE 62:93-98; Roth, Schulin, Flühler & Attinger 1990, Water Resour.
    Res. 26:2267-2273.

    Examples
    --------
    >>> mixture_permittivity([0.6, 0.2, 0.2], [5.0, 80.1, 1.0]).real.round(5).item()
    11.09964
    """
    check_in_range(exponent, "exponent", 0.01, 1.0)
    if len(shares) != len(permittivities) or not shares:
        raise InputError(
            "each part needs a share and a permittivity", received=f"{len(shares)} and {len(permittivities)}"
        )
    volumes = [np.asarray(share, dtype=np.float64) for share in shares]
    total = np.asarray(sum(volumes))
    least = min(float(np.min(volume, initial=0.0)) for volume in volumes)
    if least < -1e-9:
        raise InputError("shares of a mixture must not be negative", received=f"{least:g}")
    if (np.abs(total - 1.0) > 1e-9).any():
        worst = total.flat[int(np.nanargmax(np.abs(total - 1.0)))]
        raise InputError("shares of a mixture must add up to 1", received=f"{worst:g}")
    powered = [np.asarray(eps, dtype=np.complex128) ** exponent for eps in permittivities]
    index = np.asarray(sum(volume * part for volume, part in zip(volumes, powered, strict=True)))
    return np.asarray(index ** (1.0 / exponent))


def texture_exponent(clay: npt.ArrayLike) -> Array:
    """Exponent of the mixing model that was found to go with a share of clay.

    Parameters
    ----------
    clay : any shape, share of the mass, 0 to 1.

    Notes
    -----
    α = 0.71 − 0.46 C: from 0.71 in sand downward; 0.5 is reached at 46 % of clay.

    References
    ----------
    Wunderlich, Petersen, Al Hagrey & Rabbel 2013, Vadose Zone J. 12(4) (formula as cited elsewhere).

    Examples
    --------
    >>> float(texture_exponent(0.2).round(3))
    0.618
    """
    share = np.asarray(clay, dtype=np.float64)
    outside = share[(share < 0.0) | (share > 1.0)]
    if outside.size:
        raise InputError("clay must lie between 0 and 1", received=f"{outside.flat[0]:g}")
    return np.asarray(0.71 - 0.46 * share)
