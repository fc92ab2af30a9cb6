"""The visits compared two by two: words, figures and a picture of each comparison."""

from __future__ import annotations

from typing import Any

from yewline.report.cells import Cell, Table
from yewline.report.distances import comparison_plot
from yewline.report.pictures import make_picture
from yewline.report.sentences import visits_words
from yewline.report.words import count, metres, p_value
from yewline.workspace.results import SiteResult

__all__ = ["compared"]


def compared(result: SiteResult) -> dict[str, Any]:
    """What the template shows of the comparisons, or why there is none."""
    items = []
    for c in result.comparisons:
        table = Table("The comparison in figures", ("Figure", "Value"))
        for head, note, text in (
            ("Distance", f"counted up to {metres(c.tolerance_m)}, the tolerance of matching", c.measure),
            ("Burials compared", f"in {count(c.blocks, 'group')}: those that share a hotspot are one", str(c.n)),
            ("Mean difference", f"{c.direction}, {c.visit_b} minus {c.visit_a}", metres(c.paired_difference_m)),
            ("95 % interval", c.why, "–" if c.low_m is None else f"{metres(c.low_m)} to {metres(c.high_m)}"),
            ("Difference by chance", "from the scatter of the hotspots alone", metres(c.chance_difference_m)),
            ("p, two-sided", "groups of burials flipped together", p_value(c.p)),
            ("Smallest possible p", f"{c.differing} of {c.n} burials differ", p_value(c.smallest_p)),
        ):
            table.rows.append([Cell(head, note), Cell(text)])
        heading = f"{c.visit_a} and {c.visit_b}"
        picture = make_picture(
            comparison_plot(c),
            f"Distance from each burial to its nearest hotspot, {c.visit_a} across, {c.visit_b} upward.",
            "One mark for each known burial; a larger mark stands for several. Distances are capped at the tolerance.",
        )
        items.append({"heading": heading, "statement": c.statement, "table": table, "picture": picture})
    alone = len(result.visits) < 2
    only = f"{visits_words(result)} So there is" if result.left_out else "There was one visit only:"
    return {
        "comparisons": items,
        "no_comparison": f"{only} nothing to compare it with."
        if alone
        else "Without known burials visits cannot be compared burial by burial.",
    }
