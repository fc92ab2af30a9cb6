"""Radargrams and volumes as Zarr, the same bytes for the same content."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr

from yewline.model import Finding

__all__ = ["load_radargrams", "load_volume", "save_radargrams", "save_volume"]

_TRACES_A_CHUNK = 4096
_COORDINATES = ("distance", "x", "y", "z", "sigma_xy", "segment")


def save_radargrams(path: Path, radargrams: dict[str, xr.DataArray], findings: list[Finding]) -> None:
    """Write a visit's radargrams, lines of the same sampling side by side in one array, with the findings.

    Records of different length are filled up with NaN; each line's own length is noted.
    """
    root = zarr.open_group(path, mode="w")
    root.attrs["findings"] = [finding.as_dict() for finding in findings]
    alike: dict[tuple[float, float], list[str]] = {}
    for line, radargram in radargrams.items():
        alike.setdefault((float(radargram.attrs["interval_ns"]), float(radargram["time"][0])), []).append(line)
    for number, ((interval, start), lines) in enumerate(alike.items()):
        group = root.create_group(str(number))
        parts = [radargrams[line] for line in lines]
        amplitude = np.full((sum(map(len, parts)), max(part.shape[1] for part in parts)), np.nan, np.float32)
        first = 0
        for part in parts:
            amplitude[first : first + len(part), : part.shape[1]] = part.values
            first += len(part)
        group.create_array("amplitude", data=amplitude, chunks=(min(_TRACES_A_CHUNK, first), amplitude.shape[1]))
        for name in _COORDINATES:
            group.create_array(name, data=np.concatenate([part[name].values for part in parts]))
        group.attrs.update(
            interval_ns=interval,
            start_ns=start,
            lines=[
                {"line": line, "traces": len(part), "samples": part.shape[1], "attrs": _plain(part.attrs)}
                for line, part in zip(lines, parts, strict=True)
            ],
        )
    root.attrs["order"] = list(radargrams)


def load_radargrams(path: Path) -> tuple[dict[str, xr.DataArray], list[Finding]]:
    """Read what `save_radargrams` wrote."""
    root = zarr.open_group(path, mode="r")
    held: dict[str, xr.DataArray] = {}
    for _, group in sorted(root.groups(), key=lambda item: int(item[0])):
        stored: dict[str, Any] = {name: group[name] for name in ("amplitude", *_COORDINATES)}
        amplitude = np.asarray(stored["amplitude"][:])
        coordinates = {name: np.asarray(stored[name][:]) for name in _COORDINATES}
        about: dict[str, Any] = dict(group.attrs)
        time = about["start_ns"] + about["interval_ns"] * np.arange(amplitude.shape[1])
        first = 0
        for entry in about["lines"]:
            part, length = slice(first, first + entry["traces"]), entry["samples"]
            first = part.stop
            held[entry["line"]] = xr.DataArray(
                np.ascontiguousarray(amplitude[part, :length]),
                dims=("trace", "time"),
                coords={
                    "time": ("time", time[:length], {"units": "ns"}),
                    **{
                        name: ("trace", values[part], {} if name == "segment" else {"units": "m"})
                        for name, values in coordinates.items()
                    },
                },
                name="amplitude",
                attrs=entry["attrs"],
            )
    order: Any = root.attrs["order"]
    findings: Any = root.attrs["findings"]
    return {line: held[line] for line in order}, [Finding(**finding) for finding in findings]


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
