"""From a grave to its bodies: the cut, the hollow over it, and what was put in it, in the order of painting."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from yewline.simulation.fillings import AIR, Fill, Filling, Metal, filling_of
from yewline.simulation.graves import Coffin, Grave, Shroud, Vault, axes
from yewline.simulation.scenes.body import Body, Stand, bowl, hexagon, prism, rectangle
from yewline.simulation.scenes.solids import Ellipsoid, Hull, Less

__all__ = ["grave_bodies"]

_PLATE_M = 0.003
_SOIL_KINDS = ("fill", "settled")


def grave_bodies(grave: Grave) -> tuple[Body, ...]:
    """All bodies of a grave; those that are named later replace what they overlap.

    The cut and the settled hollow over it carry the grave's `blur_m`; what was put in has sharp faces.

    Examples
    --------
    >>> grave = Grave("G1", "adult", 0, 0, 2.0, 0.7, 0.0, 0.2, 1.2, coffin=Coffin(1.8, 0.5, void=0.3))
    >>> [body.kind for body in grave_bodies(grave)]
    ['fill', 'coffin soil', 'coffin void']
    """
    return tuple(
        Body(grave.label, kind, shape, filling, grave.blur_m if kind in _SOIL_KINDS else 0.0)
        for kind, shape, filling in _parts(grave)
    )


Part = tuple[str, "Hull | Ellipsoid | Less", Filling]


def _parts(grave: Grave) -> Iterator[Part]:
    stand = Stand(grave.x, grave.y, grave.azimuth_deg, grave.slope)
    yield "fill", _cut(grave, stand), grave.fill
    if grave.settled_m > 0:
        yield "settled", bowl(stand, grave.length_m, grave.width_m, grave.settled_m), grave.topsoil
    if grave.lining is not None:
        flat = _base_outline(grave)
        thick = grave.lining.thickness_m
        yield "lining", prism(stand, flat, grave.base_m - thick, grave.base_m), filling_of(grave.lining.material)
    if grave.vault is not None:
        lined = 0.0 if grave.lining is None else grave.lining.thickness_m
        yield from _vault(grave.vault, stand, grave.base_m - lined)
    floor = grave.base_m - grave.floor_m
    if grave.shroud is not None:
        yield "shroud", _lying(grave.shroud, stand, floor), grave.shroud.fill
    for coffin in grave.coffins:
        yield from _coffin(coffin, stand, floor - coffin.raised_m)


def _cut(grave: Grave, stand: Stand) -> Hull:
    top = rectangle(grave.length_m, grave.width_m, grave.corner_m)
    return Hull(np.concatenate([stand.at(top, grave.top_m, level=True), stand.at(_base_outline(grave), grave.base_m)]))


def _base_outline(grave: Grave) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    length, width = grave.length_m - 2 * grave.taper_m, grave.width_m - 2 * grave.taper_m
    return rectangle(length, width, min(grave.corner_m, 0.5 * length, 0.5 * width))


def _vault(vault: Vault, stand: Stand, base_m: float) -> Iterator[Part]:
    wall, roof = vault.wall_m, vault.wall_m if vault.roofed else 0.0
    outer = prism(stand, rectangle(vault.length_m, vault.width_m), base_m - vault.height_m, base_m)
    flat = rectangle(vault.length_m - 2 * wall, vault.width_m - 2 * wall)
    top, floor = base_m - vault.height_m + roof, base_m - wall
    yield "vault wall", Less(outer, prism(stand, flat, top, floor)), filling_of(vault.wall)
    yield from _part_void("vault", stand, flat, (top, floor), vault.void, vault.fill)


def _lying(shroud: Shroud, stand: Stand, floor_m: float) -> Ellipsoid:
    along, across = axes(stand.azimuth_deg)
    half = 0.5 * np.array([shroud.length_m, shroud.width_m, shroud.height_m])
    half_axes = np.zeros((3, 3))
    half_axes[0] = half[0] * np.array([*along, stand.slope])
    half_axes[1, :2], half_axes[2, 2] = half[1] * across, half[2]
    return Ellipsoid(np.array([stand.x, stand.y, floor_m - half[2]]), half_axes)


def _coffin(coffin: Coffin, stand: Stand, floor_m: float) -> Iterator[Part]:
    lid = floor_m - coffin.height_m
    flat = _coffin_outline(coffin, 0.0)
    if coffin.metal:
        yield "coffin", prism(stand, flat, lid, floor_m), Metal()
        return
    board = coffin.board_m if coffin.state == "sound" else 0.0
    inner = _coffin_outline(coffin, board)
    if board > 0:
        room = prism(stand, inner, lid + board, floor_m - board)
        yield "coffin boards", Less(prism(stand, flat, lid, floor_m), room), filling_of("wood")
    if coffin.state != "gone":
        yield from _part_void("coffin", stand, inner, (lid + board, floor_m - board), coffin.void, coffin.loose)
    if coffin.plate_m > 0:
        # Of a coffin that is gone the plate lies on the floor.
        under = floor_m if coffin.state == "gone" else lid
        plate = rectangle(coffin.plate_m, coffin.plate_m)
        yield "plate", prism(stand, plate, under - _PLATE_M, under), Metal()


def _coffin_outline(coffin: Coffin, board_m: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    length, width = coffin.length_m - 2 * board_m, coffin.width_m - 2 * board_m
    if coffin.shape == "box":
        return rectangle(length, width)
    # Boards keep their thickness at head, shoulders and foot.
    head, foot = ((coffin.width_m * share - 2 * board_m) / width for share in (coffin.head, coffin.foot))
    return hexagon(length, width, head, foot)


def _part_void(
    what: str,
    stand: Stand,
    flat: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    depths: tuple[float, float],
    void: float,
    fill: Fill,
) -> Iterator[Part]:
    """Air under the roof, soil below it."""
    top, floor = depths
    gap = top + void * (floor - top)
    if void < 1:
        yield f"{what} soil", prism(stand, flat, gap, floor), fill
    if void > 0:
        yield f"{what} void", prism(stand, flat, top, gap), AIR
