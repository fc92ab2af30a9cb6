"""Samples of SEG-Y traces to float32: NumPy for all formats, and compiled code for IBM floating point.

References: SEG-Y rev 2.0 (SEG Technical Standards Committee 2017), table 2, bytes 3225–3226, and annex on
number formats; Barry, Cavers & Kneale 1975, Geophysics 40:344–352 (rev 0).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit
from yewline.errors import FormatError

__all__ = ["SAMPLE_BYTES", "SAMPLE_NAMES", "TraceBlock", "convert_ibm", "convert_ibm_numpy", "convert_samples"]

SAMPLE_NAMES: Final = {
    1: "4-byte IBM floating point",
    2: "4-byte integer",
    3: "2-byte integer",
    5: "4-byte IEEE floating point",
    6: "8-byte IEEE floating point",
    7: "3-byte integer",
    8: "1-byte integer",
    9: "8-byte integer",
    10: "4-byte unsigned integer",
    11: "2-byte unsigned integer",
    12: "8-byte unsigned integer",
    15: "3-byte unsigned integer",
    16: "1-byte unsigned integer",
}
"""Format codes that can be read. Code 4 (fixed point with gain) is obsolete and refused."""

SAMPLE_BYTES: Final = {code: int(name[0]) for code, name in SAMPLE_NAMES.items()}
"""Bytes of one sample by format code."""

_PLAIN_TYPES = {2: "i4", 3: "i2", 5: "f4", 6: "f8", 8: "i1", 9: "i8", 10: "u4", 11: "u2", 12: "u8", 16: "u1"}


class TraceBlock(NamedTuple):
    """Where traces lie in a file: the first sample's byte, bytes from trace to trace, and their counts."""

    first: int
    stride: int
    n_trace: int
    n_sample: int


def convert_samples(
    raw: npt.NDArray[np.uint8], block: TraceBlock, *, code: int, big_endian: bool
) -> tuple[npt.NDArray[np.float32], bool]:
    """Convert the samples of all traces.

    Parameters
    ----------
    raw : the whole file's bytes.
    block : where the traces lie.
    code : SEG-Y sample format code.
    big_endian : byte order of the samples.

    Returns
    -------
    (T, S) float32, C order; and whether it is already sure that all are finite, which spares another pass.

    Raises
    ------
    FormatError : the format code is not one that can be read.

    Examples
    --------
    >>> raw = np.frombuffer(bytes.fromhex("41100000 C276A000"), np.uint8)
    >>> convert_samples(raw, TraceBlock(0, 8, 1, 2), code=1, big_endian=True)[0].tolist()
    [[1.0, -118.625]]
    """
    if code not in SAMPLE_NAMES:
        raise FormatError("unknown sample format code", received=code, do=f"known codes: {sorted(SAMPLE_NAMES)}")
    if code == 1:
        words = _strided(raw, block, np.dtype(">u4" if big_endian else "<u4"))
        return convert_ibm_numpy(words.astype(np.uint32)), False
    if code in (7, 15):
        return _convert_three_bytes(raw, block, signed=code == 7, big_endian=big_endian), True
    dtype = np.dtype(_PLAIN_TYPES[code]).newbyteorder(">" if big_endian else "<")
    samples: npt.NDArray[np.generic] = _strided(raw, block, dtype)
    with np.errstate(over="ignore", invalid="ignore"):  # a double beyond float32 becomes infinite and is reported
        return samples.astype(np.float32, order="C", copy=True), dtype.kind in "iu"


def _strided(raw: npt.NDArray[np.uint8], block: TraceBlock, dtype: np.dtype[np.generic]) -> npt.NDArray[np.generic]:
    shape, strides = (block.n_trace, block.n_sample), (block.stride, dtype.itemsize)
    return np.ndarray(shape, dtype, buffer=raw.data, offset=block.first, strides=strides)


def _convert_three_bytes(
    raw: npt.NDArray[np.uint8], block: TraceBlock, *, signed: bool, big_endian: bool
) -> npt.NDArray[np.float32]:
    wide = _strided(raw, block._replace(n_sample=block.n_sample * 3), np.dtype(np.uint8))
    parts = wide.reshape(block.n_trace, block.n_sample, 3).astype(np.int32)
    high, low = (0, 2) if big_endian else (2, 0)
    value = (parts[:, :, high] << 16) | (parts[:, :, 1] << 8) | parts[:, :, low]
    if signed:
        value -= (value & 0x800000) << 1
    return value.astype(np.float32)


def convert_ibm_numpy(words: npt.NDArray[np.uint32]) -> npt.NDArray[np.float32]:
    """IBM floating point to IEEE, plain NumPy: (−1)^sign · fraction · 16^(exponent − 64), fraction in 24 bits.

    Every value inside the normal range of float32 converts exactly; larger ones become infinite.

    Examples
    --------
    >>> convert_ibm_numpy(np.array([0x42640000, 0xC276A000], np.uint32)).tolist()
    [100.0, -118.625]
    """
    fraction = (words & np.uint32(0x00FFFFFF)).astype(np.float64)
    exponent = ((words >> np.uint32(24)) & np.uint32(0x7F)).astype(np.int32)
    value = np.ldexp(fraction, 4 * (exponent - 64) - 24)
    np.negative(value, out=value, where=(words >> np.uint32(31)).astype(bool))
    with np.errstate(over="ignore", under="ignore"):
        return value.astype(np.float32)


@njit(cache=True, nogil=True, inline="always")
def _ibm_value(w: np.uint32) -> np.float32:
    # 16^(e − 64) · 2^−24 is a power of two; half of it at a time stays inside float32's exponents, so the first
    # product is exact and the second rounds once. Below 2^−252 nothing is left in either case.
    power = max(
        np.int32(np.int32((w >> np.uint32(24)) & np.uint32(0x7F)) * np.int32(4) - np.int32(280)), np.int32(-252)
    )
    half = np.int32(power) >> np.int32(1)
    rest = np.int32(power) - np.int32(half)
    sign = np.uint32(w & np.uint32(0x80000000))
    a = np.uint32(np.uint32(np.int32(half) + np.int32(127)) << np.uint32(23)).view(np.float32)
    b = np.uint32(np.uint32(np.uint32(np.int32(rest) + np.int32(127)) << np.uint32(23)) | sign).view(np.float32)
    return np.float32(np.float32(np.int32(w & np.uint32(0x00FFFFFF))) * a * b)


@njit(cache=True, nogil=True)
def convert_ibm(
    words: npt.NDArray[np.uint32], first: int, stride: int, swap: bool, out: npt.NDArray[np.float32]
) -> int:
    """Fill `out` (T, S) from IBM floats: trace t's samples start at word ``first + t·stride``; the twin is NumPy's.

    Returns the largest exponent met: up to 96 (16³² = 2¹²⁸) nothing can have become infinite.
    """
    n_sample = out.shape[1]
    largest = np.uint32(0)
    for t in range(out.shape[0]):
        row = words[first + t * stride : first + t * stride + n_sample]
        target = out[t]
        for s in range(n_sample):
            w = row[s]
            if swap:
                w = np.uint32(
                    (w >> np.uint32(24))
                    | ((w >> np.uint32(8)) & np.uint32(0xFF00))
                    | ((w << np.uint32(8)) & np.uint32(0xFF0000))
                    | (w << np.uint32(24))
                )
            largest = max(largest, np.uint32(w & np.uint32(0x7F000000)))
            target[s] = _ibm_value(w)
    return int(largest >> np.uint32(24))
