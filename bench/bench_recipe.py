"""The standard recipe, both parts, against SciPy: trace by trace, and in whole-array calls.

Forty lines of 280–320 traces × 512 samples, from recorded samples to migrated envelope, through `run_before` and
`run_after` with radargrams, provenance and all, on two threads. The peers do the same arithmetic with NumPy and SciPy
on bare arrays, and what they give is compared with ours to 1e-5 before anything is timed. SciPy offers no direct-wave
picking and no Stolt migration, so these two are written with its and NumPy's whole-array operations. The whole-array
peer is timed as SciPy threads itself, its FFT on two threads, and once more inside a thread pool over lines such as
ours, which its user would have to write.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.signal

from yewline.model import make_radargram
from yewline.recipe import (
    recipe_from_toml,
    recipe_to_toml,
    run_after,
    run_before,
    run_lines,
    standard_recipe,
)

DT, DX, MHZ, SEPARATION, V, RATE = 0.2, 0.05, 400.0, 0.16, 0.1, 0.3
C = 0.299792458
SAMPLES, LINES, THREADS = 512, 40, 2
PERIOD = 1_000.0 / MHZ
SOS = scipy.signal.butter(4, [0.3 * MHZ * DT / 500.0, 2.5 * MHZ * DT / 500.0], "bandpass", output="sos")
WIDTH, OVER, STEPS = 8, 1.5, 512


def ricker(t: np.ndarray) -> np.ndarray:
    u = (np.pi * MHZ * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def recorded() -> list[np.ndarray]:
    rng = np.random.default_rng(7)
    t = DT * np.arange(SAMPLES)
    lines = []
    noise = 0.02 * rng.standard_normal((LINES, 320, SAMPLES), np.float32)
    for line, n in enumerate(rng.integers(280, 321, LINES)):
        x = DX * np.arange(n)
        zero = 8.0 + rng.uniform(-1, 1) + np.linspace(0, rng.uniform(-1, 1), n)
        field = 4.0 * ricker(t - zero[:, None])
        for _ in range(8):
            arrival = 2 * np.hypot(x - rng.uniform(0, x[-1]), rng.uniform(0.5, 3.0)) / V
            field += (10.0 / arrival[:, None]) ** 2 * ricker(t - zero[:, None] - arrival[:, None])
        field += 0.3 * np.exp(-t / 30.0) + noise[line, :n]
        lines.append(field.astype(np.float32))
    return lines


# What every version shares: filter weights, tables and the picking of time zero from its correlations.


def _odd(window: float) -> int:
    return 2 * max(1, round((window / DT - 1) / 2)) + 1


DEWOW = _odd(2 * PERIOD)
SHAPE = np.pi * np.sqrt((WIDTH / OVER * (OVER - 0.5)) ** 2 - 0.8)
_OFFSET = np.arange(STEPS + 1)[:, None] / STEPS - np.arange(-3, 5)
TABLE = (np.i0(SHAPE * np.sqrt(np.maximum(1 - (2 * _OFFSET / WIDTH) ** 2, 0))) / np.i0(SHAPE)).astype(np.float32)
TABLE[np.abs(_OFFSET) >= 4] = 0


@dataclass(frozen=True)
class Tables:
    """What depends on how many samples are left once time zero is set."""

    samples: int
    dewow_share: np.ndarray
    gain: np.ndarray
    length: int
    middle: int
    equaliser: np.ndarray


@cache
def tables(samples: int) -> Tables:
    time_ns = np.maximum(DT * np.arange(samples), PERIOD)
    gain_db = np.minimum(20 * np.log10(time_ns / PERIOD) + RATE * (time_ns - PERIOD), 60.0)
    length = 2 * scipy.fft.next_fast_len(int(np.ceil(OVER * samples / 2)) + WIDTH, real=True)
    root = np.sqrt(SHAPE**2 - (np.pi * WIDTH * (np.arange(samples) - samples // 2) / length) ** 2)
    return Tables(
        samples=samples,
        dewow_share=scipy.ndimage.uniform_filter1d(np.ones(samples, np.float32), DEWOW, mode="constant"),
        gain=(10 ** (gain_db / 20)).astype(np.float32),
        length=length,
        middle=samples // 2,
        equaliser=(np.i0(SHAPE) * root / (WIDTH * np.sinh(root))).astype(np.float32),
    )


def left(zero: np.ndarray) -> Tables:
    """The record ends where that of the trace that is moved most does."""
    return tables(SAMPLES - max(0, int(np.ceil(zero.max() - 1e-6))))


def vertex(score: np.ndarray, best: np.ndarray) -> np.ndarray:
    inner = np.clip(best, 1, score.shape[1] - 2)
    left, top, right = (np.take_along_axis(score, inner[:, None] + d, axis=1)[:, 0].astype(float) for d in (-1, 0, 1))
    bend = left - 2 * top + right
    usable = (bend < 0) & (inner == best)
    return np.where(usable, 0.5 * (left - right) / np.where(usable, bend, 1.0), 0.0)


def stack(x: np.ndarray, centre: np.ndarray, before: int, after: int) -> np.ndarray:
    at = centre[:, None] + np.arange(-before, after + 1)
    part = np.where(
        (at >= 0) & (at < SAMPLES), np.take_along_axis(x, np.clip(at, 0, SAMPLES - 1), axis=1), np.float32(0)
    )
    return (part / np.abs(part).max(axis=1, keepdims=True)).mean(axis=0, dtype=np.float64)


def medians(values: np.ndarray, width: int) -> np.ndarray:
    return scipy.ndimage.median_filter(values, width, mode="nearest")[width // 2 : len(values) - width // 2]


def correlate_whole(x: np.ndarray, centre: np.ndarray, reference: np.ndarray, lags: int) -> np.ndarray:
    width = len(reference)
    at = centre[:, None] - width // 2 - lags + np.arange(width + 2 * lags)
    part = np.where(
        (at >= 0) & (at < SAMPLES), np.take_along_axis(x, np.clip(at, 0, SAMPLES - 1), axis=1), np.float32(0)
    )
    windows = np.lib.stride_tricks.sliding_window_view(part, width, axis=1)
    energy = np.einsum("tlw,tlw->tl", windows, windows) - windows.sum(axis=2) ** 2 / width
    return windows @ reference / np.sqrt(energy)


def correlate_by_trace(x: np.ndarray, centre: np.ndarray, reference: np.ndarray, lags: int) -> np.ndarray:
    width, ones = len(reference), np.ones(len(reference), np.float32)
    score = np.empty((len(x), 2 * lags + 1), np.float32)
    for t in range(len(x)):
        first = centre[t] - width // 2 - lags
        span = np.arange(first, first + width + 2 * lags)
        part = np.where((span >= 0) & (span < SAMPLES), x[t, np.clip(span, 0, SAMPLES - 1)], np.float32(0))
        energy = np.correlate(part * part, ones, "valid") - np.correlate(part, ones, "valid") ** 2 / width
        score[t] = np.correlate(part, reference, "valid") / np.sqrt(energy)
    return score


def zero_of(x: np.ndarray, correlate: Callable[..., np.ndarray]) -> np.ndarray:
    """Time zero in samples."""
    early = x[:, : SAMPLES // 2]
    crests = np.abs(early - early.mean(axis=1, keepdims=True)).argmax(axis=1).astype(float)
    coarse = medians(crests, 61)
    centre = np.round(coarse[np.clip(np.arange(len(x)) - 30, 0, len(coarse) - 1)]).astype(np.int64)
    period = PERIOD / DT
    half, lags, lead = int(np.ceil(1.25 * period)), int(np.ceil(period)), int(np.ceil(2.5 * period))
    picks = centre.astype(float)
    for reach in (lags, max(2, lags // 3)):
        reference = stack(x, centre, half, half)
        reference -= reference.mean()
        score = correlate(x, centre, (reference / np.linalg.norm(reference)).astype(np.float32), reach)
        best = score.argmax(axis=1)
        picks = centre + best - reach + vertex(score, best)
        centre = np.round(picks).astype(np.int64)
    reference = stack(x, centre, lead, half)
    reference -= np.median(reference)
    crest = np.abs(scipy.signal.hilbert(reference, 2 * len(reference)))[: len(reference)]
    high = np.flatnonzero(crest[1:-1] >= np.maximum(crest[:-2], crest[2:])) + 1
    first = high[crest[high] >= 0.5 * crest.max()][:1]
    arrival = first[0] + vertex(crest[None].astype(np.float32), first)[0] - lead
    smooth = picks.copy()
    smooth[4:-4] = medians(picks, 9)
    for i in range(1, 4):
        smooth[i], smooth[-1 - i] = np.median(picks[: 2 * i + 1]), np.median(picks[-1 - 2 * i :])
    return smooth + arrival - SEPARATION / C / DT


def sinc_weights(part: np.ndarray) -> np.ndarray:
    offset = part[:, None] - np.arange(-3, 5)
    weights = np.sinc(offset) * np.sinc(offset / 4)
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


def lateral_of(n_x: int, tab: Tables) -> np.ndarray:
    return 0.5 * V * np.arange(n_x // 2 + 1) * (tab.length * DT / (n_x * DX))


def to_spectrum(x: np.ndarray, tab: Tables) -> np.ndarray:
    middle = tab.middle
    n_x = scipy.fft.next_fast_len(len(x) + int(np.ceil(0.5 * V * DT * tab.samples / DX)))
    centred = np.zeros((len(x), tab.length), np.float32)
    centred[:, : tab.samples - middle] = x[:, middle:] * tab.equaliser[middle:]
    centred[:, tab.length - middle :] = x[:, :middle] * tab.equaliser[:middle]
    return scipy.fft.fft(scipy.fft.rfft(centred, axis=1), n_x, axis=0, overwrite_x=True)


def from_spectrum(spectrum: np.ndarray, n: int, tab: Tables) -> np.ndarray:
    columns = scipy.fft.ifft(spectrum, axis=0, overwrite_x=True)[:n]
    return scipy.fft.irfft(columns, tab.length, axis=1)[:, : tab.samples]


# In whole-array calls


def whole(x: np.ndarray) -> np.ndarray:
    zero = np.round(zero_of(x, correlate_whole) * 1e6) / 1e6
    move = np.floor(zero).astype(np.int64)
    weights, tab = sinc_weights(zero - move), left(zero)
    n = tab.samples
    # Filters see the whole record: what comes before time zero is cut afterwards.
    clean = x - scipy.ndimage.uniform_filter1d(x, DEWOW, axis=1, mode="constant") / tables(SAMPLES).dewow_share
    clean = scipy.signal.sosfiltfilt(SOS, clean, axis=-1).astype(np.float32)
    # One gather from a padded copy for all eight neighbours.
    reach = int(np.abs(move).max()) + 8
    padded = np.pad(clean, ((0, 0), (reach, reach)))
    windows = np.take_along_axis(padded, reach - 3 + move[:, None] + np.arange(n + 7), axis=1)
    y = weights[:, :1] * windows[:, :n]
    for j in range(1, 8):
        y += weights[:, j : j + 1] * windows[:, j : j + n]
    y -= y.mean(axis=0)
    y *= tab.gain
    migrated = from_spectrum(map_whole(to_spectrum(y, tab), tab), len(y), tab)
    return np.abs(scipy.signal.hilbert(migrated, axis=-1))


def map_whole(spectrum: np.ndarray, tab: Tables) -> np.ndarray:
    n_x, n_freq = spectrum.shape
    mirror = -np.arange(n_x) % n_x
    extended = np.empty((n_x, n_freq + 8), np.complex64)
    extended[:, 4:-4] = spectrum
    extended[:, :4] = spectrum[mirror, 4:0:-1].conj()
    extended[:, -4:] = spectrum[mirror, n_freq - 2 : n_freq - 6 : -1].conj()
    half = n_x // 2 + 1
    # Positions and weights are those of the opposite wavenumber too.
    bins = np.sqrt(np.arange(n_freq) ** 2 + lateral_of(n_x, tab)[:, None] ** 2)
    inside = bins <= n_freq - 1
    bins[~inside] = 0
    low = bins.astype(np.int32)
    place = (bins - low) * STEPS
    entry = place.astype(np.int32)
    share = (place - entry).astype(np.float32)[..., None]
    weights = TABLE[entry] + share * (TABLE[1:] - TABLE[:-1])[entry]
    slope = np.where(bins > 0, np.arange(n_freq) / np.maximum(bins, 1e-30), 0.0)
    slope[0, 0] = 1.0
    factor = (inside * slope * np.exp(-2j * np.pi * tab.middle / tab.length * bins)).astype(np.complex64)
    out = np.empty_like(spectrum)
    rows = extended.shape[1] * np.arange(half)[:, None]
    back = extended.shape[1] * mirror[:half, None]
    flat = extended.ravel()
    for side, target in ((rows, np.arange(half)), (back, mirror[:half])):
        at = side + low + 1
        total = weights[..., 0] * flat.take(at)
        for i in range(1, WIDTH):
            total += weights[..., i] * flat.take(at + i)
        out[target] = total * factor
    return out


# Trace by trace


def by_trace(x: np.ndarray) -> np.ndarray:
    zero = np.round(zero_of(x, correlate_by_trace) * 1e6) / 1e6
    tab = left(zero)
    y = np.empty((len(x), tab.samples), np.float32)
    for t in range(len(x)):
        move = int(np.floor(zero[t]))
        weights = sinc_weights(np.array([zero[t] - move]))[0]
        trace = x[t] - scipy.ndimage.uniform_filter1d(x[t], DEWOW, mode="constant") / tables(SAMPLES).dewow_share
        trace = scipy.signal.sosfiltfilt(SOS, trace).astype(np.float32)
        padded = np.pad(trace, 600)[600 + move - 3 : 600 + move + 4 + tab.samples]
        y[t] = np.correlate(padded, weights, "valid")
    mean = y.mean(axis=0)
    for t in range(len(x)):
        y[t] = (y[t] - mean) * tab.gain
    migrated = from_spectrum(map_by_wavenumber(to_spectrum(y, tab), tab), len(y), tab)
    return np.array([np.abs(scipy.signal.hilbert(trace)) for trace in migrated])


def map_by_wavenumber(spectrum: np.ndarray, tab: Tables) -> np.ndarray:
    n_x, n_freq = spectrum.shape
    lateral, out = lateral_of(n_x, tab), np.zeros_like(spectrum)
    for j in range(n_x):
        other = spectrum[-j % n_x]
        row = np.concatenate([other[4:0:-1].conj(), spectrum[j], other[n_freq - 2 : n_freq - 6 : -1].conj()])
        bins = np.sqrt(np.arange(n_freq) ** 2 + lateral[min(j, n_x - j)] ** 2)
        bins = bins[bins <= n_freq - 1]
        low = bins.astype(np.int64)
        entry = ((bins - low) * STEPS).astype(np.int64)
        share = ((bins - low) * STEPS - entry)[:, None]
        weights = (TABLE[entry] + share * (TABLE[entry + 1] - TABLE[entry])).astype(np.float32)
        values = (weights * row[low[:, None] + np.arange(1, 9)]).sum(axis=1)
        slope = np.arange(len(bins)) / np.maximum(bins, 1e-30)
        if j == 0:
            slope[0] = 1.0
        out[j, : len(bins)] = values * slope * np.exp(-2j * np.pi * tab.middle / tab.length * bins)
    return out


def run() -> list[dict[str, Any]]:
    # Time zero by the crest, which is what the peers pick as well.
    text = recipe_to_toml(standard_recipe()).replace('pick = "correlation"', 'pick = "peak"')
    arrays, recipe = recorded(), recipe_from_toml(text)
    attrs = {"centre_mhz": MHZ, "separation_m": SEPARATION}
    lines = [
        make_radargram(a, interval_ns=DT, x=DX * np.arange(len(a)), y=np.zeros(len(a)), attrs=attrs) for a in arrays
    ]

    def one(line: Any) -> Any:
        return run_after(recipe, run_before(recipe, line, absorption_db_per_ns=RATE), velocity_m_per_ns=V)

    def whole_fft_threads() -> list[np.ndarray]:
        with scipy.fft.set_workers(THREADS):
            return [whole(a) for a in arrays]

    def whole_line_threads() -> list[np.ndarray]:
        with ThreadPoolExecutor(THREADS) as pool:
            return list(pool.map(whole, arrays))

    # The record ends where that of the trace that was moved most does, in every version alike.
    few = 16
    for ours, a in zip(run_lines(one, lines[:few], workers=THREADS), arrays, strict=False):
        for peer in (whole(a), by_trace(a)):
            worst = float(np.abs(ours.values - peer).max() / np.abs(peer).max())
            if not worst < 1e-5:
                raise AssertionError(f"the peer gives something else: {worst:.2e}")
    best = _best(
        {
            "ours": lambda: run_lines(one, lines, workers=THREADS),
            "FFT on two threads": whole_fft_threads,
            "lines on two threads": whole_line_threads,
        },
        5,
    )
    slow = _best(
        {
            "ours": lambda: run_lines(one, lines[:few], workers=THREADS),
            "by trace": lambda: [by_trace(a) for a in arrays[:few]],
        },
        3,
    )
    name = "standard recipe, {} lines of 300 × 512"
    return [
        _row(name.format(LINES), best["ours"], "SciPy, whole arrays", best["FFT on two threads"], ">= 4 x"),
        _row(name.format(LINES), best["ours"], "the same, lines in threads", best["lines on two threads"], None),
        _row(name.format(few), slow["ours"], "SciPy, trace by trace", slow["by trace"], ">= 30 x"),
    ]


def _row(name: str, ours: float, peer: str, peer_s: float, target: str | None) -> dict[str, Any]:
    return {
        "name": name,
        "ours_s": ours,
        "unit": "s",
        "peer": peer,
        "peer_s": peer_s,
        "ratio": peer_s / ours,
        "target": target,
    }


def _best(works: dict[str, Callable[[], Any]], repeats: int) -> dict[str, float]:
    """Best of `repeats` alternating runs, after one that is not counted."""
    times: dict[str, list[float]] = {name: [] for name in works}
    for turn in range(repeats + 1):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            if turn > 0:
                times[name].append(time.perf_counter() - start)
    return {name: min(held) for name, held in times.items()}
