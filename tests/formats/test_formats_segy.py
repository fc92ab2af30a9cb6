"""SEG-Y against the standard by hand, against segyio and ObsPy, and against real recordings."""

from __future__ import annotations

import struct
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest
import segyio

from yewline.errors import FormatError, InputError
from yewline.formats import SegyOptions, read_segy, write_segy
from yewline.formats.segy_coordinates import dms_to_degrees
from yewline.formats.segy_samples import TraceBlock, convert_ibm, convert_ibm_numpy, convert_samples
from yewline.formats.segy_stream import stream_ibm
from yewline.model import ReadHints, Recording

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

REAL = Path(obspy.__file__).parent / "io" / "segy" / "tests" / "data"

# Byte positions (from 1) and types: SEG-Y rev 2.0 (2017), tables 2 and 3.
BINARY = {
    "interval": (3217, "H"), "samples": (3221, "H"), "code": (3225, "h"), "system": (3255, "h"),
    "ext_samples": (3269, "I"), "ext_interval": (3273, "d"), "constant": (3297, "I"), "major": (3501, "B"),
    "minor": (3502, "B"), "fixed": (3503, "h"), "text_headers": (3505, "h"), "extra_headers": (3507, "i"),
    "n_trace": (3513, "Q"), "first_trace": (3521, "Q"), "trailers": (3529, "i"),
}  # fmt: skip
TRACE = {
    "field_record": (9, "i"), "elevation": (41, "i"), "elevation_scalar": (69, "h"), "scalar": (71, "h"),
    "source_x": (73, "i"), "source_y": (77, "i"), "group_x": (81, "i"), "group_y": (85, "i"), "units": (89, "h"),
    "delay": (109, "h"), "n": (115, "H"), "dt": (117, "H"), "cdp_x": (181, "i"), "cdp_y": (185, "i"),
    "inline": (189, "i"),
}  # fmt: skip


def build(
    traces: list[bytes],
    *,
    order: str = ">",
    text: str = "",
    encoding: str = "cp037",
    extended: bytes = b"",
    heads: list[dict[str, int]] | None = None,
    extra: bytes = b"",
    **binary: float,
) -> bytes:
    """A SEG-Y file made field by field; `traces` are packed samples."""
    head = bytearray(text.ljust(3200).encode(encoding)[:3200] + bytes(400))
    for name, value in {"samples": 0, "code": 5, **binary}.items():
        byte, kind = BINARY[name]
        struct.pack_into(order + kind, head, byte - 1, value)
    body = b""
    for k, samples in enumerate(traces):
        trace = bytearray(240)
        for name, value in (heads[k] if heads else {}).items():
            byte, kind = TRACE[name]
            struct.pack_into(order + kind, trace, byte - 1, value)
        body += bytes(trace) + extra + samples
    return bytes(head) + extended + body


@pytest.fixture
def save(tmp_path: Path) -> Callable[[bytes], Path]:
    def keep(content: bytes) -> Path:
        path = tmp_path / "line.sgy"
        path.write_bytes(content)
        return path

    return keep


def codes_of(recording: Recording) -> list[str]:
    return [note.code for note in recording.notes]


def floats(*values: float, order: str = ">") -> bytes:
    return struct.pack(f"{order}{len(values)}f", *values)


# --- the number formats -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bits", "value"),
    [
        # IBM System/360 hexadecimal floating point, as SEG-Y rev 2.0 (2017) describes format 1. The pattern of
        # -118.625 is the worked example that text books use; the others follow from the definition.
        (0x41100000, 1.0), (0xC276A000, -118.625), (0x42640000, 100.0), (0x00000000, 0.0), (0x40800000, 0.5),
        (0x4019999A, 0x19999A / 0x1000000), (0x41010000, 0.0625), (0x46FFFFFF, 16777215.0),
    ],
)  # fmt: skip
def test_ibm_bit_patterns(bits: int, value: float, save: Callable[[bytes], Path]) -> None:
    raw = struct.pack(">2I", bits, bits)
    assert read_segy(save(build([raw], samples=2, code=1))).amplitude.tolist() == [[value, value]]


def test_ibm_kernel_equals_its_plain_twin_bit_by_bit() -> None:
    rng = np.random.default_rng(5)
    words = rng.integers(0, 2**32, size=(40, 700), dtype=np.uint32)
    words[0, :256] = np.arange(256, dtype=np.uint32) << np.uint32(24) | np.uint32(0x00FFFFFF)
    words[1, :256] = np.arange(256, dtype=np.uint32) << np.uint32(24) | np.uint32(1)
    plain = convert_ibm_numpy(words)
    for swap in (False, True):
        stored = words.byteswap() if swap else words
        out = np.empty(words.shape, np.float32)
        convert_ibm(stored.ravel(), 0, words.shape[1], swap, out)
        npt.assert_array_equal(out.view(np.uint32), plain.view(np.uint32))


def test_ibm_against_the_definition_in_whole_numbers() -> None:
    # value = (-1)^sign * fraction / 16^6 * 16^(exponent - 64), in exact arithmetic of Python's integers.
    rng = np.random.default_rng(6)
    words = rng.integers(0, 2**32, size=300, dtype=np.uint32)
    words = (words & np.uint32(0x80FFFFFF)) | (rng.integers(45, 90, size=300).astype(np.uint32) << np.uint32(24))
    for word, value in zip(words.tolist(), convert_ibm_numpy(words).tolist(), strict=True):
        fraction, exponent = word & 0xFFFFFF, (word >> 24 & 0x7F) - 64 - 6
        exact = (-1 if word >> 31 else 1) * (fraction * 16**exponent if exponent >= 0 else fraction / 16**-exponent)
        assert value == exact


@pytest.mark.parametrize("order", [">", "<"])
@pytest.mark.parametrize(("n_trace", "n_sample"), [(45, 500), (2100, 500), (3, 300_000)])
def test_large_files_are_streamed_to_the_same_samples(tmp_path: Path, order: str, n_trace: int, n_sample: int) -> None:
    # Pieces, threads, and a trace longer than a piece; the last number of samples needs revision 2.
    rng = np.random.default_rng(7)
    words = rng.integers(0x3F000000, 0x43000000, size=(n_trace, n_sample), dtype=np.uint32)
    content = build(
        [row.astype(order + "u4").tobytes() for row in words], order=order, ext_samples=n_sample, code=1, major=2,
        constant=0x01020304, first_trace=3601, extended=b"x",
        heads=[{"field_record": k, "group_x": 5 * k} for k in range(n_trace)],
    )  # fmt: skip
    (tmp_path / "a.sgy").write_bytes(content)
    got = read_segy(tmp_path / "a.sgy")
    npt.assert_array_equal(got.amplitude, convert_ibm_numpy(words))
    npt.assert_array_equal(got.headers["field_record"], np.arange(n_trace))
    npt.assert_array_equal(got.headers["group_x"], 5 * np.arange(n_trace))


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.sgy").write_bytes(bytes(100))
    with pytest.raises(FormatError, match="became shorter while it was read"):
        stream_ibm(tmp_path / "a.sgy", TraceBlock(240, 248, 2, 2), header_bytes=240, kept_bytes=240, big_endian=True)


@pytest.mark.parametrize(("bits", "finite"), [(0x60FFFFFF, True), (0x61100000, False), (0xE1100000, False)])
def test_ibm_floats_beyond_float32_are_found_by_the_kernel(
    bits: int, finite: bool, save: Callable[[bytes], Path]
) -> None:
    # 0x60FFFFFF is (1 - 2^-24) * 16^32, exactly the largest float32; 0x61100000 is 16^32 itself.
    words = np.full((30, 1000), 0x41100000, np.uint32)
    words[17, 400] = bits
    got = read_segy(save(build([row.astype(">u4").tobytes() for row in words], samples=1000, code=1)))
    assert np.isfinite(got.amplitude[17, 400]) == finite
    assert ("not-finite" not in codes_of(got)) == finite
    if finite:
        assert got.amplitude[17, 400] == np.finfo(np.float32).max


@pytest.mark.parametrize("order", [">", "<"])
@pytest.mark.parametrize(
    ("code", "kind", "values"),
    [
        (2, "i", [1, -2, 2**24, -(2**31)]), (3, "h", [1, -2, 32767, -32768]), (5, "f", [1.5, -2.25, 1e-30, 3e38]),
        (6, "d", [1.5, -2.25, 1e-30, 3e38]), (8, "b", [1, -2, 127, -128]), (9, "q", [1, -2, 2**24, -(2**63)]),
        (10, "I", [1, 2, 2**24, 2**32 - 1]), (11, "H", [1, 2, 65535, 0]), (12, "Q", [1, 2, 2**24, 2**64 - 1]),
        (16, "B", [1, 2, 255, 0]),
    ],
)  # fmt: skip
def test_every_sample_format_by_hand(
    order: str, code: int, kind: str, values: list[float], save: Callable[[bytes], Path]
) -> None:
    # Codes: SEG-Y rev 2.0 (2017), table 2, bytes 3225-3226. ObsPy knows none beyond 5 and 8, so these are by hand.
    raw = struct.pack(f"{order}4{kind}", *values)
    got = read_segy(save(build([raw, raw], order=order, samples=4, code=code)))
    npt.assert_array_equal(got.amplitude, np.array([values, values], np.float32))
    assert got.amplitude.dtype == np.float32
    assert got.amplitude.flags.c_contiguous
    assert ("byte-order" in codes_of(got)) == (order == "<")


@pytest.mark.parametrize("order", [">", "<"])
@pytest.mark.parametrize(("code", "values"), [(7, [1, -2, 2**23 - 1, -(2**23)]), (15, [1, 2, 2**24 - 1, 0])])
def test_three_byte_integers(order: str, code: int, values: list[int], save: Callable[[bytes], Path]) -> None:
    side = "big" if order == ">" else "little"
    raw = b"".join(value.to_bytes(3, side, signed=code == 7) for value in values)
    got = read_segy(save(build([raw, raw], order=order, samples=4, code=code)))
    npt.assert_array_equal(got.amplitude, np.array([values, values], np.float32))


def test_integers_beyond_float32_are_reported(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(build([struct.pack(">2i", 2**30 + 1, 0)], samples=2, code=2)))
    assert "rounded" in codes_of(got)


def test_a_double_beyond_float32_becomes_infinite_and_is_reported(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(build([struct.pack(">2d", 1e300, 0.0)], samples=2, code=6)))
    assert np.isinf(got.amplitude[0, 0])
    assert "not-finite" in codes_of(got)


# --- real recordings by others -----------------------------------------------------------------------------------

REAL_FILES = sorted(path.stem if path.suffix == ".npy" else path.name for path in REAL.glob("*.npy"))


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
@pytest.mark.parametrize("name", REAL_FILES)
def test_real_recordings_sample_by_sample(name: str) -> None:
    path = REAL / name
    got = read_segy(path, ReadHints(interval_unit="us"))
    reference = obspy.read(str(path), format="SEGY", unpack_trace_headers=True)
    assert len(reference) == len(got.amplitude)
    for k, trace in enumerate(reference):
        npt.assert_array_equal(got.amplitude[k], trace.data.astype(np.float32))
        head = trace.stats.segy.trace_header
        assert got.headers["field_record"][k] == head.original_field_record_number
        assert got.headers["source_x"][k] == head.source_coordinate_x
        assert got.headers["source_y"][k] == head.source_coordinate_y
        assert got.headers["group_x"][k] == head.group_coordinate_x
        assert got.headers["group_y"][k] == head.group_coordinate_y
        assert got.headers["coordinate_scalar"][k] == head.scalar_to_be_applied_to_all_coordinates
        assert got.delay_ns == head.delay_recording_time * 1e6
    assert got.interval_ns == pytest.approx(reference[0].stats.delta * 1e9, rel=1e-12)
    assert got.interval_source.startswith("the integer field in microseconds")


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
@pytest.mark.parametrize("name", REAL_FILES)
def test_real_recordings_against_the_arrays_and_segyio(name: str) -> None:
    path = REAL / name
    got = read_segy(path)
    npt.assert_array_equal(got.amplitude, np.load(REAL / f"{name}.npy").astype(np.float32))
    assert got.interval_ns is None  # nobody has said what the integer field counts
    assert "interval-unknown" in codes_of(got)
    endian = "little" if "byte-order" in codes_of(got) else "big"
    with segyio.open(str(path), ignore_geometry=True, endian=endian) as file:
        theirs = file.trace.raw[:].astype(np.float32)
        same = np.ones(theirs.shape, bool)
        if file.bin[segyio.BinField.Format] == 1:
            # segyio 1.9 misreads IBM floats whose first hexadecimal digit is zero, which the format allows; ObsPy
            # and the definition agree on them (the next test).
            words = np.frombuffer(path.read_bytes()[3840:], "<u4" if endian == "little" else ">u4")
            fraction = words.reshape(theirs.shape) & 0xFFFFFF
            same = (fraction >= 0x100000) | (fraction == 0)
        npt.assert_array_equal(got.amplitude[same], theirs[same])
        assert same.mean() > 0.9
        assert got.headers["inline"][0] == file.header[0][segyio.TraceField.INLINE_3D]


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
def test_unnormalised_ibm_floats_of_a_real_recording_by_definition() -> None:
    path = REAL / "00001034.sgy_first_trace"
    words = np.frombuffer(path.read_bytes()[3840:], "<u4").astype(np.int64)
    fraction, exponent = words & 0xFFFFFF, (words >> 24 & 0x7F) - 64
    exact = np.where(words >> 31, -1.0, 1.0) * fraction / 2.0**24 * 16.0**exponent
    assert np.count_nonzero((fraction > 0) & (fraction < 0x100000)) == 178
    npt.assert_array_equal(read_segy(path).amplitude[0], exact.astype(np.float32))


@pytest.mark.skipif(not REAL.is_dir(), reason="this ObsPy was installed without its test recordings")
def test_oddities_of_real_recordings_are_reported() -> None:
    # A scalar of 82, which the standard does not allow; numbers left in bytes that revision 0 does not define.
    odd = read_segy(REAL / "ld0042_file_00018.sgy_first_trace")
    assert "coordinate-scalar" in codes_of(odd)
    assert odd.x is not None
    assert odd.x.tolist() == [(501351 + 501325) / 2]
    scaled = read_segy(REAL / "example.y_first_trace")
    assert scaled.x is not None
    assert scaled.x.tolist() == [54321.0]
    assert scaled.coordinates == "metres"
    no_revision = read_segy(REAL / "one_trace_year_11.sgy")
    assert "segy-revision" in codes_of(no_revision)


# --- files made by segyio ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize("code", [1, 5])
@pytest.mark.parametrize("ext_headers", [0, 2])
def test_files_made_by_segyio_alone(tmp_path: Path, endian: str, code: int, ext_headers: int) -> None:
    path = tmp_path / "made.sgy"
    amplitude = (np.arange(5 * 7, dtype=np.float32).reshape(5, 7) - 11) / 8
    spec = segyio.spec()
    spec.format, spec.endian, spec.ext_headers = code, endian, ext_headers
    spec.samples, spec.tracecount = np.arange(7), 5
    with segyio.create(str(path), spec) as file:
        for k in range(5):
            file.header[k] = {
                segyio.TraceField.TRACE_SAMPLE_COUNT: 7,
                segyio.TraceField.TRACE_SAMPLE_INTERVAL: 400,
                segyio.TraceField.SourceGroupScalar: -100,
                segyio.TraceField.GroupX: 1000 + 5 * k,
                segyio.TraceField.GroupY: -250,
            }
        file.bin.update(hdt=400)
        file.trace.raw[:] = amplitude.copy()
    got = read_segy(path, ReadHints(interval_unit="ps"))
    npt.assert_array_equal(got.amplitude, amplitude)
    assert got.interval_ns == pytest.approx(0.4)
    assert got.x is not None
    assert got.y is not None
    npt.assert_allclose(got.x, 10.0 + 0.05 * np.arange(5))
    npt.assert_allclose(got.y, -2.5)
    assert ("extended-text-headers" in codes_of(got)) == (ext_headers > 0)


# --- where the traces lie ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["cp037", "ascii"])
def test_extended_text_headers_counted_and_open_ended(encoding: str, save: Callable[[bytes], Path]) -> None:
    records = ["some text", "more", "((SEG: EndText))"]
    extended = b"".join(record.ljust(3200).encode(encoding) for record in records)
    for count in (3, -1):
        content = build(
            [floats(1, 2)], samples=2, major=1, text_headers=count, fixed=1, extended=extended, encoding=encoding
        )
        assert read_segy(save(content)).amplitude.tolist() == [[1.0, 2.0]]


def test_extended_text_headers_without_end(save: Callable[[bytes], Path]) -> None:
    content = build([floats(1, 2)], samples=2, major=1, text_headers=-1, extended=b" " * 3200)
    with pytest.raises(FormatError, match=r"byte \d+: the extended text headers do not end"):
        read_segy(save(content))


def test_negative_count_of_text_headers(save: Callable[[bytes], Path]) -> None:
    with pytest.raises(FormatError, match=r"negative count of extended text headers \(received -3\)"):
        read_segy(save(build([floats(1, 2)], samples=2, major=1, text_headers=-3)))


def test_revision_2_extras(save: Callable[[bytes], Path]) -> None:
    # First trace behind a gap, one extra 240-byte header a trace, a trailer record, the exact interval.
    content = build(
        [floats(1, 2), floats(3, 4)], samples=9, ext_samples=2, ext_interval=0.00041667, major=2, fixed=1,
        extra_headers=1, extra=bytes(240), n_trace=2, first_trace=3616, trailers=1, extended=bytes(16), interval=1,
        constant=0x01020304,
    ) + b" " * 3200  # fmt: skip
    got = read_segy(save(content))
    assert got.amplitude.tolist() == [[1.0, 2.0], [3.0, 4.0]]
    assert got.interval_ns == pytest.approx(0.41667, rel=1e-12)
    assert got.interval_source == "the revision-2 field in microseconds (bytes 3273-3280)"


def test_revision_2_1_has_a_shorter_field_for_extra_headers(save: Callable[[bytes], Path]) -> None:
    content = bytearray(build([floats(1, 2)], samples=2, major=2, minor=1, fixed=1))
    struct.pack_into(">hh", content, 3506, 0, 3)  # survey type 3 in bytes 3509-3510 (SEG-Y rev 2.1, 2023)
    assert read_segy(save(bytes(content))).amplitude.tolist() == [[1.0, 2.0]]


def test_trailers_of_unknown_number(save: Callable[[bytes], Path]) -> None:
    content = build([floats(1, 2)], samples=2, major=2, n_trace=1, trailers=-1) + b" " * 6400
    assert read_segy(save(content)).amplitude.tolist() == [[1.0, 2.0]]
    content = build([floats(1, 2)], samples=2, major=2, trailers=-1) + b" " * 6400
    with pytest.raises(FormatError, match="unknown number of trailer records"):
        read_segy(save(content))


def test_bytes_behind_the_last_trace_are_reported(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(build([floats(1, 2)], samples=2, major=2, n_trace=1) + b"abc"))
    assert "trailing-bytes" in codes_of(got)


def test_fewer_traces_than_the_header_counts(save: Callable[[bytes], Path]) -> None:
    with pytest.raises(FormatError, match=r"ends inside trace 2.*1 whole traces of 3 in the binary header"):
        read_segy(save(build([floats(1, 2)], samples=2, major=2, n_trace=3)))


def test_misaligned_first_trace_of_ibm_floats(save: Callable[[bytes], Path]) -> None:
    raw = struct.pack(">2I", 0x42640000, 0xC276A000)
    content = build([raw], samples=2, code=1, major=2, first_trace=3601, extended=b"x")
    assert read_segy(save(content)).amplitude.tolist() == [[100.0, -118.625]]


def test_sample_count_from_trace_headers_alone(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(build([floats(1, 2)], heads=[{"n": 2}])))
    assert got.amplitude.shape == (1, 2)
    assert "sample-count" in codes_of(got)
    with pytest.raises(FormatError, match="no header gives the number of samples"):
        read_segy(save(build([floats(1, 2)])))


def test_varying_length_is_legal_but_no_radargram(save: Callable[[bytes], Path]) -> None:
    # SEG-Y rev 1 (2002): with a zero in bytes 3503-3504 the trace headers' counts rule.
    same = build([floats(1, 2)] * 2, samples=5, major=1, fixed=0, heads=[{"n": 2}] * 2)
    got = read_segy(save(same))
    assert got.amplitude.shape == (2, 2)
    assert "sample-count" in codes_of(got)
    mixed = build([floats(1, 2), floats(1, 2, 3)], samples=2, major=1, fixed=0, heads=[{"n": 2}, {"n": 3}])
    with pytest.raises(FormatError, match=r"trace 2 \(byte 3963\): traces of different length.*received 3 samples"):
        read_segy(save(mixed))


# --- byte order --------------------------------------------------------------------------------------------------


def test_byte_order_constant(save: Callable[[bytes], Path]) -> None:
    content = build([floats(1, 2, order="<")], order="<", samples=2, major=2, constant=0x01020304)
    got = read_segy(save(content))
    assert got.amplitude.tolist() == [[1.0, 2.0]]
    assert [note.grade for note in got.notes if note.code == "byte-order"] == ["found"]


def test_byte_order_constant_that_contradicts(save: Callable[[bytes], Path]) -> None:
    content = bytearray(build([floats(1, 2, order="<")], order="<", samples=2, major=2))
    struct.pack_into(">I", content, 3296, 0x01020304)
    with pytest.raises(FormatError, match=r"bytes 3297-3300.*wrong byte order.*received constant 01020304"):
        read_segy(save(bytes(content)))
    struct.pack_into(">I", content, 3296, 0x02010403)
    with pytest.raises(FormatError, match="swapped in pairs"):
        read_segy(save(bytes(content)))


def test_little_endian_revision_1_word(save: Callable[[bytes], Path]) -> None:
    # The revision is the 16-bit word 0x0100 in revision 1; swapped, its bytes are 0 and 1.
    content = build([floats(1, 2, order="<")], order="<", samples=2, major=0, minor=1, fixed=1)
    assert "revision 1.0" in read_segy(save(content)).notes[0].text


# --- the sample interval -----------------------------------------------------------------------------------------


def two_samples(**binary: float) -> bytes:
    text = str(binary.pop("text", ""))
    return build([floats(1, 2)], samples=2, text=text, **binary)


def test_interval_is_never_guessed(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(two_samples(interval=417)))
    assert got.interval_ns is None
    assert got.interval_source == "integer field 417 without a declared unit"
    fault = next(note for note in got.notes if note.code == "interval-unknown")
    assert fault.grade == "fault"
    assert "visit.toml" in fault.do


@pytest.mark.parametrize(
    ("hints", "text", "expected", "source"),
    [
        (ReadHints(interval_unit="ps"), "", 0.417, "declared interval_unit"),
        (ReadHints(interval_unit="us"), "", 417_000.0, "microseconds (declared)"),
        (ReadHints(), "C 3 SAMPLE INTERVAL UNIT: PICOSECONDS", 0.417, "declared in the text header"),
        (ReadHints(), "C 3 Sample interval unit = ps", 0.417, "declared in the text header"),
        (ReadHints(), "C 3 SAMPLE INTERVAL: 0.41667 NS", 0.41667, "the value declared in the text header"),
        (ReadHints(), "C 3 SAMPLE INTERVAL: 416.67 PS", 0.41667, "the value declared in the text header"),
        (ReadHints(interval_ns=0.41667), "", 0.41667, "the declared interval_ns"),
    ],
)
def test_interval_sources(
    hints: ReadHints, text: str, expected: float, source: str, save: Callable[[bytes], Path]
) -> None:
    got = read_segy(save(build([floats(1, 2)], samples=2, interval=417, text=text)), hints)
    assert got.interval_ns == pytest.approx(expected, rel=1e-12)
    assert source in got.interval_source
    assert "interval-contradiction" not in codes_of(got)


def test_rounding_to_picoseconds_is_no_contradiction_but_more_is(save: Callable[[bytes], Path]) -> None:
    text = "SAMPLE INTERVAL UNIT: PICOSECONDS"
    near = read_segy(save(build([floats(1, 2)], samples=2, interval=417, text=text)), ReadHints(interval_ns=0.41667))
    assert "interval-contradiction" not in codes_of(near)
    far = read_segy(save(build([floats(1, 2)], samples=2, interval=417, text=text)), ReadHints(interval_ns=0.5))
    assert far.interval_ns == 0.5
    note = next(note for note in far.notes if note.code == "interval-contradiction")
    assert note.received.startswith("0.5 ns from the declared interval_ns, 0.417 ns")


def test_declared_unit_against_the_text_header(save: Callable[[bytes], Path]) -> None:
    text = "SAMPLE INTERVAL UNIT: MICROSECONDS"
    got = read_segy(save(build([floats(1, 2)], samples=2, interval=417, text=text)), ReadHints(interval_unit="ps"))
    assert got.interval_ns == pytest.approx(0.417)
    assert "interval-contradiction" in codes_of(got)


def test_interval_beyond_int16_is_unsigned(save: Callable[[bytes], Path]) -> None:
    # Bytes 3217-3218 are unsigned since revision 2; read as signed, 40000 would come out as -25536.
    got = read_segy(save(two_samples(interval=40_000)), ReadHints(interval_unit="ps"))
    assert got.interval_ns == pytest.approx(40.0)


def test_interval_that_differs_between_headers(save: Callable[[bytes], Path]) -> None:
    content = build([floats(1, 2)], samples=2, interval=400, heads=[{"dt": 500}])
    assert "interval-differs" in codes_of(read_segy(save(content)))
    content = build([floats(1, 2)], samples=2, interval=0, heads=[{"dt": 500}])
    assert read_segy(save(content), ReadHints(interval_unit="ps")).interval_ns == pytest.approx(0.5)


def test_extended_interval_that_is_negative(save: Callable[[bytes], Path]) -> None:
    with pytest.raises(FormatError, match="revision-2 field.* must be greater than zero"):
        read_segy(save(two_samples(major=2, ext_interval=-1.0)))


def test_interval_not_of_radar_is_reported(save: Callable[[bytes], Path]) -> None:
    assert "interval-implausible" in codes_of(
        read_segy(save(two_samples(interval=2000)), ReadHints(interval_unit="us"))
    )


# --- delay, coordinates, lines -----------------------------------------------------------------------------------


def test_delay_follows_what_the_file_counts(save: Callable[[bytes], Path]) -> None:
    content = build([floats(1, 2)] * 2, samples=2, interval=400, heads=[{"delay": -10}, {"delay": -11}])
    in_ns = read_segy(save(content), ReadHints(interval_unit="ps"))
    assert in_ns.delay_ns == -10.0
    assert "delay-varies" in codes_of(in_ns)
    assert read_segy(save(content), ReadHints(interval_unit="us")).delay_ns == -10e6
    unknown = read_segy(save(content), ReadHints(interval_ns=0.4))
    assert unknown.delay_ns == 0.0
    assert [note.grade for note in unknown.notes if note.code == "delay"] == ["warning"]


@pytest.mark.parametrize(
    ("scalar", "units", "system", "x", "words"),
    [
        (-100, 1, 1, 12.34, "metres"), (0, 1, 2, 1234.0, "feet"), (10, 0, 0, 12340.0, "length, as in the file"),
        (-1, 2, 1, 1234 / 3600, "degrees"), (-100, 3, 1, 12.34, "degrees"),
    ],
)  # fmt: skip
def test_coordinate_scalar_and_units(
    scalar: int, units: int, system: int, x: float, words: str, save: Callable[[bytes], Path]
) -> None:
    head = {"scalar": scalar, "units": units, "group_x": 1234, "group_y": 1}
    got = read_segy(save(build([floats(1, 2)], samples=2, system=system, heads=[head])))
    assert got.x is not None
    npt.assert_allclose(got.x, [x])
    assert got.coordinates == words


def test_degrees_minutes_seconds(save: Callable[[bytes], Path]) -> None:
    # SEG-Y rev 2.0 (2017), bytes 89-90: -123 degrees 30 minutes 36.5 seconds with scalar -100 is -1233036.50.
    assert dms_to_degrees(np.array([-1233036.5]))[0] == pytest.approx(-(123 + 30 / 60 + 36.5 / 3600))
    head = {"scalar": -100, "units": 4, "group_x": -123303650, "group_y": 100}
    got = read_segy(save(build([floats(1, 2)], samples=2, heads=[head])))
    assert got.x is not None
    assert got.x[0] == pytest.approx(-(123 + 30 / 60 + 36.5 / 3600))


def test_seconds_a_rounding_error_short_of_a_minute() -> None:
    # 60 s short by one unit in the last place: 123 degrees 30 minutes, not 123 degrees 29 minutes 100 seconds.
    almost = np.nextafter(np.array([1233000.0, 1230000.0]), 0)
    npt.assert_allclose(dms_to_degrees(almost), [123.5, 123.0], atol=1e-9)


def test_midpoint_of_packed_degrees_is_taken_in_degrees(save: Callable[[bytes], Path]) -> None:
    # 10 degrees 59 minutes 59 seconds and 11 degrees 0 minutes 1 second: 11 degrees lie between them.
    head = {"units": 4, "source_x": 105959, "group_x": 110001, "source_y": 475959, "group_y": 480001}
    got = read_segy(save(build([floats(1, 2)], samples=2, heads=[head])))
    assert got.x is not None
    assert got.y is not None
    npt.assert_allclose([got.x[0], got.y[0]], [11.0, 48.0], atol=1e-9)


def test_which_coordinates_count(save: Callable[[bytes], Path]) -> None:
    head = {"source_x": 2, "source_y": 4, "group_x": 4, "group_y": 8, "cdp_x": 7, "cdp_y": 9}
    first = read_segy(save(build([floats(1, 2)], samples=2, heads=[head])))
    assert (first.x, first.y) == (np.array([3.0]), np.array([6.0]))
    later = read_segy(save(build([floats(1, 2)], samples=2, major=1, fixed=1, heads=[head])))
    assert (later.x, later.y) == (np.array([7.0]), np.array([9.0]))
    source = read_segy(save(build([floats(1, 2)], samples=2, heads=[{"source_x": 2}])))
    assert (source.x, source.y) == (np.array([2.0]), np.array([0.0]))
    assert read_segy(save(build([floats(1, 2)], samples=2))).x is None


def test_coordinate_units_that_differ_or_positions_that_do_not_move(save: Callable[[bytes], Path]) -> None:
    heads = [{"group_x": 5, "units": 1}, {"group_x": 6, "units": 3}]
    got = read_segy(save(build([floats(1, 2)] * 2, samples=2, heads=heads)))
    assert got.x is None
    assert "coordinate-units" in codes_of(got)
    still = read_segy(save(build([floats(1, 2)] * 2, samples=2, heads=[{"group_x": 5}] * 2)))
    assert "coordinates-constant" in codes_of(still)


def test_one_file_with_many_lines(save: Callable[[bytes], Path]) -> None:
    numbers = [3] * 10 + [1] * 9 + [2] * 4
    records = build([floats(1, 2)] * 23, samples=2, heads=[{"field_record": n} for n in numbers])
    got = read_segy(save(records))
    assert got.line is not None
    assert got.line.tolist() == [str(number) for number in numbers]
    inline = build([floats(1, 2)] * 23, samples=2, major=1, fixed=1, heads=[{"inline": n} for n in numbers])
    again = read_segy(save(inline))
    assert again.line is not None
    assert again.line.tolist() == got.line.tolist()


@pytest.mark.parametrize(
    "numbers",
    [[1, 2, 3, 4, 5, 6], [1, 1, 2, 2, 3, 3], [*[1] * 30, *range(2, 9)], [1] * 10 + [2] * 10 + [1] * 10, [7] * 20],
    ids=["traces", "pairs", "mostly traces", "comes back", "one"],
)
@pytest.mark.parametrize("field", ["field_record", "inline"])
def test_a_number_that_counts_traces_or_comes_back_is_no_line(
    numbers: list[int], field: str, save: Callable[[bytes], Path]
) -> None:
    heads = [{field: number} for number in numbers]
    assert read_segy(save(build([floats(1, 2)] * len(heads), samples=2, major=1, fixed=1, heads=heads))).line is None


def test_elevations_are_scaled(save: Callable[[bytes], Path]) -> None:
    got = read_segy(save(build([floats(1, 2)], samples=2, heads=[{"elevation": 1234, "elevation_scalar": -10}])))
    assert got.headers["elevation"].tolist() == [123.4]


# --- writer ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("picoseconds", [True, False])
@pytest.mark.parametrize("options", [SegyOptions(1), SegyOptions(5, "little", ("HILLSIDE",))])
def test_writer_is_read_by_others(tmp_path: Path, picoseconds: bool, options: SegyOptions) -> None:
    path = tmp_path / "a.sgy"
    amplitude = (np.arange(12, dtype=np.float32).reshape(3, 4) - 5) / 4
    kept = amplitude.copy()
    x, y = [500_000.123, 500_001.0, 500_002.5], [-1.5, -1.5, -1.25]
    write_segy(
        path, amplitude, interval_ns=0.41667, x=x, y=y, line=["A 7", "A 7", "B"], picoseconds=picoseconds,
        delay_ns=-300, options=options,
    )  # fmt: skip
    npt.assert_array_equal(amplitude, kept)
    got = read_segy(path)
    npt.assert_array_equal(got.amplitude, amplitude)
    assert got.interval_ns == 0.41667
    assert got.delay_ns == -300.0
    npt.assert_allclose(np.array([got.x, got.y]), [x, y], atol=1e-9)
    assert got.line is not None
    assert got.line.tolist() == ["A 7", "A 7", "B"]
    with segyio.open(str(path), ignore_geometry=True, endian=options.byte_order) as file:
        npt.assert_array_equal(file.trace.raw[:], amplitude)
        assert file.bin[segyio.BinField.Interval] == (417 if picoseconds else 0)
        assert file.header[2][segyio.TraceField.CDP_X] == 500_002_500
        assert (b"PICOSECONDS" in file.text[0]) == picoseconds


@pytest.mark.parametrize("code", [1, 5])
@pytest.mark.parametrize("byte_order", ["big", "little"])
def test_writer_is_read_by_obspy(tmp_path: Path, code: int, byte_order: str) -> None:
    amplitude = (np.arange(12, dtype=np.float32).reshape(3, 4) - 5) / 4
    write_segy(tmp_path / "a.sgy", amplitude, interval_ns=0.4, picoseconds=True, options=SegyOptions(code, byte_order))
    reference = obspy.read(str(tmp_path / "a.sgy"), format="SEGY", unpack_trace_headers=True)
    npt.assert_array_equal(np.array([trace.data for trace in reference]), amplitude)
    assert reference[2].stats.segy.trace_header.sample_interval_in_ms_for_this_trace == 400  # sic: it counts µs
    # ObsPy refuses the extended text headers of revision 1, which name the lines here.
    write_segy(tmp_path / "b.sgy", amplitude, interval_ns=0.4, line=["A"] * 3, picoseconds=True)
    with pytest.raises(NotImplementedError, match="Extended textual headers"):
        obspy.read(str(tmp_path / "b.sgy"), format="SEGY")
    npt.assert_array_equal(read_segy(tmp_path / "b.sgy").amplitude, amplitude)


def test_writer_makes_the_same_bytes_again(tmp_path: Path) -> None:
    for name in ("a.sgy", "b.sgy"):
        write_segy(tmp_path / name, [[1.0, 2.0]], interval_ns=0.5, line=["7"])
    assert (tmp_path / "a.sgy").read_bytes() == (tmp_path / "b.sgy").read_bytes()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"interval_ns": 40.0, "picoseconds": True}, "does not fit a 16-bit count of picoseconds"),
        ({"interval_ns": -1.0}, "interval_ns must be greater than zero"),
        ({"delay_ns": 0.5, "picoseconds": True}, "holds whole nanoseconds only"),
        ({"delay_ns": 50.0}, "holds multiples of 100 ns only"),
        ({"x": [1.0]}, "x and y must be given together"),
        ({"x": [1.0, 2.0], "y": [1.0, 2.0]}, "x must have one value for each trace"),
        ({"x": [3e9], "y": [0.0]}, "do not fit 32-bit fields"),
        ({"line": ["\n"]}, "line labels must be"),
        ({"options": SegyOptions(3)}, "sample_format must be"),
        ({"options": SegyOptions(5, "middle")}, "byte_order must be one of"),
        ({"options": SegyOptions(text=("x",) * 50)}, "too many rows of text"),
        ({"amplitude": [[np.nan]], "options": SegyOptions(1)}, "cannot hold NaN"),
        ({"amplitude": np.zeros((1, 70_000))}, "at most 65535 samples"),
    ],
)
def test_writer_refuses(tmp_path: Path, change: dict[str, object], message: str) -> None:
    arguments = {"amplitude": [[1.0, 2.0]], "interval_ns": 0.5, **change}
    amplitude = arguments.pop("amplitude")
    with pytest.raises(InputError, match=message):
        write_segy(tmp_path / "a.sgy", amplitude, **arguments)
    assert list(tmp_path.iterdir()) == []


# --- faults ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"x" * 100, r"byte 100: the file ends inside the SEG-Y file headers \(received 100 bytes of 3600\)"),
        (build([], samples=2), r"byte 3600: no traces"),
        (build([floats(1, 2)], samples=2)[:3700], r"byte 3700: the file ends inside trace 1"),
        (build([floats(1, 2)] * 2, samples=2)[:-3], r"ends inside trace 2.*received 1 whole traces, then 245 bytes"),
        (build([floats(1, 2)], samples=2, code=4), "format 4 .fixed point with gain. is obsolete"),
        (build([floats(1, 2)], samples=2, code=77), r"bytes 3225-3226: unknown sample format code \(received 77\)"),
        (
            build([floats(1, 2)], samples=3, heads=[{"n": 2}]),
            r"sample count differs between headers \(received 3 in the binary header .* 2 in the first trace header",
        ),
        (build([floats(1, 2)] * 2, samples=2, heads=[{"n": 2}, {"n": 5}]), "a trace's sample count differs"),
        (build([floats(1, 2)], samples=2, major=1, text_headers=5), "first trace would lie outside the file"),
        (build([floats(1, 2)], samples=2, major=2, first_trace=12), "first trace would lie outside the file"),
    ],
)
def test_faults(content: bytes, message: str, save: Callable[[bytes], Path]) -> None:
    with pytest.raises(FormatError, match=message):
        read_segy(save(content))


def test_conversion_refuses_an_unknown_code() -> None:
    with pytest.raises(FormatError, match="unknown sample format code"):
        convert_samples(np.zeros(8, np.uint8), TraceBlock(0, 8, 1, 2), code=4, big_endian=True)
