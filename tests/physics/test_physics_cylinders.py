"""Circular cylinders against tabulated series, boundary conditions, reciprocity and limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    AIR,
    Cylinder,
    Medium,
    apply_transfer,
    cylinder_coefficients,
    cylinder_efficiencies,
    cylinder_line_source_field,
    cylinder_plane_wave_field,
    line_source_field,
    line_source_response,
    ricker_current,
    scattering_width_m,
    wavenumber,
)
from yewline.physics.bessel_orders import bessel_j_orders, hankel2_orders
from yewline.units import C_M_PER_NS, MU0_H_PER_M

F = 400.0
K = float(wavenumber(F).real)
SIDES = (0.0, 90.0, 180.0)


def _cylinder(ka: float, filling: Medium | None = None, background: Medium = AIR) -> Cylinder:
    return Cylinder(ka / float(wavenumber(F, medium=background).real), filling, background)


def _width_in_wavelengths(cylinder: Cylinder, polarisation: str = "TM") -> np.ndarray:
    k = float(wavenumber(F, medium=cylinder.background).real)
    return scattering_width_m(cylinder, SIDES, frequency_mhz=F, polarisation=polarisation) * k / (2 * np.pi)


# ---- identities


SOIL, WET = Medium(9.0, 20.0), Medium(80.0, 500.0)


@pytest.mark.parametrize("filling", [None, AIR, WET, Medium(9.0 - 1.0j)])
@pytest.mark.parametrize("background", [AIR, SOIL])
@pytest.mark.parametrize("radius", [0.02, 0.15, 1.0])
def test_field_and_its_slope_do_not_jump_at_the_face(filling: Medium | None, background: Medium, radius: float) -> None:
    cylinder, phi = Cylinder(radius, filling, background), np.arange(0.0, 360.0, 37.0)
    step = 2e-4 * radius
    for lit in ("plane wave", "line source"):
        rho = radius + step * np.array([[-2.0], [-1.0], [-1e-9], [0.0], [1.0], [2.0]])
        if lit == "plane wave":
            field = cylinder_plane_wave_field(cylinder, rho, phi, frequency_mhz=F)
        else:
            field = cylinder_line_source_field(cylinder, rho, phi, source_m=(1.7 * radius, 20.0), frequency_mhz=F)
        total, scale = field.total, np.abs(field.incident).max()
        np.testing.assert_allclose(field.incident + field.scattered, total, atol=1e-12 * scale)
        if filling is None:
            assert np.abs(total[3]).max() < 1e-13 * scale
            assert not total[:3].any()
        else:
            assert np.abs(total[2] - total[3]).max() < 1e-9 * scale
            inner = (3 * total[2] - 4 * total[1] + total[0]) / (2 * step)
            outer = (-3 * total[3] + 4 * total[4] - total[5]) / (2 * step)
            k = max(abs(complex(wavenumber(F, medium=medium))) for medium in (filling, background))
            # One-sided differences of second order: their error is (k step)²/3 of the slope's own size.
            assert np.abs(inner - outer).max() < 2 * ((k * step) ** 2 + 4e-7) * np.abs(outer).max()


def test_total_field_vanishes_on_a_conductor() -> None:
    # Harrington 1961, sec. 5-9: the condition that makes the series.
    for ka in (0.1, 0.5, 1.0, 2.0, 5.0, 10.0):
        cylinder = _cylinder(ka)
        field = cylinder_plane_wave_field(cylinder, cylinder.radius_m, np.arange(0, 360, 7.0), frequency_mhz=F)
        assert np.abs(field.total).max() < 1e-13


@settings(max_examples=20, deadline=None)
@given(st.floats(5.0, 355.0), st.floats(1.05, 6.0), st.floats(1.05, 6.0), st.sampled_from([None, AIR, WET]))
def test_source_and_point_may_change_places(phi: float, source: float, point: float, filling: Medium | None) -> None:
    cylinder = Cylinder(0.2, filling, SOIL)
    one, other = (
        cylinder_line_source_field(cylinder, 0.2 * b, phi, source_m=(0.2 * a, 0.0), frequency_mhz=F).scattered.item()
        for a, b in ((source, point), (point, source))
    )
    assert one == pytest.approx(other, rel=1e-9)


def test_a_cylinder_of_the_background_scatters_nothing() -> None:
    field = cylinder_line_source_field(
        Cylinder(0.3, SOIL, SOIL), [0.1, 0.3, 0.7], 40.0, source_m=(0.5, 0.0), frequency_mhz=F
    )
    np.testing.assert_allclose(field.total, field.incident, rtol=1e-11)


def test_far_line_source_is_a_plane_wave() -> None:
    # The wave front at the axis, from φ = 180°, is flat to first order in 1/ρs.
    cylinder, phi = Cylinder(0.1, Medium(4.0)), np.arange(0.0, 360.0, 30.0)
    plane = cylinder_plane_wave_field(cylinder, 0.25, phi, frequency_mhz=F).scattered
    wrong = []
    for away in (100.0, 400.0, 1600.0):
        field = cylinder_line_source_field(cylinder, 0.25, phi, source_m=(away, 180.0), frequency_mhz=F).scattered
        wrong.append(np.abs(field / line_source_field(away, frequency_mhz=F) - plane).max())
    assert wrong[0] / wrong[1] == pytest.approx(4.0, rel=0.02)
    assert wrong[1] / wrong[2] == pytest.approx(4.0, rel=0.02)
    assert wrong[2] < 1e-3


def test_a_great_conductor_is_a_mirror() -> None:
    # Source and point 0.1 m before a face that is nearly flat: minus the field of the image, with an error of 1/a.
    wrong = []
    for radius in (5.0, 10.0, 20.0):
        away = radius + 0.1
        field = cylinder_line_source_field(Cylinder(radius), away, 0.0, source_m=(away + 1e-3, 0.0), frequency_mhz=F)
        wrong.append(abs(field.scattered.item() / -line_source_field(0.201, frequency_mhz=F).item() - 1))
    assert wrong[0] > wrong[1] > wrong[2]
    assert wrong[2] < 0.015


def test_light_is_not_made() -> None:
    for filling in (None, Medium(4.0), Medium(80.0)):
        q_sca, q_ext = cylinder_efficiencies(_cylinder(2.0, filling), frequency_mhz=F)
        # The optical theorem (Bohren & Huffman 1983, ch. 8).
        assert q_sca == pytest.approx(q_ext, rel=1e-12)
    q_sca, q_ext = cylinder_efficiencies(_cylinder(2.0, Medium(4.0, 30.0)), frequency_mhz=F)
    assert q_ext > q_sca > 0


def test_width_is_the_far_field() -> None:
    cylinder, rho = _cylinder(2.0, Medium(4.0)), 1e5
    field = cylinder_plane_wave_field(cylinder, rho, SIDES, frequency_mhz=F).scattered
    np.testing.assert_allclose(
        2 * np.pi * rho * np.abs(field) ** 2, scattering_width_m(cylinder, SIDES, frequency_mhz=F), rtol=1e-4
    )


# ---- published series


# Harrington 1961, sec. 5-9; Balanis, Advanced Engineering Electromagnetics, sec. 11.5 (formulas from memory); the
# numbers computed from them apart.
@pytest.mark.parametrize(
    ("ka", "tm", "te", "q_sca"),
    [
        (0.1, (0.198356, 0.189138, 0.180271), (0.000042, 0.000038, 0.000352), 5.944701),
        (0.5, (0.810374, 0.514437, 0.375439), (0.031537, 0.019299, 0.160285), 3.478411),
        (1.0, (1.891877, 0.648455, 0.614760), (0.261844, 0.256803, 0.544802), 2.956557),
        (2.0, (5.123895, 0.993899, 1.087361), (1.444523, 0.765790, 1.119784), 2.613271),
        (5.0, (23.139884, 2.025769, 2.549122), (11.750388, 1.131065, 2.223896), 2.337064),
        (10.0, (80.187446, 3.764079, 5.027979), (52.694295, 4.046932, 4.873970), 2.213317),
    ],
)
def test_conductor_table(ka: float, tm: tuple[float, ...], te: tuple[float, ...], q_sca: float) -> None:
    np.testing.assert_allclose(_width_in_wavelengths(_cylinder(ka)), tm, atol=1e-6)
    np.testing.assert_allclose(_width_in_wavelengths(_cylinder(ka), "TE"), te, atol=1e-6)
    assert cylinder_efficiencies(_cylinder(ka), frequency_mhz=F)[0] == pytest.approx(q_sca, abs=1e-6)


def test_wide_conductor() -> None:
    # Geometrical optics: the width backward nears πa (1.00560 of it at ka = 10), Q_sca nears 2.
    cylinder = _cylinder(10.0)
    back = scattering_width_m(cylinder, 180.0, frequency_mhz=F).item()
    assert back / (np.pi * cylinder.radius_m) == pytest.approx(1.00560, abs=1e-5)
    wide = [cylinder_efficiencies(_cylinder(ka), frequency_mhz=F)[0] for ka in (10.0, 40.0, 160.0)]
    assert wide[0] > wide[1] > wide[2] > 2.0
    assert wide[2] == pytest.approx(2.0, abs=0.05)


def test_conductor_near_field() -> None:
    # ka = 1, kρ = 2: scattered field of a plane wave; total field of a line source at kρ = 3 over −ωμ₀I/4.
    plane = cylinder_plane_wave_field(_cylinder(1.0), 2 / K, SIDES, frequency_mhz=F)
    expected = (0.25031326 + 0.79707032j, -0.36840070 + 0.52112602j, -0.63133760 + 0.07346173j)
    np.testing.assert_allclose(plane.scattered, expected, atol=1e-8)
    line = cylinder_line_source_field(_cylinder(1.0), 2 / K, SIDES, source_m=(3 / K, 0.0), frequency_mhz=F)
    expected = (0.9831534 + 0.1645818j, -0.0894584 - 0.1715740j, 0.0096331 + 0.0297267j)
    np.testing.assert_allclose(line.total / (-0.25 * 2e6 * np.pi * F * MU0_H_PER_M), expected, atol=1e-7)


# Bohren & Huffman 1983, ch. 8 (formula from memory); the numbers computed from it apart.
@pytest.mark.parametrize(
    ("filling", "background", "ka", "a0", "widths", "q_sca", "q_ext"),
    [
        (Medium(2.0), AIR, 1.0, -0.3160770 - 0.4649433j, (0.364127, 0.196634, 0.101322), 0.674305, 0.674305),
        (Medium(4.0), AIR, 1.0, -0.8892540 - 0.3138173j, (2.269381, 0.555021, 0.267949), 2.862930, 2.862930),
        (Medium(4.0), AIR, 2.0, -0.7670668 + 0.4227000j, (13.126689, 0.563089, 0.677340), 4.293232, 4.293232),
        (AIR, Medium(9.0), 1.0, -0.2031333 + 0.4023309j, (0.209889, 0.126254, 0.075151), 0.422117, 0.422117),
        (AIR, Medium(9.0), 2.0, -0.9155540 + 0.2780556j, (2.319051, 0.511925, 0.244767), 1.368028, 1.368028),
        (Medium(9.0 - 1j), AIR, 1.0, -0.9209734 + 0.1061849j, (2.865904, 0.513235, 0.443746), 3.387179, 3.944509),
    ],
)
def test_dielectric_table(
    filling: Medium,
    background: Medium,
    ka: float,
    a0: complex,
    widths: tuple[float, ...],
    q_sca: float,
    q_ext: float,
) -> None:
    cylinder = _cylinder(ka, filling, background)
    assert cylinder_coefficients(cylinder, frequency_mhz=F, orders=0).item() == pytest.approx(a0, abs=1e-7)
    np.testing.assert_allclose(_width_in_wavelengths(cylinder), widths, atol=1e-6)
    assert cylinder_efficiencies(cylinder, frequency_mhz=F) == pytest.approx((q_sca, q_ext), abs=1e-6)


# ---- in time


def test_echo_of_a_drain_arrives_when_it_should() -> None:
    # Air-filled, 0.15 m wide, 0.8 m from an antenna in soil: twice the way to its face at the soil's velocity, and (a
    # void in denser ground) of the sign of the direct wave. The echo is taken where its envelope would first stir.
    t = 0.1 * np.arange(400)
    current = ricker_current(t - 6.0, peak_mhz=400.0)
    drain, soil = Cylinder(0.075, AIR, Medium(9.0)), Medium(9.0)
    echo = apply_transfer(
        current,
        interval_ns=0.1,
        transfer=lambda f: (
            cylinder_line_source_field(drain, 0.8, 0.0, source_m=(0.8001, 0.0), frequency_mhz=f).scattered
        ),
    )
    two_way = 2 * (0.8 - 0.075) * 3 / C_M_PER_NS
    reference = line_source_response(current, interval_ns=0.1, distance_m=two_way * C_M_PER_NS / 3, medium=soil)
    lag = (np.correlate(echo, reference, "full").argmax() - (t.size - 1)) * 0.1
    assert abs(lag) < 0.4
    assert np.abs(echo[t < 2.5 + two_way]).max() < 1e-3 * np.abs(echo).max()
    assert np.dot(echo, reference) > 0


# ---- functions of all orders


def test_functions_of_all_orders() -> None:
    # Abramowitz & Stegun 1964, 9.1.16: J H′ − J′ H = −2j/(πx), at orders whose values no machine number holds.
    x = np.array([1e-6, 0.1, 1.0, 30.0, 200.0 - 3.0j, 4.0 - 90.0j, 900.0])
    j, h = bessel_j_orders(600, x), hankel2_orders(600, x)
    wronskian = (j.value * h.slope - j.slope * h.value) * np.exp(j.log + h.log)
    np.testing.assert_allclose(wronskian, np.broadcast_to(-2j / (np.pi * x), wronskian.shape), rtol=1e-10)
    # Debye's leading term far above the argument: J ≈ (x/2)ⁿ/n!, ln J₆₀₀(1) from Stirling's series.
    n = 600
    expected = n * np.log(0.5) - (n * np.log(n) - n + 0.5 * np.log(2 * np.pi * n) + 1 / (12 * n)) - 0.25 / (n + 1)
    assert (j.log[600, 2] + np.log(j.value[600, 2])).real == pytest.approx(expected, abs=1e-6)
    # At zero only the order 0 is not zero.
    zero = bessel_j_orders(3, 0.0)
    np.testing.assert_allclose(zero.value * np.exp(zero.log), [1, 0, 0, 0], atol=1e-100)


def test_source_close_to_the_face_needs_and_gets_many_orders() -> None:
    # 4 and 10 mm from a face of 1 m radius: thousands of terms; so near the face it is the image in a flat conductor.
    cylinder = Cylinder(1.0)
    field = cylinder_line_source_field(cylinder, 1.004, 0.0, source_m=(1.01, 0.0), frequency_mhz=50.0)
    image = -line_source_field(0.014, frequency_mhz=50.0).item()
    assert field.scattered.item() == pytest.approx(image, rel=0.01)


# ---- faults


def test_faults() -> None:
    with pytest.raises(InputError, match=r"the line source must lie outside the cylinder \(received 0\.1 m from its"):
        cylinder_line_source_field(Cylinder(0.2), 1.0, 0.0, source_m=(0.1, 0.0), frequency_mhz=F)
    with pytest.raises(InputError, match=r"too near the cylinder's face \(received \d+ terms needed\).*at most 5000"):
        cylinder_line_source_field(Cylinder(1.0), 1.001, 9.0, source_m=(1.001, 0.0), frequency_mhz=F)
    with pytest.raises(InputError, match="distance_m must be greater than zero"):
        cylinder_line_source_field(Cylinder(0.1), 1.0, 0.0, source_m=(1.0, 0.0), frequency_mhz=F)
    with pytest.raises(InputError, match=r"rho_m must not be negative \(received -1\)"):
        cylinder_plane_wave_field(Cylinder(0.1), -1.0, 0.0, frequency_mhz=F)
    with pytest.raises(InputError, match="the TE series holds for a conductor only"):
        cylinder_coefficients(Cylinder(0.1, AIR, SOIL), frequency_mhz=F, polarisation="TE")
    with pytest.raises(InputError, match="polarisation must be one of TM, TE"):
        cylinder_coefficients(Cylinder(0.1), frequency_mhz=F, polarisation="x")
    with pytest.raises(InputError, match="lossy background there is no width"):
        scattering_width_m(Cylinder(0.1, None, SOIL), 0.0, frequency_mhz=F)
    with pytest.raises(InputError, match="radius_m must be greater than zero"):
        Cylinder(0.0)
