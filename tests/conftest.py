"""Small sites written by hand: recorded lines from a closed form, no help from the package's own writers."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import segyio
from hypothesis import HealthCheck, settings

# Nothing in tests is timed, and the same examples are tried on every machine.
settings.register_profile(
    "house", deadline=None, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("house")

VELOCITY = 0.098
"""m/ns; by Topp 1980 that of a water content of about 0.185."""
BURIALS = ((1.6, 1.5), (4.4, 2.5), (2.0, 4.5), (4.6, 5.5))
DEPTH = 0.8
INTERVAL = 0.4
SAMPLES = 128
CENTRE_MHZ = 400.0


def ricker(t: np.ndarray) -> np.ndarray:
    a = (np.pi * CENTRE_MHZ * 1e-3 * t) ** 2
    return (1 - 2 * a) * np.exp(-a)


def recorded_line(y: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """x of the traces, and samples (trace, time): a direct pulse and the echo of each burial's long, flat top."""
    x = np.arange(0, 6.01, 0.1)
    t = np.arange(SAMPLES) * INTERVAL
    line = np.random.default_rng(seed).normal(0, 0.004, (len(x), SAMPLES)) + 3.0 * ricker(t - 4.0)
    for bx, by in BURIALS:
        for along in np.arange(-0.9, 0.91, 0.1):
            for across in np.arange(-0.3, 0.31, 0.1):
                r = np.sqrt((x - bx - across) ** 2 + (y - by - along) ** 2 + DEPTH**2)
                echo = 2 * r / VELOCITY
                line += 0.01 * ricker(t - 4.0 - echo[:, None]) / r[:, None] ** 2
    return x, line


def write_common(root: Path, *, interval: str = f"interval_ns = {INTERVAL}") -> None:
    """Everything of a small site except its recorded lines."""
    (root / "visits" / "day" / "lines").mkdir(parents=True)
    (root / "site.toml").write_text(
        'name = "Hand-made"\n[target]\ndepth_m = [0.5, 1.1]\n[primary]\nslice_m = [0.65, 1.0]\ndraws = 499\n'
        '[release]\ndecided_by = "the test"\n'
    )
    (root / "visits" / "day" / "visit.toml").write_text(
        f"date = 2031-04-01\n[antenna]\ncentre_mhz = {CENTRE_MHZ}\n[recording]\n{interval}\n"
    )
    rows = [f"{x},{y},{0.185 + 0.01 * np.sin(x + y):.4f}" for x in (0.5, 2, 3.5, 5) for y in (0.5, 2.5, 4.5, 6.5)]
    (root / "visits" / "day" / "readings.csv").write_text("x,y,vwc\n" + "\n".join(rows) + "\n")
    corners = ["burial,corner,x,y,kind"]
    for number, (x, y) in enumerate(BURIALS, start=1):
        for corner, (dx, dy) in enumerate(((-0.35, -1), (0.35, -1), (0.35, 1), (-0.35, 1)), start=1):
            corners.append(f"B{number},{corner},{x + dx},{y + dy},adult")
    (root / "burials.csv").write_text("\n".join(corners) + "\n")


def line_rows(suffix: str) -> list[str]:
    header = "line,grid,file,first_trace,last_trace,x0,y0,x1,y1,note"
    return [header, *(f"L{n:02d},,L{n:02d}.{suffix},,,0,{0.5 * n},6,{0.5 * n}," for n in range(15))]


@pytest.fixture(scope="session", autouse=True)
def cache_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What is kept between runs on a machine (the solver's tiling) goes to a folder of the tests, not to the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture
def text_site(tmp_path: Path) -> Path:
    """A text survey: a matrix a line, one column a trace, written with NumPy."""
    root = tmp_path / "text site"
    write_common(root)
    for n in range(15):
        _, samples = recorded_line(0.5 * n, n)
        np.savetxt(root / "visits" / "day" / "lines" / f"L{n:02d}.txt", samples.T, fmt="%.6f", delimiter="\t")
    (root / "visits" / "day" / "lines.csv").write_text("\n".join(line_rows("txt")) + "\n")
    return root


@pytest.fixture
def segy_site(tmp_path: Path) -> Path:
    """SEG-Y made with segyio alone; the integer interval counts picoseconds, as `visit.toml` declares."""
    root = tmp_path / "segy site"
    write_common(root, interval='interval_unit = "ps"')
    for n in range(15):
        x, samples = recorded_line(0.5 * n, n)
        spec = segyio.spec()
        spec.format, spec.samples, spec.tracecount = 1, range(SAMPLES), len(x)
        with segyio.create(str(root / "visits" / "day" / "lines" / f"L{n:02d}.sgy"), spec) as file:
            file.bin[segyio.BinField.Interval] = round(INTERVAL * 1000)
            for trace in range(len(x)):
                file.header[trace] = {segyio.TraceField.TRACE_SAMPLE_INTERVAL: round(INTERVAL * 1000)}
                file.trace[trace] = samples[trace].astype(np.float32).copy()
    (root / "visits" / "day" / "lines.csv").write_text("\n".join(line_rows("sgy")) + "\n")
    return root


@pytest.fixture(scope="session")
def measured() -> Iterator[Callable[..., None]]:
    """Hold an error to its tolerance and keep both: ``measured(quantity, reference, error, most=..., unit="%")``.

    With YEWLINE_VALIDATION naming a file, all of them are written there as a table: docs/validation.md is made so.
    """
    rows: list[tuple[str, str, str, str]] = []

    def hold(
        quantity: str,
        reference: str,
        value: float,
        *,
        most: float | None = None,
        least: float | None = None,
        unit: str = "",
    ) -> None:
        bound = f"≤ {most:.3g}" if most is not None else f"≥ {least:.3g}"
        rows.append((quantity, reference, f"{value:.3g} {unit}".strip(), f"{bound} {unit}".strip()))
        assert most is None or value <= most, f"{quantity}: {value} {unit}, {bound}"
        assert least is None or value >= least, f"{quantity}: {value} {unit}, {bound}"

    yield hold
    path = os.environ.get("YEWLINE_VALIDATION")
    if path:
        lines = ["| quantity | reference | measured | held to |", "|---|---|---|---|"]
        lines += [f"| {' | '.join(row)} |" for row in rows]
        Path(path).write_text("\n".join(lines) + "\n", encoding="utf-8")
