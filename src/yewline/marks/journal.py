"""The journal of what people decided: acts in a text file that only grows, one JSON object a line.

An act puts something under a key of a collection ("hotspots", "grades", "notes"), removes it, or undoes an
earlier act. Nothing is ever deleted: the state of today is what remains when all acts are gone through in order.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from yewline.errors import FormatError, InputError
from yewline.model import Finding

__all__ = ["ACT_KINDS", "Act", "append_act", "read_journal", "replay", "undo"]

ACT_KINDS: Final = ("put", "remove", "undo")

State = dict[str, dict[str, dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class Act:
    """One thing that a person did.

    Attributes
    ----------
    kind : "put", "remove" or "undo".
    collection, key : what it is about; empty for "undo".
    payload : what was put; plain JSON values.
    of : row of the act that is undone, for "undo".
    who, when : given by the caller, kept as they are; may be empty.
    row : where the act stands in the journal, from 1; 0 before it is written.
    """

    kind: str
    collection: str = ""
    key: str = ""
    payload: Mapping[str, Any] = field(default_factory=dict)
    of: int = 0
    who: str = ""
    when: str = ""
    row: int = 0

    def __post_init__(self) -> None:
        if self.kind not in ACT_KINDS:
            raise InputError("unknown kind of act", received=repr(self.kind), do=f"use {', '.join(ACT_KINDS)}")
        if self.kind == "undo":
            if self.of < 1:
                raise InputError("an undo names the row of the act it undoes", received=self.of)
        elif not (self.collection and self.key):
            raise InputError(
                f"a {self.kind} names a collection and a key", received=f"'{self.collection}', '{self.key}'"
            )


def append_act(path: Path, act: Act) -> Act:
    """Write an act at the end of the journal; once this returns, the act survives a crash.

    Parameters
    ----------
    path : the journal, made if it is not there.
    act : what was done.

    Returns
    -------
    act : the same with its row.

    Raises
    ------
    InputError : the payload holds something that JSON cannot.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     journal = Path(folder) / "journal.jsonl"
    ...     graded = append_act(journal, Act("put", "grades", "H1", {"grade": 2}, who="surveyor"))
    ...     raised = append_act(journal, Act("put", "grades", "H1", {"grade": 3}))
    ...     undone = undo(journal)
    ...     acts, findings = read_journal(journal)
    >>> undone.of, replay(acts)
    (2, {'grades': {'H1': {'grade': 2}}})
    """
    fields: dict[str, Any] = {
        "kind": act.kind,
        "collection": act.collection,
        "key": act.key,
        "payload": dict(act.payload),
    }
    fields |= {"of": act.of, "who": act.who, "when": act.when}
    try:
        line = json.dumps(
            {k: v for k, v in fields.items() if v not in ("", 0, {})}, ensure_ascii=False, allow_nan=False
        )
    except (TypeError, ValueError) as error:
        raise InputError("an act holds only plain finite values", received=str(error), do="use JSON types") from error
    path.parent.mkdir(parents=True, exist_ok=True)
    new = not path.exists()
    with path.open("ab+") as handle:
        handle.seek(0)
        before = handle.read()
        # A line that a crash cut off is closed first, or this act would be lost with it.
        start = b"\n" if before and not before.endswith(b"\n") else b""
        handle.write(start + line.encode() + b"\n")
        handle.flush()
        os.fsync(handle.fileno())
    if new and os.name == "posix":
        _sync_folder(path.parent)
    row = (before + start).count(b"\n") + 1
    return Act(act.kind, act.collection, act.key, act.payload, act.of, act.who, act.when, row)


def read_journal(path: Path) -> tuple[list[Act], list[Finding]]:
    """Read all acts; a line that cannot be read is passed over with a finding, and the others still count.

    A journal that is not there has no acts. A last line without its end is what a crash leaves behind: a
    warning, unless the line is whole all the same.

    Raises
    ------
    FormatError : the file has whole lines and not one of them is an act.
    """
    if not path.exists():
        return [], []
    acts: list[Act] = []
    findings: list[Finding] = []
    # Line by line, since a crash may cut a letter of several bytes in two.
    lines = path.read_bytes().split(b"\n")
    for row, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            acts.append(_act(line.decode("utf-8"), row))
        except (InputError, ValueError, TypeError) as error:
            text = line.decode("utf-8", errors="replace")
            findings.append(_unread(path, row, text, error, torn=row == len(lines)))
    if not acts and any(finding.grade == "fault" for finding in findings):
        raise FormatError(
            "not a journal: no line of it can be read",
            where=findings[0].where,
            received=findings[0].received,
            do="restore it from a copy",
        )
    return acts, findings


def replay(acts: Sequence[Act]) -> State:
    """What holds after all acts: collection to key to payload, in the order of first putting.

    An undone act counts as never done; undoing an undo brings the act back.

    Examples
    --------
    >>> put = Act("put", "notes", "N1", {"text": "stone"}, row=1)
    >>> replay([put, Act("undo", of=1, row=2)]), replay([put, Act("undo", of=1, row=2), Act("undo", of=2, row=3)])
    ({}, {'notes': {'N1': {'text': 'stone'}}})
    """
    undone = _undone(acts)
    state: State = {}
    for act in acts:
        if act.row in undone or act.kind == "undo":
            continue
        if act.kind == "put":
            state.setdefault(act.collection, {})[act.key] = dict(act.payload)
        else:
            state.get(act.collection, {}).pop(act.key, None)
    return {collection: entries for collection, entries in state.items() if entries}


def undo(path: Path, *, of: int | None = None, who: str = "", when: str = "") -> Act:
    """Undo an act: the last that still counts, or the one in row `of` (an undo too: that brings its act back).

    Raises
    ------
    InputError : there is nothing to undo, or no act in that row that counts.
    """
    acts, _ = read_journal(path)
    undone = _undone(acts)
    if of is None:
        of = next((act.row for act in reversed(acts) if act.kind != "undo" and act.row not in undone), None)
        if of is None:
            raise InputError("there is nothing to undo", where=str(path))
    elif of not in {act.row for act in acts} or of in undone:
        raise InputError("there is no act in that row that counts", where=str(path), received=of, do="name another row")
    return append_act(path, Act("undo", of=of, who=who, when=when))


def _undone(acts: Sequence[Act]) -> set[int]:
    """Rows of the acts that do not count; later undos are settled first, for they decide on earlier ones."""
    undone: set[int] = set()
    for act in reversed(acts):
        if act.kind == "undo" and act.row not in undone and act.of < act.row:
            undone.add(act.of)
    return undone


def _act(line: str, row: int) -> Act:
    fields = json.loads(line)
    if not isinstance(fields, dict):
        raise ValueError("not a JSON object")
    wrong = set(fields) - {"kind", "collection", "key", "payload", "of", "who", "when"}
    if wrong or not isinstance(fields.get("payload", {}), dict) or not isinstance(fields.get("of", 0), int):
        raise ValueError(f"not an act: {', '.join(sorted(wrong)) or 'payload or of'}")
    return Act(**fields, row=row)


def _unread(path: Path, row: int, line: str, error: Exception, *, torn: bool) -> Finding:
    where = f"{path}, row {row}"
    if torn:
        text = "the last act was cut off while it was written: it does not count"
        return Finding("warning", "journal-torn", text, where=where, received=line[:60], do="do it again")
    text = f"this act cannot be read and does not count: {error}"
    return Finding("fault", "journal-row", text, where=where, received=line[:60], do="restore the row from a copy")


def _sync_folder(folder: Path) -> None:
    # A new file survives a crash only once its folder's entry is on disk too.
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
