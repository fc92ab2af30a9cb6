"""A visit's moisture readings: read as its settings say, calibrated, corrected where asked for, and looked through."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from numpy.polynomial import Polynomial

from yewline.errors import InputError, SettingsError, YewlineError
from yewline.formats import ReadingOptions, read_calibration_pairs, read_lines_table, read_readings, read_trace_times
from yewline.ground import (
    Calibration,
    calibration_findings,
    choose_soil_model,
    conductivity_at_25,
    correct_salinity,
    correct_temperature,
    fit_calibration,
    porosity_of_bulk,
    reading_error_of,
    reading_findings,
    reading_time_findings,
    sensor_findings,
    split_reading_error,
)
from yewline.model import VWC_HIGHEST, VWC_LOWEST, Finding, ReadingSettings
from yewline.physics import ledieu_moisture, topp_moisture, topp_moisture_exact
from yewline.workspace.site import Site, Visit, calibration_files

__all__ = ["RELATIONS", "at_one_depth", "line_times", "read_visit_readings"]

Array = npt.NDArray[np.float64]

RELATIONS: Final[dict[str, Callable[[npt.ArrayLike], Array]]] = {
    "topp": topp_moisture,
    "topp-exact": topp_moisture_exact,
    "ledieu": ledieu_moisture,
}
"""Water content from permittivity, by the names that `relation` of `[readings]` may have besides "soil"."""
_BEYOND_END_M: Final = 1.0


def read_visit_readings(site: Site, visit: Visit) -> tuple[pd.DataFrame | None, list[Finding]]:
    """All readings of a visit, of every depth, and what there is to say of them; None where it has no file of them.

    Raises
    ------
    SiteError : there are two files of readings.
    FormatError, InputError, SettingsError : readings or calibration cannot be used. Readings that were to be calibrated
        are never used without.
    """
    path, how = visit.readings_path, visit.settings.readings
    if path is None:
        return None, []
    calibration, findings = _calibration(site, visit)
    readings, said = read_readings(path, to_site=site.settings.grid, options=_options(site, visit, calibration))
    findings = [*said, *findings]
    if calibration is not None:
        at = readings["written"].to_numpy(np.float64)
        readings = readings.assign(vwc_own_sd=calibration.own_sd, vwc_common_sd=calibration.common_sd(at))
        findings += calibration_findings(calibration, written=at, where=str(_calibration_files(site, visit)[0]))
    elif not how.sigma_stated:
        probe = f"a probe of class '{how.sensor_class}'" if how.sensor_class else "an uncalibrated probe"
        text = f"sigma_vwc is not stated: {how.sigma_vwc:g} m³/m³ is taken, as for {probe}"
        do = "state it, or calibrate on site (calibration.csv)"
        findings.append(Finding("assumed", "readings-sigma", text, where=str(path), do=do))
    readings, corrected = _corrected(readings, how, str(path))
    findings += corrected
    porosity = how.porosity
    if porosity is None and how.bulk_g_per_cm3 is not None:
        porosity = porosity_of_bulk(how.bulk_g_per_cm3)
    own_sd = reading_error_of(readings, sigma_vwc=how.sigma_vwc)[0]
    findings += reading_findings(readings, own_sd=own_sd, porosity=porosity, where=str(path))
    times = reading_time_findings(
        readings["time"].tolist(),
        rows=readings["row"].tolist(),
        date=visit.settings.date,
        line_times=line_times(visit),
        most_hours=how.most_hours_apart,
    )
    findings += [replace(finding, where=str(path)) for finding in times]
    return readings, findings


def at_one_depth(
    readings: pd.DataFrame, depth_m: float | None, *, where: str = ""
) -> tuple[pd.DataFrame, list[Finding]]:
    """The readings that level, variability and map stand for, where a visit has several depths.

    Parameters
    ----------
    readings : of every depth.
    depth_m : the depth chosen; None takes the shallowest, which is said.

    Raises
    ------
    SettingsError : there are no readings at the depth chosen.
    """
    depths = np.unique(readings["depth_m"].dropna().round(3))
    if depth_m is None and len(depths) <= 1:
        return readings, []
    told = ", ".join(f"{depth:g} m" for depth in depths) or "no depth"
    chosen = float(depths[0]) if depth_m is None else depth_m
    at = np.isclose(readings["depth_m"].to_numpy(np.float64), chosen, atol=0.005)
    if not at.any():
        raise SettingsError(
            "no reading is at the depth that is to be mapped",
            where=where,
            received=f"depth_m = {chosen:g}; readings at {told}",
            do="choose one of them under [readings] in visit.toml",
        )
    text = f"of several depths the readings at {chosen:g} m are mapped"
    do = "" if depth_m is not None else "to choose another, state depth_m under [readings] in visit.toml"
    grade: Any = "found" if depth_m is not None else "assumed"
    return readings[at].reset_index(drop=True), [
        Finding(grade, "readings-depths", text, where=where, received=told, do=do)
    ]


def _options(site: Site, visit: Visit, calibration: Calibration | None) -> ReadingOptions:
    how = visit.settings.readings
    calibrate: Callable[[Array], Array] | None = None
    if calibration is not None:
        calibrate = calibration.vwc
    elif how.gain is not None:
        calibrate = Polynomial([how.offset_vwc, how.gain])
    return ReadingOptions(
        sheet=how.sheet,
        unit=how.unit,
        matrix_rows=how.matrix_rows,
        exclude_rows=how.exclude_rows,
        bulk_g_per_cm3=how.bulk_g_per_cm3,
        to_place=_line_places(site, visit),
        relation=_relation(visit),
        calibrate=calibrate,
    )


def _relation(visit: Visit) -> Callable[[npt.ArrayLike], Array]:
    settings = visit.settings
    if settings.readings.relation != "soil":
        return RELATIONS[settings.readings.relation]
    # The probe's own frequency decides which relations hold for it.
    mhz = settings.readings.sensor_mhz or settings.antenna.centre_mhz
    return choose_soil_model(settings.soil, frequency_mhz=mhz).moisture


def _calibration_files(site: Site, visit: Visit) -> list[Any]:
    """The visit's own goes before that of the site."""
    return [*calibration_files(visit.path), *calibration_files(site.root)]


def _calibration(site: Site, visit: Visit) -> tuple[Calibration | None, list[Finding]]:
    files, how = _calibration_files(site, visit), visit.settings.readings
    if not files:
        return None, []
    if how.gain is not None:
        raise SettingsError(
            "the readings are calibrated in two ways",
            where=f"visits/{visit.name}/visit.toml",
            received=f"gain = {how.gain:g}, and {site.relative(files[0])}",
            do="take gain and offset_vwc out, or move calibration.csv away",
        )
    pairs, findings = read_calibration_pairs(files[0], bulk_g_per_cm3=how.bulk_g_per_cm3)
    stated = pairs["reading_sd"].notna().all() and (pairs["reading_sd"] > 0).all()
    try:
        fitted = fit_calibration(
            pairs["reading"],
            pairs["vwc"],
            vwc_sd=pairs["vwc_sd"],
            reading_sd=pairs["reading_sd"] if stated else None,
            own_sd_vwc=split_reading_error(how.sigma_vwc)[0],
            root=how.calibrate_root,
        )
    except InputError as error:
        raise InputError(error.problem, where=str(files[0]), received=error.received, do=error.do) from error
    return fitted, findings


def _corrected(readings: pd.DataFrame, how: ReadingSettings, where: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Readings with the corrections that the settings ask for, and warnings of what would ask for one."""
    vwc, t = readings["vwc"].to_numpy(np.float64), readings["temperature_c"].to_numpy(np.float64)
    findings: list[Finding] = []
    if how.correct_temperature:
        liquid = np.where((t >= 0) & (t <= 50), t, np.nan)
        before, vwc = vwc, correct_temperature(vwc, liquid, calibrated_at_c=how.calibrated_at_c)
        left = np.isnan(liquid)
        text = f"{int((~left).sum())} readings corrected to {how.calibrated_at_c:g} °C: cold ground reads too wet"
        received = f"by {np.min(vwc - before):+.4f} to {np.max(vwc - before):+.4f} m³/m³"
        findings.append(Finding("found", "readings-temperature", text, where=where, received=received))
        if left.any():
            rows = ", ".join(str(row) for row in readings["row"][left].head(8))
            text = f"{int(left.sum())} readings have no temperature between 0 and 50 °C: they stay as they are"
            findings.append(Finding("warning", "readings-temperature-left", text, where=where, received=f"rows {rows}"))
    ec = conductivity_at_25(readings["ec_ms_per_m"], np.clip(t, -5.0, 50.0))
    if how.vwc_per_ms_per_m is not None:
        salt = {"vwc_per_ms_per_m": how.vwc_per_ms_per_m, "calibrated_at_ms_per_m": how.calibrated_at_ms_per_m}
        free = correct_salinity(vwc, ec, **salt)
        vwc = np.clip(free, VWC_LOWEST, VWC_HIGHEST)
        text = f"{int(np.isfinite(ec).sum())} readings corrected for salt, by {how.vwc_per_ms_per_m:g} m³/m³ per mS/m"
        received = f"{int((free != vwc).sum())} of them end at a limit of {VWC_LOWEST:g} to {VWC_HIGHEST:g}"
        findings.append(Finding("found", "readings-salt", text, where=where, received=received))
    warned = sensor_findings(
        sensor_class=how.sensor_class,
        sensor_mhz=how.sensor_mhz,
        ec25_ms_per_m=ec,
        corrected=how.vwc_per_ms_per_m is not None,
    )
    findings += [replace(finding, where=where) for finding in warned]
    return readings.assign(vwc=vwc), findings


def _line_places(site: Site, visit: Visit) -> Callable[[str, float], tuple[float, float]]:
    """Where a tape along a line lies: from its start over the ends of all its segments, as `lines.csv` has them."""

    @cache
    def ends() -> dict[str, Array]:
        held: dict[str, list[Array]] = {}
        for row in read_lines_table(visit.path / "lines.csv")[0]:
            grid = site.settings.grid(row.grid)
            corners = np.array([[row.x0, row.y0], [row.x1, row.y1]], dtype=np.float64)  # None becomes NaN
            if grid is not None and np.isfinite(corners).all():
                held.setdefault(row.line, []).append(grid.to_site(corners))
        return {line: np.concatenate(parts) for line, parts in held.items()}

    def place(line: str, distance_m: float) -> tuple[float, float]:
        if line not in ends():
            near = difflib.get_close_matches(line, ends(), n=1, cutoff=0.6)
            do = f"did you mean '{near[0]}'?" if near else "give its ends x0, y0, x1, y1 in lines.csv, or x and y here"
            raise InputError(f"lines.csv has no ends of a line '{line}'", received=line, do=do)
        corners = ends()[line]
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        if not 0 <= distance_m <= along[-1] + _BEYOND_END_M:
            do = "distance_m counts metres from the start of the line"
            raise InputError(f"line '{line}' is {along[-1]:.2f} m long", received=f"distance_m {distance_m:g}", do=do)
        # A metre beyond the end is the tape's last mark, not the line's.
        reach = min(distance_m, float(along[-1]))
        return float(np.interp(reach, along, corners[:, 0])), float(np.interp(reach, along, corners[:, 1]))

    return place


def line_times(visit: Visit, *, zoned: bool = True) -> list[dt.datetime]:
    """When lines were recorded, as far as `trace_times.csv` says it; a clock is that of the visit's day.

    Without `zoned`, times that name a zone are left out: they are not those of the clocks in the field.
    """
    path = visit.path / "trace_times.csv"
    if not path.is_file():
        return []
    try:
        times, _ = read_trace_times(path)
    except YewlineError:
        return []  # whoever places traces by it says what is wrong with it
    midnight = dt.datetime.combine(visit.settings.date, dt.time(), tzinfo=dt.UTC)
    held = []
    for seconds, clock in times[["time_s", "clock"]].itertuples(index=False):
        if clock == "clock":
            held.append(midnight + dt.timedelta(seconds=float(seconds)))
        elif clock == "date" or (zoned and clock.startswith("date")):
            held.append(dt.datetime.fromtimestamp(float(seconds), tz=dt.UTC))
    return held
