"""Sections, cells, edges and grids: what they hold, and what they refuse with the number that would do."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely

from yewline.errors import InputError
from yewline.physics import absorber_conductivity_s_per_m, courant_limit_ns, ricker_band_mhz
from yewline.simulation.wave import Edges, Relaxation, Section, cell_that_would_do, check_cell, make_grid, window_of
from yewline.simulation.wave.cubic import cubic_weights
from yewline.simulation.wave.digits import round_down, round_up
from yewline.units import C_M_PER_NS


def even(epsilon: float = 9.0, shape: tuple[int, int] = (20, 15), **settings: Any) -> Section:
    return Section(np.full(shape, epsilon), np.zeros(shape), **{"cell_m": 0.02, **settings})


class TestSection:
    def test_axes(self) -> None:
        section = even(x0_m=-0.2, z0_m=-0.1)
        assert (section.columns, section.depths) == (20, 15)
        assert section.length_m == pytest.approx(0.38)
        np.testing.assert_allclose(section.distance_m[[0, 1, -1]], [-0.2, -0.18, 0.18])
        np.testing.assert_allclose(section.depth_m[[0, 5, -1]], [-0.1, 0.0, 0.18], atol=1e-15)
        assert section.permittivity.dtype == np.float32

    def test_what_it_was_made_from_does_not_change(self) -> None:
        values = np.full((5, 4), 3.0)
        section = Section(values, np.zeros((5, 4)), 0.1)
        make_grid(section)
        assert (values == 3.0).all()
        other = section.with_materials(values + 1, values)
        assert (section.permittivity == 3.0).all()
        assert (other.permittivity == 4.0).all()
        assert other.cell_m == 0.1

    def test_permittivity_with_what_relaxes(self) -> None:
        section = even(5.0, relaxation=Relaxation(np.full((20, 15), 7.0), 0.01))
        assert (section.static_permittivity() == 12.0).all()
        assert (even(5.0).static_permittivity() == 5.0).all()

    def test_shapes(self) -> None:
        with pytest.raises(InputError, match=r"the same shape .received \(3, 4\) and \(4, 3\)"):
            Section(np.ones((3, 4)), np.zeros((4, 3)), 0.1)
        with pytest.raises(InputError, match="permittivity must have 2 axes"):
            Section(np.ones(4), np.zeros(4), 0.1)
        with pytest.raises(InputError, match="permittivity is empty"):
            Section(np.ones((0, 4)), np.zeros((0, 4)), 0.1)
        with pytest.raises(InputError, match=r"relaxing part must have the section's shape .received \(2, 2\) and"):
            even(relaxation=Relaxation(np.ones((2, 2)), 0.01))

    @pytest.mark.parametrize(
        ("name", "value", "message"),
        [
            (
                "permittivity",
                0.5,
                "0.06 m along .*, 0.04 m deep: .* permittivity below 1 .received 0.5.*air is",
            ),
            ("permittivity", -3.0, "a permittivity below 1 .received -3.0"),
            ("permittivity", np.nan, r"permittivity holds values that are not finite .received nan at \(3, 2\)"),
            ("conductivity_ms_per_m", -1.0, "0.06 m along .* a negative conductivity .received -1.0.*use 0 or more"),
            ("conductivity_ms_per_m", np.inf, "conductivity_ms_per_m holds values that are not finite"),
        ],
    )
    def test_materials_that_cannot_be(self, name: str, value: float, message: str) -> None:
        values = {"permittivity": np.full((20, 15), 4.0), "conductivity_ms_per_m": np.zeros((20, 15))}
        values[name][3, 2] = value
        with pytest.raises(InputError, match=message):
            Section(**values, cell_m=0.02)

    def test_relaxation(self) -> None:
        with pytest.raises(InputError, match="relaxing part of a permittivity must not be negative .received -1.0"):
            Relaxation(np.array([[1.0, -1.0]]), 0.01)
        with pytest.raises(InputError, match="time_ns must be greater than zero"):
            Relaxation(np.ones((2, 2)), 0.0)

    @pytest.mark.parametrize(("cell", "x0", "message"), [(0.0, 0.0, "cell_m must be"), (1.0, np.nan, "x0_m must be")])
    def test_numbers(self, cell: float, x0: float, message: str) -> None:
        with pytest.raises(InputError, match=message):
            even(cell_m=cell, x0_m=x0)

    def test_conductors(self) -> None:
        bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
        with pytest.raises(InputError, match=r"conductor 1: .*not cross itself .received Self-intersection"):
            even(conductors=(shapely.box(0, 0, 1, 1), bow))
        with pytest.raises(InputError, match="conductor 0: .* enclose an area .* .received an empty outline"):
            even(conductors=(shapely.Polygon(),))


class TestCell:
    def test_ten_cells_in_the_shortest_wavelength(self) -> None:
        # 0.29979 m/ns / 3 / 0.6 GHz / 10.
        assert cell_that_would_do(9.0, 600.0) == pytest.approx(C_M_PER_NS / 3 / 0.6 / 10)
        assert cell_that_would_do(9.0, 600.0, cells_a_wavelength=20.0) == pytest.approx(C_M_PER_NS / 3 / 0.6 / 20)

    def test_refusal_names_material_place_and_cell(self) -> None:
        epsilon = np.full((20, 15), 4.0)
        epsilon[7, 11] = 25.0
        section = Section(epsilon, np.zeros((20, 15)), 0.02, x0_m=1.0, z0_m=-0.1)
        edge = ricker_band_mhz(peak_mhz=400.0, level=0.01)[1]
        with pytest.raises(InputError) as caught:
            check_cell(section, edge)
        text = str(caught.value)
        assert text.startswith("1.14 m along the section, 0.12 m deep: the cells are too coarse")
        assert "(received 0.02 m: 2.7 cells a wavelength at 1106 MHz in permittivity 25.0)" in text
        assert text.endswith("Use cells of 0.0054 m or less.")
        # The number does.
        check_cell(Section(epsilon, np.zeros((20, 15)), 0.0054), edge)
        with pytest.raises(InputError, match="too coarse"):
            check_cell(Section(epsilon, np.zeros((20, 15)), 0.0055), edge)

    def test_relaxing_water_counts(self) -> None:
        section = even(4.0, relaxation=Relaxation(np.full((20, 15), 21.0), 0.01))
        with pytest.raises(InputError, match=r"in permittivity 25.0"):
            check_cell(section, 400.0)
        check_cell(even(4.0), 400.0)

    @pytest.mark.parametrize("value", [0.0123456, 1.0, 0.99, 25.0, 3.3e-5, 8.0e3])
    def test_two_digits_on_the_safe_side(self, value: float) -> None:
        assert value * 0.9 < round_down(value) <= value * (1 + 1e-9)
        assert value * 1.1 > round_up(value) >= value * (1 - 1e-9)
        for rounded in (round_down(value), round_up(value)):
            assert float(f"{rounded:.2g}") == pytest.approx(rounded, rel=1e-9)


class TestGrid:
    def test_step(self) -> None:
        assert make_grid(even(1.0)).step_ns == pytest.approx(0.99 * courant_limit_ns(0.02))
        assert make_grid(even(4.0)).step_ns == pytest.approx(2 * 0.99 * courant_limit_ns(0.02))
        assert make_grid(even(4.0), fastest_permittivity=1.0).step_ns == make_grid(even(1.0)).step_ns

    def test_fastest_permittivity_above_the_section(self) -> None:
        # The step would be too long: the field would grow without bound.
        with pytest.raises(InputError, match=r"too long for .* .received fastest_permittivity 6, with 4 .* Give 4 or"):
            make_grid(even(4.0), fastest_permittivity=6.0)
        with pytest.raises(InputError, match="fastest_permittivity must be greater than zero"):
            make_grid(even(4.0), fastest_permittivity=0.0)

    def test_settings(self) -> None:
        with pytest.raises(InputError, match=r"precision must be one of single, double .received 'half'"):
            make_grid(even(), precision="half")  # type: ignore[arg-type]
        with pytest.raises(InputError, match="courant_share must lie between"):
            make_grid(even(), courant_share=1.0)

    def test_edges_of_another_grid(self) -> None:
        first = make_grid(even(4.0), fastest_permittivity=1.0)
        other = make_grid(even(9.0), fastest_permittivity=1.0, like=first)
        assert other.absorber is first.absorber
        with pytest.raises(InputError, match=r"same cells only .received cells of 0.01 m .* with 0.02 m.*Give both"):
            make_grid(even(4.0, cell_m=0.01), fastest_permittivity=1.0, like=first)

    def test_memory(self) -> None:
        for relaxation, arrays in ((None, 5), (Relaxation(np.ones((20, 15)), 0.01), 7)):
            grid = make_grid(even(relaxation=relaxation))
            window = window_of(grid, 0, 20)
            cells = window.media.keep.size
            assert grid.cells_of_window(20) == cells == 52 * 48
            psi = 4 * 16 * (52 + 48)
            assert grid.bytes_of_window(20) == 4 * (arrays * cells + psi)
            assert grid.bytes_held == 4 * 20 * 48 * (3 if relaxation else 2)

    def test_windows_beyond_the_section_repeat_its_ends(self) -> None:
        epsilon = np.linspace(1.0, 20.0, 20)[:, None] * np.ones((1, 15))
        grid = make_grid(Section(epsilon, np.zeros((20, 15)), 0.02))
        window = window_of(grid, -3, 26)
        assert np.array_equal(window.media.gain[: 16 + 4], np.tile(grid.gain[0], (20, 1)))
        assert np.array_equal(window.media.gain[16 + 3 : 16 + 23], grid.gain)
        assert np.array_equal(window.media.gain[16 + 22 :], np.tile(grid.gain[-1], (20, 1)))
        # The outermost depths are walls.
        assert not window.media.gain[:, [0, -1]].any()
        assert window.media.gain[:, 1:-1].all()


class TestEdges:
    @pytest.mark.parametrize(("cells", "advice"), [(10, "Use 16"), (20, "Use 16"), (0, "Use 16"), (41, "Use 48")])
    def test_whole_blocks(self, cells: int, advice: str) -> None:
        with pytest.raises(InputError, match=f"whole number of blocks of 16 cells .received {cells}.*{advice}"):
            Edges(cells=cells)
        Edges(cells=int(advice.split()[1]))

    @pytest.mark.parametrize("name", ["grade", "stretch", "strength", "turn_mhz"])
    def test_settings(self, name: str) -> None:
        with pytest.raises(InputError, match=f"{name} must"):
            Edges(**{name: -1.0})

    def test_coefficients(self) -> None:
        # Roden & Gedney 2000: b = exp(−(σ/κ + α)Δt/ε₀), c = σ(b − 1)/(σκ + κ²α), at the middle of the bottom edge.
        grid = make_grid(even(9.0), edges=Edges(grade=3.0, stretch=5.0, turn_mhz=30.0), precision="double")
        depth = (8 + 0.5) / 16
        sigma = absorber_conductivity_s_per_m(0.02, permittivity=9.0, order=3.0, rule="taflove") * depth**3
        kappa, alpha = 1 + 4 * depth**3, 2 * math.pi * 30e6 * 8.8541878e-12 * (1 - depth)
        b = math.exp(-(sigma / kappa + alpha) * grid.step_ns * 1e-9 / 8.8541878e-12)
        expected = [b, sigma * (b - 1) / (sigma * kappa + kappa**2 * alpha), 1 / kappa - 1]
        np.testing.assert_allclose(grid.absorber.up[:3, 7], expected, rtol=1e-6)
        # A first edge is a last one seen from the other side; the bottom begins one cell further in.
        np.testing.assert_allclose(grid.absorber.down[:3, :-1], grid.absorber.up[:3, -2::-1], rtol=1e-14)
        np.testing.assert_allclose(grid.absorber.down[3:, 1:], grid.absorber.up[3:, -2::-1], rtol=1e-14)
        np.testing.assert_array_equal(grid.absorber.along[:3], grid.absorber.back[:3, ::-1])
        np.testing.assert_allclose(grid.absorber.along[3:, 1:], grid.absorber.back[3:, :0:-1], rtol=1e-14)


class TestCubic:
    def test_cubics_are_exact(self) -> None:
        place = np.array([1.0, 1.25, 2.5, 3.999, 4.0, 4.7])
        at, weights = cubic_weights(place)
        values = (np.arange(8.0) - 2.3) ** 3
        found = (values[at + np.arange(-1, 3)[:, None]] * weights).sum(axis=0)
        np.testing.assert_allclose(found, (place - 2.3) ** 3, atol=1e-12)
        np.testing.assert_allclose(weights.sum(axis=0), 1.0)

    @pytest.mark.parametrize("off", [0.0, 1e-10, -1e-10])
    def test_a_node_counts_alone(self, off: float) -> None:
        at, weights = cubic_weights(5.0 + off)
        assert at == 5
        assert weights.tolist() == [0.0, 1.0, 0.0, 0.0]

    def test_fourth_order(self) -> None:
        errors = []
        for spacing in (0.2, 0.1):
            at, weights = cubic_weights(np.linspace(2.0, 6.0, 101) / spacing)
            values = np.sin(spacing * np.arange(64))
            read = (values[at + np.arange(-1, 3)[:, None]] * weights).sum(axis=0)
            errors.append(np.abs(read - np.sin(np.linspace(2.0, 6.0, 101))).max())
        assert math.log2(errors[0] / errors[1]) > 3.8
