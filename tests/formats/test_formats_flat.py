"""Described flat binary files, made by hand."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest

from yewline.errors import FormatError, InputError, SettingsError
from yewline.formats import read_flat, read_recording, write_flat
from yewline.model import ReadHints, Recording


def save(folder: Path, content: bytes, description: str) -> Path:
    path = folder / "line.bin"
    path.write_bytes(content)
    (folder / "line.bin.toml").write_text(description, encoding="utf-8")
    return path


def codes_of(recording: Recording) -> list[str]:
    return [note.code for note in recording.notes]


@pytest.mark.parametrize(("byte_order", "mark"), [("little", "<"), ("big", ">")])
@pytest.mark.parametrize(
    ("dtype", "kind", "values"),
    [
        ("int16", "h", [1, -2, 32767]), ("uint16", "H", [1, 2, 65535]), ("int32", "i", [1, -2, 2**24]),
        ("float32", "f", [1.5, -2.25, 3e38]), ("float64", "d", [1.5, -2.25, 3e38]),
    ],
)  # fmt: skip
def test_every_type_by_hand(
    tmp_path: Path, byte_order: str, mark: str, dtype: str, kind: str, values: list[float]
) -> None:
    records = [struct.pack(f"{mark}i3{kind}", number, *values) for number in (7, 8)]
    content = b"HEAD!" + b"".join(records) + b"tail"
    text = f"""samples = 3
dtype = "{dtype}"
byte_order = "{byte_order}"
interval_ns = 0.4
start_ns = -2.0
header_bytes = 5
trace_header_bytes = 4
trailing_bytes = 4
traces = 2
line_offset = 0
"""
    got = read_flat(save(tmp_path, content, text))
    npt.assert_array_equal(got.amplitude, np.array([values, values], np.float32))
    assert got.amplitude.dtype == np.float32
    assert (got.interval_ns, got.delay_ns) == (0.4, -2.0)
    assert got.interval_source == "interval_ns in line.bin.toml"
    assert got.line is not None
    assert got.line.tolist() == ["7", "8"]


def test_coordinates_and_text_labels_in_trace_headers(tmp_path: Path) -> None:
    record = struct.pack("<8sii2h", b"A 1", 1500, -250, 5, 6) + struct.pack("<8sii2h", b"B", 1600, -250, 5, 6)
    text = """samples = 2
dtype = "int16"
byte_order = "little"
trace_header_bytes = 16
line_offset = 0
line_type = "text8"
x_offset = 8
y_offset = 12
coordinate_type = "int32"
coordinate_scale = 0.001
"""
    got = read_flat(save(tmp_path, record, text))
    assert got.line is not None
    assert got.x is not None
    assert got.y is not None
    assert (got.line.tolist(), got.x.tolist(), got.y.tolist()) == (["A 1", "B"], [1.5, 1.6], [-0.25, -0.25])
    assert got.interval_ns is None
    assert "interval-unknown" in codes_of(got)


@pytest.mark.parametrize(("dtype", "kind"), [("int16", "<h"), ("int32", "<i"), ("float64", "<d")])
def test_scale_multiplies_every_sample(tmp_path: Path, dtype: str, kind: str) -> None:
    text = f'samples = 3\ndtype = "{dtype}"\nbyte_order = "little"\nscale = 0.001\n'
    got = read_flat(save(tmp_path, np.array([[1, -250, 32000]] * 2).astype(kind).tobytes(), text))
    npt.assert_array_equal(got.amplitude, np.array([[0.001, -0.25, 32.0]] * 2, np.float32))
    assert got.amplitude.dtype == np.float32
    assert got.amplitude.flags.c_contiguous


def test_an_unknown_key_names_the_description(tmp_path: Path) -> None:
    path = save(tmp_path, bytes(8), GOOD + "sclae = 2\n")
    with pytest.raises(SettingsError, match=r"Did you mean 'scale'") as caught:
        read_recording(path)
    assert caught.value.where == str(tmp_path / "line.bin.toml")


def test_interval_from_the_hints(tmp_path: Path) -> None:
    text = 'samples = 2\ndtype = "int16"\nbyte_order = "little"\n'
    path = save(tmp_path, bytes(4), text)
    assert read_flat(path, ReadHints(interval_ns=0.5)).interval_source == "the declared interval_ns"
    path = save(tmp_path, bytes(4), text + "interval_ns = 0.4\n")
    got = read_flat(path, ReadHints(interval_ns=0.5))
    assert got.interval_ns == 0.4
    assert "interval-contradiction" in codes_of(got)


@pytest.mark.parametrize(("dtype", "kind"), [("int16", "i2"), ("uint16", "u2"), ("float32", "f4"), ("float64", "f8")])
def test_wrong_byte_order_is_noticed_and_the_right_one_is_not(tmp_path: Path, dtype: str, kind: str) -> None:
    # A decaying wave with a little noise: what a radar trace looks like at any number type.
    rng = np.random.default_rng(11)
    time = np.arange(200)
    wave = 6000 * np.sin(time / 7.0) * np.exp(-time / 90.0) + rng.normal(scale=30, size=(20, 200))
    stored = (wave + (32768 if dtype == "uint16" else 0)).astype(">" + kind)
    text = f'samples = 200\ndtype = "{dtype}"\nbyte_order = "big"\ninterval_ns = 0.4\n'
    assert "byte-order-doubtful" not in codes_of(read_flat(save(tmp_path, stored.tobytes(), text)))
    path = save(tmp_path, stored.tobytes(), text.replace("big", "little"))
    if kind.startswith("f"):
        # Floats become so wild that nothing can be made of them; whole numbers only become rough.
        with pytest.raises(
            FormatError, match=r"line\.bin: .*wrong byte order, or another sample format. .received half"
        ):
            read_flat(path)
    else:
        assert "byte-order-doubtful" in codes_of(read_flat(path))


def test_noise_alone_is_not_called_swapped(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    for kind, dtype in (("<i2", "int16"), ("<f4", "float32")):
        stored = (rng.normal(size=(20, 200)) * 500).astype(kind)
        text = f'samples = 200\ndtype = "{dtype}"\nbyte_order = "little"\ninterval_ns = 0.4\n'
        assert "byte-order-doubtful" not in codes_of(read_flat(save(tmp_path, stored.tobytes(), text)))


@pytest.mark.parametrize("dtype", ["int16", "int32", "float32", "float64"])
@pytest.mark.parametrize("byte_order", ["little", "big"])
def test_writer(tmp_path: Path, dtype: str, byte_order: str) -> None:
    amplitude = np.arange(12, dtype=np.float32).reshape(3, 4) - 6
    write_flat(
        tmp_path / "a.bin", amplitude, interval_ns=0.41667, x=[0.0, 0.1, 0.2], y=[5.0, 5.0, 5.0],
        line=["A 1", "A 1", "B"], delay_ns=-1.5, dtype=dtype, byte_order=byte_order,
    )  # fmt: skip
    got = read_flat(tmp_path / "a.bin")
    npt.assert_array_equal(got.amplitude, amplitude)
    assert (got.interval_ns, got.delay_ns, got.coordinates) == (0.41667, -1.5, "metres")
    assert got.x is not None
    assert got.line is not None
    assert (got.x.tolist(), got.line.tolist()) == ([0.0, 0.1, 0.2], ["A 1", "A 1", "B"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"dtype": "int8"}, "unknown number type or byte order"),
        ({"dtype": "int16", "amplitude": [[0.5]]}, "samples do not survive as integers"),
        ({"dtype": "uint16", "amplitude": [[-1.0]]}, "samples do not survive as integers"),
        ({"dtype": "int16", "amplitude": [[np.nan]]}, "samples do not survive as integers"),
        ({"line": ["x" * 17]}, "line labels must be 1 to 16 ASCII characters"),
    ],
)
def test_writer_refuses(tmp_path: Path, change: dict[str, object], message: str) -> None:
    arguments = {"amplitude": [[1.0]], "interval_ns": 0.5, **change}
    with pytest.raises(InputError, match=message):
        write_flat(tmp_path / "a.bin", arguments.pop("amplitude"), **arguments)


GOOD = 'samples = 2\ndtype = "int16"\nbyte_order = "little"\n'


@pytest.mark.parametrize(
    ("content", "text", "message"),
    [
        (
            bytes(7),
            GOOD,
            r"byte 7: the file ends inside trace 2, or its sample count differs.*1 whole traces of 4 bytes, then 3",
        ),
        (bytes(7), GOOD + "header_bytes = 9\n", "the file ends inside its header"),
        (bytes(9), GOOD + "header_bytes = 9\n", r"byte 9: no traces \(received 0 traces\)"),
        (
            bytes(8),
            GOOD + "traces = 3\n",
            "trace count differs from the description .received 2 traces where .* says 3",
        ),
    ],
)
def test_faults(tmp_path: Path, content: bytes, text: str, message: str) -> None:
    with pytest.raises(FormatError, match=message):
        read_flat(save(tmp_path, content, text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD.replace("samples", "sampels"), "unknown key 'sampels'.*Did you mean 'samples'"),
        ('samples = 2\ndtype = "int16"\n', "missing key 'byte_order'"),
        (GOOD.replace("int16", "int17"), "'dtype' cannot be used"),
        (GOOD + "line_offset = 2\n", "line_offset lies outside the trace header of 0 bytes"),
        (GOOD + "trace_header_bytes = 8\nx_offset = 0\n", "x_offset and y_offset must be given together"),
        (GOOD + "interval_ns = 0\n", "'interval_ns' cannot be used"),
        (GOOD + "scale = 0\n", "scale must not be zero"),
        (GOOD + "scale = nan\n", "'scale' cannot be used"),
        ("samples = \n", "not valid TOML"),
    ],
)
def test_descriptions_that_cannot_be_used(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        read_flat(save(tmp_path, bytes(8), text))
