"""Compiled kernels of the search for velocity: traveltimes, the scan for hyperbolas, sums along moveout curves.

One thread each; every kernel has a NumPy twin of the same name in `kernels_plain`.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit

__all__ = ["diffraction", "moveout_sums", "rescore", "scan"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Index32 = npt.NDArray[np.int32]
Place32 = npt.NDArray[np.uint32]

NEWTON_STEPS = 20
TINY = 1e-12


@njit(cache=True, nogil=True)
def diffraction(
    x: F64, x0: float, depth: float, v: float, separation: float, radius: float, crossing: float
) -> tuple[F64, F64]:
    """Arrival times (n,) and their derivatives (n, 4) by x0, depth, v and radius; `crossing` in radians."""
    n = len(x)
    times = np.empty(n)
    slopes = np.empty((n, 4))
    across, along = math.sin(crossing), separation * math.cos(crossing)
    for i in range(n):
        a = (x[i] - x0 - 0.5 * separation) * across
        b = (x[i] - x0 + 0.5 * separation) * across
        deep = depth + radius
        ra, rb = max(math.sqrt(a * a + deep * deep), TINY), max(math.sqrt(b * b + deep * deep), TINY)
        # From halfway between the directions of the two antennas, which is exact where they lie on one another.
        phi = math.atan2(a / ra + b / rb, deep / ra + deep / rb)
        if radius > 0.0:
            for _ in range(NEWTON_STEPS):
                s, c = math.sin(phi), math.cos(phi)
                px, pz = radius * s, deep - radius * c
                la = max(math.sqrt((px - a) ** 2 + pz * pz), TINY)
                lb = max(math.sqrt((px - b) ** 2 + pz * pz), TINY)
                turn_a = radius * ((px - a) * c + pz * s) / la
                turn_b = radius * ((px - b) * c + pz * s) / lb
                bend = (radius * radius - turn_a * turn_a) / la + (radius * radius - turn_b * turn_b) / lb
                bend += radius * (-(px - a) * s + pz * c) / la + radius * (-(px - b) * s + pz * c) / lb
                change = (turn_a + turn_b) / bend
                phi -= change
                if abs(change) < 1e-13:
                    break
        s, c = math.sin(phi), math.cos(phi)
        px, pz = radius * s, deep - radius * c
        la = max(math.sqrt((px - a) ** 2 + pz * pz), TINY)
        lb = max(math.sqrt((px - b) ** 2 + pz * pz), TINY)
        sideways = (px - a) / la + (px - b) / lb
        down = pz / la + pz / lb
        length = la + lb
        path = math.sqrt(length * length + along * along)
        share = length / max(path, TINY) / v
        times[i] = path / v
        # The path is stationary in phi, so that only what moves the object changes it.
        slopes[i, 0] = share * sideways * across
        slopes[i, 1] = share * down
        slopes[i, 2] = -path / (v * v)
        slopes[i, 3] = share * (s * sideways + (1.0 - c) * down)
    return times, slopes


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"})
def scan(
    real: F32, imag: F32, apex: Place32, table: Place32, span: Index32, offsets: Index, step: int, floor: float
) -> tuple[F32, Index32]:
    """Best score over all curves at each apex (A, M), and the number of the curve that has it.

    Parameters
    ----------
    real, imag : (T, N) analytic signal, scaled to a level of one.
    apex : (M,) sample of each apex; unsigned, so that no index can mean "from the end", which would cost a test each.
    table : (V, J, M) sample of curve v at `offsets[j]` traces from apex m.
    span : (V, J, 2) first and last + 1 of the apexes m for which that offset counts.
    offsets : (J,) traces to either side.
    step : traces from one apex to the next.
    floor : power that is added to that of each trace, so that faint ground does not pass for coherent.
    """
    n_trace = real.shape[0]
    n_curve, n_offset, n_apex = table.shape
    n_place = (n_trace + step - 1) // step
    best = np.zeros((n_place, n_apex), np.float32)
    which = np.zeros((n_place, n_apex), np.int32)
    sum_re, sum_im = np.empty(n_apex, np.float32), np.empty(n_apex, np.float32)
    power, count = np.empty(n_apex, np.float32), np.empty(n_apex, np.float32)
    for p in range(n_place):
        t = p * step
        row_re, row_im = real[t], imag[t]
        for v in range(n_curve):
            for m in range(n_apex):
                re, im = row_re[apex[m]], row_im[apex[m]]
                sum_re[m], sum_im[m] = re, im
                power[m] = re * re + im * im
                count[m] = np.float32(1.0)
            for j in range(n_offset):
                low, high = span[v, j, 0], span[v, j, 1]
                for side in range(2):
                    other = t + offsets[j] if side == 1 else t - offsets[j]
                    if other < 0 or other >= n_trace:
                        continue
                    leg_re, leg_im, curve = real[other], imag[other], table[v, j]
                    for m in range(low, high):
                        re, im = leg_re[curve[m]], leg_im[curve[m]]
                        sum_re[m] += re
                        sum_im[m] += im
                        power[m] += re * re + im * im
                        count[m] += np.float32(1.0)
            for m in range(n_apex):
                k = count[m]
                if k < 5.0:
                    continue
                share = (sum_re[m] ** 2 + sum_im[m] ** 2) / (k * (power[m] + k * np.float32(floor)))
                # A logarithm only where it can matter.
                if share > 0.15:
                    score = -(k - np.float32(1.0)) * np.log(max(np.float32(1.0) - share, np.float32(1e-7)))
                    if score > best[p, m]:
                        best[p, m] = score
                        which[p, m] = v
    return best, which


@njit(cache=True, nogil=True)
def moveout_sums(real: F32, imag: F32, traces: Index, place: F64) -> tuple[F64, F64, F64]:
    """Coherent power, total power and number of traces (P,) along curves of fractional samples `place` (P, K).

    A place outside the record does not count.
    """
    n = real.shape[1]
    n_curve = place.shape[0]
    together, power, count = np.zeros(n_curve), np.zeros(n_curve), np.zeros(n_curve)
    for p in range(n_curve):
        re_sum = im_sum = 0.0
        for k in range(len(traces)):
            at = place[p, k]
            if not 0.0 <= at <= n - 1:
                continue
            low = min(int(at), n - 2)
            part = at - low
            re = (1.0 - part) * real[traces[k], low] + part * real[traces[k], low + 1]
            im = (1.0 - part) * imag[traces[k], low] + part * imag[traces[k], low + 1]
            re_sum += re
            im_sum += im
            power[p] += re * re + im * im
            count[p] += 1.0
        together[p] = re_sum * re_sum + im_sum * im_sum
    return together, power, count


@njit(cache=True, nogil=True)
def rescore(
    real: F32, imag: F32, trace: Index, apex: F64, v: F64, shifts: F64, factors: F64, offsets: Index, geometry: F64
) -> tuple[F64, F64, F64]:
    """Best score (P,) of finer curves about each place, with its apex [ns] and velocity.

    Parameters
    ----------
    real, imag : (T, N) analytic signal, scaled to a level of one.
    trace, apex, v : (P,) places: trace, apex [ns] and velocity [m/ns].
    shifts, factors : what is added to the apex [ns], and what the velocity is multiplied with.
    offsets : (J,) traces to either side.
    geometry : trace spacing, antenna separation [m], sample interval [ns], reach, floor, and +1 for curves bent
        downward, −1 for their mirror images.
    """
    spacing, separation, interval, reach, floor, bend = geometry
    n_trace, n = real.shape
    half = 0.5 * separation
    best, best_apex, best_v = np.zeros(len(trace)), apex.copy(), v.copy()
    for p in range(len(trace)):
        for shift in shifts:
            for factor in factors:
                top, speed = apex[p] + shift, v[p] * factor
                depth = math.sqrt(max((0.5 * speed * top) ** 2 - half * half, (0.1 * speed * top) ** 2))
                first = 2.0 * math.sqrt(half * half + depth * depth) / speed
                re_sum = im_sum = power = count = 0.0
                for j in range(-1, len(offsets)):
                    step = 0 if j < 0 else offsets[j]
                    x = step * spacing
                    if j >= 3 and x > reach * depth:
                        break
                    way = math.sqrt((x - half) ** 2 + depth * depth) + math.sqrt((x + half) ** 2 + depth * depth)
                    at = (top + bend * (way / speed - first)) / interval
                    if not 0.0 <= at <= n - 1:
                        continue
                    low = min(int(at), n - 2)
                    part = at - low
                    for side in range(1 if j < 0 else 2):
                        other = trace[p] + step if side == 0 else trace[p] - step
                        if other < 0 or other >= n_trace:
                            continue
                        re = (1.0 - part) * real[other, low] + part * real[other, low + 1]
                        im = (1.0 - part) * imag[other, low] + part * imag[other, low + 1]
                        re_sum += re
                        im_sum += im
                        power += re * re + im * im
                        count += 1.0
                if count < 5.0:
                    continue
                share = (re_sum * re_sum + im_sum * im_sum) / (count * (power + count * floor))
                score = -(count - 1.0) * math.log(max(1.0 - share, 1e-7))
                if score > best[p]:
                    best[p], best_apex[p], best_v[p] = score, top, speed
    return best, best_apex, best_v
