"""Traveltimes through ground whose velocity varies with depth and along the line: the eikonal equation, swept."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice
from yewline.errors import InputError
from yewline.signal.migration.eikonal_kernels import times_of_many
from yewline.signal.migration.layers import Array, VelocitySection

__all__ = ["eikonal_times"]

_ROUNDS = 60
_ENOUGH_NS = 1e-6
"""A round of sweeps that changes no time by more than this is the last: far below any sample."""


def eikonal_times(
    source_m: npt.ArrayLike, ground: VelocitySection, *, order: Literal["first", "second"] = "second"
) -> Array:
    """First-arrival times from each source to all nodes of a velocity section.

    Parameters
    ----------
    source_m : (N, 2) distance along the line and depth of each source, m; anywhere inside the section, not only at
        nodes.
    ground : velocities on an even grid.
    order : "first" is faster; "second" splits off what the source's own velocity makes of the times, and sweeps the
        rest with second differences: far more exact.

    Returns
    -------
    (N, X, Z) times, ns. N of them are held at once: give a few at a time where the section is large.

    Raises
    ------
    InputError : a source outside the section.

    Notes
    -----
    |∇T| = 1/v by Godunov's upwind differences, swept in four alternating directions until nothing changes. "second"
    solves for T = T₀·f, T₀ = r/v(source). In both, nodes of the cell about the source get straight rays.

    References
    ----------
    Zhao 2005, Math. Comp. 74:603–627 (fast sweeping). Fomel, Luo & Zhao 2009, J. Comput. Phys. 228:6440–6455
    (factored).

    Examples
    --------
    >>> ground = VelocitySection(np.full((41, 31), 0.1), spacing_m=0.05)
    >>> times = eikonal_times([[1.0, 0.0]], ground)
    >>> round(float(times[0, 32, 16]), 6)
    10.0
    """
    sources = check_array(source_m, "source_m", ndim=2)
    check_choice(order, "order", ("first", "second"))
    if sources.shape[1] != 2:
        raise InputError("each source needs distance and depth", received=f"shape {sources.shape}")
    nodes = (sources - (ground.x0_m, ground.z0_m)) / ground.spacing_m
    last = np.array(ground.velocity_m_per_ns.shape) - 1.0
    outside = ((nodes < -1e-6) | (nodes > last + 1e-6)).any(axis=1)
    if outside.any():
        raise InputError(
            "a source lies outside the velocity section",
            received=f"{sources[outside][0, 0]:g} m along, {sources[outside][0, 1]:g} m deep",
            do="let the section reach over all antennas",
        )
    slowness = 1.0 / ground.velocity_m_per_ns
    times, _ = times_of_many(
        np.clip(nodes, 0.0, last), slowness, ground.spacing_m, order == "second", _ROUNDS, _ENOUGH_NS
    )
    return np.asarray(times, np.float64)
