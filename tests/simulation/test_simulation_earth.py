"""The ground in three dimensions on a day: materials against printed relations, then its own identities."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import conductivity_at_temperature, ice_permittivity, mixed_permittivity, water_relaxation
from yewline.simulation import Fill, Grave, Moisture, Scene, SoilKind, sample_columns, scatter_scene, soil_columns
from yewline.simulation.earth import (
    PROFILES,
    DayWater,
    Drained,
    Even,
    FrozenCrust,
    Ground,
    Patches,
    Soil,
    Texture,
    WaterTable,
    WettingFront,
    columns_of,
    frozen_share,
    materials,
    mean_profile,
    moisture_statistics,
    relaxation_of,
    soil_on_day,
    surface_readings,
    water_on_section,
)
from yewline.units import C_M_PER_NS, EPS0_F_PER_M

# Temperature at which Kaatze's static water has the 80.1 of the printed mixing tables.
T_80_1 = (1.94404 - math.log10(80.1)) / 1.991e-3
DEPTH = np.arange(0.0, 2.0001, 0.05)
LINE = np.linspace(0.0, 12.0, 60)
SPREAD = DayWater(Even(0.2), macro=Patches(0.03, (8.0, 8.0, 1.0)), micro=Patches(0.01, 0.2))


def loss_as_ms_per_m(eps: complex, mhz: float) -> float:
    return -eps.imag * 2e9 * math.pi * mhz * EPS0_F_PER_M


# --- materials against what is printed


@pytest.mark.parametrize(
    ("theta", "eps"),
    # CRIM, Birchak et al. 1974, Proc. IEEE 62:93-98: porosity 0.4, solid 5, water 80.1.
    [(0.0, 3.03331), (0.05, 4.57589), (0.10, 6.43448), (0.20, 11.09964), (0.30, 17.02882), (0.40, 24.22200)],
)
def test_mixing_soil(theta: float, eps: float) -> None:
    soil = Soil(porosity=0.4, solid_permittivity=5.0, temperature_c=T_80_1)
    # At 10 MHz the water's real part is its static one to within 1e-6.
    assert float(materials(soil, theta, frequency_mhz=10.0)[0]) == pytest.approx(eps, abs=3e-5)


@pytest.mark.parametrize(
    ("theta", "eps"),
    # Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.
    [(0.0, 3.03), (0.05, 3.85041), (0.10, 5.34330), (0.20, 10.11640), (0.30, 16.88910), (0.40, 25.20120)],
)
def test_topp_soil(theta: float, eps: float) -> None:
    assert float(materials(Soil(model="topp"), theta, frequency_mhz=400.0)[0]) == pytest.approx(eps, abs=1e-5)


def test_texture_soil() -> None:
    # Peplinski et al. 1995 with Dobson et al. 1985: S 0.4, C 0.2, bulk density 1.5, 20 °C, 500 MHz, θ 0.2.
    texture = Texture(0.4, 0.2, 1.5)
    soil = Soil(texture.porosity, "texture", texture, conduction="texture", temperature_c=20.0)
    eps, sigma = materials(soil, 0.2, frequency_mhz=500.0)
    assert eps == pytest.approx(13.1261, abs=1e-4)
    assert sigma == pytest.approx(loss_as_ms_per_m(-2.1006j, 500.0), rel=1e-4)
    # The loss alone can be the texture model's, under a permittivity of another relation.
    assert materials(replace(soil, model="topp"), 0.2, frequency_mhz=500.0)[1] == pytest.approx(sigma)


def test_conduction_of_pore_water_and_surfaces() -> None:
    # Archie 1942: porosity 0.4, full, exponent 2, water of 50 mS/m: 8 mS/m (at 25 °C); a surface term of 3 at half.
    soil = Soil(porosity=0.4, water_ms_per_m=50.0, cementation=2.0, surface_ms_per_m=0.0, temperature_c=25.0)
    full = relaxation_of(soil, 0.4).conductivity_ms_per_m
    assert full == pytest.approx(8.0, rel=1e-3)
    wetted = replace(soil, surface_ms_per_m=3.0)
    more = relaxation_of(wetted, 0.2).conductivity_ms_per_m - relaxation_of(soil, 0.2).conductivity_ms_per_m
    assert more == pytest.approx(1.5, rel=1e-3)
    cold = relaxation_of(replace(soil, temperature_c=10.0), 0.4).conductivity_ms_per_m
    assert cold == pytest.approx(float(conductivity_at_temperature(8.0, 10.0)))
    # Rhoades et al. 1989 (from memory): 10 % clay has 0.209 dS/m.
    assert Soil(texture=Texture(0.6, 0.1)).surface_at_25 == pytest.approx(20.9)


def test_usual_sands_lie_in_the_usual_ranges() -> None:
    # Davis & Annan 1989, Geophys. Prospect. 37:531-551, table 1, at 100 MHz: dry sand 3-5 and 0.01 mS/m, saturated sand
    # 20-30 and 0.1-1 mS/m. Fresh water has 0.5 mS/m there; soil water of 5 mS/m is fresh ground water.
    sand = Soil(porosity=0.38, texture=Texture(0.95, 0.0), solid_permittivity=4.7, water_ms_per_m=5.0)
    eps, sigma = materials(sand, [0.02, 0.38], frequency_mhz=100.0)
    assert 3.0 <= eps[0] <= 5.0
    assert 20.0 <= eps[1] <= 30.0
    assert sigma[0] < 0.1
    assert 0.1 <= relaxation_of(sand, 0.38).conductivity_ms_per_m <= 1.0


def test_temperature_moves_permittivity_as_the_water_does() -> None:
    # Mixing with porosity 0.4, solid 5, θ 0.3: 18.077 at 0 °C and 16.780 at 25 °C with Malmberg & Maryott's water.
    # Kaatze's lies 0.2 % and 0.1 % above it.
    cold, warm = (
        float(materials(Soil(0.4, solid_permittivity=5.0, temperature_c=t), 0.3, frequency_mhz=10.0)[0])
        for t in (0, 25)
    )
    assert cold == pytest.approx(18.077, rel=2e-3)
    assert warm == pytest.approx(16.780, rel=1.5e-3)
    assert materials(Soil(0.4, model="topp"), 0.3, frequency_mhz=10.0)[0] == pytest.approx(16.88910, abs=1e-5)


def test_frozen_soil_is_a_mixture_of_four_parts_and_nearly_dry() -> None:
    soil = Soil(porosity=0.45, solid_permittivity=5.0, temperature_c=-2.0)
    share = 0.9
    liquid, ice = 0.3 * (1 - share), 1.09 * 0.3 * share
    water = complex(water_relaxation(-2.0).at(400.0))
    index = 0.55 * 5.0**0.5 + liquid * water**0.5 + ice * float(ice_permittivity(-2.0)) ** 0.5 + (0.45 - liquid - ice)
    eps, sigma = materials(soil, 0.3, frequency_mhz=400.0, frozen=share)
    assert eps == pytest.approx((index**2).real, rel=1e-12)
    wet, wet_sigma = materials(soil, 0.3, frequency_mhz=400.0)
    dry, dry_sigma = materials(soil, liquid, frequency_mhz=400.0)
    assert dry < eps < dry + 0.15 * (wet - dry)
    assert dry_sigma <= sigma < 0.2 * wet_sigma
    # Topp's relation knows no ice: by the mixing rule it takes the place of air.
    topp, _ = materials(replace(soil, model="topp"), 0.3, frequency_mhz=400.0, frozen=share)
    without, _ = materials(replace(soil, model="topp"), liquid, frequency_mhz=400.0)
    assert np.sqrt(topp) - np.sqrt(without) == pytest.approx(ice * (float(ice_permittivity(-2.0)) ** 0.5 - 1.0))
    # In full soil the ice has no more room than the pores.
    packed, _ = materials(soil, 0.45, frequency_mhz=400.0, frozen=1.0)
    assert packed == pytest.approx((0.55 * 5.0**0.5 + 0.45 * float(ice_permittivity(-2.0)) ** 0.5) ** 2)


@pytest.mark.parametrize("temperature", [0.0, 15.0, 30.0])
@pytest.mark.parametrize("exponent", [0.46, 0.5, 0.65])
def test_one_relaxation_stands_for_the_mixture_over_the_band(temperature: float, exponent: float) -> None:
    theta = np.linspace(0.0, 0.45, 10)
    soil = Soil(porosity=0.45, temperature_c=temperature, exponent=exponent)
    pole = relaxation_of(soil, theta)
    assert pole.time_ns == pytest.approx(float(water_relaxation(temperature).time_ns))
    assert (pole.permittivity >= 1.0).all()
    for mhz in (100.0, 250.0, 500.0, 900.0):
        eps, sigma = materials(soil, theta, frequency_mhz=mhz)
        fit = pole.at(mhz)
        assert fit.real == pytest.approx(eps, rel=6e-4)
        conduction = pole.conductivity_ms_per_m
        loss = -fit.imag * 2e9 * math.pi * mhz * EPS0_F_PER_M - conduction
        assert loss == pytest.approx(sigma - conduction, rel=4e-3, abs=1e-9)


def test_relaxation_fails_as_it_should_far_above_the_band() -> None:
    # First order in ωτ: the error of the real part grows with its square.
    soil, errors = Soil(temperature_c=5.0), []
    for mhz in (750.0, 1500.0, 3000.0):
        fit, eps = relaxation_of(soil, 0.3).at(mhz).real, materials(soil, 0.3, frequency_mhz=mhz)[0]
        errors.append(abs(float(fit / eps) - 1.0))
    assert errors[1] / errors[0] == pytest.approx(4.0, rel=0.05)
    assert errors[2] / errors[1] == pytest.approx(4.0, rel=0.15)


@given(
    theta=st.floats(0.0, 0.38),
    porosity=st.floats(0.4, 0.47),
    model=st.sampled_from(["mixing", "topp", "texture"]),
    mhz=st.sampled_from([100.0, 400.0, 900.0]),
    frozen=st.sampled_from([0.0, 0.4]),
)
@settings(max_examples=60, deadline=None)
def test_materials_rise_with_water(theta: float, porosity: float, model: str, mhz: float, frozen: float) -> None:
    soil = Soil(0.436, model, Texture(0.4, 0.2), temperature_c=0.0)  # type: ignore[arg-type]
    eps, sigma = materials(soil, [theta, theta + 0.01], porosity=porosity, frequency_mhz=mhz, frozen=frozen)
    assert eps[1] > eps[0] >= 1.0
    assert sigma[1] > sigma[0] >= 0.0
    thawed, wetter = materials(soil, [theta, theta + 0.01], porosity=porosity, frequency_mhz=mhz)
    # Dry soil differs in round-off only: there the order of the sums is another.
    assert (thawed >= eps * (1.0 - 1e-12)).all()
    assert (wetter >= sigma * (1.0 - 1e-12)).all()


# --- mean profiles


def test_profiles_keep_their_own_shape() -> None:
    soil = Soil()
    z = np.linspace(0.0, 3.0, 3001)
    assert mean_profile(soil, DayWater(Even(0.2)), z) == pytest.approx(np.full(z.size, 0.2))
    drained = mean_profile(soil, DayWater(Drained(0.1, 0.3, 0.5)), z)
    assert drained[0] == pytest.approx(0.1)
    assert drained[500] == pytest.approx(0.3 - 0.2 / math.e)
    front = mean_profile(soil, DayWater(WettingFront(0.38, 0.4, 0.15, 0.15, thickness_m=0.1)), z)
    assert front[0] == pytest.approx(0.38)
    assert front[400] == pytest.approx(0.5 * (0.38 + 0.15))
    share = (front - 0.15) / 0.23
    assert z[share <= 0.1][0] - z[share >= 0.9][-1] == pytest.approx(0.1, abs=0.002)
    assert mean_profile(soil, DayWater(Even(0.2)), [-0.1, 0.1]).tolist() == [0.0, 0.2]


def test_water_table_is_full_below_and_drains_above() -> None:
    soil = Soil(porosity=0.4, residual=0.05)
    day = DayWater(WaterTable(1.2, fringe_m=0.3, steepness=2.0), macro=Patches(0.05, 3.0))
    z = np.array([0.0, 0.9, 1.2, 1.8])
    # van Genuchten 1980: at the height 1/α with n = 2 the effective saturation is 2^(−1/2).
    assert mean_profile(soil, day, z)[1:] == pytest.approx([0.05 + 0.35 / math.sqrt(2.0), 0.4, 0.4])
    assert mean_profile(soil, day, z)[0] == pytest.approx(0.05 + 0.35 / math.sqrt(17.0))
    section = water_on_section(Ground(soil), day, LINE, 0 * LINE, z)
    assert (section[:, 2:] == 0.4).all()
    assert section[:, 0].std() > 0.01


def test_frost_leaves_a_residue_and_ends_at_its_depth() -> None:
    day = DayWater(FrozenCrust(0.25, 0.2, 0.2, unfrozen_vwc=0.04, edge_m=0.02))
    z = np.array([0.0, 0.2, 0.25, 0.3])
    share = frozen_share(day, np.full((3, 4), 0.2), z)
    assert share[1] == pytest.approx([0.8, 0.8, 0.4, 0.0])
    # Soil drier than the residue does not freeze; a day without frost has none.
    assert frozen_share(day, [0.03, 0.03, 0.0, 0.0], z).tolist() == [0.0, 0.0, 0.0, 0.0]
    assert frozen_share(DayWater(Even(0.2)), np.full((3, 4), 0.2), z).tolist() == np.zeros((3, 4)).tolist()


def test_a_rough_front_has_the_relief_asked_for() -> None:
    # At the front's mean depth the water falls by slope × relief; where it lies is read off the section.
    day = DayWater(WettingFront(0.35, 0.5, 0.1, 0.1, thickness_m=0.03, relief_m=0.05, relief_range_m=0.6))
    z = np.arange(0.2, 0.8, 0.002)
    levels = []
    for seed in range(12):
        vwc = water_on_section(Ground(structure_seed=seed), day, 3.0 * np.arange(40), np.zeros(40), z)
        levels.append(0.2 + ((vwc - 0.1) / 0.25).sum(axis=1) * 0.002)
    assert np.mean(levels) == pytest.approx(0.5, abs=4 * 0.05 / math.sqrt(480))
    assert np.std(levels) == pytest.approx(0.05, rel=4 / math.sqrt(2 * 480))


# --- uneven water


def draws(day: DayWater, depth: list[float], soil: Soil | None = None, n: int = 150) -> np.ndarray:
    """Water at far-apart places, over many grounds: (n × 5, Z)."""
    x = 40.0 * np.arange(5)
    return np.concatenate(
        [water_on_section(Ground(soil or Soil(), seed), day, x, 0.3 * x, np.array(depth)) for seed in range(n)]
    )


def test_mean_and_spread_over_grounds_are_those_asked_for() -> None:
    day = replace(SPREAD, profile=Drained(0.15, 0.25), fade_m=0.8)
    values = draws(day, [0.0, 0.8])
    n = len(values)
    sd = math.hypot(0.03, 0.01) * np.array([1.0, 1.0 / math.e])
    mean = mean_profile(Soil(), day, [0.0, 0.8])
    assert (np.abs(values.mean(axis=0) - mean) < 4.0 * sd / math.sqrt(n)).all()
    assert values.std(axis=0) == pytest.approx(sd, rel=4.0 / math.sqrt(2 * n))
    told = moisture_statistics(Ground(), day, [0.0, 0.8])
    assert told.mean == pytest.approx(mean, abs=1e-6)
    assert told.sd == pytest.approx(sd, rel=1e-4)
    assert told.sd_asked == pytest.approx(sd)


@pytest.mark.parametrize(
    "profile", [Even(0.05), Even(0.38), WettingFront(0.4, 0.3, 0.06, 0.06, relief_m=0.05, relief_range_m=2.0)]
)
def test_what_the_clip_does_is_told(profile: Even | WettingFront) -> None:
    day = DayWater(profile, macro=Patches(0.04, 6.0), micro=Patches(0.03, 0.2))
    values = draws(day, [0.1, 0.3], n=200)
    told = moisture_statistics(Ground(), day, [0.1, 0.3])
    n = len(values)
    assert (np.abs(values.mean(axis=0) - told.mean) < 4.0 * told.sd / math.sqrt(n)).all()
    assert values.std(axis=0) == pytest.approx(told.sd, rel=0.12)
    for share, limit in ((told.clipped_low, 0.02), (told.clipped_high, 0.42)):
        error = 4.0 * np.sqrt(np.maximum(share * (1.0 - share), 1e-4) / n)
        assert (np.abs((values == limit).mean(axis=0) - share) < error).all()
    assert values.min() >= 0.02
    assert values.max() <= 0.42


def test_no_spread_is_no_clip() -> None:
    told = moisture_statistics(Ground(), DayWater(Drained(0.1, 0.3)), [0.0, 0.5])
    assert told.mean == pytest.approx(told.mean_asked)
    assert told.sd.tolist() == [0.0, 0.0]
    assert told.clipped_low.tolist() == told.clipped_high.tolist() == [0.0, 0.0]


def test_the_structure_is_the_same_on_every_day() -> None:
    ground = Ground(structure_seed=3)
    wet = DayWater(Even(0.3), macro=Patches(0.015, (8.0, 8.0, 1.0)), day_seed=1)
    dry = DayWater(Drained(0.15, 0.2), macro=Patches(0.03, (8.0, 8.0, 1.0)), day_seed=2)
    one, other = (water_on_section(ground, day, LINE, 2 + 0 * LINE, DEPTH) for day in (wet, dry))
    assert 2.0 * (one - 0.3) == pytest.approx(other - mean_profile(ground.soil, dry, DEPTH), abs=1e-12)
    again = water_on_section(ground, wet, LINE, 2 + 0 * LINE, DEPTH)
    assert (again == one).all()
    elsewhere = water_on_section(Ground(structure_seed=4), wet, LINE, 2 + 0 * LINE, DEPTH)
    assert not np.allclose(one, elsewhere)


def test_a_day_can_have_a_share_of_its_own() -> None:
    base = DayWater(Even(0.2), macro=Patches(0.02, 1.0), own_share=0.36)
    pairs = [np.concatenate([draws(replace(base, day_seed=day), [0.0, 10.0], n=100).ravel()]) for day in (1, 2)]
    structure = draws(replace(base, own_share=0.0), [0.0, 10.0], n=100).ravel()
    # With a share w of the variance: correlation √(1 − w) with the structure, 1 − w between two days.
    n = structure.size
    assert np.corrcoef(pairs[0], structure)[0, 1] == pytest.approx(0.8, abs=4 * 0.36 / math.sqrt(n))
    assert np.corrcoef(*pairs)[0, 1] == pytest.approx(0.64, abs=4 * 0.6 / math.sqrt(n))
    assert pairs[0].std() == pytest.approx(0.02, rel=0.1)
    whole = [water_on_section(Ground(), replace(base, own_share=1.0, day_seed=s), LINE, LINE, DEPTH) for s in (1, 2)]
    assert not np.allclose(*whole)


def test_lines_agree_where_they_cross() -> None:
    ground = Ground(structure_seed=11)
    along = water_on_section(ground, SPREAD, LINE, np.full(60, 4.0), DEPTH)
    x = LINE[25]
    across = water_on_section(ground, SPREAD, np.full(9, x), np.linspace(0.0, 8.0, 9), DEPTH)
    assert across[4] == pytest.approx(along[25], abs=1e-12)


def test_scales_ranges_and_bearing_pass_through() -> None:
    # The first range lies along the bearing: at 90° along x. Correlation of an exponential field at 1 m: e^{−3h/a}.
    day = DayWater(Even(0.2), macro=Patches(0.02, (10.0, 1.0, 0.5), azimuth_deg=90.0))
    values = []
    for seed in range(400):
        values.append(water_on_section(Ground(structure_seed=seed), day, [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0])[:, 0])
    c = np.corrcoef(np.array(values).T)
    assert c[0, 1] == pytest.approx(math.exp(-0.3), abs=4 * (1 - math.exp(-0.6)) / 20)
    assert c[0, 2] == pytest.approx(math.exp(-3.0), abs=4 / 20)


def test_air_is_dry() -> None:
    section = water_on_section(Ground(), SPREAD, LINE, LINE, [-0.2, -0.1, 0.0, 0.1])
    assert (section[:, :2] == 0.0).all()
    assert (section[:, 2:] > 0.0).all()
    assert water_on_section(Ground(), SPREAD, LINE, LINE, [-0.2]).tolist() == np.zeros((60, 1)).tolist()


# --- readings


def test_a_probe_reads_the_mean_over_its_length() -> None:
    ground = Ground(structure_seed=2)
    day = replace(SPREAD, profile=Drained(0.1, 0.3))
    z = (np.arange(200) + 0.5) / 200 * 0.2
    fine = water_on_section(ground, day, LINE, 1 + 0 * LINE, z).mean(axis=1)
    assert surface_readings(ground, day, LINE, 1 + 0 * LINE, support_depth_m=0.2) == pytest.approx(fine, abs=1.5e-3)


def test_a_probe_sees_no_ice() -> None:
    day = DayWater(FrozenCrust(0.3, 0.25, 0.25, unfrozen_vwc=0.04))
    assert surface_readings(Ground(), day, [0.0], [0.0]) == pytest.approx([0.04])
    # Half of a longer probe stands in thawed soil.
    assert surface_readings(Ground(), day, [0.0], [0.0], support_depth_m=0.6) == pytest.approx([0.145], abs=1e-3)


# --- the same ground for the first-order model


def test_columns_hold_the_same_ground() -> None:
    ground = Ground(structure_seed=5)
    day = DayWater(Drained(0.12, 0.25), macro=Patches(0.03, (6.0, 6.0, 1.0)), fade_m=0.9)
    columns = columns_of(ground, day, (0, 0, 6, 5), centre_mhz=400.0)
    section = water_on_section(ground, day, np.full(columns.y.size, columns.x[3]), columns.y, columns.depth)
    assert columns.vwc[:, :, 3] == pytest.approx(section.T, abs=1e-12)
    eps, sigma = materials(ground.soil, section, frequency_mhz=400.0)
    assert columns.permittivity[:, :, 3] == pytest.approx(eps.T, rel=1e-12)
    tau = np.trapezoid(np.sqrt(eps) / C_M_PER_NS, columns.depth, axis=1)
    assert columns.time_ns[-1, :, 3] == pytest.approx(tau, rel=1e-12)
    # Loss at the surface is local: the wave's own, 1.636 σ/√ε dB/m at low loss.
    loss = columns.loss_np_per_ns[1, :, 3] * columns.time_ns[1, :, 3] / 0.05
    assert 8.685889 * loss == pytest.approx((1.63612 * sigma / np.sqrt(eps))[:, :2].mean(axis=1), rel=0.02)


def test_columns_agree_with_the_first_order_soil() -> None:
    soil = Soil(0.42, solid_permittivity=4.6, surface_ms_per_m=4.0, temperature_c=15.0)
    water = float(water_relaxation(15.0).at(100.0).real)
    old = soil_columns(
        (0, 0, 2, 2), Moisture(0.1, 0.3, patch_sd=0.0), SoilKind(0.42, water_permittivity=water), centre_mhz=100.0
    )
    new = columns_of(Ground(soil), DayWater(Drained(0.1, 0.3)), (0, 0, 2, 2), centre_mhz=100.0)
    assert new.vwc == pytest.approx(old.vwc, abs=1e-12)
    # What is left is the loss part of the water in the mixture, of second order.
    assert new.permittivity == pytest.approx(old.permittivity, rel=1e-4)
    assert new.time_ns == pytest.approx(old.time_ns, rel=1e-4)
    assert float(new.kind.permittivity(0.2, 0.5)) == pytest.approx(
        float(mixed_permittivity(0.2, porosity=0.5, solid=4.6, water=water)), rel=1e-4
    )
    assert new.kind.porosity == 0.42
    assert float(new.kind.conductivity(0.2)) == pytest.approx(float(materials(soil, 0.2, frequency_mhz=100.0)[1]))


@pytest.mark.parametrize(
    "profile", [Even(0.2), WettingFront(0.4, 0.2, 0.1, 0.2), FrozenCrust(0.2, 0.2, 0.2), WaterTable(1.0)]
)
def test_the_first_order_model_takes_every_profile(profile: Even) -> None:
    day = DayWater(profile, macro=Patches(0.01, 4.0), micro=Patches(0.01, (0.3, 0.3, 0.1)))
    columns = columns_of(Ground(), day, (0, 0, 4, 4), centre_mhz=400.0)
    grave = Grave("G1", "adult", 2.0, 2.0, 2.0, 0.7, 10.0, 0.3, 1.1, Fill(0.5, 0.8))
    parts = scatter_scene(Scene((0, 0, 4, 4), graves=(grave,)), columns, seed=1, density_per_m3=20.0)
    assert np.isfinite(parts.weight).all()
    assert columns.moisture.micro_sd == 0.01
    assert columns.moisture.micro_range_m == pytest.approx((0.3 * 0.3 * 0.1) ** (1 / 3))
    at = np.array([2.0]), np.array([2.0])
    frozen, thawed = (float(sample_columns(columns, columns.permittivity, *at, np.array([z]))[0]) for z in (0.1, 0.3))
    if isinstance(profile, FrozenCrust):
        assert frozen < 0.6 * thawed


# --- what is refused


def test_days_carry_their_own_temperature() -> None:
    assert soil_on_day(Ground(), DayWater(Even(0.2))) == Soil()
    assert soil_on_day(Ground(), DayWater(Even(0.2), temperature_c=3.0)).temperature_c == 3.0
    assert [DayWater(kind(*args)).kind for kind, args in zip(PROFILES.values(), ARGUMENTS, strict=True)] == [*PROFILES]


ARGUMENTS: list[tuple[float, ...]] = [(0.2,), (0.1, 0.2), (0.3, 0.2, 0.1, 0.2), (0.2, 0.1, 0.2), (1.0,)]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Texture(0.8, 0.3), "sand and clay must not exceed 1 together"),
        (lambda: Texture(1.2, 0.0), "sand must lie between"),
        (lambda: Texture(0.2, 0.2, 3.0), "bulk_g_per_cm3 must lie between"),
        (lambda: Soil(0.99), "porosity must lie between"),
        (lambda: Soil(model="none"), "model must be one of mixing, topp, texture"),
        (lambda: Soil(conduction="none"), "conduction must be one of archie, texture"),
        (lambda: Soil(residual=0.2, porosity=0.1), "residual must lie below the porosity"),
        (lambda: Soil(water_ms_per_m=0.0), "water_ms_per_m must be greater than zero"),
        (lambda: Soil(surface_ms_per_m=-1.0), "surface_ms_per_m must lie between"),
        (lambda: Soil(temperature_c=-20.0), "temperature_c must lie between"),
        (lambda: Soil(0.55, "texture"), "does not go with the bulk density .*Set porosity to 0.44, or .* 1.20 g/cm³"),
        (lambda: Ground(structure_seed=-1), "structure_seed must not be negative"),
        (lambda: Even(-0.1), "vwc must lie between"),
        (lambda: Drained(0.1, 0.2, 0.0), "profile_m must be greater than zero"),
        (lambda: WettingFront(0.3, 0.2, 0.1, 0.1, relief_m=0.15), "relief_m must lie between 0 and half the depth"),
        (lambda: FrozenCrust(0.0, 0.1, 0.1), "frost_m must be greater than zero"),
        (lambda: WaterTable(1.0, steepness=1.0), "steepness must lie between"),
        (lambda: Patches(-0.1, 1.0), "sd_vwc must lie between"),
        (lambda: Patches(0.1, 0.0), "range"),
        (lambda: Patches(0.1, 1.0, "spherical"), "family must be one of"),
        (lambda: Patches(0.1, 1.0, "matern"), "matern family needs a smoothness"),
        (lambda: DayWater(0.2), "a day needs a profile .*Use one of Even, Drained"),
        (lambda: DayWater(Even(0.2), fade_m=0.0), "fade_m must be greater than zero"),
        (lambda: DayWater(Even(0.2), own_share=1.5), "own_share must lie between"),
        (lambda: DayWater(Even(0.2), day_seed=-1), "day_seed must not be negative"),
        (lambda: DayWater(Even(0.2), temperature_c=60.0), "temperature_c must lie between"),
        (lambda: mean_profile(Soil(0.3), DayWater(Even(0.35)), [0.1]), "holds more water than the soil has pores"),
        (
            lambda: water_on_section(Ground(), DayWater(Even(0.2)), [0.0, 1.0], [0.0], [0.1]),
            "x and y must have the same",
        ),
        (
            lambda: water_on_section(Ground(), DayWater(Even(0.2)), [np.nan], [0.0], [0.1]),
            "x holds values that are not",
        ),
        (lambda: moisture_statistics(Ground(), DayWater(Even(0.2)), [-0.1]), "depth must not be negative"),
        (lambda: surface_readings(Ground(), DayWater(Even(0.2)), [0.0], [0.0], support_depth_m=0.0), "support_depth_m"),
        (lambda: materials(Soil(), -0.1, frequency_mhz=400.0), "vwc must be finite and not negative"),
        (lambda: materials(Soil(), np.nan, frequency_mhz=400.0), "vwc must be finite and not negative"),
        (
            lambda: materials(Soil(), 0.3, porosity=0.2, frequency_mhz=400.0),
            "above the porosity .received 0.3 in pores",
        ),
        (lambda: materials(Soil(), 0.3, porosity=1.2, frequency_mhz=400.0), "porosity must lie between 0 and 1"),
        (lambda: materials(Soil(), 0.3, frozen=1.2, frequency_mhz=400.0), "frozen must lie between 0 and 1"),
        (lambda: materials(Soil(), 0.3, frequency_mhz=5.0), "frequency_mhz must lie between"),
        (lambda: relaxation_of(Soil(model="topp"), 0.3), "can be told apart in a mixing-model soil"),
        (lambda: columns_of(Ground(), DayWater(Even(0.2)), (0, 0, 0, 1), centre_mhz=400.0), "bounds must be"),
    ],
)
def test_ground_that_cannot_be_is_refused(make: Callable[[], object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()
