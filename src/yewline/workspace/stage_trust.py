"""How deep even ordinary ground answers above the noise: lines as they were before any gain, taken to depth once more.

Above that depth silence counts: the radar heard the ground itself. Below it strong things still answer, but weak ones
may be lost. The end of the record stands for the noise, late echoes in it too, so that the true depth is this or more.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding, VelocityField, VolumeGrid, provenance_steps
from yewline.recipe import section_of
from yewline.signal import compensate, envelope
from yewline.volume import GAINS, TRUST_REASONS, trusted_depth
from yewline.workspace.lazy import LazyLines

__all__ = ["TrustFigures", "before_gain", "chosen_below_trust", "trust_figures", "with_trust"]

_TAKEN_BACK: Final = "compensate"
"""A gain by a curve of time, the same for all traces: dividing by it takes it back."""
_MOST: Final = 0.5
_SAID: Final = ("trusted_depth", "trust_reason", "noise")


@dataclass(frozen=True)
class TrustFigures:
    """Trusted depth over the covered ground of one visit.

    Attributes
    ----------
    median_m, low_m, high_m : median, and the depths that a tenth of the ground is below and above.
    chosen_share : share of the ground on which the chosen slice's middle lies within the trusted depth.
    at_least : whether the depth is the least that it can be on most of the ground: the record or the volume ended
        before the answer did.
    """

    median_m: float
    low_m: float
    high_m: float
    chosen_share: float
    at_least: bool

    @property
    def chosen_below(self) -> bool:
        """Whether the chosen slice is known to lie below the trusted depth on most of the ground."""
        return not self.at_least and self.chosen_share < _MOST


def before_gain(line: xr.DataArray) -> xr.DataArray:
    """Envelope of a processed line as it was before its gain.

    Raises
    ------
    InputError : another gain, which cannot be taken back, or other steps after it.
    """
    steps = provenance_steps(line)
    first = next((i for i, step in enumerate(steps) if step.get("step") in GAINS), len(steps))
    section, curve = section_of(line), np.ones((1, line.sizes["time"]), np.float32)
    for step in steps[first:]:
        name = str(step.get("step"))
        if name != _TAKEN_BACK:
            raise InputError(
                "the noise of lines cannot be told",
                received=f"step {name}",
                do=f"how deep to trust is told where {_TAKEN_BACK} is the last step before the velocity",
            )
        curve = compensate(curve, section, **step["parameters"])
    # The analytic signal is periodic: without room after the record its strong beginning would show at its quiet end.
    samples = line.sizes["time"]
    strength = envelope(np.pad(line.values / curve, ((0, 0), (0, samples))), section)[:, :samples]
    told = {**line.attrs, "provenance": json.dumps(steps[:first], sort_keys=True)}
    return line.copy(deep=False, data=strength).assign_attrs(told)


def with_trust(
    volume: xr.Dataset,
    lines: Mapping[str, xr.DataArray],
    velocity: VelocityField,
    grid: VolumeGrid,
    **lengths: Any,
) -> tuple[xr.Dataset, list[Finding]]:
    """A volume with its trusted depth, the reason and the noise, over (y, x); or why they cannot be told.

    Parameters
    ----------
    volume, velocity, grid : of the visit.
    lines : as the volume is made of, before the steps that need a velocity.
    lengths : `line_spacing_m`, `separation_m`.
    """
    try:
        # Each is looked at once, and let go of.
        before = LazyLines(lines, lambda name: before_gain(lines[name]), kept_bytes=0)
        found = trusted_depth(before.values(), velocity, grid, **lengths)
    except InputError as error:
        visit = str(next(iter(lines.values())).attrs.get("visit", ""))
        text = f"how deep to trust this visit is not told: {error.problem}"
        return volume, [Finding("warning", "trust-not-told", text, received=error.received or "", do=error.do or "",
                                visit=visit)]  # fmt: skip
    return volume.assign({name: found[name] for name in _SAID}), []


def trust_figures(volume: xr.Dataset, chosen: xr.Dataset, inside: npt.NDArray[np.bool_]) -> TrustFigures | None:
    """Trusted depth in figures; None where it is not told.

    Parameters
    ----------
    chosen : the visit's chosen slice.
    inside : (Y, X) cells of the surveyed ground.
    """
    if "trusted_depth" not in volume:
        return None
    depth = volume["trusted_depth"].values
    known = inside & np.isfinite(depth)
    if not known.any():
        return None
    here = depth[known].astype(np.float64)
    low, median, high = np.quantile(here, [0.1, 0.5, 0.9])
    middle = 0.5 * (float(chosen["top"]) + float(chosen["base"]))
    open_ends = [TRUST_REASONS.index(name) for name in ("at_least_to_the_base", "noise_still_falling")]
    ends = np.isin(volume["trust_reason"].values[known], open_ends)
    share = float(np.mean(here >= middle))
    return TrustFigures(float(median), float(low), float(high), share, bool(np.mean(ends) > 0.5))


def chosen_below_trust(visit: str, trust: TrustFigures | None, chosen: xr.Dataset) -> list[Finding]:
    """What is said where the chosen slice lies below the trusted depth on most of the ground."""
    if trust is None or not trust.chosen_below:
        return []
    top, base = float(chosen["top"]), float(chosen["base"])
    text = (
        f"on {100 * (1 - trust.chosen_share):.0f} % of the ground the chosen slice, {top:.2f} to {base:.2f} m, lies "
        f"below where even ordinary ground answers above the noise ({trust.median_m:.2f} m, median)"
    )
    do = "strong answers still show there, but silence counts for less: weak ones may be lost in the noise"
    return [Finding("found", "slice-below-trust", text, do=do, visit=visit)]
