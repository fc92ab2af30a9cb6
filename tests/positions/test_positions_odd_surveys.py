"""Comparisons of lines on odd input: single and silent lines, unequal lengths, lines that all cross at one point."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.model import make_radargram
from yewline.positions import (
    estimate_zigzag,
    find_order_faults,
    find_repeats,
    find_ties,
    line_images,
    neighbours,
    order_findings,
    tie_findings,
    zigzag_findings,
)

STEP_M = 0.1
SAMPLES = 60

KINDS = ("noise", "silent", "constant", "same", "same")
LINE = st.tuples(
    st.sampled_from(KINDS),
    st.one_of(st.integers(2, 14), st.integers(15, 70)),  # traces: fewer than 12 cannot be compared
    st.booleans(),  # walked back
    st.sampled_from([0.0, 0.25, 0.5, 0.5, 1.0]),  # m beside the line before
    st.sampled_from([1e-30, 1.0, 1e30]),
)


def lines_of(drawn, seed: int, layout: str) -> dict[str, xr.DataArray]:
    """Parallel lines; a grid of two directions; or a star whose lines all cross in their middles at (3, 3)."""
    rng = np.random.default_rng(seed)
    common = rng.standard_normal((70, SAMPLES))
    found, side = {}, 0.0
    for k, (kind, traces, back, beside, size) in enumerate(drawn):
        side += beside
        along = STEP_M * np.arange(traces)
        x, y = along, np.full(traces, side)
        if layout == "grid" and k % 2:
            x, y = y, x
        elif layout == "star":
            turn = np.pi * k / len(drawn)
            x, y = 3 + (along - along.mean()) * np.cos(turn), 3 + (along - along.mean()) * np.sin(turn)
        samples = recorded(kind, rng.standard_normal((traces, SAMPLES)), common)
        found[f"L{k}"] = line(size * samples, x, y, back=back)
    return found


def odd_lines_among_sound_ones(drawn, seed: int) -> dict[str, xr.DataArray]:
    """Fourteen lines walked forth and back over ground that changes little from one to the next; every other one may
    be odd, and an odd one that was walked back is said to have been walked forth, or the other way round."""
    rng = np.random.default_rng(seed)
    ground = rng.standard_normal((70, SAMPLES)) + 0.3 * np.cumsum(rng.standard_normal((14, 70, SAMPLES)), axis=0)
    common = ground[rng.integers(14)]
    found = {}
    for k in range(14):
        odd = k % 2 and k // 2 < len(drawn)
        kind, traces, wrong, _, size = drawn[k // 2] if odd else ("noise", 70, False, 0.0, 1.0)
        samples = recorded(kind, ground[k, :traces] + 0.5 * rng.standard_normal((traces, SAMPLES)), common)
        x = STEP_M * np.arange(traces)
        found[f"L{k}"] = line(size * (samples[::-1] if wrong else samples), x, 0 * x + 0.5 * k, back=bool(k % 2))
    return found


def recorded(kind: str, samples: np.ndarray, common: np.ndarray) -> np.ndarray:
    silent = np.zeros_like(samples)
    return {"noise": samples, "silent": silent, "constant": silent + 1.0, "same": common[: len(samples)]}[kind]


def line(samples: np.ndarray, x: np.ndarray, y: np.ndarray, *, back: bool) -> xr.DataArray:
    way = slice(None, None, -1 if back else 1)
    attrs = {"centre_mhz": 400.0}
    return make_radargram(samples[way].astype(np.float32), interval_ns=0.5, x=x[way], y=y[way], attrs=attrs)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(LINE, min_size=1, max_size=8),
    st.integers(0, 2**31),
    st.sampled_from(["parallel", "grid", "star", "survey", "survey"]),
)
def test_any_survey_gives_finite_answers_or_a_refusal_and_is_not_changed(drawn, seed, layout):
    lines = odd_lines_among_sound_ones(drawn, seed) if layout == "survey" else lines_of(drawn, seed, layout)
    before = {name: line.copy(deep=True) for name, line in lines.items()}
    sets = line_images(lines)
    held = sorted(name for images in sets for name in images.names)
    assert len(held) == len(set(held))

    for images in sets:
        beside = neighbours(images)
        turning = [(i, j) for i, j, apart in beside if apart == 1 and images.direction[i] != images.direction[j]]
        if len(turning) < 2:
            with pytest.raises(InputError, match="no neighbouring lines were walked in opposite directions"):
                estimate_zigzag(images)
        else:
            zigzag = estimate_zigzag(images)
            told = [zigzag.offset_m, zigzag.slope_m_per_m, zigzag.middle_m, zigzag.score_before, zigzag.score_after]
            told += [zigzag.chance_sd, zigzag.bias.geology_m, *zigzag.line_offset_m.values()]
            assert np.isfinite(told).all()
            # Infinite where the correlation has no peak; then nothing is claimed.
            assert zigzag.sigma_m >= 0
            # No slope was fitted to lines within one window, and none is claimed.
            assert zigzag.slope_sigma >= 0 or (np.isnan(zigzag.slope_sigma) and zigzag.slope_m_per_m == 0)
            assert np.isfinite(zigzag.sigma_m) or not zigzag.significant
            # A line's own is unknown where it has no neighbours; then it has no offset.
            some = {images.names[k] for i, j, _ in beside for k in (i, j)}
            for name, sigma in zigzag.line_sigma_m.items():
                assert sigma >= 0 if name in some else np.isnan(sigma)
                assert np.isfinite(sigma) or zigzag.line_offset_m[name] == 0
            assert set(zigzag.line_offset_m) == set(images.names)
            zigzag_findings(zigzag)

        faults = find_order_faults(images)
        named = [line for f in faults for line in ([f.line, f.other] if f.kind == "swapped" else [f.line])]
        assert len(named) == len(set(named))
        assert set(named) <= set(images.names)
        assert np.isfinite([[f.log10_ratio, f.as_is, f.best] for f in faults]).all()
        assert len(order_findings(faults)) == len(faults)

    repeats = find_repeats(sets, list(lines))
    for first, second in repeats:
        assert int(first[1:]) < int(second[1:])
    assert len(repeats) == len(set(repeats))

    ties = find_ties(sets)
    for tie in ties:
        assert tie.line != tie.other
        assert np.isfinite([tie.said_m, tie.found_m, tie.sigma_m]).all()
        assert tie.sigma_m > 0
        assert 0.6 <= tie.correlation <= 1.0 + 1e-6
        # Said and found on the line, and not so near its ends that the search would leave it.
        length = STEP_M * (lines[tie.line].sizes["trace"] - 1)
        assert 0.8 - 1e-6 <= tie.said_m <= length - 0.8 + 1e-6
        assert abs(tie.found_m - tie.said_m) <= 0.8 + STEP_M

    tie_findings(ties)

    for name, line in lines.items():
        xr.testing.assert_identical(line, before[name])
