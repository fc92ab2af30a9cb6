"""Search for echoes through the air: hyperbolas of the velocity of light."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.signal.dips.air_grid import AirGrid
from yewline.signal.dips.air_shape import Place, air_wave_shape, refine_place, support
from yewline.signal.dips.air_wave import AirWave, air_wave_time_ns
from yewline.signal.dips.spectrum import need_spacing
from yewline.signal.gain import automatic_gain
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["AirSearch", "default_pulse_ns", "find_air_waves"]

VELOCITIES: Final = (0.3, 0.4, 0.5, 0.62, 0.75, 1.35, 1.8)
"""Shares of the velocity of light at which the same apex is tried: the ground's, and faster than anything."""
SKEWS: Final = (-0.45, -0.25, 0.25, 0.45)
"""Dips added along the line, as shares of that of an echo through the air far out, 2/c."""
MOST_REFUSED: Final = 40
MOST_SKEWED: Final = 10
FIRST_SUPPORT: Final = 0.1
"""Support at the place on the grid, which may be off, from which it is worth while to refine that."""
SMOOTH_M: Final = 1.5
"""What is left of an echo would be found again: less smoothing than for removal leaves less."""
FEWEST_TRACES: Final = 12
GAIN_PERIODS: Final = 8.0


@dataclass(frozen=True, slots=True)
class AirSearch:
    """What counts as an echo through the air.

    Attributes
    ----------
    nearest_m, farthest_m : limits of the distance apart, m; `farthest_m` left out: as far as the record reaches.
    reach_m : length of the limbs that are added up, on either side of the apex, m.
    beyond_m : how far beyond the ends of the line an apex may lie, m.
    least_score : least ratio of the power of the sum of traces to the sum of their powers. Noise alone gives one on
        average and, as the largest over a line, about 10.
    least_support : least agreement in that quarter of the hyperbola which agrees least: 0.33 or more for strong
        echoes, 0.14 or less for what lies in the ground, on 40 invented lines of layers, diffractions and noise.
    least_contrast : least ratio of the score to the best of any other velocity or skew at the same place.
    most_false : most skewed hyperbolas with as much support and semblance that the line may show.
    most : most echoes that are looked for.

    Raises
    ------
    InputError : a value out of range.
    """

    nearest_m: float = 0.3
    farthest_m: float | None = None
    reach_m: float = 4.0
    beyond_m: float = 0.5
    least_score: float = 14.0
    least_support: float = 0.24
    least_contrast: float = 0.8
    most_false: float = 0.5
    most: int = 12

    def __post_init__(self) -> None:
        check_in_range(self.nearest_m, "nearest_m", 0.0, 100.0)
        if self.farthest_m is not None:
            check_positive(self.farthest_m - self.nearest_m, "farthest_m − nearest_m")
        check_positive(self.reach_m, "reach_m")
        check_in_range(self.beyond_m, "beyond_m", 0.0, 100.0)
        check_in_range(self.least_score, "least_score", 1.0, 1e6)
        check_in_range(self.least_support, "least_support", -1.0, 1.0)
        check_in_range(self.most_false, "most_false", 0.0, 1e6)
        check_in_range(self.least_contrast, "least_contrast", 0.0, 1e6)
        check_in_range(self.most, "most", 0, 1_000)


def default_pulse_ns(section: Section) -> float:
    """Three periods of the centre frequency, ns: the length of a pulse with a little of the antenna's ringing."""
    return 3.0 * section.period_ns


def find_air_waves(amplitude: npt.ArrayLike, section: Section, *, search: AirSearch | None = None) -> list[AirWave]:
    """Find echoes of things above the ground, such as headstones and trees, by their velocity.

    Such an echo is a hyperbola of the velocity of light, 0.2998 m/ns, flatter than that of anything in the ground; a
    fence along the line gives none, since its echo is level.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing, the first one at time zero.
    section : sampling, spacing and antennas.
    search : what counts as an echo.

    Returns
    -------
    list of AirWave, the clearest first.

    Raises
    ------
    InputError : samples that are not finite, or no trace spacing.

    Notes
    -----
    What is level is taken out by the median trace and the section brought to one level. For each place, the score is
    the power of the sum along its hyperbola over the sum of powers, both over one period. The best place is an echo if
    it is heard in every quarter of its hyperbola, as nothing is that merely runs beside it for a while, and if no
    hyperbola about the same apex of another velocity (0.3 to 0.75 and 1.35 to 1.8 of that of light), nor a skewed one,
    agrees much better. What was found is taken out and the search goes on. In the end an echo has to be clearer
    than skewed hyperbolas anywhere on the line, which are nothing, but for the number that is allowed.

    References
    ----------
    Semblance: Neidell & Taner 1971, Geophysics 36:482–497 (from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t, x = 0.25 * np.arange(240), 0.05 * np.arange(160)
    >>> late = np.pi * 0.4 * (t - air_wave_time_ns(x - 3.0, 2.0)[:, None])
    >>> noise = np.random.default_rng(0).standard_normal((160, 240))
    >>> [wave] = find_air_waves((1 - 2 * late**2) * np.exp(-(late**2)) + 0.3 * noise, section)
    >>> round(wave.place_m, 1), round(wave.apart_m, 1)
    (3.0, 2.0)
    """
    values = check_traces(amplitude)
    chosen = AirSearch() if search is None else search
    if len(values) < FEWEST_TRACES or values.shape[1] < 4 or not values.any():
        return []
    need_spacing(section, "hyperbolas")
    unit, factor = near_one(values)
    bare = unit - np.median(unit, axis=0).astype(np.float32)
    limits = (chosen.nearest_m, chosen.farthest_m)
    grid = AirGrid.over(
        section, unit.shape, limits, reach_m=chosen.reach_m, beyond_m=chosen.beyond_m, fewest=FEWEST_TRACES
    )
    return [] if grid is None else _Search(grid, chosen, bare, float(factor)).run()


class _Search:
    """One line's search: what is left of it, and where nothing more is to be looked for."""

    def __init__(self, grid: AirGrid, chosen: AirSearch, bare: Traces, factor: float) -> None:
        self.grid, self.chosen, self.bare, self.factor = grid, chosen, bare, factor
        self.section = grid.section
        self.pulse_ns = default_pulse_ns(self.section)
        self.level = automatic_gain(bare, self.section, window_ns=GAIN_PERIODS * self.section.period_ns)
        self.barred = np.zeros((len(grid.apex), len(grid.apart_m)), bool)

    def run(self) -> list[AirWave]:
        """All echoes, the clearest first."""
        found: list[AirWave] = []
        score, count = self.grid.score(self.level)
        for _ in range(self.chosen.most + MOST_REFUSED):
            score[self.barred] = 0.0
            a, j = _highest(score)
            best, place = float(score[a, j]), Place(*self.grid.place(a, j))
            if best < self.chosen.least_score or len(found) == self.chosen.most:
                break
            self.barred |= self.grid.near(place[:2])
            if self._support(place) < FIRST_SUPPORT:
                continue
            contrast = best / max(self.grid.best_other(self.level, a, j, VELOCITIES, SKEWS), 1.0)
            if contrast < self.chosen.least_contrast:
                continue
            place, sigma = refine_place(self.level, self.section, place, pulse_ns=self.pulse_ns)
            heard = self._support(place)
            if heard < self.chosen.least_support:
                continue
            self.barred |= self.grid.near(place[:2])
            met = int(count[a, j])
            found.append(self._described(place, sigma, semblance=best / met, heard=heard, contrast=contrast, met=met))
            self.level = self.level - air_wave_shape(
                self.level, self.section, place, smooth_m=SMOOTH_M, pulse_ns=self.pulse_ns
            )
            score, count = self.grid.score(self.level)
        skewed = self._skewed() if found else []
        waves = [replace(wave, expected_false=_share_above(skewed, wave)) for wave in found]
        return [wave for wave in waves if wave.expected_false <= self.chosen.most_false]

    def _support(self, place: Place, skew: float = 0.0) -> float:
        return support(self.level, self.section, place, reach_m=self.chosen.reach_m, skew=skew)

    def _skewed(self) -> list[tuple[float, float]]:
        """Support and semblance of the best skewed hyperbolas of the line, once the echoes are taken out."""
        held = []
        for skew in SKEWS:
            score, count = self.grid.score(self.level, skew=skew)
            for _ in range(MOST_SKEWED):
                a, j = _highest(score)
                if score[a, j] < self.chosen.least_score:
                    break
                place = Place(*self.grid.place(a, j))
                held.append((self._support(place, skew), float(score[a, j] / count[a, j])))
                score[self.grid.near(place[:2])] = 0.0
        return held

    def _described(
        self, place: Place, sigma: tuple[float, float], *, semblance: float, heard: float, contrast: float, met: int
    ) -> AirWave:
        shape = air_wave_shape(self.bare, self.section, place, smooth_m=SMOOTH_M, pulse_ns=self.pulse_ns)
        start = 0.0 if self.section.distance_m is None else float(self.section.distance_m[0])
        # Each trace says how strong the echo would be where it is nearest, once spreading is undone.
        along = self.section.spacing_m * np.arange(len(shape)) - place.along_m
        nearest = float(np.hypot(np.abs(along).min(), place.apart_m))
        size = np.abs(shape).max(axis=1) * np.hypot(along, place.apart_m) / max(nearest, 1e-9)
        return AirWave(
            place_m=start + place.along_m,
            place_sigma_m=sigma[0],
            apart_m=place.apart_m,
            apart_sigma_m=sigma[1],
            time_ns=float(air_wave_time_ns(0.0, place.apart_m, self.section.separation_m)),
            late_ns=place.late_ns,
            amplitude=float(np.median(size[size > 0])) * self.factor if size.any() else 0.0,
            semblance=semblance,
            support=heard,
            contrast=contrast,
            expected_false=0.0,
            traces=met,
        )


def _highest(score: npt.NDArray[np.float32]) -> tuple[int, int]:
    a, j = np.unravel_index(int(score.argmax()), score.shape)
    return int(a), int(j)


def _share_above(skewed: list[tuple[float, float]], wave: AirWave) -> float:
    """How many of the skewed hyperbolas are as clear, for one skew."""
    return sum(heard >= wave.support and semblance >= wave.semblance for heard, semblance in skewed) / len(SKEWS)
