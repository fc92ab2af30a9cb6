"""From what lies in the ground to scatterers: every surface becomes facets no larger than a quarter wavelength."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from yewline.geostat import gaussian_field
from yewline.physics import reflection_normal
from yewline.simulation.lookalikes import PlantingPit, Trench
from yewline.simulation.scatterers import Scatterers, clutter, facets, join, wave_number_per_m
from yewline.simulation.scene import Fill, Grave, Layer, Scene, Stone, axes, grave_outline
from yewline.simulation.soil import SoilColumns, sample_columns
from yewline.units import C_M_PER_NS

__all__ = ["scatter_scene"]

Array = npt.NDArray[np.float64]

_SHALLOWEST_M = 0.02


def scatter_scene(
    scene: Scene, columns: SoilColumns, *, seed: int, density_per_m3: float = 250.0, lumpiness: Array | None = None
) -> Scatterers:
    """All scatterers of a scene on one day.

    Trenches and planting pits count as upright boxes of fill. What this first-order model leaves out: tree throws,
    footings, kerbs and headstones; of a grave all but its cut, base and first coffin (no tilt, taper or rounding, no
    settled top, vault, shroud, lining, boards or metal); the shape of stones other than round; pipe walls; which of two
    bodies that overlap was dug later.

    Parameters
    ----------
    scene : what lies in the ground.
    columns : the day's soil.
    seed : of the soil's own small-scale structure; keep it for all days of a site.
    density_per_m3 : grains of clutter per cubic metre; 0 leaves clutter out.
    lumpiness : (Y, X) factor on the clutter, on the columns' grid.

    Returns
    -------
    Scatterers

    Examples
    --------
    >>> from yewline.simulation.soil import Moisture, soil_columns
    >>> day = soil_columns((0, 0, 2, 2), Moisture(0.2, 0.2, patch_sd=0.0), centre_mhz=400.0)
    >>> scene = Scene((0, 0, 2, 2), stones=(Stone(1.0, 1.0, 0.8, 0.1),))
    >>> len(scatter_scene(scene, day, seed=1, density_per_m3=0.0)) > 10
    True
    """
    boxes = _boxes(scene)
    parts = [_grave(grave, columns) for grave in (*scene.graves, *boxes)]
    parts += [_stone(stone, columns) for stone in scene.stones]
    parts += [_tube(np.asarray(tube.points), tube.radius_m, tube.permittivity, columns) for tube in scene.tubes]
    parts += [_layer(layer, scene, boxes, columns) for layer in scene.layers]
    if density_per_m3 > 0:
        depths = (0.08, min(2.0, float(columns.depth[-1])))
        parts.append(
            clutter(
                columns,
                bounds=scene.bounds,
                seed=seed,
                density_per_m3=density_per_m3,
                depths_m=depths,
                lumpiness=lumpiness,
            )
        )
    return join(*parts)


def _boxes(scene: Scene) -> tuple[Grave, ...]:
    """Trenches and planting pits as if they were empty graves of the same plan area, depth and fill."""
    boxes = []
    for trench in scene.trenches:
        (x0, y0), (x1, y1) = trench.start, trench.end
        azimuth = math.degrees(math.atan2(x1 - x0, y1 - y0))
        size = (0.5 * (x0 + x1), 0.5 * (y0 + y1), math.hypot(x1 - x0, y1 - y0), trench.width_m, azimuth)
        boxes.append(_box("trench", size, trench))
    for pit in scene.planting_pits:
        side = math.sqrt(math.pi) * (pit.radius_m - 0.5 * pit.taper_m)
        boxes.append(_box("planting pit", (pit.x, pit.y, side, side, 0.0), pit))
    return tuple(boxes)


def _box(kind: str, size: tuple[float, float, float, float, float], dug: Trench | PlantingPit) -> Grave:
    top = min(max(dug.top_m, _SHALLOWEST_M), 0.5 * dug.base_m)
    return Grave(kind, kind, *size, top, dug.base_m, dug.fill, None, dug.blur_m)


def _grave(grave: Grave, columns: SoilColumns) -> Scatterers:
    along, across = axes(grave.azimuth_deg)
    parts = [_base(grave, columns, along, across)]
    length, width = grave.length_m, grave.width_m
    for axis, half, span, other in (
        (across, 0.5 * width, length, along),
        (-across, 0.5 * width, length, along),
        (along, 0.5 * length, width, across),
        (-along, 0.5 * length, width, across),
    ):
        parts.append(_wall(grave, columns, axis * half, other, span))
    if grave.coffin is not None and grave.coffin.void > 0:
        parts.append(_lid(grave, columns, along, across))
    return join(*parts)


def _base(grave: Grave, columns: SoilColumns, along: Array, across: Array) -> Scatterers:
    step = _step(columns, grave.x, grave.y, grave.base_m)
    flat, area = _rectangle(grave, along, across, grave.length_m, grave.width_m, step)
    points = np.column_stack([flat[:, :2], np.full(len(flat), grave.base_m)])
    soil = _soil(columns, points)
    above = _fill(columns, points, grave.fill)
    if grave.coffin is not None:
        inside = (np.abs(flat[:, 2]) < 0.5 * grave.coffin.length_m) & (np.abs(flat[:, 3]) < 0.5 * grave.coffin.width_m)
        above = np.where(inside, _part_void(above, grave.coffin.void), above)
    strength = _reflection(above, soil) * _blur(soil, columns, grave.blur_m)
    return facets(columns, points, _upward(points), area_m2=area, reflection=strength)


def _lid(grave: Grave, columns: SoilColumns, along: Array, across: Array) -> Scatterers:
    coffin = grave.coffin
    assert coffin is not None
    depth = grave.base_m - coffin.height_m
    step = _step(columns, grave.x, grave.y, depth)
    flat, area = _rectangle(grave, along, across, coffin.length_m, coffin.width_m, step)
    points = np.column_stack([flat[:, :2], np.full(len(flat), depth)])
    fill = _fill(columns, points, grave.fill)
    strength = _reflection(fill, _part_void(fill, coffin.void)) * _blur(fill, columns, grave.blur_m)
    return facets(columns, points, _upward(points), area_m2=area, reflection=strength)


def _wall(grave: Grave, columns: SoilColumns, offset: Array, along: Array, span: float) -> Scatterers:
    step = _step(columns, grave.x, grave.y, grave.base_m)
    u, du = _cells(span, step)
    z, dz = _cells(grave.base_m - grave.top_m, step)
    uu, zz = (part.ravel() for part in np.meshgrid(u, z + 0.5 * (grave.top_m + grave.base_m)))
    points = np.column_stack([grave.x + offset[0] + uu * along[0], grave.y + offset[1] + uu * along[1], zz])
    normal = np.append(offset / np.hypot(*offset), 0.0)
    soil = _soil(columns, points)
    strength = _reflection(soil, _fill(columns, points, grave.fill)) * _blur(soil, columns, grave.blur_m)
    return facets(
        columns, points, np.tile(normal, (len(points), 1)), area_m2=du * dz, reflection=strength, two_sided=True
    )


def _stone(stone: Stone, columns: SoilColumns) -> Scatterers:
    step = _step(columns, stone.x, stone.y, stone.depth_m)
    area = 2.0 * math.pi * stone.radius_m**2
    n = max(24, math.ceil(area / step**2))
    # Points of a sunflower head on the upper half: each stands for the same area.
    k = np.arange(n) + 0.5
    up = k / n
    turn = k * math.pi * (3.0 - math.sqrt(5.0))
    flat = np.sqrt(1.0 - up**2)
    normals = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), -up])
    points = np.array([stone.x, stone.y, stone.depth_m]) + stone.radius_m * normals
    strength = _reflection(_soil(columns, points), stone.permittivity)
    return facets(columns, points, normals, area_m2=area / n, reflection=strength)


def _tube(path: Array, radius: float, permittivity: float, columns: SoilColumns) -> Scatterers:
    parts = []
    for start, end in pairwise(path):
        middle = 0.5 * (start + end)
        step = _step(columns, middle[0], middle[1], middle[2])
        length = float(np.linalg.norm(end - start))
        along = (end - start) / length
        side = np.cross(along, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        up = np.cross(side, along)
        up *= -np.sign(up[2])
        u, du = _cells(length, step)
        angle, dangle = _cells(math.pi, max(step / radius, math.pi / 12) if radius < step else step / radius)
        uu, aa = (part.ravel()[:, None] for part in np.meshgrid(u, angle))
        normals = np.cos(aa) * up + np.sin(aa) * side
        points = middle + uu * along + radius * normals
        strength = _reflection(_soil(columns, points), permittivity)
        parts.append(facets(columns, points, normals, area_m2=du * dangle * radius, reflection=strength))
    return join(*parts)


def _layer(layer: Layer, scene: Scene, boxes: tuple[Grave, ...], columns: SoilColumns) -> Scatterers:
    x0, y0, x1, y1 = scene.bounds
    step = _step(columns, 0.5 * (x0 + x1), 0.5 * (y0 + y1), layer.depth_m)
    (u, du), (w, dw) = _cells(x1 - x0, step), _cells(y1 - y0, step)
    xx, yy = np.meshgrid(0.5 * (x0 + x1) + u, 0.5 * (y0 + y1) + w)
    relief = np.zeros(xx.shape)
    if layer.relief_m > 0:
        relief = gaussian_field(
            xx.shape,
            (dw, du),
            ranges_m=layer.relief_range_m,
            sd=layer.relief_m,
            family="gaussian",
            seed=layer.seed,
        )
        relief = np.clip(relief, -2 * layer.relief_m, 2 * layer.relief_m)
    depth = layer.depth_m + relief
    slope_y, slope_x = np.gradient(depth, dw, du)
    normals = np.stack([slope_x, slope_y, -np.ones_like(depth)], axis=-1).reshape(-1, 3)
    stretch = np.linalg.norm(normals, axis=1)
    points = np.column_stack([xx.ravel(), yy.ravel(), depth.ravel()])
    kept = ~_dug_away(points, (*scene.graves, *boxes))
    points, stretch = points[kept], stretch[kept]
    soil = _soil(columns, points)
    strength = _reflection(soil, _fill(columns, points, layer.below)) * _blur(soil, columns, layer.blur_m)
    return facets(columns, points, normals[kept] / stretch[:, None], area_m2=du * dw * stretch, reflection=strength)


def _dug_away(points: Array, dug: tuple[Grave, ...]) -> npt.NDArray[np.bool_]:
    gone = np.zeros(len(points), bool)
    for grave in dug:
        near = (np.hypot(points[:, 0] - grave.x, points[:, 1] - grave.y) < grave.length_m + grave.width_m) & (
            (points[:, 2] > grave.top_m) & (points[:, 2] < grave.base_m)
        )
        at = np.flatnonzero(near)
        gone[at] |= shapely.contains_xy(grave_outline(grave), points[at, 0], points[at, 1])
    return gone


def _reflection(here: npt.ArrayLike, beyond: npt.ArrayLike) -> Array:
    # Neither loss nor angle enters: the first order keeps the coefficient at normal incidence.
    return np.asarray(reflection_normal(here, beyond).real)


def _soil(columns: SoilColumns, points: Array) -> Array:
    return sample_columns(columns, columns.permittivity, *points.T)


def _fill(columns: SoilColumns, points: Array, fill: Fill) -> Array:
    vwc = np.clip(fill.wetness * sample_columns(columns, columns.vwc, *points.T), 0.0, 0.98 * fill.porosity)
    return columns.kind.permittivity(vwc, fill.porosity)


def _part_void(permittivity: Array, void: float) -> Array:
    return np.asarray(((1.0 - void) * np.sqrt(permittivity) + void) ** 2)


def _blur(permittivity: Array, columns: SoilColumns, blur_m: float) -> Array:
    """What a Gaussian passage of sd b leaves of a reflection, exp(−2k²b²) (Born; from memory)."""
    return np.asarray(np.exp(-2.0 * (wave_number_per_m(permittivity, columns.centre_mhz) * blur_m) ** 2))


def _step(columns: SoilColumns, x: float, y: float, depth: float) -> float:
    """A quarter of the wavelength at the centre frequency, m."""
    here = sample_columns(columns, columns.permittivity, np.array([x]), np.array([y]), np.array([depth]))
    return float(C_M_PER_NS / math.sqrt(here[0]) / (columns.centre_mhz * 1e-3) / 4.0)


def _cells(length: float, step: float) -> tuple[Array, float]:
    """Middles of equal cells no wider than `step`, centred on 0, and their width."""
    n = max(1, math.ceil(length / step - 1e-9))
    width = length / n
    return (np.arange(n, dtype=np.float64) - 0.5 * (n - 1)) * width, width


def _rectangle(
    grave: Grave, along: Array, across: Array, length: float, width: float, step: float
) -> tuple[Array, float]:
    """Rows of x, y, place along and place across for the cells of a rectangle, and a cell's area."""
    (u, du), (w, dw) = _cells(length, step), _cells(width, step)
    uu, ww = (part.ravel() for part in np.meshgrid(u, w))
    return (
        np.column_stack([grave.x + uu * along[0] + ww * across[0], grave.y + uu * along[1] + ww * across[1], uu, ww]),
        du * dw,
    )


def _upward(points: Array) -> Array:
    return np.tile([0.0, 0.0, -1.0], (len(points), 1))
