"""Two kinds of picture that most steps share: before, after and removed; and a result with a unit of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from picture_lines import DRY, VELOCITY, Demo, Held
from picture_panels import SEQUENTIAL, Panel, Plate, clip_of, draw, one_trace, spectrum

__all__ = ["SPAN", "Attribute", "Plain"]

SPAN = (6.0, 16.5)
"""Stretch of line A19, m: two coffins with a void, two graves without, a deep layer."""


@dataclass(frozen=True)
class Plain:
    """A step shown as before, after and removed.

    Attributes
    ----------
    step : its name in the registry.
    until : the last of the first steps that the line has gone through.
    parameters : stated for the picture.
    spoil : what is done to the line beforehand, where the demo has no such fault.
    visit, line, span : where.
    gained : shown with the compensation that comes later in a recipe, the same in all panels.
    spectra : a panel of spectra in place of a fourth radargram.
    share : quantile of the samples at which colours end.
    to_ns : end of what is shown.
    removed : whether the difference is shown.
    trace_m : place of a single trace in place of a fourth radargram, m.
    after_word : title of the second panel.
    clip_after : whether colours end where those of the result do.
    """

    step: str
    until: str
    parameters: dict[str, Any] = field(default_factory=dict)
    spoil: Callable[[Held], Held] | None = None
    visit: str = DRY
    line: str = "A19"
    span: tuple[float, float] = SPAN
    gained: bool = True
    spectra: bool = False
    share: float = 0.985
    to_ns: float = 48.0
    removed: bool = True
    trace_m: float | None = None
    after_word: str = "After"
    clip_after: bool = False

    def draw(self, demo: Demo) -> Plate:
        """The picture."""
        before = demo.through(self.visit, self.line, self.until)
        if self.spoil is not None:
            before = self.spoil(before)
        after = before.after(self.step, **self.parameters)
        shown = [held.view(*self.span, from_ns=0.0, to_ns=self.to_ns, like=self.gained) for held in (before, after)]
        panels = [Panel(shown[0], "Before"), Panel(shown[1], self.after_word)]
        if self.removed:
            panels.append(Panel(shown[0].minus(shown[1]), "Removed"))
        side = self.spectra or self.trace_m is not None
        panels[-1] = replace(panels[-1], velocity=None if side else VELOCITY[self.visit])
        plate = Plate([1.0] * len(panels) + [0.85] * side, high_in=2.9)
        clip = clip_of(shown[self.clip_after], share=self.share)
        for at, (ax, panel) in enumerate(zip(plate.row(), panels, strict=False)):
            draw(ax, panel, clip, first=at == 0)
        if self.spectra:
            spectrum(plate.row()[-1], *(held.view(*self.span) for held in (before, after)))
        if self.trace_m is not None:
            one_trace(plate.row()[-1], shown[0], shown[1], self.trace_m)
        return plate


@dataclass(frozen=True)
class Attribute:
    """A step whose result has a unit of its own: before, after with a scale."""

    step: str
    label: str
    low: float = 0.0
    high: float | None = None
    scale: str = SEQUENTIAL
    until: str = "compensate"
    migrated: bool = False
    parameters: dict[str, Any] = field(default_factory=dict)
    visit: str = DRY
    line: str = "A19"
    span: tuple[float, float] = SPAN
    to_ns: float = 46.0

    def draw(self, demo: Demo) -> Plate:
        """The picture."""
        before = demo.through(self.visit, self.line, self.until)
        if self.migrated:
            before = before.after("migrate_stolt")
        after = before.after(self.step, **self.parameters)
        gained = self.until != "compensate"
        first, second = before.view(*self.span, to_ns=self.to_ns, like=gained), after.view(*self.span, to_ns=self.to_ns)
        plate = Plate([1.0, 1.0], high_in=3.1)
        left, right = plate.row()
        draw(left, Panel(first, "Before"), clip_of(first), first=True)
        high = self.high if self.high is not None else clip_of(second)
        image = draw(right, Panel(second, "After", self.low, high, self.scale), 1.0, first=False)
        plate.bar(image, [right], self.label)
        return plate
