"""Soil on one day, bodies in it, and the clutter of its small-scale fluctuations."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from yewline.errors import InputError
from yewline.simulation import (
    FACET,
    WALL,
    Burrow,
    Coffin,
    Drain,
    Fill,
    Grave,
    Instrument,
    Layer,
    Moisture,
    Root,
    Scene,
    SoilKind,
    Stone,
    clutter,
    grave_outline,
    join,
    pack,
    record_traces,
    sample_columns,
    scatter_scene,
    soil_columns,
    surface_vwc,
)
from yewline.units import C_M_PER_NS

BOUNDS = (0.0, 0.0, 6.0, 6.0)


def test_permittivity_is_that_of_the_mixing_model() -> None:
    # CRIM (Birchak et al. 1974, Proc. IEEE 62:93-98) with porosity 0.4, solid 5, water 80.1: ε(0.2) = 11.09964.
    kind = SoilKind(porosity=0.4, solid_permittivity=5.0, water_permittivity=80.1)
    assert float(kind.permittivity(0.2)) == pytest.approx(11.09964, abs=1e-5)
    assert float(kind.permittivity(0.0)) == pytest.approx(3.03331, abs=1e-5)


def test_conductivity_is_archie_and_a_surface_term() -> None:
    # Archie 1942: porosity 0.4, full saturation, exponent 2, water 50 mS/m gives 8 mS/m.
    kind = SoilKind(porosity=0.4, water_ms_per_m=50.0, cementation=2.0, surface_ms_per_m=0.0)
    assert float(kind.conductivity(0.4)) == pytest.approx(8.0, rel=1e-9)
    wetted = SoilKind(porosity=0.4, water_ms_per_m=50.0, cementation=2.0, surface_ms_per_m=3.0)
    assert float(wetted.conductivity(0.2) - kind.conductivity(0.2)) == pytest.approx(1.5)


def test_profile_delays_as_the_integral_of_slowness() -> None:
    day = soil_columns(BOUNDS, Moisture(0.10, 0.30, patch_sd=0.0), centre_mhz=400.0, depth_step_m=0.01)
    depth = np.linspace(0.0, 1.5, 20_001)
    water = 0.30 - 0.20 * np.exp(-depth / 0.6)
    slowness = np.sqrt(day.kind.permittivity(water)) / C_M_PER_NS
    tau = float(np.trapezoid(slowness, depth))
    speed2 = float(np.trapezoid(1.0 / slowness, depth)) / tau
    at = np.array([3.0]), np.array([3.0]), np.array([1.5])
    assert sample_columns(day, day.time_ns, *at)[0] == pytest.approx(tau, rel=1e-4)
    assert 1.0 / sample_columns(day, day.slowness2, *at)[0] == pytest.approx(speed2, rel=1e-4)


def test_patches_have_the_mean_and_spread_asked_for() -> None:
    day = soil_columns((0, 0, 14, 16), Moisture(0.12, 0.12, patch_sd=0.04, seed=5), centre_mhz=400.0)
    assert day.vwc[0].mean() == pytest.approx(0.12, abs=0.004)
    assert day.vwc[0].std() == pytest.approx(0.04, rel=0.1)
    # Patches fade with depth: at 0.9 m to 1/e.
    assert np.std(day.vwc[18]) / np.std(day.vwc[0]) == pytest.approx(np.exp(-1.0), rel=0.1)


def test_a_probe_reads_the_soil_near_the_surface() -> None:
    day = soil_columns(BOUNDS, Moisture(0.10, 0.30, patch_sd=0.0), centre_mhz=400.0, depth_step_m=0.01)
    read = surface_vwc(day, [3.0], [3.0], support_depth_m=0.12)[0]
    z = np.linspace(0, 0.12, 1001)
    assert read == pytest.approx(float(np.mean(0.30 - 0.20 * np.exp(-z / 0.6))), abs=2e-4)


def test_water_stays_within_the_pores() -> None:
    day = soil_columns(BOUNDS, Moisture(0.40, 0.41, patch_sd=0.1, seed=1), SoilKind(porosity=0.42), centre_mhz=400.0)
    assert day.vwc.max() <= 0.42
    assert day.vwc.min() >= 0.02


def _even(water: float = 0.2, micro: float = 0.0, seed: int = 0) -> object:
    return soil_columns(BOUNDS, Moisture(water, water, patch_sd=0.0, micro_sd=micro, seed=seed), centre_mhz=400.0)


GRAVE = Grave("G1", "adult", 3.0, 3.0, 2.0, 0.7, 10.0, 0.2, 1.1, Fill(0.5, 0.8), Coffin(1.8, 0.5, 0.3, 0.1))


def test_outline_has_the_size_and_direction_of_the_cut() -> None:
    outline = grave_outline(GRAVE)
    assert outline.area == pytest.approx(1.4)
    assert (outline.centroid.x, outline.centroid.y) == pytest.approx((3.0, 3.0))
    x, y = np.array(outline.exterior.coords).T
    edges = np.column_stack([np.diff(x), np.diff(y)])
    long = edges[np.hypot(*edges.T).argmax()]
    assert np.degrees(np.arctan2(long[0], long[1])) % 180 == pytest.approx(10.0)


def test_facets_of_a_grave_cover_its_faces() -> None:
    day = _even()
    parts = scatter_scene(Scene(BOUNDS, graves=(GRAVE,)), day, seed=1, density_per_m3=0.0)
    outline = shapely.buffer(grave_outline(GRAVE), 1e-6)
    assert shapely.contains_xy(outline, parts.x, parts.y).all()
    assert parts.depth.max() == pytest.approx(1.1)
    assert parts.depth.min() >= 0.2
    assert (parts.kind == WALL).any()
    flat = (parts.kind == FACET) & (parts.depth > 1.09)
    # Neighbouring facets of the base lie no farther apart than a quarter wavelength.
    quarter = C_M_PER_NS / np.sqrt(day.permittivity[0, 0, 0]) / 0.4 / 4
    points = np.column_stack([parts.x[flat], parts.y[flat]])
    gaps = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    np.fill_diagonal(gaps, np.inf)
    assert gaps.min(axis=1).max() <= quarter + 1e-9
    lengths = np.hypot(np.hypot(parts.nx, parts.ny), parts.nz)
    assert lengths == pytest.approx(np.ones(len(parts)))


def test_blur_weakens_and_fill_like_the_soil_vanishes() -> None:
    day = _even()

    def loudness(grave: Grave) -> float:
        packed = pack(scatter_scene(Scene(BOUNDS, graves=(grave,)), day, seed=1, density_per_m3=0.0))
        return float(np.abs(record_traces(packed, [3.0], [3.0], Instrument(), direct=False)).max())

    sharp, blurred = (
        loudness(Grave("G", "adult", 3.0, 3.0, 2.0, 0.7, 0.0, 0.2, 1.1, Fill(0.5, 0.8), None, blur))
        for blur in (0.0, 0.03)
    )
    wave_number = 2 * np.pi * 0.4 * np.sqrt(day.permittivity[0, 0, 0]) / C_M_PER_NS
    assert blurred / sharp == pytest.approx(float(np.exp(-2 * (wave_number * 0.03) ** 2)), rel=1e-4)
    same = Fill(day.kind.porosity, 1.0)
    assert loudness(Grave("G", "adult", 3.0, 3.0, 2.0, 0.7, 0.0, 0.2, 1.1, same)) < 1e-6 * sharp


def test_bodies_answer_from_their_upper_side() -> None:
    day = _even()
    speed = C_M_PER_NS / np.sqrt(day.permittivity[0, 0, 0])
    bodies = {
        "stone": Scene(BOUNDS, stones=(Stone(3.0, 3.0, 1.0, 0.15, 30.0),)),
        "drain": Scene(BOUNDS, drains=(Drain(((1.0, 3.0, 1.0), (5.0, 3.0, 1.0)), 0.15, 30.0),)),
        "burrow": Scene(BOUNDS, burrows=(Burrow(((1.0, 3.0, 1.0), (5.0, 3.0, 1.0)), 0.15, 30.0),)),
        "root": Scene(BOUNDS, roots=(Root(((1.0, 3.0, 1.0), (3.0, 3.0, 1.0), (5.0, 3.0, 1.0)), 0.15, 30.0),)),
    }
    instrument = Instrument(separation_m=0.0, interval_ns=0.1, samples=500, zero_ns=5.0)
    loud = {}
    for name, scene in bodies.items():
        packed = pack(scatter_scene(scene, day, seed=1, density_per_m3=0.0))
        trace = record_traces(packed, [3.0], [3.0], instrument, direct=False)[0]
        loud[name] = float(np.abs(trace).max())
        # First answer from the top, 0.85 m down; the pulse's phase may turn by up to a quarter period.
        assert np.abs(trace).argmax() * 0.1 - 5.0 == pytest.approx(2 * 0.85 / speed, abs=0.45), name
    assert loud["drain"] > 1.5 * loud["stone"]


def test_layer_is_broken_where_a_grave_cuts_it() -> None:
    day = _even()
    layer = Layer(0.5, Fill(0.3, 1.1), relief_m=0.02, seed=3)
    whole, cut = (
        scatter_scene(Scene(BOUNDS, graves=graves, layers=(layer,)), day, seed=1, density_per_m3=0.0)
        for graves in ((), (GRAVE,))
    )
    outline = grave_outline(GRAVE)
    level = (np.abs(cut.depth - 0.5) < 0.06) & (cut.kind == FACET)
    inside = shapely.contains_xy(shapely.buffer(outline, -0.01), cut.x, cut.y)
    assert not (level & inside).any()
    assert shapely.contains_xy(outline, whole.x, whole.y).any()
    assert whole.depth.std() == pytest.approx(0.02, rel=0.35)


def test_clutter_keeps_its_places_and_follows_the_water() -> None:
    quiet, loud, other = (_even(micro=micro, seed=seed) for micro, seed in ((0.005, 1), (0.015, 1), (0.015, 2)))
    a, b, c = (clutter(day, bounds=BOUNDS, seed=9, density_per_m3=40.0) for day in (quiet, loud, other))
    assert (a.x == c.x).all()
    assert b.weight == pytest.approx(3.0 * a.weight)
    # The soil's own structure is most of it: another day's grains are like these, not the same.
    assert np.corrcoef(b.weight, c.weight)[0, 1] == pytest.approx(0.7, abs=0.03)


def test_clutter_scatters_as_much_as_the_spectrum_says_at_any_density() -> None:
    # Born: independent grains have the power of S(2k) = 8π a³ σ² / (1 + 4k²a²)² whatever their density
    # (Chernov 1960; from memory).
    day = _even(micro=0.01)
    power = []
    for density in (60.0, 240.0):
        parts = clutter(day, bounds=BOUNDS, seed=2, density_per_m3=density, depths_m=(0.5, 0.6))
        power.append(density * float(np.mean(parts.weight**2)))
    assert power[0] / power[1] == pytest.approx(1.0, rel=0.2)
    permittivity = day.permittivity[0, 0, 0]
    slope = float(day.kind.permittivity(0.201) - day.kind.permittivity(0.2)) / 1e-3
    sigma = 0.01 * np.exp(-0.55 / day.moisture.patch_fade_m) * slope / permittivity
    k, a = 2 * np.pi * 0.4 * np.sqrt(permittivity) / C_M_PER_NS, day.moisture.micro_range_m / 3
    spectrum = 8 * np.pi * a**3 * sigma**2 / (1 + 4 * k**2 * a**2) ** 2
    born = permittivity / C_M_PER_NS**2 / (4 * np.pi)
    assert power[1] == pytest.approx(born**2 * spectrum, rel=0.15)


def test_clutter_can_be_lumpy() -> None:
    day = _even(micro=0.01)
    factor = np.zeros(day.vwc.shape[1:])
    factor[:, : factor.shape[1] // 2] = 1.0
    parts = clutter(day, bounds=BOUNDS, seed=2, density_per_m3=40.0, lumpiness=factor)
    assert np.abs(parts.weight[parts.x > 4.0]).max() == 0.0
    assert np.abs(parts.weight[parts.x < 2.0]).max() > 0.0


def test_joining_nothing_gives_nothing() -> None:
    assert len(join()) == 0
    assert len(scatter_scene(Scene(BOUNDS), _even(), seed=1, density_per_m3=0.0)) == 0


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Grave("G", "adult", 0, 0, 2.0, 0.7, 0.0, 1.0, 0.5), "top must lie below the surface and above"),
        (lambda: Grave("G", "adult", 0, 0, 0.0, 0.7, 0.0, 0.2, 1.0), "length_m must be greater than zero"),
        (
            lambda: Grave("G", "adult", 0, 0, 2.0, 0.7, 0.0, 0.1, 0.3, Fill(), Coffin(1.8, 0.5, 0.4)),
            "coffin must lie below the surface",
        ),
        (lambda: Stone(0, 0, 0.1, 0.2), "stone must lie below the surface"),
        (lambda: Root(((0, 0, 0.5),)), "tube needs two points"),
        (lambda: Drain(((0, 0, 0.01), (1, 0, 0.5))), "tube must lie below the surface"),
        (lambda: Scene((0, 0, 0, 1)), "bounds must be"),
        (lambda: Fill(1.2, 1.0), "porosity must lie between"),
        (lambda: Layer(0.3, Fill(), relief_m=0.2), "relief_m must lie between"),
        (lambda: Moisture(0.9, 0.2), "surface must lie between"),
        (lambda: SoilKind(porosity=0.99), "porosity must lie between"),
        (lambda: soil_columns((0, 0, 0, 1), Moisture(0.2, 0.2), centre_mhz=400.0), "bounds must be"),
        (lambda: soil_columns((0, 0, 1, 1), Moisture(0.2, 0.2), centre_mhz=400.0, cell_m=0.0), "cell_m must be"),
    ],
)
def test_ground_that_cannot_be_is_refused(make: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()  # type: ignore[operator]
