"""Absorbing edges: layers of space stretched into the complex plane, so that a wave leaves and does not return."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.physics import absorber_conductivity_s_per_m
from yewline.simulation.wave.arrays import Absorber
from yewline.simulation.wave.rows import BLOCK
from yewline.units import EPS0_F_PER_M

__all__ = ["Edges", "absorber"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edges:
    """How the four edges absorb.

    Attributes
    ----------
    cells : thickness of each edge, a whole number of blocks of 16.
    grade : power by which absorption grows outward, 1 to 6.
    stretch : largest real stretch κ, at the outer face.
    strength : of the absorption, over that which is common practice for the medium:
        `physics.absorber_conductivity_s_per_m`.
    turn_mhz : below this frequency the layer slows a wave rather than absorbs it; falls to zero at the outer face.
    """

    cells: int = BLOCK
    grade: float = 3.5
    stretch: float = 4.0
    strength: float = 1.0
    turn_mhz: float = 20.0

    def __post_init__(self) -> None:
        if self.cells < BLOCK or self.cells % BLOCK:
            raise InputError(
                f"an absorbing edge is a whole number of blocks of {BLOCK} cells",
                received=self.cells,
                do=f"use {BLOCK * max(1, round(self.cells / BLOCK))}",
            )
        check_in_range(self.grade, "grade", 1.0, 6.0)
        check_in_range(self.stretch, "stretch", 1.0, 50.0)
        check_positive(self.strength, "strength")
        check_positive(self.turn_mhz, "turn_mhz")


def absorber(
    edges: Edges,
    *,
    cell_m: float,
    step_ns: float,
    top_permittivity: float,
    bottom_permittivity: float,
    side_permittivity: float,
    dtype: npt.DTypeLike,
) -> Absorber:
    """Coefficients of the four edges.

    Parameters
    ----------
    edges : how they absorb.
    cell_m, step_ns : of the grid.
    top_permittivity, bottom_permittivity, side_permittivity : of the medium that each edge continues. Along one edge
        the stretch must be the same everywhere, or the edge would reflect where layers enter it.
    dtype : of the coefficients.

    Notes
    -----
    s = κ + σ/(α + jωε₀), as a recursive convolution: ψ ← b ψ + c ∂, b = exp(−(σ/κ + α)Δt/ε₀),
    c = σ (b − 1)/(σκ + κ²α).

    References
    ----------
    Roden & Gedney 2000, Microw. Opt. Technol. Lett. 27:334–339.
    Taflove & Hagness 2005, Computational Electrodynamics, ch. 7 (grading; from memory).
    """
    n = edges.cells
    # Magnetic nodes lie half a cell off the electric ones; index 0 is the outermost cell of a first edge.
    inward = np.arange(n, dtype=np.float64)
    first_h, first_e = (n - inward - 0.5) / n, (n - inward) / n
    # On a last edge the same, seen from inside.
    last_h, last_e = (inward + 0.5) / n, inward / n
    # The bottom begins with a whole block, one cell further in: what the layer does in that cell, 4e-6 of the field, is
    # left out.
    bottom_h, bottom_e = np.minimum((inward + 1.5) / n, 1.0), (inward + 1.0) / n

    def side(permittivity: float, h: Array, e: Array) -> npt.NDArray[np.floating]:
        parts = [
            *_coefficients(h, edges, permittivity, cell_m, step_ns),
            *_coefficients(e, edges, permittivity, cell_m, step_ns),
        ]
        return np.ascontiguousarray(parts, dtype=dtype)

    return Absorber(
        side(top_permittivity, first_h, first_e),
        side(bottom_permittivity, bottom_h, bottom_e),
        side(side_permittivity, first_h, first_e),
        side(side_permittivity, last_h, last_e),
    )


def _coefficients(
    depth: Array, edges: Edges, permittivity: float, cell_m: float, step_ns: float
) -> tuple[Array, Array, Array]:
    most = absorber_conductivity_s_per_m(cell_m, permittivity=permittivity, order=edges.grade, rule="taflove")
    sigma = edges.strength * most * depth**edges.grade
    kappa = 1.0 + (edges.stretch - 1.0) * depth**edges.grade
    alpha = 2e6 * math.pi * EPS0_F_PER_M * edges.turn_mhz * (1.0 - depth)
    b = np.exp(-(sigma / kappa + alpha) * step_ns * 1e-9 / EPS0_F_PER_M)
    bottom = sigma * kappa + kappa**2 * alpha
    c = np.divide(sigma * (b - 1.0), bottom, out=np.zeros_like(depth), where=bottom > 0)
    return b, c, 1.0 / kappa - 1.0
