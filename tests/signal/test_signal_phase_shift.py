"""Phase shift: against Stolt and a written-out sum, evanescent waves, layers, exact transposes."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section, envelope
from yewline.signal.migration import (
    Layers,
    MigrationOperator,
    leg_times,
    migrate_phase_shift,
    migrate_stolt,
    phase_kernels,
    phase_plain,
    phase_shift_image,
    phase_shift_operator,
    stolt_operator,
    vertical_times_ns,
)

V = 0.1
SECTION = Section(interval_ns=0.25, spacing_m=0.04, centre_mhz=300.0, velocity_m_per_ns=V)
X, T = 0.04 * np.arange(160), 0.25 * np.arange(256)
LAYERED = Layers([0.0, 0.4, 0.9], [0.13, 0.07, 0.1])


def ricker(t: np.ndarray, mhz: float = 300.0) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def beams() -> np.ndarray:
    """Narrow beams of dips up to 20°: nothing near the evanescent edge, nothing that leaves the record."""
    total = np.zeros((len(X), len(T)))
    for x0, t0, sine in ((3.0, 30.0, 0.25), (2.8, 25.0, -0.35), (3.5, 33.0, 0.1)):
        late = T - t0 - 2 * sine * (X[:, None] - x0) / V
        total += np.exp(-(((X[:, None] - x0) / 0.6) ** 2) - (late / 4.0) ** 2) * np.cos(2 * np.pi * 0.3 * late)
    return total


def dot_test(pair: MigrationOperator) -> float:
    """|⟨Lm, d⟩ − ⟨m, Lᵀd⟩| over ‖Lm‖‖d‖ (Claerbout 1992, Earth Soundings Analysis, ch. 5)."""
    rng = np.random.default_rng(8)
    image = rng.standard_normal(pair.image_shape).astype(pair.dtype)
    data = rng.standard_normal(pair.data_shape).astype(pair.dtype)
    modelled, migrated = (np.asarray(part, np.float64) for part in (pair.apply(image), pair.adjoint(data)))
    off = abs((modelled * data).sum() - (image * migrated).sum())
    return float(off / (np.linalg.norm(modelled) * np.linalg.norm(data)))


class TestAgainstStolt:
    def test_gazdag_is_stolt(self) -> None:
        # Stolt 1978 and Gazdag 1978 solve one equation where velocity is constant: equal to Stolt's interpolation.
        data = beams()
        carried, mapped = (
            make(SECTION, data.shape, V, pad_m=8.0, precision="double").adjoint(data)
            for make in (phase_shift_operator, stolt_operator)
        )
        assert np.abs(carried - mapped).max() < 1e-6 * np.abs(mapped).max()

    def test_the_operator_is_the_step(self) -> None:
        data = beams()
        mapped = stolt_operator(SECTION, data.shape, V).adjoint(data)
        assert np.abs(migrate_stolt(data, SECTION) - mapped).max() < 1e-6 * np.abs(mapped).max()

    def test_step_of_phase_shift(self) -> None:
        data = beams()
        stolt, carried = migrate_stolt(data, SECTION, pad_m=8.0), migrate_phase_shift(data, SECTION, pad_m=8.0)
        assert carried == pytest.approx(stolt, abs=2e-6 * float(np.abs(stolt).max()))
        assert carried.dtype == np.float32
        faded = migrate_phase_shift(data, SECTION, taper_m=1.0)
        # The fade of the line's ends, half cosines, is applied before.
        edge = np.minimum(np.arange(160), np.arange(160)[::-1]) + 0.5
        taper = 0.5 - 0.5 * np.cos(np.pi * np.minimum(edge / 25.0, 1.0))
        again = migrate_phase_shift(data * taper[:, None], SECTION)
        assert faded == pytest.approx(again, abs=1e-5)


class TestPhysics:
    def test_evanescent_waves_are_cut_exactly(self) -> None:
        # |ω| < v|k|/2 belongs to no upcoming wave (Gazdag 1978; Stolt 1978).
        k, omega = np.array([-61.0, -5.0, 0.0, 5.0, 61.0]), np.linspace(0.0, 4.0, 41)
        spectrum = np.ones((5, 41), complex)
        squares = np.full(30, V**2)
        travels = omega[None, :] >= 0.5 * V * np.abs(k)[:, None]
        image = np.empty((5, 30), complex)
        phase_kernels.carry_down(np.where(travels, 0.0, spectrum), k, squares, omega, 0.25, image)
        assert (image == 0).all()
        phase_kernels.carry_down(spectrum, k, squares, omega, 0.25, image)
        # What travels keeps its size: at the surface each wave counts once.
        assert image[:, 0].real == pytest.approx(travels.sum(axis=1))
        back = np.empty_like(spectrum)
        phase_kernels.carry_up(image, k, squares, omega, 0.25, back)
        assert (back[~travels] == 0).all()

    def test_waves_that_a_fast_layer_reflects_do_not_go_on_below(self) -> None:
        k, omega = np.array([20.0]), np.array([1.2, 2.0])
        image = np.empty((1, 3), complex)
        phase_kernels.carry_down(np.ones((1, 2), complex), k, np.array([0.1, 0.15, 0.1]) ** 2, omega, 0.25, image)
        # At 0.15 m/ns the lower of the two is below v|k|/2 = 1.5 rad/ns, and is gone from there on.
        assert np.abs(image[0, 0]) == pytest.approx(2.0)
        assert np.abs(image[0, 1:]) == pytest.approx([1.0, 1.0])

    def test_flat_layers_stay(self) -> None:
        rng = np.random.default_rng(3)
        trace = np.convolve(rng.standard_normal(200), ricker(0.25 * np.arange(-30, 31)), mode="same")
        image = phase_shift_image(np.tile(trace, (64, 1)), SECTION, LAYERED, pad_m=0.0)
        assert image[32] == pytest.approx(trace, abs=1e-5 * np.abs(trace).max())

    def test_a_point_below_layers_focuses_at_its_vertical_time(self) -> None:
        x0, z0 = 3.2, 1.1
        t = 2 * leg_times(X - x0, [z0], LAYERED).time_ns[:, 0]
        data = (t.min() / t)[:, None] * ricker(T - t[:, None])
        strength = envelope(phase_shift_image(data, SECTION, LAYERED), SECTION)
        trace, sample = np.unravel_index(strength.argmax(), strength.shape)
        assert abs(trace - 80) <= 1
        assert abs(sample * 0.25 - vertical_times_ns([z0], LAYERED)[0]) <= 0.25

    def test_layers_of_one_velocity_are_one(self) -> None:
        data = beams()
        one, many = (phase_shift_image(data, SECTION, g) for g in (V, Layers([0.0, 0.33, 0.8], [V, V, V])))
        assert many == pytest.approx(one, abs=1e-6 * float(np.abs(one).max()))


class TestTransposes:
    @pytest.mark.parametrize("ground", [V, LAYERED])
    @pytest.mark.parametrize("threads", ["one", "all"])
    def test_phase_shift(self, ground: float | Layers, threads: str) -> None:
        for precision, limit in (("double", 1e-12), ("single", 1e-5)):
            pair = phase_shift_operator(SECTION, (33, 47), ground, precision=precision, threads=threads)
            assert dot_test(pair) < limit

    @pytest.mark.parametrize("shape", [(33, 47), (20, 64)])
    def test_stolt(self, shape: tuple[int, int]) -> None:
        for precision, limit in (("double", 1e-12), ("single", 1e-5)):
            assert dot_test(stolt_operator(SECTION, shape, V, precision=precision)) < limit

    def test_kernels_are_their_twins(self) -> None:
        rng = np.random.default_rng(2)
        k, omega = 30 * rng.standard_normal(7), np.linspace(0.0, 5.0, 33)
        squares = np.repeat([0.01, 0.02, 0.005], 8)
        spectrum = rng.standard_normal((7, 33)) + 1j * rng.standard_normal((7, 33))
        image, plain = np.empty((7, 24), complex), np.empty((7, 24), complex)
        up, plain_up = np.empty_like(spectrum), np.empty_like(spectrum)
        phase_plain.carry_down(spectrum, k, squares, omega, 0.3, plain)
        phase_plain.carry_up(plain, k, squares, omega, 0.3, plain_up)
        for down, carry_up in (
            (phase_kernels.carry_down, phase_kernels.carry_up),
            (phase_kernels.carry_down_parallel, phase_kernels.carry_up_parallel),
        ):
            down(spectrum, k, squares, omega, 0.3, image)
            carry_up(plain, k, squares, omega, 0.3, up)
            assert image == pytest.approx(plain, abs=1e-10)
            assert up == pytest.approx(plain_up, abs=1e-9)


class TestFaults:
    def test_single_trace_comes_back(self) -> None:
        x = np.random.default_rng(0).standard_normal((1, 64)).astype(np.float32)
        assert (migrate_phase_shift(x, SECTION) == x).all()

    def test_refusals(self) -> None:
        bare = Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=300.0)
        data = np.zeros((4, 8), np.float32)
        with pytest.raises(InputError, match="migration needs a velocity"):
            migrate_phase_shift(data, bare)
        with pytest.raises(InputError, match="migration needs the trace spacing"):
            migrate_phase_shift(data, bare, velocity_m_per_ns=V)
        with pytest.raises(InputError, match="migration needs the trace spacing"):
            stolt_operator(bare, (4, 8), V)
        with pytest.raises(InputError, match="threads must be one of one, all"):
            phase_shift_operator(SECTION, (4, 8), V, threads="two")  # type: ignore[arg-type]
