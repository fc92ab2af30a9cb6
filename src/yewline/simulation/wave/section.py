"""A vertical section of ground on square cells, and what a wave demands of the cells."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError
from yewline.physics import largest_cell_m
from yewline.simulation.wave.digits import round_down

__all__ = ["CELLS_A_WAVELENGTH", "Relaxation", "Section", "cell_that_would_do", "check_cell"]

Float32 = npt.NDArray[np.float32]

CELLS_A_WAVELENGTH: Final = 10.0
"""Cells in the shortest wavelength of the pulse's band, in the densest material (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Relaxation:
    """The part of the permittivity that follows a field late: Δε / (1 + jωτ).

    Attributes
    ----------
    strength : (X, Z) Δε, on the section's nodes; the section's own permittivity is then that at the highest
        frequencies.
    time_ns : τ, the same everywhere.
    """

    strength: Float32
    time_ns: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "strength", check_array(self.strength, "strength", ndim=2, dtype=np.float32))
        check_positive(self.time_ns, "time_ns")
        if float(self.strength.min()) < 0:
            raise InputError("the relaxing part of a permittivity must not be negative", received=self.strength.min())


@dataclass(frozen=True, slots=True)
class Section:
    """Materials under and above a straight line, on square cells; air lies at negative depths.

    Attributes
    ----------
    permittivity, conductivity_ms_per_m : (X, Z) relative permittivity and conductivity at the nodes, each the
        arithmetic mean over the cell around its node: with the field across the section that keeps faces of any slope
        or curve at second order.
    cell_m : side of a cell.
    x0_m, z0_m : distance along the line and depth of the first node.
    conductors : outlines (distance, depth) of perfect conductors.
    relaxation : of pore water, where it matters.

    Raises
    ------
    InputError : shapes differ, a material that cannot be (permittivity below one, negative conductivity), or a
        conductor whose outline crosses itself.

    Examples
    --------
    >>> soil = Section(np.full((40, 30), 9.0), np.full((40, 30), 5.0), cell_m=0.02)
    >>> soil.columns, soil.depths, soil.length_m
    (40, 30, 0.78)
    """

    permittivity: Float32
    conductivity_ms_per_m: Float32
    cell_m: float
    x0_m: float = 0.0
    z0_m: float = 0.0
    conductors: tuple[shapely.Polygon, ...] = field(default=())
    relaxation: Relaxation | None = None

    def __post_init__(self) -> None:
        for name in ("permittivity", "conductivity_ms_per_m"):
            object.__setattr__(self, name, check_array(getattr(self, name), name, ndim=2, dtype=np.float32))
        check_positive(self.cell_m, "cell_m")
        check_finite(self.x0_m, "x0_m")
        check_finite(self.z0_m, "z0_m")
        if self.permittivity.shape != self.conductivity_ms_per_m.shape:
            raise InputError(
                "permittivity and conductivity must have the same shape",
                received=f"{self.permittivity.shape} and {self.conductivity_ms_per_m.shape}",
            )
        _refuse(self, self.permittivity, 1.0 - 1e-6, "a permittivity below 1", "that of air is 1")
        _refuse(
            self, self.conductivity_ms_per_m, 0.0, "a negative conductivity", "it would feed the wave: use 0 or more"
        )
        if self.relaxation is not None and self.relaxation.strength.shape != self.permittivity.shape:
            raise InputError(
                "the relaxing part must have the section's shape",
                received=f"{self.relaxation.strength.shape} and {self.permittivity.shape}",
            )
        for number, body in enumerate(self.conductors):
            if body.is_empty or not body.is_valid:
                raise InputError(
                    "a conductor's outline must enclose an area and not cross itself",
                    where=f"conductor {number}",
                    received=shapely.is_valid_reason(body) if not body.is_empty else "an empty outline",
                )

    @property
    def columns(self) -> int:
        """Number of nodes along the line."""
        return int(self.permittivity.shape[0])

    @property
    def depths(self) -> int:
        """Number of nodes downward."""
        return int(self.permittivity.shape[1])

    @property
    def length_m(self) -> float:
        """Distance between the first and the last column."""
        return (self.columns - 1) * self.cell_m

    @property
    def distance_m(self) -> npt.NDArray[np.float64]:
        """(X,) distance of each column along the line."""
        return np.asarray(self.x0_m + self.cell_m * np.arange(self.columns), np.float64)

    @property
    def depth_m(self) -> npt.NDArray[np.float64]:
        """(Z,) depth of each row."""
        return np.asarray(self.z0_m + self.cell_m * np.arange(self.depths), np.float64)

    def static_permittivity(self) -> Float32:
        """Permittivity (X, Z) at low frequency, what relaxes included: the densest that a wave can meet."""
        return self.permittivity if self.relaxation is None else self.permittivity + self.relaxation.strength

    def with_materials(self, permittivity: npt.ArrayLike, conductivity_ms_per_m: npt.ArrayLike) -> Section:
        """The same section with other materials (X, Z)."""
        return replace(
            self,
            permittivity=np.asarray(permittivity, np.float32),
            conductivity_ms_per_m=np.asarray(conductivity_ms_per_m, np.float32),
        )


def cell_that_would_do(
    permittivity: float, edge_mhz: float, *, cells_a_wavelength: float = CELLS_A_WAVELENGTH
) -> float:
    """The largest cell, m, that gives the shortest wavelength its cells.

    Parameters
    ----------
    permittivity : of the densest material.
    edge_mhz : upper edge of the pulse's band.
    cells_a_wavelength : wanted.

    Examples
    --------
    >>> round(cell_that_would_do(9.0, 600.0), 4)
    0.0167
    """
    # At level one a pulse's band is its peak: the edge itself.
    return largest_cell_m(edge_mhz, permittivity=permittivity, cells=cells_a_wavelength, level=1.0)


def check_cell(section: Section, edge_mhz: float, *, cells_a_wavelength: float = CELLS_A_WAVELENGTH) -> None:
    """Refuse a section whose cells are too coarse for a pulse.

    Raises
    ------
    InputError : says which material, where, and the cell that would do.
    """
    dense = section.static_permittivity()
    at = np.unravel_index(int(np.argmax(dense)), dense.shape)
    highest = float(dense[at])
    fits = cell_that_would_do(highest, edge_mhz, cells_a_wavelength=cells_a_wavelength)
    if section.cell_m <= fits * (1 + 1e-6):
        return
    has = fits / section.cell_m * cells_a_wavelength
    raise InputError(
        "the cells are too coarse for the shortest wavelength",
        where=f"{section.distance_m[at[0]]:.2f} m along the section, {section.depth_m[at[1]]:.2f} m deep",
        received=f"{section.cell_m:g} m: {has:.1f} cells a wavelength at {edge_mhz:.0f} MHz "
        f"in permittivity {highest:.1f}",
        do=f"use cells of {round_down(fits):g} m or less",
    )


def _refuse(section: Section, values: npt.NDArray[Any], lowest: float, problem: str, do: str) -> None:
    at = np.unravel_index(int(np.argmin(values)), values.shape)
    if values[at] < lowest:
        raise InputError(
            f"the section holds {problem}",
            where=f"{section.distance_m[at[0]]:.2f} m along the section, {section.depth_m[at[1]]:.2f} m deep",
            received=float(values[at]),
            do=do,
        )
