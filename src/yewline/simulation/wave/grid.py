"""From materials to the coefficients of a time step, and windows of them that an antenna carries along."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.wave.arrays import Absorber, Index, Links, Media, Real, no_links, zeros_in_lines
from yewline.simulation.wave.conductors import Cuts, bounded_weights, cut_links
from yewline.simulation.wave.edges import Edges, absorber
from yewline.simulation.wave.rows import BLOCK
from yewline.simulation.wave.section import Section
from yewline.units import C_M_PER_NS, EPS0_F_PER_M

__all__ = ["COURANT_SHARE", "Grid", "Precision", "Window", "make_grid", "window_of"]

Array = npt.NDArray[np.float64]
Precision = Literal["single", "double"]
COURANT_SHARE: Final = 0.99
"""Time step over the longest stable one."""
_DTYPES: Final = {"single": np.float32, "double": np.float64}


@dataclass(frozen=True, slots=True)
class Grid:
    """A section made ready for stepping, with the absorbing rows above and below, but not yet those at its ends.

    Attributes
    ----------
    section : what it was made from.
    step_ns : time step.
    edges : the absorbing edges.
    keep, gain, relax : (X, depths) coefficients, the section's first depth at `edges.cells`; `relax` is (0, 0) where
        nothing relaxes.
    memory : (2,) see `arrays.Media`.
    absorber : coefficients of the absorbing edges.
    links : cut by conductors, sorted by the section's columns.
    """

    section: Section
    step_ns: float
    edges: Edges
    keep: Real
    gain: Real
    relax: Real
    memory: Real
    absorber: Absorber
    links: Links

    @property
    def dtype(self) -> np.dtype[Any]:
        """Number type of the coefficients, and so of the fields."""
        return self.keep.dtype

    def bytes_of_window(self, columns: int) -> int:
        """Memory of a window of `columns` columns: three fields, the coefficients, and the memory of its edges."""
        depths, edge = self.keep.shape[1], self.edges.cells
        wide = columns + 2 * edge
        arrays = 7 if self.relax.size else 5
        return int((arrays * wide * depths + 4 * edge * (wide + depths)) * self.dtype.itemsize)

    @property
    def bytes_held(self) -> int:
        """Memory of the coefficients of the whole section."""
        return self.keep.nbytes + self.gain.nbytes + self.relax.nbytes

    def cells_of_window(self, columns: int) -> int:
        """Cells of a window of `columns` columns with its edges, all of which are updated at every step."""
        return (columns + 2 * self.edges.cells) * int(self.keep.shape[1])


@dataclass(frozen=True, slots=True)
class Window:
    """Part of a grid with absorbing edges on all four sides.

    Attributes
    ----------
    first : index of the section's column at the first column inside the edges; may lie outside the section.
    columns : columns inside the edges.
    media, links : coefficients of the window.
    """

    grid: Grid
    first: int
    columns: int
    media: Media
    links: Links

    def node(self, distance_m: Array, depth_m: Array) -> tuple[Array, Array]:
        """Places in units of nodes, along and down."""
        section, edge = self.grid.section, self.grid.edges.cells
        return (
            (distance_m - section.x0_m) / section.cell_m - self.first + edge,
            (depth_m - section.z0_m) / section.cell_m + edge,
        )


def make_grid(
    section: Section,
    *,
    edges: Edges | None = None,
    precision: Precision = "single",
    courant_share: float = COURANT_SHARE,
    fastest_permittivity: float | None = None,
    like: Grid | None = None,
) -> Grid:
    """Coefficients of a section.

    Parameters
    ----------
    section : the materials.
    edges : absorbing edges.
    precision : of fields and coefficients.
    courant_share : time step over the longest stable one.
    fastest_permittivity : permittivity that the time step is made for, no more than the section's lowest, which is the
        default. With 1 all sections of a scene have the same step, air in them or not.
    like : a grid over the same cells whose absorbing edges are taken over. They follow the section's mean, so that
        without it a body would change them a little, and fields with and without it would differ by what comes back.

    Raises
    ------
    InputError : settings out of range, a time step that the section's fastest material would not bear, or edges of a
        grid with other cells.

    Notes
    -----
    Δt ≤ Δ √ε_min / (c √2). With conductivity taken at half steps, and q = σΔt/2ε₀,
    E ← (ε − q)/(ε + q) E + (cΔt/Δ)²/(ε + q) (differences of h). A relaxing part adds g = Δε Δt/(2τ + Δt) to ε + q and
    takes it from ε − q; its polarisation p obeys p ← (2τ − Δt)/(2τ + Δt) p + g (E + E'), and pulls with 2Δt/(2τ + Δt).

    References
    ----------
    Yee 1966, IEEE Trans. Antennas Propag. 14:302–307. Taflove & Hagness 2005, ch. 3 and 9 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> grid = make_grid(Section(np.ones((8, 8)), np.zeros((8, 8)), cell_m=0.01))
    >>> round(grid.step_ns, 5), grid.keep.shape
    (0.02335, (8, 48))
    """
    edge = Edges() if edges is None else edges
    check_choice(precision, "precision", ("single", "double"))
    # At the limit itself, rounding would decide.
    check_in_range(courant_share, "courant_share", 0.05, 0.999)
    dtype = _DTYPES[precision]
    epsilon = section.permittivity.astype(np.float64)
    step = courant_share * section.cell_m * math.sqrt(_fastest(epsilon, fastest_permittivity) / 2.0) / C_M_PER_NS
    loss = section.conductivity_ms_per_m.astype(np.float64) * (1e-12 * step / (2.0 * EPS0_F_PER_M))
    late = np.zeros((0, 0))
    memory = np.zeros(2)
    if section.relaxation is not None:
        twice = 2.0 * section.relaxation.time_ns
        late = section.relaxation.strength.astype(np.float64) * step / (twice + step)
        memory = np.array([(twice - step) / (twice + step), 2.0 * step / (twice + step)])
    below = epsilon + loss + (late if late.size else 0.0)
    keep = (epsilon - loss - (late if late.size else 0.0)) / below
    courant2 = (C_M_PER_NS * step / section.cell_m) ** 2
    gain = courant2 / below
    # The pull acts on the field through the same coefficient as the differences do.
    memory[1] /= courant2
    links = no_links(section.columns, dtype)
    if section.conductors:
        cuts = cut_links(section.conductors, section.distance_m, section.depth_m, section.cell_m)
        keep[cuts.inside] = gain[cuts.inside] = 0.0
        links = _links_by_column(cuts, bounded_weights(cuts, 4.0 * epsilon / courant2) - 1.0, edge.cells, dtype)
    return Grid(
        section=section,
        step_ns=step,
        edges=edge,
        keep=_with_rows(keep, edge.cells, dtype),
        gain=_with_rows(gain, edge.cells, dtype),
        relax=_with_rows(late, edge.cells, dtype),
        memory=memory.astype(dtype),
        absorber=_edges_of(section, edge, step, dtype)
        if like is None
        else _same_edges(like, section, edge, step, dtype),
        links=links,
    )


def window_of(grid: Grid, first: int, columns: int) -> Window:
    """A window of `columns` columns of the section from its column `first` on.

    Columns beyond the section repeat its end columns, and those inside the edges repeat the window's, so that the
    edges continue whatever layers reach them.
    """
    section, edge = grid.section, grid.edges.cells
    at = np.clip(np.arange(first, first + columns), 0, section.columns - 1)
    at = np.concatenate([np.full(edge, at[0]), at, np.full(edge, at[-1])])
    return Window(
        grid,
        first,
        columns,
        Media(_columns_of(grid.keep, at), _columns_of(grid.gain, at), _columns_of(grid.relax, at), grid.memory),
        _links_at(grid.links, at),
    )


def _columns_of(values: Real, at: Index) -> Real:
    if not values.size:
        return values
    taken = zeros_in_lines((len(at), values.shape[1]), values.dtype)
    np.take(values, at, axis=0, out=taken)
    return taken


def _fastest(epsilon: Array, wanted: float | None) -> float:
    lowest = float(epsilon.min())
    if wanted is None:
        return lowest
    if check_positive(wanted, "fastest_permittivity") > lowest:
        raise InputError(
            "the time step would be too long for the section's fastest material",
            received=f"fastest_permittivity {wanted:g}, with {lowest:g} in the section",
            do=f"give {lowest:g} or less",
        )
    return wanted


def _edges_of(section: Section, edge: Edges, step_ns: float, dtype: npt.DTypeLike) -> Absorber:
    return absorber(
        edge,
        cell_m=section.cell_m,
        step_ns=step_ns,
        top_permittivity=_typical(section.permittivity[:, 0]),
        bottom_permittivity=_typical(section.permittivity[:, -1]),
        side_permittivity=_typical(section.permittivity),
        dtype=dtype,
    )


def _same_edges(like: Grid, section: Section, edge: Edges, step_ns: float, dtype: npt.DTypeLike) -> Absorber:
    mine = (section.cell_m, section.depths, step_ns, edge, np.dtype(dtype))
    if mine != (like.section.cell_m, like.section.depths, like.step_ns, like.edges, like.dtype):
        raise InputError(
            "edges can be taken over from a grid of the same cells only",
            received=f"cells of {section.cell_m:g} m and steps of {step_ns:g} ns, "
            f"with {like.section.cell_m:g} m and {like.step_ns:g} ns",
            do="give both sections the same cells and depths, and both grids the same settings",
        )
    return like.absorber


def _links_by_column(cuts: Cuts, extra: Array, edge: int, dtype: npt.DTypeLike) -> Links:
    """Links of the section; those at the first and last depth go on through the edges, as the materials do."""
    columns, depths = cuts.inside.shape
    above = np.flatnonzero(~cuts.down & (cuts.k == 0))
    below = np.flatnonzero(~cuts.down & (cuts.k == depths - 1))
    more = np.arange(1, edge)
    which = np.concatenate([np.arange(len(cuts.i)), np.repeat(above, edge - 1), np.repeat(below, edge - 1)])
    k = edge + np.concatenate([cuts.k, np.tile(-more, len(above)), depths - 1 + np.tile(more, len(below))])
    order = np.lexsort((k, cuts.i[which]))
    which = which[order]
    return Links(
        np.searchsorted(cuts.i[which], np.arange(columns + 1)).astype(np.int64),
        k[order],
        cuts.down[which],
        extra[which].astype(dtype),
    )


def _links_at(links: Links, at: npt.NDArray[np.int64]) -> Links:
    """Links of a window whose columns are the section's columns `at`; between repeated columns nothing is cut."""
    count = links.first[at + 1] - links.first[at]
    row = np.repeat(np.arange(len(at)), count)
    which = np.arange(len(row)) + np.repeat(links.first[at] - np.cumsum(count) + count, count)
    real = np.append(np.diff(at) == 1, False)
    kept = links.down[which] | real[row]
    row, which = row[kept], which[kept]
    return Links(
        np.searchsorted(row, np.arange(len(at) + 1)).astype(np.int64),
        links.k[which],
        links.down[which],
        links.extra[which],
    )


def _with_rows(values: Array, edge: int, dtype: npt.DTypeLike) -> Real:
    """The rows of the edges, and below as many more as fill a block; nothing moves in the outermost row."""
    if not values.size:
        return np.zeros((0, 0), dtype)
    more = -(values.shape[1] + 2 * edge) % BLOCK
    whole = np.pad(values, ((0, 0), (edge, edge + more)), mode="edge")
    whole[:, 0] = whole[:, -1] = 0.0
    return np.ascontiguousarray(whole, dtype=dtype)


def _typical(permittivity: npt.NDArray[np.float32]) -> float:
    """The square of the mean refractive index: one absorption for all that meets an edge."""
    return float(np.sqrt(permittivity.astype(np.float64)).mean() ** 2)
