"""Arrays in, arrays out: what is done to a radargram's samples, step by step, and how good a recording is."""

from __future__ import annotations

from yewline.signal.absorption import fit_absorption
from yewline.signal.background import background_removal
from yewline.signal.envelope import envelope
from yewline.signal.fill import fill_traces
from yewline.signal.filters import band_pass, default_band_mhz
from yewline.signal.gain import automatic_gain, compensate, compensation_curve, default_gain_window_ns, power_gain
from yewline.signal.migration import default_pad_m, migrate_stolt
from yewline.signal.quality import (
    NoiseLevel,
    TimeZeroDrift,
    TraceFaults,
    clipped_traces,
    dead_traces,
    noise_level,
    spiky_traces,
    time_zero_drift,
)
from yewline.signal.section import Section
from yewline.signal.smoothing import running_median
from yewline.signal.time_zero import pick_time_zero, time_zero
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import default_dewow_window_ns, dewow

__all__ = [
    "NoiseLevel",
    "Section",
    "TimeZeroDrift",
    "TraceFaults",
    "Traces",
    "automatic_gain",
    "background_removal",
    "band_pass",
    "check_traces",
    "clipped_traces",
    "compensate",
    "compensation_curve",
    "dead_traces",
    "default_band_mhz",
    "default_dewow_window_ns",
    "default_gain_window_ns",
    "default_pad_m",
    "dewow",
    "envelope",
    "fill_traces",
    "fit_absorption",
    "migrate_stolt",
    "noise_level",
    "pick_time_zero",
    "power_gain",
    "running_median",
    "spiky_traces",
    "time_zero",
    "time_zero_drift",
]
