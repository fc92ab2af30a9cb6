"""NumPy twins of the compiled kernels: what each means, in whole-array operations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["diffraction", "moveout_sums", "rescore", "scan"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Index32 = npt.NDArray[np.int32]
Place32 = npt.NDArray[np.uint32]

NEWTON_STEPS = 20
TINY = 1e-12


def diffraction(
    x: F64, x0: float, depth: float, v: float, separation: float, radius: float, crossing: float
) -> tuple[F64, F64]:
    """Arrival times (n,) and their derivatives (n, 4) by x0, depth, v and radius; `crossing` in radians."""
    across, along = np.sin(crossing), separation * np.cos(crossing)
    a = (x - x0 - 0.5 * separation) * across
    b = (x - x0 + 0.5 * separation) * across
    deep = depth + radius
    ra, rb = np.maximum(np.hypot(a, deep), TINY), np.maximum(np.hypot(b, deep), TINY)
    phi = np.arctan2(a / ra + b / rb, deep / ra + deep / rb)

    def legs(angle: F64) -> tuple[F64, F64, F64, F64]:
        px, pz = radius * np.sin(angle), deep - radius * np.cos(angle)
        return px, pz, np.maximum(np.hypot(px - a, pz), TINY), np.maximum(np.hypot(px - b, pz), TINY)

    if radius > 0:
        for _ in range(NEWTON_STEPS):
            px, pz, la, lb = legs(phi)
            s, c = np.sin(phi), np.cos(phi)
            slope = radius * (((px - a) * c + pz * s) / la + ((px - b) * c + pz * s) / lb)
            bend = sum(
                (radius**2 - (radius * ((px - end) * c + pz * s) / leg) ** 2) / leg
                + radius * (-(px - end) * s + pz * c) / leg
                for end, leg in ((a, la), (b, lb))
            )
            phi = phi - slope / bend
    px, pz, la, lb = legs(phi)
    sideways, down = (px - a) / la + (px - b) / lb, pz / la + pz / lb
    path = np.hypot(la + lb, along)
    share = (la + lb) / np.maximum(path, TINY) / v
    by_radius = share * (np.sin(phi) * sideways + (1 - np.cos(phi)) * down)
    return path / v, np.stack([share * sideways * across, share * down, -path / v**2, by_radius], axis=1)


def scan(
    real: F32, imag: F32, apex: Place32, table: Place32, span: Index32, offsets: Index, step: int, floor: float
) -> tuple[F32, Index32]:
    """Best score over all curves at each apex (A, M), and the number of the curve that has it."""
    signal = real + 1j * imag
    n_trace = len(signal)
    n_curve, n_offset, n_apex = table.shape
    places = np.arange(0, n_trace, step)
    best = np.zeros((len(places), n_apex), np.float32)
    which = np.zeros((len(places), n_apex), np.int32)
    for v in range(n_curve):
        total = signal[places][:, apex]
        power = np.abs(total) ** 2
        count = np.ones((len(places), n_apex), np.float32)
        for j in range(n_offset):
            within = slice(*span[v, j])
            for other in (places - offsets[j], places + offsets[j]):
                inside = (other >= 0) & (other < n_trace)
                part = signal[other[inside]][:, table[v, j, within]]
                total[inside, within] += part
                power[inside, within] += np.abs(part) ** 2
                count[inside, within] += 1
        share = np.abs(total) ** 2 / (count * (power + count * np.float32(floor)))
        score = -(count - 1) * np.log(np.maximum(1 - share, np.float32(1e-7)))
        better = (count >= 5) & (share > 0.15) & (score > best)
        best[better] = score[better]
        which[better] = v
    return best, which


def moveout_sums(real: F32, imag: F32, traces: Index, place: F64) -> tuple[F64, F64, F64]:
    """Coherent power, total power and number of traces (P,) along curves of fractional samples `place` (P, K)."""
    n = real.shape[1]
    inside = (place >= 0) & (place <= n - 1)
    at = np.where(inside, place, 0.0)
    low = np.minimum(at.astype(np.int64), n - 2)
    part = at - low
    re = (1 - part) * real[traces, low] + part * real[traces, low + 1]
    im = (1 - part) * imag[traces, low] + part * imag[traces, low + 1]
    value = np.where(inside, re + 1j * im, 0.0)
    together: F64 = np.abs(value.sum(axis=1)) ** 2
    return together, (np.abs(value) ** 2).sum(axis=1), inside.sum(axis=1).astype(np.float64)


def rescore(
    real: F32, imag: F32, trace: Index, apex: F64, v: F64, shifts: F64, factors: F64, offsets: Index, geometry: F64
) -> tuple[F64, F64, F64]:
    """Best score (P,) of finer curves about each place, with its apex [ns] and velocity."""
    spacing, separation, interval, reach, floor, bend = geometry
    half = 0.5 * separation
    step = np.concatenate([[0], offsets, -offsets])
    near = np.tile(np.arange(len(offsets)) < 3, 2)
    best, best_apex, best_v = np.zeros(len(trace)), apex.copy(), v.copy()
    for p in range(len(trace)):
        top, speed = (part.ravel()[:, None] for part in np.meshgrid(apex[p] + shifts, v[p] * factors, indexing="ij"))
        depth = np.sqrt(np.maximum((0.5 * speed * top) ** 2 - half**2, (0.1 * speed * top) ** 2))
        x = np.abs(step) * spacing
        way = np.hypot(x - half, depth) + np.hypot(x + half, depth) - 2 * np.hypot(half, depth)
        place = (top + bend * way / speed) / interval
        rows = trace[p] + step
        use = (rows >= 0) & (rows < len(real)) & (np.concatenate([[True], near]) | (x <= reach * depth))
        curves = np.where(use, place, -1.0)
        together, power, count = moveout_sums(real, imag, np.clip(rows, 0, len(real) - 1), curves)
        share = together / np.maximum(count * (power + count * floor), 1e-300)
        score = np.where(count >= 5, -(count - 1) * np.log(np.maximum(1 - share, 1e-7)), 0.0)
        i = int(score.argmax())
        if score[i] > 0:
            best[p], best_apex[p], best_v[p] = score[i], top[i, 0], speed[i, 0]
    return best, best_apex, best_v
