"""Steps by what they are for: the order of the documents."""

from __future__ import annotations

from typing import Final

__all__ = ["PURPOSES"]

PURPOSES: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("Recording faults and time zero", ("repair_traces", "time_zero", "detrend", "dewow")),
    ("Sampling", ("equal_spacing", "resample_time")),
    ("Frequencies", ("band_pass", "band_pass_trapezoid", "notch")),
    (
        "Background and what does not come from the ground",
        ("background_removal", "background_fk", "eigen_background", "dip_filter", "air_wave_removal"),
    ),
    ("Ringing and wavelet", ("predictive_deconvolution", "zero_phase")),
    ("What the ground takes away", ("q_compensation", "compensate")),
    ("Migration", ("migrate_stolt", "migrate_phase_shift", "migrate_kirchhoff", "migrate_kirchhoff_3d")),
    (
        "Strength and other attributes",
        ("envelope", "similarity", "truncation", "low_amplitude", "instantaneous_frequency"),
    ),
    (
        "For pictures only",
        (
            "power_gain",
            "automatic_gain",
            "topography",
            "line_balance",
            "trace_balance",
            "instantaneous_phase",
            "cosine_phase",
            "spectral_whitening",
            "spiking_deconvolution",
            "shaping_deconvolution",
            "predictive_deconvolution_by_trace",
        ),
    ),
)
"""Every step stands under one purpose; a test holds it to that."""
