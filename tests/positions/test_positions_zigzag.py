"""Zigzag: planted shifts come back, zero stays zero over dipping layers and oblique ground, and kernels agree."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.model import make_radargram, provenance_steps
from yewline.positions import correct_zigzag, estimate_zigzag, line_images, zigzag_findings
from yewline.positions.lag_kernels import lag_products, lag_products_plain

LAYERS = ((15.0, 0.35, 0.9, 2.0), (25.0, -0.3, 0.8, 2.0), (33.0, 0.5, -0.6, 2.0))
GROUNDS = {
    "objects": {},
    "dipping layers": {"layers": LAYERS},
    "layers alone": {"layers": LAYERS, "per_m2": 0.2},
    "oblique objects": {"oblique_deg": 50.0},
    "nearly along": {"oblique_deg": 30.0, "long_m": 1.5},
}


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 30), st.integers(1, 11), st.integers(0, 12), st.integers(0, 2**31))
def test_the_kernel_equals_its_plain_twin(n, k, most, seed):
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=(2, n, k)).astype(np.float32)
    known_a, known_b = rng.random((2, n)) < 0.8
    ours, plain = lag_products(a, b, known_a, known_b, most), lag_products_plain(a, b, known_a, known_b, most)
    np.testing.assert_allclose(ours, plain, atol=1e-5 * max(1.0, float(np.abs(plain).max())))


@pytest.mark.parametrize("kind", GROUNDS)
def test_planted_shifts_come_back_and_zero_stays_zero(survey, ground, kind):
    """Five seeds a ground and shift: recovered within 0.03 m, none called where there is none, bias tested."""
    called = 0
    for seed in range(5):
        for planted in (0.0, 0.2, -0.2):
            lines = survey(ground(seed, **GROUNDS[kind]), seed=seed, zigzag_m=planted, lines=12)
            found = estimate_zigzag(line_images(lines)[0])
            assert abs(found.offset_m - planted) < 0.03, (kind, seed, planted, found.offset_m)
            if planted:
                assert found.significant
                assert found.score_after > found.score_before + 0.05
                assert found.bias.passed
            else:
                called += bool(found.significant or zigzag_findings(found))
    assert called == 0


def test_errors_are_those_stated(survey, ground):
    z = []
    for seed in range(30):
        lines = survey(ground(100 + seed), seed=seed, zigzag_m=0.1, lines=10, length_m=12.0)
        found = estimate_zigzag(line_images(lines)[0])
        z.append((found.offset_m - 0.1) / found.sigma_m)
    # 90 % intervals of 30 surveys: 20 or fewer inside has a chance of 0.05 % where they are honest (binomial).
    assert np.mean(np.abs(z) < 1.645) > 20 / 30
    assert np.std(z) < 2.0


def test_ground_oblique_to_the_lines_is_named_as_such(survey, ground):
    lines = survey(ground(3, oblique_deg=50.0), seed=3, zigzag_m=0.1)
    found = estimate_zigzag(line_images(lines)[0])
    # Objects at 50° to the lines move by spacing / tan 50° from line to line.
    assert found.bias.geology_m == pytest.approx(0.5 / np.tan(np.radians(50.0)), abs=0.05)
    assert abs(found.bias.offset_m) < 0.03
    assert found.bias.pairs > 8


def test_a_slope_along_the_lines_is_found_only_where_there_is_one(survey, ground):
    sloped = 0
    for seed in range(4):
        here = ground(50 + seed)
        found = estimate_zigzag(line_images(survey(here, seed=seed, zigzag_m=0.1, slope=0.015))[0])
        assert found.offset_m == pytest.approx(0.1, abs=0.03)
        assert found.slope_m_per_m == pytest.approx(0.015, abs=0.006)
        sloped += estimate_zigzag(line_images(survey(here, seed=seed, zigzag_m=0.1))[0]).slope_m_per_m != 0
    assert sloped == 0


def test_correction_brings_neighbours_together_and_is_written_down(survey, ground):
    lines = survey(ground(5), seed=5, zigzag_m=0.2)
    images = line_images(lines)[0]
    found = estimate_zigzag(images)
    before = lines["L03"]["x"].values.copy()
    mended = {name: correct_zigzag(line, images, found) for name, line in lines.items()}
    np.testing.assert_array_equal(lines["L03"]["x"].values, before)
    again = estimate_zigzag(line_images(mended)[0])
    assert abs(again.offset_m) < 0.01
    assert again.score_before == pytest.approx(found.score_after, abs=0.05)
    np.testing.assert_allclose(mended["L03"]["x"].values - before, -found.offset_m, atol=1e-9)
    np.testing.assert_allclose(mended["L04"]["x"].values - lines["L04"]["x"].values, found.offset_m, atol=1e-9)
    assert (mended["L03"]["sigma_xy"].values > lines["L03"]["sigma_xy"].values).all()
    assert provenance_steps(mended["L03"])[-1]["step"] == "zigzag"


def test_one_line_that_began_elsewhere_is_seen_beside_its_neighbours(survey, ground):
    lines = survey(ground(8), seed=8)
    moved = lines["L07"]
    lines["L07"] = moved.assign_coords(x=moved.x + 0.3)
    found = estimate_zigzag(line_images(lines)[0])
    off = found.line_offset_m
    assert off["L07"] == pytest.approx(0.3, abs=0.08)
    assert max(abs(value) for name, value in off.items() if name not in ("L06", "L07", "L08")) < 0.1


def test_findings_tell_both_scores_and_the_test(survey, ground):
    found = estimate_zigzag(line_images(survey(ground(2), seed=2, zigzag_m=-0.2))[0])
    (finding,) = zigzag_findings(found)
    assert finding.code == "zigzag"
    assert "too far behind" in finding.text
    assert "as they should" in finding.received
    assert f"{found.score_after:.2f} as corrected" in finding.received


def test_what_cannot_be_estimated_is_refused(survey, ground):
    one_way = line_images(survey(ground(1), seed=1, lines=6, length_m=8.0, one_way=True))[0]
    with pytest.raises(InputError, match=r"no neighbouring lines were walked in opposite directions \(received 0 such"):
        estimate_zigzag(one_way)
    lines = survey(ground(1), seed=1, lines=6, length_m=8.0)
    images = line_images(lines)[0]
    found = estimate_zigzag(images)
    stranger = lines["L01"].copy(deep=False)
    stranger.attrs["line"] = "Z9"
    with pytest.raises(InputError, match="the line is not one of those compared"):
        correct_zigzag(stranger, images, found)
    with pytest.raises(InputError, match="largest_m must be greater than zero"):
        estimate_zigzag(images, largest_m=0.0)


def _plain(n=40, samples=60, **attrs):
    rng = np.random.default_rng(0)
    values = rng.normal(size=(n, samples))
    return make_radargram(values, interval_ns=0.5, x=0.1 * np.arange(n), y=np.zeros(n), attrs=attrs)


def test_pictures_of_odd_lines():
    with pytest.raises(InputError, match="there are no lines"):
        line_images({})
    with pytest.raises(InputError, match="L1: the radargram does not say its antenna's centre frequency"):
        line_images({"L1": _plain()})
    assert line_images({"L1": _plain(5, centre_mhz=300.0)}) == ()
    assert line_images({"L1": _plain(40, 12, centre_mhz=300.0)}) == ()
    short = {"L1": _plain(centre_mhz=300.0), "L2": _plain(5, centre_mhz=300.0)}
    assert line_images(short)[0].left_out == ("L2",)
    broken = _plain(centre_mhz=300.0).copy()
    broken[3, 4] = np.nan
    with pytest.raises(InputError, match="not finite"):
        line_images({"L1": broken})


@pytest.mark.parametrize("size", [0.0, 1e-30, 1e30])
def test_pictures_know_no_scale(size):
    line = _plain(centre_mhz=300.0)
    other = line.copy(data=(line.values * np.float32(size)).astype(np.float32)).assign_coords(y=line.y + 0.5)
    images = line_images({"L1": line, "L2": other})[0]
    pictures, known = images.stack()
    assert np.isfinite(pictures).all()
    assert known.all()
    if size:
        np.testing.assert_allclose(pictures[0], pictures[1], atol=1e-3)


def test_lines_are_read_one_by_one(survey, ground):
    held = survey(ground(1), seed=1, lines=5, length_m=6.0)
    alive: list[str] = []

    class Lazy(dict[str, xr.DataArray]):
        def __getitem__(self, name):
            alive.append(name)
            return held[name].copy(deep=True)

        def items(self):
            return ((name, self[name]) for name in held)

    found = line_images(Lazy(dict.fromkeys(held)))[0]
    np.testing.assert_array_equal(found.feature[0], line_images(held)[0].feature[0])
    assert len(alive) == 2 * len(held)


@pytest.mark.parametrize("kind", GROUNDS)
def test_sound_surveys_raise_no_alarm(survey, ground, kind):
    """None of sixty in all: fewer than 5 in 100, at 95 % confidence (1 − 0.05^(1/60))."""
    for seed in range(12):
        lines = survey(ground(500 + seed, **GROUNDS[kind]), seed=500 + seed, lines=10, length_m=12.0)
        assert zigzag_findings(estimate_zigzag(line_images(lines)[0])) == [], (kind, seed)
