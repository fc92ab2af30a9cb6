"""All that can be checked on the lines of one visit before leaving the field, in seconds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding
from yewline.positions.images import LineImages, line_images
from yewline.positions.likeness import Placebo, order_placebo, placebo_findings
from yewline.positions.order import OrderFault, find_order_faults, order_findings
from yewline.positions.repeat import RepeatScore, find_repeats, repeat_findings, repeat_score
from yewline.positions.session import LineNoise, line_noise, line_time_zero_ns, noise_findings, session_findings
from yewline.positions.ties import LineTie, find_ties, tie_findings
from yewline.positions.uniform import line_settings, settings_findings
from yewline.positions.zigzag import ZigzagEstimate, estimate_zigzag, zigzag_findings

__all__ = ["FieldCheck", "check_field"]


@dataclass(frozen=True, slots=True)
class FieldCheck:
    """What the lines of one visit say of one another.

    Attributes
    ----------
    findings : in words.
    images : the pictures that were compared, a set for each direction of walking.
    zigzag : of each set; None where it cannot be told.
    order : lines that fit better elsewhere, turned round, or as a repeat.
    placebo : of each set; None where there are too few lines.
    repeats : of lines on one track.
    ties : of crossing lines.
    noise : of each line that could be judged.
    zero_ns : time zero of each line that has a direct wave.
    """

    findings: tuple[Finding, ...]
    images: tuple[LineImages, ...]
    zigzag: tuple[ZigzagEstimate | None, ...]
    order: tuple[OrderFault, ...]
    placebo: tuple[Placebo | None, ...]
    repeats: tuple[RepeatScore, ...]
    ties: tuple[LineTie, ...]
    noise: dict[str, LineNoise]
    zero_ns: dict[str, float]


def check_field(
    lines: Mapping[str, xr.DataArray],
    *,
    visit: str = "",
    clock_s: Mapping[str, float] | None = None,
    velocity_m_per_ns: float | None = None,
    seed: int = 0,
) -> FieldCheck:
    """Check all lines of one visit against one another.

    Parameters
    ----------
    lines : name to radargram (T, S) as recorded, in place, in the order recorded. Each is asked for a few times and
        none is held, so they may be read from disk as they are asked for.
    visit : its name, put into the findings.
    clock_s : line to the time it was recorded, s, where known of all; else they count as equally far apart.
    velocity_m_per_ns : to tell penetration as depth as well.
    seed : of the shuffled orders.

    Returns
    -------
    FieldCheck. Nothing is changed: whatever is corrected is corrected by whoever calls `correct_zigzag`, `stretch_line`
    and the like.

    Raises
    ------
    InputError : there are no lines.
    """
    if not lines:
        raise InputError("there are no lines", do="give each line's radargram")
    findings = settings_findings({visit: {name: line_settings(line) for name, line in lines.items()}})
    zero, noise, live = _each_line(lines)
    # Time zeros by their own clocks where all have one.
    clock = [clock_s[name] for name in zero] if clock_s is not None and set(zero) <= set(clock_s) else None
    findings += session_findings(zero, clock_s=clock)
    findings += noise_findings(noise, velocity_m_per_ns=velocity_m_per_ns)
    images = line_images(live) if live else ()
    zigzag: list[ZigzagEstimate | None] = []
    order: list[OrderFault] = []
    placebo: list[Placebo | None] = []
    for held in images:
        found = _zigzag(held)
        zigzag.append(found)
        offset = found.offset_m if found is not None and found.significant else 0.0
        if found is not None:
            findings += zigzag_findings(found)
        order += find_order_faults(held, offset_m=offset)
        pictures, known = held.coarser(0.15).stack(offset_m=offset)
        placebo.append(order_placebo(held, pictures, known, seed=seed))
        findings += placebo_findings(placebo[-1])
    findings += order_findings(order)
    repeats = tuple(repeat_score(lines[first], lines[second]) for first, second in find_repeats(images, tuple(lines)))
    findings += [finding for score in repeats for finding in repeat_findings(score)]
    ties = tuple(find_ties(images))
    findings += tie_findings(ties)
    return FieldCheck(
        findings=tuple(replace(finding, visit=visit) for finding in findings),
        images=images,
        zigzag=tuple(zigzag),
        order=tuple(order),
        placebo=tuple(placebo),
        repeats=repeats,
        ties=ties,
        noise=noise,
        zero_ns=zero,
    )


def _each_line(
    lines: Mapping[str, xr.DataArray],
) -> tuple[dict[str, float], dict[str, LineNoise], Mapping[str, xr.DataArray]]:
    """Time zeros, noise, and the lines that hold any signal; one without is named by the check of single lines."""
    zero: dict[str, float] = {}
    silent: list[str] = []
    for name, line in lines.items():
        try:
            zero[name] = line_time_zero_ns(line)
        except InputError:
            silent.append(name)
    live = _Some(lines, [name for name in lines if name not in silent])
    return zero, line_noise(live), live


class _Some(Mapping[str, xr.DataArray]):
    """Some of the lines, still read only when they are asked for."""

    def __init__(self, lines: Mapping[str, xr.DataArray], names: Sequence[str]) -> None:
        self._lines, self._names = lines, list(names)

    def __getitem__(self, name: str) -> xr.DataArray:
        if name not in self._names:
            raise KeyError(name)
        return self._lines[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def _zigzag(images: LineImages) -> ZigzagEstimate | None:
    try:
        return estimate_zigzag(images)
    except InputError:
        # Lines walked one way, or without neighbours, show none.
        return None
