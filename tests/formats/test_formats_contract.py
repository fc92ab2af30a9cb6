"""What every reader in the registry must do alike."""

from __future__ import annotations

import hashlib
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.testing as npt
import pytest

from yewline.errors import FormatError
from yewline.formats import (
    READERS,
    Reader,
    read_recording,
    write_flat,
    write_netcdf,
    write_seg2,
    write_segy,
    write_text,
)
from yewline.model import ReadHints, Recording

LINES, TRACES, SAMPLES = 2, 3, 7

_opened: list[tuple[str, int]] = []
_listening = False


def _listen(event: str, arguments: tuple[Any, ...]) -> None:
    if _listening and event == "open":
        _opened.append((str(arguments[0]), int(arguments[2])))


sys.addaudithook(_listen)


def addressed() -> tuple[np.ndarray, list[str]]:
    """Samples whose value is their address: line, trace, sample."""
    line, trace, sample = np.meshgrid(np.arange(LINES), np.arange(TRACES), np.arange(SAMPLES), indexing="ij")
    values = (1000 * (line + 1) + 100 * (trace + 1) + sample + 1).reshape(-1, SAMPLES)
    return values.astype(np.float32), [f"L {k + 1}" for k in range(LINES) for _ in range(TRACES)]


def patched(content: bytes, at: int, kind: str, value: int) -> bytes:
    changed = bytearray(content)
    struct.pack_into(kind, changed, at, value)
    return bytes(changed)


def other_count_text(content: bytes) -> bytes:
    return content.replace(b"# samples = 7", b"# samples = 9")


def no_rows_text(content: bytes) -> bytes:
    return b"\n".join(row for row in content.split(b"\n") if row.startswith((b"#", b"time"))) + b"\n"


def netcdf_length(name: bytes, length: int) -> Callable[[bytes], bytes]:
    """Change a dimension's length: in the classic format it stands behind the padded name."""

    def change(content: bytes) -> bytes:
        at = content.index(struct.pack(">I", len(name)) + name) + 4 + len(name) + (-len(name)) % 4
        return patched(content, at, ">I", length)

    return change


@dataclass(frozen=True)
class Case:
    """How to write a file for a reader, and how to break one."""

    write: Callable[..., None]
    suffix: str
    cut: int
    """Bytes that are cut from the end of a whole file to truncate it."""
    other_count: Callable[[bytes], bytes]
    no_traces: Callable[[bytes], bytes]


CASES = {
    "segy": Case(
        write_segy, ".sgy", 5, lambda c: patched(c, 3600 + 3200 + 114, ">H", SAMPLES + 2), lambda c: c[: 3600 + 3200]
    ),
    "seg2": Case(
        write_seg2, ".sg2", 5,
        lambda c: patched(c, c.index(b"\x22\x44") + 8, "<I", SAMPLES + 2), lambda c: patched(c, 6, "<H", 0),
    ),
    "netcdf": Case(write_netcdf, ".nc", 5, netcdf_length(b"time", SAMPLES + 2), netcdf_length(b"trace", 0)),
    "text": Case(write_text, ".csv", 25, other_count_text, no_rows_text),
    "flat": Case(write_flat, ".bin", 5, lambda c: c + bytes(4), lambda c: b""),
}  # fmt: skip

each = pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)


def whole(folder: Path, reader: Reader, **changes: Any) -> Path:
    amplitude, lines = addressed()
    case = CASES[reader.name]
    path = folder / f"site{case.suffix}"
    arguments: dict[str, Any] = {"interval_ns": 0.41667, "line": lines, **changes}
    case.write(path, arguments.pop("amplitude", amplitude), **arguments)
    return path


def test_every_reader_has_a_case() -> None:
    assert {reader.name for reader in READERS} == set(CASES)
    suffixes = [suffix for reader in READERS for suffix in reader.suffixes]
    assert {suffix for suffix in suffixes if suffixes.count(suffix) > 1} == {".dat"}  # SEG-2 and text both use it
    assert all(CASES[reader.name].suffix in reader.suffixes for reader in READERS)


@each
def test_round_trip_of_addressed_samples(reader: Reader, tmp_path: Path) -> None:
    amplitude, lines = addressed()
    got = read_recording(whole(tmp_path, reader))
    assert isinstance(got, Recording)
    assert got.format == reader.name
    npt.assert_array_equal(got.amplitude, amplitude)
    assert got.amplitude.dtype == np.dtype(np.float32)
    assert got.amplitude.flags.c_contiguous
    assert got.amplitude.flags.writeable
    assert got.interval_ns == 0.41667
    assert got.interval_source
    assert got.line is not None
    assert got.line.tolist() == lines


@each
def test_input_is_opened_read_only_and_left_as_it_was(reader: Reader, tmp_path: Path) -> None:
    global _listening
    path = whole(tmp_path, reader)
    before, stamp = hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns
    for file in tmp_path.iterdir():
        file.chmod(0o444)
    names = sorted(file.name for file in tmp_path.iterdir())
    _opened.clear()
    _listening = True
    try:
        got = read_recording(path)
    finally:
        _listening = False
    mine = [flags for name, flags in _opened if name.startswith(str(tmp_path))]
    assert mine
    assert all(flags & 0b11 == 0 for flags in mine)  # neither O_WRONLY nor O_RDWR
    got.amplitude[:] = 0  # the samples are the caller's own, not a window on the file
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert path.stat().st_mtime_ns == stamp
    assert sorted(file.name for file in tmp_path.iterdir()) == names


@each
def test_truncated_file(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    content = path.read_bytes()
    path.write_bytes(content[: -CASES[reader.name].cut])
    with pytest.raises(FormatError, match=r"byte \d+"):
        read_recording(path)


@each
def test_zero_traces(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    content = CASES[reader.name].no_traces(path.read_bytes())
    if reader.name == "flat":
        (tmp_path / "site.bin.toml").write_text(
            'samples = 7\ndtype = "float32"\nbyte_order = "little"\nheader_bytes = 4\n', encoding="utf-8"
        )
        content = b"HEAD"
    path.write_bytes(content)
    with pytest.raises(FormatError, match=r"no traces"):
        read_recording(path)


@each
def test_sample_count_that_differs_from_the_header(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    path.write_bytes(CASES[reader.name].other_count(path.read_bytes()))
    with pytest.raises(FormatError, match=r"received ") as caught:
        read_recording(path)
    assert caught.value.received
    assert caught.value.do
    assert "site" in str(caught.value.where)


@each
def test_samples_that_are_not_finite_are_kept_and_reported(reader: Reader, tmp_path: Path) -> None:
    amplitude, _ = addressed()
    amplitude[1, 2], amplitude[4, 0] = np.nan, -np.inf
    got = read_recording(whole(tmp_path, reader, amplitude=amplitude))
    npt.assert_array_equal(got.amplitude, amplitude)
    note = next(note for note in got.notes if note.code == "not-finite")
    assert note.grade == "warning"
    assert note.received == "2 samples: trace 2 sample 3, trace 5 sample 1"
    assert note.text.endswith("counted as not recorded")
    assert note.do.endswith("a trace with gaps is replaced by its neighbours")


@each
def test_one_label_alone_tells_no_lines_apart(reader: Reader, tmp_path: Path) -> None:
    assert read_recording(whole(tmp_path, reader, line=["7"] * LINES * TRACES)).line is None


@each
def test_empty_file(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    path.write_bytes(b"")
    with pytest.raises(FormatError, match=r"byte 0: the file is empty"):
        read_recording(path)
    with pytest.raises(FormatError, match="empty"):
        reader.read(path, ReadHints())


@each
def test_missing_file(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    path.unlink()
    for read in (read_recording, lambda p: reader.read(p, ReadHints())):
        with pytest.raises(FormatError, match="file not found.*lines.csv"):
            read(path)


@each
def test_same_file_same_recording(reader: Reader, tmp_path: Path) -> None:
    path = whole(tmp_path, reader)
    one, two = read_recording(path), read_recording(path)
    assert one.amplitude.tobytes() == two.amplitude.tobytes()
    assert one.notes == two.notes


@each
def test_positions_and_delay_survive(reader: Reader, tmp_path: Path) -> None:
    x, y = np.linspace(500_000, 500_005, 6), np.linspace(-2, -1, 6)
    got = read_recording(whole(tmp_path, reader, x=x, y=y, delay_ns=-200.0))
    assert got.x is not None
    assert got.y is not None
    npt.assert_allclose(got.x, x, atol=1e-9)
    npt.assert_allclose(got.y, y, atol=1e-9)
    assert got.coordinates
    assert got.delay_ns == pytest.approx(-200.0)
