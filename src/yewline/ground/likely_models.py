"""Variogram models that readings leave possible: one fitted range would make every interval too narrow."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline.geostat import VariogramModel, VariogramPosterior, variogram_posterior

__all__ = ["equally_likely", "likely_models"]

_NODES = 40


def likely_models(
    xy: npt.ArrayLike, values: npt.ArrayLike, *, own_error_sd: float = 0.0, family: str = "exponential"
) -> tuple[VariogramModel, ...]:
    """Models of the ground's variogram that readings allow, all equally likely.

    Parameters
    ----------
    xy : (R, 2) places, m, R ≥ 8.
    values : (R,) readings that are not all equal.
    own_error_sd : standard deviation of each reading's own error, which is no part of the nugget.
    family : one of `geostat.FAMILIES`.

    Returns
    -------
    Models of the true field, without the readings' error; one that is twice as likely as another comes twice.

    Raises
    ------
    InputError : fewer than eight readings, all equal, or all at one place.

    Notes
    -----
    The nodes of `geostat.variogram_posterior`.

    Examples
    --------
    >>> x = np.arange(12.0)
    >>> models = likely_models(np.column_stack([x, 0 * x]), np.sin(x / 3))
    >>> len(models) >= 40, models[0].family
    (True, 'exponential')
    """
    return equally_likely(variogram_posterior(xy, values, family=family, error_sd=own_error_sd, nodes=_NODES))


def equally_likely(posterior: VariogramPosterior) -> tuple[VariogramModel, ...]:
    """A posterior's models, each as often as its weight says against the least."""
    times = np.rint(posterior.weights / posterior.weights.min()).astype(int)
    return tuple(model for model, n in zip(posterior.models, times, strict=True) for _ in range(n))
