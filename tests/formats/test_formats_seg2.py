"""SEG-2 against Pullan 1990 by hand, against ObsPy, and against real recordings."""

from __future__ import annotations

import gzip
import io
import struct
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest

from yewline.errors import FormatError, InputError
from yewline.formats import Seg2Options, read_seg2, write_seg2
from yewline.model import ReadHints, Recording

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

REAL = Path(obspy.__file__).parent / "io" / "seg2" / "tests" / "data"
Save = Callable[[bytes], Path]


def strings_of(texts: list[str], order: str, end: bytes) -> bytes:
    out = b""
    for text in texts:
        raw = text.encode("latin-1") + end
        out += struct.pack(order + "H", len(raw) + 2) + raw
    return out + b"\x00\x00"


def build(
    traces: list[tuple[int, int, bytes]],
    *,
    order: str = "<",
    keys: list[str] | None = None,
    file_keys: list[str] | None = None,
    end: bytes = b"\x00",
    revision: int = 1,
    count: int | None = None,
    pointer_bytes: int | None = None,
    backwards: bool = False,
    data_bytes: int | None = None,
) -> bytes:
    """A SEG-2 file block by block (Pullan 1990); each trace is (format code, sample count, packed samples)."""
    texts = ["SAMPLE_INTERVAL 4.0E-10"] if keys is None else keys
    pointers_size = 4 * len(traces) if pointer_bytes is None else pointer_bytes
    head = struct.pack(order + "4H", 0x3A55, revision, pointers_size, len(traces) if count is None else count)
    head += struct.pack("6B", len(end), *(end + b"\x00")[:2], 1, 10, 0) + bytes(18)
    common = strings_of(file_keys or [], order, end)
    blocks = []
    for code, samples, raw in traces:
        words = strings_of(texts, order, end)
        size = len(raw) if data_bytes is None else data_bytes
        blocks.append(struct.pack(order + "2H2IB19x", 0x4422, 32 + len(words), size, samples, code) + words + raw)
    places, at = [], len(head) + pointers_size + len(common)
    order_in_file = list(reversed(range(len(blocks)))) if backwards else list(range(len(blocks)))
    starts = {}
    for k in order_in_file:
        starts[k] = at
        at += len(blocks[k])
    places = [starts[k] for k in range(len(blocks))]
    table = struct.pack(f"{order}{len(places)}I", *places).ljust(pointers_size, b"\x00")
    return head + table + common + b"".join(blocks[k] for k in order_in_file)


@pytest.fixture
def save(tmp_path: Path) -> Save:
    def keep(content: bytes) -> Path:
        path = tmp_path / "line.sg2"
        path.write_bytes(content)
        return path

    return keep


def codes_of(recording: Recording) -> list[str]:
    return [note.code for note in recording.notes]


def by_obspy(path: Path) -> obspy.Stream:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # ObsPy warns of every SEG-2 file
        return obspy.read(io.BytesIO(path.read_bytes()), format="SEG2")


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("code", "kind", "values"),
    [
        (1, "h", [1, -2, 32767, -32768]), (2, "i", [1, -2, 2**24, -(2**31)]), (4, "f", [1.5, -2.25, 1e-30, 3e38]),
        (5, "d", [1.5, -2.25, 1e-30, 3e38]),
    ],
)  # fmt: skip
def test_plain_formats_by_hand(order: str, code: int, kind: str, values: list[float], save: Save) -> None:
    raw = struct.pack(f"{order}4{kind}", *values)
    path = save(build([(code, 4, raw)] * 2, order=order))
    got = read_seg2(path)
    npt.assert_array_equal(got.amplitude, np.array([values, values], np.float32))
    assert got.amplitude.dtype == np.float32
    assert got.interval_ns == 0.4
    assert got.interval_source == "the key SAMPLE_INTERVAL"
    npt.assert_array_equal(np.array([trace.data for trace in by_obspy(path)]).astype(np.float32), got.amplitude)


@pytest.mark.parametrize("order", ["<", ">"])
def test_twenty_bit_floats_by_hand(order: str, save: Save) -> None:
    # Pullan 1990, data format 3: a word of four 4-bit exponents (first sample lowest), four one's-complement mantissas.
    words = [0xF310, 100, 100, 0xFFFF - 100, 1, 0x0000, 7, 0xFFFF, 0xFFFE, 0x8000]
    raw = struct.pack(f"{order}10H", *words)
    expected = [100.0, 200.0, -800.0, 32768.0, 7.0, 0.0, -1.0, -32767.0]
    path = save(build([(3, 8, raw)], order=order))
    npt.assert_array_equal(read_seg2(path).amplitude, [expected])
    npt.assert_array_equal(by_obspy(path)[0].data, expected)


def test_twenty_bit_floats_not_in_fours(save: Save) -> None:
    # ObsPy refuses a sample count that is no multiple of four although the data block holds the whole group.
    path = save(build([(3, 6, struct.pack("<10H", 0, 1, 2, 3, 4, 0, 5, 6, 0, 0))]))
    got = read_seg2(path)
    npt.assert_array_equal(got.amplitude, [[1, 2, 3, 4, 5, 6]])
    assert "sample-count" in codes_of(got)
    with pytest.raises(Exception, match="divisible by 4"):
        by_obspy(path)


# --- real recordings by others -----------------------------------------------------------------------------------


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
@pytest.mark.parametrize(
    ("name", "scale", "n_trace"), [("20130107_103041000.CET.3c.cont.0", 1e3, 3), ("20180307_031245000.0", 1.0, 1)]
)
def test_real_recordings_sample_by_sample(name: str, scale: float, n_trace: int, tmp_path: Path) -> None:
    # 32-bit integers (mm/s; the text beside it is in µm/s) and 20-bit floats.
    packed = REAL / f"{name}.seg2.gz"
    path = tmp_path / "real.seg2"
    path.write_bytes(gzip.decompress(packed.read_bytes()) if packed.exists() else (REAL / f"{name}.seg2").read_bytes())
    got = read_seg2(path)
    assert len(got.amplitude) == n_trace
    reference = by_obspy(path)
    for k, trace in enumerate(reference):
        keys = trace.stats.seg2
        npt.assert_array_equal(got.amplitude[k], (trace.data * float(keys.DESCALING_FACTOR)).astype(np.float32))
        assert got.headers["descaling_factor"][k] == float(keys.DESCALING_FACTOR)
        assert got.headers["channel_number"][k] == float(keys.CHANNEL_NUMBER)
    assert got.interval_ns == pytest.approx(reference[0].stats.delta * 1e9, rel=1e-12)
    with gzip.open(REAL / f"{name}.DAT.gz") as text:
        printed = np.loadtxt(text, ndmin=2).T
    npt.assert_allclose(got.amplitude * scale, printed, rtol=1e-6, atol=1e-7)


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
def test_real_recording_headers() -> None:
    got = read_seg2(REAL / "20180307_031245000.0.seg2")
    assert got.delay_ns == -10_000_000.0  # DELAY -0.010 s
    assert got.x is not None
    assert got.x.tolist() == [1002.0]  # receiver at 1004, source at 1000, on one axis
    assert got.coordinates == "metres"
    assert got.headers["stack"].tolist() == [8.0]
    assert got.headers["line_id"].tolist() == ["00-00"]
    assert "interval-implausible" in codes_of(got)


# --- legal oddities ----------------------------------------------------------------------------------------------

ONE = (4, 2, struct.pack("<2f", 1.0, 2.0))
TWO = (4, 2, struct.pack("<2f", 3.0, 4.0))


def test_traces_in_any_order_behind_a_roomy_pointer_block(save: Save) -> None:
    got = read_seg2(save(build([ONE, TWO], backwards=True, pointer_bytes=400)))
    assert got.amplitude.tolist() == [[1.0, 2.0], [3.0, 4.0]]


def test_terminators_of_two_bytes_or_none(save: Save) -> None:
    assert read_seg2(save(build([ONE], end=b"\r\n"))).interval_ns == 0.4
    content = bytearray(build([ONE]))
    content[8] = 0  # no terminator named: ObsPy refuses, the offsets still part the strings
    path = save(bytes(content))
    assert read_seg2(path).interval_ns == 0.4
    with pytest.raises(Exception, match="string terminator"):
        by_obspy(path)


def test_keys_in_the_file_block_hold_for_all_traces(save: Save) -> None:
    # ObsPy looks for SAMPLE_INTERVAL in the traces only.
    path = save(build([ONE, TWO], keys=[], file_keys=["sample_interval 5E-10", "UNITS FEET"]))
    assert read_seg2(path).interval_ns == 0.5
    with pytest.raises(KeyError, match="SAMPLE_INTERVAL"):
        by_obspy(path)


def test_interval_missing_or_declared(save: Save) -> None:
    path = save(build([ONE], keys=["CHANNEL_NUMBER 1"]))
    got = read_seg2(path)
    assert got.interval_ns is None
    assert "interval-unknown" in codes_of(got)
    assert read_seg2(path, ReadHints(interval_ns=0.4)).interval_source == "the declared interval_ns"
    clash = read_seg2(save(build([ONE])), ReadHints(interval_ns=0.5))
    assert clash.interval_ns == 0.4
    assert "interval-contradiction" in codes_of(clash)


def test_descaling_differs_between_traces(save: Save) -> None:
    one = build([ONE, TWO], keys=["SAMPLE_INTERVAL 4E-10", "DESCALING_FACTOR 0.5"])
    at = one.rindex(b"DESCALING_FACTOR 0.5") + len(b"DESCALING_FACTOR ")
    got = read_seg2(save(one[:at] + b"2.0" + one[at + 3 :]))
    assert got.amplitude.tolist() == [[0.5, 1.0], [6.0, 8.0]]
    assert next(note for note in got.notes if note.code == "descaling").received == "0.5 to 2"
    bad = read_seg2(save(build([ONE], keys=["SAMPLE_INTERVAL 4E-10", "DESCALING_FACTOR zero"])))
    assert bad.amplitude.tolist() == [[1.0, 2.0]]
    assert [note.grade for note in bad.notes if note.code == "descaling"] == ["warning"]


def test_decimal_comma_and_locations(save: Save) -> None:
    keys = ["SAMPLE_INTERVAL 0,0000000004", "DELAY -1E-9", "RECEIVER_LOCATION 2,0 4,5 0", "SOURCE_LOCATION 1,0 0,5"]
    got = read_seg2(save(build([ONE, TWO], keys=keys, file_keys=["UNITS METERS"])))
    assert got.interval_ns == 0.4
    assert got.delay_ns == -1.0
    assert got.x is not None
    assert got.y is not None
    assert (got.x.tolist(), got.y.tolist()) == ([1.5, 1.5], [2.5, 2.5])
    assert got.coordinates == "metres"
    words = read_seg2(save(build([ONE], keys=["SAMPLE_INTERVAL 4E-10", "RECEIVER_LOCATION here"])))
    assert words.x is None
    assert "coordinates" in codes_of(words)


def test_another_revision_is_reported(save: Save) -> None:
    assert "seg2-revision" in codes_of(read_seg2(save(build([ONE], revision=2))))


def test_many_lines_and_delays(save: Save) -> None:
    content = build([ONE, TWO], keys=["SAMPLE_INTERVAL 4E-10", "LINE_ID A", "DELAY 1E-9"])
    assert read_seg2(save(content)).line is None
    at, late = content.rindex(b"LINE_ID A"), content.rindex(b"DELAY 1E-9")
    changed = bytearray(content)
    changed[at + 8 : at + 9], changed[late + 6 : late + 7] = b"B", b"2"
    got = read_seg2(save(bytes(changed)))
    assert got.line is not None
    assert got.line.tolist() == ["A", "B"]
    assert got.delay_ns == 1.0
    assert "delay-varies" in codes_of(got)


# --- writer ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("byte_order", ["little", "big"])
@pytest.mark.parametrize("code", [1, 2, 4, 5])
def test_writer_is_read_by_obspy(tmp_path: Path, code: int, byte_order: str) -> None:
    path = tmp_path / "a.sg2"
    amplitude = np.arange(15, dtype=np.float32).reshape(3, 5) - 7
    write_seg2(
        path, amplitude, interval_ns=0.41667, x=[1.0, 2.001, 3.0], y=[0.1, 0.2, 0.3], line=["A 1", "A 1", "B"],
        delay_ns=-3.5, options=Seg2Options(code, byte_order, ("first", "second")),
    )  # fmt: skip
    got = read_seg2(path)
    npt.assert_array_equal(got.amplitude, amplitude)
    assert (got.interval_ns, got.delay_ns) == (0.41667, -3.5)
    assert got.x is not None
    assert got.x.tolist() == [1.0, 2.001, 3.0]
    assert got.line is not None
    assert got.line.tolist() == ["A 1", "A 1", "B"]
    reference = by_obspy(path)
    npt.assert_array_equal(np.array([trace.data for trace in reference]), amplitude)
    assert reference[1].stats.seg2.NOTE == ["first", "second"]
    assert reference[1].stats.delta == pytest.approx(0.41667e-9, rel=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"options": Seg2Options(1), "amplitude": [[0.5]]}, "do not survive as integers"),
        ({"options": Seg2Options(2), "amplitude": [[2.0**31]]}, "do not survive as integers"),
        ({"options": Seg2Options(3)}, "sample_format must be 1, 2, 4 or 5"),
        ({"line": ["Grab-Süd"]}, "SEG-2 strings must be ASCII"),
        ({"amplitude": np.zeros((17_000, 1))}, "too many traces"),
    ],
)
def test_writer_refuses(tmp_path: Path, change: dict[str, object], message: str) -> None:
    arguments = {"amplitude": [[1.0]], "interval_ns": 0.5, **change}
    with pytest.raises(InputError, match=message):
        write_seg2(tmp_path / "a.sg2", arguments.pop("amplitude"), **arguments)
    assert list(tmp_path.iterdir()) == []


# --- faults ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"nothing of the kind", r"byte 0: not a SEG-2 file \(received 6e6f\)"),
        (build([ONE])[:20], "byte 20: the file ends inside the file descriptor"),
        (build([ONE])[:33], "byte 33: the file ends inside the trace pointers"),
        (build([ONE])[:60], "byte 60: the file ends inside trace 1"),
        (build([ONE])[:-1], r"byte \d+: the file ends inside trace 1"),
        (build([]), r"no traces \(received 0 traces\)"),
        (build([ONE], count=9), r"trace pointers do not hold as many traces.*received 9 traces, 4 bytes"),
        (
            build([(4, 9, ONE[2])]),
            r"data block cannot hold the samples \(received 9 samples need 36 bytes, the block has 8",
        ),
        (build([(9, 2, ONE[2])]), r"trace 1 \(byte \d+\): unknown sample format code \(received 9\)"),
        (build([ONE]).replace(b"\x22\x44", b"\x22\x45"), "a trace pointer does not lead to a trace"),
        (
            build([ONE, (4, 1, b"1234")]),
            r"sample count differs between traces \(received 1 samples where trace 1 has 2",
        ),
        (build([ONE], keys=["SAMPLE_INTERVAL soon"]), r"trace 1: SAMPLE_INTERVAL is not a number \(received 'soon'\)"),
        (build([ONE], keys=["SAMPLE_INTERVAL 0"]), "must be greater than zero"),
        (build([ONE], keys=["SAMPLE_INTERVAL 1E9999"]), "SAMPLE_INTERVAL is not a number"),
    ],
)
def test_faults(content: bytes, message: str, save: Save) -> None:
    with pytest.raises(FormatError, match=message):
        read_seg2(save(content))


def test_intervals_that_differ(save: Save) -> None:
    content = bytearray(build([ONE, TWO]))
    at = content.rindex(b"4.0E-10")
    content[at : at + 1] = b"5"
    with pytest.raises(FormatError, match=r"trace 2: traces have different sample intervals \(received 0.5 ns"):
        read_seg2(save(bytes(content)))
