"""NetCDF against SciPy and xarray, units, and what is wrong with a file."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest
import xarray as xr
from scipy.io import netcdf_file

from yewline.errors import FormatError
from yewline.formats import read_netcdf, write_netcdf
from yewline.model import ReadHints, Recording

AMPLITUDE = np.arange(12, dtype=np.float32).reshape(3, 4) / 8 - 0.5


def codes_of(recording: Recording) -> list[str]:
    return [note.code for note in recording.notes]


def made(path: Path, **changes: object) -> Path:
    """A file by xarray alone; `changes` replace the time coordinate or its units, or the dimension order."""
    time = changes.get("time", np.array([0.0, 0.4, 0.8, 1.2]))
    attrs = {"units": changes["units"]} if changes.get("units") else {}
    table = xr.Dataset(
        {"echo": (("trace", "time"), AMPLITUDE)},
        coords={} if time is None else {"time": ("time", time, attrs)},
    )
    if changes.get("turned"):
        table = table.transpose("time", "trace")
    table.to_netcdf(path, engine="scipy")
    return path


@pytest.mark.parametrize(
    ("units", "scale"),
    [("ns", 1.0), ("nanoseconds", 1.0), ("us", 1e3), ("ps", 1e-3), ("s", 1e9), ("milliseconds", 1e6)],
)
def test_units_of_time(tmp_path: Path, units: str, scale: float) -> None:
    got = read_netcdf(made(tmp_path / "a.nc", units=units))
    npt.assert_array_equal(got.amplitude, AMPLITUDE)
    assert got.interval_ns == pytest.approx(0.4 * scale, rel=1e-12)
    assert got.interval_source == f"the coordinate 'time' in {units}"


def test_dimensions_in_either_order(tmp_path: Path) -> None:
    got = read_netcdf(made(tmp_path / "a.nc", units="ns", turned=True))
    npt.assert_array_equal(got.amplitude, AMPLITUDE)
    assert got.amplitude.flags.c_contiguous
    assert got.amplitude.dtype == np.dtype(np.float32)


@pytest.mark.parametrize("changes", [{"time": None}, {"units": "furlongs"}, {}])
def test_time_without_unit_is_not_guessed(tmp_path: Path, changes: dict[str, object]) -> None:
    path = made(tmp_path / "a.nc", **changes)
    got = read_netcdf(path)
    assert got.interval_ns is None
    assert "interval-unknown" in codes_of(got)
    assert read_netcdf(path, ReadHints(interval_ns=0.4)).interval_ns == 0.4


def test_declared_interval_that_contradicts(tmp_path: Path) -> None:
    got = read_netcdf(made(tmp_path / "a.nc", units="ns"), ReadHints(interval_ns=0.5))
    assert got.interval_ns == pytest.approx(0.4)
    assert "interval-contradiction" in codes_of(got)


def test_packed_integers_are_unpacked(tmp_path: Path) -> None:
    # CF conventions 1.11, section 8.1: scale_factor and add_offset.
    table = xr.Dataset(
        {"amplitude": (("trace", "time"), AMPLITUDE)}, coords={"time": ("time", np.arange(4.0), {"units": "ns"})}
    )
    packing = {"amplitude": {"dtype": "int16", "scale_factor": 0.125, "add_offset": 1.0, "_FillValue": -9999}}
    table.to_netcdf(tmp_path / "a.nc", engine="scipy", encoding=packing)
    npt.assert_array_equal(read_netcdf(tmp_path / "a.nc").amplitude, AMPLITUDE)


def test_longitude_and_latitude(tmp_path: Path) -> None:
    table = xr.Dataset(
        {"amplitude": (("trace", "time"), AMPLITUDE)},
        coords={
            "time": ("time", np.arange(4.0), {"units": "ns"}),
            "lon": ("trace", [1.0, 1.1, 1.2]),
            "lat": ("trace", [50.0, 50.0, 50.1]),
        },
    )
    table.to_netcdf(tmp_path / "a.nc", engine="scipy")
    got = read_netcdf(tmp_path / "a.nc")
    assert got.coordinates == "degrees"
    assert got.x is not None
    assert got.x.tolist() == [1.0, 1.1, 1.2]


def test_written_file_read_by_scipy(tmp_path: Path) -> None:
    write_netcdf(
        tmp_path / "a.nc", AMPLITUDE, interval_ns=0.41667, x=[0, 0.1, 0.2], y=[5, 5, 5], line=["A 1", "A 1", "B"],
        delay_ns=-3.0, title="Line",
    )  # fmt: skip
    with netcdf_file(tmp_path / "a.nc", "r", mmap=False) as file:
        npt.assert_array_equal(file.variables["amplitude"].data, AMPLITUDE)
        assert file.variables["amplitude"].dimensions == ("trace", "time")
        assert file.variables["time"].units == b"ns"
        # CF conventions 1.11, sections 2.6 and 9.4.
        assert file.Conventions == b"CF-1.11"
        assert file.featureType == b"timeSeries"
        assert file.title == b"Line"
        assert file.variables["trace"].cf_role == b"timeseries_id"
        assert b"x" in file.variables["amplitude"].coordinates
    got = read_netcdf(tmp_path / "a.nc")
    assert (got.interval_ns, got.delay_ns, got.coordinates) == (0.41667, -3.0, "metres")
    assert got.line is not None
    assert got.line.tolist() == ["A 1", "A 1", "B"]
    first = (tmp_path / "a.nc").read_bytes()
    write_netcdf(
        tmp_path / "a.nc", AMPLITUDE, interval_ns=0.41667, x=[0, 0.1, 0.2], y=[5, 5, 5], line=["A 1", "A 1", "B"],
        delay_ns=-3.0, title="Line",
    )  # fmt: skip
    assert (tmp_path / "a.nc").read_bytes() == first


@pytest.mark.skipif(importlib.util.find_spec("h5py") is None, reason="h5netcdf has no HDF5 library to work with here")
def test_netcdf_4(tmp_path: Path) -> None:
    table = xr.Dataset(
        {"amplitude": (("trace", "time"), AMPLITUDE)}, coords={"time": ("time", np.arange(4.0), {"units": "ns"})}
    )
    table.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    got = read_netcdf(tmp_path / "a.nc")
    npt.assert_array_equal(got.amplitude, AMPLITUDE)
    assert got.notes[0].text.startswith("NetCDF-4")


def test_damaged_netcdf_4(tmp_path: Path) -> None:
    (tmp_path / "a.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    with pytest.raises(FormatError, match=r"byte 108: the file cannot be read as NetCDF"):
        read_netcdf(tmp_path / "a.nc")


def test_no_variable_or_several(tmp_path: Path) -> None:
    xr.Dataset({"echo": (("a", "b"), AMPLITUDE)}).to_netcdf(tmp_path / "a.nc", engine="scipy")
    with pytest.raises(FormatError, match=r"no variable over \(trace, time\) \(received echo\('a', 'b'\)\)"):
        read_netcdf(tmp_path / "a.nc")
    dims = ("trace", "time")
    xr.Dataset({"one": (dims, AMPLITUDE), "two": (dims, AMPLITUDE)}).to_netcdf(tmp_path / "b.nc", engine="scipy")
    with pytest.raises(FormatError, match="several variables over"):
        read_netcdf(tmp_path / "b.nc")


@pytest.mark.parametrize("time", [[0.0, 0.4, 0.9, 1.2], [1.2, 0.8, 0.4, 0.0], [0.0, np.nan, 0.8, 1.2]])
def test_times_that_do_not_step_evenly(tmp_path: Path, time: list[float]) -> None:
    with pytest.raises(FormatError, match="times do not step evenly upward"):
        read_netcdf(made(tmp_path / "a.nc", units="ns", time=np.array(time)))


@pytest.mark.parametrize(("units", "words"), [("ft", "feet"), ("foot", "feet"), ("feet", "feet"), ("m", "metres")])
def test_units_of_length(tmp_path: Path, units: str, words: str) -> None:
    table = xr.Dataset(
        {"amplitude": (("trace", "time"), AMPLITUDE)},
        coords={
            "time": ("time", np.arange(4.0), {"units": "ns"}),
            "x": ("trace", [0.0, 1.0, 2.0], {"units": units}),
            "y": ("trace", [5.0, 5.0, 5.0], {"units": units}),
        },
    )
    table.to_netcdf(tmp_path / "a.nc", engine="scipy")
    assert read_netcdf(tmp_path / "a.nc").coordinates == words
