"""One estimate of velocity, whatever it comes from: the value, how sure, where from, and for what depth."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from yewline._check import check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.units import C_M_PER_NS

__all__ = ["VelocityEstimate"]


@dataclass(frozen=True, slots=True)
class VelocityEstimate:
    """A velocity with its standard deviation.

    Attributes
    ----------
    v_m_per_ns : wave velocity, m/ns.
    sigma_m_per_ns : its standard deviation, m/ns.
    source : where it comes from: "hyperbolas", "focus", "common midpoint", "known depths", "moisture", "ground wave"…
    depth_from_m, depth_to_m : between which depths it is an average.
    n : hyperbolas, burials, windows or events behind it.
    dof : degrees of freedom behind the standard deviation; None where it was stated.
    label : which one it is, such as the name of a line.
    cautions : what to mind, as short codes.

    Raises
    ------
    InputError : a value that cannot be.

    Examples
    --------
    >>> round(VelocityEstimate(0.1, 0.002, "known depths", depth_to_m=1.5, n=6).permittivity, 3)
    8.988
    """

    v_m_per_ns: float
    sigma_m_per_ns: float
    source: str
    depth_from_m: float = 0.0
    depth_to_m: float = math.inf
    n: int = 1
    dof: float | None = None
    label: str = ""
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_in_range(self.v_m_per_ns, "v_m_per_ns", 1e-3, 1.0)
        check_positive(self.sigma_m_per_ns, "sigma_m_per_ns")
        check_finite(self.depth_from_m, "depth_from_m")
        if not self.depth_to_m > self.depth_from_m >= 0.0:
            raise InputError("depths must grow", received=f"{self.depth_from_m:g} to {self.depth_to_m:g} m")
        if self.n < 1:
            raise InputError("an estimate rests on one thing at least", received=self.n)
        if not self.source:
            raise InputError("an estimate names where it comes from", received="nothing")
        object.__setattr__(self, "cautions", tuple(self.cautions))

    @property
    def permittivity(self) -> float:
        """Relative permittivity of ground without losses that has this velocity."""
        return (C_M_PER_NS / self.v_m_per_ns) ** 2

    @property
    def name(self) -> str:
        """Source and label."""
        return f"{self.source} {self.label}".rstrip()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values; a depth without end is None."""
        values = asdict(self)
        values["cautions"] = list(self.cautions)
        values["depth_to_m"] = self.depth_to_m if math.isfinite(self.depth_to_m) else None
        return values
