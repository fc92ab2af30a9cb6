"""Velocity field: v and its standard deviation over (z, y, x), handed to steps as context."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_velocity
from yewline.errors import InputError
from yewline.units import C_M_PER_NS

__all__ = ["VelocityField"]


@dataclass(frozen=True, slots=True)
class VelocityField:
    """Wave velocity on a grid.

    Attributes
    ----------
    z, y, x : (nz,), (ny,), (nx,) coordinates in metres, increasing; a single z means "the same at all depths".
    v_m_per_ns : (nz, ny, nx) velocity at each depth, which holds halfway to the next.
    sigma_m_per_ns : (nz, ny, nx) standard deviation, at a place, of the mean velocity from the surface to that depth.
    mean_m_per_ns, mean_sigma_m_per_ns : the site-wide mean and *its* standard deviation, which does not
        shrink with the number of readings where the error is common to all of them.
    source : in words, for the report.

    Raises
    ------
    InputError : shapes do not fit, or a velocity is not between 0 and that of light.
    """

    z: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    x: npt.NDArray[np.float64]
    v_m_per_ns: npt.NDArray[np.float64]
    sigma_m_per_ns: npt.NDArray[np.float64]
    mean_m_per_ns: float
    mean_sigma_m_per_ns: float
    source: str = ""

    def __post_init__(self) -> None:
        shape = (len(self.z), len(self.y), len(self.x))
        if self.v_m_per_ns.shape != shape or self.sigma_m_per_ns.shape != shape:
            raise InputError(
                "velocity must have one value for each (z, y, x)",
                received=f"{self.v_m_per_ns.shape} and {self.sigma_m_per_ns.shape} for {shape}",
            )
        fastest = max(float(np.nanmax(self.v_m_per_ns)), self.mean_m_per_ns)
        slowest = min(float(np.nanmin(self.v_m_per_ns)), self.mean_m_per_ns)
        if fastest > C_M_PER_NS:
            check_velocity(fastest, "velocity")
        if not slowest > 0:
            raise InputError("velocity must be greater than zero", received=f"{slowest:.4f} m/ns")

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """v and sigma at points, (nz, n) each: the nearest cell, or the site-wide mean where a cell is blank.

        Examples
        --------
        >>> field = VelocityField.uniform(0.1, 0.01)
        >>> v, sigma = field.at([3.0], [4.0])
        >>> v.tolist(), sigma.tolist()
        ([[0.1]], [[0.01]])
        """
        i = _nearest(self.x, np.asarray(x, float))
        j = _nearest(self.y, np.asarray(y, float))
        v, sigma = self.v_m_per_ns[:, j, i], self.sigma_m_per_ns[:, j, i]
        blank = ~np.isfinite(v)
        return np.where(blank, self.mean_m_per_ns, v), np.where(blank, self._sigma_where_blank(), sigma)

    def _sigma_where_blank(self) -> float:
        known = self.sigma_m_per_ns[np.isfinite(self.sigma_m_per_ns)]
        spread = float(np.nanstd(self.v_m_per_ns))
        return float(np.hypot(known.max(initial=self.mean_sigma_m_per_ns), spread))

    @classmethod
    def uniform(cls, v_m_per_ns: float, sigma_m_per_ns: float, source: str = "") -> VelocityField:
        """The same velocity everywhere."""
        one = np.zeros(1)
        return cls(
            z=one,
            y=one,
            x=one,
            v_m_per_ns=np.full((1, 1, 1), float(v_m_per_ns)),
            sigma_m_per_ns=np.full((1, 1, 1), float(sigma_m_per_ns)),
            mean_m_per_ns=float(v_m_per_ns),
            mean_sigma_m_per_ns=float(sigma_m_per_ns),
            source=source,
        )


def _nearest(axis: npt.NDArray[np.float64], at: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    if len(axis) == 1:
        return np.zeros(at.shape, np.intp)
    edges = 0.5 * (axis[1:] + axis[:-1])
    return np.searchsorted(edges, at)
