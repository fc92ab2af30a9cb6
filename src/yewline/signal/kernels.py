"""Compiled kernels: plain loops over float32 samples, one thread each, free of the interpreter's lock.

Threads belong to whoever has many lines to run, so no kernel starts any. Each has a NumPy twin of the same name
in `kernels_plain`, and `engines` holds the table that chooses between them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit
from yewline.signal.simd import weigh_eight_rows

__all__ = [
    "correlate_lags",
    "largest_swing",
    "mean_about",
    "running_mean",
    "second_order_sections",
    "shift_traces",
    "sliding_mean",
    "stolt_map",
]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
C64 = npt.NDArray[np.complex64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Traces filtered side by side: a recursion along time cannot use the vector unit, many of them abreast can.
LANES = 64
# Samples turned at a time from rows of time to rows of lanes, few enough for both to stay in the nearest cache.
TILE = 32
TAPS = 8
# Ratios of successive terms in the series of sine and cosine; a product is several times faster than a quotient.
S1, S2, S3, S4, S5, S6, S7 = 1 / 6, 1 / 20, 1 / 42, 1 / 72, 1 / 110, 1 / 156, 1 / 210
C1, C2, C3, C4, C5, C6, C7 = 1 / 2, 1 / 12, 1 / 30, 1 / 56, 1 / 90, 1 / 132, 1 / 182


@njit(cache=True, nogil=True)
def running_mean(x: F32, half: int) -> F32:
    """Mean over the samples i−half … i+half that exist, for each trace."""
    n_trace, n = x.shape
    out = np.empty_like(x)
    count = np.empty(n)
    for i in range(n):
        count[i] = 1.0 / (min(i + half + 1, n) - max(i - half, 0))
    for t in range(n_trace):
        row = x[t]
        total = 0.0
        for i in range(min(half, n)):
            total += row[i]
        for i in range(n):
            # What enters less what leaves, first: one addition alone then waits for the one before it.
            enters = row[i + half] if i + half < n else np.float32(0.0)
            leaves = row[i - half - 1] if i > half else np.float32(0.0)
            total += np.float64(enters) - np.float64(leaves)
            out[t, i] = total * count[i]
    return out


@njit(cache=True, nogil=True)
def sliding_mean(x: F32, count: int) -> F32:
    """Mean over `count` neighbouring traces, at most all of them; at both ends of the line the window stands still."""
    n_trace, n = x.shape
    out = np.empty_like(x)
    total = np.zeros(n)
    for t in range(count):
        for i in range(n):
            total[i] += x[t, i]
    share = 1.0 / count
    first = 0
    for t in range(n_trace):
        wanted = min(max(t - count // 2, 0), n_trace - count)
        if wanted > first:
            for i in range(n):
                total[i] += np.float64(x[first + count, i]) - np.float64(x[first, i])
            first = wanted
        for i in range(n):
            out[t, i] = total[i] * share
    return out


@njit(cache=True, nogil=True, fastmath={"contract"})
def second_order_sections(x: F32, sos: F64, steady: F64, pad: int) -> F32:
    """Forward and backward pass of recursive sections over each trace, its ends extended by odd reflection.

    `steady` (sections + 1,) is the level at the input of each section, and at the last one's output, for a
    constant input of one: the state from which each pass starts, so that an offset causes no transient.
    """
    n_trace, n = x.shape
    n_section = sos.shape[0]
    length = n + 2 * pad
    out = np.empty_like(x)
    # The number of lanes stays a variable on purpose: the compiler would unroll a fixed one into single operations.
    lanes = LANES if n_trace > LANES // 2 else LANES // 2
    rows = np.zeros((length, lanes), np.float64)
    state = np.zeros((2 * n_section, lanes), np.float64)
    for start in range(0, n_trace, lanes):
        count = min(lanes, n_trace - start)
        for tile in range(0, n, TILE):
            for lane in range(count):
                for i in range(tile, min(tile + TILE, n)):
                    rows[pad + i, lane] = x[start + lane, i]
        for i in range(1, pad + 1):
            for lane in range(lanes):
                rows[pad - i, lane] = 2.0 * rows[pad, lane] - rows[pad + i, lane]
                rows[pad + n - 1 + i, lane] = 2.0 * rows[pad + n - 1, lane] - rows[pad + n - 1 - i, lane]
        for backward in range(2):
            for s in range(n_section):
                low = sos[s, 2] * steady[s] - sos[s, 5] * steady[s + 1]
                high = sos[s, 1] * steady[s] - sos[s, 4] * steady[s + 1] + low
                for lane in range(lanes):
                    state[2 * s, lane] = high * rows[backward * (length - 1), lane]
                    state[2 * s + 1, lane] = low * rows[backward * (length - 1), lane]
            for step in range(length):
                i = length - 1 - step if backward == 1 else step
                for s in range(n_section):
                    b0, b1, b2, a1, a2 = sos[s, 0], sos[s, 1], sos[s, 2], sos[s, 4], sos[s, 5]
                    for lane in range(lanes):
                        now = rows[i, lane]
                        done = b0 * now + state[2 * s, lane]
                        state[2 * s, lane] = b1 * now - a1 * done + state[2 * s + 1, lane]
                        state[2 * s + 1, lane] = b2 * now - a2 * done
                        rows[i, lane] = done
        for tile in range(0, n, TILE):
            for lane in range(count):
                for i in range(tile, min(tile + TILE, n)):
                    out[start + lane, i] = rows[pad + i, lane]
    return out


@njit(cache=True, nogil=True)
def largest_swing(x: F32, stop: int) -> tuple[Index, F32]:
    """Place and size of the largest departure from its mean in the first `stop` samples of each trace."""
    n_trace = x.shape[0]
    place = np.zeros(n_trace, np.int64)
    size = np.zeros(n_trace, np.float32)
    for t in range(n_trace):
        total = 0.0
        for i in range(stop):
            total += x[t, i]
        mean = np.float32(total / stop)
        for i in range(stop):
            swing = abs(x[t, i] - mean)
            if swing > size[t]:
                size[t] = swing
                place[t] = i
    return place, size


@njit(cache=True, nogil=True)
def mean_about(x: F32, centre: Index, use: Flags, before: int, after: int) -> F64:
    """Mean of the used traces from `before` samples ahead of `centre` to `after` behind, each scaled to a swing of one.

    Samples outside the record count as zero.
    """
    n_trace, n = x.shape
    out = np.zeros(before + after + 1)
    used = 0
    for t in range(n_trace):
        if use[t]:
            used += 1
            origin = centre[t] - before
            size = np.float32(0.0)
            for at in range(max(0, origin), min(n, origin + len(out))):
                size = max(size, abs(x[t, at]))
            if size > 0.0:
                for at in range(max(0, origin), min(n, origin + len(out))):
                    out[at - origin] += x[t, at] / size
    return out / max(used, 1)


@njit(cache=True, nogil=True, fastmath=True)
def correlate_lags(x: F32, centre: Index, reference: F32, lags: int) -> F32:
    """Normalised correlation of each trace with `reference` at lags −lags … lags about `centre`.

    The reference, (2h + 1,) with mean zero and norm one, is laid with its middle on sample centre + lag.
    Samples outside the record count as zero.
    """
    n_trace, n = x.shape
    width = len(reference)
    half = width // 2
    span = width + 2 * lags
    part = np.empty(span, np.float32)
    out = np.zeros((n_trace, 2 * lags + 1), np.float32)
    for t in range(n_trace):
        origin = centre[t] - half - lags
        for i in range(span):
            at = origin + i
            part[i] = x[t, at] if 0 <= at < n else np.float32(0.0)
        for lag in range(2 * lags + 1):
            product = np.float32(0.0)
            total = np.float32(0.0)
            square = np.float32(0.0)
            for i in range(width):
                value = part[lag + i]
                product += value * reference[i]
                total += value
                square += value * value
            energy = square - total * total / np.float32(width)
            if energy > np.float32(1e-6) * square:
                out[t, lag] = product / np.sqrt(energy)
    return out


@njit(cache=True, nogil=True)
def shift_traces(x: F32, whole: Index, weights: F32) -> F32:
    """out[t, i] = Σ_j weights[t, j] · x[t, i + whole[t] + j − 3], zero outside the record."""
    n_trace, n = x.shape
    out = np.zeros_like(x)
    for t in range(n_trace):
        for j in range(TAPS):
            weight = weights[t, j]
            if weight != 0.0:
                move = whole[t] + j - 3
                first, stop = max(0, -move), min(n, n - move)
                if first < stop:
                    # Views that start at zero: an index that might be negative keeps the loop off the vector unit.
                    source, target = x[t, first + move : stop + move], out[t, first:stop]
                    for i in range(len(target)):
                        target[i] += weight * source[i]
    return out


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"})
def stolt_map(spectrum: C64, lateral: F64, table: F32, n_time: int, centre: int) -> None:
    """Stolt's change of variable from frequency to vertical frequency, for all horizontal wavenumbers, in place.

    Parameters
    ----------
    spectrum : (N, M/2 + 1) of real data over (x, t), time counted from sample `centre`, length M = n_time.
    lateral : (N/2 + 1,) v·k_x/2 in bins of the frequency axis.
    table : (F + 1, 8) weights of interpolation for fractions 0 … 1 of a bin.
    """
    n_x, n_freq = spectrum.shape
    steps = table.shape[0] - 1
    guard = 4
    # Real and imaginary part at a wavenumber and at its opposite, side by side for each frequency.
    parts = np.empty((n_freq + 2 * guard, 4), np.float32)
    parts_at, table_at = parts.ctypes.data, table.ctypes.data
    base = np.empty(n_freq, np.int64)
    entry = np.empty(n_freq, np.int64)
    between = np.empty(n_freq, np.float32)
    cosine = np.empty(n_freq, np.float32)
    sine = np.empty(n_freq, np.float32)
    turn = centre / n_time
    for j in range(n_x // 2 + 1):
        mirror = (n_x - j) % n_x
        q2 = lateral[j] * lateral[j]
        highest = (n_freq - 1.0) * (n_freq - 1.0) - q2
        # Vertical frequencies that come from above the highest one recorded, often all of a wavenumber, stay empty.
        n_out = 0 if highest < 0.0 else min(n_freq, int(np.sqrt(highest)) + 1)
        for side in range(2):
            row, other = (j, mirror) if side == 0 else (mirror, j)
            re, im = 2 * side, 2 * side + 1
            for i in range(n_freq):
                parts[guard + i, re] = spectrum[row, i].real
                parts[guard + i, im] = spectrum[row, i].imag
            # Beyond its ends the spectrum of real data goes on as its own conjugate at the opposite wavenumber.
            for i in range(1, guard + 1):
                parts[guard - i, re] = spectrum[other, i].real
                parts[guard - i, im] = -spectrum[other, i].imag
                parts[guard + n_freq - 1 + i, re] = spectrum[other, n_freq - 1 - i].real
                parts[guard + n_freq - 1 + i, im] = -spectrum[other, n_freq - 1 - i].imag
        for k in range(n_out):
            bin_ = np.sqrt(k * k + q2)
            floor = np.floor(bin_)
            place = (bin_ - floor) * steps
            low = np.floor(place)
            base[k] = np.int64(floor)
            entry[k] = np.int64(low)
            between[k] = np.float32(place - low)
            # cos and sin of a turn from those of half a turn by their series: the compiler vectorises this.
            angle = bin_ * turn
            half = np.pi * (angle - np.floor(angle + 0.5))
            u = half * half
            s = half * (
                1 - u * S1 * (1 - u * S2 * (1 - u * S3 * (1 - u * S4 * (1 - u * S5 * (1 - u * S6 * (1 - u * S7))))))
            )
            c = 1 - u * C1 * (1 - u * C2 * (1 - u * C3 * (1 - u * C4 * (1 - u * C5 * (1 - u * C6 * (1 - u * C7))))))
            slope = k / max(bin_, 1e-30)
            cosine[k] = np.float32(slope * (1.0 - 2.0 * s * s))
            sine[k] = np.float32(slope * 2.0 * s * c)
        if q2 == 0.0:
            cosine[0], sine[0] = np.float32(1.0), np.float32(0.0)
        for k in range(n_out):
            low_at = table_at + 4 * TAPS * entry[k]
            a_re, a_im, b_re, b_im = weigh_eight_rows(
                parts_at + 16 * (base[k] + 1), low_at, low_at + 4 * TAPS, between[k]
            )
            spectrum[j, k] = complex(a_re * cosine[k] + a_im * sine[k], a_im * cosine[k] - a_re * sine[k])
            spectrum[mirror, k] = complex(b_re * cosine[k] + b_im * sine[k], b_im * cosine[k] - b_re * sine[k])
        for k in range(n_out, n_freq):
            spectrum[j, k] = 0.0
            spectrum[mirror, k] = 0.0
