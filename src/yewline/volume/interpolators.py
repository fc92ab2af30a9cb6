"""Ways from lines to cells, by name: each a set of weights, under the same rule of what is covered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import Delaunay, KDTree, QhullError

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.geostat import VariogramModel, correlation
from yewline.volume.interpolate import Nodes, interpolate_nodes
from yewline.volume.natural import natural_weights
from yewline.volume.regularise import check_aliasing, fill_to_cells

__all__ = ["GAUSSIAN", "INTERPOLATORS", "Interpolation", "interpolate_by"]

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Strength = npt.NDArray[np.float32]
Weights = tuple[Index, Array]
Weigher = Callable[[Array], Weights]

_NEIGHBOURS: Final = 24
_POWER: Final = 2.0
_SAME_M: Final = 1e-6
_BLOCK: Final = 4096


@dataclass(frozen=True, slots=True)
class Interpolation:
    """How a volume is made between lines.

    Attributes
    ----------
    method : one of `INTERPOLATORS`.
    model : how strength varies, for "kriging": `azimuth_deg` is the direction of the structure, `ratio` how much
        shorter it reaches across.
    wavelength_m : the shortest in the ground that is to be kept, for "fk".

    Raises
    ------
    InputError : an unknown method, or one without what it needs.
    """

    method: str = "gaussian"
    model: VariogramModel | None = None
    wavelength_m: float | None = None

    def __post_init__(self) -> None:
        check_choice(self.method, "method", tuple(INTERPOLATORS))
        if self.method == "kriging" and self.model is None:
            raise InputError(
                "kriging needs a model of how strength varies",
                do="give a VariogramModel with the direction of the structure, or take another method",
            )
        if self.method == "fk" and self.wavelength_m is None:
            raise InputError(
                "filling between lines by their spectrum needs the wavelength in the ground",
                do="give wavelength_m, velocity over frequency, or take another method",
            )


def interpolate_by(
    how: Interpolation, nodes: Nodes, x: Array, y: Array, *, line_spacing_m: float, radius_m: float
) -> Strength:
    """Interpolate nodes to the cells of a grid in one of several ways; blank where no line is near.

    Parameters
    ----------
    how : the method and what it needs.
    nodes : N points on lines of any direction.
    x, y : (X,), (Y,) cell centres, m.
    line_spacing_m, radius_m : as for `interpolate_nodes`.

    Returns
    -------
    (Z, Y, X) float32; NaN where `interpolate_nodes` has no data, and, but for "inverse_distance" and "kriging", outside
        the hull of the nodes.

    Raises
    ------
    InputError : nodes on one straight line for what needs triangles; for "fk", lines of several directions, at uneven
        distances, or too far apart for the wavelength.

    Notes
    -----
    "gaussian" is `interpolate_nodes`, the one that volumes are made by: it smooths along the line. "linear" and
    "natural_neighbour" weigh the corners of Delaunay triangles, and Sibson's neighbours; both return planes as they are
    and stay within the range of the data. "inverse_distance" weighs the 24 nearest nodes within the radius by 1/r²;
    planes are bent. "kriging" is ordinary kriging with the 24 nearest nodes by the model's own distance; its weights
    may be negative, so that strength is cut at zero if no node is below it. Where nodes stand much closer along a line
    than lines do, the 24 nearest are those of one or two lines. "fk" fills the rows between regular parallel lines by
    projections in the spectrum (`fill_rows`), within the aliasing limit only (`check_aliasing`).

    References
    ----------
    Shepard 1968, Proc. 23rd ACM Nat. Conf., 517–524 (inverse distance); Isaaks & Srivastava 1989, An Introduction to
    Applied Geostatistics, ch. 12 (kriging); both named from memory.

    Examples
    --------
    >>> one, at = np.ones(6), np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0])
    >>> nodes = Nodes(at, np.repeat([0.0, 1.0], 3), one, 0 * one, 0.5 * one, 0.5 * one, at.astype(np.float32)[:, None])
    >>> x, y, reach = np.array([0.5, 1.25]), np.array([0.5]), {"line_spacing_m": 1.0, "radius_m": 1.5}
    >>> ways = [Interpolation(method) for method in ("linear", "natural_neighbour")]
    >>> [interpolate_by(how, nodes, x, y, **reach).round(4).tolist() for how in ways]
    [[[[0.5, 1.25]]], [[[0.5, 1.25]]]]
    """
    made = interpolate_nodes(nodes, x, y, line_spacing_m=line_spacing_m, radius_m=radius_m)
    if how.method == "gaussian":
        return made
    covered = np.isfinite(made)
    made = INTERPOLATORS[how.method](how, nodes, (x, y), covered, (float(line_spacing_m), float(radius_m)))
    made[~covered] = np.nan
    return made


def _by_weights(
    prepare: Callable[[Array, Interpolation, float], Weigher],
    how: Interpolation,
    nodes: Nodes,
    axes: tuple[Array, Array],
    covered: npt.NDArray[np.bool_],
    lengths: tuple[float, float],
) -> Strength:
    out = np.full(covered.shape, np.nan, np.float32)
    places = np.stack(np.meshgrid(*axes), axis=-1)
    patterns, of_depth = np.unique(np.isfinite(nodes.values), axis=1, return_inverse=True)
    # Depths that the same nodes reach share their weights.
    for k, use in enumerate(patterns.T):
        depths = np.flatnonzero(of_depth.ravel() == k)
        rows, columns = np.nonzero(covered[depths].any(axis=0))
        if len(rows) == 0:
            continue
        weigh = prepare(np.column_stack([nodes.x, nodes.y])[use], how, lengths[1])
        values = nodes.values[use][:, depths].astype(np.float64)
        least = 0.0 if values.min() >= 0 else -np.inf
        for start in range(0, len(rows), _BLOCK):
            j, i = rows[start : start + _BLOCK], columns[start : start + _BLOCK]
            out[depths[:, None], j, i] = np.maximum(_weighed(values, *weigh(places[j, i])), least).T
    return out


def _by_spectrum(
    how: Interpolation,
    nodes: Nodes,
    axes: tuple[Array, Array],
    _covered: npt.NDArray[np.bool_],
    lengths: tuple[float, float],
) -> Strength:
    check_aliasing(lengths[0], check_positive(how.wavelength_m or 0.0, "wavelength_m"))
    return fill_to_cells(nodes, *axes, line_spacing_m=lengths[0])


def _gaussian(
    _how: Interpolation,
    nodes: Nodes,
    axes: tuple[Array, Array],
    _covered: npt.NDArray[np.bool_],
    lengths: tuple[float, float],
) -> Strength:
    return interpolate_nodes(nodes, *axes, line_spacing_m=lengths[0], radius_m=lengths[1])


def _weighed(values: Array, numbers: Index, weights: Array) -> Array:
    """Weighted sums (M, Z); NaN where a point has no weight."""
    total = np.zeros((len(numbers), values.shape[1]))
    for column, share in zip(numbers.T, weights.T, strict=True):
        if share.any():
            total += share[:, None] * values[column]
    total[np.abs(weights).sum(axis=1) == 0] = np.nan
    return total


def _triangles(at: Array) -> Delaunay:
    try:
        return Delaunay(at)
    except (QhullError, ValueError) as error:
        raise InputError(
            "the nodes lie on one straight line, between which there are no triangles",
            received=f"{len(at)} nodes",
            do='take "gaussian" or "inverse_distance"',
        ) from error


def _linear(at: Array, _how: Interpolation, _radius_m: float) -> Weigher:
    triangles = _triangles(at)

    def weigh(places: Array) -> Weights:
        inside = triangles.find_simplex(places, tol=1e-9)
        affine = triangles.transform[inside]
        first = np.einsum("mij,mj->mi", affine[:, :2], places - affine[:, 2])
        weights = np.column_stack([first, 1.0 - first.sum(axis=1)])
        weights[(inside < 0) | ~np.isfinite(weights).all(axis=1)] = 0.0
        return triangles.simplices[inside].astype(np.int64), weights

    return weigh


def _natural_neighbour(at: Array, _how: Interpolation, _radius_m: float) -> Weigher:
    return partial(natural_weights, _triangles(at))


def _inverse_distance(at: Array, _how: Interpolation, radius_m: float) -> Weigher:
    tree = KDTree(at)

    def weigh(places: Array) -> Weights:
        distance, numbers = _nearest(tree, places)
        weights = np.where(distance <= radius_m, np.maximum(distance, _SAME_M) ** -_POWER, 0.0)
        total = weights.sum(axis=1, keepdims=True)
        return numbers, np.divide(weights, total, out=np.zeros_like(weights), where=total > 0)

    return weigh


def _kriging(at: Array, how: Interpolation, _radius_m: float) -> Weigher:
    model = how.model
    assert model is not None  # `Interpolation` has seen to it.
    # In the model's own distances, where its range is one in every direction.
    s, c = np.sin(np.radians(model.azimuth_deg)), np.cos(np.radians(model.azimuth_deg))
    turned = np.array([[s, c / model.ratio], [c, -s / model.ratio]]) / model.range_m
    data = at @ turned
    tree = KDTree(data)

    def weigh(places: Array) -> Weights:
        cells = places @ turned
        numbers = _nearest(tree, cells)[1]
        return numbers, _ordinary(data[numbers], cells, model)

    return weigh


def _ordinary(data: Array, cells: Array, model: VariogramModel) -> Array:
    """Ordinary kriging weights (M, K) of K data each; the nugget counts as in `geostat.krige`."""
    apart = np.linalg.norm(data[:, :, None] - data[:, None], axis=3)
    to_cell = np.linalg.norm(data - cells[:, None], axis=2)
    covariance = model.partial_sill * correlation(apart, model.family)
    n = data.shape[1]
    # Lines that cross put two nodes in one place: a millionth of the sill tells them apart.
    covariance[:, np.arange(n), np.arange(n)] += max(model.nugget, 1e-6 * model.sill)
    right = np.stack([model.partial_sill * correlation(to_cell, model.family), np.ones_like(to_cell)], axis=2)
    solved, ones = np.moveaxis(np.linalg.solve(covariance, right), 2, 0)
    return solved + ones * ((1.0 - solved.sum(axis=1)) / ones.sum(axis=1))[:, None]


def _nearest(tree: KDTree, places: Array) -> tuple[Array, Index]:
    count = min(_NEIGHBOURS, tree.n)
    distance, numbers = tree.query(places, k=count, workers=-1)
    return distance.reshape(len(places), count), numbers.reshape(len(places), count).astype(np.int64)


INTERPOLATORS: Final[dict[str, Callable[..., Strength]]] = {
    "gaussian": _gaussian,
    "linear": partial(_by_weights, _linear),
    "inverse_distance": partial(_by_weights, _inverse_distance),
    "natural_neighbour": partial(_by_weights, _natural_neighbour),
    "kriging": partial(_by_weights, _kriging),
    "fk": _by_spectrum,
}
"""Ways from lines to cells; the first is the usual one."""

GAUSSIAN: Final = Interpolation()
"""The usual way."""
