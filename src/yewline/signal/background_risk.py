"""How much of a grave's level response the background takes with it, before anything is run."""

from __future__ import annotations

import math
from typing import Literal

from yewline._check import check_choice, check_finite, check_positive

__all__ = ["background_risk"]


def background_risk(
    *,
    grave_length_m: float,
    grave_width_m: float,
    angle_deg: float,
    line_length_m: float,
    window_m: float | None = None,
    statistic: Literal["mean", "median"] = "mean",
) -> float:
    """Share of the amplitude of a grave's flat top that background removal takes out, in its middle.

    Parameters
    ----------
    grave_length_m, grave_width_m : of the outline that answers, m.
    angle_deg : between the line and the grave's long axis; 0 along it, 90 across.
    line_length_m : of the line or piece of line that is processed at a time, m.
    window_m : of the background, m; None for the whole line.
    statistic : mean or median.

    Returns
    -------
    0 (nothing is lost) to 1 (the response is gone).

    Raises
    ------
    InputError : a length that is not positive or an angle that is not finite.

    Notes
    -----
    The line crosses the outline over c = min(length/|cos|, width/|sin|) of the angle. The mean over a window W that
    stands over it loses c/W. The median loses nothing while c is under half the window and all of it above. Antennas
    see less than the outline level, so the mean loses a little less than this. No such figure exists for eigen-images:
    from the second on they take whatever is strongest in the line.

    Examples
    --------
    >>> background_risk(grave_length_m=2.0, grave_width_m=0.7, angle_deg=0.0, line_length_m=20.0, window_m=5.0)
    0.4
    >>> round(background_risk(grave_length_m=2.0, grave_width_m=0.7, angle_deg=90.0, line_length_m=20.0), 3)
    0.035
    """
    check_choice(statistic, "statistic", ("mean", "median"))
    line = check_positive(line_length_m, "line_length_m")
    window = line if window_m is None else min(line, check_positive(window_m, "window_m"))
    angle = math.radians(check_finite(angle_deg, "angle_deg"))
    chord = min(
        check_positive(grave_length_m, "grave_length_m") / max(abs(math.cos(angle)), 1e-12),
        check_positive(grave_width_m, "grave_width_m") / max(abs(math.sin(angle)), 1e-12),
    )
    share = min(1.0, chord / window)
    if statistic == "median":
        return 0.0 if share < 0.5 else 1.0
    return share
