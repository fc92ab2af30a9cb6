"""The table that chooses a kernel: compiled for work, plain as the meaning that tests hold the other to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from yewline.signal.velocity import kernels, kernels_plain

__all__ = ["COMPILED", "ENGINES", "Kernels"]


@dataclass(frozen=True, slots=True)
class Kernels:
    """One set of kernels; the arguments of each are those of its function in `kernels_plain`."""

    diffraction: Callable[..., Any]
    scan: Callable[..., Any]
    moveout_sums: Callable[..., Any]
    rescore: Callable[..., Any]


ENGINES: Final = {
    "compiled": Kernels(kernels.diffraction, kernels.scan, kernels.moveout_sums, kernels.rescore),
    "plain": Kernels(kernels_plain.diffraction, kernels_plain.scan, kernels_plain.moveout_sums, kernels_plain.rescore),
}

COMPILED: Final = ENGINES["compiled"]
"""What every function here uses."""
