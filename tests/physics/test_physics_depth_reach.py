"""How deep a radar sees: rules of thumb and the range equation, and soil water by texture class."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    TEXTURE_CLASSES,
    RadarTarget,
    antenna_separation_m,
    attenuation_rule_db_per_m,
    centre_frequency_mhz,
    depth_rule_m,
    footprint_radius_m,
    named_texture_class,
    plane_wave,
    range_equation_db,
    range_equation_depth_m,
    retained_vwc,
    texture_class_of,
    water_limits_vwc,
)
from yewline.units import NEPER_DB

# Annan & Davis 1977; Davis & Annan 1989 (formula from memory), worked out by hand for 400 MHz, 0.1 m/ns, 1.5 m, 1 dB/m
# (0.1151 Np/m), reflection 0.2, unit gains, a = 0.1 m.
RANGE_ROWS = [("smooth plane", -60.5465), ("rough plane", -71.3383), ("point", -84.0683)]


@pytest.mark.parametrize(("kind", "expected"), RANGE_ROWS)
def test_range_equation(kind: str, expected: float) -> None:
    target = RadarTarget(kind, reflection=0.2, radius_m=0.1)  # type: ignore[arg-type]
    got = range_equation_db(1.5, target, frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=0.1151 * NEPER_DB)
    assert got == pytest.approx(expected, abs=1e-3)


def test_absorption_part() -> None:
    target = RadarTarget(reflection=0.2)
    lossy, free = (
        range_equation_db(1.5, target, frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=a * NEPER_DB)
        for a in (0.1151, 0.0)
    )
    # Two ways over 1.5 m at 0.1151 Np/m.
    assert free - lossy == pytest.approx(2.9992, abs=1e-3)


@given(
    kind=st.sampled_from(["smooth plane", "rough plane", "point"]),
    loss=st.sampled_from([0.0, 1e-6, 0.3, 5.0, 60.0]),
    dynamic=st.floats(90.0, 180.0),
    reflection=st.floats(0.01, 1.0),
)
@settings(max_examples=80, deadline=None)
def test_depth_is_where_the_echo_meets_the_noise(kind: str, loss: float, dynamic: float, reflection: float) -> None:
    target = RadarTarget(kind, reflection=reflection, antenna_db=-6.0)  # type: ignore[arg-type]
    common = {"frequency_mhz": 250.0, "v_m_per_ns": 0.09, "alpha_db_per_m": loss}
    depth = range_equation_depth_m(dynamic, target, **common)
    assert range_equation_db(depth, target, **common) == pytest.approx(-dynamic, abs=1e-8)


def test_reach_shrinks_with_loss_and_meets_the_loss_free_limit() -> None:
    target = RadarTarget(reflection=0.05)
    depths = range_equation_depth_m(
        150.0, target, frequency_mhz=200.0, v_m_per_ns=0.1, alpha_db_per_m=[0.0, 1e-7, 0.1, 1.0, 10.0, 100.0]
    )
    assert (np.diff(depths) < 0).all()
    assert depths[1] == pytest.approx(depths[0], rel=1e-2)
    # Ten times the loss costs almost ten times the depth once absorption rules.
    assert 0.1 < depths[5] / depths[4] < 0.16


def test_rules_of_thumb() -> None:
    # Annan & Cosway 1992, SAGEEP, 329-351 (from memory), and an open teaching text for three skin depths.
    assert depth_rule_m("35/sigma", conductivity_ms_per_m=[10.0, 20.0]) == pytest.approx([3.5, 1.75])
    assert depth_rule_m("30/alpha", attenuation_db_per_m=10.0) == pytest.approx(3.0)
    # 0.0159 √ε/σ as printed: 4.78 m at ε = 9 and 10 mS/m.
    assert depth_rule_m("3 skin depths", conductivity_ms_per_m=10.0, permittivity=9.0) == pytest.approx(4.778, abs=1e-3)
    # Which is three times the skin depth of the exact wave where loss is low.
    exact = plane_wave(400.0, permittivity=9.0, conductivity_ms_per_m=1.0).skin_depth_m
    assert depth_rule_m("3 skin depths", conductivity_ms_per_m=1.0, permittivity=9.0) == pytest.approx(
        3 * exact, rel=1e-4
    )
    assert depth_rule_m("35/sigma", conductivity_ms_per_m=0.0) == math.inf


def test_printed_attenuation_rule() -> None:
    # Annan 1991: 30 mS/m at K = 25 is 10.1 dB/m; 100 dB there and back are 5 m. The exact limit is 9.817, 3 % lower.
    rule = float(attenuation_rule_db_per_m(30.0, 25.0))
    assert rule == pytest.approx(10.1, abs=0.05)
    assert 100.0 / (2 * rule) == pytest.approx(5.0, rel=0.02)
    exact = float(plane_wave(1e5, permittivity=25.0, conductivity_ms_per_m=30.0).alpha_db_per_m)
    assert exact == pytest.approx(9.817, abs=1e-3)
    assert rule == pytest.approx(exact, rel=0.04)


def test_footprint_separation_and_frequency() -> None:
    # 400 MHz, ε = 9, 1.5 m: 0.53680 m by Conyers & Goodman 1997, 0.59279 m by the critical angle (both from memory; the
    # worked values take λ = 0.24983 m).
    v = 0.299792458 / 3.0
    common = {"centre_mhz": 400.0, "v_m_per_ns": v, "permittivity": 9.0}
    assert footprint_radius_m(1.5, **common) == pytest.approx(0.53680, abs=1e-5)
    assert footprint_radius_m(1.5, **common, cone="critical-angle") == pytest.approx(0.59279, abs=1e-5)
    # tan of the critical angle is 1/√(ε − 1) exactly.
    wide = footprint_radius_m(1.5, **common, cone="critical-angle") - v / 1.6
    assert math.degrees(math.atan(wide / 1.5)) == pytest.approx(19.4712, abs=1e-4)
    assert antenna_separation_m(1.5, permittivity=9.0) == pytest.approx(1.0607, abs=1e-4)
    # Annan & Cosway 1992: 0.25 m → 200, 0.5 m → 100 (ε = 9); 0.1 m at ε = 16 → 375 MHz.
    assert centre_frequency_mhz(0.25, permittivity=9.0) == pytest.approx(200.0)
    assert centre_frequency_mhz(0.5, permittivity=9.0) == pytest.approx(100.0)
    assert centre_frequency_mhz(0.1, permittivity=16.0) == pytest.approx(375.0)


@pytest.mark.parametrize("name", TEXTURE_CLASSES)
def test_what_stands_for_a_class_lies_in_it(name: str) -> None:
    stands = TEXTURE_CLASSES[name]
    assert texture_class_of(stands.sand, stands.clay) == name
    assert named_texture_class(name) is stands
    assert named_texture_class(f"Dark {name.title()}, a few stones") is stands


def test_texture_limits_of_the_handbook() -> None:
    # Soil Survey Manual, ch. 3 (limits from memory): one point on each side of each limit, in percent.
    sides = [
        ((86, 9), "loamy sand"),
        ((88, 4), "sand"),
        ((71, 14), "sandy loam"),
        ((50, 20), "loam"),
        ((53, 18), "sandy loam"),
        ((60, 21), "sandy clay loam"),
        ((48, 36), "sandy clay"),
        ((44, 36), "clay loam"),
        ((21, 30), "clay loam"),
        ((19, 30), "silty clay loam"),
        ((10, 45), "silty clay"),
        ((25, 45), "clay"),
        ((10, 11), "silt loam"),
        ((10, 5), "silt"),
        ((45, 5), "silt loam"),
        ((48, 5), "sandy loam"),
        ((30, 26), "loam"),
    ]
    for (sand, clay), name in sides:
        assert texture_class_of(sand / 100, clay / 100) == name, (sand, clay)


@given(sand=st.integers(0, 100), clay=st.integers(0, 100))
@settings(max_examples=200, deadline=None)
def test_every_texture_has_a_class(sand: int, clay: int) -> None:
    if sand + clay <= 100:
        assert texture_class_of(sand / 100, clay / 100) in TEXTURE_CLASSES


@pytest.mark.parametrize("text", ["", "made ground", "sand over clay", "sand/clay", "silty sand", "loam or clay loam"])
def test_a_text_that_names_no_class_or_two_is_not_guessed(text: str) -> None:
    assert named_texture_class(text) is None


@pytest.mark.parametrize(
    ("texture", "drained", "wilted"),
    # Clapp & Hornberger 1978, Water Resour. Res. 14:601-604, Table 2, at 336.5 and 15 296 cm.
    [
        ("sand", 0.1738, 0.0677),
        ("loamy sand", 0.1794, 0.0750),
        ("sandy loam", 0.2488, 0.1142),
        ("silt loam", 0.3686, 0.1794),
        ("loam", 0.3140, 0.1547),
        ("sandy clay loam", 0.2989, 0.1749),
        ("silty clay loam", 0.3570, 0.2182),
        ("clay loam", 0.3910, 0.2498),
        ("sandy clay", 0.3165, 0.2193),
        ("silty clay", 0.4088, 0.2832),
        ("clay", 0.4003, 0.2864),
    ],
)
def test_retained_water(texture: str, drained: float, wilted: float) -> None:
    assert retained_vwc([336.5, 15296.0], texture=texture) == pytest.approx([drained, wilted], abs=6e-5)
    # One public table has 0.482 for the silty clay when full: 0.492 is right.
    assert retained_vwc(0.0, texture="silty clay") == pytest.approx(0.492)


def test_water_limits() -> None:
    # Saxton & Rawls 2006: documented as 13.8, 32.1 and 48.2 %; the formulas give 13.65, 32.09 and 48.21.
    assert water_limits_vwc(0.2, 0.2, organic=0.025) == pytest.approx((0.1365, 0.3209, 0.4821), abs=1e-4)
    assert water_limits_vwc(0.2, 0.2, organic=0.025) == pytest.approx((0.138, 0.321, 0.482), abs=0.003)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: depth_rule_m("deep"), "rule must be one of"),
        (lambda: depth_rule_m("35/sigma", conductivity_ms_per_m=-1.0), "conductivity_ms_per_m must lie between 0"),
        (lambda: RadarTarget("ghost"), "kind must be one of"),  # type: ignore[arg-type]
        (lambda: RadarTarget(reflection=0.0), "reflection must be greater than zero"),
        (
            lambda: range_equation_db(0.0, RadarTarget(), frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=1.0),
            "depth_m must be greater than zero",
        ),
        (
            lambda: range_equation_depth_m(
                -150.0, RadarTarget(), frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=1.0
            ),
            "dynamic_range_db must be greater than zero",
        ),
        (lambda: footprint_radius_m(1.0, centre_mhz=400.0, v_m_per_ns=0.1, permittivity=1.0), "greater than 1"),
        (lambda: antenna_separation_m(1.0, permittivity=0.9), "greater than 1"),
        (lambda: texture_class_of(0.7, 0.4), "sand and clay must not exceed 1 together"),
        (lambda: retained_vwc(100.0, texture="peat"), "texture must be one of"),
        (lambda: water_limits_vwc(0.2, 0.8), r"clay must lie between 0 and 0\.6"),
    ],
)
def test_what_cannot_be_is_refused(call: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        call()  # type: ignore[operator]
