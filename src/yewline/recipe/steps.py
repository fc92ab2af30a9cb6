"""The registry of steps: a literal tuple, read from top to bottom."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline import signal
from yewline.signal import Section

__all__ = ["STEPS", "Step", "find_step"]

Defaults = Callable[[Section, int], dict[str, float]]


def _nothing(_section: Section, _samples: int) -> dict[str, float]:
    return {}


def _dewow_defaults(section: Section, _samples: int) -> dict[str, float]:
    return {"window_ns": signal.default_dewow_window_ns(section)}


def _band_defaults(section: Section, _samples: int) -> dict[str, float]:
    low, high = signal.default_band_mhz(section)
    return {"low_mhz": low, "high_mhz": high}


def _compensate_defaults(section: Section, _samples: int) -> dict[str, float]:
    return {"absorption_db_per_ns": section.absorption_db_per_ns or 0.0}


def _migrate_defaults(section: Section, samples: int) -> dict[str, float]:
    speed = section.velocity_m_per_ns
    if speed is None:
        return {}
    return {"velocity_m_per_ns": speed, "pad_m": signal.default_pad_m(section, samples, speed)}


def _gain_defaults(section: Section, _samples: int) -> dict[str, float]:
    return {"window_ns": signal.default_gain_window_ns(section)}


def _search_defaults(section: Section, samples: int) -> dict[str, float]:
    return {"search_ns": samples // 2 * section.interval_ns}


@dataclass(frozen=True, slots=True)
class Step:
    """One kind of processing.

    Attributes
    ----------
    name : as recipes call it.
    function : ``fn(amplitude, section, *, parameters) -> amplitude``; its signature and docstring are the one source
        of the schema, the help, the table in the documents and the provenance.
    branches : where a recipe may call it: "before" the velocity is known, "after", or for "display". A step after which
        amplitudes can no longer be compared between traces, lines and visits may stand under "display" only; one that
        needs the velocity may not stand there.
    title : a few words for people.
    along_line : whether traces see each other, so that segments of a line must be run apart.
    why_display : for a step that is not amplitude-true, why, in words that follow its title.
    defaults : what parameters that were left out mean for a given radargram.
    """

    name: str
    function: Callable[..., npt.NDArray[np.float32]]
    branches: tuple[str, ...]
    title: str
    along_line: bool = False
    why_display: str = ""
    defaults: Defaults = field(default=_nothing, repr=False)

    @property
    def amplitude_true(self) -> bool:
        """Whether amplitudes can be compared between traces, lines and visits when it has run."""
        return self.branches != ("display",)

    def resolved(self, stated: dict[str, Any], section: Section, samples: int) -> dict[str, Any]:
        """Every parameter with the value in force: stated, else its default, else what the antenna makes of it."""
        from_antenna = self.defaults(section, samples)
        return {
            name: from_antenna.get(name) if value is None else value
            for name, value in {**self._signature_defaults(), **stated}.items()
        }

    def _signature_defaults(self) -> dict[str, Any]:
        return dict(self.function.__kwdefaults__ or {})


STEPS: Final[tuple[Step, ...]] = (
    Step(
        name="time_zero",
        function=signal.time_zero,
        branches=("before",),
        title="Time zero to the first sample",
        defaults=_search_defaults,
    ),
    Step(
        name="dewow",
        function=signal.dewow,
        branches=("before", "display"),
        title="Wow removal",
        defaults=_dewow_defaults,
    ),
    Step(
        name="band_pass",
        function=signal.band_pass,
        branches=("before", "display"),
        title="Zero-phase band-pass",
        defaults=_band_defaults,
    ),
    Step(
        name="background_removal",
        function=signal.background_removal,
        branches=("before", "display"),
        title="Background removal",
        along_line=True,
    ),
    Step(
        name="compensate",
        function=signal.compensate,
        branches=("before", "display"),
        title="Spreading and absorption compensation",
        defaults=_compensate_defaults,
    ),
    Step(
        name="power_gain",
        function=signal.power_gain,
        branches=("before", "display"),
        title="Gain by a power of time",
    ),
    Step(
        name="migrate_stolt",
        function=signal.migrate_stolt,
        branches=("after",),
        title="Stolt migration",
        along_line=True,
        defaults=_migrate_defaults,
    ),
    Step(
        name="envelope",
        function=signal.envelope,
        branches=("after", "display"),
        title="Envelope",
    ),
    Step(
        name="automatic_gain",
        function=signal.automatic_gain,
        branches=("display",),
        title="Automatic gain",
        why_display="automatic gain destroys amplitude: it brings strong and weak responses to one level",
        defaults=_gain_defaults,
    ),
)


def find_step(name: str) -> Step | None:
    """The step called `name`, or None.

    Examples
    --------
    >>> find_step("dewow").title
    'Wow removal'
    """
    return next((step for step in STEPS if step.name == name), None)
