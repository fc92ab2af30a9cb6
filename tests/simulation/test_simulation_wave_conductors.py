"""Conductors that cut cells: shares against geometry, images in flat faces, thin plates, the bound of stability."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.physics import Medium, line_source_response, ricker
from yewline.simulation.wave import Section, fire, half_steps_ns, make_grid, window_of
from yewline.simulation.wave.conductors import Cuts, bounded_weights, cut_links

Array = npt.NDArray[np.float64]

CELL = 0.02
X = -0.3 + CELL * np.arange(41)
Z = -0.1 + CELL * np.arange(31)


def links_of(body: shapely.Polygon) -> tuple[Cuts, Array, Array]:
    """Cuts of one conductor, and each link's node outside and direction toward the inside."""
    cuts = cut_links([body], X, Z, CELL)
    first = np.column_stack([cuts.i, cuts.k])
    step = np.where(cuts.down[:, None], [0, 1], [1, 0])
    starts_outside = (cuts.outer == first).all(axis=1)
    toward = np.where(starts_outside[:, None], step, -step)
    return cuts, np.column_stack([X[cuts.outer[:, 0]], Z[cuts.outer[:, 1]]]), toward.astype(np.float64)


class TestShares:
    @given(st.floats(-0.15, 0.35), st.floats(0.05, 0.35), st.floats(0.03, 0.1))
    @settings(max_examples=40)
    def test_circle(self, x: float, z: float, radius: float) -> None:
        # Distance along an axis from a node to a circle, in closed form; the polygon differs by 1e-5 of the radius.
        cuts, node, toward = links_of(shapely.Point(x, z).buffer(radius, quad_segs=200))
        held = np.hypot(X[:, None] - x, Z - z) < radius * (1 - 1e-4)
        assert cuts.inside[held].all()
        assert len(cuts.i) > 8
        along = np.sum((np.array([x, z]) - node) * toward, axis=1)
        aside = np.sum((np.array([x, z]) - node) * toward[:, ::-1], axis=1)
        meets = np.abs(aside) < radius * (1 - 1e-4)
        expected = (along - np.sqrt(np.where(meets, radius**2 - aside**2, 0.0))) / CELL
        # A node held for the flat top of the circle between two nodes may have it beside the link.
        near = meets & (expected < 1.49)
        assert near.sum() >= 8
        np.testing.assert_allclose(cuts.open_share[near], np.maximum(expected[near], 1e-6), atol=2e-3)
        assert ((cuts.open_share > 0) & (cuts.open_share <= 1.5)).all()

    def test_box(self) -> None:
        cuts, _, toward = links_of(shapely.box(0.003, 0.111, 0.207, 0.258))
        # Faces at 15.15, 25.35 cells along and 10.55, 17.9 down.
        expected = {(1, 0): 0.15, (-1, 0): 0.65, (0, 1): 0.55, (0, -1): 0.1}
        assert cuts.inside.sum() == (25 - 16 + 1) * (17 - 11 + 1)
        for side, share in expected.items():
            mine = (toward == side).all(axis=1)
            assert mine.sum() == (7 if side[0] else 10)
            np.testing.assert_allclose(cuts.open_share[mine], share, atol=1e-9)

    def test_face_on_nodes_holds_them(self) -> None:
        cuts, _, _ = links_of(shapely.box(X[10], Z[10], X[14], Z[13]))
        assert cuts.inside.sum() == 5 * 4
        np.testing.assert_allclose(cuts.open_share, 1.0, atol=1e-9)

    def test_every_link_is_named_once(self) -> None:
        cuts, _, _ = links_of(shapely.Point(0.1, 0.2).buffer(0.0731))
        assert len({(i, k, d) for i, k, d in zip(cuts.i, cuts.k, cuts.down, strict=True)}) == len(cuts.i)
        across = np.count_nonzero(cuts.inside[1:] != cuts.inside[:-1])
        assert across + np.count_nonzero(cuts.inside[:, 1:] != cuts.inside[:, :-1]) == len(cuts.i)

    def test_none_here(self) -> None:
        for bodies in ([], [shapely.box(5.0, 5.0, 6.0, 6.0)]):
            cuts = cut_links(bodies, X, Z, CELL)
            assert not cuts.inside.any()
            assert len(cuts.i) == len(cuts.open_share) == 0


class TestThin:
    @given(st.floats(0.0, 180.0), st.floats(0.02, 0.2), st.floats(0.1, 0.4), st.floats(1e-5, 0.018))
    @settings(max_examples=40)
    def test_no_plate_has_a_hole(self, degrees: float, x: float, z: float, thick: float) -> None:
        # Every link that the plate crosses ends at a node that is held, and no such node is a cell or more away.
        along = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
        plate = shapely.LineString([(x, z) - 0.12 * along, (x, z) + 0.12 * along]).buffer(thick / 2, cap_style="flat")
        cuts = cut_links([plate], X, Z, CELL)
        for step in ((1, 0), (0, 1)):
            i, k = (part.ravel() for part in np.meshgrid(np.arange(40), np.arange(30), indexing="ij"))
            ends = np.array([[X[i], Z[k]], [X[i + step[0]], Z[k + step[1]]]]).transpose(2, 0, 1)
            crossed = shapely.intersects(shapely.linestrings(ends), plate)
            assert (cuts.inside[i, k] | cuts.inside[i + step[0], k + step[1]])[crossed].all()
        held = np.argwhere(cuts.inside)
        away = shapely.distance(shapely.points(X[held[:, 0]], Z[held[:, 1]]), plate)
        assert away.max() <= 0.5 * CELL + 1e-9

    def test_face_behind_the_node_that_stands_for_it(self) -> None:
        # A plate 0.3 cells below a row of nodes: 0.3 + 1 cells from the row above, 0.7 − its thickness from below.
        cuts = cut_links([shapely.box(-1.0, Z[10] + 0.3 * CELL, 1.0, Z[10] + 0.31 * CELL)], X, Z, CELL)
        assert np.array_equal(np.flatnonzero(cuts.inside.any(axis=0)), [10])
        above, below = cuts.down & (cuts.k == 9), cuts.down & (cuts.k == 10)
        assert above.sum() == below.sum() == len(X)
        np.testing.assert_allclose(cuts.open_share[above], 1.3, atol=1e-9)
        np.testing.assert_allclose(cuts.open_share[below], 0.69, atol=1e-9)

    def test_wire_between_all_links(self) -> None:
        cuts = cut_links([shapely.Point(X[7] + 0.4 * CELL, Z[5] - 0.3 * CELL).buffer(0.002)], X, Z, CELL)
        assert np.argwhere(cuts.inside).tolist() == [[7, 5]]
        np.testing.assert_allclose(cuts.open_share, 1.0)
        outside = cut_links([shapely.Point(X[0] - 0.7 * CELL, 0.0).buffer(0.002)], X, Z, CELL)
        assert not outside.inside.any()

    def test_slanted_plate_lets_nothing_through(self) -> None:
        # Before the waves around its ends arrive, the field behind it is zero to the last bit.
        n, cell = 121, 0.01
        for degrees in (0.0, 10.0, 27.0, 45.0):
            along = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
            aside, middle = np.array([-along[1], along[0]]), np.array([0.6, 0.6])
            plate = shapely.LineString([middle - 2 * along, middle + 2 * along]).buffer(0.0005, cap_style="flat")
            heard = []
            for conductors in ((), (plate,)):
                grid = make_grid(Section(np.full((n, n), 4.0), np.zeros((n, n)), cell, conductors=conductors))
                current = ricker(half_steps_ns(grid, 400) - 3.0, peak_mhz=500.0)
                heard.append(fire(grid, [middle - 0.2 * aside], [current], [middle + 0.2 * aside]).field_v_per_m)
            assert np.abs(heard[0]).max() > 1.0
            assert not heard[1].any()


def image_error(
    cells: float, degrees: float, *, plate: bool = False, epsilon: float = 4.0, staircase: bool = False
) -> float:
    """Error over peak before a flat conductor, against the line current and its image (Balanis, sec. 7.2 and 11.2).

    `cells` in a wavelength at the pulse's peak; a face 0.2 m behind the source, through no particular place.
    """
    medium, peak = Medium(epsilon, 5.0), 400.0
    cell = 0.29979 / np.sqrt(epsilon) / 0.4 / cells
    along = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    down = np.array([-along[1], along[0]])
    through = np.array([0.00713, 0.20371])
    if staircase:
        # Held nodes alone, without the distance of the face from them: the face at the first row of nodes beyond it.
        through = np.array([0.0, np.ceil(through[1] / cell) * cell])
    deep = 0.002 if plate else 2.0
    corners = [through - 3 * along, through + 3 * along, through + 3 * along + deep * down]
    body = shapely.Polygon([*corners, through - 3 * along + deep * down])
    n = round(1.1 / cell)
    x = (np.arange(-n, n + 1)) * cell
    z = (np.arange(-round(0.45 / cell), round(0.55 / cell) + 1)) * cell
    shape = (len(x), len(z))
    section = Section(np.full(shape, epsilon), np.full(shape, 5.0), cell, x0_m=x[0], z0_m=z[0], conductors=(body,))
    grid = make_grid(section, precision="double", fastest_permittivity=1.0)
    face = np.array([0.00713, 0.20371])
    source = np.array([-0.25, 0.0113])
    places = np.array([[0.0, 0.05], [0.21, -0.06], [0.38, 0.0377]])
    image = source + 2.0 * down * ((face - source) @ down)
    t = half_steps_ns(grid, int(14.0 / grid.step_ns))
    current = ricker(t - 3.0, peak_mhz=peak)
    heard = fire(grid, [source], [current], places).field_v_per_m

    def exact(at: Array) -> Array:
        # Four times finer, and half a step on: currents act at half steps.
        fine = 0.25 * grid.step_ns * np.arange(4 * len(t))
        pulse = ricker(fine - 3.0, peak_mhz=peak)
        found = line_source_response(
            pulse, interval_ns=0.25 * grid.step_ns, distance_m=np.hypot(*(places - at).T), medium=medium
        )
        return np.asarray(found[:, 4::4])

    expected = exact(source) - exact(image)
    return float(np.abs(heard[:, :-1] - expected).max() / np.abs(expected).max())


class TestImage:
    """A flat conductor answers as a line current of opposite sign behind it: Balanis, Advanced Eng. EM, sec. 7.2."""

    def test_second_order_at_any_place(self) -> None:
        errors = [image_error(cells, 0.0) for cells in (16.0, 32.0, 64.0)]
        order = np.log2(np.array(errors[:-1]) / errors[1:])
        assert order.min() >= 1.9, errors

    def test_staircase_is_worse(self) -> None:
        cut, stairs = (np.array([image_error(c, 0.0, staircase=s) for c in (40.0, 50.0, 60.0)]) for s in (False, True))
        assert stairs.mean() > 3.0 * cut.mean(), (cut, stairs)

    @pytest.mark.parametrize("plate", [False, True])
    def test_slanted(self, plate: bool) -> None:
        # Thick, or a plate of 2 mm that is thinner than a cell.
        errors = [image_error(cells, 17.0, plate=plate) for cells in (15.0, 30.0, 60.0)]
        order = np.log2(errors[0] / errors[2]) / 2.0
        assert order >= 1.9, errors

    def test_air(self) -> None:
        # In air near faces are held back by the time step: still within a few percent at 20 cells.
        assert image_error(20.0, 17.0, epsilon=1.0) < 0.05


class TestEnds:
    """A conductor goes on through the absorbing edges."""

    @pytest.mark.parametrize("degrees", [0.0, 90.0])
    def test_face_through_the_edges(self, degrees: float) -> None:
        # A face off the nodes, heard beside the edges, against a section too long for its ends to be heard.
        heard = []
        for n in (40, 300):
            half = n * CELL
            values = np.full((2 * n + 1, 2 * n + 1), 6.0)
            body = shapely.affinity.rotate(shapely.box(-9.0, 0.2134, 9.0, 9.0), degrees, origin=(0, 0))
            section = Section(values, 0.5 * values, CELL, x0_m=-half, z0_m=-half, conductors=(body,))
            grid = make_grid(section)
            current = ricker(half_steps_ns(grid, 800) - 6.0, peak_mhz=250.0)
            turn = np.array([[0.0, 1.0], [-1.0, 0.0]]) if degrees else np.eye(2)
            places = np.array([[0.0, 0.0], [0.75, 0.1], [-0.6, 0.15]]) @ turn
            heard.append(fire(grid, places[:1], [current], places[1:]).field_v_per_m)
        error = np.abs(heard[0] - heard[1]).max(axis=1) / np.abs(heard[1]).max(axis=1)
        assert error.max() < 1e-3, error

    def test_links_of_a_window(self) -> None:
        # A window's links are those of its columns; its end columns' go on through the edges.
        body = shapely.LineString([(-0.2, 0.05), (0.3, 0.31)]).buffer(0.031)
        floor = shapely.box(-9.0, 0.4871, 9.0, 9.0)
        section = Section(
            np.full((41, 31), 4.0), np.zeros((41, 31)), CELL, x0_m=X[0], z0_m=Z[0], conductors=(body, floor)
        )
        grid = make_grid(section)
        whole, part = window_of(grid, 0, 41), window_of(grid, 14, 9)
        edge = grid.edges.cells
        for j in range(8):
            mine = slice(*part.links.first[edge + j : edge + j + 2])
            theirs = slice(*whole.links.first[edge + 14 + j : edge + 14 + j + 2])
            for name in ("k", "down", "extra"):
                assert np.array_equal(getattr(part.links, name)[mine], getattr(whole.links, name)[theirs])
        for column, beyond in ((edge, range(edge)), (edge + 8, range(edge + 9, 9 + 2 * edge))):
            own = slice(*part.links.first[column : column + 2])
            down = part.links.k[own][part.links.down[own]]
            for other in beyond:
                rest = slice(*part.links.first[other : other + 2])
                assert part.links.down[rest].all()
                assert np.array_equal(part.links.k[rest], down)


class TestBound:
    """Gershgorin's theorem: a leapfrog is stable where no row of gain times weights reaches 4."""

    @pytest.mark.parametrize("share", [0.3, 0.9, 0.99, 0.999])
    def test_no_row_exceeds_it_in_air(self, share: float) -> None:
        rng = np.random.default_rng(3)
        bodies = [
            shapely.Point(rng.uniform(-0.2, 0.4), rng.uniform(0.0, 0.4)).buffer(rng.uniform(0.015, 0.08))
            for _ in range(14)
        ]
        section = Section(np.ones((41, 31)), np.zeros((41, 31)), CELL, x0_m=X[0], z0_m=Z[0], conductors=tuple(bodies))
        grid = make_grid(section, precision="double", courant_share=share)
        columns, depths = window_of(grid, 0, 41).media.gain.shape
        window = window_of(grid, 0, 41)
        row = np.repeat(np.arange(columns), np.diff(window.links.first))
        along, down = np.ones((columns, depths)), np.ones((columns, depths))
        for weight, part in ((down, window.links.down), (along, ~window.links.down)):
            weight[row[part], window.links.k[part]] += window.links.extra[part]
        gain = window.media.gain
        held = np.pad(gain, 1) == 0
        total = np.zeros((columns, depths))
        sides = [(along, (-1, 0)), (np.roll(along, 1, 0), (1, 0)), (down, (0, -1)), (np.roll(down, 1, 1), (0, 1))]
        for weight, step in sides:
            beyond = np.roll(held, step, (0, 1))[1:-1, 1:-1]
            total += weight * np.where(beyond, 1.0, 2.0)
        assert (gain * total).max() < 4.0
        if share > 0.9:
            assert window.links.extra.max() < 3.2

    def test_only_what_is_too_near_is_held_back(self) -> None:
        cuts, _, _ = links_of(shapely.box(0.003, 0.111, 0.207, 0.258))
        free = bounded_weights(cuts, np.full((41, 31), 1e3))
        np.testing.assert_allclose(free, 1.0 / cuts.open_share)
        # As in air at the usual step: 4 / 0.49, where single links may weigh 2.08.
        held = bounded_weights(cuts, np.full((41, 31), 4.0 / 0.49))
        far = cuts.open_share > 0.49
        np.testing.assert_allclose(held[far], free[far])
        assert held.max() == pytest.approx(0.99 * 4.0 / 0.49 - 6.0)
        assert held.min() >= 1.0
