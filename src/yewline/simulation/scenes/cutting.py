"""A scene cut along a survey line: outlines in the upright plane, with how far each body reaches to both sides."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from yewline._check import check_in_range, check_positive
from yewline.geostat import draw_modes, field_at
from yewline.simulation.fillings import Fill, Filling, Solid
from yewline.simulation.scene import Layer, Scene
from yewline.simulation.scenes.bodies import bodies_of, kept_things
from yewline.simulation.scenes.body import Body
from yewline.simulation.scenes.solids import (
    Ellipsoid,
    Hull,
    Plane,
    Shape,
    convex_parts,
    polygons_of,
    section_of,
    shadow_of,
)

__all__ = ["Cut", "cut_scene", "layer_depth", "section_truth"]

_PLANES_BESIDE: Final = 64
_ENOUGH: Final = 0.5
_CLIPPED_SD: Final = 2.0
_STEPS_A_RANGE: Final = 40


@dataclass(frozen=True, slots=True)
class Cut:
    """One body of a scene in the plane of a line.

    Attributes
    ----------
    outline : in (distance along the line, depth), m; walls have a hole.
    filling : what it holds.
    across_m : signed distances across the line between which the body reaches within the outline's stretch of the
        line: positive to the left of one who walks it. (−0.3, 0.9) is cut by the line; (0.2, 1.1) lies wholly beside
        it. Layers reach from −∞ to ∞.
    kind : what it is: "fill", "coffin void", "stone".
    label : of the thing to which it belongs.
    blur_m : standard deviation of the passage from what is around it into it, m.
    fills : share that the body takes of the outline drawn out over its reach: 1 for a prism, 2/3 for a ball.
    crown_m : radius of curvature of its back across the line, m; infinite for a level one.
    """

    outline: shapely.Polygon
    filling: Filling
    across_m: tuple[float, float]
    kind: str
    label: str
    blur_m: float = 0.0
    fills: float = 1.0
    crown_m: float = math.inf

    @property
    def beside(self) -> bool:
        """Whether the body lies wholly beside the line."""
        return self.across_m[0] > 0 or self.across_m[1] < 0


def cut_scene(
    scene: Scene,
    start: tuple[float, float],
    end: tuple[float, float],
    *,
    beside_m: float = 0.0,
    margin_m: float = 0.0,
    depth_m: float = 3.0,
    without: Collection[str] = (),
) -> tuple[Cut, ...]:
    """What a line's upright plane cuts of a scene.

    Parameters
    ----------
    scene : what lies in the ground.
    start, end : of the line, (x, y) in m; distances count from `start`.
    beside_m : bodies that the plane misses are taken too if they come this near to it; 0 takes none.
    margin_m : how far before the start and beyond the end things still count.
    depth_m : down to where layers are drawn.
    without : labels of things to leave out, with all that is in them.

    Returns
    -------
    Cuts in the order of painting, that of `Scene.things`: each replaces what came before where they overlap.

    Raises
    ------
    InputError : an empty line, or a label that the scene does not have.

    Notes
    -----
    Of a body beside the line the nearest cross-section parallel to the plane is taken, moved square across into
    the plane at its own depth; nearest means the first that has half the area of the largest, for the very
    first of a rounded body is a point. Its answer comes too early by the difference between slant range and depth:
    `across_m` says how far off it truly lies.

    Examples
    --------
    >>> from yewline.simulation.scene import Grave
    >>> scene = Scene((0, 0, 4, 4), graves=(Grave("G1", "adult", 2, 2, 2.0, 0.8, 0.0, 0.2, 1.2),))
    >>> (cut,) = cut_scene(scene, (0, 1.5), (4, 1.5))
    >>> [round(v, 6) for v in cut.outline.bounds], [round(v, 6) for v in cut.across_m]
    ([1.6, 0.2, 2.4, 1.2], [-0.5, 1.5])
    """
    plane = Plane(start, end)
    check_in_range(beside_m, "beside_m", 0.0, 1e3)
    check_in_range(margin_m, "margin_m", 0.0, 1e4)
    check_positive(depth_m, "depth_m")
    stretch = (-margin_m, plane.length_m + margin_m)
    cuts: list[Cut] = []
    for label, thing in kept_things(scene, without):
        if isinstance(thing, Layer):
            cuts += _layer(label, thing, plane, stretch, depth_m)
        for body in bodies_of(label, thing):
            cuts += _body(body, plane, stretch, beside_m)
    return tuple(cuts)


def layer_depth(layer: Layer, x: Sequence[float] | np.ndarray, y: Sequence[float] | np.ndarray) -> np.ndarray:
    """Depth (N,) of a layer's rough face at places, m: the same wherever lines cross.

    Notes
    -----
    Mean depth plus a Gaussian field over the plan with the layer's standard deviation and range, held
    within two standard deviations. The first-order model has another draw of the same relief.
    """
    depth = np.full(len(x), float(layer.depth_m))
    if layer.relief_m > 0:
        modes = draw_modes(ranges_m=layer.relief_range_m, family="gaussian", seed=layer.seed)
        field = field_at(modes, np.column_stack([x, y, np.zeros(len(x))]))
        depth += layer.relief_m * np.clip(field, -_CLIPPED_SD, _CLIPPED_SD)
    return depth


def section_truth(cuts: Sequence[Cut]) -> list[dict[str, Any]]:
    """What lies in a section, as plain values for a file of truth.

    Parameters
    ----------
    cuts : from `cut_scene`.

    Returns
    -------
    One dict a cut, in the order of painting: label, kind, filling and its values, distances along the line and depths
    between which it lies, area, how far it reaches to both sides (None without end), whether it lies beside the line,
    its blur, and its outline as rings of [distance, depth], the outer one first.
    """
    return [_told(cut) for cut in cuts]


def _told(cut: Cut) -> dict[str, Any]:
    left, top, right, base = (round(float(value), 4) for value in cut.outline.bounds)
    filling: dict[str, Any] = {"is": "metal"}
    if isinstance(cut.filling, Fill):
        filling = {"is": "soil", "porosity": cut.filling.porosity, "wetness": cut.filling.wetness}
        filling["mixed_vwc"] = cut.filling.mixed
    elif isinstance(cut.filling, Solid):
        filling = {"is": "solid", "permittivity": cut.filling.permittivity}
        filling["conductivity_ms_per_m"] = cut.filling.conductivity_ms_per_m
    rings = [cut.outline.exterior, *cut.outline.interiors]
    return {
        "label": cut.label,
        "kind": cut.kind,
        "filling": filling,
        "from_m": left,
        "to_m": right,
        "top_m": top,
        "base_m": base,
        "area_m2": round(float(cut.outline.area), 6),
        "across_m": [round(value, 4) if math.isfinite(value) else None for value in cut.across_m],
        "beside": cut.beside,
        "blur_m": cut.blur_m,
        "outline_m": [np.round(shapely.get_coordinates(ring), 4).tolist() for ring in rings],
    }


def _layer(label: str, layer: Layer, plane: Plane, stretch: tuple[float, float], depth_m: float) -> Iterator[Cut]:
    steps = math.ceil((stretch[1] - stretch[0]) / min(0.05, layer.relief_range_m / _STEPS_A_RANGE)) + 1
    distance = np.linspace(*stretch, steps if layer.relief_m > 0 else 2)
    face = np.minimum(layer_depth(layer, *plane.places(distance)), depth_m)
    ring = np.concatenate([np.column_stack([distance, face]), [(stretch[1], depth_m), (stretch[0], depth_m)]])
    for outline in polygons_of(shapely.make_valid(shapely.Polygon(ring))):
        yield Cut(outline, layer.below, (-math.inf, math.inf), "layer", label, layer.blur_m)


def _body(body: Body, plane: Plane, stretch: tuple[float, float], beside_m: float) -> Iterator[Cut]:
    missed = []
    shadows = []
    for part in convex_parts(body.shape):
        shadow = _within(shadow_of(part, plane), stretch)
        if shadow.is_empty:
            continue
        shadows.append(shadow)
        _, near, _, far = shadow.bounds
        if near > 0 or far < 0:
            missed.append((part, near, far))
    # A plane that only touches a body's side from within still cuts it.
    if len(missed) < len(shadows):
        section = section_of(body.shape, plane)
        yield from _cuts(body, section, shadows, plane, stretch)
    elif missed:
        # A tube's parts lie at distances of their own, and each is taken where it is nearest.
        whole = [(body.shape, missed)] if not _is_chain(body.shape) else [(part[0], [part]) for part in missed]
        for shape, parts in whole:
            yield from _beside(body, shape, parts, plane, stretch, beside_m)


def _is_chain(shape: Shape) -> bool:
    return len(convex_parts(shape)) > 1


def _beside(
    body: Body,
    shape: Shape,
    parts: list[tuple[Hull | Ellipsoid, float, float]],
    plane: Plane,
    stretch: tuple[float, float],
    beside_m: float,
) -> Iterator[Cut]:
    low, high = min(part[1] for part in parts), max(part[2] for part in parts)
    near, far = (low, high) if low > 0 else (high, low)
    if abs(near) > beside_m:
        return
    planes = near + (far - near) * (np.arange(_PLANES_BESIDE) + 0.5) / _PLANES_BESIDE
    sections = [_within(section_of(shape, plane, float(across)), stretch) for across in planes]
    areas = np.array([section.area for section in sections])
    if areas.max() > 0:
        section = sections[int(np.argmax(areas >= _ENOUGH * areas.max()))]
        yield from _cuts(body, section, [shadow_of(part[0], plane) for part in parts], plane, stretch)


def _cuts(
    body: Body,
    section: shapely.Geometry,
    shadows: list[shapely.Geometry],
    plane: Plane,
    stretch: tuple[float, float],
) -> Iterator[Cut]:
    for outline in polygons_of(section):
        left, _, right, _ = outline.bounds
        if right <= stretch[0] or left >= stretch[1]:
            continue
        reaches = [_within(shadow, (left, right)) for shadow in shadows]
        bounds = np.array([reach.bounds for reach in reaches if not reach.is_empty])
        across = (float(bounds[:, 1].min()), float(bounds[:, 3].max()))
        fills, crown = _roundness(body.shape, plane, outline.area, across[1] - across[0])
        yield Cut(outline, body.filling, across, body.kind, body.label, body.blur_m, fills, crown)


def _roundness(shape: Shape, plane: Plane, area_m2: float, reach_m: float) -> tuple[float, float]:
    """How much of its section drawn out over its reach a body fills, and its back's radius of curvature, m."""
    if not isinstance(shape, Ellipsoid) or shape.lower:
        return 1.0, math.inf
    half_axes = plane.turned(shape.half_axes)
    # The widest of parallel sections of an ellipsoid has 3/4 of its volume over half its reach.
    volume = 4.0 / 3.0 * math.pi * abs(float(np.linalg.det(half_axes)))
    widest = 1.5 * volume / reach_m
    # Where |q|² in the metric P is 1, the highest point at height h has P q = (0, 0, 1/h): near it dz = -h P_nn dn²/2.
    spread = half_axes.T @ half_axes
    crown = 1.0 / (math.sqrt(spread[2, 2]) * np.linalg.inv(spread)[1, 1])
    return volume / (max(area_m2, _ENOUGH * widest) * reach_m), float(crown)


def _within(geometry: shapely.Geometry, stretch: tuple[float, float]) -> shapely.Geometry:
    """What of a geometry lies on a stretch of the line."""
    low, high = geometry.bounds[1::2] if not geometry.is_empty else (0.0, 0.0)
    return shapely.intersection(geometry, shapely.box(stretch[0], low - 1.0, stretch[1], high + 1.0))
