"""Which samples of a line an operator or wavelet is made from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section

__all__ = ["samples_of", "time_window"]


def time_window(
    values: npt.NDArray[np.float32], section: Section, start_ns: float, stop_ns: float | None, *, samples: int = 1
) -> npt.NDArray[np.float32]:
    """The part of (T, S) between two times, as a view; refused when it holds fewer than `samples` samples."""
    start = check_in_range(start_ns, "start_ns", 0.0, 1e9)
    first = round(start / section.interval_ns)
    stop = values.shape[1] if stop_ns is None else round(check_positive(stop_ns, "stop_ns") / section.interval_ns)
    part = values[:, first:stop]
    if part.shape[1] < samples:
        end = values.shape[1] * section.interval_ns if stop_ns is None else stop_ns
        raise InputError(
            f"the window is too short: at least {samples} samples are needed",
            received=f"{part.shape[1]} samples between {start:g} and {end:g} ns",
            do="widen it, make the operator shorter, or record a longer time window",
        )
    return part


def samples_of(length_ns: float | None, default_ns: float, name: str, section: Section) -> int:
    """Samples in a length of time, at least one."""
    length = default_ns if length_ns is None else check_positive(length_ns, name)
    return max(1, round(length / section.interval_ns))
