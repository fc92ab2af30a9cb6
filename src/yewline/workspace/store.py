"""Radargrams and volumes as Zarr, the same bytes for the same content."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr

from yewline.model import Finding
from yewline.workspace.lazy import LazyLines, lights_of
from yewline.workspace.stored_line import COORDINATES, stored_line

__all__ = ["load_radargrams", "load_volume", "save_radargrams", "save_volume", "volume_attributes"]

_TRACES_A_CHUNK = 512


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


def save_volume(path: Path, volume: xr.Dataset) -> None:
    """Write a volume as one Zarr group that xarray opens as it is."""
    volume.to_zarr(path, mode="w", consolidated=False, zarr_format=3)


def load_volume(path: Path) -> xr.Dataset:
    """Read a volume into memory."""
    with xr.open_zarr(path, consolidated=False) as volume:
        return volume.load()


def volume_attributes(path: Path) -> dict[str, Any]:
    """What a volume says of itself, its samples left alone; nothing where there is none."""
    try:
        return dict(zarr.open_group(path, mode="r").attrs)
    except (FileNotFoundError, ValueError, KeyError):
        return {}
