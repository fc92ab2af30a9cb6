"""How well each trace's place is known, from all that bears on it, put together in one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array
from yewline.errors import InputError
from yewline.model import add_provenance

__all__ = ["PositionBudget", "position_sigma_m", "with_sigma"]

F64 = npt.NDArray[np.float64]
Part = float | npt.ArrayLike


@dataclass(frozen=True, slots=True)
class PositionBudget:
    """What makes the place of a trace uncertain: standard deviations per axis, m, a number or one for each trace.

    Attributes
    ----------
    tape_m : of the ends of a line, by tape and pegs (0.05 to 0.10: from memory, no source).
    track_m : of the track; where it is given, traces are placed by it and the tape does not count.
    odometer_m : what stretching to marks leaves, along the line.
    zigzag_m : of the correction of a zigzag, along the line; where none was made, half of the shift that could have
        passed unseen.
    frame_m : of control points, common to all traces.
    tilt_m : sideways, from an antenna that leans (10° moves a target 1.2 m deep by 0.21 m).
    """

    tape_m: Part = 0.0
    track_m: Part | None = None
    odometer_m: Part = 0.0
    zigzag_m: Part = 0.0
    frame_m: Part = 0.0
    tilt_m: Part = 0.0


def position_sigma_m(budget: PositionBudget, traces: int) -> F64:
    """Standard deviation of each trace's place per axis, m.

    Parameters
    ----------
    budget : the parts.
    traces : T.

    Returns
    -------
    (T,) m.

    Raises
    ------
    InputError : a part that is negative, not finite, or of another length.

    Notes
    -----
    Independent errors: squares are added. Errors along the line alone (odometer, zigzag) are counted in full on each
    axis, which is right for a line along it and too much by √2 at most for any other.

    Examples
    --------
    >>> position_sigma_m(PositionBudget(tape_m=0.03, odometer_m=[0.0, 0.04]), 2).round(6).tolist()
    [0.03, 0.05]
    """
    placed = budget.tape_m if budget.track_m is None else budget.track_m
    total = np.zeros(traces)
    parts = {
        "tape_m" if budget.track_m is None else "track_m": placed,
        "odometer_m": budget.odometer_m,
        "zigzag_m": budget.zigzag_m,
        "frame_m": budget.frame_m,
        "tilt_m": budget.tilt_m,
    }
    for name, part in parts.items():
        values = check_array(np.atleast_1d(np.asarray(part, np.float64)), name, ndim=1)
        if len(values) not in (1, traces):
            raise InputError(f"{name} needs one value, or one for each trace", received=f"{len(values)} for {traces}")
        if (values < 0).any():
            raise InputError(f"{name} must not be negative", received=float(values.min()))
        total += values**2
    return np.sqrt(total)


def with_sigma(radargram: xr.DataArray, budget: PositionBudget) -> xr.DataArray:
    """The same line with `sigma_xy` by the budget, whose means go into the provenance.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> line = make_radargram(np.zeros((2, 4)), interval_ns=0.5, x=[0.0, 1.0], y=[0.0, 0.0])
    >>> with_sigma(line, PositionBudget(tape_m=0.06, zigzag_m=0.08))["sigma_xy"].values.round(6).tolist()
    [0.1, 0.1]
    """
    sigma = position_sigma_m(budget, len(radargram))
    means = {
        name: round(float(np.mean(np.asarray(value, np.float64))), 4)
        for name in PositionBudget.__dataclass_fields__
        if (value := getattr(budget, name)) is not None
    }
    placed = radargram.assign_coords(sigma_xy=("trace", sigma, {"units": "m"}))
    return add_provenance(placed, {"step": "position-sigma", **means})
