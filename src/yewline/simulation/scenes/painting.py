"""How much of each cell every cut of a section fills, where later ones replace earlier ones."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
import shapely.affinity
from scipy import ndimage

from yewline.simulation.scenes.coverage import Block, cover_block
from yewline.simulation.scenes.cutting import Cut
from yewline.simulation.scenes.solids import polygons_of

__all__ = ["Lattice", "bare_outlines", "shares_of"]

Array = npt.NDArray[np.float64]

_REACH_SD = 4.0
_SHARP_CELLS = 0.05


@dataclass(frozen=True, slots=True)
class Lattice:
    """Nodes of a section: the first node, how many there are, and the cell."""

    x0_m: float
    z0_m: float
    columns: int
    rows: int
    cell_m: float

    @property
    def x(self) -> Array:
        """(X,) distances along the line."""
        return self.x0_m + self.cell_m * np.arange(self.columns, dtype=np.float64)

    @property
    def z(self) -> Array:
        """(Z,) depths."""
        return self.z0_m + self.cell_m * np.arange(self.rows, dtype=np.float64)

    def wider(self, cells: int) -> Lattice:
        """The same nodes with more around them."""
        return Lattice(
            self.x0_m - cells * self.cell_m,
            self.z0_m - cells * self.cell_m,
            self.columns + 2 * cells,
            self.rows + 2 * cells,
            self.cell_m,
        )

    def cover(self, geometry: shapely.Geometry) -> Block:
        """Share of each cell inside a geometry, where it reaches."""
        return cover_block(geometry, (self.x0_m, self.z0_m), (self.columns, self.rows), self.cell_m)


def shares_of(cuts: Sequence[Cut], lattice: Lattice) -> Iterator[tuple[int, Block]]:
    """The share of each cell that is left to every cut, from the last to the first.

    Parameters
    ----------
    cuts : in the order of painting.
    lattice : nodes of the section.

    Yields
    ------
    Index of the cut and its share where it reaches. Shares of all cuts add up to the area that they cover together;
    a cut with a blurred edge gives its area away to those painted after it, and reaches out of its outline where they
    leave room.

    Notes
    -----
    With B the (blurred) cover of a cut and O the cover of what later cuts take of its outline, the share is B − O, held
    between 0 and what is left of the cell. Without blur it is the exact area of what shows. Later cuts that do not
    touch one another are subtracted one by one: a share does not depend, to the last bit, on cuts elsewhere.
    """
    left = np.ones((lattice.columns, lattice.rows))
    taken = _taken([cut.outline for cut in cuts])
    for number in range(len(cuts) - 1, -1, -1):
        columns, rows, share = _soft_cover(cuts[number], lattice)
        share = share.copy()
        for geometry in taken[number]:
            inner_columns, inner_rows, block = lattice.cover(geometry)
            share[
                inner_columns.start - columns.start : inner_columns.stop - columns.start,
                inner_rows.start - rows.start : inner_rows.stop - rows.start,
            ] -= block
        share = np.clip(share, 0.0, left[columns, rows])
        left[columns, rows] -= share
        yield number, (columns, rows, share)


def bare_outlines(cuts: Sequence[Cut], number: int) -> tuple[shapely.Polygon, ...]:
    """What later cuts leave of one cut's outline."""
    outline = cuts[number].outline
    later = [cut.outline for cut in cuts[number + 1 :] if cut.outline.intersects(outline)]
    return tuple(polygons_of(shapely.difference(outline, shapely.union_all(later)) if later else outline))


def _taken(outlines: list[shapely.Polygon]) -> list[list[shapely.Geometry]]:
    """For each outline what later ones take of it, one geometry for each group of them that hangs together."""
    if not outlines:
        return []
    first, second = shapely.STRtree(outlines).query(np.asarray(outlines, dtype=object), predicate="intersects")
    neighbours: list[set[int]] = [set() for _ in outlines]
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        neighbours[a].add(b)
    taken = []
    for number, outline in enumerate(outlines):
        groups = _groups(sorted(n for n in neighbours[number] if n > number), neighbours)
        unions = [shapely.union_all([outlines[n] for n in group]) for group in groups]
        taken.append([shapely.intersection(outline, union) for union in unions])
    return taken


def _groups(members: list[int], neighbours: list[set[int]]) -> list[list[int]]:
    groups, waiting = [], set(members)
    for member in members:
        if member not in waiting:
            continue
        group, edge = set(), {member}
        while edge:
            group |= edge
            waiting -= edge
            edge = set.union(*(neighbours[n] for n in edge)) & waiting
        groups.append(sorted(group))
    return groups


def _soft_cover(cut: Cut, lattice: Lattice) -> Block:
    sd = cut.blur_m / lattice.cell_m
    if sd < _SHARP_CELLS:
        return lattice.cover(cut.outline)
    reach = math.ceil(_REACH_SD * sd) + 1
    outline: shapely.Geometry = cut.outline
    if outline.bounds[1] <= 0.0:
        # What comes up to the surface is mirrored in it: its edge against the air must not fade.
        outline = shapely.union(outline, shapely.affinity.scale(outline, 1.0, -1.0, origin=(0.0, 0.0)))
    # Beyond the section too, so that what the section cuts off is not taken for an edge.
    columns, rows, block = lattice.wider(reach).cover(outline)
    soft = ndimage.gaussian_filter(np.pad(block, reach), sd, mode="constant", truncate=_REACH_SD)
    # In nodes of the section itself the padded block begins two reaches further back.
    begin = (columns.start - 2 * reach, rows.start - 2 * reach)
    low = [max(0, start) for start in begin]
    high = [
        max(lowest, min(count, start + size))
        for lowest, count, start, size in zip(low, (lattice.columns, lattice.rows), begin, soft.shape, strict=True)
    ]
    part = soft[low[0] - begin[0] : high[0] - begin[0], low[1] - begin[1] : high[1] - begin[1]]
    return slice(low[0], high[0]), slice(low[1], high[1]), part
