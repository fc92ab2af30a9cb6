"""The registry of steps: a literal tuple, read from top to bottom."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline import signal
from yewline.recipe.defaults import DEFAULTS
from yewline.signal import Section, equally_spaced, resampled

__all__ = ["STEPS", "Step", "find_step"]

_EARLY: Final = ("before", "display")
_LATE: Final = ("after", "display")
_SEEN: Final = ("display",)


@dataclass(frozen=True, slots=True)
class Step:
    """One kind of processing.

    Attributes
    ----------
    name : as recipes call it.
    function : ``fn(amplitude, section, *, parameters) -> amplitude``; its signature and docstring are the one source
        of the schema, the help, the table in the documents and the provenance.
    branches : where a recipe may call it: "before" the velocity is known, "after", or for "display". A step after which
        amplitudes can no longer be compared between traces, lines and visits may stand under "display" only; a
        migration may not stand there.
    title : a few words for people.
    along_line : whether traces see each other, so that segments of a line must be run apart.
    steady : whether it does the same to each trace at all times, so that it may change places with a shift in time.
    why_display : for a step that is not amplitude-true, why, in words that follow its title.
    removes : whether what it takes out of the samples, before less after, is a picture of its own.
    first : whether it may only be the first of its part: it takes what the lines beside were before that part.
    section_after : for a step that changes how the radargram is sampled, the section that belongs to its result.
    """

    name: str
    function: Callable[..., npt.NDArray[np.float32]]
    branches: tuple[str, ...]
    title: str
    along_line: bool = False
    why_display: str = ""
    removes: bool = False
    steady: bool = False
    first: bool = False
    section_after: Callable[..., Section] | None = field(default=None, repr=False)

    @property
    def amplitude_true(self) -> bool:
        """Whether amplitudes can be compared between traces, lines and visits when it has run."""
        return self.branches != ("display",)

    def resolved(self, stated: dict[str, Any], section: Section, samples: int) -> dict[str, Any]:
        """Every parameter with the value in force: stated, else its default, else what the antenna makes of it."""
        defaults = DEFAULTS.get(self.name)
        from_antenna = {} if defaults is None else defaults(section, samples, stated)
        return {
            name: from_antenna.get(name) if value is None else value
            for name, value in {**self._signature_defaults(), **stated}.items()
        }

    def _signature_defaults(self) -> dict[str, Any]:
        return dict(self.function.__kwdefaults__ or {})


STEPS: Final[tuple[Step, ...]] = (
    Step(
        "repair_traces",
        signal.repair_traces,
        ("before",),
        "Repair of faulty traces and samples",
        along_line=True,
        removes=True,
    ),
    Step("time_zero", signal.time_zero, ("before",), "Time zero to the first sample"),
    Step("detrend", signal.detrend, _EARLY, "Trend removal", removes=True),
    Step("dewow", signal.dewow, _EARLY, "Wow removal", removes=True, steady=True),
    Step("equal_spacing", signal.equal_spacing, _EARLY, "Equal trace distance", True, section_after=equally_spaced),
    Step("resample_time", signal.resample_time, _EARLY, "New sample interval", section_after=resampled),
    Step("band_pass", signal.band_pass, _EARLY, "Zero-phase band-pass", removes=True, steady=True),
    Step("band_pass_trapezoid", signal.band_pass_trapezoid, _EARLY, "Four-corner band-pass", removes=True, steady=True),
    Step("notch", signal.notch, _EARLY, "Zero-phase notch", removes=True, steady=True),
    Step("background_removal", signal.background_removal, _EARLY, "Background removal", along_line=True, removes=True),
    Step(
        "background_fk", signal.background_fk, _EARLY, "Background removal by wavenumber", along_line=True, removes=True
    ),
    Step(
        "eigen_background",
        signal.eigen_background,
        _EARLY,
        "Background removal by eigen-images",
        along_line=True,
        removes=True,
    ),
    Step("dip_filter", signal.dip_filter, _EARLY, "Dip filter", along_line=True, removes=True),
    Step("air_wave_removal", signal.air_wave_removal, _EARLY, "Air-wave removal", along_line=True, removes=True),
    Step("predictive_deconvolution", signal.predictive_deconvolution, _EARLY, "Ringing suppression", removes=True),
    Step("zero_phase", signal.zero_phase, _EARLY, "Zero-phasing"),
    Step("q_compensation", signal.q_compensation, _EARLY, "Frequency-dependent attenuation compensation"),
    Step("compensate", signal.compensate, _EARLY, "Spreading and absorption compensation"),
    Step("migrate_stolt", signal.migrate_stolt, ("after",), "Stolt migration", along_line=True),
    Step("migrate_phase_shift", signal.migrate_phase_shift, ("after",), "Phase-shift migration", along_line=True),
    Step("migrate_kirchhoff", signal.migrate_kirchhoff, ("after",), "Kirchhoff migration", along_line=True),
    Step(
        "migrate_kirchhoff_3d",
        signal.migrate_kirchhoff_3d,
        ("after",),
        "Kirchhoff migration across lines",
        along_line=True,
        first=True,
    ),
    Step("envelope", signal.envelope, _LATE, "Envelope"),
    Step("similarity", signal.similarity, _LATE, "Similarity of neighbouring traces", along_line=True),
    Step("truncation", signal.truncation, _LATE, "Truncation of reflections", along_line=True),
    Step("low_amplitude", signal.low_amplitude, _LATE, "Quietness", along_line=True),
    Step("instantaneous_frequency", signal.instantaneous_frequency, _LATE, "Instantaneous frequency"),
    Step(
        "instantaneous_phase",
        signal.instantaneous_phase,
        _SEEN,
        "Instantaneous phase",
        why_display="instantaneous phase shows weak waves like strong ones",
    ),
    Step(
        "cosine_phase",
        signal.cosine_phase,
        _SEEN,
        "Cosine of phase",
        why_display="cosine of phase shows weak waves like strong ones",
    ),
    Step(
        "spiking_deconvolution",
        signal.spiking_deconvolution,
        _SEEN,
        "Spiking deconvolution",
        why_display="spiking deconvolution undoes the line's own spectrum, which is what moisture changes",
    ),
    Step(
        "shaping_deconvolution",
        signal.shaping_deconvolution,
        _SEEN,
        "Wiener shaping to a Ricker wavelet",
        why_display="Wiener shaping makes the wavelets of wet and dry days alike",
    ),
    Step(
        "predictive_deconvolution_by_trace",
        signal.predictive_deconvolution_by_trace,
        _SEEN,
        "Ringing suppression, trace by trace",
        removes=True,
        why_display="an operator of each trace's own destroys amplitude: a strong response changes it",
    ),
    Step(
        "spectral_whitening",
        signal.spectral_whitening,
        _SEEN,
        "Spectral whitening",
        why_display="spectral whitening brings every line's spectrum to one level, which is what moisture changes",
    ),
    Step(
        "power_gain",
        signal.power_gain,
        _SEEN,
        "Gain by a power of time",
        why_display="a power of time is chosen by eye, and with it how strong a deep response is beside a shallow one",
    ),
    Step(
        "automatic_gain",
        signal.automatic_gain,
        _SEEN,
        "Automatic gain",
        why_display="automatic gain destroys amplitude: it brings strong and weak responses to one level",
    ),
    Step(
        "topography",
        signal.topography,
        _SEEN,
        "Topography",
        along_line=True,
        why_display="topography makes time count from a level datum, so that depth below ground can no longer be read",
    ),
    Step(
        "line_balance",
        signal.line_balance,
        _SEEN,
        "Balance between lines",
        along_line=True,
        why_display="balance between lines takes out what soil and moisture do to a line",
    ),
    Step(
        "trace_balance",
        signal.trace_balance,
        _SEEN,
        "Balance between traces",
        along_line=True,
        why_display="balance between traces lowers the trace that holds a strong response",
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
