"""Radargrams and volumes as Zarr, the same bytes for the same content."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr

from yewline.formats import projected_system
from yewline.model import Finding, Frame
from yewline.volume import pyramid
from yewline.workspace.lazy import LazyLines, lights_of
from yewline.workspace.stored_line import COORDINATES, stored_line

__all__ = ["load_radargrams", "load_volume", "save_radargrams", "save_volume", "volume_attributes"]

_TRACES_A_CHUNK = 512
_TILE_CELLS = 512
"""Side of the tiles of a slice: one megabyte, what a map fetches at a time."""


def save_radargrams(path: Path, radargrams: Mapping[str, xr.DataArray], findings: list[Finding]) -> None:
    """Write a visit's radargrams, lines of the same sampling side by side in one array, with the findings.

    Records of different length are filled up with NaN; each line's own length is noted. One line is in hand at a time.
    """
    root = zarr.open_group(path, mode="w")
    root.attrs["findings"] = [finding.as_dict() for finding in findings]
    lights = lights_of(radargrams)
    alike: dict[tuple[float, float], list[str]] = {}
    for line, light in lights.items():
        alike.setdefault((float(light.attrs["interval_ns"]), float(light["time"][0])), []).append(line)
    for number, ((interval, start), lines) in enumerate(alike.items()):
        group = root.create_group(str(number))
        shape = sum(len(lights[line]) for line in lines), max(lights[line].shape[1] for line in lines)
        chunks = min(_TRACES_A_CHUNK, shape[0]), shape[1]
        amplitude = group.create_array("amplitude", shape=shape, chunks=chunks, dtype=np.float32)
        _fill(amplitude, (radargrams[line].values for line in lines), chunks[0])
        for name in COORDINATES:
            group.create_array(name, data=np.concatenate([lights[line][name].values for line in lines]))
        group.attrs.update(
            interval_ns=interval,
            start_ns=start,
            lines=[
                {
                    "line": line,
                    "traces": len(lights[line]),
                    "samples": lights[line].shape[1],
                    "attrs": _plain(lights[line].attrs),
                }
                for line in lines
            ],
        )
    root.attrs["order"] = list(radargrams)


def _fill(array: zarr.Array[Any], parts: Iterable[np.ndarray], rows: int) -> None:
    """Put parts one below the other, whole chunks at a time."""
    held = np.full((0, array.shape[1]), np.nan, np.float32)
    first = 0
    for part in parts:
        wide = np.full((len(part), array.shape[1]), np.nan, np.float32)
        wide[:, : part.shape[1]] = part
        held = np.concatenate([held, wide])
        whole = len(held) - len(held) % rows
        if whole:
            array[first : first + whole] = held[:whole]
            held, first = held[whole:], first + whole
    if len(held):
        array[first : first + len(held)] = held


def load_radargrams(path: Path) -> tuple[LazyLines, list[Finding]]:
    """What `save_radargrams` wrote; samples are read when they are asked for."""
    root = zarr.open_group(path, mode="r")
    lights: dict[str, xr.DataArray] = {}
    places: dict[str, tuple[Any, slice, int]] = {}
    for _, group in sorted(root.groups(), key=lambda item: int(item[0])):
        stored: dict[str, Any] = {name: group[name] for name in ("amplitude", *COORDINATES)}
        coordinates = {name: np.asarray(stored[name][:]) for name in COORDINATES}
        about: dict[str, Any] = dict(group.attrs)
        time = about["start_ns"] + about["interval_ns"] * np.arange(stored["amplitude"].shape[1])
        first = 0
        for entry in about["lines"]:
            part, length = slice(first, first + entry["traces"]), entry["samples"]
            first = part.stop
            places[entry["line"]] = stored["amplitude"], part, length
            lights[entry["line"]] = stored_line(
                np.broadcast_to(np.float32(np.nan), (entry["traces"], length)),
                time[:length],
                {name: values[part] for name, values in coordinates.items()},
                entry["attrs"],
            )

    def read(line: str) -> xr.DataArray:
        amplitude, part, length = places[line]
        return lights[line].copy(deep=False, data=np.ascontiguousarray(amplitude[part, :length]))

    order: Any = root.attrs["order"]
    findings: Any = root.attrs["findings"]
    return LazyLines(order, read, lights=lights), [Finding(**finding) for finding in findings]


def _plain(attrs: dict[str, Any]) -> dict[str, Any]:
    """Attributes as JSON holds them."""
    plain: dict[str, Any] = json.loads(json.dumps(attrs, default=float))
    return plain


def save_volume(path: Path, volume: xr.Dataset, *, frame: Frame | None = None) -> None:
    """Write a volume as one Zarr group that xarray opens as it is, with coarser levels in groups beside its arrays.

    One chunk holds one slice, or one tile of a large one. What is written follows the CF conventions, 1.11.

    Parameters
    ----------
    path : folder of the group; what is there is replaced.
    volume : (depth, y, x) as from `build_volume`; further variables over (y, x) or (depth, y, x) are kept too.
    frame : the site's; where it has an EPSG code the volume names that system. Left out, x and y are local.

    Raises
    ------
    InputError : the volume has no grid.
    FrameError : the frame's EPSG code or control points cannot be used.

    Notes
    -----
    `level_1`, `level_2` … each halve the rows and columns of the one before (`volume.pyramid`); the root's attribute
    `levels` names them. Where control points turn the site's frame, x and y stay site metres, and every cell has its
    `easting` and `northing` beside them. The bits of strength are as good as random, so that packing them saves about a
    tenth of their room and triples the time that a slice takes: they are stored plain, all else packed.
    """
    levels = {f"level_{number}": level for number, level in enumerate(pyramid(volume), 1)}
    whole = volume.assign_attrs(levels=list(levels))
    for group, level in [(None, whole), *levels.items()]:
        told = _placed(level.assign_attrs(Conventions="CF-1.11"), Frame() if frame is None else frame)
        told.to_zarr(path, group=group, mode="w", consolidated=False, zarr_format=3, encoding=_encoding(told))


def _encoding(volume: xr.Dataset) -> dict[Any, dict[str, Any]]:
    tile = {"y": _TILE_CELLS, "x": _TILE_CELLS}
    return {
        name: {
            "chunks": tuple(min(held.sizes[dim], tile.get(str(dim), 1)) for dim in held.dims),
            **({"compressors": None} if name == "strength" else {}),
        }
        for name, held in volume.variables.items()
        if held.ndim >= 2
    }


def _placed(volume: xr.Dataset, frame: Frame) -> xr.Dataset:
    """The volume with its coordinate system named as CF does, in a variable of its own."""
    if frame.epsg is None:
        return volume
    metres = {
        name: {"units": "m", "standard_name": f"projection_{axis}_coordinate", "long_name": name}
        for name, axis in (("easting", "x"), ("northing", "y"))
    }
    if frame.control:
        site = np.stack(np.meshgrid(volume["x"].values, volume["y"].values), axis=-1)
        place = frame.to_projected().forward(site.reshape(-1, 2)).reshape(site.shape)
        coordinates: dict[str, Any] = {
            name: (("y", "x"), place[..., k], attrs) for k, (name, attrs) in enumerate(metres.items())
        }
    else:
        coordinates = {
            axis: volume[axis].assign_attrs(metres[name]) for axis, name in (("y", "northing"), ("x", "easting"))
        }
    system = ((), np.int32(0), projected_system(frame).to_cf())
    told = {name: held.assign_attrs(grid_mapping="crs") for name, held in volume.data_vars.items()}
    return volume.assign(told).assign_coords(**coordinates, crs=system)


def load_volume(path: Path) -> xr.Dataset:
    """Read a volume into memory, at full detail."""
    with xr.open_dataset(path, engine="zarr", consolidated=False, chunks=None, decode_coords="all") as volume:
        return volume.load()


def volume_attributes(path: Path) -> dict[str, Any]:
    """What a volume says of itself, its samples left alone; nothing where there is none."""
    try:
        return dict(zarr.open_group(path, mode="r").attrs)
    except (FileNotFoundError, ValueError, KeyError):
        return {}
