"""How fast the ground is: one velocity, layers of them, or a section in which it also varies along the line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range, check_velocity
from yewline.errors import InputError
from yewline.units import C_M_PER_NS

__all__ = ["Layers", "VelocitySection", "as_layers", "vertical_times_ns"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Layers:
    """Velocity that varies with depth alone: flat layers, the last one without an end.

    Attributes
    ----------
    top_m : (L,) depth of each layer's top below the antennas, m; the first is 0.
    velocity_m_per_ns : (L,) of each layer, m/ns.

    Raises
    ------
    InputError : tops that do not rise from 0, velocities that cannot be, or two lengths.

    Examples
    --------
    >>> ground = Layers([0.0, 1.0], [0.1, 0.08])
    >>> vertical_times_ns([0.5, 1.4], ground).round(6).tolist()
    [10.0, 30.0]
    """

    top_m: Array
    velocity_m_per_ns: Array

    def __post_init__(self) -> None:
        top = _read_only(check_array(self.top_m, "top_m", ndim=1))
        velocity = _read_only(_checked(self.velocity_m_per_ns, 1))
        object.__setattr__(self, "top_m", top)
        object.__setattr__(self, "velocity_m_per_ns", velocity)
        if top.shape != velocity.shape:
            raise InputError(
                "each layer needs a top and a velocity", received=f"{len(top)} tops, {len(velocity)} velocities"
            )
        if top[0] != 0 or (np.diff(top) <= 0).any():
            raise InputError(
                "the tops of layers must start at 0 and go down", received=top.tolist(), do="sort them by depth"
            )

    def at_depth(self, depth_m: npt.ArrayLike) -> Array:
        """Velocity at each depth, m/ns; at a boundary that of the lower layer."""
        index = np.searchsorted(self.top_m, np.asarray(depth_m, np.float64), side="right") - 1
        return self.velocity_m_per_ns[np.maximum(index, 0)]

    def thickness_above(self, depth_m: npt.ArrayLike) -> Array:
        """(Z, L) how much of each layer lies above each depth, m."""
        depth = check_array(depth_m, "depth_m", ndim=1)
        bottom = np.append(self.top_m[1:], np.inf)
        return np.clip(depth[:, None], self.top_m, bottom) - self.top_m


@dataclass(frozen=True, eq=False)
class VelocitySection:
    """Velocity on the nodes of an even grid below a line.

    Attributes
    ----------
    velocity_m_per_ns : (X, Z) at the nodes, m/ns, at least 3 × 3.
    spacing_m : between neighbouring nodes, the same along the line and down, m.
    x0_m : distance of the first column along the line, m.
    z0_m : depth of the first row, m; negative where the ground rises above depth 0.

    Raises
    ------
    InputError : fewer than 3 × 3 nodes, velocities that cannot be, or a spacing that is not positive.

    Examples
    --------
    >>> ground = VelocitySection(np.full((40, 30), 0.1), spacing_m=0.05)
    >>> round(ground.end_x_m, 6), round(ground.end_z_m, 6)
    (1.95, 1.45)
    """

    velocity_m_per_ns: Array
    spacing_m: float
    x0_m: float = 0.0
    z0_m: float = 0.0

    def __post_init__(self) -> None:
        velocity = _read_only(_checked(self.velocity_m_per_ns, 2))
        object.__setattr__(self, "velocity_m_per_ns", velocity)
        if min(velocity.shape) < 3:
            raise InputError("a velocity section needs 3 × 3 nodes at least", received=f"shape {velocity.shape}")
        check_in_range(self.spacing_m, "spacing_m", 1e-6, 1_000.0)

    @property
    def end_x_m(self) -> float:
        """Distance of the last column, m."""
        return self.x0_m + self.spacing_m * (self.velocity_m_per_ns.shape[0] - 1)

    @property
    def end_z_m(self) -> float:
        """Depth of the last row, m."""
        return self.z0_m + self.spacing_m * (self.velocity_m_per_ns.shape[1] - 1)

    def reaching(self, low_m: float, high_m: float) -> VelocitySection:
        """Itself, or with its outermost columns repeated so that it holds distances from `low_m` to `high_m`."""
        before = max(0, math.ceil((self.x0_m - low_m) / self.spacing_m - 1e-9))
        after = max(0, math.ceil((high_m - self.end_x_m) / self.spacing_m - 1e-9))
        if before == 0 and after == 0:
            return self
        wider = np.pad(self.velocity_m_per_ns, ((before, after), (0, 0)), mode="edge")
        return VelocitySection(wider, self.spacing_m, self.x0_m - before * self.spacing_m, self.z0_m)


def as_layers(ground: float | Layers) -> Layers:
    """One velocity as a single layer; layers as they are.

    Raises
    ------
    InputError : a velocity that cannot be.
    """
    if isinstance(ground, Layers):
        return ground
    return Layers(np.zeros(1), np.array([check_velocity(ground, "velocity_m_per_ns")]))


def vertical_times_ns(depth_m: npt.ArrayLike, ground: float | Layers) -> Array:
    """(Z,) two-way time straight down to each depth and back, ns.

    Raises
    ------
    InputError : a velocity that cannot be, or depths that are not finite.
    """
    layers = as_layers(ground)
    return np.asarray(2.0 * layers.thickness_above(depth_m) @ (1.0 / layers.velocity_m_per_ns), np.float64)


def _checked(values: npt.ArrayLike, ndim: int) -> Array:
    velocity: Array = check_array(values, "velocity_m_per_ns", ndim=ndim)
    if (velocity <= 0).any() or (velocity > C_M_PER_NS * (1 + 1e-9)).any():
        worst = velocity.min() if (velocity <= 0).any() else velocity.max()
        raise InputError(
            "velocities must be positive and at most that of light",
            received=f"{worst:g} m/ns",
            do=f"velocities are in m/ns and at most {C_M_PER_NS:.4f}",
        )
    return velocity


def _read_only(values: Array) -> Array:
    copy = values.copy()
    copy.setflags(write=False)
    return copy
