"""The repair of a recorded line as the step states it, written with NumPy and SciPy: whole arrays, or trace by trace.

Dead traces, traces of rapid noise and wild samples; the lines of the chain hold no cut crests, which is looked for. A
copy of the rules and none of the step's code, so that neither gains by the other's.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.ndimage

SIXTH = np.array([1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0]) / -20.0


def repair(x: np.ndarray, dt_ns: float, mhz: float, *, by_trace: bool) -> np.ndarray:
    """(T, S) the line with its faults mended."""
    look = _look_by_trace if by_trace else _look_whole
    swing, rapid, size, median_of, rough_of, longest = look(x)
    dead = (swing < 0.02 * np.median(swing)) | (swing == 0.0)
    if longest > 2:
        raise AssertionError("the lines of the chain are not meant to be cut")
    usual = _nine(1.4826 * median_of(rapid))
    score = rapid / np.maximum(usual, max(0.25 * float(np.median(usual)), 1e-6 * float(np.abs(x).max()), 1e-30))
    wild = (score > 30.0) & (rapid > 0.6 * size)
    rough = np.log(np.maximum(rough_of(score), 1e-6))
    departure = rough - np.median(rough)
    noisy = departure > 8.0 * max(1.4826 * float(np.median(np.abs(departure))), 0.08)
    period = 1_000.0 / mhz / dt_ns
    most = max(3, round(0.4 * period))
    kept = wild.copy()
    for trace, start, stop in _runs(wild):
        if stop - start <= 3:
            kept[trace, start:stop] = score[trace, start:stop] > 0.85 * score[trace, start:stop].max()
    noisy |= np.array([max((b - a for t, a, b in _runs(kept[i : i + 1])), default=0) > most for i in range(len(x))])
    noisy |= kept.mean(axis=1) > 0.1
    kept &= ~(dead | noisy)[:, None]
    mended = x.copy()
    _predict(mended, kept, ~(kept | (dead | noisy)[:, None]), period, dt_ns, mhz)
    _fill(mended, np.flatnonzero(dead | noisy))
    return mended


def _look_whole(x: np.ndarray) -> tuple:
    wide = x.astype(np.float64)
    local = wide - np.median(wide, axis=0)
    rapid = np.abs(scipy.ndimage.correlate1d(local, SIXTH, axis=1, mode="mirror"))
    size = scipy.ndimage.maximum_filter1d(np.abs(local), 7, axis=1)
    full = (x == x.max()) | (x == x.min())
    longest = 3 * int((full[:, 2:] & full[:, 1:-1] & full[:, :-2]).any())
    return wide.std(axis=1), rapid, size, lambda a: np.median(a, axis=0), lambda a: np.median(a, axis=1), longest


def _look_by_trace(x: np.ndarray) -> tuple:
    usual = np.array([np.median(column) for column in x.T.astype(np.float64)])
    rapid, size = np.empty(x.shape), np.empty(x.shape)
    swing, longest, top, base = np.empty(len(x)), 0, x.max(), x.min()
    for t, trace in enumerate(x.astype(np.float64)):
        swing[t] = trace.std()
        rapid[t] = np.abs(scipy.ndimage.correlate1d(trace - usual, SIXTH, mode="mirror"))
        size[t] = scipy.ndimage.maximum_filter1d(np.abs(trace - usual), 7)
        full = (x[t] == top) | (x[t] == base)
        longest = max(longest, 3 * int((full[2:] & full[1:-1] & full[:-2]).any()))
    return (
        swing,
        rapid,
        size,
        lambda a: np.array([np.median(column) for column in a.T]),
        lambda a: np.array([np.median(row) for row in a]),
        longest,
    )


def _nine(line: np.ndarray) -> np.ndarray:
    """Running median over nine; nearer to the ends over as many on either side as there are."""
    out = scipy.ndimage.median_filter(line, 9, mode="nearest")
    out[0], out[-1] = line[0], line[-1]
    for i in range(1, 4):
        out[i], out[-1 - i] = np.median(line[: 2 * i + 1]), np.median(line[-1 - 2 * i :])
    return out


def _runs(mask: np.ndarray) -> list[tuple[int, int, int]]:
    edge = np.diff(np.pad(mask, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(edge == 1)
    return list(zip(row.tolist(), start.tolist(), np.nonzero(edge == -1)[1].tolist(), strict=True))


def _predict(x: np.ndarray, wild: np.ndarray, sound: np.ndarray, period: float, dt_ns: float, mhz: float) -> None:
    """Wild samples from the sound ones of their trace, by least squares in the antenna's band."""
    gaps = _runs(wild)
    if not gaps:
        return
    reach = int(np.ceil(1.5 * period))
    n = 2 * reach + max(stop - start for _, start, stop in gaps)
    length = scipy.fft.next_fast_len(max(4 * n, int(np.ceil(100 * period))), real=True)
    frequency = 1_000.0 * scipy.fft.rfftfreq(length, dt_ns)
    by_lag = scipy.fft.irfft(1.0 / (1.0 + (frequency / (1.5 * mhz)) ** 12), length)[:n]
    covariance = by_lag[np.abs(np.subtract.outer(np.arange(n), np.arange(n)))] / by_lag[0] + 1e-4 * np.eye(n)
    wide, held = x.astype(np.float64), {}
    for trace, start, stop in gaps:
        low, high = max(0, start - reach), min(x.shape[1], stop + reach)
        known, lost = np.flatnonzero(sound[trace, low:high]), np.arange(start - low, stop - low)
        key = (known.tobytes(), lost.tobytes())
        if key not in held:
            held[key] = np.linalg.solve(covariance[np.ix_(known, known)], covariance[np.ix_(known, lost)]).T
        part = wide[trace, low:high][known]
        x[trace, start:stop] = part.mean() + held[key] @ (part - part.mean())


def _fill(x: np.ndarray, bad: np.ndarray) -> None:
    good = np.setdiff1d(np.arange(len(x)), bad)
    after = np.searchsorted(good, bad)
    left, right = good[np.maximum(after - 1, 0)], good[np.minimum(after, len(good) - 1)]
    share = np.clip((bad - left) / np.maximum(right - left, 1), 0, 1).astype(np.float32)[:, None]
    x[bad] = (1 - share) * x[left] + share * x[right]
