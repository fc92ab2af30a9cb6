"""The table that chooses a kernel: compiled for work, plain as the meaning that tests hold the other to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from yewline.signal import kernels, kernels_plain

__all__ = ["COMPILED", "ENGINES", "Kernels"]


@dataclass(frozen=True, slots=True)
class Kernels:
    """One set of kernels; the arguments of each are those of its function in `kernels_plain`."""

    running_mean: Callable[..., Any]
    sliding_mean: Callable[..., Any]
    second_order_sections: Callable[..., Any]
    largest_swing: Callable[..., Any]
    mean_about: Callable[..., Any]
    correlate_lags: Callable[..., Any]
    shift_traces: Callable[..., Any]
    stolt_map: Callable[..., Any]


ENGINES: Final = {
    "compiled": Kernels(
        running_mean=kernels.running_mean,
        sliding_mean=kernels.sliding_mean,
        second_order_sections=kernels.second_order_sections,
        largest_swing=kernels.largest_swing,
        mean_about=kernels.mean_about,
        correlate_lags=kernels.correlate_lags,
        shift_traces=kernels.shift_traces,
        stolt_map=kernels.stolt_map,
    ),
    "plain": Kernels(
        running_mean=kernels_plain.running_mean,
        sliding_mean=kernels_plain.sliding_mean,
        second_order_sections=kernels_plain.second_order_sections,
        largest_swing=kernels_plain.largest_swing,
        mean_about=kernels_plain.mean_about,
        correlate_lags=kernels_plain.correlate_lags,
        shift_traces=kernels_plain.shift_traces,
        stolt_map=kernels_plain.stolt_map,
    ),
}

COMPILED: Final = ENGINES["compiled"]
"""What every step uses."""
