"""The error of moisture readings: what averages out, and what all readings of a visit share."""

from __future__ import annotations

import math
from typing import Final

from yewline._check import check_in_range, check_positive

__all__ = ["COMMON_SHARE", "split_reading_error"]

COMMON_SHARE: Final = 0.5
"""Share of a reading's error variance that all readings of a visit have in common (calibration for another soil,
temperature, salt). Makers state one figure for both; an even split is this project's own choice, no source."""


def split_reading_error(sigma_vwc: float, *, common_share: float = COMMON_SHARE) -> tuple[float, float]:
    """Split the error of one reading into its own part and the part common to all.

    Parameters
    ----------
    sigma_vwc : standard deviation of one reading, m³/m³.
    common_share : share of the variance that is common, 0 to 1.

    Returns
    -------
    own, common : standard deviations, m³/m³. The own part averages out over many readings, the common part never does.

    Examples
    --------
    >>> [round(part, 4) for part in split_reading_error(0.03)]
    [0.0212, 0.0212]
    """
    sigma = check_positive(sigma_vwc, "sigma_vwc")
    share = check_in_range(common_share, "common_share", 0.0, 1.0)
    return sigma * math.sqrt(1.0 - share), sigma * math.sqrt(share)
