"""The engines among themselves: the same bits from every order of work, energy kept, nothing that grows, exchange."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.simulation.wave import ENGINES, Grid, Relaxation, Section, Shot, Tiling, fire, half_steps_ns, make_grid
from yewline.simulation.wave.arrays import Absorber, Fields, no_links, points_by_row, quiet_fields
from yewline.simulation.wave.grid import Window, window_of

Array = npt.NDArray[np.float64]

COMPILED = ("swept", "tiled", "parallel")
CELL = 0.01


@dataclass(frozen=True)
class Case:
    """What a random section may hold."""

    seed: int
    columns: int = 23
    depths: int = 17
    conductors: bool = False
    relaxing: bool = False


CASES = st.builds(
    Case,
    seed=st.integers(0, 2**32 - 1),
    columns=st.integers(5, 41),
    depths=st.integers(4, 37),
    conductors=st.booleans(),
    relaxing=st.booleans(),
)


def nasty_conductors(rng: np.random.Generator, columns: int, depths: int) -> tuple[shapely.Polygon, ...]:
    """Boxes whose faces lie a hair from nodes or anywhere between, a slanted plate, a wire, a box in a box."""
    wide, deep = (columns - 1) * CELL, (depths - 1) * CELL

    def near(top: float) -> float:
        place = rng.uniform(0.1, 0.7) * top
        return float(np.round(place / CELL) * CELL + rng.choice([1e-9, -1e-9, 1e-5, -1e-5, 0.37 * CELL]))

    x, z = near(wide), near(deep)
    box = shapely.box(x, z, x + rng.uniform(1.2, 3.0) * CELL, z + rng.uniform(1.2, 3.0) * CELL)
    start = np.array([rng.uniform(0, wide), rng.uniform(0, deep)])
    turn = rng.uniform(0, np.pi)
    plate = shapely.LineString([start, start + 0.4 * wide * np.array([np.cos(turn), np.sin(turn)])]).buffer(0.1 * CELL)
    hollow = shapely.box(0.2 * wide, 0.6 * deep, 0.6 * wide, 0.95 * deep)
    hollow = hollow.difference(shapely.box(0.3 * wide, 0.7 * deep + 1e-7, 0.5 * wide, 0.85 * deep))
    wire = shapely.Point(rng.uniform(0, wide), rng.uniform(0, deep)).buffer(0.05 * CELL)
    return (box, plate, hollow, wire)


def random_section(case: Case, *, contrast: float = 30.0, lossy: bool = True) -> Section:
    rng = np.random.default_rng(case.seed)
    shape = (case.columns, case.depths)
    return Section(
        rng.choice([1.0, 0.5 * contrast, contrast], shape) if contrast > 40 else rng.uniform(1.0, contrast, shape),
        rng.uniform(0.0, 80.0, shape) if lossy else np.zeros(shape),
        CELL,
        x0_m=0.3,
        z0_m=-0.04,
        conductors=tuple(
            shapely.affinity.translate(body, 0.3, -0.04) for body in nasty_conductors(rng, *shape) if case.conductors
        ),
        relaxation=Relaxation(rng.uniform(0.0, 40.0, shape), 0.0127) if case.relaxing else None,
    )


def random_shot(
    case: Case, grid: Grid, *, steps: int = 70, noise_until: int = 1 << 30
) -> Callable[[str, Tiling], Shot]:
    """A shot with two sources and three receivers between nodes, to be fired by any engine."""
    rng = np.random.default_rng(case.seed + 1)
    section = grid.section
    low = np.array([section.x0_m, section.z0_m])
    size = CELL * np.array([section.columns - 1, section.depths - 1])
    sources, receivers = low + size * rng.uniform(size=(2, 2)), low + size * rng.uniform(size=(3, 2))
    currents = rng.normal(size=(2, steps))
    currents[:, noise_until:] = 0.0

    def shot(engine: str, tiling: Tiling) -> Shot:
        return fire(grid, sources, currents, receivers, engine=engine, tiling=tiling, frame_every=31)

    return shot


class TestEngines:
    @given(CASES, st.integers(2, 90), st.integers(8, 120), st.sampled_from(["single", "double"]))
    @settings(max_examples=15)
    def test_compiled_engines_give_the_same_bits(self, case: Case, depth: int, width: int, precision: str) -> None:
        # Tiles deeper than the run and wider than the grid are among them.
        grid = make_grid(random_section(case), precision=precision)  # type: ignore[arg-type]
        shot = random_shot(case, grid)
        first, *others = (shot(engine, Tiling(depth, width)) for engine in COMPILED)
        assert np.abs(first.field_v_per_m).max() > 0
        for other in others:
            assert first.field_v_per_m.tobytes() == other.field_v_per_m.tobytes()
            assert first.frames.tobytes() == other.frames.tobytes()

    @given(CASES, st.sampled_from(["single", "double"]))
    @settings(max_examples=12)
    def test_plain_and_compiled_agree_to_rounding(self, case: Case, precision: str) -> None:
        # A step rounds some ten times, each by half a unit of the largest value on the way; nothing amplifies it.
        steps = 70
        grid = make_grid(random_section(case), precision=precision)  # type: ignore[arg-type]
        shot = random_shot(case, grid, steps=steps)
        plain, tiled = (shot(engine, Tiling(8, 16)) for engine in ("plain", "tiled"))
        most = max(np.abs(plain.frames).max(), np.abs(plain.field_v_per_m).max())
        assert np.abs(plain.field_v_per_m).max() > 0
        bound = 5.0 * steps * float(np.finfo(grid.dtype).eps) * most
        assert np.abs(plain.field_v_per_m - tiled.field_v_per_m).max() <= bound
        # Pictures are float32 in both.
        assert np.abs(plain.frames - tiled.frames).max() <= bound + 6e-8 * most

    def test_pictures_are_taken_at_their_times_and_change_nothing(self) -> None:
        case = Case(7, 31, 22, conductors=True)
        grid = make_grid(random_section(case), precision="double")
        currents = np.random.default_rng(1).normal(size=(1, 60))
        places = ([[0.4, 0.03]], currents, [[0.3 + 12 * CELL, -0.04 + 9 * CELL]])
        with_frames, without = fire(grid, *places, frame_every=20), fire(grid, *places)
        assert with_frames.field_v_per_m.tobytes() == without.field_v_per_m.tobytes()
        assert without.frames.shape == (0, 31, 22)
        assert with_frames.frames.shape == (2, 31, 22)
        np.testing.assert_allclose(with_frames.frame_ns, grid.step_ns * np.array([20, 40]))
        # A receiver on a node hears what the picture of that moment shows there.
        at = [np.argmin(np.abs(with_frames.time_ns - t)) for t in with_frames.frame_ns]
        heard = with_frames.field_v_per_m[0, at].astype(np.float32)
        assert np.array_equal(with_frames.frames[:, 12, 9], heard)

    def test_sources_add_up(self) -> None:
        case = Case(3)
        grid = make_grid(random_section(case), precision="double")
        places = np.array([[0.35, 0.02], [0.4123, 0.0456]])
        currents = np.random.default_rng(2).normal(size=(2, 80))
        receiver = [[0.4567, 0.0812]]
        both = fire(grid, places, currents, receiver).field_v_per_m
        alone = [fire(grid, places[n : n + 1], currents[n : n + 1], receiver).field_v_per_m for n in (0, 1)]
        np.testing.assert_allclose(both, alone[0] + alone[1], rtol=0, atol=1e-12 * np.abs(both).max())

    def test_single_against_double(self) -> None:
        case = Case(11, 60, 50, conductors=True)
        section = random_section(case)
        fields = []
        for precision in ("single", "double"):
            grid = make_grid(section, precision=precision)  # type: ignore[arg-type]
            t = half_steps_ns(grid, 400)
            current = np.exp(-(((t - 1.5) / 0.4) ** 2))
            fields.append(fire(grid, [[0.36, 0.02]], [current], [[0.7, 0.2], [0.42, 0.05]]).field_v_per_m)
        assert fields[0].dtype == np.float32
        assert fields[1].dtype == np.float64
        error = np.abs(fields[0] - fields[1]).max(axis=1) / np.abs(fields[1]).max(axis=1)
        assert error.max() < 1e-5


def closed_box(section: Section) -> tuple[Grid, Window]:
    """A window whose edges absorb nothing: a box with conducting walls."""
    grid = make_grid(section, precision="double", fastest_permittivity=1.0)
    window = window_of(grid, 0, section.columns)
    edge, size = grid.edges.cells, window.media.keep.shape
    idle = Absorber(*(np.zeros((6, edge)) for _ in range(4)))
    object.__setattr__(grid, "absorber", idle)
    assert size[1] % 16 == 0
    return grid, window


def random_fields(window: Window, rng: np.random.Generator, *, relaxing: bool = False) -> Fields:
    shape = window.media.keep.shape
    fields = quiet_fields(*shape, window.grid.edges.cells, np.float64, relaxing=relaxing)
    fields.e[1:-1, 1:-1] = rng.normal(size=(shape[0] - 2, shape[1] - 2))
    fields.e[window.media.gain == 0] = 0.0
    return fields


def energies(section: Section, engine: str, steps: int) -> Array:
    """Energy of the grid, Σ (ε/C²) e² + Σ h₋ h₊ / w with w the weight of a link: what a leapfrog keeps exactly."""
    grid, window = closed_box(section)
    fields = random_fields(window, np.random.default_rng(5))
    media, links = window.media, window.links
    nothing = points_by_row([], [], [], [], np.zeros((0, steps)), len(media.keep))
    with np.errstate(divide="ignore", invalid="ignore"):
        # keep = (ε − q)/(ε + q) and gain = C²/(ε + q) give back ε/C².
        stiffness = np.where(media.gain > 0, 0.5 * (1.0 + media.keep) / media.gain, 0.0)
    weight = {"hx": np.ones(media.keep.shape), "hz": np.ones(media.keep.shape)}
    row = np.repeat(np.arange(len(links.first) - 1), np.diff(links.first))
    for name, part in (("hx", links.down), ("hz", ~links.down)):
        weight[name][row[part], links.k[part]] += links.extra[part]
    found = []
    for s in range(steps):
        e, before = fields.e.copy(), {name: getattr(fields, name).copy() for name in weight}
        ENGINES[engine](s, s + 1, Tiling(), fields, media, grid.absorber, links, nothing, nothing)
        total = np.sum(stiffness * e**2)
        for name, w in weight.items():
            # The last column's and depth's own fields lead nowhere.
            inner = (slice(0, -1), slice(0, -1))
            total += np.sum((before[name] * getattr(fields, name) / w)[inner])
        found.append(float(total))
    return np.array(found)


class TestEnergy:
    @pytest.mark.parametrize("engine", ["plain", "tiled"])
    def test_kept_without_loss(self, engine: str) -> None:
        section = random_section(Case(21, 24, 19, conductors=True), lossy=False)
        found = energies(section, engine, 300)
        np.testing.assert_allclose(found / found[0], 1.0, atol=1e-11)

    @pytest.mark.parametrize("engine", ["plain", "tiled"])
    def test_falls_in_lossy_soil_at_every_step(self, engine: str) -> None:
        section = random_section(Case(22, 24, 19, conductors=True), lossy=True)
        found = energies(section, engine, 300)
        assert np.diff(found).max() < 0
        assert found.min() > 0

    def test_even_loss_takes_what_theory_takes(self) -> None:
        # Without walls far away, ∂e/∂t = −σe/ε for an even field: one step keeps (ε − q)/(ε + q) of it.
        section = Section(np.full((9, 9), 4.0), np.full((9, 9), 20.0), CELL)
        grid = make_grid(section, precision="double", fastest_permittivity=1.0)
        kept = grid.keep[4, 20]
        assert np.log(kept) == pytest.approx(-20e-3 / (4.0 * 8.8541878e-12) * grid.step_ns * 1e-9, rel=1e-4)


class TestExchange:
    """Source and receiver may be exchanged: Lorentz, as in Harrington 1961, sec. 3-8."""

    @pytest.mark.parametrize("relaxing", [False, True])
    def test_reciprocity(self, relaxing: bool, measured: Callable[..., None]) -> None:
        # Air over patchy lossy soil with conductors; waves pass through the absorbing edges, close by.
        rng = np.random.default_rng(31)
        columns, depths = 70, 60
        depth = CELL * np.arange(-12, depths - 12)[None, :]
        epsilon = np.where(depth < 0, 1.0, rng.uniform(4.0, 20.0, (columns, depths)))
        sigma = np.where(depth < 0, 0.0, rng.uniform(0.0, 40.0, (columns, depths)))
        conductors = (
            shapely.Point(0.31, 0.2).buffer(0.0432),
            shapely.LineString([(0.45, 0.1), (0.63, 0.31)]).buffer(0.002),
            shapely.box(0.5, 0.37, 0.9, 0.41),
        )
        relaxation = Relaxation(np.where(depth < 0, 0.0, rng.uniform(0.0, 20.0, (columns, depths))), 0.0127)
        section = Section(
            epsilon, sigma, CELL, z0_m=-0.12, conductors=conductors, relaxation=relaxation if relaxing else None
        )
        grid = make_grid(section)
        t = half_steps_ns(grid, 900)
        current = np.exp(-(((t - 2.0) / 0.5) ** 2))
        places = [(0.1234, -0.0567), (0.66, 0.0123), (0.3456, 0.4321), (0.0151, 0.3333)]
        worst = 0.0
        for a in range(len(places)):
            for b in range(a):
                there = fire(grid, [places[a]], [current], [places[b]]).field_v_per_m[0]
                back = fire(grid, [places[b]], [current], [places[a]]).field_v_per_m[0]
                worst = max(worst, float(np.abs(there - back).max() / np.abs(there).max()))
        name = "reciprocity, single precision" + (", relaxing water" if relaxing else "")
        measured(name, "source and receiver exchanged (Lorentz)", worst, most=1e-5)


class TestNoGrowth:
    """50,000 steps with 80:1 contrast, noise of all frequencies, conductors that cut cells at nasty places."""

    @pytest.mark.parametrize("lossy", [False, True])
    @pytest.mark.parametrize("relaxing", [False, True])
    @pytest.mark.parametrize("precision", ["single", "double"])
    def test_50_000_steps(self, precision: str, relaxing: bool, lossy: bool) -> None:
        steps = 50_000
        case = Case(41, 19, 20, conductors=True, relaxing=relaxing)
        section = random_section(case, contrast=80.0, lossy=lossy)
        assert section.permittivity.min() == 1.0
        assert section.permittivity.max() == 80.0
        grid = make_grid(section, precision=precision)  # type: ignore[arg-type]
        assert grid.links.extra.max() > 1.0
        shot = random_shot(case, grid, steps=steps, noise_until=2000)
        heard = np.abs(shot("tiled", Tiling(32, 64)).field_v_per_m)
        assert np.isfinite(heard).all()
        level = heard.reshape(heard.shape[0], 10, -1).max(axis=(0, 2))
        assert level[0] > 0
        if lossy:
            assert (np.diff(level) < 0).all(), level
            assert level[-1] < 1e-3 * level[0], level
        else:
            # A hollow among the conductors rings for ever, and beats, but with the energy that it got.
            assert level[1:].max() <= 1.05 * level[0], level

    @pytest.mark.parametrize("seed", range(6))
    def test_air_full_of_conductors(self, seed: int) -> None:
        # In air the time step leaves the least room for near faces.
        case = Case(50 + seed, 17, 15, conductors=True)
        section = random_section(case).with_materials(np.ones((17, 15)), np.zeros((17, 15)))
        grid = make_grid(section)
        assert grid.links.extra.max() > 0.3
        heard = np.abs(random_shot(case, grid, steps=20_000, noise_until=1000)("tiled", Tiling()).field_v_per_m)
        assert np.isfinite(heard).all()
        assert heard[:, -2000:].max() <= heard[:, 1000:3000].max()


class TestRefused:
    @staticmethod
    def grid() -> Grid:
        return make_grid(Section(np.ones((12, 12)), np.zeros((12, 12)), CELL))

    def test_unknown_engine(self) -> None:
        with pytest.raises(
            InputError, match=r"engine must be one of plain, swept, tiled, parallel \(received 'fast'\)"
        ):
            fire(self.grid(), [[0.05, 0.05]], np.ones((1, 9)), [[0.06, 0.06]], engine="fast")

    @pytest.mark.parametrize(
        ("source", "receiver", "message"),
        [
            ([[0.2, 0.05]], [[0.05, 0.05]], r"a source lies outside the section \(received distance 0.2 m, depth 0.05"),
            ([[0.05, 0.05]], [[0.05, -0.02]], "a receiver lies outside the section.*Move it, or make"),
            ([[0.05, 0.05]], [[0.05, 0.05], [0.05, 0.12]], "a receiver lies outside the section .received .*0.12 m"),
            (
                [[0.05, 0.05, 0.05]],
                [[0.05, 0.05]],
                r"sources must be \(P, 2\): distance and depth .received",
            ),
            ([[0.05, 0.05]], [[0.05]], r"receivers must be \(P, 2\): distance and depth"),
            ([[0.05, 0.05], [0.06, 0.06]], [[0.05, 0.05]], "each source needs a current .received 2 sources, 1 curr"),
            ([[0.05, np.nan]], [[0.05, 0.05]], "sources_m holds values that are not finite"),
            ([[0.05, 0.05]], np.zeros((0, 2)), "receivers_m is empty"),
        ],
    )
    def test_places(self, source: Any, receiver: Any, message: str) -> None:
        with pytest.raises(InputError, match=message):
            fire(self.grid(), source, np.ones((1, 9)), receiver)

    def test_currents(self) -> None:
        with pytest.raises(InputError, match="currents_a holds values that are not finite"):
            fire(self.grid(), [[0.05, 0.05]], [[0.0, np.inf]], [[0.05, 0.05]])
        with pytest.raises(InputError, match="currents_a must have 2 axes"):
            fire(self.grid(), [[0.05, 0.05]], np.ones(9), [[0.05, 0.05]])

    @pytest.mark.parametrize(("depth", "width", "name"), [(0, 8, "depth"), (8, 0, "width"), (-3, 8, "depth")])
    def test_tiling(self, depth: int, width: int, name: str) -> None:
        with pytest.raises(InputError, match=f"{name} must lie between 1 and"):
            Tiling(depth, width)

    def test_no_links_is_a_grid_without_conductors(self) -> None:
        assert len(self.grid().links.k) == len(no_links(12, np.float32).k) == 0
