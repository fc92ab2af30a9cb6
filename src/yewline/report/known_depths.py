"""Estimated depths of known burials against excavated ones: in a few sentences, and burial by burial."""

from __future__ import annotations

import math
from typing import Any

from yewline.report.cells import Cell, Table
from yewline.report.words import count, listed, metres, number, p_value
from yewline.workspace.results import SiteResult
from yewline.workspace.stage_known_depths import DepthCheck

__all__ = ["known_depths"]

Held = list[tuple[str, DepthCheck]]


def known_depths(result: SiteResult) -> dict[str, Any]:
    """What the page says of depths that were excavated."""
    held = [(visit.name, visit.depth_check) for visit in result.visits if visit.depth_check is not None]
    usable = [(name, check) for name, check in held if check.every is not None]
    if not usable:
        why = held[0][1].why if held else ""
        text = (
            f"Depths cannot be held to those excavated: {why}."
            if why
            else "No known burial has an excavated depth (top_m), so that estimated depths are not checked here."
        )
        return {"known_words": text, "known_table": None}
    return {"known_words": _words(usable), "known_table": _summary(usable), "depth_burials": _burials(usable)}


def _words(held: Held) -> str:
    top, base = held[0][1].between_m
    text = (
        "A hotspot lies on one slice and has no depth of its own. So the depth of each known burial is taken where the "
        f"ground below its outline answers most strongly between {top:g} and {base:g} m, against what is usual at that "
        "depth. The place is the excavation's: this checks depths, and is no independent finding of a burial. What the "
        "same outlines give elsewhere on the site stands beside it as chance. What answers lies somewhere between the "
        "top of a body and its base; the interval holds the errors of velocity, time zero and excavation, and not that."
    )
    ends = {name: int(check.table["at_end"].sum()) for name, check in held}
    if sum(ends.values()):
        left = listed([f"{n} on {name}" for name, n in ends.items() if n])
        text += f" Columns that are strongest at an end of those depths have no crest there and are left out ({left})."
    if seen := [name for name, check in held if check.rests_on_depths]:
        text += (
            f" On {listed(seen)} the velocity itself rests on depths of these burials, so that it has seen the answer."
        )
    return text


def _summary(held: Held) -> Table:
    table = Table("Estimated less excavated depth", ("", *(name for name, _ in held)))

    checks = [check for _, check in held]
    table.add("Burials", "with an estimate, of those with an excavated depth", [_counted(check) for check in checks])
    table.add("Off the top", "mean; positive: estimated too deep", [_mean(check) for check in checks])
    table.add("Error", "root mean square; in brackets by chance", [_rms(check) for check in checks])
    table.add(
        "Intervals that hold the top",
        "90 % are meant to, if tops answer; with 95 % interval",
        [_held(check, "top_share") for check in checks],
    )
    table.add(
        "Intervals that meet the body",
        "anywhere from top to base; with 95 % interval",
        [_held(check, "body_share") for check in checks],
    )
    return table


def _counted(check: DepthCheck) -> Cell:
    every, matched = check.every, check.matched
    assert every is not None
    note = "none matched" if matched is None else f"{matched.n} of them matched with a hotspot"
    return Cell(f"{every.n} of {len(check.table)}", note)


def _mean(check: DepthCheck) -> Cell:
    assert check.every is not None
    matched = check.matched
    return Cell(metres(check.every.mean_m), "" if matched is None else f"matched ones: {metres(matched.mean_m)}")


def _rms(check: DepthCheck) -> Cell:
    assert check.every is not None
    chance, matched = check.chance, check.matched
    text = metres(check.every.rms_m)
    text += "" if chance is None else f" ({metres(chance.rms_m)}; p = {p_value(chance.p)})"
    return Cell(text, "" if matched is None else f"matched ones: {metres(matched.rms_m)}")


def _held(check: DepthCheck, share: str) -> Cell:
    assert check.every is not None
    found = getattr(check.every, share)
    if found.value is None or found.low is None or found.high is None:
        return Cell("–", found.why)
    chance = "" if check.chance is None else f"by chance {100 * getattr(check.chance, share):.0f} %"
    text = f"{found.k} of {found.n} ({100 * found.low:.0f} % to {100 * found.high:.0f} %)"
    return Cell(text, chance)


def _burials(held: Held) -> Table:
    caption = f"Depth of the strongest response below {count(len(held[0][1].table), 'burial')}, with its 90 % interval"
    table = Table(caption, ("Burial", "Excavated", *(name for name, _ in held)), dense=True)
    rows = [check.table.to_dict("records") for _, check in held]
    for same in zip(*rows, strict=True):
        first = same[0]
        base = "" if not math.isfinite(first["base_m"]) else f"–{first['base_m']:.2f}"
        table.rows.append(
            [Cell(str(first["burial"]), str(first["kind"])), Cell(f"{first['top_m']:.2f}{base} m"), *map(_found, same)]
        )
    return table


def _found(row: dict[Any, Any]) -> Cell:
    matched = ", matched" if row["matched"] else ""
    if not math.isfinite(row["estimated_m"]):
        return Cell("–", ("strongest at an end of the depths" if row["at_end"] else "no data") + matched, "out")
    kind = "yes" if row["holds_top"] else "part" if row["meets_body"] else "no"
    return Cell(
        f"{row['estimated_m']:.2f} ± {row['half_width_m']:.2f} m", f"{_signed(row['difference_m'])}{matched}", kind
    )


def _signed(value: float) -> str:
    text = number(value)
    return f"{text} m" if text.startswith("−") else f"+{text} m"
