"""What a step kept and what it removed, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.signal.traces import Traces, check_traces

__all__ = ["KeptRemoved", "kept_and_removed"]


@dataclass(frozen=True, slots=True, eq=False)
class KeptRemoved:
    """What a step left of a line, what it took out, and how much that was.

    Attributes
    ----------
    kept : (T, S) what came out of the step.
    removed : (T, S) what went in less what came out.
    removed_share : energy of what was removed over that of what went in; above 1 where a step adds more than there
        was, such as a gain.
    """

    kept: Traces
    removed: Traces
    removed_share: float


def kept_and_removed(before: npt.ArrayLike, after: npt.ArrayLike) -> KeptRemoved:
    """Set what a step kept beside what it removed.

    A response that shows in the removed part was taken out with the background: the first thing to look at.

    Parameters
    ----------
    before : (T, S) what went into the step.
    after : (T, S) what came out of it.

    Returns
    -------
    Both parts, and the share of energy removed (0 for a silent line).

    Raises
    ------
    InputError : samples that are not finite, or a step that changed the shape of the line.

    Notes
    -----
    removed = before − after; share = Σ removed² / Σ before².

    Examples
    --------
    >>> parts = kept_and_removed([[3.0, 4.0]], [[3.0, 0.0]])
    >>> parts.removed.tolist(), parts.removed_share
    ([[0.0, 4.0]], 0.64)
    """
    first, second = check_traces(before), check_traces(after)
    if first.shape != second.shape:
        raise InputError(
            "what was removed can only be shown where a step keeps the shape of the line",
            received=f"{first.shape} before, {second.shape} after",
            do="cut both to the traces and times they share",
        )
    removed = first - second
    peak = float(np.abs(first).max())
    share = 0.0
    if peak > 0:
        share = float(np.sum((removed / peak).astype(np.float64) ** 2) / np.sum((first / peak).astype(np.float64) ** 2))
    return KeptRemoved(second.copy(), removed, share)
