"""Pictures beyond single steps: velocity from hyperbolas and focus, and lines walked forth and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from picture_lines import DRY, VELOCITY, WET, Demo
from picture_panels import AFTER, BEFORE, CHOICES, SEQUENTIAL, Panel, Plate, clip_of, draw

from yewline import signal
from yewline.positions import correct_zigzag, estimate_zigzag, line_images
from yewline.recipe import section_of
from yewline.report.palette import colour_map
from yewline.workspace.field import field_findings
from yewline.workspace.lazy import lights_of
from yewline.workspace.load import load_visit
from yewline.workspace.rearranged import rearranged_lines

__all__ = ["SURVEY_PICTURES"]


def _migration_velocity(demo: Demo) -> Plate:
    before = demo.through(WET, "A03", "compensate")
    right = VELOCITY[WET]
    plate = Plate([1.0, 1.0, 1.0, 1.0], high_in=3.0)
    shown = before.view(7.0, 13.0, from_ns=12.0, to_ns=44.0)
    clip = clip_of(shown, share=0.998)
    draw(plate.row()[0], Panel(shown, "Unmigrated"), clip, first=True)
    for ax, share in zip(plate.row()[1:], (0.9, 1.0, 1.1), strict=True):
        made = before.after("migrate_stolt", velocity_m_per_ns=share * right)
        word = f"{share * right:.4f} m/ns" + ("" if share == 1 else f" ({'+' if share > 1 else '−'}10 %)")
        draw(ax, Panel(made.view(7.0, 13.0, from_ns=12.0, to_ns=44.0), word), clip, first=False)
    return plate


def _focus(demo: Demo) -> Plate:
    before = demo.through(WET, "A03", "background_removal")
    velocities = np.linspace(0.055, 0.105, 41)
    spacing, interval = before.section.spacing_m, before.section.interval_ns
    places = ((3.7, 35.0), (8.4, 25.0), (10.9, 26.5))
    windows = [
        signal.FocusWindow(
            (round((x - 1.2) / spacing), round((x + 1.2) / spacing)),
            (round((t - 4) / interval), round((t + 6) / interval)),
        )
        for x, t in places
    ]
    curves = signal.focus_curve(before.amplitude, before.section, velocities, windows=windows, method="kirchhoff")
    whole = demo.through(WET, "B03", "background_removal")
    found = signal.focus_estimate(whole.amplitude, whole.section, seed=1)
    plate = Plate([1.0, 1.0], high_in=3.0)
    left, right = plate.row()
    for row, (x, _), style, colour in zip(curves.varimax, places, ("-", "--", ":"), CHOICES, strict=True):
        left.plot(
            velocities,
            row / row.max(),
            linestyle=style,
            color=colour,
            linewidth=1.4,
            label=f"response at {x:g} m",
        )
    left.set(xlabel="velocity, m/ns", ylabel="varimax, of its highest", title="Curves of single responses")
    left.legend(loc="upper left")
    right.plot(found.v_m_per_ns, found.sharpness, color=BEFORE, linewidth=1.4)
    if found.estimate is not None:
        v, sigma = found.estimate.v_m_per_ns, found.estimate.sigma_m_per_ns
        right.axvline(v, color=AFTER, linewidth=1.4)
        right.axvspan(v - sigma, v + sigma, color=AFTER, alpha=0.15, linewidth=0)
        right.set_title(f"A whole line: {v:.3f} ± {sigma:.3f} m/ns")
    right.set(xlabel="velocity, m/ns", ylabel="sharpness")
    return plate


def _hyperbolas(demo: Demo) -> Plate:
    before = demo.through(WET, "A03", "background_removal")
    found = signal.find_hyperbolas(before.amplitude, before.section, line="A03")
    plate = Plate([1.6, 1.0], high_in=3.4)
    left, right = plate.row()
    seen = before.view(1.0, 14.0, to_ns=46.0, like=True)
    draw(left, Panel(seen, "Hyperbolas found and fitted"), clip_of(seen), first=True)
    inside = [fit for fit in found.fits if 1.0 < fit.x_m < 14.0]
    for fit in inside:
        reach = np.linspace(fit.x_m - fit.depth_m, fit.x_m + fit.depth_m, 80)
        for value, style, wide in (
            (fit.v_m_per_ns, "-", 1.5),
            (fit.interval()[0], ":", 0.9),
            (fit.interval()[1], ":", 0.9),
        ):
            left.plot(reach, replace(fit, v_m_per_ns=value).times(reach), color=AFTER, linestyle=style, linewidth=wide)
        half = 0.5 * (fit.interval()[1] - fit.interval()[0])
        left.annotate(
            f"{fit.v_m_per_ns:.3f} ± {half:.3f} m/ns",
            (fit.x_m, fit.apex_ns - 1.5),
            ha="center",
            fontsize=7.5,
            bbox={"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 1.5},
        )
    left.set(xlim=(1.0, 14.0), ylim=(46.0, 0.0))
    chosen = max(inside, key=lambda fit: fit.semblance or 0.0)
    panel = signal.semblance_panel(
        before.amplitude, before.section, chosen.x_m, velocities_m_per_ns=np.linspace(0.05, 0.12, 71)
    )
    right.imshow(
        panel.semblance.T,
        extent=(0.05, 0.12, panel.time_ns[-1], panel.time_ns[0]),
        aspect="auto",
        cmap=colour_map(SEQUENTIAL),
        vmin=0.0,
        vmax=1.0,
        interpolation="bilinear",
    )
    right.errorbar(
        chosen.v_m_per_ns,
        chosen.apex_ns,
        xerr=0.5 * (chosen.interval()[1] - chosen.interval()[0]),
        fmt="o",
        color=AFTER,
        markerfacecolor="none",
        markersize=8,
        capsize=3,
    )
    right.set(xlabel="velocity, m/ns", ylabel="time, ns", title=f"Semblance at {chosen.x_m:.1f} m")
    return plate


def _zigzag(demo: Demo) -> Plate:
    planted = 0.15
    lines = {}
    for name, radargram in demo.radargrams(DRY).items():
        if name.startswith("A") and radargram.sizes["trace"] == 361 and name not in demo.misplaced(DRY):
            way = np.sign(radargram["x"].values[-1] - radargram["x"].values[0])
            lines[name] = radargram.assign_coords(x=("trace", radargram["x"].values + way * planted, {"units": "m"}))
    images = line_images(lines)[0]
    estimate = estimate_zigzag(images)
    corrected = {name: correct_zigzag(lines[name], images, estimate) for name in images.names}
    plate = Plate([1.0, 1.0], high_in=3.4)
    left, right = plate.row()
    _plan(left, lines, "Before", estimate.score_before)
    _plan(right, corrected, f"After: {-estimate.offset_m:+.2f} m".replace("-", "−"), estimate.score_after)
    right.tick_params(labelleft=False)
    right.set_ylabel("")
    return plate


def _swapped_lines(demo: Demo) -> Plate:
    visit = demo.site.visit(DRY)
    loaded = load_visit(demo.site, visit)
    lights = lights_of(loaded.radargrams)
    found = rearranged_lines(demo.site, visit, field_findings(visit, loaded), lights)
    shown = next(each for each in found if each.correction.kind == "swapped")
    plate = Plate([1.0, 1.0], high_in=3.4)
    known = shown.after.strength[np.isfinite(shown.after.strength)]
    low, high = np.percentile(known, (10, 98))
    for ax, seen, word in zip(plate.row(), (shown.before, shown.after), ("As listed", "As corrected"), strict=True):
        sides = (seen.along_m[0], seen.along_m[-1], len(seen.lines) - 0.5, -0.5)
        ax.imshow(
            seen.strength,
            extent=sides,
            aspect="auto",
            cmap=colour_map(SEQUENTIAL),
            vmin=low,
            vmax=high,
            interpolation="nearest",
        )
        ax.set_yticks(
            range(len(seen.lines)), [f"▸ {line}" if line in shown.lines else line for line in seen.lines], fontsize=7
        )
        ax.set(xlabel="distance along the lines, m", title=f"{word} (likeness to neighbours {seen.likeness:.2f})")
    return plate


def _plan(ax: Axes, lines: dict[str, xr.DataArray], title: str, score: float) -> None:
    """Strength between 12 and 20 ns, each line a strip at its place."""
    at = np.arange(6.0, 24.0, 0.05)
    for radargram in lines.values():
        section = section_of(radargram)
        values = radargram.values
        for step in (signal.time_zero, signal.dewow, signal.background_removal, signal.envelope):
            values = step(values, section)
        first, last = round(12.0 / section.interval_ns), round(20.0 / section.interval_ns)
        strength = values[:, first:last].mean(axis=1)
        x, y = radargram["x"].values, float(radargram["y"].values[0])
        order = np.argsort(x)
        row = np.interp(at, x[order], strength[order])
        ax.imshow(
            row[None],
            extent=(6.0, 24.0, y - 0.25, y + 0.25),
            aspect="auto",
            cmap=colour_map(SEQUENTIAL),
            vmin=20.0,
            vmax=260.0,
        )
    ax.set(xlim=(6.0, 24.0), ylim=(1.25, 14.5), xlabel="x, m", ylabel="y, m")
    ax.set_title(f"{title} (neighbours' correlation {score:.2f})")


SURVEY_PICTURES: dict[str, Callable[[Demo], Plate]] = {
    "migration_velocity": _migration_velocity,
    "focus": _focus,
    "hyperbolas": _hyperbolas,
    "zigzag": _zigzag,
    "swapped_lines": _swapped_lines,
}
