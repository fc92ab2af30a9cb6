from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from yewline.report import render_report, write_report
from yewline.report.context import CONTENTS
from yewline.report.distances import comparison_plot, distance_limit, distance_plot, null_plot
from yewline.report.slices import apart

VOID = {"meta", "img", "br", "hr", "link", "input"}
SELF_CLOSED = {"image", "path", "rect"}


class Page(HTMLParser):
    """Holds a page to be well formed, and keeps what tests ask for."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        assert len({name for name, _ in attrs}) == len(attrs), f"an attribute twice in <{tag}>"
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        assert tag in SELF_CLOSED, f"<{tag}/> is not closed in HTML"
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> out of order"

    def handle_data(self, data):
        self.texts.append((self.open[-1] if self.open else "", data))

    def having(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]

    @property
    def words(self):
        return " ".join(data for tag, data in self.texts if tag != "style")


CASES = {
    "plain": lambda s: s.make_site(2, 6),
    "one visit, one line": lambda s: s.make_site(1, 1),
    "five visits": lambda s: s.make_site(5, 2),
    "no burials": lambda s: s.make_site(2, 2, known=False),
    "no readings": lambda s: s.without_readings(s.make_site(2, 2)),
    "no hotspots": lambda s: s.without_hotspots(s.make_site(2, 2)),
    "nothing to say": lambda s: replace(
        s.without_readings(s.make_site(1, 1, known=False)), findings=(), choices=(), inputs={}
    ),
    "no lines": lambda s: replace(
        s.make_site(1, 1), visits=tuple(replace(v, radargrams={}) for v in s.make_site(1, 1).visits)
    ),
    "hostile names": lambda s: s.with_hostile_names(s.make_site(2, 7)),
}


@pytest.fixture(scope="module", params=list(CASES))
def rendered(request, synthetic):
    return request.param, render_report(CASES[request.param](synthetic))


@pytest.fixture(scope="module")
def plain(site):
    return render_report(site)


def test_every_page_is_well_formed_and_complete(rendered):
    page = Page(rendered[1])
    assert page.having("html") == [{"lang": "en"}]
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = [attrs["href"][1:] for attrs in page.having("a")]
    assert set(targets) <= set(ids)
    assert [attrs["id"] for attrs in page.having("section")] == [name for name, _ in CONTENTS]
    assert all(attrs["aria-labelledby"] in ids for attrs in page.having("section"))


def test_every_picture_has_words_for_it(rendered):
    page = Page(rendered[1])
    assert all(attrs.get("alt") for attrs in page.having("img"))
    drawings = [attrs for attrs in page.having("svg") if attrs.get("aria-hidden") != "true"]
    assert all(attrs.get("role") == "img" and attrs.get("aria-label") for attrs in drawings)
    assert all(attrs.get("scope") in ("col", "row") for attrs in page.having("th"))


def test_headings_skip_no_level(rendered):
    levels = [int(tag[1]) for tag, _ in Page(rendered[1]).tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert max(np.diff(levels)) <= 1


def test_nothing_outside_the_file_is_named(rendered):
    text = rendered[1]
    page = Page(text)
    for _, attrs in page.tags:
        for name, value in attrs.items():
            if name in ("src", "href", "xlink:href", "data", "action", "poster", "srcset"):
                assert value.startswith(("#", "data:image/png;base64,")), value[:80]
    assert not page.having("script") + page.having("link") + page.having("iframe") + page.having("object")
    assert not re.search(r"https?:|@import|file:", text)
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", text))


def test_names_and_notes_of_people_stay_text(synthetic):
    hostile = synthetic.HOSTILE
    text = render_report(synthetic.with_hostile_names(synthetic.make_site(2, 7)))
    page = Page(text)
    assert not page.having("script")
    assert "<script" not in text
    # Site name, visit, line, burial, hotspot, weather, note, finding, choice, recipe, input, release, caution.
    assert page.words.count(hostile) > 25
    assert any(hostile in attrs.get("aria-label", "") for attrs in page.having("svg"))
    assert any(hostile in attrs.get("alt", "") for attrs in page.having("img"))


def test_a_run_again_gives_the_same_bytes_whatever_the_hash_seed():
    program = (
        "import hashlib, importlib.util, sys\n"
        "spec = importlib.util.spec_from_file_location('synthetic_site', sys.argv[1])\n"
        "module = importlib.util.module_from_spec(spec)\n"
        "sys.modules['synthetic_site'] = module\n"
        "spec.loader.exec_module(module)\n"
        "from yewline.report import render_report\n"
        "sys.stdout.write(hashlib.sha256(render_report(module.make_site(2, 2)).encode()).hexdigest())\n"
    )
    where = str(Path(__file__).with_name("synthetic_site.py"))
    digests = set()
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", program, where],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        digests.add(done.stdout)
    assert len(digests) == 1
    assert len(digests.pop()) == 64


def test_writing_replaces_the_file_whole_and_leaves_nothing_beside_it(site, plain, tmp_path):
    path = tmp_path / "new" / "report.html"
    write_report(site, path)
    first = hashlib.sha256(path.read_bytes()).hexdigest()
    write_report(site, path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == first
    assert path.read_text("utf-8") == plain
    assert [file.name for file in path.parent.iterdir()] == ["report.html"]
    assert path.stat().st_size < 12e6


def test_the_answer_comes_first_and_the_rest_in_order(plain, site):
    words = Page(plain).words
    order = [
        "Restricted: shows places of burials",
        site.settings.name,
        "The answer first",
        "Of 23 known burials inside the surveyed ground, 15 were matched",
        "What may not be concluded",
        "The visits in figures",
        "Maps of hotspots and known burials",
        "Soil moisture",
        "Depth slices",
        "Radargrams",
        "Distances and chance",
        "Visits compared",
        "Known burials, visit by visit",
        "Choices made",
        "Data quality",
        "Limits, and what silence means",
        "Cautions",
        "Release requires approval by: the Hollow Bank descendants' council.",
        "Provenance",
    ]
    at = -1
    for part in order:
        found = words.find(part, at + 1)
        assert found > at, part
        at = found


def test_every_line_and_slice_and_statement_is_on_the_page(plain, site):
    page = Page(plain)
    labels = [attrs["aria-label"] for attrs in page.having("svg") if "aria-label" in attrs]
    for visit in site.visits:
        for line in visit.radargrams:
            assert sum(label.startswith(f"Radargram of line {line}, visit {visit.name}:") for label in labels) == 1
        assert sum(label.startswith("Strength at") and f"visit {visit.name};" in label for label in labels) == 10
    for comparison in site.comparisons:
        assert comparison.statement in page.words
    for name, digest in site.inputs.items():
        assert name in page.words
        assert digest in page.words
    for finding in site.findings:
        assert finding.text in page.words
    assert "Please read this with somebody you trust." in page.words


def test_neutral_wording_throughout(rendered):
    words = Page(rendered[1]).words.lower()
    assert "grave-like" in words
    for never in ("grave found", "graves found", "found a grave", "remains found", "mass grave"):
        assert never not in words


def test_missing_figures_say_why(synthetic):
    words = Page(render_report(synthetic.without_hotspots(synthetic.make_site(2, 1)))).words
    assert "there are no hotspots" in words
    assert "a visit has no hotspots" in words
    words = Page(render_report(synthetic.make_site(1, 1, known=False))).words
    assert "No burials are known here, so there are no distances to give." in words
    assert "There was one visit only: nothing to compare it with." in words
    words = Page(render_report(synthetic.make_site(2, 1, known=False))).words
    assert "Without known burials visits cannot be compared" in words


def test_remarks_on_chance_name_their_level_and_the_visits_they_hold_for(site):
    visit = site.visits[0]
    item = visit.score.hotspot_to_burial
    noted = replace(item, placement=replace(item.placement, notes=("few hotspots",)))
    odd = replace(visit, score=replace(visit.score, hotspot_to_burial=noted))
    words = Page(render_report(replace(site, visits=(odd, site.visits[1])))).words
    assert f"Placed anywhere ({visit.name}): few hotspots." in words
    assert "Pattern moved: Burials lie in rows 4.5 m apart" in words


def test_nobody_named_for_release_means_no_release(site):
    bare = replace(site, settings=site.settings.model_copy(update={"release": type(site.settings.release)()}))
    assert "Nobody is named in site.toml who decides on release" in Page(render_report(bare)).words


def test_distance_plots_show_what_was_measured(site):
    limit = distance_limit(site)
    for visit in site.visits:
        figure = distance_plot(visit, limit_m=limit)
        axes = figure.axes[0]
        assert axes.get_xlim() == (0, limit)
        for item in (visit.score.hotspot_to_burial, visit.score.burial_to_hotspot):
            shown = [line.get_xdata() for line in axes.lines if len(line.get_xdata()) == item.n]
            assert any(np.array_equal(x, item.distance_m) for x in shown)
        bands = sorted([patch.get_x(), patch.get_x() + patch.get_width()] for patch in axes.patches)
        nulls = (visit.score.hotspot_to_burial.shift, visit.score.burial_to_hotspot.shift)
        np.testing.assert_allclose(bands, sorted([null.low_m, null.high_m] for null in nulls))


def test_the_observed_mean_stands_in_both_null_distributions(site):
    visit = site.visits[0]
    figure = null_plot(visit)
    assert len(figure.axes) == 2
    for axes in figure.axes:
        assert visit.score.hotspot_to_burial.mean_m in axes.lines[0].get_xdata()
        assert any("observed 0.77 m" in text.get_text() for text in axes.texts)
    lone = replace(visit.score.hotspot_to_burial, placement=None, shift=None)
    assert null_plot(replace(visit, score=replace(visit.score, hotspot_to_burial=lone))) is None


def test_equal_distances_do_not_hide_one_another(site):
    item = replace(site.visits[0].score.hotspot_to_burial, distance_m=np.full(9, 0.5))
    visit = replace(site.visits[0], score=replace(site.visits[0].score, hotspot_to_burial=item))
    axes = distance_plot(visit, limit_m=3.0).axes[0]
    marks = next(line for line in axes.lines if len(line.get_xdata()) == 9)
    assert len(np.unique(marks.get_ydata())) == 9


def test_the_comparison_counts_burials_that_fall_together(site):
    comparison = replace(
        site.comparisons[0],
        capped_a_m=np.array([0.0, 0.0, 0.4, np.nan]),
        capped_b_m=np.array([0.4, 0.4, 0.1, np.nan]),
    )
    axes = comparison_plot(comparison).axes[0]
    assert axes.collections[-1].get_offsets().tolist() == [[0.0, 0.4], [0.4, 0.1]]
    assert [text.get_text() for text in axes.texts] == ["2 burials"]
    assert comparison_plot(replace(comparison, capped_a_m=np.zeros(0), capped_b_m=np.zeros(0))) is None
    assert comparison_plot(replace(comparison, capped_a_m=np.full(4, np.nan))) is None


def test_the_page_opens_with_care_and_with_who_decides(plain):
    words = Page(plain).words
    opening = words[: words.find("The answer first", words.find("Restricted"))]
    assert words.index("These pages concern people who have died") < words.index("Radar was drawn over")
    assert words.index("Release requires approval by") < words.index("Radar was drawn over")
    assert "Restricted" in opening


def test_a_null_that_leaves_hotspots_out_says_of_how_many_its_mean_is(site):
    visit = site.visits[0]
    item = visit.score.hotspot_to_burial
    note = "2 of 20 hotspots lie outside the ground compared and are left out of the chance level"
    shift = replace(item.shift, observed_m=1.25, notes=(note,))
    odd = replace(visit, score=replace(visit.score, hotspot_to_burial=replace(item, shift=shift)))
    texts = [text.get_text() for axes in null_plot(odd).axes for text in axes.texts]
    assert "observed 1.25 m (18 of 20 hotspots)" in texts
    words = Page(render_report(replace(site, visits=(odd,)))).words
    assert "it was 1.25 m on average (18 of 20 hotspots); the same pattern laid elsewhere" in words
    assert "1.25 m where chance is worked out (18 of 20 hotspots); chance" in words


def test_what_could_not_be_used_is_said_at_the_top(plain, site):
    answer = Page(plain).words.split("What may not be concluded")[0]
    assert "1 of 13 lines could not be used. See Data quality" in " ".join(answer.split())
    clean = Page(render_report(replace(site, findings=()))).words
    assert "could not be used" not in clean


def test_slices_that_overlap_those_before_them_are_folded_away(plain, site):
    text = plain[plain.index('id="slices"') : plain.index('id="equal-depth"')]
    for part in text.split("<h3>")[1:]:
        shown, folded = part.split("<details>")
        assert [label in shown for label in ("0.20–0.40", "0.40–0.60", "0.60–0.80", "1.00–1.20")] == [True] * 4
        assert [label in folded for label in ("0.30–0.50", "0.50–0.70", "1.10–1.30")] == [True] * 3
        assert "5 slices in between" in folded


def test_a_chosen_slice_of_its_own_thickness_does_not_break_the_sequence(site):
    slices = site.visits[0].slices.isel(slice=[0, 1, 2, 3, 4, 5, 6, 7, 8])
    thick = slices.assign_coords(base=slices["base"].copy(data=[0.4, 0.5, 0.6, 0.9, 0.8, 0.9, 1.0, 1.1, 1.2]))
    assert apart(replace(site.visits[0], slices=thick, chosen=3)) == [
        True, False, True, True, True, False, True, False, True,
    ]  # fmt: skip


def test_the_comparison_names_its_cap_and_why_p_has_a_floor(site):
    named = replace(site.comparisons[0], tolerance_m=0.35, differing=12)
    words = Page(render_report(replace(site, comparisons=(named,)))).words
    assert "counted up to 0.35 m, the tolerance of matching" in words
    assert "12 of 24 burials differ" in words
