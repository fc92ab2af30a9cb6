"""Values of a field between the nodes of a grid, drawn jointly with those at the nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline.geostat.covariance import VariogramModel

__all__ = ["BEFORE", "BEHIND", "Between", "between_nodes"]

Array = npt.NDArray[np.float64]

BEFORE: Final = 3
"""Nodes of a place's patch before the cell that it lies in, along each axis."""

BEHIND: Final = 4
"""Nodes of a place's patch after the lower corner of the cell that it lies in, along each axis."""

# Places in cells farther apart than this have nothing more in common than their nodes tell: below 3e-4 of the sill for
# the exponential family.
_NEAR_CELLS: Final = 3
_ON_NODE_CELLS: Final = 1e-6

# Below this share of the largest eigenvalue, nodes of a smooth field tell rounding only: at 1e-13 what they tell of a
# place was off by 4e-4 of the sill for a Gaussian range of 20 cells, at 1e-10 by 2e-6.
_SMALLEST_EIGENVALUE: Final = 1e-10
_SMALLEST_LEFT: Final = 1e-13


@dataclass(frozen=True, eq=False, slots=True)
class Between:
    """How values at R places follow from a field at the nodes.

    Attributes
    ----------
    nodes : (2, R, 64) rows and columns of each patch's nodes in the window.
    weights : (R, 64) simple kriging of the value at a place from these.
    root : (R, R) root of the covariance of what they leave open, with any noise of the readings themselves.
    """

    nodes: npt.NDArray[np.intp]
    weights: Array
    root: Array

    def draw(self, window: npt.NDArray[Any], source: np.random.Generator) -> npt.NDArray[np.complex128]:
        """Values (R,) at the places for the two fields of a complex window (Y, X)."""
        expected = np.einsum("rk,rk->r", self.weights, window[self.nodes[0], self.nodes[1]])
        left = self.root @ source.standard_normal((len(self.root), 2))
        return np.asarray(expected + left[:, 0] + 1j * left[:, 1])


def between_nodes(
    positions: Array,
    step_m: tuple[float, float],
    *,
    model: VariogramModel,
    noise_variance: Array,
) -> Between:
    """How values at places follow from those at their 8 × 8 nearest nodes.

    Parameters
    ----------
    positions : (R, 2) row and column of each place in the window, in cells, with fractions; at least `BEFORE` cells
        from its lower and `BEHIND` from its upper edges.
    step_m : distance between cells along y and x, m; negative where coordinates fall.
    model : variogram; its nugget is left out.
    noise_variance : (R,) what to add to each place's own variance.

    Notes
    -----
    A value is the simple kriging estimate p·s from the nodes s of its patch and a Gaussian remainder. Remainders of
    places within three cells have the covariance C(xᵢ, xⱼ) − pᵢ·C(sᵢ, xⱼ) − pⱼ·C(sⱼ, xᵢ) + pᵢ·C(sᵢ, sⱼ) pⱼ, so that
    variances at the places and covariances among near ones are exact, as are those with the patch. With nodes farther
    off a covariance is right to 4e-4 of the sill (to 9e-3 for a spherical range of only 5 cells, to 9e-4 for ranges of
    20 × 6 cells), since the patch screens them. A place on a node has the value of the node.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=5.0)
    >>> on_node = between_nodes(np.array([[3.0, 4.0]]), (0.5, 0.5), model=model, noise_variance=np.zeros(1))
    >>> on_node.nodes[:, 0, on_node.weights[0].argmax()].tolist(), on_node.root.tolist()
    ([3, 4], [[0.0]])
    """
    rounded = np.round(positions)
    exact = np.where(np.abs(positions - rounded) < _ON_NODE_CELLS, rounded, positions)
    cells = np.floor(exact).astype(np.intp)
    yx = np.asarray(step_m)
    inside = ((exact - cells) * yx)[:, ::-1]
    along = np.arange(-BEFORE, BEHIND + 1)
    offsets = np.stack(np.meshgrid(along, along, indexing="ij"), axis=-1).reshape(-1, 2)
    patch = (offsets * yx)[:, ::-1]
    weights = model.covariance(inside, patch) @ _inverse(model.covariance(patch, patch))
    on_node = (exact == cells).all(axis=1)
    weights[on_node] = (offsets == 0).all(axis=1)
    nodes = cells.T[:, :, None] + offsets.T[:, None, :]

    xy = (exact * yx)[:, ::-1]
    apart = cells[None, :, :] - cells[:, None, :]
    between = model.covariance(xy, xy)
    left = np.zeros_like(between)
    near = np.abs(apart).max(axis=2) <= _NEAR_CELLS
    for shift in np.unique(apart[near], axis=0):
        moved = (shift * yx)[::-1]
        there = weights @ model.covariance(patch, inside + moved)
        back = (weights @ model.covariance(patch, inside - moved)).T
        common = weights @ model.covariance(patch, patch + moved) @ weights.T
        here = (apart == shift).all(axis=2)
        left[here] = (between - there - back + common)[here]
    left[np.diag_indices_from(left)] += noise_variance
    values, vectors = np.linalg.eigh(0.5 * (left + left.T))
    # The root of a rounding would be seen at readings that have no error.
    values[values < _SMALLEST_LEFT * model.sill] = 0.0
    return Between(nodes, weights, vectors * np.sqrt(values))


def _inverse(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    kept = values > _SMALLEST_EIGENVALUE * values[-1]
    return np.asarray((vectors[:, kept] / values[kept]) @ vectors[:, kept].T)
