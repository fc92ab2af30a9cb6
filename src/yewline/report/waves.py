"""What the ground did to the wave on each visit: a table, what it means for graves, and what it rests on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from yewline.report.cells import Cell, Table
from yewline.report.words import listed, number, rounded
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.stage_wave import MEAN, RELATIONS, Estimate, SoilModel, VisitWave, at_mean

__all__ = ["patches_words", "relation_words", "relations_tables", "wave_meaning", "wave_table"]

Held = tuple[VisitResult, VisitWave]

PATCHES: Final = {
    "weak": "patches of moisture are far smaller than the wave and hardly disturb it",
    "strong": "patches of moisture are about as large as the wave and may look like small targets",
    "smooth": "patches of moisture that the readings show bend and shift the picture rather than make false echoes",
}


def _held(result: SiteResult) -> list[Held]:
    return [(visit, visit.wave) for visit in result.visits if visit.wave is not None]


def wave_table(result: SiteResult) -> Table | None:
    """Figures of the wave, a column a visit; None where none are known."""
    held = _held(result)
    if not held:
        return None
    table = Table("The wave in the ground, at each visit's mean moisture", ("", *(visit.name for visit, _ in held)))

    def row(head: str, note: str, cell: Callable[[Held], Cell]) -> None:
        table.add(head, note, (cell(each) for each in held))

    row("Moisture", "mean, m³/m³", _moisture)
    row(
        "Velocity", "the one that depths rest on", lambda it: _cell(at_mean(it[1].figures.velocity_m_per_ns), 3, "m/ns")
    )
    row("Wavelength", "at the antenna's centre frequency", _wavelength)
    row(
        "Resolution",
        "a quarter of the wavelength: what lies closer in depth runs together",
        lambda it: _cell(at_mean(it[1].figures.resolution_m), 3, "m"),
    )
    row("Attenuation", "one way", lambda it: _cell(at_mean(it[1].figures.attenuation_db_per_m), 1, "dB/m"))
    options = held[0][1].figures.options
    wetter = "wetter" if options.contrast_vwc > 0 else "drier"
    row(
        "Reflection of a fill",
        f"taken to be {abs(options.contrast_vwc):g} m³/m³ {wetter} than the soil; against a perfect reflector",
        lambda it: Cell(f"{number(float(it[1].figures.contrast_db[MEAN]), 0)} dB"),
    )
    row("Depth reach", f"for such a fill, if the radar spans {options.dynamic_range_db:g} dB", _reach)
    row(
        "Patches against the wave",
        "k·a: 2π times the length over which moisture is alike, over the wavelength",
        _patches,
    )
    return table


def _cell(value: Estimate, digits: int, unit: str) -> Cell:
    return Cell(f"{number(value.value, digits)} {unit}", f"{number(value.low, digits)} to {number(value.high, digits)}")


def _moisture(it: Held) -> Cell:
    visit, wave = it
    levels = wave.figures.levels
    if not wave.from_readings or visit.moisture_figures is None:
        return Cell(number(levels.mean, 2), "not read: what its velocity means")
    mean = visit.moisture_figures.level.mean
    tenths = f"a tenth below {number(levels.p10)}, a tenth above {number(levels.p90)}"
    known = f"{number(mean.low)} to {number(mean.high)}; " if mean.low == mean.low else ""
    return Cell(number(levels.mean, 2), f"{known}{tenths}")


def _wavelength(it: Held) -> Cell:
    cell = _cell(at_mean(it[1].figures.wavelength_m), 2, "m")
    return Cell(cell.text, f"{cell.note}; {it[1].figures.frequency_mhz:g} MHz")


def _reach(it: Held) -> Cell:
    figures = it[1].figures
    cell = _cell(at_mean(figures.reach_m), 1, "m")
    rules = sorted(float(rule.value[MEAN]) for rule in figures.reach_by_rule_m.values())
    return Cell(cell.text, f"{cell.note}; by rules of thumb {number(rules[0], 1)} to {number(rules[-1], 1)}")


def _patches(it: Held) -> Cell:
    wave = it[1]
    found = wave.scattering
    if wave.scattering_why:
        return Cell("–", wave.scattering_why)
    low, high = found.low == found.low, found.high == found.high
    if low and high:
        return Cell(rounded(found.value), f"{rounded(found.low)} to {rounded(found.high)}; {_class(wave)}")
    return Cell(f"at least {rounded(found.low)}" if low else f"at most {rounded(found.high)}", _class(wave))


def _class(wave: VisitWave) -> str:
    return wave.figures.scattering_words[MEAN].split(":")[0]


def wave_meaning(result: SiteResult) -> list[dict[str, str]]:
    """One sentence a visit: what its ground means for seeing graves."""
    top_m, base_m = result.settings.target.depth_m
    return [{"name": visit.name, "text": _meaning(wave, top_m, base_m)} for visit, wave in _held(result)]


def _meaning(wave: VisitWave, top_m: float, base_m: float) -> str:
    figures = wave.figures
    reach, fine = at_mean(figures.reach_m), at_mean(figures.resolution_m).value
    span = f"{reach.low:.1f} to {reach.high:.1f} m"
    if reach.low >= base_m:
        seen = f"graves are within reach down to the {base_m:g} m at which they are expected"
    elif reach.high < top_m:
        seen = f"even the shallowest graves expected, at {top_m:g} m, are out of reach"
    elif reach.value >= base_m:
        seen = f"graves are probably within reach down to {base_m:g} m, but the reach is known only as {span}"
    else:
        seen = f"graves deeper than about {reach.value:.1f} m ({span}) may be out of reach"
    return f"{seen}; what lies less than {fine:.2f} m apart in depth runs together."


def patches_words(result: SiteResult) -> list[str]:
    """What patches of moisture do to the picture: a sentence for the visits on which they do the same."""
    by: dict[str, list[str]] = {}
    held = _held(result)
    for visit, wave in held:
        if not wave.scattering_why:
            by.setdefault(_class(wave), []).append(visit.name)
    told = []
    for kind, names in by.items():
        text = f"on {listed(names)} {PATCHES[kind]}." if len(names) < len(held) else f"{PATCHES[kind]}."
        told.append(f"{text[:1].upper()}{text[1:]}")
    return told


def relation_words(result: SiteResult) -> list[str]:
    """Which relation of water and velocity was chosen and why, and how far others would lead from it."""
    groups: dict[tuple[str, str, tuple[str, ...]], list[Held]] = {}
    for visit, wave in _held(result):
        model = wave.figures.model
        groups.setdefault((model.source, model.reason, model.warnings), []).append((visit, wave))
    told = []
    for (source, reason, warnings), held in groups.items():
        names = listed([visit.name for visit, _ in held])
        of = f"{names}: w" if len(groups) > 1 else "W"
        text = f"{of}ater and velocity were related by {source}, because: {reason}. "
        text += f"The relations that such soil is in the range of differ from it by {_spreads(held)} of velocity (sd); "
        text += f"attenuation is known within a factor of {_factors(held)} (sd)"
        assumed = list(dict.fromkeys(word for _, wave in held for word in wave.figures.loss.assumed))
        text += f", with {listed(assumed)}" if assumed else ""
        told.append(". ".join([text, *(f"{note[:1].upper()}{note[1:]}" for note in warnings)]) + ".")
    return told


def _spreads(held: list[Held]) -> str:
    shares = []
    for _, wave in held:
        model, levels = wave.figures.model, wave.figures.levels
        shares.append(100.0 * float(wave.figures.spread.sd_ln_v_about(model.permittivity(levels.vwc))[MEAN]))
    return f"{_over(shares, 0)} %"


def _factors(held: list[Held]) -> str:
    return _over([float(wave.figures.loss.factor[MEAN]) for _, wave in held], 1)


def _over(values: list[float], digits: int) -> str:
    """From the lowest to the highest over visits, or one value where they are alike."""
    low, high = number(min(values), digits), number(max(values), digits)
    return low if low == high else f"{low} to {high}"


def relations_tables(result: SiteResult) -> list[Table]:
    """The relations that were not taken, with why, a table for each soil and frequency."""
    seen: dict[tuple[object, ...], tuple[SoilModel, list[str]]] = {}
    for visit, wave in _held(result):
        model = wave.figures.model
        seen.setdefault((model.name, model.others), (model, []))[1].append(visit.name)
    tables = []
    for model, names in seen.values():
        caption = "Relations that were not taken" + (f": {listed(names)}" if len(seen) > 1 else "")
        table = Table(caption, ("Relation", "In its range", "Why not"))
        for other in model.others:
            within = Cell("yes", "", "yes") if other.within else Cell("no", "", "no")
            table.rows.append([Cell(RELATIONS[other.name].source), within, Cell(other.why)])
        tables.append(table)
    return tables
