"""Chains of ten steps against SciPy: trace by trace, and in whole-array calls. What all give is compared to 1e-5.

Forty lines of 280–320 traces × 512 samples, from recorded samples to migrated envelope, through `run_before` and
`run_after` with radargrams and provenance, on two threads. Both chains set time zero, take out trend, wow, what lies
outside the band, one frequency and the background, compensate, migrate and take the envelope. The first takes out
ringing as well. The second begins with the repair of faulty traces and samples instead, on lines with a dead trace and
single wild samples.

The peers are written on bare arrays with NumPy and SciPy; the whole-array one is timed with SciPy's own threads in its
transforms, and once more with lines in a pool of two threads, which its user would have to write. Picking time zero and
Stolt's migration, which SciPy does not have, are those of `bench_recipe`. Steps are stated one by one, so that no
change of a recipe changes what is timed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

import numpy as np
import scipy.fft
import scipy.linalg
import scipy.ndimage
import scipy.signal

from bench.bench_recipe import (
    DEWOW,
    DT,
    DX,
    MHZ,
    RATE,
    SAMPLES,
    SEPARATION,
    SOS,
    THREADS,
    V,
    correlate_by_trace,
    correlate_whole,
    from_spectrum,
    left,
    map_by_wavenumber,
    map_whole,
    recorded,
    sinc_weights,
    to_spectrum,
    zero_of,
)
from bench.chain_repair import repair
from bench.wave_problem import best_seconds, row
from yewline.model import make_radargram
from yewline.recipe import Recipe, explain_recipe, recipe_from_toml, run_after, run_before, run_lines

HUM_MHZ, GAP, LAGS = 300.0, 25, 50
"""What the notch takes out; gap and length of the prediction in samples: two and four periods."""
NOTCH = scipy.signal.tf2sos(*scipy.signal.iirnotch(HUM_MHZ, 10.0, fs=1_000.0 / DT))
FEW = 8
"""Lines for the slowest peer."""
BEFORE = {
    "repair_traces": "",
    "time_zero": 'pick = "peak"\n',
    "detrend": "",
    "dewow": "",
    "band_pass": "",
    "notch": f"frequency_mhz = {HUM_MHZ}\n",
    "background_removal": "",
    "predictive_deconvolution": "",
    "compensate": "",
}
"""Steps and what is stated of them."""
AFTER = ("migrate_stolt", "envelope")
ONE_LINE_S = 1.0


def recipe_of(*, mend: bool) -> Recipe:
    without = "predictive_deconvolution" if mend else "repair_traces"
    text = "".join(f'[[before]]\nstep = "{step}"\n{said}' for step, said in BEFORE.items() if step != without)
    return recipe_from_toml(text + "".join(f'[[after]]\nstep = "{step}"\n' for step in AFTER))


def damaged(lines: list[np.ndarray]) -> list[np.ndarray]:
    """A dead trace and a wild sample in every twentieth trace of each line."""
    out = []
    for number, line in enumerate(lines):
        mine = line.copy()
        rng = np.random.default_rng(number)
        for trace in range(3, len(mine), 20):
            mine[trace, rng.integers(120, SAMPLES - 20)] += rng.choice([-1.0, 1.0]) * 20 * line.std()
        mine[10 + number] = 0.0
        out.append(mine)
    return out


# In whole-array calls


def whole(x: np.ndarray, *, mend: bool) -> np.ndarray:
    if mend:
        x = repair(x, DT, MHZ, by_trace=False)
    zero = np.round(zero_of(x, correlate_whole) * 1e6) / 1e6
    move = np.floor(zero).astype(np.int64)
    weights, tab = sinc_weights(zero - move), left(zero)
    n = tab.samples
    reach = int(np.abs(move).max()) + 8
    padded = np.pad(x, ((0, 0), (reach, reach)))
    windows = np.take_along_axis(padded, reach - 3 + move[:, None] + np.arange(n + 7), axis=1)
    y = weights[:, :1] * windows[:, :n]
    for j in range(1, 8):
        y += weights[:, j : j + 1] * windows[:, j : j + n]
    # The projection is faster than scipy.signal.detrend, which solves for every trace.
    basis = np.linalg.qr(np.vander(np.linspace(-1, 1, n), 2))[0].astype(np.float32)
    y -= (y @ basis) @ basis.T
    y -= scipy.ndimage.uniform_filter1d(y, DEWOW, axis=1, mode="constant") / tab.dewow_share
    y = scipy.signal.sosfiltfilt(SOS, y, axis=-1)
    y = scipy.signal.sosfiltfilt(NOTCH, y, axis=-1).astype(np.float32)
    y -= y.mean(axis=0)
    if not mend:
        y = scipy.signal.fftconvolve(y, operator_of(correlation(y))[None], axes=1)[:, :n]
    y *= tab.gain
    return np.abs(scipy.signal.hilbert(from_spectrum(map_whole(to_spectrum(y, tab), tab), len(y), tab), axis=-1))


def correlation(y: np.ndarray) -> np.ndarray:
    length = scipy.fft.next_fast_len(y.shape[1] + GAP + LAGS, real=True)
    power = np.abs(scipy.fft.rfft(y.astype(np.float64), length, axis=1)) ** 2
    return scipy.fft.irfft(power.mean(axis=0), length)[: GAP + LAGS]


def operator_of(r: np.ndarray) -> np.ndarray:
    column = r[:LAGS].copy()
    column[0] *= 1.001
    ahead = scipy.linalg.solve_toeplitz(column, r[GAP:])
    return np.concatenate([[1.0], np.zeros(GAP - 1), -ahead]).astype(np.float32)


# Trace by trace


def by_trace(x: np.ndarray, *, mend: bool) -> np.ndarray:
    if mend:
        x = repair(x, DT, MHZ, by_trace=True)
    zero = np.round(zero_of(x, correlate_by_trace) * 1e6) / 1e6
    tab = left(zero)
    n = tab.samples
    y = np.empty((len(x), n), np.float32)
    for t in range(len(x)):
        move = int(np.floor(zero[t]))
        padded = np.pad(x[t], 600)[600 + move - 3 : 600 + move + 4 + n]
        trace = np.correlate(padded, sinc_weights(np.array([zero[t] - move]))[0], "valid")
        trace = scipy.signal.detrend(trace)
        trace = trace - scipy.ndimage.uniform_filter1d(trace, DEWOW, mode="constant") / tab.dewow_share
        y[t] = scipy.signal.sosfiltfilt(NOTCH, scipy.signal.sosfiltfilt(SOS, trace))
    mean = y.mean(axis=0)
    for t in range(len(x)):
        y[t] -= mean
    if not mend:
        total = np.zeros(GAP + LAGS)
        for trace in y.astype(np.float64):
            total += scipy.signal.correlate(trace, trace)[n - 1 : n - 1 + GAP + LAGS]
        operator = operator_of(total / len(y))
        for t in range(len(y)):
            y[t] = scipy.signal.lfilter(operator, np.ones(1, np.float32), y[t])
    for t in range(len(y)):
        y[t] *= tab.gain
    migrated = from_spectrum(map_by_wavenumber(to_spectrum(y, tab), tab), len(y), tab)
    return np.array([np.abs(scipy.signal.hilbert(trace)) for trace in migrated])


def radargrams(arrays: list[np.ndarray]) -> list[Any]:
    attrs = {"centre_mhz": MHZ, "separation_m": SEPARATION}
    return [
        make_radargram(a, interval_ns=DT, x=DX * np.arange(len(a)), y=np.zeros(len(a)), attrs=attrs) for a in arrays
    ]


def run() -> Iterator[dict[str, Any]]:
    clean = recorded()
    yield from _chain(clean, "ten steps", mend=False)
    yield from _chain(damaged(clean), "ten steps, the first a repair", mend=True)
    yield _one_line(damaged(clean)[0])


def _chain(arrays: list[np.ndarray], name: str, *, mend: bool) -> Iterator[dict[str, Any]]:
    recipe, lines = recipe_of(mend=mend), radargrams(arrays)
    assert len(recipe.before) + len(recipe.after) == 10

    def one(line: Any) -> Any:
        return run_after(recipe, run_before(recipe, line, absorption_db_per_ns=RATE), velocity_m_per_ns=V)

    def fft_threads() -> list[np.ndarray]:
        with scipy.fft.set_workers(THREADS):
            return [whole(a, mend=mend) for a in arrays]

    def line_threads() -> list[np.ndarray]:
        with ThreadPoolExecutor(THREADS) as pool:
            return list(pool.map(partial(whole, mend=mend), arrays))

    def ours(count: int) -> Callable[[], Any]:
        return lambda: run_lines(one, lines[:count], workers=THREADS)

    for made, array in zip(ours(FEW)(), arrays, strict=False):
        for peer in (whole, by_trace):
            theirs = peer(array, mend=mend)
            off = float(np.abs(made.values - theirs).max() / np.abs(theirs).max())
            if not off < 1e-5:
                raise AssertionError(f"{name}: {peer.__name__} gives something else, off by {off:.1e} of the peak")
    slow = {"ours": ours(FEW), "by trace": lambda: [by_trace(a, mend=mend) for a in arrays[:FEW]]}
    best = best_seconds({"ours": ours(len(lines)), "fft": fft_threads, "lines": line_threads}, 5)
    few = best_seconds(slow, 3)
    size = "{} lines of 300 × 512"
    many = f"{name}, {size.format(len(lines))}"
    yield row(f"{name}, {size.format(FEW)}", few["ours"], ">= 40 x", "SciPy, trace by trace", few["by trace"])
    yield row(many, best["ours"], ">= 5 x", "SciPy, whole arrays", best["fft"])
    yield row(many, best["ours"], "", "the same, lines in threads", best["lines"])


def _one_line(array: np.ndarray) -> dict[str, Any]:
    """A recipe tried on one line, with what went into every step, came out, and was taken away."""
    recipe, (line,) = recipe_of(mend=True), radargrams([array])

    def tried() -> Any:
        first = explain_recipe(recipe, line, absorption_db_per_ns=RATE)
        return first, explain_recipe(recipe, first[-1].after, part="after", velocity_m_per_ns=V)

    seconds = best_seconds({"tried": tried}, 3)["tried"]
    return row("ten steps tried on one line, before, after and removed of each", seconds, f"<= {ONE_LINE_S:g} s")
