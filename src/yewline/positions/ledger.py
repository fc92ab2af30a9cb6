"""The ledger of a visit: what the table of lines names, what was recorded, and what was recorded twice."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import PurePosixPath

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.model import Finding, LineSegment

__all__ = ["CopyMark", "check_ledger", "copy_mark", "find_copied_data", "trace_count_check"]

COPY_CORRELATION = 0.995
COMPARED = 96
"""Traces and samples of each line that are compared, at most: enough to tell lines apart, quick for hundreds."""


def check_ledger(
    segments: Sequence[LineSegment],
    files: Collection[str],
    *,
    sha256: Mapping[str, str] | None = None,
    labelled: Collection[str] = (),
) -> list[Finding]:
    """Compare the rows of `lines.csv` with the files that are there.

    Found are rows whose file is missing, files that no row names, one line name for two files, one stretch of
    a file under two line names, and two files of the same content.

    Parameters
    ----------
    segments : the rows.
    files : names of the recorded files, as in the column file.
    sha256 : file name to the hash of its content.
    labelled : files whose traces carry line labels of their own: several lines may name such a file.

    Returns
    -------
    findings : faults and warnings, in the order of the table and then by name; empty if all is well.

    Examples
    --------
    >>> rows = [LineSegment(line="L1", file="a.sgy", row=2), LineSegment(line="L2", file="B.sgy", row=3)]
    >>> [finding.text for finding in check_ledger(rows, ["a.sgy", "b.sgy"])]
    ['the file of line L2 is not there', 'no row names this file']
    """
    there = {_posix(name) for name in files}
    named = {_posix(row.file) for row in segments}
    findings = [_missing(row, there - named) for row in segments if _posix(row.file) not in there]
    findings += _two_files_a_name(segments)
    findings += _two_names_a_stretch(segments, {_posix(name) for name in labelled})
    for name in sorted(there - named):
        if name.endswith(".toml"):
            continue  # describes the data file beside it
        text = "no row names this file"
        findings.append(
            Finding("fault", "file-without-row", text, where=name, do="add a row to lines.csv, or move the file away")
        )
    return findings + _same_content({_posix(name): value for name, value in (sha256 or {}).items()}, segments)


@dataclass(frozen=True, slots=True)
class CopyMark:
    """What tells one line's samples from another's, in little memory.

    Attributes
    ----------
    shape : (T, S) of the line.
    values : thinned samples without what all traces have in common, of unit energy.
    """

    shape: tuple[int, ...]
    values: npt.NDArray[np.float64]


def copy_mark(amplitude: npt.ArrayLike) -> CopyMark:
    """The mark of a line (T, S), by which `find_copied_data` knows it without its samples.

    Examples
    --------
    >>> copy_mark(np.eye(3)).shape
    (3, 3)
    """
    values = np.asarray(amplitude, np.float32)
    return CopyMark(values.shape, _mark(values))


def find_copied_data(lines: Mapping[str, npt.ArrayLike | CopyMark]) -> list[Finding]:
    """Find lines whose samples are those of another line, also turned round or scaled.

    What all traces of a line have in common (the direct wave, ringing) is taken out before comparing, for it is
    much the same in every line of a survey.

    Parameters
    ----------
    lines : line name to amplitude (T, S), or to its `copy_mark`.

    Returns
    -------
    findings : a warning for each pair; lines of different shape are never compared.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(size=(2, 40, 30))
    >>> pairs = find_copied_data({"L1": noise[0], "L2": noise[1], "L3": 2 * noise[0][::-1]})
    >>> [(finding.line, finding.text) for finding in pairs]
    [('L3', 'the samples are those of line L1, turned round')]
    """
    known = {name: held if isinstance(held, CopyMark) else copy_mark(held) for name, held in lines.items()}
    groups: dict[tuple[int, ...], list[str]] = {}
    for name, mark in known.items():
        groups.setdefault(mark.shape, []).append(name)
    findings = []
    for names in groups.values():
        if len(names) < 2:
            continue
        marks = np.stack([known[name].values for name in names])
        flat, back = marks.reshape(len(names), -1), marks[:, ::-1].reshape(len(names), -1)
        forward, backward = flat @ flat.T, flat @ back.T
        for i, j in combinations(range(len(names)), 2):
            highest = max(forward[i, j], backward[i, j])
            if highest < COPY_CORRELATION:
                continue
            turned = ", turned round" if backward[i, j] > forward[i, j] else ""
            findings.append(
                Finding(
                    "warning",
                    "line-copied",
                    f"the samples are those of line {names[i]}{turned}",
                    line=names[j],
                    received=f"correlation {highest:.4f}",
                    do="check which of the two files is the right one, or walk the line again",
                )
            )
    return findings


def trace_count_check(lines: Mapping[str, tuple[float, int]], *, tolerance: float = 0.05) -> list[Finding]:
    """Find lines with more or fewer traces than their length should give.

    Parameters
    ----------
    lines : line name to (length in metres, number of traces).
    tolerance : share by which the traces of a metre may differ from the visit's median.

    Returns
    -------
    findings : a warning for each such line; none where fewer than three lines can be compared.

    Notes
    -----
    A line of length l should have n = d·l + 1 traces, d being the median over lines of (n − 1)/l. A difference
    of one trace and a half is always let pass, or short lines would be accused of rounding.

    Examples
    --------
    >>> lines = {"L1": (10.0, 201), "L2": (10.0, 202), "L3": (10.0, 171), "L4": (8.0, 161)}
    >>> [(finding.line, finding.received) for finding in trace_count_check(lines)]
    [('L3', '171 traces on 10 m, expected 201')]
    """
    share = check_in_range(tolerance, "tolerance", 0.0, 1.0)
    usable = {name: (length, n) for name, (length, n) in lines.items() if length > 0 and n > 1}
    if len(usable) < 3:
        return []
    density = float(np.median([(n - 1) / length for length, n in usable.values()]))
    findings = []
    for name, (length, n) in usable.items():
        expected = density * length
        difference = n - 1 - expected
        if abs(difference) <= max(share * expected, 1.5):
            continue
        text = "fewer traces than the line's length gives" if difference < 0 else "more traces than the length gives"
        findings.append(
            Finding(
                "warning",
                "trace-count",
                text,
                line=name,
                received=f"{n} traces on {length:g} m, expected {expected + 1:.0f}",
                do="check the line's ends in lines.csv, and the wheel or a cut-off recording",
            )
        )
    return findings


def _posix(name: str) -> str:
    return PurePosixPath(name.replace("\\", "/")).as_posix()


def _missing(row: LineSegment, spare: Collection[str]) -> Finding:
    """The fault for a row without file, with the spare file that it may have meant."""
    by_lower = {name.lower(): name for name in sorted(spare)}
    near = difflib.get_close_matches(_posix(row.file).lower(), by_lower, n=1, cutoff=0.75)
    do = f"did you mean '{by_lower[near[0]]}'?" if near else "put the file there, or remove the row"
    text = f"the file of line {row.line} is not there"
    where = f"lines.csv, row {row.row}"
    return Finding("fault", "row-without-file", text, where=where, received=row.file, do=do, line=row.line)


def _two_files_a_name(segments: Sequence[LineSegment]) -> list[Finding]:
    first: dict[str, LineSegment] = {}
    findings = []
    for row in segments:
        before = first.setdefault(row.line, row)
        if _posix(before.file) == _posix(row.file):
            continue
        findings.append(
            Finding(
                "fault",
                "line-duplicate",
                f"line {row.line} is already the name of another file, in row {before.row}",
                where=f"lines.csv, row {row.row}",
                received=f"{row.file} after {before.file}",
                do="give one of them another name",
                line=row.line,
            )
        )
    return findings


def _two_names_a_stretch(segments: Sequence[LineSegment], labelled: Collection[str]) -> list[Finding]:
    by_file: dict[str, list[LineSegment]] = {}
    findings = []
    for row in segments:
        file = _posix(row.file)
        for before in by_file.get(file, []):
            if before.line == row.line or file in labelled or not _overlap(before, row):
                continue
            findings.append(
                Finding(
                    "warning",
                    "file-two-lines",
                    f"the same traces of a file are line {before.line} and line {row.line}",
                    where=f"lines.csv, row {row.row}",
                    received=row.file,
                    do="one of the two rows names the wrong file or the wrong traces",
                    line=row.line,
                )
            )
            break
        by_file.setdefault(file, []).append(row)
    return findings


def _overlap(a: LineSegment, b: LineSegment) -> bool:
    end = float("inf")
    return (a.first_trace or 1) <= (b.last_trace or end) and (b.first_trace or 1) <= (a.last_trace or end)


def _same_content(sha256: Mapping[str, str], segments: Sequence[LineSegment]) -> list[Finding]:
    lines = {_posix(row.file): row.line for row in segments}
    first: dict[str, str] = {}
    findings = []
    for name in sorted(sha256):
        before = first.setdefault(sha256[name], name)
        if before == name:
            continue
        findings.append(
            Finding(
                "warning",
                "file-same-content",
                f"the content is that of {before}, byte for byte",
                where=name,
                received=f"SHA-256 {sha256[name][:12]}…",
                do="one of the two is a copy under a wrong name: check them against the field notes",
                line=lines.get(name, ""),
            )
        )
    return findings


def _mark(amplitude: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """What tells one line from another: thinned samples without their common part, of unit energy."""
    t, s = (np.unique(np.linspace(0, n - 1, min(n, COMPARED)).round().astype(int)) for n in amplitude.shape)
    thin = np.nan_to_num(amplitude[np.ix_(t, s)].astype(np.float64), posinf=0.0, neginf=0.0)
    thin -= thin.mean(axis=0)
    energy = float(np.sqrt((thin**2).sum()))
    return thin / energy if energy > 0 else np.zeros_like(thin)
