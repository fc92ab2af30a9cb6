"""Traces between the fixes of a slow or coarse positioning, which leaves many traces at one place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["between_fixes", "fix_starts"]

Array = npt.NDArray[np.float64]


def fix_starts(headers: Array) -> npt.NDArray[np.intp]:
    """Index of the first trace of each run of equal positions.

    Examples
    --------
    >>> fix_starts(np.array([[0.0, 0], [0, 0], [1, 0], [1, 0], [2, 0]])).tolist()
    [0, 2, 4]
    """
    moved = (np.diff(headers, axis=0) != 0).any(axis=1)
    return np.concatenate([[0], np.flatnonzero(moved) + 1])


def between_fixes(site: Array, starts: npt.NDArray[np.intp], trace: npt.NDArray[np.intp]) -> Array:
    """Positions that go on evenly from fix to fix, each fix at the first trace of its run.

    Parameters
    ----------
    site : (T, 2) positions, m.
    starts : (F,) first trace of each run, at least two.
    trace : (T,) number of each trace in the recording, increasing.

    Returns
    -------
    (T, 2) m.

    Notes
    -----
    The last run goes on as the one before it did, at the spacing of the longer of the two: by less than one step
    between fixes, however long the antenna stood at the end. A first run shorter than the second began before the
    recording did, so it is reckoned backwards from the second fix at the spacing that follows.

    Examples
    --------
    >>> site = np.array([[0.0, 0], [0, 0], [1, 0], [1, 0]])
    >>> between_fixes(site, np.array([0, 2]), np.arange(4))[:, 0].tolist()
    [0.0, 0.5, 1.0, 1.5]
    """
    at, fix = trace[starts].astype(np.float64), site[starts]
    held = np.diff(np.append(at, trace[-1] + 1.0))
    if len(fix) > 2 and held[0] < held[1]:
        at[0], fix[0] = at[1] - held[1], 2 * fix[1] - fix[2]
    at = np.append(at, at[-1] + max(held[-2], held[-1]))
    fix = np.vstack([fix, 2 * fix[-1] - fix[-2]])
    return np.column_stack([np.interp(trace, at, fix[:, axis]) for axis in (0, 1)])
