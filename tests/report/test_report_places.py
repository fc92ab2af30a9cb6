"""Where lines and hotspots lie: corrections seen from above, and how well traces are placed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yewline.model import LineCorrection
from yewline.report.rearranged import _figure, rearranged
from yewline.report.tables import hotspot_table
from yewline.workspace.results import Rearranged, Seen


def seen(strength: np.ndarray, likeness: float) -> Seen:
    names = tuple(f"A{k:02d}" for k in range(len(strength)))
    return Seen(names, np.arange(strength.shape[1]) * 0.1, strength.astype(np.float32), likeness)


def turned(accepted: bool) -> Rearranged:
    rows = np.tile(np.linspace(0, 1, 30), (5, 1))
    before = rows.copy()
    before[2] = before[2, ::-1]
    correction = LineCorrection(kind="reversed", lines=("A02",), reason="field notes" if accepted else "")
    return Rearranged(correction, accepted, ("A02",), seen(before, -0.12), seen(rows, 0.4))


def test_the_table_says_what_was_accepted_and_what_was_not(site):
    visit = replace(site.visits[0], rearranged=(turned(True), turned(False)))
    (told,) = rearranged(replace(site, visits=(visit, *site.visits[1:])))
    assert [[cell.text for cell in row] for row in told.table.rows] == [
        ["A02 walked the other way round", "accepted", "-0.12", "0.40"],
        ["A02 walked the other way round", "proposed, not applied", "-0.12", "0.40"],
    ]
    assert told.table.rows[0][1].note == "field notes"
    assert told.picture is not None
    assert "as listed (left) and as corrected (right)" in told.picture.caption


def test_nothing_is_said_where_nothing_was_moved(site):
    assert rearranged(site) == []


def test_both_sides_stand_on_the_same_colours_and_the_line_is_marked():
    figure = _figure((turned(True),))
    left, right = (axes.images[0] for axes in figure.axes)
    assert left.get_clim() == right.get_clim()
    np.testing.assert_array_equal(left.get_array()[2], right.get_array()[2][::-1])
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["A00", "A01", "▸ A02", "A03", "A04"]


def test_many_lines_are_named_by_their_ends(site):
    names = tuple(f"A{k:02d}" for k in range(9))
    rows = np.zeros((9, 20))
    zigzag = LineCorrection(kind="zigzag", lines=names, offset_m=-0.12)
    made = Rearranged(zigzag, False, names, seen(rows, 0.2), seen(rows, 0.3))
    (told,) = rearranged(replace(site, visits=(replace(site.visits[0], rearranged=(made,)),)))
    assert told.table.rows[0][0].text == "zigzag of -0.12 m on A00 to A08 (9 lines)"


def test_hotspots_say_how_well_their_traces_are_placed(site):
    """0.10 m, one standard deviation, is ± 0.16 m at 90 % (1.645 standard deviations of a normal curve)."""
    visit = site.visits[0]
    known = replace(visit, scored=visit.scored.assign(position_sigma_m=0.10))
    unknown = replace(visit, scored=visit.scored.assign(position_sigma_m=np.nan))
    assert {row[0].note for row in hotspot_table(site, known).rows} == {"traces placed ± 0.16 m"}
    assert {row[0].note for row in hotspot_table(site, unknown).rows} == {""}
