"""Diffraction sums: engines against their twins, each other, a plain sum and PyLops; exact transposes; memory."""

from __future__ import annotations

import math
import tracemalloc
import warnings

import numpy as np
import pytest
from pylops import FunctionOperator
from pylops.utils import dottest
from pylops.waveeqprocessing.kirchhoff import Kirchhoff
from scipy.sparse.linalg import aslinearoperator, lsqr

from yewline.errors import InputError
from yewline.signal.migration import (
    KirchhoffOptions,
    Layers,
    MigrationOperator,
    Recording,
    VelocitySection,
    antennas_on_line,
    antennas_on_lines,
    kirchhoff_operator,
    kirchhoff_plain,
    leg_times,
    places_below_line,
    places_in_block,
    ray_kernels,
)
from yewline.signal.migration.kirchhoff import operator_of
from yewline.signal.migration.kirchhoff_engines import EVEN, STRAIGHT, choose_sums, make_plan

V = 0.1
RECORDING = Recording(90, 0.25, 300.0)
X = 0.05 * np.arange(36)
DEPTH = 0.02 * np.arange(40)
LAYERED = Layers([0.0, 0.3], [0.12, 0.09])
GROUNDS = {
    "straight": (V, False),
    "even": (V, True),
    "layers": (LAYERED, False),
    "even layers": (LAYERED, True),
    "fronts": (VelocitySection(np.linspace(0.12, 0.08, 45) * np.ones((90, 1)), 0.02), False),
}


def operator(name: str, weights: str, precision: type = np.float64, separation: float = 0.14) -> MigrationOperator:
    ground, table = GROUNDS[name]
    options = KirchhoffOptions(weights, aperture_deg=65.0, aperture_m=1.1)  # type: ignore[arg-type]
    plan = make_plan(
        antennas_on_line(X, separation_m=separation), places_below_line(X, DEPTH), ground, RECORDING, options
    )
    sums = choose_sums(plan, table=table)
    assert sums.name == name.split()[0]
    return operator_of(plan, sums, np.dtype(precision))


def dot_test(pair: MigrationOperator) -> float:
    """|⟨Lm, d⟩ − ⟨m, Lᵀd⟩| over ‖Lm‖‖d‖ (Claerbout 1992, Earth Soundings Analysis, ch. 5)."""
    rng = np.random.default_rng(8)
    image = rng.standard_normal(pair.image_shape).astype(pair.dtype)
    data = rng.standard_normal(pair.data_shape).astype(pair.dtype)
    modelled, migrated = (np.asarray(part, np.float64) for part in (pair.apply(image), pair.adjoint(data)))
    assert np.linalg.norm(modelled) > 0
    off = abs((modelled * data).sum() - (image * migrated).sum())
    return float(off / (np.linalg.norm(modelled) * np.linalg.norm(data)))


class TestTransposes:
    @pytest.mark.parametrize(
        ("name", "weights"),
        # A velocity section is for one line: it knows no weights for an area.
        [(n, w) for n in GROUNDS for w in ("2d", "2.5d", "3d", "none") if (n, w) != ("fronts", "3d")],
    )
    def test_double(self, name: str, weights: str) -> None:
        assert dot_test(operator(name, weights)) < 1e-12

    @pytest.mark.parametrize("name", GROUNDS)
    def test_single(self, name: str) -> None:
        assert dot_test(operator(name, "2d", np.float32)) < 1e-5

    @pytest.mark.parametrize("ground", [V, LAYERED])
    def test_block(self, ground: float | Layers) -> None:
        at = 0.06 * np.arange(12)
        pair = antennas_on_lines([(at, 0 * at + y) for y in (0.0, 0.1, 0.2)], line_spacing_m=0.1, separation_m=0.1)
        places = places_in_block(0.06 * np.arange(6), [0.05, 0.15], DEPTH)
        block = kirchhoff_operator(pair, places, ground, RECORDING, options=KirchhoffOptions("3d"), precision="double")
        assert block.image_shape == (2, 6, 40)
        assert dot_test(block) < 1e-12

    def test_least_squares_takes_it_as_it_is(self) -> None:
        pair = operator("even", "2d")
        true = np.zeros(pair.image_shape)
        true[18, 20] = 1.0
        data = pair.apply(true)
        linear = aslinearoperator(pair)
        found = lsqr(linear, data.ravel(), iter_lim=12)[0].reshape(pair.image_shape)
        migrated = pair.adjoint(data)
        assert np.unravel_index(found.argmax(), found.shape) == (18, 20)
        # Fitting the data gives the size back, which migration alone does not, and less blur about it.
        assert found[18, 20] == pytest.approx(1.0, abs=0.15)
        assert abs(migrated[18, 20] - 1.0) > 0.3
        assert np.linalg.norm(found - true) < 0.4 * np.linalg.norm(migrated - true)

    def test_refusals(self) -> None:
        pair = operator("even", "2d")
        with pytest.raises(InputError, match=r"image must have the operator's shape \(36, 40\) .received shape"):
            pair.apply(np.zeros((4, 4)))
        with pytest.raises(InputError, match="data holds values that are not finite"):
            pair.adjoint(np.full(pair.data_shape, np.nan))


class TestEngines:
    @pytest.mark.parametrize("weights", ["2d", "2.5d", "3d", "none"])
    def test_table_of_offsets_is_the_sum_on_the_fly(self, weights: str) -> None:
        data = np.random.default_rng(1).standard_normal((36, 90))
        fly, table = (operator(name, weights).adjoint(data) for name in ("straight", "even"))
        assert table == pytest.approx(fly, abs=1e-10 * np.abs(fly).max())

    @pytest.mark.parametrize("weights", ["2d", "2.5d", "3d"])
    def test_table_of_legs_is_the_rays_themselves(self, weights: str) -> None:
        # The even table traces rays to every offset; the other reads its legs by straight lines between offsets.
        data = np.cumsum(np.random.default_rng(1).standard_normal((36, 90)), axis=1)
        read, rays = (operator(name, weights).adjoint(data) for name in ("layers", "even layers"))
        assert read == pytest.approx(rays, abs=4e-3 * np.abs(rays).max())

    def test_swept_fronts_are_straight_rays_where_nothing_varies(self) -> None:
        data = np.cumsum(np.random.default_rng(1).standard_normal((36, 90)), axis=1)
        options = KirchhoffOptions(aperture_deg=65.0)
        images = [
            kirchhoff_operator(
                antennas_on_line(X, separation_m=0.14), places_below_line(X, DEPTH), ground, RECORDING, options=options
            ).adjoint(data)
            for ground in (VelocitySection(np.full((180, 90), V), 0.01), V)
        ]
        assert images[0] == pytest.approx(images[1], abs=0.01 * float(np.abs(images[1]).max()))

    @pytest.mark.parametrize("kind", [0, 1, 2, 3])
    @pytest.mark.parametrize("copies_a_ns", [0.0, 2.0])
    def test_kernels_are_their_twins(self, kind: int, copies_a_ns: float) -> None:
        rng = np.random.default_rng(2)
        traces = np.zeros((4, 9, 82))
        traces[:, :, :80] = rng.standard_normal((4, 9, 80))
        ends = rng.uniform(-0.05, 0.05, (9, 7)) + np.linspace(0, 1, 9)[:, None] * [1, 0.3, 0, 1, 0.3, 0, 0]
        ends[:, 6] = 0.1
        columns = np.column_stack([np.linspace(0, 1, 7), np.linspace(0, 0.2, 7)])
        depth = np.tile(0.05 * np.arange(-2, 14), (7, 1))
        rule = np.array([20.0 / V / 4, 1 / V, 1.5, 0.8, 0.05, 0.05, copies_a_ns, 0.7])
        ours, plain = np.zeros((7, 16)), np.zeros((7, 16))
        kirchhoff_plain.gather(kind, traces, ends, columns, depth, rule, plain)
        for threads in ("one", "all"):
            ours[...] = 0.0
            STRAIGHT[threads][0](kind, traces, ends, columns, depth, rule, ours)
            assert ours == pytest.approx(plain, abs=1e-10 * np.abs(plain).max())
        image = rng.standard_normal((7, 16))
        ours_t, plain_t = np.zeros_like(traces), np.zeros_like(traces)
        kirchhoff_plain.scatter(kind, plain_t, ends, columns, depth, rule, image)
        for threads in ("one", "all"):
            ours_t[...] = 0.0
            STRAIGHT[threads][1](kind, ours_t, ends, columns, depth, rule, image)
            # Times beyond the record land on the silent samples, which nobody reads.
            assert ours_t[..., :80] == pytest.approx(plain_t[..., :80], abs=1e-10 * np.abs(plain_t).max())

    @pytest.mark.parametrize("kind", [0, 1, 2, 3])
    def test_ray_kernels_are_their_twins(self, kind: int) -> None:
        rng = np.random.default_rng(3)
        traces = np.zeros((3, 9, 82))
        traces[:, :, :80] = rng.standard_normal((3, 9, 80))
        ends = np.zeros((9, 7))
        ends[:, 0], ends[:, 3], ends[:, 1], ends[:, 6] = X[:9] - 0.05, X[:9] + 0.06, 0.02, 0.1
        columns = np.column_stack([X[:7] + 0.01, np.full(7, 0.1)])
        depth = 0.02 * np.arange(1, 17)
        legs = leg_times(0.01 * np.arange(80), depth, LAYERED)
        table = np.stack([legs.time_ns, legs.bend_along, legs.bend_across, legs.slope])
        rule = np.array([4.0, 1 / V, 1.5, 0.4, 0.05, 0.1, 1.0, 9.0])
        layered = (ends, columns, depth, rule, table, 0.01)
        fronts = rng.uniform(1.0, 6.0, (10, 7, 16))
        which = np.column_stack([np.arange(9), np.arange(1, 10)])
        swept = (ends, columns, np.tile(depth, (7, 1)), rule, fronts, which)
        cases = [(ray_kernels.gather_layers, ray_kernels.scatter_layers, "layers", layered)]
        if kind != 3:
            cases.append((ray_kernels.gather_fronts, ray_kernels.scatter_fronts, "fronts", swept))
        for gather, scatter, name, inside in cases:
            ours, plain = np.zeros((7, 16)), np.zeros((7, 16))
            gather(kind, traces, *inside, ours)
            getattr(kirchhoff_plain, f"gather_{name}")(kind, traces, *inside, plain)
            assert ours == pytest.approx(plain, abs=1e-10 * np.abs(plain).max())
            image = rng.standard_normal((7, 16))
            ours_t, plain_t = np.zeros_like(traces), np.zeros_like(traces)
            scatter(kind, ours_t, *inside, image)
            getattr(kirchhoff_plain, f"scatter_{name}")(kind, plain_t, *inside, image)
            assert ours_t[..., :80] == pytest.approx(plain_t[..., :80], abs=1e-10 * np.abs(plain_t).max())

    def test_even_kernels_are_their_twins(self) -> None:
        rng = np.random.default_rng(5)
        rows = rng.standard_normal((2, 30, 70)).astype(np.float32)
        sample, copy = rng.integers(0, 29, (11, 70)), rng.integers(0, 2, (11, 70))
        low, high = rng.standard_normal((2, 11, 70)).astype(np.float32)
        reach = np.append(rng.integers(0, 71, 10), 70)
        plain = np.zeros((11, 70), np.float32)
        kirchhoff_plain.gather_even(rows, sample, copy, low, high, reach, plain)
        image = rng.standard_normal((11, 70)).astype(np.float32)
        plain_t = np.zeros_like(rows)
        kirchhoff_plain.scatter_even(plain_t, sample, copy, low, high, reach, image)
        for gather, scatter in EVEN.values():
            ours, ours_t = np.zeros_like(plain), np.zeros_like(rows)
            gather(rows, sample, copy, low, high, reach, ours)
            scatter(ours_t, sample, copy, low, high, reach, image)
            assert ours == pytest.approx(plain, abs=1e-5 * float(np.abs(plain).max()))
            assert ours_t == pytest.approx(plain_t, abs=1e-5 * float(np.abs(plain_t).max()))


class TestOutside:
    """The same sum done by others: samples added along straight lines between them, no weights."""

    OPTIONS = KirchhoffOptions("none", aperture_deg=90.0, antialias=False, finer=1)

    @staticmethod
    def data() -> np.ndarray:
        data = np.random.default_rng(6).standard_normal((36, 90))
        data[:, -1] = 0.0
        return data

    def test_plain_sum(self) -> None:
        data, depth = self.data(), DEPTH[1:]
        pair = kirchhoff_operator(
            antennas_on_line(X, separation_m=0.2), places_below_line(X, depth), V, RECORDING, options=self.OPTIONS,
            precision="double",
        )  # fmt: skip
        time = sum(np.sqrt((X[:, None, None] + side - X[None, :, None]) ** 2 + depth**2) / V for side in (-0.1, 0.1))
        sum_of = sum(np.interp(time[t], 0.25 * np.arange(90), data[t], right=0.0) for t in range(36))
        # The highest frequency of the padded record has no phase: it is left out, and is not in a record of zero mean
        # alternation either.
        alternating = (data * (-1.0) ** np.arange(90)).sum(axis=1)
        assert pair.adjoint(data) == pytest.approx(sum_of, abs=np.abs(alternating).sum() / 180)

    def test_pylops(self) -> None:
        depth, data = DEPTH[1:], self.data()
        time = 2 * np.sqrt((X[:, None, None] - X) ** 2 + depth[None, :, None] ** 2) / V
        peer = _pylops_kirchhoff(time, depth)
        pair = kirchhoff_operator(
            antennas_on_line(X), places_below_line(X, depth), V, RECORDING, options=self.OPTIONS, precision="double"
        )
        theirs = peer._rmatvec(data.ravel()).reshape(36, len(depth))
        alternating = np.abs((data * (-1.0) ** np.arange(90)).sum(axis=1)).sum() / 180
        assert pair.adjoint(data) == pytest.approx(theirs, abs=alternating)
        image = np.random.default_rng(7).standard_normal((36, len(depth)))
        modelled = peer._matvec(image.ravel()).reshape(36, 90)
        assert pair.apply(image)[:, 2:-2] == pytest.approx(modelled[:, 2:-2], abs=0.02 * np.abs(modelled).max())

    @pytest.mark.parametrize("weights", ["2d", "2.5d", "none"])
    def test_pylops_finds_the_pair_transposed(self, weights: str) -> None:
        """Its dot test on our operator: (A m)ᵀ d = mᵀ (Aᵀ d) to 1e-12 in double precision."""
        pair = kirchhoff_operator(
            antennas_on_line(X), places_below_line(X, DEPTH[1:]), V, RECORDING, options=KirchhoffOptions(weights),
            precision="double",
        )  # fmt: skip
        traces = (36, 90)
        wrapped = FunctionOperator(
            lambda m: pair.apply(m.reshape(pair.image_shape)).ravel(),
            lambda d: pair.adjoint(d.reshape(traces)).ravel(),
            traces[0] * traces[1],
            math.prod(pair.image_shape),
            dtype="float64",
        )
        assert dottest(wrapped, rtol=1e-12)

    def test_memory_does_not_grow_with_traces_times_image(self) -> None:
        x, depth = 0.05 * np.arange(300), 0.02 * np.arange(1, 151)
        data = np.random.default_rng(0).standard_normal((300, 256)).astype(np.float32)
        for ground in (V, LAYERED):
            pair = kirchhoff_operator(
                antennas_on_line(x), places_below_line(x, depth), ground, Recording(256, 0.25, 300.0),
                options=KirchhoffOptions(antialias=False),
            )  # fmt: skip
            pair.adjoint(data)
            tracemalloc.start()
            pair.adjoint(data)
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            # A table of single-precision times for all pairs would be 54 MB.
            assert peak < 0.4 * 4 * 300 * 300 * 150


def _pylops_kirchhoff(time: np.ndarray, depth: np.ndarray):
    # It announces a change of its own arguments.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Kirchhoff(
            z=depth, x=X, t=0.25 * np.arange(90), srcs=np.zeros((2, 1)), recs=np.vstack([X, 0 * X]), vel=V,
            wav=np.ones(1), wavcenter=0, mode="byot", trav=time.reshape(-1, 36), engine="numpy",
        )  # fmt: skip
