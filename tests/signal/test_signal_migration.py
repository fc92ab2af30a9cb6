"""Stolt migration: exact hyperbolas, dips, energy, and phase-shift migration as an independent reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.signal import Section, default_pad_m, envelope, migrate_stolt

V = 0.1
SECTION = Section(interval_ns=0.25, spacing_m=0.04, centre_mhz=300.0, velocity_m_per_ns=V)


def ricker(t: np.ndarray, mhz: float = 300.0) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def hyperbola(x0: float, z0: float, *, traces: int = 161, samples: int = 256, v: float = V) -> np.ndarray:
    """Point diffractor at zero offset: t = 2√((x − x0)² + z0²)/v."""
    x = SECTION.spacing_m * np.arange(traces)
    t = SECTION.interval_ns * np.arange(samples)
    arrival = 2.0 * np.hypot(x - x0, z0) / v
    # Amplitude falls with distance and obliquity, as that of a line scatterer does.
    size = z0 / np.hypot(x - x0, z0)
    return (size[:, None] * ricker(t - arrival[:, None])).astype(np.float32)


def test_times_of_the_exact_hyperbola():
    # t = 2√(x² + d²)/v for v = 0.1 m/ns, d = 1 m (closed form).
    times = [2 * math.hypot(x, 1.0) / 0.1 for x in (0, 0.25, 0.5, 1.0, 2.0)]
    assert times == pytest.approx([20.0, 20.61553, 22.36068, 28.28427, 44.72136], abs=1e-5)


@pytest.mark.parametrize(("x0", "z0"), [(3.2, 1.0), (2.0, 0.5), (4.4, 1.6)])
def test_a_point_focuses_where_it_is(x0, z0):
    strength = envelope(migrate_stolt(hyperbola(x0, z0), SECTION), SECTION)
    trace, sample = np.unravel_index(strength.argmax(), strength.shape)
    assert abs(trace - x0 / SECTION.spacing_m) <= 1
    assert abs(sample - 2 * z0 / V / SECTION.interval_ns) <= 1


def test_a_wrong_velocity_focuses_less_and_bends_to_its_side():
    line = hyperbola(3.2, 1.0)
    peaks, bends = [], []
    for factor in (0.9, 1.0, 1.1):
        strength = envelope(migrate_stolt(line, SECTION, velocity_m_per_ns=V * factor), SECTION)
        peaks.append(strength.max())
        # Where the energy lies beside the point, against above it: a frown is late there, a smile early.
        beside = strength[[72, 73, 87, 88], 50:110].sum(axis=0) ** 4
        bends.append(float((beside * np.arange(50, 110)).sum() / beside.sum()) - 80.0)
    assert peaks[1] > 1.15 * max(peaks[0], peaks[2])
    assert bends[0] > bends[1] > bends[2]
    assert bends[0] > 1
    assert bends[2] < -1


@pytest.mark.parametrize("dip_deg", [10.0, 20.0, 30.0, 40.0])
def test_dip_relation(dip_deg):
    # tan ξ_apparent = sin ξ_true (Chun & Jacewitz 1981, Geophysics 46:717–733).
    slope = math.sin(math.radians(dip_deg))
    x = SECTION.spacing_m * np.arange(400)
    t = SECTION.interval_ns * np.arange(600)
    depth = 2.0 + slope * (x - 8.0) * (np.abs(x - 8.0) < 3.0)
    window = np.clip((3.0 - np.abs(x - 8.0)) / 1.0, 0.0, 1.0)
    line = (window[:, None] * ricker(t - 2 * depth[:, None] / V)).astype(np.float32)
    strength = envelope(migrate_stolt(line, SECTION), SECTION)
    crest = strength.max(axis=1)
    use = np.flatnonzero(crest > 0.9 * crest.max())
    place = []
    for trace in use:
        i = int(strength[trace].argmax())
        left, top, right = strength[trace, i - 1 : i + 2]
        place.append(i + 0.5 * (left - right) / (left - 2 * top + right))
    z = np.array(place) * SECTION.interval_ns * V / 2
    true = math.degrees(math.atan(np.polyfit(x[use], z, 1)[0]))
    assert true == pytest.approx(dip_deg, abs=0.5)


def test_flat_layers_stay_where_they_are():
    rng = np.random.default_rng(3)
    trace = np.convolve(rng.standard_normal(200), ricker(0.25 * np.arange(-30, 31)), mode="same").astype(np.float32)
    migrated = migrate_stolt(np.tile(trace, (400, 1)), SECTION, pad_m=0.0)
    assert migrated[200] == pytest.approx(trace, abs=2e-5 * float(np.abs(trace).max()))


def test_evanescent_energy_is_left_out():
    # A frequency below v·k/2 at wavenumber k belongs to no upcoming wave.
    x = SECTION.spacing_m * np.arange(320)
    t = SECTION.interval_ns * np.arange(256)
    k = 2 * np.pi * 64 / (320 * SECTION.spacing_m)
    cut_mhz = V * k / (4 * np.pi) * 1e3
    window = np.exp(-(((t - 32.0) / 8.0) ** 2))
    low = np.cos(k * x)[:, None] * (window * np.cos(2 * np.pi * 0.5 * cut_mhz * 1e-3 * t))
    high = np.cos(k * x)[:, None] * (window * np.cos(2 * np.pi * 1.8 * cut_mhz * 1e-3 * t))
    assert np.abs(migrate_stolt(low, SECTION, pad_m=0.0)).max() < 1e-3
    assert np.abs(migrate_stolt(high, SECTION, pad_m=0.0)).max() > 0.3


def test_energy_of_a_flat_layer_and_of_a_plane_dip():
    # A plane wave that leaves the surface at an angle keeps its amplitude in frequency, and its stretch in time
    # changes by cos ξ: ∫|m|² dτ = ∫|p|² dt · (dΩ/dω)·J² = cos ξ, with J = Ω/ω = cos ξ.
    slope = math.sin(math.radians(30.0))
    n_x, n_t = 500, 600
    x = SECTION.spacing_m * np.arange(n_x)
    t = SECTION.interval_ns * np.arange(n_t)
    window = np.exp(-(((x - 10.0) / 2.0) ** 2))
    flat = (window[:, None] * ricker(t - 70.0)).astype(np.float32)
    dipping = (window[:, None] * ricker(t - 70.0 - 2 * slope * (x - 10.0)[:, None] / V)).astype(np.float32)

    def energy(a: np.ndarray) -> float:
        return float((a.astype(float) ** 2).sum())

    assert energy(migrate_stolt(flat, SECTION)) / energy(flat) == pytest.approx(1.0, abs=0.01)
    share = energy(migrate_stolt(dipping, SECTION)) / energy(dipping)
    assert share == pytest.approx(math.cos(math.radians(30.0)), abs=0.02)


def phase_shift(line: np.ndarray, v: float, dx: float, dt: float, out_samples: int, pad_t: int) -> np.ndarray:
    """Gazdag 1978, Geophysics 43:1342–1351: the wave field carried down by one sample of vertical time at a time."""
    n_t, n_x = pad_t, len(line)
    spectrum = np.fft.fft2(line.astype(np.float64), s=(n_x, n_t))
    omega = 2 * np.pi * np.fft.fftfreq(n_t, dt)
    k = 2 * np.pi * np.fft.fftfreq(n_x, dx)
    square = omega[None, :] ** 2 - (0.5 * v * k[:, None]) ** 2
    vertical = np.sign(omega) * np.sqrt(np.maximum(square, 0.0))
    field = np.where(square >= 0, spectrum, 0.0)
    step = np.exp(1j * vertical * dt)
    image = np.empty((n_x, out_samples))
    for i in range(out_samples):
        image[:, i] = np.fft.ifft(field.sum(axis=1) / n_t).real
        field = field * step
    return image


def test_against_phase_shift_migration():
    rng = np.random.default_rng(11)
    samples = 160
    line = sum(
        hyperbola(x0, z0, traces=120, samples=samples) * weight
        for x0, z0, weight in zip(rng.uniform(1, 4, 6), rng.uniform(0.4, 1.2, 6), rng.uniform(-1, 1, 6), strict=True)
    )
    # Silent ground on both sides and quiet ends, so that neither of the two wraps round.
    fade = np.minimum(np.minimum(np.arange(120), np.arange(120)[::-1]) / 15.0, 1.0)
    line = line * (np.sin(fade * np.pi / 2) ** 2)[:, None]
    line = line * np.minimum((samples - np.arange(samples)) / 30.0, 1.0)
    padded = np.pad(line, ((0, 240), (0, 0))).astype(np.float32)
    ours = migrate_stolt(padded, SECTION, pad_m=0.0)
    reference = phase_shift(padded, V, SECTION.spacing_m, SECTION.interval_ns, samples, 2_400)
    assert np.abs(ours - reference).max() < 1e-3 * np.abs(reference).max()


def test_padding_keeps_events_from_coming_back_on_the_other_side():
    line = hyperbola(0.2, 1.0, traces=100)
    wrapped = migrate_stolt(line, SECTION, pad_m=0.0)
    padded = migrate_stolt(line, SECTION)
    assert np.abs(padded[60:]).max() < 0.25 * np.abs(wrapped[60:]).max()
    assert default_pad_m(SECTION, 256, V) == pytest.approx(3.2)


def test_taper_fades_the_ends_and_no_more():
    line = np.tile(ricker(0.25 * np.arange(200) - 20.0), (100, 1)).astype(np.float32)
    faded, plain = migrate_stolt(line, SECTION, taper_m=0.6), migrate_stolt(line, SECTION)
    # The arc of the line's end, one metre in radius, stands above the layer well inside the line.
    arc = np.s_[16:24, 10:60]
    assert np.abs(faded[arc]).max() < 0.5 * np.abs(plain[arc]).max()
    assert faded[50, 60:] == pytest.approx(plain[50, 60:], abs=0.02)


def test_a_single_trace_comes_back_as_it_is():
    x = np.random.default_rng(0).standard_normal((1, 64)).astype(np.float32)
    single = Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=300.0, velocity_m_per_ns=V)
    assert (migrate_stolt(x, single) == x).all()


def test_air_itself_is_a_velocity_that_can_be():
    line = hyperbola(3.2, 1.0)
    assert np.isfinite(migrate_stolt(line, SECTION, velocity_m_per_ns=0.299792458)).all()
