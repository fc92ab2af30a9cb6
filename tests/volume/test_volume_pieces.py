"""Cutting lines into pieces, and averaging samples over depth bins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from yewline.errors import InputError
from yewline.volume import cut_pieces, depth_bins, depth_bins_plain


def test_pieces_are_equal_stretches_that_share_out_all_traces():
    x = np.arange(280) * 0.05
    pieces = cut_pieces(x, 0 * x, length_m=0.25)
    count = np.bincount(pieces.piece)
    assert len(count) == 56
    assert set(count.tolist()) <= {4, 5, 6}
    assert pieces.pitch_m == pytest.approx(np.full(56, x[-1] / 56))
    assert np.diff(pieces.x) == pytest.approx(np.full(55, 0.25), abs=0.05)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 200.0])
def test_direction_and_extent_do_not_depend_on_where_the_line_points(turn_deg):
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    along = np.arange(41) * 0.05
    pieces = cut_pieces(3 + c * along, 7 + s * along, length_m=0.5)
    assert pieces.ux == pytest.approx(np.full(len(pieces.x), c), abs=1e-9)
    assert pieces.uy == pytest.approx(np.full(len(pieces.x), s), abs=1e-9)
    assert (pieces.x - 3) * c + (pieces.y - 7) * s == pytest.approx([0.225, 0.725, 1.225, 1.75])
    assert pieces.half_m == pytest.approx([0.225, 0.225, 0.225, 0.25])


def test_no_piece_spans_the_gap_between_two_segments():
    x = np.array([0.0, 0.1, 0.2, 5.0, 5.1, 5.2])
    pieces = cut_pieces(x, 0 * x, [0, 0, 0, 1, 1, 1], length_m=10.0)
    assert pieces.piece.tolist() == [0, 0, 0, 1, 1, 1]
    assert pieces.x == pytest.approx([0.1, 5.1])


def test_a_segment_number_used_again_is_a_segment_of_its_own():
    x = np.array([0.0, 0.1, 5.0, 5.1, 9.0, 9.1])
    pieces = cut_pieces(x, 0 * x, [0, 0, 1, 1, 0, 0], length_m=10.0)
    assert pieces.piece.tolist() == [0, 0, 1, 1, 2, 2]


def test_standing_still_does_not_make_a_stretch_count_for_more():
    x = np.concatenate([np.zeros(50), np.arange(1, 41) * 0.05])
    pieces = cut_pieces(x, 0 * x, length_m=0.5)
    assert len(pieces.x) == 4
    assert pieces.pitch_m == pytest.approx(np.full(4, 0.5))


def test_a_gap_inside_a_segment_leaves_no_empty_piece():
    x = np.concatenate([np.arange(11) * 0.1, 5 + np.arange(11) * 0.1])
    pieces = cut_pieces(x, 0 * x, length_m=0.5)
    assert np.bincount(pieces.piece).min() > 0
    assert not ((pieces.x > 1.1) & (pieces.x < 4.9)).any()


def test_single_traces_take_their_direction_from_their_neighbours():
    y = np.array([0.0, 1.0, 2.0])
    pieces = cut_pieces(0 * y, y, length_m=0.25)
    assert len(pieces.x) == 3
    assert pieces.uy == pytest.approx([1.0, 1.0, 1.0])
    alone = cut_pieces([4.0], [5.0], length_m=0.25)
    assert (alone.x[0], alone.y[0], alone.half_m[0], alone.pitch_m[0]) == (4.0, 5.0, 0.0, 0.25)
    assert np.hypot(alone.ux, alone.uy) == pytest.approx([1.0])


def test_pieces_refuse_positions_that_do_not_fit():
    with pytest.raises(InputError, match=r"one value for each trace \(received 2, 1, 2\)"):
        cut_pieces([0.0, 1.0], [0.0], length_m=1.0)
    with pytest.raises(InputError, match="x holds values that are not finite"):
        cut_pieces([0.0, np.nan], [0.0, 0.0], length_m=1.0)
    with pytest.raises(InputError, match="length_m must be greater than zero"):
        cut_pieces([0.0, 1.0], [0.0, 0.0], length_m=0.0)


def _bins(strength, depth, piece, **sizes):
    return depth_bins(np.asarray(strength, np.float32), np.asarray(depth, float), np.asarray(piece), **sizes)


@pytest.mark.parametrize("n_samples", [7, 60, 600])
def test_a_curve_linear_in_depth_gives_its_value_at_bin_centres_dense_or_sparse(n_samples):
    z = np.linspace(0, 2.0, n_samples)[None, :]
    got = _bins(1 + 3 * z, z, [0], n_pieces=1, step_m=0.1, n_bins=20)
    assert got[0] == pytest.approx(1 + 3 * (np.arange(20) + 0.5) * 0.1, rel=1e-5)


def test_bin_means_keep_the_integral():
    rng = np.random.default_rng(3)
    z = np.cumsum(rng.uniform(0, 0.05, 90))
    z = (z - z[0]) / (z[-1] - z[0])
    f = rng.uniform(0, 1, 90).astype(np.float32)
    got = _bins(f[None], z[None], [0], n_pieces=1, step_m=0.1, n_bins=10)
    assert got.sum() * 0.1 == pytest.approx(trapezoid(f, z), rel=1e-5)


def test_nothing_is_added_beyond_the_recorded_window():
    z = np.linspace(0.12, 0.64, 40)[None, :]
    got = _bins(np.ones((1, 40)), z, [0], n_pieces=1, step_m=0.1, n_bins=10)
    # Bin 1 is recorded for 0.08 of 0.10 m and counts, bin 6 for 0.04 and does not.
    assert np.isfinite(got[0]).tolist() == [False, True, True, True, True, True, False, False, False, False]


def test_traces_may_share_a_row_of_depths():
    rng = np.random.default_rng(4)
    strength, table = (
        rng.uniform(size=(5, 40)).astype(np.float32),
        np.array([np.linspace(0, 1, 40), np.linspace(0, 2, 40)]),
    )
    row, piece = np.array([0, 1, 1, 0, 1]), np.array([0, 0, 1, 1, 1])
    sizes = {"n_pieces": 2, "step_m": 0.1, "n_bins": 10}
    for bins in (depth_bins, depth_bins_plain):
        np.testing.assert_array_equal(
            bins(strength, table, piece, row=row, **sizes), bins(strength, table[row], piece, **sizes)
        )
    with pytest.raises(InputError, match="depth_m, row and piece must fit strength"):
        depth_bins(strength, table, piece, row=row + 1, **sizes)


def test_a_piece_needs_half_of_its_traces():
    z = np.tile(np.linspace(0, 1, 11), (4, 1))
    strength = np.ones((4, 11), np.float32)
    strength[0, 5:] = np.nan
    strength[1, 5:] = np.nan
    strength[2, 8:] = np.nan
    got = _bins(strength, z, [0, 0, 0, 0], n_pieces=2, step_m=0.1, n_bins=10)
    assert np.isfinite(got[0]).sum() == 7
    assert np.isnan(got[1]).all()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), n_traces=st.integers(1, 6), n_samples=st.integers(1, 40), holes=st.booleans())
def test_kernel_and_twin_agree_on_depth_bins(seed, n_traces, n_samples, holes):
    rng = np.random.default_rng(seed)
    strength = rng.uniform(0, 5, (n_traces, n_samples)).astype(np.float32)
    depth = np.cumsum(rng.uniform(0, 0.1, (n_traces, n_samples)) * rng.integers(0, 2, (n_traces, n_samples)), axis=1)
    if holes:
        strength[rng.uniform(size=strength.shape) < 0.1] = np.nan
        depth[rng.uniform(size=depth.shape) < 0.05] = np.nan
    piece = np.sort(rng.integers(0, 3, n_traces))
    before = strength.copy(), depth.copy()
    sizes = {"n_pieces": 3, "step_m": 0.07, "n_bins": 20}
    fast, plain = depth_bins(strength, depth, piece, **sizes), depth_bins_plain(strength, depth, piece, **sizes)
    np.testing.assert_allclose(fast, plain, rtol=1e-5, equal_nan=True)
    np.testing.assert_array_equal(strength, before[0])
    np.testing.assert_array_equal(depth, before[1])
    inside = fast[np.isfinite(fast)]
    if len(inside):
        assert inside.min() >= np.nanmin(strength) * (1 - 1e-6)
        assert inside.max() <= np.nanmax(strength) * (1 + 1e-6)


def test_depth_bins_refuse_what_does_not_fit():
    one = np.ones((2, 3), np.float32)
    sizes = {"n_pieces": 1, "step_m": 0.1, "n_bins": 4}
    with pytest.raises(InputError, match="depth_m, row and piece must fit strength"):
        _bins(one, np.ones((2, 4)), [0, 0], **sizes)
    with pytest.raises(InputError, match=r"piece must lie between 0 and 0 \(received 0 to 1\)"):
        _bins(one, np.ones((2, 3)), [0, 1], **sizes)
    with pytest.raises(InputError, match="step_m must be greater than zero"):
        _bins(one, np.ones((2, 3)), [0, 0], **(sizes | {"step_m": 0}))
