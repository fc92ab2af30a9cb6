"""What all readers of recorded files share: the read-only map of a file, and the checks on what came out."""

from __future__ import annotations

import mmap
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.parts import over_parts
from yewline.model import Finding, ReadHints, Recording

__all__ = ["NO_HINTS", "checked", "map_bytes", "not_finite_findings"]

NO_HINTS = ReadHints()
"""Nothing was declared about the file."""

SHORTEST_NS, LONGEST_NS = 0.0005, 50.0
"""Sample intervals of ground-penetrating radar lie well inside this range (common practice, no source)."""

SPREAD_LOOKED_AT, SPREAD_FEWEST = 4096, 200
SPREAD_DECADES, SPREAD_HIGH = 8.0, 12.0
"""A converter of 16 bits has five decades in all. Computed records may fade to nothing, but never reach such sizes."""

NAMED = 5
"""How many places a message lists before it says how many more there are."""


def map_bytes(path: Path) -> npt.NDArray[np.uint8]:
    """Map a file into memory, read-only.

    Parameters
    ----------
    path : the file; it is opened for reading only.

    Returns
    -------
    array of bytes that cannot be written to.

    Raises
    ------
    FormatError : there is no such file, or it is empty.
    """
    try:
        with path.open("rb") as handle:
            return np.frombuffer(mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ), dtype=np.uint8)
    except FileNotFoundError as error:
        raise FormatError("file not found", where=str(path), do="check the name in lines.csv") from error
    except ValueError as error:  # an empty file cannot be mapped
        raise FormatError("the file is empty", where=f"{path}, byte 0", do="copy it again from the recorder") from error
    except OSError as error:
        raise FormatError(f"the file cannot be opened: {error.strerror}", where=str(path)) from error


def not_finite_findings(amplitude: npt.NDArray[np.float32], where: str) -> tuple[Finding, ...]:
    """A warning that names traces and samples (from 1) which are NaN or infinite; empty if there are none.

    Examples
    --------
    >>> [note.received for note in not_finite_findings(np.array([[0.0, np.nan]], np.float32), "a.sgy")]
    ['1 sample: trace 1 sample 2']
    """
    if all(
        over_parts(amplitude.shape[0], amplitude.shape[1], lambda first, stop: _surely_finite(amplitude[first:stop]))
    ):
        return ()
    traces, samples = np.nonzero(~np.isfinite(amplitude))
    if len(traces) == 0:
        return ()
    places = [f"trace {t + 1} sample {s + 1}" for t, s in zip(traces[:NAMED], samples[:NAMED], strict=True)]
    more = f" and {len(traces) - NAMED} more" if len(traces) > NAMED else ""
    count = f"{len(traces)} sample{'s' if len(traces) > 1 else ''}"
    return (
        Finding(
            grade="warning",
            code="not-finite",
            text="samples that are not numbers (NaN or infinite): counted as not recorded",
            where=where,
            received=f"{count}: {', '.join(places)}{more}",
            do="look at these traces; a trace with gaps is replaced by its neighbours",
        ),
    )


def _surely_finite(amplitude: npt.NDArray[np.float32]) -> bool:
    """Whether one fast pass shows that all is finite: NaN and infinity both survive a sum, rarely it overflows."""
    with np.errstate(over="ignore", invalid="ignore"):
        return bool(np.isfinite(amplitude.sum(dtype=np.float32)))


def _check_spread(amplitude: npt.NDArray[np.float32], path: Path) -> None:
    """Refuse samples whose sizes are spread as only bytes in the wrong order, or of another number type, are."""
    every = max(1, amplitude.size // SPREAD_LOOKED_AT)
    # A step that has no factor in common with the samples of a trace looks at all times of it.
    while every > 1 and np.gcd(every, amplitude.shape[1]) > 1:
        every += 1
    sizes = np.abs(amplitude.reshape(-1)[::every])
    known = sizes[np.isfinite(sizes) & (sizes > 0)]
    if len(known) < SPREAD_FEWEST:
        return
    low, high = np.log10(np.quantile(known, [0.25, 0.75]).astype(np.float64))
    if high - low > SPREAD_DECADES and high > SPREAD_HIGH:
        raise FormatError(
            "the samples are not those of a radar record: wrong byte order, or another sample format?",
            where=str(path),
            received=f"half of them lie between 1e{low:.0f} and 1e{high:.0f}",
            do="correct the byte order or number type where it is declared, or export the line again",
        )


def checked(recording: Recording, path: Path, *, finite: bool = False) -> Recording:
    """The recording with the findings that every format has in common, and labels only where there are several.

    Parameters
    ----------
    recording : as read.
    path : the file, for messages.
    finite : true where it is already known that all samples are finite, which spares a pass over them.

    Raises
    ------
    FormatError : there are no traces or no samples, or the samples are plainly misread.
    """
    n_trace, n_sample = recording.amplitude.shape
    if n_trace == 0 or n_sample == 0:
        raise FormatError(
            "no traces" if n_trace == 0 else "traces without samples",
            where=str(path),
            received=f"{n_trace} traces of {n_sample} samples",
            do="record the line again, or take the file out of lines.csv",
        )
    _check_spread(recording.amplitude, path)
    notes = [*recording.notes, *(() if finite else not_finite_findings(recording.amplitude, str(path)))]
    if recording.interval_ns is None:
        notes.append(
            Finding(
                grade="fault",
                code="interval-unknown",
                text="the sample interval is not known",
                where=str(path),
                received=recording.interval_source,
                do="declare interval_ns, or for SEG-Y interval_unit, under [recording] in visit.toml",
            )
        )
    elif not SHORTEST_NS <= recording.interval_ns <= LONGEST_NS:
        notes.append(
            Finding(
                grade="warning",
                code="interval-implausible",
                text="the sample interval is not one of ground-penetrating radar",
                where=str(path),
                received=f"{recording.interval_ns:g} ns from {recording.interval_source}",
                do="declare interval_ns or interval_unit under [recording] in visit.toml",
            )
        )
    xs, ys = recording.x, recording.y
    if xs is not None and ys is not None and n_trace > 1 and np.ptp(xs) == 0 and np.ptp(ys) == 0:
        notes.append(
            Finding(
                grade="warning",
                code="coordinates-constant",
                text="all traces have the same coordinates",
                where=str(path),
                received=f"x {xs[0]:g}, y {ys[0]:g}",
                do="give the line's ends in lines.csv",
            )
        )
    # A label that all traces share tells no lines apart: the file is one line, whatever lines.csv calls it.
    alike = recording.line is not None and bool((recording.line == recording.line[0]).all())
    return replace(recording, line=None if alike else recording.line, notes=tuple(notes))
