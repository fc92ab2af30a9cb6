"""Tracks, pegs and control points: against closed forms, SciPy and pyproj, with planted faults."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from yewline.errors import InputError
from yewline.model import ControlPoint, Frame
from yewline.positions import (
    PegDistance,
    adjust_pegs,
    clean_track,
    control_findings,
    fit_control,
    peg_findings,
    place_by_track,
    smooth_track,
    swapped_axes,
    track_findings,
)
from yewline.units import Z90


def _track(seed, *, noise=0.04, n=60):
    rng = np.random.default_rng(seed)
    fine = np.arange(0, n, 0.1)
    speed = 1.0 + 0.02 * np.cumsum(rng.normal(0, 0.2, len(fine)))
    x, y = np.cumsum(speed) * 0.1, 0.1 * np.sin(fine / 5)
    at = np.arange(n, dtype=float)
    fixes = [np.interp(at, fine, v) + rng.normal(0, noise, n) for v in (x, y)]
    return fine, x, y, at, *fixes


def test_smoothing_halves_the_error_and_says_how_well_it_knows():
    rms, inside, given_sigma = [], [], []
    for seed in range(20):
        fine, x, y, t, fx, fy = _track(seed)
        smooth = smooth_track(clean_track(t, fx, fy))
        sx, sy, sigma = place_by_track(smooth, fine[fine <= t[-1]])
        off = np.concatenate([sx - x[: len(sx)], sy - y[: len(sy)]])
        rms.append(np.sqrt(np.mean(off**2)))
        inside.append(np.mean(np.abs(off) < Z90 * np.concatenate([sigma, sigma])))
        given_sigma.append(smooth.fix_sigma_m)
    assert np.mean(rms) < 0.5 * 0.04
    assert 0.84 < np.mean(inside) < 0.97
    assert np.mean(given_sigma) == pytest.approx(0.04, rel=0.1)


def test_a_straight_even_walk_is_a_straight_line_by_least_squares():
    rng = np.random.default_rng(1)
    t = np.arange(30.0)
    x, y = 0.9 * t + rng.normal(0, 0.05, 30), 0.1 * t + rng.normal(0, 0.05, 30)
    smooth = smooth_track(clean_track(t, x, y), fix_sigma_m=0.05)
    # With next to no wander the smoother is the regression line; the smallest wander tried bends it by millimetres.
    line = np.polyval(np.polyfit(t, x, 1), t)
    sx, _, sigma = place_by_track(smooth, t)
    np.testing.assert_allclose(sx, line, atol=0.035)
    assert sigma[15] < sigma[0]


def test_the_smoother_equals_the_gaussian_process_it_stands_for():
    """Places at fixes against the same model solved at once with dense matrices."""
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.uniform(0.4, 1.5, 14))
    x = 0.8 * t + rng.normal(0, 0.05, 14)
    smooth = smooth_track(clean_track(t, x, 0 * x), fix_sigma_m=0.05)
    q, h = smooth.wander, t - t[0]
    middle = np.median(x)
    lo, hi = np.minimum.outer(h, h), np.maximum.outer(h, h)
    walk = q * (lo**2 * hi / 2 - lo**3 / 6)
    # The beginning: the first fix with its error, and a velocity of 0 ± 4 m/s.
    start = 0.05**2 + 16.0 * np.outer(h, h)
    prior = walk + start
    seen = x[1:] - middle
    cover = prior[1:, 1:] + 0.05**2 * np.eye(13)
    first = x[0] - middle
    mean = first + prior[:, 1:] @ np.linalg.solve(cover, seen - first)
    variance = np.diag(prior - prior[:, 1:] @ np.linalg.solve(cover, prior[1:]))
    np.testing.assert_allclose(smooth.state[:, 0, 0], mean + middle, atol=1e-9)
    np.testing.assert_allclose(smooth.cover[:, 0, 0], variance, rtol=1e-6)


def test_jumps_repeats_and_times_that_run_back_are_left_out_and_named():
    hits, alarms = 0, 0
    for seed in range(30):
        *_, t, fx, fy = _track(seed)
        alarms += bool(clean_track(t, fx, fy).jumps)
        rng = np.random.default_rng(seed)
        k = int(rng.integers(3, 56))
        fx[k] += 7.0
        t2, x2, y2 = (np.insert(v, 30, v[29]) for v in (t, fx, fy))
        t2 = np.append(t2, 12.5)
        track = clean_track(t2, np.append(x2, 12.0), np.append(y2, 0.0))
        at = k if k < 30 else k + 1
        hits += track.jumps == (at,) or (k == 29 and len(track.jumps) >= 1)
        assert len(track.backwards) == 1
        assert (np.diff(track.time_s) > 0).all()
        if k not in (28, 29, 30):
            assert track.repeats == (30,)
            codes = [f.code for f in track_findings(track)]
            assert codes == ["track-jump", "track-repeat", "track-backwards"]
    assert hits >= 28
    assert alarms / 30 < 0.05


def test_a_lasting_shift_is_no_jump_and_rough_tracks_are_named():
    t = np.arange(40.0)
    x = t + np.where(t >= 20, 6.0, 0.0)
    assert clean_track(t, x, 0 * t).jumps == ()
    rng = np.random.default_rng(0)
    rough = clean_track(t, t + rng.normal(0, 0.3, 40), rng.normal(0, 0.3, 40))
    assert [f.code for f in track_findings(rough, smooth_track(rough)) if f.code == "track-rough"] == ["track-rough"]
    missing = clean_track([0, 1, np.nan, 3], [0, 1, 2, np.inf], [0, 0, 0, 0])
    assert missing.missing == (2, 3)
    assert "2 fixes hold no position" in track_findings(missing)[0].text


def test_errors_grow_in_gaps_and_beyond_the_ends_and_with_the_clock():
    *_, t, fx, fy = _track(4)
    keep = (t < 20) | (t > 32)
    smooth = smooth_track(clean_track(t[keep], fx[keep], fy[keep]))
    _, _, sigma = place_by_track(smooth, [10.0, 19.0, 26.0, 59.0, 62.0])
    assert sigma[2] > 2 * sigma[0]
    assert sigma[4] > sigma[3]
    _, _, late = place_by_track(smooth, [10.0], clock_sigma_s=0.1)
    assert late[0] == pytest.approx(np.hypot(sigma[0], 0.1), rel=0.25)
    x0, _, _ = place_by_track(smooth, [10.0])
    x1, _, _ = place_by_track(smooth, [10.0], latency_s=0.2)
    assert x1[0] - x0[0] == pytest.approx(0.2, abs=0.06)


def test_tracks_that_cannot_be_used_are_refused():
    with pytest.raises(InputError, match="fewer than two fixes of the track can be used"):
        clean_track([0, 0], [1, 1], [1, 1])
    with pytest.raises(InputError, match="a time and a place for each fix"):
        clean_track([0, 1], [0, 1, 2], [0, 1])
    with pytest.raises(InputError, match="time_s holds values that are not finite"):
        place_by_track(smooth_track(clean_track([0, 1, 2], [0, 1, 2], [0, 0, 0])), [np.nan])


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 50), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=2, max_size=25))
def test_any_track_gives_finite_places_or_is_refused(fixes):
    t, x, y = np.array(fixes).T
    try:
        track = clean_track(t, x, y)
    except InputError:
        return
    out = (*track.jumps, *track.repeats, *track.backwards, *track.missing)
    assert sorted([*out, *track.kept.tolist()]) == list(range(len(fixes)))
    if np.diff(track.time_s).min() > 1e-3:
        places = place_by_track(smooth_track(track), np.linspace(-1, 51, 20))
        assert all(np.isfinite(each).all() for each in places)


def test_exchanged_degrees_are_named_by_the_distance_pyproj_gives():
    assert swapped_axes([48.1], [11.6]) == ""
    assert swapped_axes([11.6], [48.1]) == ""
    text = swapped_axes([11.6], [48.1], near=(48.0, 11.5))
    metres = pyproj.Geod(ellps="sphere").inv(48.1, 11.6, 11.5, 48.0)[2]
    assert f"{metres / 1000:.0f} km away" in text
    assert swapped_axes([48.1], [11.6], near=(48.0, 11.5)) == ""
    # Far from the site either way is not an exchange.
    assert swapped_axes([20.0], [30.0], near=(48.0, 11.5)) == ""
    assert swapped_axes([151.2], [120.0]) == ""
    assert "151.2" in swapped_axes([151.2], [-33.8])


# Pegs

PLAN = {"A": (0.0, 0.0), "B": (20.0, 0.0), "C": (20.0, 12.0), "D": (0.0, 12.0), "E": (10.0, 6.0)}
ALL = [(a, b) for n, a in enumerate(PLAN) for b in list(PLAN)[n + 1 :]]


def _measured(rng, place, pairs=ALL, sigma=0.02):
    return [
        PegDistance(a, b, float(np.hypot(*np.subtract(place[a], place[b]))) + rng.normal(0, sigma), sigma)
        for a, b in pairs
    ]


def test_the_adjustment_agrees_with_scipy_and_keeps_the_datum():
    rng = np.random.default_rng(0)
    true = {k: (x + rng.normal(0, 0.1), y + rng.normal(0, 0.1)) for k, (x, y) in PLAN.items()}
    measured = _measured(rng, true)
    found = adjust_pegs(PLAN, measured)
    names = list(PLAN)

    def rest(p):
        place = dict(zip(names, p.reshape(-1, 2), strict=True))
        return [(d.distance_m - np.hypot(*(place[d.a] - place[d.b]))) / d.sigma_m for d in measured]

    outside = least_squares(rest, np.array(list(PLAN.values())).ravel(), xtol=1e-14, ftol=1e-14)
    np.testing.assert_allclose(
        np.sum(rest(np.array(list(found.place.values())).ravel())) ** 2, np.sum(outside.fun) ** 2, rtol=1e-4
    )
    assert found.closure == pytest.approx(np.sqrt(2 * outside.cost / found.spare), rel=1e-6)
    moved = np.array([found.place[k] for k in names]) - np.array([PLAN[k] for k in names])
    np.testing.assert_allclose(moved.sum(axis=0), 0.0, atol=1e-9)
    centred = np.array(list(PLAN.values())) - np.mean(list(PLAN.values()), axis=0)
    assert abs((centred[:, 0] * moved[:, 1] - centred[:, 1] * moved[:, 0]).sum()) < 1e-8
    assert found.spare == len(ALL) - 7


def test_errors_of_pegs_and_closure_are_honest():
    scatter, stated, p = [], [], []
    for seed in range(150):
        found = adjust_pegs(PLAN, _measured(np.random.default_rng(seed), PLAN))
        scatter.append([found.place[k] for k in PLAN])
        stated.append([found.sigma_m[k] for k in PLAN])
        p.append(found.p)
    spread = np.std(scatter, axis=0).max(axis=1)
    # Twice the outliers at 0.1 % of 10 distances, and ellipses seen along the axes.
    assert (spread < 1.15 * np.mean(stated, axis=0)).all()
    assert (spread > 0.6 * np.mean(stated, axis=0)).all()
    assert 0.35 < np.mean(p) < 0.65


WIDE = {"A": (0, 0), "B": (10, 0), "C": (20, 0), "D": (20, 12), "E": (10, 12), "F": (0, 12)}
BRACED = [(a, b) for n, a in enumerate(WIDE) for b in list(WIDE)[n + 1 :]]


def test_a_blunder_is_found_and_left_out_and_alarms_are_rare():
    hits, alarms = 0, 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        measured = _measured(rng, WIDE, BRACED)
        alarms += bool(peg_findings(adjust_pegs(WIDE, measured), measured))
        k = int(rng.integers(0, len(measured)))
        wrong = measured[k]
        measured[k] = PegDistance(wrong.a, wrong.b, wrong.distance_m + 0.5, wrong.sigma_m)
        found = adjust_pegs(WIDE, measured)
        hits += found.outlier.tolist() == [n == k for n in range(len(measured))]
        if found.outlier[k]:
            assert "peg-distance" in [f.code for f in peg_findings(found, measured)]
    assert hits / 60 > 0.9
    assert alarms / 60 < 0.05


def test_a_peg_off_its_plan_and_a_network_without_checks_are_named():
    place = {**PLAN, "C": (20.3, 12.0)}
    measured = _measured(np.random.default_rng(0), place)
    codes = {(f.code, f.text) for f in peg_findings(adjust_pegs(PLAN, measured), measured)}
    assert ("peg-moved", "peg C does not lie where the plan has it") in codes
    four = {k: PLAN[k] for k in "ABCD"}
    bare = _measured(np.random.default_rng(0), four, [("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"), ("A", "C")])
    (told,) = peg_findings(adjust_pegs(four, bare), bare)
    assert told.code == "peg-unchecked"
    loose = [PegDistance(d.a, d.b, d.distance_m, 0.001) for d in _measured(np.random.default_rng(1), PLAN, sigma=0.01)]
    network = adjust_pegs(PLAN, loose)
    assert network.closure > 2 or network.outlier.any()


def test_networks_that_cannot_be_adjusted_are_refused():
    with pytest.raises(InputError, match="three pegs at least"):
        adjust_pegs({"A": (0, 0), "B": (1, 0)}, [])
    with pytest.raises(InputError, match=r"not in the plan \(received Z\)"):
        adjust_pegs(PLAN, [PegDistance("A", "Z", 3.0)])
    with pytest.raises(InputError, match="leave the pegs' shape open"):
        adjust_pegs(PLAN, [PegDistance("A", "B", 20.0)])
    with pytest.raises(InputError, match="needs two pegs"):
        PegDistance("A", "A", 1.0)


# Control points


def _control(rng, *, turn=30.0, scale=1.0, noise=0.02, n=5):
    a = np.radians(turn)
    site = rng.uniform(0, 40, (n, 2))
    matrix = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    there = site @ matrix.T + (512_345.0, 5_412_345.0) + rng.normal(0, noise, (n, 2))
    return [ControlPoint(x=p[0], y=p[1], easting=q[0], northing=q[1]) for p, q in zip(site, there, strict=True)]


def test_the_tie_agrees_with_the_site_frame_of_the_model():
    points = _control(np.random.default_rng(0))
    ours, model = fit_control(points), Frame(epsg=32633, control=tuple(points)).to_projected()
    xy = np.array([[0.0, 0.0], [13.0, 7.0]])
    np.testing.assert_allclose(ours.forward(xy), model.forward(xy), atol=1e-4)
    np.testing.assert_allclose(ours.inverse(ours.forward(xy)), xy, atol=1e-7)
    assert ours.turn_deg == pytest.approx(30.0, abs=0.2)
    np.testing.assert_allclose(ours.residual_m.sum(axis=0), 0.0, atol=1e-6)


def test_an_affine_tie_agrees_with_numpy_and_fits_a_stretched_plan():
    rng = np.random.default_rng(1)
    points = _control(rng, n=6, noise=0.0)
    stretched = [ControlPoint(x=p.x * 1.01, y=p.y, easting=p.easting, northing=p.northing) for p in points]
    helmert, affine = fit_control(stretched), fit_control(stretched, kind="affine")
    assert np.abs(affine.residual_m).max() < 1e-6
    assert np.abs(helmert.residual_m).max() > 0.02
    design = np.column_stack([[p.x for p in stretched], [p.y for p in stretched], np.ones(6)])
    east = np.linalg.lstsq(design, np.array([p.easting for p in stretched]) - 512_000.0, rcond=None)[0]
    np.testing.assert_allclose(affine.matrix[0], east[:2], atol=1e-6)


def test_sigma_is_honest_and_a_wrong_point_shows_left_out():
    sigma, hits, alarms = [], 0, 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        points = _control(rng)
        fit = fit_control(points)
        sigma.append(fit.sigma_m**2)
        alarms += bool(control_findings(fit))
        k = int(rng.integers(0, 5))
        points[k] = points[k].model_copy(update={"easting": points[k].easting + 1.0})
        (told,) = control_findings(fit_control(points)) or (None,)
        hits += told is not None and told.text == f"control point {k + 1} does not fit the others"
    assert np.sqrt(np.mean(sigma)) == pytest.approx(0.02, rel=0.1)
    assert hits > 85
    assert alarms < 5


def test_feet_mirrors_and_bare_ties_are_named():
    rng = np.random.default_rng(3)
    assert [f.code for f in control_findings(fit_control(_control(rng, scale=0.3048)))] == ["control-feet"]
    assert [f.code for f in control_findings(fit_control(_control(rng, n=2)))] == ["control-unchecked"]
    mirrored = [ControlPoint(x=p.y, y=p.x, easting=p.easting, northing=p.northing) for p in _control(rng)]
    assert [f.code for f in control_findings(fit_control(mirrored))] == ["control-mirrored"]
    assert control_findings(fit_control(_control(rng, noise=0.005))) == []


def test_ties_that_cannot_be_fitted_are_refused():
    points = _control(np.random.default_rng(0))
    with pytest.raises(InputError, match="needs at least 2 control points"):
        fit_control(points[:1])
    with pytest.raises(InputError, match="an affine tie needs at least 3"):
        fit_control(points[:2], kind="affine")
    with pytest.raises(InputError, match="lie at one place"):
        fit_control([points[0], points[0]])
    line = [ControlPoint(x=k, y=k, easting=k, northing=k) for k in range(4)]
    with pytest.raises(InputError, match="lie in one line"):
        fit_control(line, kind="affine")
    with pytest.raises(InputError, match="kind must be one of"):
        fit_control(points, kind="other")
