"""A line source over plain and layered ground: limits, closed forms, brute force, reciprocity, energy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from yewline.errors import InputError
from yewline.physics import (
    AIR,
    Medium,
    Stack,
    StackLayer,
    apply_transfer,
    complex_permittivity,
    ground_field,
    interface_field,
    line_source_field,
    point_source_response,
    reflected_field,
    reflection_normal,
    reflection_te,
    ricker_current,
    stack_reflection,
    transmitted_field,
    wavenumber,
)
from yewline.physics.spectral_path import spectral_path
from yewline.physics.stack import spectral_reflection, spectral_transmission, vertical_wavenumber
from yewline.units import C_M_PER_NS, MU0_H_PER_M

F = 400.0
DRY, SOIL, WET = Stack(Medium(9.0)), Stack(Medium(9.0, 10.0)), Stack(Medium(25.0, 40.0))
COATED = Stack(Medium(6.0, 2.0), (StackLayer(Medium(25.0, 20.0), 0.12), StackLayer(Medium(9.0, 5.0), 0.3)))
UNIT = 2e6 * np.pi * F * MU0_H_PER_M / 4


# ---- identities and limits


def test_equal_media_reflect_nothing_and_let_all_through() -> None:
    same = Stack(Medium(9.0, 10.0), (StackLayer(Medium(9.0, 10.0), 0.2),), Medium(9.0, 10.0))
    echo = reflected_field([0.0, 0.5], -0.2, source_depth_m=-0.1, frequency_mhz=F, stack=same)
    assert np.abs(echo).max() < 1e-13 * UNIT
    x, depth = np.array([0.0, 0.5, 2.0]), np.array([0.2, 0.7, 1.5])
    through = transmitted_field(x, depth, source_depth_m=-0.1, frequency_mhz=F, stack=same)
    direct = line_source_field(np.hypot(x, depth + 0.1), frequency_mhz=F, medium=Medium(9.0, 10.0))
    np.testing.assert_allclose(through, direct, atol=1e-12 * UNIT)


def test_a_conductor_is_a_mirror() -> None:
    # R → −1: the image of the source. The rest shrinks like 1/√σ, by 10 for each factor of 100.
    wrong = []
    for conductivity in (1e6, 1e8, 1e10):
        echo = reflected_field(0.3, -0.2, source_depth_m=-0.1, frequency_mhz=F, stack=Stack(Medium(1.0, conductivity)))
        wrong.append(abs(echo.item() / -line_source_field(np.hypot(0.3, 0.3), frequency_mhz=F).item() - 1))
    np.testing.assert_allclose(np.array(wrong[:-1]) / np.array(wrong[1:]), 10.0, rtol=0.02)
    assert wrong[-1] < 2e-4


@pytest.mark.parametrize("angle", [0.0, 30.0, 60.0])
@pytest.mark.parametrize("stack", [DRY, WET])
def test_far_away_it_is_the_image_times_fresnels_coefficient(angle: float, stack: Stack) -> None:
    # Balanis, Advanced Engineering Electromagnetics, ch. 5, for R; the saddle point of the integral leaves an error of
    # 1/(kr), which must fall by 10 with each decade.
    lower = complex_permittivity(
        stack.lower.permittivity.real, conductivity_ms_per_m=stack.lower.conductivity_ms_per_m, frequency_mhz=F
    )
    fresnel = reflection_te(1.0, lower, angle_deg=angle).item()
    wrong = []
    for way in (10.0, 100.0, 1000.0):
        x, height = way * np.sin(np.radians(angle)), way * np.cos(np.radians(angle)) / 2
        echo = reflected_field(x, -height, source_depth_m=-height, frequency_mhz=F, stack=stack).item()
        wrong.append(abs(echo / line_source_field(way, frequency_mhz=F).item() - fresnel))
    np.testing.assert_allclose(np.array(wrong[:-1]) / np.array(wrong[1:]), 10.0, rtol=0.1)
    assert wrong[-1] < 1e-3


@pytest.mark.parametrize("stack", [SOIL, COATED])
def test_source_and_point_may_change_places(stack: Stack) -> None:
    low = stack.bottom_m
    for x, above, below in ((0.0, 0.1, 0.3), (0.8, 0.02, 1.0), (3.0, 0.5, 0.05)):
        down = transmitted_field(x, low + below, source_depth_m=-above, frequency_mhz=F, stack=stack).item()
        up = transmitted_field(x, -above, source_depth_m=low + below, frequency_mhz=F, stack=stack).item()
        assert down == pytest.approx(up, rel=1e-10)
        # And from below, where the mirrored stack takes the place of the stack.
        one = reflected_field(x, low + below, source_depth_m=low + 0.2, frequency_mhz=F, stack=stack).item()
        other = reflected_field(x, low + 0.2, source_depth_m=low + below, frequency_mhz=F, stack=stack).item()
        assert one == pytest.approx(other, rel=1e-11)


@pytest.mark.parametrize("source", [-0.15, 0.25])
def test_field_and_its_slope_do_not_jump_at_the_ground(source: float) -> None:
    step = 1e-3
    depth = step * np.array([-2.0, -1.0, -1e-9, 1e-9, 1.0, 2.0])
    for x in (0.0, 0.4, 2.0):
        e = ground_field(x, depth, source_depth_m=source, frequency_mhz=F, stack=SOIL)
        assert abs(e[2] - e[3]) < 1e-8 * abs(e[2])
        above, below = (3 * e[2] - 4 * e[1] + e[0]) / (2 * step), (-3 * e[3] + 4 * e[4] - e[5]) / (2 * step)
        # One-sided differences of second order: (k step)²/3 of the slope's size, k = 25 in the ground.
        assert abs(above - below) < 1e-3 * 25 * np.abs(e).max()


def test_field_solves_the_wave_equation_on_both_sides() -> None:
    for depth, medium in ((-0.3, AIR), (0.3, SOIL.lower)):
        k = complex(wavenumber(F, medium=medium))
        residuals = []
        for step in (4e-3, 2e-3):
            x = np.array([0.0, step, -step, 0.0, 0.0]) + 0.5
            z = np.array([0.0, 0.0, 0.0, step, -step]) + depth
            e = ground_field(x, z, source_depth_m=-0.1, frequency_mhz=F, stack=SOIL)
            residuals.append(abs((e[1:].sum() - 4 * e[0]) / step**2 + k**2 * e[0]) / abs(k**2 * e[0]))
        assert residuals[0] < 2e-3
        assert residuals[0] / residuals[1] == pytest.approx(4.0, rel=0.02)


def test_power_balance() -> None:
    # Without loss: what the current delivers, −½ Re E at the source, goes up and down through two level planes. By
    # Parseval ½ ∫ Re(k_z) |E(kₓ)|² dkₓ/(2πωμ₀) through a plane; the upward wave is e^{jk_z h} + R e^{−jk_z h}.
    omega, h = 2e6 * np.pi * F, 0.13
    k1, k2 = (float(wavenumber(F, medium=m).real) for m in (AIR, DRY.lower))
    echo = reflected_field(0.0, -h, source_depth_m=-h, frequency_mhz=F, stack=DRY).item()
    delivered = -0.5 * (line_source_field(1e-9, frequency_mhz=F).item() + echo).real

    def upward(angle: float) -> float:
        kz = k1 * np.cos(angle)
        r = spectral_reflection([k1 * np.sin(angle)], stack=DRY, frequency_mhz=F)[0]
        return float(abs(np.exp(1j * kz * h) + r * np.exp(-1j * kz * h)) ** 2)

    def downward(angle: float) -> float:
        kx = k2 * np.sin(angle)
        kz = vertical_wavenumber([kx], k1)[0]
        t = spectral_transmission([kx], stack=DRY, frequency_mhz=F)[0] * np.exp(-1j * kz * h)
        return float(abs(t / kz) ** 2 * (k2 * np.cos(angle)) ** 2)

    critical = float(np.arcsin(k1 / k2))
    up = 2 * quad(upward, 0, np.pi / 2, epsabs=1e-11)[0]
    # kₓ = k₁ is an integrable corner: the interval is split there.
    down = 2 * (quad(downward, 0, critical, limit=200)[0] + quad(downward, critical, np.pi / 2, limit=200)[0])
    assert delivered == pytest.approx(omega * MU0_H_PER_M / (16 * np.pi) * (up + down), rel=1e-7)


# ---- closed form and brute force


@pytest.mark.parametrize("stack", [DRY, SOIL, Stack(Medium(80.0, 50.0)), Stack(Medium(4.0), (), Medium(16.0, 5.0))])
@pytest.mark.parametrize("frequency", [25.0, 400.0, 1200.0, 100.0 - 20.0j, -15.0j])
def test_on_the_ground_it_is_the_closed_form(stack: Stack, frequency: complex) -> None:
    # 1/(k_z1 + k_z2) = (k_z1 − k_z2)/(k₁² − k₂²), whose transform is known through H₁⁽²⁾.
    x = np.array([0.001, 0.05, 0.3, 1.0, 4.0])
    closed = interface_field(x, frequency_mhz=frequency, stack=stack)
    summed = ground_field(x, 0.0, source_depth_m=0.0, frequency_mhz=frequency, stack=stack)
    through = transmitted_field(x, 0.0, source_depth_m=0.0, frequency_mhz=frequency, stack=stack)
    scale = abs(2e6 * np.pi * frequency * MU0_H_PER_M / 4)
    np.testing.assert_allclose(summed, closed, rtol=1e-9, atol=1e-11 * scale)
    np.testing.assert_allclose(through, closed, rtol=1e-9, atol=1e-11 * scale)


@pytest.mark.parametrize("stack", [Stack(Medium(9.0, 60.0), (), Medium(3.0, 40.0)), COATED])
def test_against_plain_integration_along_the_real_axis(stack: Stack) -> None:
    # With loss above, the branch points lie off the axis and an adaptive rule copes; over air they are its end points.
    x, height, depth = 0.6, 0.25, 0.2
    k1 = complex(wavenumber(F, medium=stack.upper))
    bends = sorted({abs(complex(wavenumber(F, medium=m)).real) for m in stack.media})

    def echo(kx: float) -> complex:
        kz = vertical_wavenumber([kx], k1)[0]
        r = spectral_reflection([kx], stack=stack, frequency_mhz=F)[0]
        return complex(2 * np.cos(kx * x) * r * np.exp(-1j * kz * 2 * height) / kz)

    total = 0j
    for low, high in zip((0.0, *bends), (*bends, 150.0), strict=True):
        # kₓ = middle − half cos θ takes the root out of both ends.
        middle, half = (low + high) / 2, (high - low) / 2

        def part(theta: float, which: str, middle: float = middle, half: float = half) -> float:
            return float(getattr(echo(middle - half * np.cos(theta)) * half * np.sin(theta), which))

        total += complex(
            *(quad(part, 0, np.pi, args=(w,), limit=400, epsabs=1e-12, epsrel=1e-11)[0] for w in ("real", "imag"))
        )
    found = reflected_field(x, -height, source_depth_m=-height, frequency_mhz=F, stack=stack).item()
    assert found == pytest.approx(-UNIT / np.pi * total, rel=1e-8)
    # Splitting the lower half-space into layers of its own medium changes nothing.
    split = Stack(
        stack.lower, (*stack.layers, StackLayer(stack.lower, 0.07), StackLayer(stack.lower, 0.1)), stack.upper
    )
    low = stack.bottom_m
    for function, z in ((reflected_field, -0.3), (transmitted_field, low + depth)):
        one, other = (function(x, z, source_depth_m=-height, frequency_mhz=F, stack=s).item() for s in (stack, split))
        assert one == pytest.approx(other, rel=1e-10)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 6.0), st.floats(0.0, 3.0), st.floats(30.0, 1500.0), st.floats(1.5, 80.0), st.floats(0.0, 100.0))
def test_quadrature_has_converged(x: float, height: float, frequency: float, eps: float, sigma: float) -> None:
    media = (AIR, Medium(eps, sigma))
    k = [complex(wavenumber(frequency, medium=m)) for m in media]
    values = []
    for density in (1.0, 2.0):
        path = spectral_path(k, x_m=x, height_m=height, density=density)
        first, second = (vertical_wavenumber(path.nodes, one) for one in k)
        terms = path.weights * (first - second) / (first + second) * np.exp(-1j * first * height) / first
        values.append(complex(terms.sum()))
    assert values[0] == pytest.approx(values[1], abs=1e-10)


# ---- plane waves on a stack


def test_stack_of_no_layers_is_fresnel() -> None:
    # Balanis, ch. 5: 1 → 9 at 0°, 30°, 60°.
    for angle, expected in ((0.0, -0.5), (30.0, -0.547066), (60.0, -0.703465)):
        found = stack_reflection([100.0, 400.0], stack=DRY, angle_deg=angle)
        np.testing.assert_allclose(found, expected, atol=1e-6)
    lossy = stack_reflection(F, stack=SOIL).item()
    assert lossy == pytest.approx(-0.500292 + 0.009351j, abs=1e-6)
    # 9 → 1 beyond the critical angle: all comes back; with e^{+jωt} the phase is positive.
    beyond = stack_reflection(F, stack=Stack(AIR, (), Medium(9.0)), angle_deg=30.0).item()
    assert beyond == pytest.approx(0.687500 + 0.726184j, abs=1e-6)


def test_one_layer_in_closed_form() -> None:
    # Airy's sum of echoes, r₁ + (1 − r₁²) r₂ e^{−2jkd} Σ (−r₁ r₂ e^{−2jkd})ⁿ, added up term by term.
    layer = Stack(Medium(4.0), (StackLayer(Medium(16.0), 0.11),))
    f = np.linspace(50.0, 900.0, 18)
    r1, r2 = reflection_normal(1.0, 16.0).item(), reflection_normal(16.0, 4.0).item()
    turn = np.exp(-2j * wavenumber(f, medium=Medium(16.0)) * 0.11)
    summed = r1 + (1 - r1**2) * r2 * turn * sum((-r1 * r2 * turn) ** n for n in range(60))
    np.testing.assert_allclose(stack_reflection(f, stack=layer), summed, atol=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.floats(1.0, 40.0), st.floats(0.01, 0.5)), max_size=4), st.floats(0.0, 85.0))
def test_lossless_stack_conserves_energy(layers: list[tuple[float, float]], angle: float) -> None:
    stack = Stack(Medium(9.0), tuple(StackLayer(Medium(eps), d) for eps, d in layers))
    kx = float(wavenumber(F).real) * np.sin(np.radians(angle))
    above, below = (vertical_wavenumber([kx], wavenumber(F, medium=m))[0] for m in (stack.upper, stack.lower))
    r = spectral_reflection([kx], stack=stack, frequency_mhz=F)[0]
    t = spectral_transmission([kx], stack=stack, frequency_mhz=F)[0]
    assert abs(r) ** 2 + (below / above).real * abs(t) ** 2 == pytest.approx(1.0, abs=1e-11)


# ---- in time


def test_echo_from_a_layer_arrives_at_its_two_way_time() -> None:
    # 0.5 m of permittivity 9 over 25, antennas on the ground 0.1 m apart: 2·0.5·3/c = 10.007 ns and a little for the
    # slant; the air's image and the ground's own come earlier.
    t = 0.1 * np.arange(350)
    current = ricker_current(t - 6.0, peak_mhz=400.0)
    layered = Stack(Medium(25.0), (StackLayer(Medium(9.0), 0.5),))
    traces = [
        apply_transfer(
            current,
            interval_ns=0.1,
            transfer=lambda f, s=stack: ground_field(0.1, -0.01, source_depth_m=-0.01, frequency_mhz=f, stack=s),
        )
        for stack in (layered, DRY)
    ]
    echo = traces[0] - traces[1]
    two_way = 2 * np.hypot(0.5, 0.05) * 3 / C_M_PER_NS
    assert np.abs(echo[t < two_way + 2.0]).max() < 1e-3 * np.abs(echo).max()
    delayed = point_source_response(current, interval_ns=0.1, distance_m=two_way * C_M_PER_NS, medium=AIR)
    lag = (np.correlate(-echo, delayed, "full").argmax() - (t.size - 1)) * 0.1
    assert abs(lag) < 0.4
    # Before any wave can have come, there is nothing.
    assert np.abs(traces[1][t < 2.0]).max() < 1e-6 * np.abs(traces[1]).max()


# ---- faults


def test_faults() -> None:
    with pytest.raises(InputError, match=r"the source lies in the layers \(received depth 0\.1 m\)\. Put it above or"):
        ground_field(0.0, 1.0, source_depth_m=0.1, frequency_mhz=F, stack=COATED)
    with pytest.raises(InputError, match=r"a point lies in the layers \(received depth 0\.2 m\)\. Put it above or"):
        ground_field(0.0, [0.2, 1.0], source_depth_m=-0.1, frequency_mhz=F, stack=COATED)
    with pytest.raises(InputError, match=r"reflects to the source's side only.*Take transmitted_field"):
        reflected_field(0.0, 0.1, source_depth_m=-0.1, frequency_mhz=F, stack=SOIL)
    with pytest.raises(InputError, match=r"lets through to the other side only.*Take reflected_field"):
        transmitted_field(0.0, -0.1, source_depth_m=-0.1, frequency_mhz=F, stack=SOIL)
    with pytest.raises(InputError, match="x_m and depth_m must be finite"):
        ground_field(np.nan, 0.1, source_depth_m=-0.1, frequency_mhz=F, stack=SOIL)
    with pytest.raises(InputError, match="closed form needs two different half-spaces"):
        interface_field(1.0, frequency_mhz=F, stack=COATED)
    with pytest.raises(InputError, match="x_m must not be zero"):
        interface_field(0.0, frequency_mhz=F, stack=SOIL)
    with pytest.raises(InputError, match=r"too long for the spectral integral.*wavelengths.*the image of the source"):
        reflected_field(1e5, -1.0, source_depth_m=-1.0, frequency_mhz=F, stack=SOIL)
    with pytest.raises(InputError, match=r"angle_deg must lie from 0 to below 90 \(received 90\)"):
        stack_reflection(F, stack=SOIL, angle_deg=90.0)
    with pytest.raises(InputError, match="thickness_m must be greater than zero"):
        StackLayer(AIR, 0.0)
