"""Any bytes and any small array: nothing but errors on purpose, and every round trip exact."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.testing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from yewline.errors import YewlineError
from yewline.formats import (
    READERS,
    Seg2Options,
    SegyOptions,
    TextOptions,
    read_recording,
    write_flat,
    write_netcdf,
    write_seg2,
    write_segy,
    write_text,
)
from yewline.model import ReadHints, Recording

FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
HEADS = {"segy": b"", "seg2": b"\x55\x3a\x01\x00", "netcdf": b"CDF\x01", "text": b"1,2\n", "flat": b""}
DESCRIPTION = 'samples = 3\ndtype = "float32"\nbyte_order = "little"\ninterval_ns = 0.5\n'

WRITERS: list[tuple[Any, dict[str, Any]]] = [
    (write_segy, {"options": SegyOptions(5)}),
    (write_segy, {"options": SegyOptions(5, "little"), "picoseconds": True}),
    (write_seg2, {"options": Seg2Options(4, "big")}),
    (write_seg2, {"options": Seg2Options(5)}),
    (write_text, {"options": TextOptions("matrix", ";", True)}),
    (write_text, {"options": TextOptions("long", "\t")}),
    (write_netcdf, {}),
    (write_flat, {"byte_order": "big"}),
    (write_flat, {"dtype": "float64"}),
]


def readable(path: Path) -> None:
    try:
        got = read_recording(path)
    except YewlineError:
        return
    assert isinstance(got, Recording)
    assert got.amplitude.size > 0


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
@FEW
@given(tail=st.binary(max_size=600))
def test_random_bytes_raise_errors_on_purpose_only(reader: Any, tail: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"line{reader.suffixes[0]}"
        path.write_bytes(HEADS[reader.name] + tail)
        if reader.name == "flat":
            Path(folder, path.name + ".toml").write_text(DESCRIPTION, encoding="utf-8")
        readable(path)
        with contextlib.suppress(YewlineError):
            reader.read(path, ReadHints(interval_ns=0.5))


@FEW
@given(
    binary=st.binary(min_size=400, max_size=400),
    tail=st.binary(max_size=900),
    code=st.integers(0, 17),
    big=st.booleans(),
)
def test_random_segy_headers(binary: bytes, tail: bytes, code: int, big: bool) -> None:
    word = code.to_bytes(2, "big" if big else "little")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.sgy"
        path.write_bytes(bytes(3200) + binary[:24] + word + binary[26:] + tail)
        readable(path)


@pytest.mark.parametrize(("write", "more"), WRITERS)
@FEW
@given(at=st.floats(0, 1), to=st.integers(0, 255), cut=st.integers(0, 3))
def test_a_changed_byte_or_a_cut_end_raises_errors_on_purpose_only(
    write: Any, more: dict[str, Any], at: float, to: int, cut: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.any"
        write(
            path, np.arange(12).reshape(3, 4), interval_ns=0.5, x=[0, 1, 2], y=[0, 0, 0], line=["1", "1", "2"], **more
        )
        content = bytearray(path.read_bytes())
        content[min(int(at * len(content)), len(content) - 1)] = to
        path.write_bytes(content[: len(content) - cut])
        readable(path)


@pytest.mark.parametrize(("write", "more"), WRITERS)
@FEW
@given(
    amplitude=hnp.arrays(
        np.float32,
        hnp.array_shapes(min_dims=2, max_dims=2, max_side=6).filter(lambda shape: shape[1] > 1),
        elements=st.floats(width=32),
    ),
    interval=st.sampled_from([0.1, 0.25, 0.417, 1.0]),
)
def test_round_trips(write: Any, more: dict[str, Any], amplitude: np.ndarray, interval: float) -> None:
    x = np.arange(len(amplitude), dtype=float)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.any"
        write(path, amplitude, interval_ns=interval, x=x, y=x / 2, **more)
        got = read_recording(path)
    npt.assert_array_equal(got.amplitude, amplitude)
    assert got.interval_ns == interval
    if len(amplitude) > 1:
        npt.assert_array_equal(got.x, x)


@FEW
@given(
    amplitude=hnp.arrays(
        np.float32,
        (3, 5),
        elements=st.floats(-(2.0**99), 2.0**99, width=32).filter(lambda v: v == 0 or abs(v) > 2.0**-99),
    )
)
def test_ibm_round_trip_keeps_at_least_21_bits(amplitude: np.ndarray) -> None:
    # A hexadecimal exponent leaves 21 to 24 bits of fraction (SEG-Y rev 2.0, 2017: format 1).
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.sgy"
        write_segy(path, amplitude, interval_ns=0.5, options=SegyOptions(1))
        got = read_recording(path)
    npt.assert_allclose(got.amplitude, amplitude, rtol=2.0**-20, atol=0)
