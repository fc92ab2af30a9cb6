"""Attributes: what a section says besides amplitude."""

from __future__ import annotations

from yewline.signal.attributes.phase import (
    cosine_phase,
    default_frequency_window_ns,
    instantaneous_frequency,
    instantaneous_phase,
)
from yewline.signal.attributes.quiet import default_quiet_window_ns, low_amplitude
from yewline.signal.attributes.similarity import (
    default_similarity_length_m,
    default_similarity_window_ns,
    local_dip,
    similarity,
)
from yewline.signal.attributes.truncation import default_truncation_window_ns, truncation

__all__ = [
    "cosine_phase",
    "default_frequency_window_ns",
    "default_quiet_window_ns",
    "default_similarity_length_m",
    "default_similarity_window_ns",
    "default_truncation_window_ns",
    "instantaneous_frequency",
    "instantaneous_phase",
    "local_dip",
    "low_amplitude",
    "similarity",
    "truncation",
]
