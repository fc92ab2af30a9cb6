"""Pictures of parallel lines on one common axis, small enough to be compared line against line in the field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import interval_ns, spacing_m
from yewline.positions.spacing import families_of, family_axis, line_spacing_m
from yewline.positions.strength import direct_wave_ns, line_features, time_bins

__all__ = ["ImageOptions", "LineImages", "line_images"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

FEWEST_TRACES = 12
FEWEST_BINS = 4


@dataclass(frozen=True, slots=True)
class ImageOptions:
    """How the pictures are made.

    Attributes
    ----------
    step_m : distance between stations along the axis, m; None: the traces' own spacing, between 0.05 and 0.15 m.
    smooth_m : standard deviation of the smoothing along the line, m.
    bin_periods : length of a bin of time, in periods of the antenna's centre frequency.
    skip_periods : what is left out after the crest of the direct wave, in periods.
    """

    step_m: float | None = None
    smooth_m: float = 0.15
    bin_periods: float = 0.35
    skip_periods: float = 1.5

    def __post_init__(self) -> None:
        if self.step_m is not None:
            check_positive(self.step_m, "step_m")
        check_in_range(self.smooth_m, "smooth_m", 0.0, 5.0)
        check_in_range(self.bin_periods, "bin_periods", 0.05, 10.0)
        check_in_range(self.skip_periods, "skip_periods", 0.0, 20.0)


@dataclass(frozen=True, slots=True)
class LineImages:
    """Strength of response of the lines of one direction, on common stations and times.

    Attributes
    ----------
    names : (L,) in order across the axis.
    axis : unit vector along the lines, site metres.
    direction : (L,) +1 where walked along the axis, −1 against it.
    across_m : (L,) place of each line across the axis, m.
    spacing_m : usual distance between neighbouring lines, m; NaN where no two lie beside each other.
    station_m : (N,) places along the axis, evenly spaced, m.
    feature : for each line (T, K), by trace as recorded and bin of time: mean 0 at each time and at each trace.
    along_m : for each line (T,), place of each trace along the axis, m.
    wave : for each line (T, J), the same with the sign of the wave kept: a line walked twice shows the same wave,
        neighbours only the same strength.
    side_m : for each line, places of its two ends across the axis, m.
    left_out : names of lines too short to be compared.
    """

    names: tuple[str, ...]
    axis: tuple[float, float]
    direction: npt.NDArray[np.int64]
    across_m: F64
    spacing_m: float
    station_m: F64
    feature: tuple[F32, ...]
    along_m: tuple[F64, ...]
    wave: tuple[F32, ...] = ()
    side_m: tuple[tuple[float, float], ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def step_m(self) -> float:
        """Distance between stations, m."""
        return float(self.station_m[1] - self.station_m[0])

    def place(
        self, line: int, *, at: int | None = None, turned: bool = False, offset_m: float | F64 = 0.0
    ) -> tuple[F32, npt.NDArray[np.bool_]]:
        """The picture of one line on the stations, as it is or as it would be under another hypothesis.

        Parameters
        ----------
        line : whose samples.
        at : on whose traces' places; None: its own.
        turned : with the order of its traces reversed.
        offset_m : moves the samples back by so much along the direction of walking: a number, or one for each
            station.

        Returns
        -------
        picture (N, K), 0 where nothing was recorded, and known (N,).
        """
        pictures, known = self.place_all([line], at=at, turned=turned, offset_m=offset_m)
        return pictures[0], known[0]

    def place_all(
        self, lines: Sequence[int], *, at: int | None = None, turned: bool = False, offset_m: float | F64 = 0.0
    ) -> tuple[F32, npt.NDArray[np.bool_]]:
        """The pictures of several lines, as `place` makes them: (P, N, K) and known (P, N)."""
        pictures = np.empty((len(lines), len(self.station_m), self.feature[0].shape[1]), np.float32)
        known = np.empty(pictures.shape[:2], bool)
        plans: dict[tuple[int, int], _Plan] = {}
        for row, line in enumerate(lines):
            where, count = line if at is None else at, len(self.feature[line])
            if (where, count) not in plans:
                plans[where, count] = self._plan(where, count, offset_m)
            plan = plans[where, count]
            values = self.feature[line][::-1] if turned else self.feature[line]
            # Both neighbours are read at once, so that no copy of the whole line is made.
            pictures[row] = values[plan.left] * (1.0 - plan.share) + values[plan.right] * plan.share
            pictures[row, ~plan.known] = 0.0
            known[row] = plan.known
        return pictures, known

    def _plan(self, where: int, count: int, offset_m: float | F64) -> _Plan:
        along = self.along_m[where]
        if len(along) != count:
            along = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(along)), along)
        return _plan(along, self.station_m + self.direction[where] * offset_m, self.step_m)

    def coarser(self, step_m: float) -> LineImages:
        """The same lines on stations at least `step_m` apart."""
        every = max(1, round(step_m / self.step_m))
        return self if every == 1 else replace(self, station_m=self.station_m[::every])

    def waves(self) -> LineImages:
        """The same lines with `wave` in the place of `feature`.

        Raises
        ------
        InputError : the set was made without waves.
        """
        if len(self.wave) != len(self.names):
            raise InputError("these pictures hold no waves", received=f"{len(self.wave)} for {len(self.names)} lines")
        return replace(self, feature=self.wave)

    def without(self, line: int) -> LineImages:
        """The same set without one line."""
        keep = [i for i in range(len(self.names)) if i != line]
        return self.arranged(keep)

    def arranged(self, source: Sequence[int], *, at: Sequence[int] | None = None, turned: int = -1) -> LineImages:
        """The set with other samples at the places of its lines.

        Parameters
        ----------
        source : whose samples stand at each of the places kept.
        at : which places are kept; None: those of `source` itself.
        turned : a place whose samples are put in reverse order of traces; −1 for none.
        """
        places = source if at is None else at
        values = [
            self.feature[s][::-1] if p == turned else self.feature[s] for s, p in zip(source, places, strict=True)
        ]
        waves = [self.wave[s][::-1] if p == turned else self.wave[s] for s, p in zip(source, places, strict=True)]
        return replace(
            self,
            names=tuple(self.names[p] for p in places),
            direction=self.direction[list(places)],
            across_m=self.across_m[list(places)],
            feature=tuple(values),
            wave=tuple(waves),
            along_m=tuple(self.along_m[p] for p in places),
            side_m=tuple(self.side_m[p] for p in places) if self.side_m else (),
        )

    def stack(self, *, offset_m: float | F64 = 0.0) -> tuple[F32, npt.NDArray[np.bool_]]:
        """The pictures of all lines where they are said to be: (L, N, K) and known (L, N)."""
        return self.place_all(range(len(self.names)), offset_m=offset_m)


def line_images(lines: Mapping[str, xr.DataArray], *, options: ImageOptions | None = None) -> tuple[LineImages, ...]:
    """Make comparable pictures of a visit's lines, one set for each direction of walking.

    Parameters
    ----------
    lines : name to radargram (T, S) as recorded, in place; its attributes give `centre_mhz`.
    options : how finely.

    Returns
    -------
    one `LineImages` for each family of parallel lines, the largest first; lines too short to be compared (fewer
    than 12 traces or 4 bins of time after the direct wave) are named in `left_out` of the first.

    Raises
    ------
    InputError : there are no lines, or samples are not finite.

    Notes
    -----
    The envelope of what is left of the line's median trace is averaged over bins of time, divided by its median over
    traces at that time, cut at four times that, and freed of its mean at each time and each trace: coupling and
    gain that are common to a line or a trace, and the decay with time, then tell nothing.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> rng = np.random.default_rng(0)
    >>> attrs = {"centre_mhz": 400.0}
    >>> lines = {
    ...     f"L{i}": make_radargram(rng.normal(size=(60, 80)), interval_ns=0.5, x=0.1 * np.arange(60),
    ...                             y=np.full(60, 0.5 * i), attrs=attrs) for i in range(3)}
    >>> images, = line_images(lines)
    >>> images.names, images.spacing_m, images.direction.tolist()
    (('L0', 'L1', 'L2'), 0.5, [1, 1, 1])
    """
    how = ImageOptions() if options is None else options
    if not lines:
        raise InputError("there are no lines", do="give each line's radargram")
    # Lines may be read from disk one by one: each is asked for twice, and only small things are kept of it.
    known = {name: told for name, line in lines.items() if (told := _about(name, line)) is not None}
    if not known:
        return ()
    period_ns = float(np.median([told.period_ns for told in known.values()]))
    bins = time_bins(
        [told.direct_ns for told in known.values()],
        [told.window_ns for told in known.values()],
        period_ns=period_ns,
        skip_periods=how.skip_periods,
        bin_periods=how.bin_periods,
    )
    if len(bins) < FEWEST_BINS:
        return ()
    features = {name: line_features(lines[name], bins, period_ns=period_ns, smooth_m=how.smooth_m) for name in known}
    names = list(known)
    ends = np.array([known[name].ends for name in names])
    sets = []
    for members in sorted(families_of(ends), key=lambda found: -len(found)):
        sets.append(_family([names[i] for i in members], known, features, ends[members], how))
    if sets:
        sets[0] = replace(sets[0], left_out=tuple(name for name in lines if name not in known))
    return tuple(sets)


@dataclass(frozen=True, slots=True)
class _About:
    """What is kept of a line while others are read."""

    place: F64  # (T, 2)
    stride_m: float
    period_ns: float
    direct_ns: float
    window_ns: float

    @property
    def ends(self) -> tuple[float, float, float, float]:
        (x0, y0), (x1, y1) = self.place[0].tolist(), self.place[-1].tolist()
        return x0, y0, x1, y1


def _about(name: str, line: xr.DataArray) -> _About | None:
    """None where a line is too short to be compared."""
    place = np.column_stack([line["x"].values, line["y"].values])
    if len(place) < FEWEST_TRACES or not np.hypot(*(place[-1] - place[0])) > 0:
        return None
    if "centre_mhz" not in line.attrs:
        raise InputError("the radargram does not say its antenna's centre frequency", where=name, do="set centre_mhz")
    step = interval_ns(line)
    period = 1_000.0 / check_positive(line.attrs["centre_mhz"], "centre_mhz")
    return _About(place, spacing_m(line), period, direct_wave_ns(line), (line.shape[1] - 1) * step)


def _family(
    names: list[str],
    known: Mapping[str, _About],
    features: Mapping[str, tuple[F32, F32]],
    ends: F64,
    how: ImageOptions,
) -> LineImages:
    axis = family_axis(ends)
    across = np.array([-axis[1], axis[0]])
    places = [known[name].place for name in names]
    middle = np.array([float((place @ across).mean()) for place in places])
    order = np.argsort(middle, kind="stable")
    along = [places[i] @ axis for i in order]
    step = how.step_m
    if step is None:
        step = float(np.clip(np.median([known[name].stride_m for name in names]), 0.05, 0.15))
    low, high = min(float(a.min()) for a in along), max(float(a.max()) for a in along)
    count = max(2, int(np.floor((high - low) / step)) + 1)
    spacing = line_spacing_m({names[i]: tuple(ends[i]) for i in order}) if len(names) > 1 else np.nan
    return LineImages(
        names=tuple(names[i] for i in order),
        axis=(float(axis[0]), float(axis[1])),
        direction=np.where(np.array([a[-1] >= a[0] for a in along]), 1, -1),
        across_m=middle[order],
        spacing_m=float(spacing),
        station_m=np.asarray(low + step * np.arange(count), np.float64),
        feature=tuple(features[names[i]][0] for i in order),
        along_m=tuple(along),
        wave=tuple(features[names[i]][1] for i in order),
        side_m=tuple((float(places[i][0] @ across), float(places[i][-1] @ across)) for i in order),
    )


@dataclass(frozen=True, slots=True)
class _Plan:
    """Which two traces each station is read between."""

    left: npt.NDArray[np.intp]
    right: npt.NDArray[np.intp]
    share: F32
    known: npt.NDArray[np.bool_]


def _plan(along: F64, station: F64, step: float) -> _Plan:
    """Stations between traces at places `along`; unknown where the nearest traces lie far apart, or beyond the ends."""
    order = np.argsort(along, kind="stable")
    place = along[order]
    right = np.clip(np.searchsorted(place, station), 1, len(place) - 1)
    left = right - 1
    gap = place[right] - place[left]
    usual = float(np.median(np.diff(place)))
    known = (station >= place[0] - 1e-9) & (station <= place[-1] + 1e-9) & (gap <= 3.0 * max(usual, step))
    share = np.clip((station - place[left]) / np.where(gap > 0, gap, 1.0), 0.0, 1.0).astype(np.float32)
    return _Plan(order[left], order[right], share[:, None], known)
