"""The fused velocity on a grid: layers of velocity for time to depth, and the error of the mean down to each."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.interpolate import RegularGridInterpolator

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.ground.fusion import FusedVelocity
from yewline.model import VelocityField
from yewline.units import C_M_PER_NS

__all__ = ["field_of_velocity"]

Array = npt.NDArray[np.float64]

_NODES: Final = 40
"""Along an axis, at most: velocity changes over metres, and cells are decimetres."""
_LAYERS: Final = 8
_SHALLOWEST_M: Final = 0.1


def field_of_velocity(
    fused: FusedVelocity,
    *,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    deepest_m: float,
    reference_depth_m: float,
    source: str = "",
) -> VelocityField:
    """The joined velocity over a grid's cells, in layers.

    Parameters
    ----------
    fused : from `fuse_velocity`.
    x, y : (X,) and (Y,) cell centres, site metres, increasing.
    deepest_m : depth down to which layers are made, m; the last one goes on below it.
    reference_depth_m : depth for which the site's mean is given, m.
    source : in words, for reports.

    Returns
    -------
    Velocity *in* each layer, so that the time through them is that of the mean velocity down to every lower face; its
    standard deviation is that of the *mean* down to the layer's depth, which is what a depth's error rests on.

    Raises
    ------
    InputError : coordinates that do not increase, or a depth that is not positive.

    Notes
    -----
    Between two faces a and b the velocity is (b − a) / (b/v̄(b) − a/v̄(a)). The field is computed on at most 40 × 40
    places and linear between them, in ln v.

    Examples
    --------
    >>> from yewline.geostat import VariogramModel
    >>> from yewline.ground import GroundPrior, VelocityEvidence, fuse_velocity
    >>> prior = GroundPrior(VariogramModel("exponential", partial_sill=1e-4, range_m=9.0), profile_sigma=0.04)
    >>> dug = VelocityEvidence.of_site("known depths", 0.09, 0.02, base_m=1.0)
    >>> fused = fuse_velocity([dug], prior=prior, site_xy=[[0, 0], [4, 4]], reference_depth_m=1.0)
    >>> field = field_of_velocity(fused, x=[0, 1, 2, 3, 4], y=[0, 4], deepest_m=1.5, reference_depth_m=1.0)
    >>> field.v_m_per_ns.shape, round(field.mean_m_per_ns, 4)
    ((8, 2, 5), 0.09)
    """
    columns, rows = _axis(x, "x"), _axis(y, "y")
    deepest = max(check_positive(deepest_m, "deepest_m"), 2.0 * _SHALLOWEST_M)
    depths = np.geomspace(_SHALLOWEST_M, deepest, _LAYERS)
    # A layer's velocity holds halfway to the next depth; the last face is as far below the last depth as that.
    faces = 0.5 * (depths[1:] + depths[:-1])
    faces = np.append(faces, 2.0 * depths[-1] - faces[-1])
    coarse_x, coarse_y = _thinned(columns), _thinned(rows)
    places = np.stack(np.meshgrid(coarse_x, coarse_y), axis=-1).reshape(-1, 2)
    cells = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1)
    shape = (len(coarse_y), len(coarse_x))

    def over_cells(values: Array) -> Array:
        return np.asarray(RegularGridInterpolator((coarse_y, coarse_x), values.reshape(shape))(cells))

    above_m, above_ns = 0.0, np.zeros((len(rows), len(columns)))
    v, sigma = (np.empty((_LAYERS, len(rows), len(columns))) for _ in range(2))
    for layer, (depth, face) in enumerate(zip(depths, faces, strict=True)):
        mean = np.exp(over_cells(np.log(fused.at(places[:, 0], places[:, 1], float(face))[0])))
        until_ns = face / mean
        # Light sets the least time, however little is known.
        v[layer] = (face - above_m) / np.maximum(until_ns - above_ns, (face - above_m) / C_M_PER_NS)
        above_m, above_ns = float(face), until_ns
        at_depth, of_it = fused.at(places[:, 0], places[:, 1], float(depth))
        sigma[layer] = np.exp(over_cells(np.log(at_depth))) * over_cells(of_it / at_depth)
    mean_v, mean_sigma = fused.site_mean(reference_depth_m)
    return VelocityField(
        z=depths,
        y=rows,
        x=columns,
        v_m_per_ns=v,
        sigma_m_per_ns=sigma,
        mean_m_per_ns=mean_v,
        mean_sigma_m_per_ns=mean_sigma,
        source=source,
    )


def _thinned(axis: Array) -> Array:
    """At most so many nodes over the same extent; two where the axis has one cell only."""
    if len(axis) == 1:
        return np.array([axis[0] - 0.5, axis[0] + 0.5])
    return np.linspace(axis[0], axis[-1], min(len(axis), _NODES))


def _axis(values: npt.ArrayLike, name: str) -> Array:
    axis = check_array(values, name, ndim=1)
    if np.any(np.diff(axis) <= 0):
        raise InputError(f"{name} must increase from cell to cell")
    return axis
