"""Evidence of velocity: what one source says at places and depths, with its own errors and those its values share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range, check_velocity
from yewline.errors import InputError

__all__ = ["DECLARED_RELATIVE_SIGMA", "Biases", "VelocityEvidence"]

Array = npt.NDArray[np.float64]
Biases = tuple[tuple[str, float | Array], ...]

DECLARED_RELATIVE_SIGMA: Final = 0.10
"""Relative standard deviation of a declared velocity that comes without one (own choice, no source)."""


@dataclass(frozen=True)
class VelocityEvidence:
    """What one source says of the mean velocity from the surface down to a depth.

    Attributes
    ----------
    source : its name, such as "moisture" or "hyperbolas".
    x, y : (n,) places, site metres; NaN in both where a value stands for the whole site.
    base_m : (n,) depth down to which each value is the mean, m, greater than 0.
    v_m_per_ns : (n,) velocity.
    relative_sigma : (n,) standard deviation of each value's own error over the value; 0.05 is five per cent.
    biases : names and relative standard deviations, one number or (n,), of errors that all values share. The same name
        in another source means the very same error (time zero, say).
    at_depth : the values are velocities *at* `base_m` and not means down to it (buried probes).
    thing : (n,) which values share an error of `thing_sigma` (those that come from one buried object).
    thing_sigma : relative standard deviation of that error.

    Raises
    ------
    InputError : lengths that differ, a depth or error that is not positive, or a velocity above that of light.

    Examples
    --------
    >>> probe = VelocityEvidence("moisture", [1.0], [2.0], [0.12], [0.1], [0.03], biases=(("calibration", 0.06),))
    >>> probe.n, VelocityEvidence.of_site("focus", 0.09, 0.03, base_m=0.8).x.tolist()
    (1, [nan])
    """

    source: str
    x: Array
    y: Array
    base_m: Array
    v_m_per_ns: Array
    relative_sigma: Array
    biases: Biases = ()
    at_depth: bool = False
    thing: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    thing_sigma: float = 0.0

    def __post_init__(self) -> None:
        place = {}
        for name in ("x", "y"):
            place[name] = np.atleast_1d(np.asarray(getattr(self, name), dtype=np.float64))
        measured = {name: check_array(getattr(self, name), name, ndim=1) for name in _MEASURED}
        n = len(measured["v_m_per_ns"])
        arrays = {**place, **measured}
        if any(values.shape != (n,) for values in arrays.values()):
            lengths = ", ".join(f"{len(values)} {name}" for name, values in arrays.items())
            raise InputError("evidence needs a place, a depth and an error for each velocity", received=lengths)
        if (np.isnan(place["x"]) != np.isnan(place["y"])).any() or np.isinf([place["x"], place["y"]]).any():
            raise InputError("a place is x and y in metres, or NaN in both for the whole site")
        for name in ("base_m", "relative_sigma", "v_m_per_ns"):
            if n and not measured[name].min() > 0:
                raise InputError(f"{name} must be greater than zero", received=f"{measured[name].min():g}")
        if n:
            check_velocity(float(measured["v_m_per_ns"].max()), "v_m_per_ns")
        for name, sigma in self.biases:
            if np.shape(sigma) not in ((), (n,)) or not ((np.asarray(sigma) >= 0.0) & (np.asarray(sigma) < 10.0)).all():
                raise InputError(f"the shared error '{name}' must be one share of the velocity, or one for each value")
        check_in_range(self.thing_sigma, "thing_sigma", 0.0, 10.0)
        things = np.arange(n) if len(self.thing) == 0 else np.asarray(self.thing, dtype=np.int64)
        if things.shape != (n,):
            raise InputError("there must be one thing for each velocity", received=f"{things.shape} for {n}")
        for name, values in arrays.items():
            object.__setattr__(self, name, values)
        object.__setattr__(self, "thing", things)

    def shared(self, name: str) -> Array:
        """Relative standard deviation (n,) of the shared error of a name; zero where it has none of that name."""
        found = next((sigma for own, sigma in self.biases if own == name), 0.0)
        return np.array(np.broadcast_to(np.asarray(found, dtype=np.float64), (self.n,)))

    @property
    def n(self) -> int:
        """How many values it has."""
        return len(self.v_m_per_ns)

    @classmethod
    def of_site(
        cls, source: str, v_m_per_ns: float, relative_sigma: float, *, base_m: float, shared: Biases = ()
    ) -> VelocityEvidence:
        """One value that stands for the whole site.

        Parameters
        ----------
        source, v_m_per_ns : as above.
        relative_sigma : of the value. It is its own, but can be widened where sources contradict.
        base_m : depth down to which it is the mean, m.
        shared : further errors, that other sources have too.
        """
        nowhere, own = np.full(1, np.nan), (source, relative_sigma)
        depth, v, surely = (np.array([value]) for value in (base_m, v_m_per_ns, _NEVER_SURER))
        return cls(source, nowhere, nowhere, depth, v, surely, (own, *shared))


_MEASURED: Final = ("base_m", "v_m_per_ns", "relative_sigma")
_NEVER_SURER: Final = 1e-3
