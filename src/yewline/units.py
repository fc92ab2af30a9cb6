"""Physical constants and the few conversions that the package needs.

Units in use everywhere: metres, nanoseconds, MHz, m/ns, mS/m, m³/m³. Depth is positive downward.
The speed of light is exact (SI 2019); μ0 = 4π·10⁻⁷ H/m is the value before 2019, which differs from today's by 1e-10.
"""

from __future__ import annotations

import math
from typing import Final

__all__ = ["C_M_PER_NS", "C_M_PER_S", "EPS0_F_PER_M", "ETA0_OHM", "MU0_H_PER_M", "NEPER_DB", "Z90"]

C_M_PER_S: Final = 299_792_458.0
"""Speed of light in vacuum, m/s (exact)."""

C_M_PER_NS: Final = C_M_PER_S * 1e-9
"""Speed of light in vacuum, m/ns."""

MU0_H_PER_M: Final = 4e-7 * math.pi
"""Permeability of vacuum, H/m."""

EPS0_F_PER_M: Final = 1.0 / (MU0_H_PER_M * C_M_PER_S**2)
"""Permittivity of vacuum, F/m."""

ETA0_OHM: Final = MU0_H_PER_M * C_M_PER_S
"""Wave impedance of vacuum, Ω."""

NEPER_DB: Final = 20.0 / math.log(10.0)
"""Decibels in one neper: 8.685 889 6."""

Z90: Final = 1.6448536269514722
"""Half-width of the central 90 % interval of a normal distribution, in standard deviations."""
