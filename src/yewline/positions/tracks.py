"""Tracks: positions with time from a satellite receiver or a total station, cleaned, smoothed and given to traces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.model import Finding

__all__ = [
    "CleanTrack",
    "SmoothTrack",
    "clean_track",
    "place_by_track",
    "smooth_track",
    "swapped_axes",
    "track_findings",
]

F64 = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

FASTEST_M_PER_S = 4.0
"""Faster than anyone pushes an antenna over a burial ground (common practice, no source)."""
SAME_TIME_S = 1e-4
NEAR = 4
JUMP_SD = 6.0
FINEST_M = 0.002
CANDIDATES = np.geomspace(1e-4, 3.0, 25)
STEADY = 0.02
"""Smallest spread of positions that a track is granted, m: what receivers say of themselves is too good."""


@dataclass(frozen=True, slots=True)
class CleanTrack:
    """The fixes of a track that can be used, in order of time.

    Attributes
    ----------
    time_s, x, y : (F',) of the fixes kept.
    kept : (F',) their numbers in the track as given.
    jumps, repeats, backwards, missing : numbers of the fixes left out: far from where their neighbours put them;
        the same place and the same time over again; time that did not go on; not finite.
    """

    time_s: F64
    x: F64
    y: F64
    kept: Ints
    jumps: tuple[int, ...]
    repeats: tuple[int, ...]
    backwards: tuple[int, ...]
    missing: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SmoothTrack:
    """A track with its errors taken down, ready to be read at any time.

    Attributes
    ----------
    time_s : (F,) increasing.
    state : (F, 2, 2) place and velocity for each axis, m and m/s.
    cover : (F, 2, 2) their covariance, the same for both axes.
    fix_sigma_m : standard deviation of one fix, given or found.
    wander : strength of the white acceleration, m²/s³.
    """

    time_s: F64
    state: npt.NDArray[np.float64]
    cover: npt.NDArray[np.float64]
    fix_sigma_m: float
    wander: float


def clean_track(
    time_s: npt.ArrayLike, x: npt.ArrayLike, y: npt.ArrayLike, *, fastest_m_per_s: float = FASTEST_M_PER_S
) -> CleanTrack:
    """Leave out the fixes of a track that cannot be: jumps, repeats, and times that run back.

    Parameters
    ----------
    time_s, x, y : (F,) in the order logged, s and m.
    fastest_m_per_s : nobody walks faster with an antenna.

    Raises
    ------
    InputError : arrays of different length, or fewer than two fixes left.

    Notes
    -----
    A fix whose time is not after the latest before it runs backwards, unless its place is the same as well: then it is
    a repeat. A fix is a jump where it cannot be reached from its neighbours at `fastest_m_per_s` and lies further than
    6 robust spreads from the median line through the four fixes on either side. A shift that lasts is no jump.

    Examples
    --------
    >>> found = clean_track([0, 1, 2, 3, 3, 4, 5], [0, 1, 2, 30, 3, 4, 5], [0.0] * 7)
    >>> found.jumps, found.x.tolist()
    ((3,), [0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    """
    limit = check_positive(fastest_m_per_s, "fastest_m_per_s")
    t, xs, ys = (check_array(v, name, ndim=1, finite=False) for v, name in ((time_s, "time_s"), (x, "x"), (y, "y")))
    if not len(t) == len(xs) == len(ys):
        raise InputError("a track needs a time and a place for each fix", received=f"{len(t)}, {len(xs)}, {len(ys)}")
    finite = np.isfinite(t) & np.isfinite(xs) & np.isfinite(ys)
    missing = np.flatnonzero(~finite)
    order = np.flatnonzero(finite)
    jumps = _jumps(t, xs, ys, order, limit)
    kept: list[int] = []
    repeats: list[int] = []
    backwards: list[int] = []
    for k in order.tolist():
        if k in jumps:
            continue
        if kept and t[k] <= t[kept[-1]] + SAME_TIME_S:
            same = abs(t[k] - t[kept[-1]]) <= SAME_TIME_S and (xs[k], ys[k]) == (xs[kept[-1]], ys[kept[-1]])
            (repeats if same else backwards).append(k)
            continue
        kept.append(k)
    if len(kept) < 2:
        raise InputError(
            "fewer than two fixes of the track can be used", received=f"{len(t)} fixes", do="check its times"
        )
    at = np.array(kept, np.intp)
    return CleanTrack(
        t[at], xs[at], ys[at], at, tuple(sorted(jumps)), tuple(repeats), tuple(backwards), tuple(missing.tolist())
    )


def smooth_track(track: CleanTrack, *, fix_sigma_m: float | None = None) -> SmoothTrack:
    """Smooth a track: a walker whose velocity wanders, seen through fixes that err.

    Parameters
    ----------
    track : from `clean_track`.
    fix_sigma_m : standard deviation of one fix per axis, m; None: found from the track itself, at least 0.002 m.

    Returns
    -------
    SmoothTrack, see `place_by_track`.

    Notes
    -----
    Each axis is an integrated random walk: place and velocity, velocity driven by white noise of strength q. Kalman's
    filter forwards and the smoother of Rauch, Tung & Striebel backwards give the place at each fix from all fixes.
    q, and the fixes' own error where it is not given, are those of greatest likelihood (on a grid of q over error²).

    References
    ----------
    Rauch, Tung & Striebel 1965, AIAA Journal 3:1445–1450.

    Examples
    --------
    >>> t = np.arange(40.0)
    >>> jitter = 0.05 * np.random.default_rng(0).standard_normal((2, 40))
    >>> smooth = smooth_track(clean_track(t, 0.8 * t + jitter[0], jitter[1]))
    >>> x, y, sigma = place_by_track(smooth, [19.5])
    >>> bool(abs(x[0] - 15.6) < 0.05), bool(0 < sigma[0] < 0.05)
    (True, True)
    """
    t = track.time_s
    # Large eastings would cost digits: the track is smoothed about its own middle.
    middle = np.array([np.median(track.x), np.median(track.y)])
    seen = np.column_stack([track.x, track.y]) - middle
    if fix_sigma_m is not None:
        noise = check_positive(fix_sigma_m, "fix_sigma_m") ** 2
        best = max(CANDIDATES * 0.3, key=lambda q: _filter(t, seen, float(q), noise)[0])
        wander = float(best)
    else:
        ratio, noise = max(
            ((r, *_profile(t, seen, float(r))) for r in np.geomspace(1e-3, 1e4, 36)), key=lambda each: each[2]
        )[:2]
        noise = max(float(noise), FINEST_M**2)
        wander = float(ratio) * noise
    _, means, covers, ahead_means, ahead_covers, moves = _filter(t, seen, wander, noise)
    state, cover = means.copy(), covers.copy()
    for k in range(len(t) - 2, -1, -1):
        gain = covers[k] @ moves[k].T @ np.linalg.inv(ahead_covers[k + 1])
        state[k] = means[k] + gain @ (state[k + 1] - ahead_means[k + 1])
        cover[k] = covers[k] + gain @ (cover[k + 1] - ahead_covers[k + 1]) @ gain.T
    state[:, 0, :] += middle
    return SmoothTrack(t, state, cover, float(np.sqrt(noise)), wander)


def place_by_track(
    track: SmoothTrack, time_s: npt.ArrayLike, *, latency_s: float = 0.0, clock_sigma_s: float = 0.0
) -> tuple[F64, F64, F64]:
    """Where traces were at their times.

    Parameters
    ----------
    track : from `smooth_track`.
    time_s : (T,) of the traces, on the track's clock, s.
    latency_s : positions logged now were true so long ago.
    clock_sigma_s : standard deviation of the two clocks' agreement.

    Returns
    -------
    x, y : (T,) m.
    sigma_m : (T,) standard deviation per axis; it grows in gaps of the track and beyond its ends.

    Raises
    ------
    InputError : times that are not finite.

    Notes
    -----
    Between two fixes the place is the mean of the walker's bridge given both ends' place and velocity (the cubic
    through them), with the variance of that bridge, q·s³(h − s)³/(3h³) for a gap h, and the ends' own.
    """
    at = check_array(time_s, "time_s", ndim=1) + latency_s
    t = track.time_s
    right = np.clip(np.searchsorted(t, at), 1, len(t) - 1)
    left = right - 1
    h = t[right] - t[left]
    s = np.clip(at - t[left], 0.0, h)
    u = s / h
    # Cubic Hermite weights of place and velocity at the two ends.
    a, b = (1 + 2 * u) * (1 - u) ** 2, u**2 * (3 - 2 * u)
    c, d = u * (1 - u) ** 2 * h, -(u**2) * (1 - u) * h
    place = a[:, None] * track.state[left, 0] + b[:, None] * track.state[right, 0]
    place += c[:, None] * track.state[left, 1] + d[:, None] * track.state[right, 1]
    ends = np.stack([a, c], axis=1), np.stack([b, d], axis=1)
    # The two ends err alike, not apart: standard deviations are added, which is never too small.
    parts = [
        np.einsum("ti,tij,tj->t", weight, track.cover[end], weight)
        for weight, end in zip(ends, (left, right), strict=True)
    ]
    # Rounding can leave a variance a little below nothing.
    sd = np.sqrt(np.maximum(parts, 0.0)).sum(axis=0)
    variance = sd**2 + track.wander * s**3 * (h - s) ** 3 / (3 * h**3)
    beyond = np.where(at < t[0], at - t[0], np.where(at > t[-1], at - t[-1], 0.0))
    end = np.where(beyond < 0, 0, len(t) - 1)
    place += beyond[:, None] * track.state[end, 1]
    variance += beyond**2 * track.cover[end, 1, 1] + track.wander * np.abs(beyond) ** 3 / 3
    speed = np.hypot(*track.state[np.where(u < 0.5, left, right), 1].T)
    # Half of the clock's error per axis would depend on the direction of walking; the whole is taken.
    sigma = np.sqrt(variance + (clock_sigma_s * speed) ** 2)
    return place[:, 0], place[:, 1], sigma


def swapped_axes(latitude: npt.ArrayLike, longitude: npt.ArrayLike, *, near: tuple[float, float] | None = None) -> str:
    """Why latitude and longitude look as if they had changed places; empty where they do not.

    Parameters
    ----------
    latitude, longitude : (F,) degrees.
    near : latitude and longitude of the site, if known.

    Examples
    --------
    >>> swapped_axes([151.2, 151.3], [-33.8, -33.8])
    'a latitude of 151.3 degrees cannot be'
    >>> swapped_axes([11.6], [48.1], near=(48.0, 11.5))
    'exchanged, they lie near the site; as they are, 5281 km away'
    >>> swapped_axes([48.1], [11.6], near=(48.0, 11.5))
    ''
    """
    lat, lon = (check_array(v, name, ndim=1) for v, name in ((latitude, "latitude"), (longitude, "longitude")))
    largest = float(lat[np.abs(lat).argmax()])
    if abs(largest) > 90.0:
        return f"a latitude of {largest:g} degrees cannot be" if (np.abs(lon) <= 90.0).all() else ""
    if near is None:
        return ""
    here = (float(np.median(lat)), float(np.median(lon)))
    straight, turned = _great_circle_km(here, near), _great_circle_km((here[1], here[0]), near)
    if turned < 50.0 < straight:
        return f"exchanged, they lie near the site; as they are, {straight:.0f} km away"
    return ""


def track_findings(
    track: CleanTrack, smooth: SmoothTrack | None = None, *, where: str = "", line: str = ""
) -> list[Finding]:
    """What was left out of a track, and how good it is, as findings.

    Examples
    --------
    >>> track = clean_track([0, 1, 1, 2, 3], [0, 1, 1, 2, 3], [0.0] * 5)
    >>> [finding.text for finding in track_findings(track)]
    ['1 fix repeats the one before it and is left out']
    """
    told = (
        ("track-jump", track.jumps, "jumps away from its neighbours", "jump away from their neighbours", "warning"),
        ("track-repeat", track.repeats, "repeats the one before it", "repeat the ones before them", "found"),
        ("track-backwards", track.backwards, "runs back in time", "run back in time", "warning"),
        ("track-missing", track.missing, "holds no position", "hold no position", "warning"),
    )
    findings = []
    for code, numbers, one, many, grade in told:
        if not numbers:
            continue
        count = len(numbers)
        text = f"1 fix {one} and is left out" if count == 1 else f"{count} fixes {many} and are left out"
        shown = ", ".join(str(number + 1) for number in numbers[:6]) + (" …" if count > 6 else "")
        do = "look for trees, walls or a lost prism there" if code == "track-jump" else ""
        findings.append(Finding(grade, code, text, where=where, received=f"fix {shown}", do=do, line=line))  # type: ignore[arg-type]
    if smooth is not None and smooth.fix_sigma_m > 0.10:
        findings.append(
            Finding(
                "warning",
                "track-rough",
                f"fixes of the track scatter by {smooth.fix_sigma_m:.2f} m",
                where=where,
                do="children's graves are 0.4 m wide: use tapes where the sky is covered",
                line=line,
            )
        )
    return findings


def _jumps(t: F64, x: F64, y: F64, order: Ints, limit: float) -> set[int]:
    """Fixes far from the median line through their neighbours and out of reach of both."""
    if len(order) < 4:
        return set()
    place = np.column_stack([x[order], y[order]])
    time = t[order]
    off = np.zeros(len(order))
    for k in range(len(order)):
        around = np.array([m for m in range(max(0, k - NEAR), min(len(order), k + NEAR + 1)) if m != k])
        off[k] = np.hypot(*(place[k] - _robust_line(time[around], place[around], time[k])))
    spread = max(1.4826 * float(np.median(off)), 0.25 * STEADY)
    found = set()
    for k in np.flatnonzero(off > max(JUMP_SD * spread, 3 * STEADY)).tolist():
        sides = [m for m in (k - 1, k + 1) if 0 <= m < len(order)]
        reach = [np.hypot(*(place[k] - place[m])) > limit * max(abs(time[k] - time[m]), 1e-9) + spread for m in sides]
        if all(reach):
            found.add(int(order[k]))
    return found


def _robust_line(time: F64, place: F64, at: float) -> F64:
    """Place at a time by the median of slopes and of intercepts (Theil 1950, Sen 1968)."""
    i, j = np.triu_indices(len(time), 1)
    dt = time[j] - time[i]
    usable = dt > SAME_TIME_S
    if not usable.any():
        return np.asarray(np.median(place, axis=0))
    slope = np.median((place[j] - place[i])[usable] / dt[usable, None], axis=0)
    return np.asarray(np.median(place - slope * (time - at)[:, None], axis=0))


def _filter(t: F64, seen: F64, q: float, noise: float) -> tuple[float, F64, F64, F64, F64, list[F64]]:
    """Kalman's filter of both axes at once: log likelihood, filtered and predicted states, and moves."""
    n = len(t)
    mean = np.zeros((2, 2))
    mean[0] = seen[0]
    cover = np.diag([noise, FASTEST_M_PER_S**2])
    means, covers = np.empty((n, 2, 2)), np.empty((n, 2, 2))
    ahead_means, ahead_covers = np.empty((n, 2, 2)), np.empty((n, 2, 2))
    means[0], covers[0], ahead_means[0], ahead_covers[0] = mean, cover, mean, cover
    moves: list[F64] = []
    log = 0.0
    for k in range(1, n):
        h = t[k] - t[k - 1]
        move = np.array([[1.0, h], [0.0, 1.0]])
        moves.append(move)
        mean = move @ mean
        cover = move @ cover @ move.T + q * np.array([[h**3 / 3, h**2 / 2], [h**2 / 2, h]])
        ahead_means[k], ahead_covers[k] = mean, cover
        spread = cover[0, 0] + noise
        off = seen[k] - mean[0]
        log -= np.log(spread) + 0.5 * float(off @ off) / spread
        gain = cover[:, 0] / spread
        mean = mean + gain[:, None] * off
        cover = cover - np.outer(gain, cover[0])
        means[k], covers[k] = mean, cover
    return log, means, covers, ahead_means, ahead_covers, moves


def _profile(t: F64, seen: F64, ratio: float) -> tuple[float, float]:
    """Variance of a fix of greatest likelihood for q = ratio · variance, and that likelihood."""
    n = len(t)
    some = slice(0, min(n, 400))
    log, _, _, ahead, covers, _ = _filter(t[some], seen[some], ratio, 1.0)
    spread = covers[2:, 0, 0] + 1.0
    off = seen[some][2:] - ahead[2:, 0]
    count = 2 * len(spread)
    if count == 0:
        return FINEST_M**2, log
    variance = max(float(((off**2).sum(axis=1) / spread).sum()) / count, 1e-12)
    return variance, float(-np.log(spread).sum() - 0.5 * count * np.log(variance))


def _great_circle_km(a: Sequence[float], b: Sequence[float]) -> float:
    la, lb, dl = np.radians(a[0]), np.radians(b[0]), np.radians(a[1] - b[1])
    h = np.sin((la - lb) / 2) ** 2 + np.cos(la) * np.cos(lb) * np.sin(dl / 2) ** 2
    return float(2 * 6371.0 * np.arcsin(np.sqrt(min(1.0, max(0.0, h)))))
