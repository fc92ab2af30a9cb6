"""How deep a visit can be trusted: a decay whose crossing with the noise is known, and what cannot be said."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import VelocityField, VolumeGrid, add_provenance, make_radargram
from yewline.recipe.steps import STEPS
from yewline.volume import GAINS, TRUST_REASONS, line_noise, trusted_depth

V, RATE_PER_NS = 0.1, 0.12
GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=25, ny=21, depth_step_m=0.05, nz=50)
FIELD = VelocityField.uniform(V, 0.01)
N_LINES, N_TRACES, N_SAMPLES, DT = 11, 121, 400, 0.15


def envelope(rng, *, noise, n_samples=N_SAMPLES):
    """Envelope of complex Gaussian answers that fade exponentially, in noise of mean envelope `noise`."""
    shape = (N_TRACES, n_samples)
    time = DT * np.arange(n_samples)
    answer, hiss = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape) for _ in range(2))
    return np.abs(np.exp(-RATE_PER_NS * time) * answer + noise * hiss) / np.sqrt(0.5 * np.pi)


def lines(noises, **options):
    rng = np.random.default_rng(3)
    x = 0.05 * np.arange(N_TRACES)
    return [
        make_radargram(envelope(rng, noise=noise, **options), interval_ns=DT, x=x, y=0.5 * i + 0 * x)
        for i, noise in enumerate(noises)
    ]


def crossing_m(noise, ratio):
    """√(s² + n²) = k·n where s = e^{−at}: t = −ln(n √(k² − 1))/a."""
    return 0.5 * V * -np.log(noise * np.sqrt(ratio**2 - 1)) / RATE_PER_NS


@pytest.mark.parametrize("noise", [0.01, 0.03, 0.1])
@pytest.mark.parametrize("ratio", [1.5, 2.0, 4.0])
def test_the_depth_is_where_the_decay_meets_the_noise(noise, ratio):
    found = trusted_depth(lines([noise] * N_LINES), FIELD, GRID, line_spacing_m=0.5, ratio=ratio)
    assert (found.trust_reason == 0).all()
    expected = crossing_m(noise, ratio)
    # Half a bin, and the scatter of a median of 25 cells that share their traces.
    np.testing.assert_allclose(np.median(found.trusted_depth), expected, atol=0.5 * GRID.depth_step_m)
    assert np.abs(found.trusted_depth.values - expected).max() < 4 * GRID.depth_step_m
    np.testing.assert_allclose(np.median(found.noise), noise, rtol=0.02)


def test_noisier_lines_are_trusted_less_deep_where_they_lie():
    noises = np.where(np.arange(N_LINES) < 6, 0.01, 0.1)
    found = trusted_depth(lines(noises), FIELD, GRID, line_spacing_m=0.5)
    for rows, noise in ((slice(0, 7), 0.01), (slice(14, 21), 0.1)):
        np.testing.assert_allclose(np.median(found.trusted_depth[rows]), crossing_m(noise, 2.0), atol=0.04)


def test_slower_ground_is_trusted_less_deep():
    one, two = (
        float(np.median(trusted_depth(lines([0.03] * 3), VelocityField.uniform(v, 0.01), GRID, line_spacing_m=0.5)
              .trusted_depth[:5])) for v in (0.06, 0.12)
    )  # fmt: skip
    assert two / one == pytest.approx(2.0, rel=0.05)


def test_a_few_bright_answers_do_not_carry_the_depth():
    bright = lines([0.03] * N_LINES)
    for line in bright:
        line.values[40:48, 200:320] = 1.0
    plain = trusted_depth(lines([0.03] * N_LINES), FIELD, GRID, line_spacing_m=0.5)
    found = trusted_depth(bright, FIELD, GRID, line_spacing_m=0.5)
    np.testing.assert_allclose(np.median(found.trusted_depth), np.median(plain.trusted_depth), atol=0.02)


def test_a_record_that_ends_too_soon_says_so():
    short = trusted_depth(lines([1e-4] * N_LINES, n_samples=150), FIELD, GRID, line_spacing_m=0.5)
    reasons = {TRUST_REASONS[k] for k in np.unique(short.trust_reason)}
    assert reasons <= {"noise_still_falling", "at_least_to_the_base"}
    # True depth: what a longer record would show is deeper.
    assert (short.trusted_depth.values < crossing_m(1e-4, 2.0)).all()


def test_a_grid_shallower_than_the_crossing_is_trusted_to_its_base():
    shallow = GRID.model_copy(update={"nz": 10})
    found = trusted_depth(lines([0.01] * N_LINES), FIELD, shallow, line_spacing_m=0.5)
    assert (found.trust_reason == TRUST_REASONS.index("at_least_to_the_base")).all()
    np.testing.assert_allclose(found.trusted_depth, 0.5)


def test_noise_alone_is_trusted_nowhere_and_bare_ground_says_nothing():
    rng = np.random.default_rng(1)
    x = 0.05 * np.arange(N_TRACES)
    hiss = [
        make_radargram(np.abs(rng.standard_normal((N_TRACES, 400)) + 1j * rng.standard_normal((N_TRACES, 400))),
                       interval_ns=DT, x=x, y=0.5 * i + 0 * x) for i in range(4)
    ]  # fmt: skip
    found = trusted_depth(hiss, FIELD, GRID, line_spacing_m=0.5)
    assert (found.trust_reason[:6] == TRUST_REASONS.index("never_above_the_noise")).all()
    assert (found.trusted_depth[:6] == 0).all()
    assert (found.trust_reason[10:] == TRUST_REASONS.index("no_data")).all()
    assert np.isnan(found.trusted_depth[10:]).all()


def test_noise_of_a_line_does_not_see_late_echoes():
    rng = np.random.default_rng(2)
    quiet = envelope(rng, noise=0.02)
    echo = quiet.copy()
    echo[30:60, 340:] = 1.0
    assert line_noise(echo).level == pytest.approx(line_noise(quiet).level, rel=0.25)
    assert line_noise(quiet).settled
    assert not line_noise(envelope(rng, noise=1e-6)).settled


def test_gains_are_steps_that_there_are():
    assert set(GAINS) <= {step.name for step in STEPS}


def test_faults_are_told():
    made = lines([0.03] * 2)
    gained = [add_provenance(made[0], {"step": "dewow"}, {"step": "automatic_gain"}).assign_attrs(line="L1"), made[1]]
    with pytest.raises(InputError, match=r"L1: .*only before any gain .*automatic_gain.*as it was before that step"):
        trusted_depth(gained, FIELD, GRID, line_spacing_m=0.5)
    with pytest.raises(InputError, match=r"no lines to tell the noise of.*before any gain"):
        trusted_depth([], FIELD, GRID, line_spacing_m=0.5)
    with pytest.raises(InputError, match=r"ratio must lie between 1\.01 and 1000"):
        trusted_depth(made, FIELD, GRID, line_spacing_m=0.5, ratio=1.0)
    with pytest.raises(InputError, match="around_m must be greater than zero"):
        trusted_depth(made, FIELD, GRID, line_spacing_m=0.5, around_m=0.0)
    with pytest.raises(InputError, match=r"nothing is recorded at the end of the line.*Cut the record"):
        line_noise(np.where(np.arange(50) < 30, 1.0, np.nan)[None])
