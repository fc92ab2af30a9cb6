"""One picture for each step that changes samples: before, after, and what was removed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from picture_kinds import SPAN, Attribute, Plain
from picture_lines import (
    DRY,
    VELOCITY,
    WET,
    Demo,
    Held,
    View,
    walked_unevenly,
    with_air_echo,
    with_drift,
    with_heights,
    with_tone,
)
from picture_panels import (
    AFTER,
    BEFORE,
    Panel,
    Plate,
    clip_of,
    curve,
    draw,
    level_by_time,
)

from yewline import signal

__all__ = ["STEP_PICTURES"]


def _time_zero(demo: Demo) -> Plate:
    before = demo.recorded(DRY, demo.fault(DRY, "time-zero-drift")[0])
    after = before.after("time_zero")
    plate = Plate([1.0, 1.0, 1.15], high_in=3.1)
    raw, set_right = before.view(to_ns=16.0), after.view(to_ns=16.0)
    clip = clip_of(raw, share=0.97)
    left, middle, right = plate.row()
    draw(left, Panel(raw, "Before, with the picks"), clip, first=True)
    draw(middle, Panel(set_right, "After"), clip, first=False)
    at = before.section.distance_m
    styles = {
        "peak": "-",
        "first_break": "--",
        "energy_ratio": ":",
        "aic": "-.",
        "correlation": (0, (6, 1, 1, 1, 1, 1)),
    }
    for name, style in styles.items():
        picks = signal.pick_time_zero(before.amplitude, before.section, pick=name)
        if name in ("peak", "energy_ratio"):
            left.plot(at, picks, color=AFTER, linestyle=style, linewidth=1.4, label=name)
        right.plot(
            at, picks, color=BEFORE if name not in ("peak", "energy_ratio") else AFTER, linestyle=style, label=name
        )
    left.legend(loc="lower right", facecolor="white", frameon=True, framealpha=0.85, edgecolor="none")
    right.set(xlabel="distance, m", ylabel="pick, ns", title="Five ways to pick")
    right.set_ylim(8.4, -0.8)
    right.legend(loc="upper left", ncols=2)
    return plate


def _repair(demo: Demo) -> Plate:
    plate = Plate([1.0, 1.0, 1.0], high_in=4.6, rows=2)
    for row, (visit, kind, word) in enumerate(
        ((WET, "spiky-trace", "wild samples"), (DRY, "dead-trace", "dead traces"))
    ):
        line, trace = demo.fault(visit, kind)
        before = demo.recorded(visit, line)
        middle_m = before.section.spacing_m * trace
        span = (middle_m - 2.2, middle_m + 2.3)
        after = before.after("repair_traces")
        shown = [held.view(*span, to_ns=54.0) for held in (before, after)]
        clip = clip_of(shown[1], share=0.95)
        axes = plate.row(row)
        draw(axes[0], Panel(shown[0], f"Before: {word}"), clip, first=True)
        draw(axes[1], Panel(shown[1], "After"), clip, first=False)
        draw(axes[2], Panel(shown[0].minus(shown[1]), "Removed, and what was flagged"), clip, first=False)
        faults = signal.find_faults(before.amplitude, before.section)
        at, interval = before.section.distance_m, before.section.interval_ns
        if at is None:
            raise ValueError("the line has no distances")
        whole = faults.dead | faults.noisy
        for place in at[whole & (at >= span[0]) & (at <= span[1])]:
            axes[2].axvline(place, ymin=0.94, color=AFTER, linewidth=3)
        wild = np.argwhere(faults.wild)
        inside = (at[wild[:, 0]] >= span[0]) & (at[wild[:, 0]] <= span[1]) if len(wild) else np.zeros(0, bool)
        axes[2].plot(
            at[wild[inside, 0]],
            interval * wild[inside, 1],
            "o",
            markerfacecolor="none",
            markeredgecolor=AFTER,
            markersize=6,
        )
    return plate


def _resample_time(demo: Demo) -> Plate:
    before = demo.through(DRY, "A19", "compensate")
    after = before.after("resample_time", interval_ns=0.1)
    span = {"from_m": 14.0, "to_m": 16.0, "from_ns": 8.0, "to_ns": 24.0}
    shown = [held.view(**span) for held in (before, after)]
    plate = Plate([1.0, 1.0, 1.3], high_in=3.0)
    left, middle, right = plate.row()
    clip = clip_of(shown[0])
    draw(left, Panel(shown[0], f"Before: every {before.section.interval_ns:g} ns"), clip, first=True)
    draw(middle, Panel(shown[1], "After: every 0.1 ns"), clip, first=False)
    trace = len(shown[0].values) // 2
    right.plot(shown[1].time_ns, shown[1].values[trace] / clip, color=AFTER, linewidth=1.2, label="after")
    right.plot(shown[0].time_ns, shown[0].values[trace] / clip, "o", color=BEFORE, markersize=4, label="before")
    right.set(xlabel="time, ns", ylabel="amplitude, of the colours' end", title="One trace")
    right.legend(loc="upper right")
    return plate


def _gain_curve(step: str) -> Callable[[Demo], Plate]:
    def made(demo: Demo) -> Plate:
        before = demo.through(DRY, "A19", "background_removal")
        after = before.after(step)
        shown = [held.view(*SPAN, to_ns=48.0) for held in (before, after)]
        plate = Plate([1.0, 1.0, 0.85], high_in=2.9)
        left, middle, right = plate.row()
        draw(left, Panel(shown[0], "Before"), clip_of(shown[0]), first=True)
        draw(middle, Panel(shown[1], "After (its own colour range)"), clip_of(shown[1]), first=False)
        level_by_time(right, shown[0], shown[1])
        return plate

    return made


def _predictive(step: str) -> Callable[[Demo], Plate]:
    def made(demo: Demo) -> Plate:
        # The one for pictures runs on what the first part of a recipe gives.
        shown_only = step == "predictive_deconvolution_by_trace"
        before = demo.through(DRY, "A19", "compensate" if shown_only else "background_removal")
        after = before.after(step)
        shown = [held.view(*SPAN, to_ns=48.0, like=not shown_only) for held in (before, after)]
        plate = Plate([1.0, 1.0, 1.0, 0.85], high_in=2.9)
        clip = clip_of(shown[0])
        for at, (view, title) in enumerate(
            ((shown[0], "Before"), (shown[1], "After"), (shown[0].minus(shown[1]), "Removed"))
        ):
            draw(plate.row()[at], Panel(view, title), clip, first=at == 0)
        ax = plate.row()[-1]
        for held, after_it in ((before, False), (after, True)):
            lags = signal.mean_autocorrelation(held.amplitude, lags=60)
            curve(
                ax,
                held.section.interval_ns * np.arange(len(lags)),
                lags / lags[0],
                name="after" if after_it else "before",
                after=after_it,
            )
        ax.axvline(signal.default_gap_ns(before.section), color=BEFORE, linewidth=0.7, linestyle=":")
        ax.set(xlabel="lag, ns", title="Repetition", ylabel="autocorrelation")
        ax.legend(loc="upper right")
        return plate

    return made


def _across_lines(demo: Demo) -> Plate:
    """Two neighbouring lines along themselves, and with all lines beside them: what lies between is moved there."""
    line, spacing = "A05", 0.5
    names = [f"A{k:02d}" for k in range(1, 9) if f"A{k:02d}" in demo.radargrams(WET)]
    held = {name: demo.through(WET, name, "compensate") for name in names if name not in demo.misplaced(WET)}
    beside = []
    for name, other in held.items():
        at = other.section
        if name != line and at.x_m is not None and at.y_m is not None:
            beside.append(signal.Beside(other.amplitude, at.x_m, at.y_m))
    before = held[line]
    section = replace(before.section, velocity_m_per_ns=VELOCITY[WET], beside=lambda: beside, line_spacing_m=spacing)
    plate = Plate([1.0, 1.0, 1.0], high_in=3.0)
    made = (
        (before, "Before"),
        (Held(signal.migrate_kirchhoff(before.amplitude, section, aperture_deg=45.0), section), "Along the line"),
        (Held(signal.migrate_kirchhoff_3d(before.amplitude, section), section), "With the lines beside it"),
    )
    stretch = {"from_m": 5.0, "to_m": 16.0, "from_ns": 10.0, "to_ns": 44.0}
    clip = clip_of(before.view(**stretch), share=0.997)
    for ax, (what, title) in zip(plate.row(), made, strict=True):
        shown = what.view(**stretch)
        draw(ax, Panel(shown, title), clip if what is before else clip_of(shown, share=0.997), first=what is before)
    return plate


def _migrated(step: str, third: tuple[str, dict[str, Any]] | None = None) -> Callable[[Demo], Plate]:
    def made(demo: Demo) -> Plate:
        before = demo.through(WET, "A03", "compensate")
        after = before.after(step)
        shown = [held.view(1.0, 13.0, to_ns=46.0) for held in (before, after)]
        panels = [Panel(shown[0], "Before"), Panel(shown[1], f"After, {VELOCITY[WET]:g} m/ns")]
        if third is not None:
            title, parameters = third
            other = before.after(step, **parameters) if parameters else before.after("migrate_stolt")
            seen = other.view(1.0, 13.0, to_ns=46.0)
            if not parameters:
                difference = shown[1].minus(seen)
                seen = replace(difference, values=20 * difference.values)
            panels.append(Panel(seen, title))
        panels[-1] = replace(panels[-1], velocity=VELOCITY[WET])
        plate = Plate([1.0] * len(panels), high_in=2.9)
        clip = clip_of(shown[0])
        for at, (ax, panel) in enumerate(zip(plate.row(), panels, strict=True)):
            draw(ax, panel, clip, first=at == 0)
        return plate

    return made


def _topography(demo: Demo) -> Plate:
    before = with_heights(demo.through(DRY, "A19", "compensate"))
    after = before.after("topography")
    first, second = before.view(2.0, 24.0, to_ns=46.0), after.view(2.0, 24.0, to_ns=62.0)
    plate = Plate([1.0, 1.0], high_in=3.2)
    left, right = plate.row()
    clip = clip_of(first)
    draw(left, Panel(first, "Before: time from the ground"), clip, first=True)
    draw(right, Panel(second, "After: time from a level datum"), clip, first=True, unit="time from the datum, ns")
    at, height = before.section.distance_m, before.section.elevation_m
    if at is None or height is None:
        raise ValueError("the line has no heights")
    right.plot(
        at, 2 * (height.max() - height) / VELOCITY[DRY], color=AFTER, linewidth=1.4, label="surface of the ground"
    )
    right.set_xlim(left.get_xlim())
    right.legend(loc="lower left", frameon=True, facecolor="white", framealpha=0.9, edgecolor="none")
    return plate


def _line_balance(demo: Demo) -> Plate:
    plate = Plate([1.0, 1.0, 1.0, 1.0], high_in=2.9)
    lines = [demo.through(DRY, "A19", "compensate"), demo.through(WET, "A19", "compensate")]
    levels = [signal.line_level(held.amplitude, held.section) for held in lines]
    reference = float(np.median(levels))
    clip = clip_of(lines[0].view(*SPAN, to_ns=46.0))
    for at, (held, name) in enumerate(zip(lines, ("dry day", "wet day"), strict=True)):
        draw(plate.row()[at], Panel(held.view(*SPAN, to_ns=46.0), f"Before, {name}"), clip, first=at == 0)
        after = held.after("line_balance", reference_level=reference)
        draw(plate.row()[2 + at], Panel(after.view(*SPAN, to_ns=46.0), f"After, {name}"), clip, first=False)
    return plate


def _fading(held: Held) -> Held:
    """The same with an antenna that is lifted now and then."""
    at = held.section.distance_m
    if at is None:
        raise ValueError("the line has no distances")
    lifted = 1.0 - 0.75 * np.exp(-(((at - 11.6) / 0.5) ** 2)) - 0.6 * np.exp(-(((at - 7.4) / 0.25) ** 2))
    return replace(held, amplitude=(held.amplitude * lifted[:, None]).astype(np.float32))


def _air(demo: Demo) -> Plate:
    before = with_air_echo(demo.through(DRY, "A19", "background_removal"), at_m=12.0, apart_m=1.6, size=450.0)
    after = before.after("air_wave_removal")
    shown = [held.view(4.0, 20.0, to_ns=48.0, like=True) for held in (before, after)]
    plate = Plate([1.0, 1.0, 1.0], high_in=2.9)
    clip = clip_of(shown[0])
    titles = ("Before, with the echo found", "After", "Removed")
    for at, view in enumerate((*shown, shown[0].minus(shown[1]))):
        draw(plate.row()[at], Panel(view, titles[at]), clip, first=at == 0)
    place = np.linspace(4.0, 20.0, 200)
    for wave in signal.find_air_waves(before.amplitude, before.section):
        times = signal.air_wave_time_ns(place - wave.place_m, wave.apart_m, before.section.separation_m)
        plate.row()[0].plot(place, times, color=AFTER, linestyle="--", linewidth=1.1)
    for ax in plate.row():
        ax.set(xlim=(4.0, 20.0), ylim=(47.0, 0.0))
    return plate


def _equal(demo: Demo) -> Plate:
    before = walked_unevenly(demo.through(DRY, "A19", "compensate"))
    after = before.after("equal_spacing")
    numbers = np.arange(len(before.amplitude), dtype=np.float64)
    plate = Plate([1.0, 1.0, 0.75], high_in=3.0)
    left, middle, right = plate.row()
    times = before.section.interval_ns * np.arange(before.amplitude.shape[1])
    clip = clip_of(before.view(to_ns=46.0))
    short = times <= 46.0
    draw(
        left, Panel(View(before.amplitude[:, short], numbers, times[short]), "Before: trace by trace"), clip, first=True
    )
    left.set_xlabel("trace number")
    at = after.section.distance_m
    if at is None or before.section.distance_m is None:
        raise ValueError("the line has no distances")
    step = after.section.spacing_m
    places = np.arange(at[0], at[-1] + 0.5 * step, step)
    whole = np.full((len(places), int(short.sum())), np.nan, np.float32)
    whole[np.rint((at - at[0]) / step).astype(int)] = after.amplitude[:, : int(short.sum())]
    draw(middle, Panel(View(whole, places, times[short]), "After: by distance"), clip, first=False)
    right.plot(numbers, before.section.distance_m, color=BEFORE, linestyle="--", label="as walked")
    right.plot(np.arange(len(at)), at, color=AFTER, label="after")
    right.set(xlabel="trace number", ylabel="distance, m", title="Where traces lie")
    right.legend(loc="upper left")
    return plate


def _dewowed(held: Held) -> Held:
    """Ahead of time zero, so that the record begins in silence."""
    return held.after("dewow")


def _spoilt_tone(held: Held) -> Held:
    return with_tone(held, frequency_mhz=430.0, size=25.0)


def _spoilt_drift(held: Held) -> Held:
    return with_drift(held, size=250.0)


_NARROW = {"low_mhz": 100.0, "high_mhz": 380.0}
_PLAIN = (
    Plain("detrend", "time_zero", spoil=_spoilt_drift, gained=False, share=0.9),
    Plain("dewow", "repair_traces", spectra=True, share=0.95, clip_after=True, to_ns=54.0),
    Plain(
        "band_pass",
        "repair_traces",
        {"low_mhz": 100.0, "high_mhz": 380.0},
        spoil=_dewowed,
        spectra=True,
        share=0.95,
        to_ns=54.0,
    ),
    Plain("band_pass_trapezoid", "repair_traces", spoil=_dewowed, spectra=True, share=0.95, to_ns=54.0),
    Plain("notch", "background_removal", {"frequency_mhz": 430.0}, spoil=_spoilt_tone, spectra=True),
    Plain("background_removal", "band_pass", share=0.97),
    Plain("background_fk", "band_pass", {"window_m": 8.0}, share=0.97),
    Plain("eigen_background", "band_pass", share=0.97),
    Plain("dip_filter", "compensate", gained=False),
    Plain(
        "q_compensation",
        "background_removal",
        {"highest_gain_db": 12.0},
        spectra=True,
        removed=False,
        after_word="After, 12 dB at most",
    ),
    Plain("zero_phase", "compensate", {"wavelet": "minimum"}, gained=False, trace_m=15.0, removed=False),
    Plain("spiking_deconvolution", "compensate", gained=False, spectra=True, removed=False),
    Plain("shaping_deconvolution", "compensate", gained=False, spectra=True, removed=False),
    Plain("spectral_whitening", "compensate", gained=False, spectra=True, removed=False),
    Plain("trace_balance", "compensate", gained=False, spoil=_fading),
)
_ATTRIBUTES = (
    Attribute("envelope", "amplitude", migrated=True),
    Attribute("similarity", "semblance", low=0.0, high=1.0, until="band_pass"),
    Attribute("truncation", "truncation", high=0.8, until="band_pass"),
    Attribute("low_amplitude", "dB quieter", high=15.0),
    Attribute("instantaneous_frequency", "MHz", low=100.0, high=350.0),
    Attribute("instantaneous_phase", "radians", low=-np.pi, high=np.pi, scale="romaO"),
    Attribute("cosine_phase", "cosine", low=-1.0, high=1.0, scale="broc"),
    Attribute("automatic_gain", "units of its own level", low=-2.5, high=2.5, scale="broc"),
)

STEP_PICTURES: dict[str, Callable[[Demo], Plate]] = {
    "repair_traces": _repair,
    "time_zero": _time_zero,
    "equal_spacing": _equal,
    "resample_time": _resample_time,
    "air_wave_removal": _air,
    "compensate": _gain_curve("compensate"),
    "power_gain": _gain_curve("power_gain"),
    "predictive_deconvolution": _predictive("predictive_deconvolution"),
    "predictive_deconvolution_by_trace": _predictive("predictive_deconvolution_by_trace"),
    "migrate_stolt": _migrated("migrate_stolt"),
    "migrate_phase_shift": _migrated("migrate_phase_shift", ("Difference to Stolt, × 20", {})),
    "migrate_kirchhoff": _migrated("migrate_kirchhoff", ("Aperture 25° only", {"aperture_deg": 25.0})),
    "migrate_kirchhoff_3d": _across_lines,
    "topography": _topography,
    "line_balance": _line_balance,
    **{one.step: one.draw for one in _PLAIN},
    **{one.step: one.draw for one in _ATTRIBUTES},
}
"""By name of the step; every registered step has one."""
