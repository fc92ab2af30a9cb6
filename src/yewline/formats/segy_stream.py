"""Large SEG-Y files of IBM floats: read in pieces that stay in the processor's cache, converted by compiled code.

A memory map of the same file costs more time in page faults than the conversion itself.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.parts import over_parts
from yewline.formats.segy_samples import TraceBlock, convert_ibm

__all__ = ["STREAMED_FROM", "stream_ibm"]

STREAMED_FROM = 20_000
"""Below this many samples NumPy is quicker than loading compiled code from its cache."""

_PIECE_BYTES = 1 << 19
_FINITE_EXPONENT = 96


def stream_ibm(
    path: Path, block: TraceBlock, *, header_bytes: int, kept_bytes: int, big_endian: bool
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.uint8], bool]:
    """Read all traces of a file of IBM floats.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    block : where the traces lie.
    header_bytes : bytes in front of each trace's samples.
    kept_bytes : how many of them to hand back.
    big_endian : byte order of the samples.

    Returns
    -------
    samples (T, S) float32; trace headers (T, kept_bytes); whether all samples are sure to be finite.

    Raises
    ------
    FormatError : the file became shorter meanwhile.
    """
    out = np.empty((block.n_trace, block.n_sample), np.float32)
    heads = np.empty((block.n_trace, kept_bytes), np.uint8)
    swap = big_endian == (sys.byteorder == "little")
    most = max(1, _PIECE_BYTES // block.stride)

    def part(first: int, stop: int) -> int:
        piece = np.empty((min(most, stop - first), block.stride), np.uint8)
        words, largest = piece.reshape(-1).view(np.uint32), 0
        with path.open("rb", buffering=0) as handle:
            handle.seek(block.first - header_bytes + first * block.stride)
            for start in range(first, stop, most):
                end = min(start + most, stop)
                _fill(handle, piece[: end - start], path)
                heads[start:end] = piece[: end - start, :kept_bytes]
                exponent = convert_ibm(words, header_bytes // 4, block.stride // 4, swap, out[start:end])
                largest = max(largest, exponent)
        return largest

    exponents = over_parts(block.n_trace, block.n_sample, part)
    return out, heads, max(exponents) <= _FINITE_EXPONENT


def _fill(handle: io.FileIO, piece: npt.NDArray[np.uint8], path: Path) -> None:
    view = piece.reshape(-1).data
    while len(view):
        count = handle.readinto(view)
        if not count:
            raise FormatError("the file became shorter while it was read", where=str(path), do="read it again")
        view = view[count:]
