"""Migration that looks around its line: the ground as it varies below, and the parallel lines beside."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from yewline.errors import InputError
from yewline.signal import (
    Beside,
    Section,
    antennas_on_lines,
    migrate_kirchhoff,
    migrate_kirchhoff_3d,
    migrate_phase_shift,
)

DT, MHZ, SAMPLES = 0.4, 300.0, 150
X = 0.05 * np.arange(201)
T = DT * np.arange(SAMPLES)


def pulse(t: np.ndarray) -> np.ndarray:
    a = (np.pi * MHZ * 1e-3 * t) ** 2
    return (1 - 2 * a) * np.exp(-a)


def echo(x: np.ndarray, off_m: float | np.ndarray, depth_m: float, at_m: float, v: float) -> np.ndarray:
    """A point's zero-offset answer: two-way time over the straight path, spreading there and back."""
    r = np.sqrt((x - at_m) ** 2 + off_m**2 + depth_m**2)
    return (pulse(T - 2 * r[:, None] / v) / r[:, None] ** 2).astype(np.float32)


def strength(image: np.ndarray) -> np.ndarray:
    """The envelope: a point's answer on one line, or on many, comes out of its sum turned in phase (45 or 90°)."""
    return np.abs(hilbert(image.astype(np.float64), axis=1))


def section(v: float = 0.1, y: float = 0.0, **around: object) -> Section:
    return Section(
        interval_ns=DT,
        spacing_m=0.05,
        centre_mhz=MHZ,
        velocity_m_per_ns=v,
        distance_m=X,
        x_m=X,
        y_m=np.full(len(X), y),
        **around,
    )


def uniform(v: float):
    return lambda x, y: (np.zeros(1), np.full((1, len(x)), v))


# The ground below the line


def test_uniform_ground_below_the_line_gives_what_one_velocity_gives():
    """Times swept through an even ground are those of straight paths, to 1 % of the image's peak."""
    line = echo(X, 0.0, 0.9, 5.0, 0.1) + echo(X, 0.0, 1.8, 7.0, 0.1)
    plain = migrate_kirchhoff(line, section())
    swept = migrate_kirchhoff(line, section(below=uniform(0.1)), ground="below the line")
    assert np.abs(swept - plain).max() < 0.01 * np.abs(plain).max()


def test_patchy_moisture_is_focused_where_one_velocity_is_not():
    """Left of 5 m waves run at 0.08, right of it at 0.12 m/ns: each point lies at its own time, sharp on both sides."""
    line = echo(X, 0.0, 1.0, 2.0, 0.08) + echo(X, 0.0, 1.0, 8.0, 0.12)

    def below(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.zeros(1), (0.08 + 0.04 / (1 + np.exp(-(x - 5.0) / 0.1)))[None]

    varying = migrate_kirchhoff(line, section(below=below), ground="below the line")
    mean = migrate_kirchhoff(line, section(0.1))
    for at_m, v in ((2.0, 0.08), (8.0, 0.12)):
        near = slice(round((at_m - 1) / 0.05), round((at_m + 1) / 0.05))
        part = strength(varying)[near]
        trace, sample = np.unravel_index(part.argmax(), part.shape)
        assert abs((near.start + trace) * 0.05 - at_m) <= 0.05
        assert abs(sample * DT - 2 * 1.0 / v) <= DT
        # As sharp as with the true velocity of that side alone.
        alone = strength(migrate_kirchhoff(line, section(v)))[near]
        assert part.max() > 0.97 * alone.max()
        assert part.max() > 1.1 * strength(mean)[near].max()


def test_layers_below_the_line_move_samples_to_their_depth():
    """Velocity that grows with depth, the same all along: a level reflector keeps its time at every trace."""
    flat = np.tile(pulse(T - 24.0), (len(X), 1)).astype(np.float32)

    def below(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.array([0.25, 0.75, 1.25]), np.repeat([[0.12], [0.10], [0.08]], len(x), axis=1)

    for step in (migrate_kirchhoff, migrate_phase_shift):
        image = step(flat, section(below=below), ground="below the line")
        middle = image[80:120]
        assert (np.abs(middle.argmax(axis=1) - 60) <= 1).all(), step.__name__
        np.testing.assert_allclose(middle.max(axis=1), 1.0, atol=0.05)


@pytest.mark.parametrize("step", [migrate_kirchhoff, migrate_phase_shift])
def test_ground_that_is_not_known_is_refused(step):
    with pytest.raises(InputError, match="velocity below the line is not known"):
        step(echo(X, 0.0, 1.0, 5.0, 0.1), section(), ground="below the line")


def test_heights_do_not_go_with_varying_ground():
    with pytest.raises(InputError, match="heights of the ground go with one velocity only"):
        migrate_kirchhoff(
            echo(X, 0.0, 1.0, 5.0, 0.1),
            section(below=uniform(0.1), elevation_m=np.zeros(len(X))),
            ground="below the line",
            from_surface=True,
        )


# The lines beside


def survey(spacing_m: float, off_m: float, depth_m: float = 1.0, lines: int = 17) -> dict[float, np.ndarray]:
    """Lines at both sides of y = 0, over a point at y = `off_m`."""
    ys = spacing_m * (np.arange(lines) - lines // 2)
    return {float(y): echo(X, y - off_m, depth_m, 5.0, 0.1) for y in ys}


def across(held: dict[float, np.ndarray], y: float, spacing_m: float, **options: object) -> np.ndarray:
    beside = [Beside(line, X, np.full(len(X), other)) for other, line in held.items() if other != y]
    return migrate_kirchhoff_3d(held[y], section(y=y, beside=lambda: beside, line_spacing_m=spacing_m), **options)


def test_a_point_between_two_lines_goes_where_it_is():
    """At 0.04 m (within λ/4 of the band) a point 0.16 m off a line: strongest below the line above it, at its depth."""
    held = survey(0.04, 0.16, lines=33)
    images = {
        y: strength(across(held, y, 0.04)) for y in held if any(abs(y - at) < 0.01 for at in (0.0, 0.12, 0.16, 0.2))
    }
    peaks = {y: image.max() for y, image in images.items()}
    best = max(peaks, key=lambda y: peaks[y])
    assert best == pytest.approx(0.16, abs=0.04)
    trace, sample = np.unravel_index(images[best].argmax(), images[best].shape)
    assert abs(trace * 0.05 - 5.0) <= 0.05
    assert abs(sample * DT - 20.0) <= DT
    # By themselves the lines at 0 and at 0.16 m have it alike; together they tell.
    alone = [strength(migrate_kirchhoff(held[y], section())).max() for y in (0.0, best)]
    assert alone[0] > 0.9 * alone[1]
    assert peaks[min(peaks, key=abs)] < 0.6 * peaks[best]


def test_the_way_a_line_was_walked_and_the_order_of_lines_do_not_matter():
    held = survey(0.1, 0.05, lines=9)
    plain = across(held, 0.0, 0.1)
    turned = [
        Beside(line[::-1].copy(), X[::-1].copy(), np.full(len(X), y)) for y, line in reversed(held.items()) if y != 0.0
    ]
    other = migrate_kirchhoff_3d(held[0.0], section(beside=lambda: turned, line_spacing_m=0.1))
    np.testing.assert_allclose(other, plain, atol=2e-4 * np.abs(plain).max())
    mixed = [Beside(held[y], X, np.full(len(X), y)) for y in np.random.default_rng(1).permutation(list(held)) if y != 0]
    again = migrate_kirchhoff_3d(held[0.0], section(beside=lambda: mixed, line_spacing_m=0.1))
    np.testing.assert_array_equal(again, plain)


ROWS = tuple(range(-40, 41))


@pytest.mark.parametrize(
    "rows",
    [
        ROWS,
        (*ROWS, 0),
        (*ROWS, 1, 1),
        tuple(k for k in ROWS if k != 1),
        tuple(k for k in ROWS if k <= 0 or k % 2 == 0),
        tuple(k + 0.4 * (-1) ** k * (k != 0) for k in ROWS),
    ],
    ids=["even", "the line repeated", "a neighbour walked three times", "one missing", "half on one side", "uneven"],
)
def test_a_level_reflector_keeps_its_amplitude(rows: tuple[float, ...]):
    """Weights over an area keep what is level, away from the survey's edges, to 1 %: so does every lay-out of lines."""
    flat = np.tile(pulse(T - 20.0), (len(X), 1)).astype(np.float32)
    others = list(rows)
    others.remove(0)
    beside = [Beside(flat, X, np.full(len(X), 0.05 * k)) for k in others]
    image = migrate_kirchhoff_3d(flat, section(beside=lambda: beside, line_spacing_m=0.05))
    np.testing.assert_allclose(image[80:120, 50], 1.0, atol=0.01)


def test_traces_share_the_ground_between_lines_and_leave_wide_gaps():
    """A line in two halves about an obstacle is one line; where neither runs, those beside stand for more."""
    x = 0.1 * np.arange(50)
    halves = [(x[:20], 0 * x[:20] + 1.0), (x[30:][::-1], 0 * x[30:] + 1.0)]
    shares = antennas_on_lines([(x, 0 * x), *halves, (x, 0 * x + 2.0), (x, 0 * x + 6.0)], line_spacing_m=1.0).share
    first, second, third, fourth, fifth = np.split(shares / 0.1, np.cumsum([50, 20, 20, 50]))
    np.testing.assert_allclose(first[:20], 1.0)
    np.testing.assert_allclose(first[20:30], 1.5)
    np.testing.assert_allclose([*second, *third], 1.0)
    np.testing.assert_allclose(fourth[20:30], 1.5)
    np.testing.assert_allclose(fifth, 1.0)


def test_a_line_alone_is_migrated_by_itself():
    line = echo(X, 0.0, 1.0, 5.0, 0.1)
    by_itself = migrate_kirchhoff(line, section(), aperture_deg=45.0)
    np.testing.assert_array_equal(migrate_kirchhoff_3d(line, section()), by_itself)
    np.testing.assert_array_equal(migrate_kirchhoff_3d(line, section(beside=list, line_spacing_m=0.5)), by_itself)


def test_records_of_other_lengths_help_as_far_as_they_go():
    held = survey(0.1, 0.0, lines=5)
    shorter = [Beside(line[:, :90].copy(), X, np.full(len(X), y)) for y, line in held.items() if y != 0.0]
    cut = migrate_kirchhoff_3d(held[0.0], section(beside=lambda: shorter, line_spacing_m=0.1))
    assert np.isfinite(cut).all()
    assert cut.shape == held[0.0].shape


def test_lines_of_another_direction_are_refused():
    beside = [Beside(echo(X, 0.0, 1.0, 5.0, 0.1), np.full(len(X), 1.0), X)]
    with pytest.raises(InputError, match="parallel within 10"):
        migrate_kirchhoff_3d(echo(X, 0.0, 1.0, 5.0, 0.1), section(beside=lambda: beside, line_spacing_m=0.5))
    with pytest.raises(InputError, match="how far apart lines are"):
        migrate_kirchhoff_3d(echo(X, 0.0, 1.0, 5.0, 0.1), section(beside=lambda: beside))
