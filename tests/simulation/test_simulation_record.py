"""The forward model: travel times, amplitudes and signs against closed forms, identities, and the compiled sum."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.physics import plane_wave, reflection_normal, ricker
from yewline.simulation import (
    Electronics,
    Instrument,
    Moisture,
    Scatterers,
    Scene,
    SoilColumns,
    SoilKind,
    Stone,
    facets,
    grains,
    join,
    no_scatterers,
    pack,
    record_line,
    record_traces,
    scatter_scene,
    soil_columns,
)
from yewline.units import C_M_PER_NS

CLEAR = SoilKind(water_ms_per_m=1e-9, surface_ms_per_m=0.0)
BOUNDS = (0.0, 0.0, 6.0, 6.0)


def uniform_soil(v_m_per_ns: float = 0.1, kind: SoilKind = CLEAR, water: float | None = None) -> SoilColumns:
    """Soil of one velocity: the mixing model is solved for the water content that gives it."""
    if water is None:
        water = _water_for((C_M_PER_NS / v_m_per_ns) ** 2, kind)
    return soil_columns(BOUNDS, Moisture(water, water, patch_sd=0.0, micro_sd=0.0), kind, centre_mhz=400.0)


def _water_for(permittivity: float, kind: SoilKind) -> float:
    # √ε is linear in the water content in the mixing model with exponent one half.
    dry, wet = (float(np.sqrt(kind.permittivity(water))) for water in (0.0, 0.4))
    return float((np.sqrt(permittivity) - dry) / (wet - dry) * 0.4)


def one_grain(soil: SoilColumns, depth: float = 1.0, x: float = 3.0, y: float = 3.0) -> Scatterers:
    return grains(soil, [[x, y, depth]], 0.01)


def peak_times(line: np.ndarray, interval: float, zero: float) -> np.ndarray:
    """Time of the largest magnitude of each trace, refined by a parabola through three samples, ns."""
    size = np.abs(line)
    k = size.argmax(axis=1)
    rows = np.arange(len(line))
    left, top, right = size[rows, k - 1], size[rows, k], size[rows, k + 1]
    return (k + 0.5 * (left - right) / (left - 2 * top + right)) * interval - zero


FINE = Instrument(separation_m=0.0, interval_ns=0.1, samples=640, zero_ns=5.0, aperture_m=3.0)


@pytest.mark.parametrize(
    ("separation", "expected"),
    [
        # Two-way diffraction times over a point at 1 m depth, v = 0.1 m/ns, at 0, 0.25, 0.5, 1 and 2 m to the side:
        # t = 2√(x² + d²)/v, and the two-legged form for antennas 0.16 m apart (geometry; computed from the formula).
        (0.0, [20.00000, 20.61553, 22.36068, 28.28427, 44.72136]),
        (0.16, [20.06390, 20.67390, 22.40647, 28.30693, 44.72709]),
    ],
)
def test_diffraction_arrives_when_the_geometry_says(separation: float, expected: list[float]) -> None:
    soil = uniform_soil(0.1)
    instrument = Instrument(separation_m=separation, interval_ns=0.1, samples=640, zero_ns=5.0, aperture_m=3.0)
    x = np.array([3.0, 3.25, 3.5, 4.0, 5.0])
    line = record_traces(pack(one_grain(soil)), x, np.full(5, 3.0), instrument, direct=False)
    assert peak_times(line, 0.1, 5.0) == pytest.approx(expected, abs=0.01)


def test_plane_reflects_as_its_mirror_image() -> None:
    # Method of images: a plane mirror at depth d returns R/(2d) of a source of strength 1 at 1 m, at time 2d/v.
    soil = uniform_soil(0.1)
    plane = _plane(soil, depth=0.8, reflection=-0.1)
    instrument = Instrument(
        separation_m=0.0, interval_ns=0.1, samples=512, zero_ns=5.0, aperture_m=2.4, pattern_power=0
    )
    trace = record_traces(pack(plane), [3.0], [3.0], instrument, direct=False)
    assert peak_times(trace, 0.1, 5.0)[0] == pytest.approx(16.0, abs=0.02)
    assert trace[0, np.abs(trace[0]).argmax()] == pytest.approx(-0.1 / 1.6, rel=0.02)


def test_weak_half_space_of_grains_reflects_as_fresnel() -> None:
    # Born against Fresnel: a half-space whose permittivity is higher by a small share χ reflects −χ/4.
    soil = uniform_soil(0.1)
    step, chi = 0.03, 0.02
    at = np.arange(1.2, 4.8, step) + step / 2
    # The far end fades out, so that only the upper face is seen.
    depth = np.arange(0.6, 1.5, step / 2) + step / 4
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((depth - 0.75) / 0.7, 0.0, 1.0))
    z, y, x = np.meshgrid(depth, at, at, indexing="ij")
    weight = np.broadcast_to(fade[:, None, None], z.shape).ravel() * chi * step**2 * step / 2
    block = grains(soil, np.column_stack([x.ravel(), y.ravel(), z.ravel()]), weight)
    instrument = Instrument(
        separation_m=0.0, interval_ns=0.1, samples=300, zero_ns=5.0, aperture_m=1.8, pattern_power=0
    )
    trace = record_traces(pack(block), [3.0], [3.0], instrument, direct=False)[0]
    expected = float(reflection_normal(1.0, 1.0 + chi).real) / 1.2
    assert trace[np.abs(trace).argmax()] == pytest.approx(expected, rel=0.06)
    assert expected == pytest.approx(-chi / 4 / 1.2, rel=0.02)


def test_polarity_follows_the_contrast() -> None:
    # Negative where permittivity rises, positive for a void under soil (Fresnel at normal incidence).
    soil = uniform_soil(0.1)
    for permittivity, sign in ((40.0, -1.0), (1.0, 1.0)):
        scene = Scene(BOUNDS, stones=(Stone(3.0, 3.0, 1.0, 0.15, permittivity),))
        packed = pack(scatter_scene(scene, soil, seed=1, density_per_m3=0.0))
        trace = record_traces(packed, [3.0], [3.0], FINE, direct=False)[0]
        assert np.sign(trace[np.abs(trace).argmax()]) == sign


def test_loss_follows_the_attenuation_of_a_plane_wave() -> None:
    kind = SoilKind(water_ms_per_m=60.0, surface_ms_per_m=0.0)
    lossy, clear = uniform_soil(kind=kind, water=0.25), uniform_soil(kind=CLEAR, water=0.25)
    loud = [
        np.abs(record_traces(pack(one_grain(soil, 1.2)), [3.0], [3.0], FINE, direct=False)).max()
        for soil in (lossy, clear)
    ]
    alpha = plane_wave(
        400.0,
        permittivity=float(lossy.permittivity[0, 0, 0]),
        conductivity_ms_per_m=float(kind.conductivity(0.25)),
    ).alpha_np_per_m
    assert loud[0] / loud[1] == pytest.approx(float(np.exp(-2 * 1.2 * alpha)), rel=1e-3)


def test_point_response_falls_with_the_square_of_depth() -> None:
    soil = uniform_soil(0.1)
    depths = np.array([0.5, 1.0, 2.0])
    instrument = Instrument(
        separation_m=0.0, interval_ns=0.1, samples=640, zero_ns=5.0, aperture_m=3.0, pattern_power=0
    )
    loud = [
        float(np.abs(record_traces(pack(one_grain(soil, d)), [3.0], [3.0], instrument, direct=False)).max())
        for d in depths
    ]
    assert loud[0] / np.array(loud) == pytest.approx((depths / depths[0]) ** 2, rel=0.01)


def test_transmitter_and_receiver_may_change_places() -> None:
    soil = uniform_soil(0.1)
    scene = Scene(BOUNDS, stones=(Stone(3.2, 3.1, 0.8, 0.12),))
    packed = pack(scatter_scene(scene, soil, seed=1, density_per_m3=30.0))
    x, y = np.linspace(2.0, 4.0, 21), np.full(21, 3.0)
    instrument = Instrument(separation_m=0.4, samples=200)
    there = record_traces(packed, x, y, instrument, direct=False)
    # The same line walked from its other end puts the receiver where the transmitter was.
    back = record_traces(packed, x[::-1].copy(), y, instrument, direct=False)[::-1]
    assert np.abs(there).max() > 1e-4
    assert there == pytest.approx(back, abs=1e-6 * float(np.abs(there).max()))


def test_fields_of_scatterers_add() -> None:
    soil = uniform_soil(0.1)
    a, b = one_grain(soil, 0.7, 2.8), _plane(soil, depth=1.0, reflection=0.05, step=0.1)
    x, y = np.linspace(2.5, 3.5, 11), np.full(11, 3.0)
    both, only_a, only_b = (record_traces(pack(part), x, y, FINE, direct=False) for part in (join(a, b), a, b))
    assert both == pytest.approx(only_a + only_b, abs=2e-6 * float(np.abs(both).max()))


def test_without_scatterers_only_direct_waves_and_noise_remain() -> None:
    instrument = Instrument(separation_m=0.16, samples=200)
    x, y = np.linspace(0.0, 2.0, 41), np.zeros(41)
    clean = record_traces(pack(no_scatterers()), x, y, instrument, ground_v_m_per_ns=0.1)
    time = 0.25 * np.arange(200) - 5.0
    air = ricker(time - 0.16 / C_M_PER_NS, peak_mhz=400.0) / 0.16
    ground = 0.6 * ricker(time - 1.6, peak_mhz=400.0) / 0.16
    assert clean == pytest.approx(np.tile(air + ground, (41, 1)), abs=1e-5)
    noisy = record_line(
        pack(no_scatterers()), x, y, instrument, electronics=Electronics(noise=0.01), ground_v_m_per_ns=0.1, seed=3
    )
    rest = noisy.values - clean
    assert rest.std() == pytest.approx(0.01, rel=0.03)
    assert abs(rest.mean()) < 4 * 0.01 / np.sqrt(rest.size)


def test_height_delays_by_the_way_through_air() -> None:
    soil = uniform_soil(0.1)
    low, high = (
        record_traces(
            pack(one_grain(soil)),
            [3.0],
            [3.0],
            Instrument(separation_m=0.0, interval_ns=0.1, samples=400, height_m=h),
            direct=False,
        )
        for h in (0.0, 0.15)
    )
    delay = peak_times(high, 0.1, 5.0) - peak_times(low, 0.1, 5.0)
    assert delay[0] == pytest.approx(2 * 0.15 / C_M_PER_NS, abs=0.01)


def test_compiled_sum_equals_its_plain_twin() -> None:
    rng = np.random.default_rng(5)
    soil = soil_columns(BOUNDS, Moisture(0.15, 0.22, patch_sd=0.02, seed=4), centre_mhz=400.0)
    scene = Scene(BOUNDS, stones=(Stone(3.1, 2.9, 0.6, 0.1), Stone(2.4, 3.2, 0.9, 0.2)))
    cloud = scatter_scene(scene, soil, seed=2, density_per_m3=60.0)
    wall = facets(
        soil,
        np.column_stack([rng.uniform(2, 4, (50, 2)), rng.uniform(0.3, 1.0, 50)]),
        np.tile([1.0, 0.0, 0.0], (50, 1)),
        area_m2=0.01,
        reflection=0.1,
        two_sided=True,
    )
    packed = pack(join(cloud, wall))
    x, y = np.linspace(1.0, 5.0, 9), np.linspace(2.5, 3.5, 9)
    for power in (0, 2):
        instrument = Instrument(separation_m=0.2, samples=200, pattern_power=power)
        fast = record_traces(packed, x, y, instrument)
        slow = record_traces(packed, x, y, instrument, plain=True)
        assert fast == pytest.approx(slow, abs=2e-6 * float(np.abs(slow).max()))
        echoes = record_traces(packed, x, y, instrument, direct=False)
        plain = record_traces(packed, x, y, instrument, direct=False, plain=True)
        assert echoes == pytest.approx(plain, abs=2e-4 * float(np.abs(plain).max()))


def test_same_seed_same_bytes() -> None:
    soil = uniform_soil(0.1)
    packed = pack(one_grain(soil))
    parts = Electronics(counts=3000.0, noise=0.001, ringing=0.01, wow=0.02, coupling_sd=0.02, jitter_ns=0.02)
    x, y = np.linspace(2.0, 4.0, 41), np.full(41, 3.0)
    lines = [
        record_line(packed, x, y, Instrument(), electronics=parts, ground_v_m_per_ns=0.1, seed=seed).values
        for seed in (8, 8, 9)
    ]
    assert lines[0].tobytes() == lines[1].tobytes()
    assert (lines[0] != lines[2]).any()
    assert (lines[0] == np.rint(lines[0])).all()
    assert np.abs(lines[0]).max() <= 32_768


def test_strong_signals_clip_at_full_scale() -> None:
    line = record_line(pack(no_scatterers()), [0.0, 0.1], [0.0, 0.0], Instrument(), electronics=Electronics(counts=1e6))
    assert line.values.max() == 32_767
    assert line.values.min() == -32_768


def test_aperture_fades_instead_of_cutting() -> None:
    soil = uniform_soil(0.1)
    packed = pack(one_grain(soil, 0.5))
    offsets = np.linspace(0.0, 1.6, 33)
    line = record_traces(packed, 3.0 + offsets, np.full(33, 3.0), Instrument(aperture_m=1.5), direct=False)
    loud = np.abs(line).max(axis=1)
    assert loud[offsets >= 1.5].max() == 0.0
    assert np.abs(np.diff(loud[offsets > 1.1])).max() < 0.02 * loud[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"height_m": -0.1}, "antenna is underground .*received height -0.1 m"),
        ({"samples": 4}, "needs 8 samples or more"),
        ({"interval_ns": 1.0}, "too coarse for the centre frequency .*1 ns at 400 MHz.*0.625 ns or less"),
        ({"separation_m": -1.0}, "separation_m must lie between"),
        ({"centre_mhz": 0.0}, "centre_mhz must be greater than zero"),
    ],
)
def test_instrument_that_cannot_be_is_refused(change: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        Instrument(**change)  # type: ignore[arg-type]


def test_line_that_cannot_be_walked_is_refused() -> None:
    packed = pack(no_scatterers())
    with pytest.raises(InputError, match="x is empty"):
        record_traces(packed, [], [], Instrument())
    with pytest.raises(InputError, match="same length .*2 and 1"):
        record_traces(packed, [0.0, 1.0], [0.0], Instrument())
    with pytest.raises(InputError, match="not finite"):
        record_traces(packed, [0.0, np.nan], [0.0, 0.0], Instrument())
    with pytest.raises(InputError, match="ground_v_m_per_ns must lie between"):
        record_traces(packed, [0.0], [0.0], Instrument(), ground_v_m_per_ns=0.4)


def test_scatterer_in_the_air_is_refused() -> None:
    soil = uniform_soil(0.1)
    with pytest.raises(InputError, match=r"above the surface .*-0.2 m.* Depth is positive downward"):
        grains(soil, [[3.0, 3.0, -0.2]], 0.01)
    with pytest.raises(InputError, match="above the surface"):
        facets(soil, [[3.0, 3.0, -0.2]], [[0.0, 0.0, -1.0]], area_m2=0.01, reflection=0.1)


def _plane(soil: SoilColumns, *, depth: float, reflection: float, step: float = 0.025) -> Scatterers:
    at = np.arange(0.5, 5.5, step) + step / 2
    x, y = (part.ravel() for part in np.meshgrid(at, at))
    points = np.column_stack([x, y, np.full(len(x), depth)])
    return facets(soil, points, np.tile([0.0, 0.0, -1.0], (len(points), 1)), area_m2=step**2, reflection=reflection)
