"""The choice of a reader by content, and what is said where none fits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yewline.errors import FormatError, SettingsError
from yewline.formats import READERS, read_recording, write_flat, write_netcdf, write_seg2, write_segy, write_text
from yewline.formats.intervals import Statement, choose_interval, unit_ns
from yewline.model import ReadHints

WRITERS = {"segy": write_segy, "seg2": write_seg2, "netcdf": write_netcdf, "text": write_text}


@pytest.mark.parametrize("name", sorted(WRITERS))
@pytest.mark.parametrize("suffix", [".dzz", "", ".sgy", ".csv", ".nc", ".sg2", ".bin"])
def test_content_decides_not_the_suffix(name: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"line{suffix}"
    WRITERS[name](path, np.ones((2, 5)), interval_ns=0.5)
    got = read_recording(path)
    assert got.format == name
    usual = next((reader for reader in READERS if suffix in reader.suffixes), None)
    assert any(note.code == "suffix" for note in got.notes) == (usual is not None and usual.name != name)


def test_a_suffix_of_two_formats(tmp_path: Path) -> None:
    for write in (write_seg2, write_text):
        write(tmp_path / "line.dat", np.ones((2, 5)), interval_ns=0.5)
        assert all(note.code != "suffix" for note in read_recording(tmp_path / "line.dat").notes)
    (tmp_path / "line.dat").write_bytes(bytes(4000))
    with pytest.raises(FormatError, match="no reader knows this file"):
        read_recording(tmp_path / "line.dat")


def test_text_whose_first_remark_is_longer_than_what_is_sniffed(tmp_path: Path) -> None:
    (tmp_path / "line.csv").write_text("# " + "x" * 70_000 + "\ntime_ns,a\n0,1\n0.5,2\n", encoding="utf-8")
    assert read_recording(tmp_path / "line.csv").amplitude.tolist() == [[1.0, 2.0]]


def test_upper_case_suffix(tmp_path: Path) -> None:
    write_segy(tmp_path / "LINE.SGY", np.ones((2, 5)), interval_ns=0.5)
    assert all(note.code != "suffix" for note in read_recording(tmp_path / "LINE.SGY").notes)


def test_a_description_goes_before_all_others(tmp_path: Path) -> None:
    write_flat(tmp_path / "line.csv", np.ones((2, 5)), interval_ns=0.5)
    assert read_recording(tmp_path / "line.csv").format == "flat"
    (tmp_path / "line.csv.toml").write_text("sample = 5\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"unknown key 'sample'.*Did you mean 'samples'"):
        read_recording(tmp_path / "line.csv")


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        (
            "line.dzz",
            bytes(range(1, 40)),
            r"no reader knows this file \(received bytes 01 02 .*Tried described flat binary, SEG-2",
        ),
        ("line.bin", bytes(4000), r"no reader knows this file.*describe them in line.bin.toml"),
        (
            "line.csv",
            b"1,2\n3,\x00\x01\n",
            r"byte 6: not a delimited text file that can be read.*binary bytes \(received 0x00",
        ),
        ("line.csv", b"words\nmore\n", "no numbers found in the text.*tried by content: described flat binary"),
        ("line.sgy", bytes(100), r"byte 100: not a SEG-Y file that can be read.*ends inside the SEG-Y file headers"),
        ("line.sgy", bytes(5000), r"bytes 3225-3226: not a SEG-Y file.*unknown sample format code \(received 0\)"),
        ("line.sg2", b"\x00\x00\x00\x00", r"byte 0: not a SEG-2 file that can be read.*received 0000"),
        ("line.nc", b"CDX\x01junk", "byte 8: not a NetCDF file that can be read"),
    ],
)
def test_files_that_nobody_knows(name: str, content: bytes, message: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FormatError, match=message):
        read_recording(tmp_path / name)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="a folder where a recorded file is expected"):
        read_recording(tmp_path)


def test_hints_reach_the_reader(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("1 2\n3 4\n", encoding="utf-8")
    assert read_recording(tmp_path / "a.txt", ReadHints(interval_ns=0.25)).interval_ns == 0.25


def test_choice_among_statements() -> None:
    assert choose_interval([], where="f", without="nothing") == (None, "nothing", ())
    interval, source, notes = choose_interval(
        [Statement(0.5, "one"), Statement(0.5004, "two"), Statement(0.6, "three", 0.2), Statement(0.6, "four")],
        where="f",
        without="",
    )
    assert (interval, source) == (0.5, "one")
    assert [note.received for note in notes] == ["0.5 ns from one, 0.6 ns from four"]
    with pytest.raises(FormatError, match=r"sample interval from x must be greater than zero \(received nan ns\)"):
        choose_interval([Statement(float("nan"), "x")], where="f", without="")


def test_units_of_time() -> None:
    assert [unit_ns(word) for word in ("ps", " NS", "µs", "Milliseconds", "s", "m")] == [1e-3, 1.0, 1e3, 1e6, 1e9, None]
