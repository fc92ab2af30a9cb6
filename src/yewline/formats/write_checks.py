"""What all writers of recorded files ask of their arguments."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["Writable", "check_writable"]


class Writable(NamedTuple):
    """Checked samples (T, S), interval, coordinates (T,) or None, line labels (T,) or None."""

    amplitude: npt.NDArray[np.float32]
    interval_ns: float
    x: npt.NDArray[np.float64] | None
    y: npt.NDArray[np.float64] | None
    line: npt.NDArray[np.str_] | None


def check_writable(
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None,
    y: npt.ArrayLike | None,
    line: npt.ArrayLike | None,
) -> Writable:
    """Check what a writer received; samples that are not finite pass, for recordings hold them."""
    samples = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32, finite=False)
    step = check_positive(interval_ns, "interval_ns")
    if (x is None) != (y is None):
        raise InputError("x and y must be given together", do="give both or neither")
    xs = None if x is None else check_array(x, "x", ndim=1)
    ys = None if y is None else check_array(y, "y", ndim=1)
    labels = None if line is None else np.asarray(line).astype(np.str_)
    for name, values in (("x", xs), ("y", ys), ("line", labels)):
        if values is not None and values.shape != (len(samples),):
            raise InputError(
                f"{name} must have one value for each trace", received=f"{values.shape} for {len(samples)} traces"
            )
    return Writable(samples, step, xs, ys, labels)
