"""The journal: replay, undo, crashes in the middle of a line, drawn hotspots as GeoJSON."""

from __future__ import annotations

import json

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FormatError, InputError
from yewline.marks import Act, append_act, draw_hotspot, drawn_geojson, read_journal, remove_hotspot, replay, undo

SQUARE = [(0, 0), (0, 1), (1, 1), (1, 0)]


def _write(path, *acts):
    return [append_act(path, act) for act in acts]


def test_acts_come_back_as_they_were_done(tmp_path):
    path = tmp_path / "marks" / "journal.jsonl"
    acts = _write(
        path,
        Act(
            "put",
            "grades",
            "H1",
            {"grade": 2, "why": "straight sides\nGrüße\u2028"},
            who="surveyor",
            when="2024-05-02T10:00",
        ),
        Act("remove", "grades", "H1"),
        Act("undo", of=2),
    )
    read, findings = read_journal(path)
    assert read == acts
    assert [act.row for act in read] == [1, 2, 3]
    assert findings == []
    assert replay(read) == {"grades": {"H1": acts[0].payload}}


def test_a_journal_that_is_not_there_is_empty(tmp_path):
    assert read_journal(tmp_path / "none.jsonl") == ([], [])
    assert replay([]) == {}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["put a", "put b", "remove a", "remove b", "undo"]), max_size=12))
def test_undo_gives_the_state_of_before(tmp_path_factory, steps):
    # The model: a stack of states; undo of the last counting act drops the top.
    path = tmp_path_factory.mktemp("journal") / "journal.jsonl"
    states: list[dict[str, int]] = [{}]
    for number, step in enumerate(steps):
        kind, _, key = step.partition(" ")
        if kind == "undo":
            if len(states) == 1:
                with pytest.raises(InputError, match="nothing to undo"):
                    undo(path)
                continue
            undo(path)
            states.pop()
            continue
        append_act(path, Act(kind, "c", key, {"n": number} if kind == "put" else {}))
        state = dict(states[-1])
        state.pop(key, None) if kind == "remove" else state.update({key: number})
        states.append(state)
    got = {key: payload["n"] for key, payload in replay(read_journal(path)[0]).get("c", {}).items()}
    assert got == states[-1]


def test_an_undo_can_be_undone_and_an_act_in_the_middle_too(tmp_path):
    path = tmp_path / "journal.jsonl"
    _write(path, Act("put", "c", "a", {"n": 1}), Act("put", "c", "b", {"n": 2}))
    undo(path, of=1)
    assert replay(read_journal(path)[0]) == {"c": {"b": {"n": 2}}}
    undo(path, of=3, who="reviewer")
    assert replay(read_journal(path)[0]) == {"c": {"a": {"n": 1}, "b": {"n": 2}}}
    with pytest.raises(InputError, match=r"no act in that row that counts \(received 9\)"):
        undo(path, of=9)
    with pytest.raises(InputError, match="no act in that row that counts"):
        undo(path, of=3)


def test_a_crash_at_any_byte_loses_only_the_act_being_written(tmp_path):
    path = tmp_path / "journal.jsonl"
    _write(path, Act("put", "c", "a", {"text": "é"}), Act("put", "c", "b", {"text": "ü"}))
    whole = path.read_bytes()
    first = whole.index(b"\n") + 1
    for cut in range(first, len(whole) + 1):
        path.write_bytes(whole[:cut])
        acts, findings = read_journal(path)
        complete = cut >= len(whole) - 1  # only the newline is missing: the act is whole
        assert [act.key for act in acts] == (["a", "b"] if complete else ["a"])
        torn = first < cut < len(whole) - 1
        assert [f.code for f in findings] == (["journal-torn"] if torn else [])
        # Going on after the crash keeps what was and adds what comes.
        added = append_act(path, Act("put", "c", "z", {}))
        acts, findings = read_journal(path)
        assert [act.key for act in acts] == (["a", "b", "z"] if complete else ["a", "z"])
        assert acts[-1].row == added.row
        assert path.read_bytes().startswith(whole[:cut])
        assert [f.grade for f in findings] == (["fault"] if torn else [])


@pytest.mark.parametrize(
    "line",
    ["[1]", "{}", '{"kind": "fly"}', '{"kind": "put"}', '{"kind": "undo"}', '{"kind": "put", "colour": 1}', "half",
     '{"kind": "put", "collection": "c", "key": "k", "payload": 3}', '{"kind": "undo", "of": "1"}'],
)  # fmt: skip
def test_a_line_that_is_no_act_is_a_fault_and_the_others_count(tmp_path, line):
    path = tmp_path / "journal.jsonl"
    path.write_text(f'{line}\n\n{{"kind": "put", "collection": "c", "key": "k"}}\n')
    acts, findings = read_journal(path)
    assert [(act.key, act.row) for act in acts] == [("k", 3)]
    assert [(f.grade, f.where) for f in findings] == [("fault", f"{path}, row 1")]
    assert findings[0].received == line


def test_what_is_not_a_journal_or_an_act_is_refused(tmp_path):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b"\xff\xfe\n\n")
    with pytest.raises(FormatError, match="row 1: not a journal: no line of it can be read"):
        read_journal(path)
    with pytest.raises(InputError, match="unknown kind of act.*'draw'"):
        Act("draw")
    with pytest.raises(InputError, match="a put names a collection and a key"):
        Act("put", "c")
    with pytest.raises(InputError, match="an undo names the row"):
        Act("undo")
    for payload in ({"n": float("nan")}, {"n": {1, 2}}):
        with pytest.raises(InputError, match="only plain finite values"):
            append_act(tmp_path / "new.jsonl", Act("put", "c", "k", payload))
    assert not (tmp_path / "new.jsonl").exists()


def test_drawn_hotspots_come_back_as_geojson(tmp_path):
    path = tmp_path / "journal.jsonl"
    draw_hotspot(path, "H1", SQUARE, visit="spring", who="surveyor")
    draw_hotspot(path, "H2", [*SQUARE, SQUARE[0]])
    draw_hotspot(path, "H1", [(5, 5), (7, 5), (7, 6.00004)], visit="spring")
    remove_hotspot(path, "H2")
    document = drawn_geojson(replay(read_journal(path)[0]))
    (feature,) = json.loads(json.dumps(document))["features"]
    assert document["frame"] == "site"
    assert feature["properties"] == {"hotspot": "H1", "visit": "spring"}
    (ring,) = feature["geometry"]["coordinates"]
    assert ring[0] == ring[-1]
    assert shapely.is_ccw(shapely.LinearRing(ring))
    assert shapely.Polygon(ring).equals(shapely.Polygon([(5, 5), (7, 5), (7, 6)]))
    undo(path)
    assert [f["properties"]["hotspot"] for f in drawn_geojson(replay(read_journal(path)[0]))["features"]] == [
        "H1",
        "H2",
    ]


def test_outlines_that_cannot_be_are_not_written(tmp_path):
    path = tmp_path / "journal.jsonl"
    with pytest.raises(InputError, match="three corners"):
        draw_hotspot(path, "H1", SQUARE[:2])
    with pytest.raises(InputError, match=r"crosses itself.*Self-intersection\[0.5 0.5\]"):
        draw_hotspot(path, "H1", [(0, 0), (1, 1), (1, 0), (0, 1)])
    with pytest.raises(InputError, match="ring holds values that are not finite"):
        draw_hotspot(path, "H1", [(0, 0), (1, float("nan")), (1, 0)])
    with pytest.raises(InputError, match=r"no drawn hotspot 'H1' \(received none\)|no drawn hotspot 'H1'"):
        remove_hotspot(path, "H1")
    assert not path.exists()
