"""Scatterers: many small facets and grains with the weight that each has in the first-order sum.

With an incident wave of amplitude 1/r, a facet of area dA, normal n and reflection coefficient R adds

    R dA (cos θt + cos θr) / (4π v) · w′(t − tt − tr) / (rt rr)

(physical optics: over a whole plane it sums to the mirror image, R w/(2d)), and a grain with relative permittivity
contrast χ and volume V adds

    −χ V / (4π v²) · w″(t − tt − tr) / (rt rr)

(Born). Both weights need only soil that the incident wave has met, so a scene's field is linear in its scatterers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.simulation.soil import SoilColumns, sample_columns
from yewline.units import C_M_PER_NS

__all__ = ["FACET", "GRAIN", "WALL", "Scatterers", "clutter", "facets", "grains", "join", "no_scatterers"]

Array = npt.NDArray[np.float64]

GRAIN, FACET, WALL = 0, 1, 2
"""Kinds: a grain has no direction, a facet answers on the side of its normal, a wall on both (with opposite sign)."""


@dataclass(frozen=True, slots=True)
class Scatterers:
    """Scatterers in site metres, (n,) arrays.

    Attributes
    ----------
    x, y, depth : place, m.
    nx, ny, nz : unit normal of a facet or wall (nz is negative upward); zero for grains.
    kind : `GRAIN`, `FACET` or `WALL`.
    weight : factor before the wavelet's derivative, with 1/(rt rr) left out.
    time_ns : one-way vertical travel time to that depth.
    slowness2 : 1/v² with the root-mean-square velocity down to it, ns²/m².
    loss_np_per_ns : attenuation rate on the way.
    """

    x: Array
    y: Array
    depth: Array
    nx: Array
    ny: Array
    nz: Array
    kind: npt.NDArray[np.uint8]
    weight: Array
    time_ns: Array
    slowness2: Array
    loss_np_per_ns: Array

    def __post_init__(self) -> None:
        _check_below(self.depth)

    def __len__(self) -> int:
        return len(self.x)


def join(*parts: Scatterers) -> Scatterers:
    """All scatterers of `parts` in one; their fields add up."""
    if not parts:
        return no_scatterers()
    return Scatterers(**{f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Scatterers)})


def no_scatterers() -> Scatterers:
    """Nothing in the ground.

    Examples
    --------
    >>> len(no_scatterers())
    0
    """
    none = np.zeros(0)
    return Scatterers(none, none, none, none, none, none, np.zeros(0, np.uint8), none, none, none, none)


def facets(
    columns: SoilColumns,
    points: npt.ArrayLike,
    normals: npt.ArrayLike,
    *,
    area_m2: npt.ArrayLike,
    reflection: npt.ArrayLike,
    two_sided: bool = False,
) -> Scatterers:
    """Small flat faces in the soil.

    Parameters
    ----------
    columns : the day's soil.
    points, normals : (n, 3) x, y, depth; unit normals point to the side that the wave comes from (upward is −z).
    area_m2, reflection : (n,) or one number; the amplitude reflection coefficient at normal incidence.
    two_sided : answer from behind too, with the opposite sign.

    Raises
    ------
    InputError : a facet above the surface.
    """
    p = np.atleast_2d(np.asarray(points, dtype=np.float64))
    normal = np.atleast_2d(np.asarray(normals, dtype=np.float64))
    x, y, depth = p.T
    _check_below(depth)
    time, slowness2, loss = _on_the_way(columns, x, y, depth)
    # The velocity that makes the specular reflection of a plane under layered soil exact: v_rms² τ / z.
    speed = time / (slowness2 * depth)
    weight = np.asarray(reflection, np.float64) * np.asarray(area_m2, np.float64) / (4.0 * math.pi * speed)
    nx, ny, nz = normal.T
    kind = np.full(len(x), WALL if two_sided else FACET, np.uint8)
    return Scatterers(x, y, depth, nx, ny, nz, kind, np.broadcast_to(weight, x.shape).copy(), time, slowness2, loss)


def grains(columns: SoilColumns, points: npt.ArrayLike, contrast_m3: npt.ArrayLike) -> Scatterers:
    """Small bodies whose relative permittivity contrast χ = δε/ε times volume is `contrast_m3` (n,)."""
    p = np.atleast_2d(np.asarray(points, dtype=np.float64))
    x, y, depth = p.T
    _check_below(depth)
    time, slowness2, loss = _on_the_way(columns, x, y, depth)
    slowness2_here = sample_columns(columns, columns.permittivity, x, y, depth) / C_M_PER_NS**2
    weight = -np.asarray(contrast_m3, np.float64) * slowness2_here / (4.0 * math.pi)
    zero = np.zeros_like(x)
    kind = np.full(len(x), GRAIN, np.uint8)
    return Scatterers(
        x, y, depth, zero, zero, zero, kind, np.broadcast_to(weight, x.shape).copy(), time, slowness2, loss
    )


def clutter(
    columns: SoilColumns,
    *,
    bounds: tuple[float, float, float, float],
    seed: int,
    density_per_m3: float = 250.0,
    depths_m: tuple[float, float] = (0.08, 2.0),
    shared: float = 0.7,
    lumpiness: Array | None = None,
) -> Scatterers:
    """Grains that scatter back as much as the small-scale fluctuations of the soil's water would.

    Parameters
    ----------
    columns : the day's soil; its `moisture` holds the standard deviation and range of the fluctuations.
    bounds : (x0, y0, x1, y1), m.
    seed : of the soil's own structure: the same seed on another day gives the same grains, wetted otherwise.
    density_per_m3 : grains per cubic metre.
    depths_m : from, to.
    shared : share of the fluctuations' variance that is the soil's structure; the rest is the day's own.
    lumpiness : (Y, X) factor on the columns' grid, for soils that are stony in places.

    Notes
    -----
    A field of exponential covariance with scale a and variance σ² scatters back, per volume, in proportion to its
    spectrum at twice the wave number, S(2k) = 8π a³ σ² / (1 + 4k²a²)². Independent grains of density n do the same
    with a root-mean-square weight of √(S(2k)/n). The practical range is 3a.

    References
    ----------
    Chernov, L. A. 1960. Wave Propagation in a Random Medium (Born scattering by random media; from memory).
    """
    x0, y0, x1, y1 = bounds
    z0, z1 = depths_m
    density = check_positive(density_per_m3, "density_per_m3")
    n = round(density * (x1 - x0) * (y1 - y0) * (z1 - z0))
    rng = np.random.default_rng([seed, 11])
    points = rng.uniform((x0, y0, z0), (x1, y1, z1), size=(n, 3))
    own = rng.standard_normal(n)
    today = np.random.default_rng([seed, 12, columns.moisture.seed]).standard_normal(n)
    draw = math.sqrt(shared) * own + math.sqrt(1.0 - shared) * today
    x, y, depth = points.T
    vwc = sample_columns(columns, columns.vwc, x, y, depth)
    permittivity = columns.kind.permittivity(vwc)
    steepness = (columns.kind.permittivity(vwc + 1e-3) - permittivity) / 1e-3
    # Water near the surface comes and goes most: its fluctuations fade with depth as the patches do.
    fade = np.exp(-depth / columns.moisture.patch_fade_m)
    sigma = columns.moisture.micro_sd * fade * steepness / permittivity
    scale = columns.moisture.micro_range_m / 3.0
    wave_number = wave_number_per_m(permittivity, columns.centre_mhz)
    rms = sigma * np.sqrt(8.0 * math.pi * scale**3 / density) / (1.0 + (2.0 * wave_number * scale) ** 2)
    if lumpiness is not None:
        field = np.broadcast_to(lumpiness, columns.vwc.shape)
        rms = rms * sample_columns(columns, field, x, y, depth)
    return grains(columns, points, draw * rms)


def wave_number_per_m(permittivity: Array, centre_mhz: float) -> Array:
    """Wave number 2π f √ε / c, 1/m."""
    return 2.0 * math.pi * centre_mhz * 1e-3 * np.sqrt(permittivity) / C_M_PER_NS


def _check_below(depth: Array) -> None:
    if len(depth) and not depth.min() > 0:
        raise InputError(
            "a scatterer lies above the surface",
            received=f"depth {depth.min():g} m",
            do="depth is positive downward",
        )


def _on_the_way(columns: SoilColumns, x: Array, y: Array, depth: Array) -> tuple[Array, Array, Array]:
    return (
        sample_columns(columns, columns.time_ns, x, y, depth),
        sample_columns(columns, columns.slowness2, x, y, depth),
        sample_columns(columns, columns.loss_np_per_ns, x, y, depth),
    )
