"""Who is a neighbour of whom among scattered places."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import cKDTree

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["neighbour_weights"]


def neighbour_weights(
    xy: npt.ArrayLike, *, within_m: float | None = None, nearest: int | None = None, row_standardised: bool = True
) -> sparse.csr_array:
    """Weights between places: one for each neighbour, by distance or by rank.

    Parameters
    ----------
    xy : (n, 2) places, m.
    within_m : places at most this far apart are neighbours.
    nearest : or so many nearest places are, which need not be mutual.
    row_standardised : whether each place's weights are divided by their sum; join counts need them not to be.

    Returns
    -------
    (n, n) sparse weights, the diagonal empty.

    Raises
    ------
    InputError : neither or both rules are given, a place has no neighbour, or there are too few places for `nearest`.

    Examples
    --------
    >>> neighbour_weights([[0, 0], [1, 0], [3, 0]], nearest=1).toarray().tolist()
    [[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    """
    places = check_array(xy, "xy", ndim=2)
    n = len(places)
    if (within_m is None) == (nearest is None):
        raise InputError("either within_m or nearest must be given", received=f"{within_m} and {nearest}")
    tree = cKDTree(places)
    if nearest is not None:
        if int(nearest) != nearest or not 1 <= nearest < n:
            raise InputError(f"nearest must be a whole number from 1 to {n - 1}", received=nearest)
        near = tree.query(places, nearest + 1)[1]
        # A place that shares its own with others need not come first, or at all, among its nearest.
        itself = near == np.arange(n)[:, None]
        itself[~itself.any(axis=1), -1] = True
        rows, columns = np.repeat(np.arange(n), nearest), near[~itself]
    else:
        pairs = tree.query_pairs(check_positive(within_m or 0.0, "within_m"), output_type="ndarray")
        rows, columns = np.concatenate([pairs, pairs[:, ::-1]]).T
    counts = np.bincount(rows, minlength=n)
    alone = np.flatnonzero(counts == 0)
    if len(alone):
        x, y = places[alone[0]]
        raise InputError(
            "some places have no neighbour",
            received=f"{len(alone)} of {n}, the first at ({x:g}, {y:g})",
            do="take a longer within_m, or a number of nearest places instead",
        )
    weights = 1.0 / counts[rows] if row_standardised else np.ones(len(rows))
    return sparse.csr_array((weights, (rows, columns)), shape=(n, n))
