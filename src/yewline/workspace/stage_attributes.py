"""Volumes beside that of strength, where a site asks for them: what else to look at than how strong it answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding
from yewline.volume import volume_energy, volume_quietness, volume_similarity, volume_truncation

__all__ = ["at_depths", "with_attributes"]

_MADE: Final[dict[str, tuple[Callable[[xr.Dataset], npt.NDArray[np.float32]], str, str]]] = {
    "energy": (volume_energy, "1", "energy of the answer over a window of depth"),
    "quietness": (lambda volume: volume_quietness(volume)[0], "dB", "how far below the level around it"),
    "similarity": (volume_similarity, "1", "how far columns about a cell say the same"),
    "truncation": (volume_truncation, "1", "how far layers of one side do not go on to the other"),
}


def with_attributes(volume: xr.Dataset, names: Sequence[str], *, visit: str) -> tuple[xr.Dataset, list[Finding]]:
    """A volume with further variables over (depth, y, x); one that cannot be made is said and left out.

    Parameters
    ----------
    names : of "energy", "quietness", "similarity", "truncation".
    """
    made, findings = dict[str, object](), list[Finding]()
    for name in dict.fromkeys(names):
        make, units, words = _MADE[name]
        try:
            made[name] = (("depth", "y", "x"), make(volume), {"units": units, "long_name": words})
        except InputError as error:
            text = f"the volume of {name} cannot be made: {error.problem}"
            findings.append(
                Finding("warning", "attribute-left-out", text, received=error.received or "", do=error.do or "",
                        visit=visit)
            )  # fmt: skip
    return volume.assign(made), findings


def at_depths(volume: xr.Dataset, top_m: float, base_m: float) -> xr.Dataset:
    """Mean of each further variable over the bins whose middles lie between two depths, over (y, x); NaN without data.

    Examples
    --------
    >>> cells = np.array([[[1.0]], [[2.0]], [[4.0]]], np.float32)
    >>> volume = xr.Dataset({"energy": (("depth", "y", "x"), cells)}, coords={"depth": [0.1, 0.3, 0.5]})
    >>> at_depths(volume, 0.2, 0.6).energy.values.tolist()
    [[3.0]]
    """
    depth = volume["depth"].values
    among = np.flatnonzero((depth >= top_m) & (depth <= base_m))
    held = volume[[name for name in _MADE if name in volume]].isel(depth=among)
    known = held.notnull()
    return held.where(known, 0.0).sum("depth", keep_attrs=True) / known.sum("depth").where(lambda n: n > 0)
