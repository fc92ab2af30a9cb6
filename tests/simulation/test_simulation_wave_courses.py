"""Courses: each trace by itself, time and amplitude as an instrument records them, and what is refused beforehand."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely

from yewline.errors import Cancelled, InputError
from yewline.physics import line_source_response, ricker
from yewline.progress import Progress
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.simulation.spreading import DirectWave, to_point_source
from yewline.simulation.wave import (
    Course,
    Section,
    Tiling,
    fire,
    half_steps_ns,
    make_grid,
    plan_course,
    record_course,
    run_course,
    steps_ns,
)
from yewline.simulation.wave import courses as courses_module
from yewline.simulation.wave import tiles as tiles_module
from yewline.simulation.wave.grid import Grid
from yewline.units import C_M_PER_NS

Array = npt.NDArray[np.float64]

CELL = 0.025
ANTENNAS = Instrument(
    centre_mhz=130.0, separation_m=0.3, interval_ns=0.8, samples=64, zero_ns=8.0, height_m=0.0, aperture_m=0.8
)


def ground(*, length_m: float = 4.0, patchy: bool = False, conductors: tuple[shapely.Polygon, ...] = ()) -> Section:
    """Air over two layers of lossy soil; `patchy` puts seeded lumps into it."""
    columns, depths, air = round(length_m / CELL) + 1, 48, 8
    depth = CELL * (np.arange(depths) - air)
    epsilon = np.tile(np.where(depth < 0.5, 5.0, 9.0), (columns, 1))
    if patchy:
        epsilon += np.random.default_rng(3).uniform(-1.0, 1.0, epsilon.shape)
    sigma = np.full((columns, depths), 4.0)
    epsilon[:, depth < -1e-9], sigma[:, depth < -1e-9] = 1.0, 0.0
    # The row on the surface is half air.
    epsilon[:, air], sigma[:, air] = 0.5 * (1.0 + epsilon[:, air]), 2.0
    return Section(epsilon, sigma, CELL, x0_m=-0.5, z0_m=-air * CELL, conductors=conductors)


def line(section: Section, at: npt.ArrayLike = (0.6, 1.0, 1.5125, 2.2, 2.75), **settings: Any) -> Course:
    return plan_course(section, at, ANTENNAS, **settings)


def traces_of(course: Course, **settings: Any) -> Array:
    found = dict(run_course(course, **settings))
    return np.array([found[number] for number in range(len(course.at_m))])


class TestTraces:
    def test_each_is_computed_by_itself(self) -> None:
        # Whatever runs beside it, in whatever tiles and order: the same bits.
        course = line(ground(patchy=True))
        alone = [record_course(course, number).tobytes() for number in range(5)]
        assert len(set(alone)) == 5
        for settings in (
            {"workers": 1},
            {"workers": 2, "tiling": Tiling(3, 5)},
            {"workers": 4, "tiling": Tiling(1, 1)},
            {"workers": 2, "which": [4, 2, 0, 1, 3], "tiling": Tiling(500, 9000)},
        ):
            found = dict(run_course(course, **settings))  # type: ignore[arg-type]
            assert [found[number].tobytes() for number in range(5)] == alone
        some = dict(run_course(course, [3]))
        assert list(some) == [3]
        assert some[3].tobytes() == alone[3]
        other = plan_course(ground(patchy=True), course.at_m[2:3], ANTENNAS)
        assert record_course(other, 0).tobytes() == alone[2]

    def test_even_ground_gives_the_same_trace_everywhere(self) -> None:
        at = CELL * np.arange(36, 56)
        found = traces_of(line(ground(), at))
        assert len({trace.tobytes() for trace in found}) == 1
        # Antennas between nodes, and windows cut short by the section's ends, change a trace by −80 dB at most.
        between = traces_of(line(ground(), [1.0, 1.0125, 1.006, -0.3, 3.3]))
        level = np.abs(between - between[0]).max(axis=1) / np.abs(between[0]).max()
        assert level[1:3].max() < 1e-4
        assert level[3:].max() < 1e-5

    @pytest.mark.parametrize("conductor", [False, True])
    def test_window_against_the_whole_section(self, conductor: bool) -> None:
        body = shapely.Point(1.3, 0.41).buffer(0.117)
        section = ground(conductors=(body,) if conductor else ())
        if not conductor:
            epsilon = section.permittivity.copy()
            epsilon[65:75, 20:26] = 10.0
            section = section.with_materials(epsilon, section.conductivity_ms_per_m)
        at = [1.0, 1.3, 1.5]
        windowed, whole = (traces_of(line(section, at, window_m=width)) for width in (2.4, 100.0))
        quiet = traces_of(line(ground(), at, window_m=100.0))
        answer = np.abs(whole - quiet).max()
        # Of the body's own answer: what its edges send back of it.
        assert np.abs(windowed - whole).max() < 1e-4 * answer
        assert answer > 0.01 * np.abs(whole).max()

    def test_a_course_in_double_precision(self) -> None:
        single, double = (traces_of(line(ground(patchy=True), [1.1], precision=p)) for p in ("single", "double"))
        assert single.dtype == double.dtype == np.float32
        assert 0 < np.abs(single - double).max() < 1e-5 * np.abs(double).max()

    def test_without_a_body_the_edges_may_be_shared(self) -> None:
        empty = line(ground(), [1.0])
        body = ground()
        epsilon = body.permittivity.copy()
        epsilon[60:70, 20:30] = 10.0
        held = plan_course(body.with_materials(epsilon, body.conductivity_ms_per_m), [1.0], ANTENNAS, like=empty)
        assert held.grid.absorber is empty.grid.absorber

    def test_cost(self) -> None:
        course = line(ground())
        # 1.9 m are 77 nodes, and the edges 32; 48 depths and 32 are five blocks.
        assert course.columns == 77
        assert course.cell_updates == (77 + 32) * 80 * course.steps
        one = course.bytes_needed(1)
        assert one == course.grid.bytes_held + course.grid.bytes_of_window(77)
        assert course.bytes_needed(3) - one == 2 * course.grid.bytes_of_window(77)
        assert one < 8 * 4 * 161 * 80


class TestRecord:
    """Times and amplitudes as an instrument has them: line current in air, Harrington 1961, sec. 5-6."""

    @staticmethod
    def antennas(**settings: Any) -> Instrument:
        return replace(
            Instrument(200.0, separation_m=1.0, interval_ns=0.5, samples=80, zero_ns=10.0, aperture_m=0.6), **settings
        )

    @staticmethod
    def trace(cell_m: float, instrument: Instrument, pulse: Pulse | None = None) -> Array:
        n = round(1.6 / cell_m) + 1
        air = Section(np.ones((2 * n, n)), np.zeros((2 * n, n)), cell_m, x0_m=-1.6, z0_m=-0.8)
        course = plan_course(air, [0.0], instrument, pulse=pulse)
        return np.asarray(record_course(course, 0), np.float64)

    @staticmethod
    def exact(instrument: Instrument, pulse: Pulse) -> Array:
        """The field of the line current at the record's times."""
        parts, before = 16, 30.0
        step = instrument.interval_ns / parts
        # Times from the pulse's middle, laid so that the record's own are among them.
        first = -instrument.zero_ns - instrument.interval_ns * round(before / instrument.interval_ns)
        count = parts * (instrument.samples + round(before / instrument.interval_ns))
        time = first + step * np.arange(count)
        found = line_source_response(pulse.current(time), interval_ns=step, distance_m=instrument.separation_m)
        return np.asarray(found[::parts][-instrument.samples :])

    @pytest.mark.parametrize("kind", ["ricker", "gaussian-derivative"])
    def test_against_the_exact_field(self, kind: Any) -> None:
        instrument, pulse = self.antennas(), Pulse(kind, 200.0)
        exact = self.exact(instrument, pulse)
        errors = [
            np.abs(self.trace(cell, instrument, pulse) - exact).max() / np.abs(exact).max() for cell in (0.04, 0.02)
        ]
        assert errors[1] < 0.01
        assert np.log2(errors[0] / errors[1]) > 1.9

    def test_sampling_changes_nothing_but_the_samples(self) -> None:
        # The same field at other times: 0.25 ns from 0, 0.5 ns from 0, and 0.5 ns with another time zero.
        fine = self.trace(0.03, self.antennas(interval_ns=0.25, samples=160))
        coarse = self.trace(0.03, self.antennas())
        late = self.trace(0.03, self.antennas(zero_ns=12.0))
        np.testing.assert_allclose(fine[::2], coarse, rtol=0, atol=1e-6 * np.abs(fine).max())
        np.testing.assert_allclose(late[4:], coarse[:-4], rtol=0, atol=1e-6 * np.abs(fine).max())

    def test_before_the_pulse_there_is_nothing(self) -> None:
        found = self.trace(0.03, self.antennas(zero_ns=40.0, samples=110))
        assert not found[: round(20.0 / 0.5)].any()
        assert np.abs(found).argmax() * 0.5 == pytest.approx(40.0 + 1.0 / C_M_PER_NS, abs=1.0)

    def test_as_a_point_source(self) -> None:
        # What the convention promises: w(t − r/c)/r.
        instrument = self.antennas(samples=120)
        pulse = Pulse("ricker", 200.0)
        point = to_point_source(
            self.trace(0.02, instrument)[None],
            pulse=pulse,
            interval_ns=0.5,
            zero_ns=10.0,
            v_m_per_ns=C_M_PER_NS,
            direct=DirectWave(1.0, C_M_PER_NS),
        )[0]
        expected = pulse.field(0.5 * np.arange(120) - 10.0 - 1.0 / C_M_PER_NS)
        assert np.abs(point - expected).max() < 0.015

    def test_recorded_pulse(self) -> None:
        # A Ricker wavelet as samples is sent as that wavelet.
        time = 0.25 * np.arange(-60, 61)
        recorded = Pulse("recorded", samples=tuple(5.0 * ricker(time, peak_mhz=200.0)), interval_ns=0.25)
        instrument = self.antennas()
        found, expected = (self.trace(0.03, instrument, pulse) for pulse in (recorded, None))
        assert np.abs(found - expected).max() < 2e-3 * np.abs(expected).max()

    def test_antennas_between_nodes(self) -> None:
        # The pair moved by a share of a cell in both directions hears the same, the better the finer the cell.
        errors = []
        for cell in (0.04, 0.02):
            n = round(2.0 / cell) + 1
            section = Section(np.full((n, n), 4.0), np.zeros((n, n)), cell, x0_m=-1.0, z0_m=-1.0)
            grid = make_grid(section, precision="double")
            current = ricker(half_steps_ns(grid, int(24.0 / grid.step_ns)) - 6.0, peak_mhz=200.0)
            pair = np.array([[-0.2, 0.0], [0.28, 0.2]])
            heard = [
                fire(grid, pair[:1] + off, [current], pair[1:] + off).field_v_per_m[0]
                for off in np.array([[0.0, 0.0], [0.5, 0.5], [0.3, 0.8]]) * cell
            ]
            errors.append(max(np.abs(part - heard[0]).max() for part in heard[1:]) / np.abs(heard[0]).max())
        assert errors[1] < 2e-3
        assert np.log2(errors[0] / errors[1]) > 3.4

    def test_times_of_steps(self) -> None:
        grid = make_grid(ground())
        np.testing.assert_allclose(steps_ns(grid, 3), grid.step_ns * np.array([1, 2, 3]))
        np.testing.assert_allclose(half_steps_ns(grid, 3), grid.step_ns * np.array([0.5, 1.5, 2.5]))


class TestProgress:
    def test_told_of_every_trace(self) -> None:
        told: list[tuple[str, int, int]] = []
        list(run_course(line(ground()), workers=2, progress=Progress(lambda *what: told.append(what)), label="wade"))
        assert told == [("wade", done, 5) for done in range(6)]

    def test_cancelled_midway(self) -> None:
        # What came before is whole, what runs is waited for, and no thread is left.
        course = line(ground(patchy=True), np.linspace(0.5, 2.5, 30))
        before = threading.active_count()
        yielded: dict[int, npt.NDArray[np.float32]] = {}
        progress = Progress(cancelled=lambda: len(yielded) >= 3)

        def run() -> None:
            for number, trace in run_course(course, workers=2, progress=progress):
                yielded[number] = trace

        with pytest.raises(Cancelled, match="stopped during simulate.*Run the same command again"):
            run()
        assert threading.active_count() == before
        assert len(yielded) == 3
        for number, trace in yielded.items():
            assert trace.tobytes() == record_course(course, number).tobytes()

    def test_left_midway(self) -> None:
        before = threading.active_count()
        found = run_course(line(ground(), np.linspace(0.5, 2.5, 30)), workers=2)
        next(found)
        assert isinstance(found, Iterator)
        found.close()  # type: ignore[attr-defined]
        assert threading.active_count() == before

    def test_nothing_to_do(self) -> None:
        assert list(run_course(line(ground()), [])) == []


class TestRefused:
    @pytest.mark.parametrize(
        ("at", "message"),
        [
            ([], r"at_m is empty"),
            ([0.5, np.nan], r"at_m holds values that are not finite"),
            ([[0.5]], "at_m must have 1 axes"),
            (
                [-0.4],
                r"antennas stand outside the section .received antennas from -0.55 to -0.25 m, section from -0",
            ),
            ([1.0, 3.4], r"to 3.55 m, section from -0.50 to 3.50 m.*Make the section longer than the line by half the"),
        ],
    )
    def test_lines(self, at: Any, message: str) -> None:
        with pytest.raises(InputError, match=message):
            line(ground(), at)

    def test_cells_too_coarse(self) -> None:
        # 130 MHz end at 359 MHz; permittivity 9 there has a wavelength of 28 cm.
        section = ground()
        coarse = replace(section, cell_m=0.05, z0_m=-0.4)
        with pytest.raises(InputError, match=r"1.00 m deep: the cells are too coarse .*359 MHz.*9.0.*of 0.027 m"):
            plan_course(coarse, [1.0], ANTENNAS)
        plan_course(coarse, [1.0], ANTENNAS, cells_a_wavelength=4.0)

    @pytest.mark.parametrize(("height", "would_do"), [(0.5, 0.55), (0.2, 0.25)])
    def test_no_air_over_the_antennas(self, height: float, would_do: float) -> None:
        high = replace(ANTENNAS, height_m=height)
        with pytest.raises(InputError, match=rf"no air .*air up to 0.2 m, antennas at {height} m.*{would_do} m"):
            plan_course(ground(), [1.0], high)
        lifted = ground()
        rows = round((would_do - 0.2) / CELL)
        taller = replace(
            lifted,
            permittivity=np.pad(lifted.permittivity, ((0, 0), (rows, 0)), mode="edge"),
            conductivity_ms_per_m=np.pad(lifted.conductivity_ms_per_m, ((0, 0), (rows, 0)), mode="edge"),
            z0_m=-would_do,
        )
        plan_course(taller, [1.0], high)

    def test_no_air_at_all_or_no_ground(self) -> None:
        with pytest.raises(InputError, match=r"no air over the antennas .received air up to 0 m"):
            plan_course(replace(ground(), z0_m=0.3), [1.0], ANTENNAS)
        with pytest.raises(InputError, match=r"ends above the ground .received lowest depth -3.825 m"):
            plan_course(replace(ground(), z0_m=-5.0), [1.0], ANTENNAS)

    def test_window(self) -> None:
        with pytest.raises(InputError, match=r"too narrow .* .received 0.4 m for a separation of 0.3 m.*Give 0.6 m or"):
            line(ground(), window_m=0.4)
        line(ground(), window_m=0.6)
        with pytest.raises(InputError, match="window_m must be greater than zero"):
            line(ground(), window_m=-1.0)

    def test_numbers_and_workers(self) -> None:
        # At the call, before anything is computed.
        for which in ([5], [-1]):
            with pytest.raises(InputError, match="the number of a trace must lie between 0 and 4"):
                run_course(line(ground()), which)
        with pytest.raises(InputError, match="workers must lie between 1 and"):
            run_course(line(ground()), workers=0)


class TestMemory:
    def test_fewer_workers_would_do(self, monkeypatch: pytest.MonkeyPatch) -> None:
        course = line(ground())
        free = int((course.bytes_needed(2) + 10) / 0.8)
        monkeypatch.setattr(courses_module, "free_memory_bytes", lambda: free)
        with pytest.raises(InputError, match=r"more memory than is free .received 0.000\d+ GB, .* 2 workers or fewer"):
            run_course(course, workers=4)
        assert len(list(run_course(course, [0, 1], workers=2))) == 2

    @pytest.mark.parametrize("share", [0.9, 0.6, 0.3])
    def test_coarser_cells_would_do(self, monkeypatch: pytest.MonkeyPatch, share: float) -> None:
        section = ground()
        course = line(section)
        monkeypatch.setattr(courses_module, "free_memory_bytes", lambda: int(share * course.bytes_needed(1) / 0.8))
        with pytest.raises(InputError, match=r"use cells of [0-9.]+ m or more, or free|Use cells of") as caught:
            run_course(course, workers=2)
        cell = float(str(caught.value).partition("cells of ")[2].split()[0])
        # The same ground on those cells has room.
        shape = (int(section.length_m / cell) + 1, int((section.depths - 1) * CELL / cell) + 1)
        coarse = Section(np.ones(shape), np.zeros(shape), cell, x0_m=-0.5, z0_m=-2 * cell)
        again = plan_course(coarse, [1.0], replace(ANTENNAS, centre_mhz=20.0))
        assert again.bytes_needed(1) <= share * course.bytes_needed(1)

    def test_nothing_would_do(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(courses_module, "free_memory_bytes", lambda: 100)
        with pytest.raises(InputError, match="Use a shorter and shallower section, or free some memory"):
            run_course(line(ground()))

    def test_a_machine_that_does_not_tell(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def missing(*_: Any, **__: Any) -> Any:
            raise OSError("none")

        known = courses_module.free_memory_bytes()
        assert known is None or known > 1e6
        monkeypatch.setattr(Path, "read_text", missing)
        counted = {"SC_AVPHYS_PAGES": 1000, "SC_PAGE_SIZE": 4096}
        monkeypatch.setattr(courses_module.os, "sysconf", counted.__getitem__, raising=False)
        assert courses_module.free_memory_bytes() == 4_096_000
        monkeypatch.setattr(courses_module.os, "sysconf", missing, raising=False)
        assert courses_module.free_memory_bytes() is None
        assert len(list(run_course(line(ground()), [0]))) == 1

    def test_all_processors(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delattr(courses_module.os, "sched_getaffinity", raising=False)
        monkeypatch.setattr(courses_module.os, "cpu_count", lambda: None)
        assert len(list(run_course(line(ground()), [0, 1]))) == 2


class TestTiling:
    """The choice of tiles: tried once, kept in a file that may be missing, broken or out of reach."""

    @pytest.fixture
    def grid(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Grid:
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
        monkeypatch.setattr(tiles_module, "_known", {})
        return make_grid(Section(np.full((400, 120), 4.0), np.zeros((400, 120)), CELL))

    @staticmethod
    def forget() -> None:
        tiles_module._known.clear()

    def test_tried_once_and_kept(self, grid: Grid, monkeypatch: pytest.MonkeyPatch) -> None:
        found = tiles_module.best_tiling(grid, 400)
        assert found.width == 2 * found.depth
        kept = json.loads(tiles_module.tiling_file().read_text(encoding="utf-8"))
        assert list(kept.values()) == [found.depth]
        assert "1 threads" in next(iter(kept))
        monkeypatch.setattr(tiles_module, "_fastest_depth", lambda *_: pytest.fail("tried again"))
        assert tiles_module.best_tiling(grid, 400) == found
        self.forget()
        assert tiles_module.best_tiling(grid, 400) == found

    def test_other_sizes_and_threads_are_other_choices(self, grid: Grid, monkeypatch: pytest.MonkeyPatch) -> None:
        tried: list[tuple[int, int]] = []

        def fastest(_: Grid, columns: int, threads: int) -> int:
            tried.append((columns, threads))
            return 8

        monkeypatch.setattr(tiles_module, "_fastest_depth", fastest)
        for columns, threads in ((400, 1), (400, 2), (180, 1), (400, 1), (399, 1)):
            assert tiles_module.best_tiling(grid, columns, threads) == Tiling(8, 16)
        assert tried == [(400, 1), (400, 2), (180, 1)]
        assert len(json.loads(tiles_module.tiling_file().read_text(encoding="utf-8"))) == 3

    def test_small_windows_need_no_trial(self, grid: Grid) -> None:
        assert tiles_module.best_tiling(grid, 40) == Tiling(16, 32)
        assert not tiles_module.tiling_file().exists()

    @pytest.mark.parametrize("text", ["", "{", "[1, 2]", '{"x": "y"}', "\x00\xff", "null"])
    def test_broken_file(self, grid: Grid, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
        path = tiles_module.tiling_file()
        path.parent.mkdir(parents=True)
        path.write_text(text, encoding="latin-1")
        monkeypatch.setattr(tiles_module, "_fastest_depth", lambda *_: 4)
        assert tiles_module.best_tiling(grid, 400) == Tiling(4, 8)
        assert list(json.loads(path.read_text(encoding="utf-8")).values()) == [4]

    def test_depth_that_is_none_of_ours(self, grid: Grid, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(tiles_module, "_fastest_depth", lambda *_: 4)
        tiles_module.best_tiling(grid, 400)
        path = tiles_module.tiling_file()
        key = next(iter(json.loads(path.read_text(encoding="utf-8"))))
        for depth in (-7, 1e9, [8], None, True and 3):
            path.write_text(json.dumps({key: depth}), encoding="utf-8")
            self.forget()
            assert tiles_module.best_tiling(grid, 400) == Tiling(4, 8)

    def test_no_folder_to_write_to(self, grid: Grid, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("in the way")
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
        monkeypatch.setattr(tiles_module, "_fastest_depth", lambda *_: 16)
        assert tiles_module.best_tiling(grid, 400) == Tiling(16, 32)
        assert (tmp_path / "file").read_text() == "in the way"

    def test_where_it_lies(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
            monkeypatch.delenv(name, raising=False)
        monkeypatch.setattr(Path, "home", lambda: tmp_path)
        assert tiles_module.tiling_file() == tmp_path / ".cache" / "yewline" / "tiles.json"
        monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
        assert tiles_module.tiling_file() == tmp_path / "local" / "yewline" / "tiles.json"

    def test_a_machine_that_does_not_name_its_processor(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(tiles_module.platform, "processor", lambda: "some processor")
        monkeypatch.setattr(Path, "read_text", lambda *_, **__: "bogomips : 1\n")
        assert tiles_module._processor() == "some processor"
        monkeypatch.undo()
        assert tiles_module._processor()

    def test_a_course_uses_it(self, grid: Grid, monkeypatch: pytest.MonkeyPatch) -> None:
        # By default it is asked for, with the threads that will run.
        asked: list[tuple[int, int]] = []

        def best(_: Grid, columns: int, threads: int) -> Tiling:
            asked.append((columns, threads))
            return Tiling(2, 4)

        monkeypatch.setattr(courses_module, "best_tiling", best)
        course = line(ground())
        list(run_course(course, [0, 1, 2], workers=2))
        assert asked == [(course.columns, 2)]
