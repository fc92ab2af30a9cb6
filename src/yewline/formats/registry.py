"""All readers of recorded files, and the choice among them by what a file holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from yewline.errors import FormatError
from yewline.formats.flat import can_read_flat, read_flat
from yewline.formats.netcdf import can_read_netcdf, read_netcdf
from yewline.formats.recorded import NO_HINTS
from yewline.formats.seg2 import can_read_seg2, read_seg2
from yewline.formats.segy import can_read_segy, read_segy
from yewline.formats.text import can_read_text, read_text
from yewline.model import Finding, ReadHints, Recording

__all__ = ["READERS", "Reader", "read_recording"]


@dataclass(frozen=True, slots=True)
class Reader:
    """One format: its short name, its title for people, usual suffixes, and two functions of a path."""

    name: str
    title: str
    suffixes: tuple[str, ...]
    can_read: Callable[[Path], bool]
    read: Callable[[Path, ReadHints], Recording]


READERS: tuple[Reader, ...] = (
    # A description beside the file is a person's word, so it goes before everything that only looks alike.
    Reader("flat", "described flat binary", (".bin", ".raw"), can_read_flat, read_flat),
    Reader("seg2", "SEG-2", (".sg2", ".seg2", ".dat"), can_read_seg2, read_seg2),
    Reader("netcdf", "NetCDF", (".nc", ".nc4", ".cdf"), can_read_netcdf, read_netcdf),
    Reader("segy", "SEG-Y", (".sgy", ".segy"), can_read_segy, read_segy),
    Reader("text", "delimited text", (".csv", ".txt", ".asc", ".tsv", ".xyz", ".dat"), can_read_text, read_text),
)
"""In the order in which they are asked."""


def read_recording(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a recorded file with the reader that its content calls for.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : what the surveyor declared about files that do not say it themselves.

    Returns
    -------
    recording with (T, S) float32 amplitude; a suffix that is another format's is noted as a finding.

    Raises
    ------
    FormatError : no reader knows the file, or the one that does cannot read it.
    SettingsError : the description of a flat binary cannot be used.
    """
    where = str(path)
    if not path.is_file():
        problem = "a folder where a recorded file is expected" if path.is_dir() else "file not found"
        raise FormatError(problem, where=where, do="check the name in lines.csv")
    if path.stat().st_size == 0:
        raise FormatError("the file is empty", where=f"{where}, byte 0", do="copy it again from the recorder")
    suffix = path.suffix.lower()
    usual = [reader for reader in READERS if suffix in reader.suffixes]
    reader = next((reader for reader in READERS if reader.can_read(path)), None)
    if reader is None:
        return _read_by_suffix(path, usual, hints)
    recording = reader.read(path, hints)
    if not usual or reader in usual or reader.name == "flat":
        return recording
    titles = " or ".join(each.title for each in usual)
    text = f"the suffix {suffix} is usual for {titles}, but the file holds {reader.title}"
    return replace(recording, notes=(*recording.notes, Finding("found", "suffix", text, where=where)))


def _read_by_suffix(path: Path, usual: list[Reader], hints: ReadHints) -> Recording:
    """No reader knows the content: the one that the suffix names can say best why, or may manage after all."""
    tried = ", ".join(reader.title for reader in READERS)
    if len(usual) == 1 and usual[0].name != "flat":
        named = usual[0]
        try:
            return named.read(path, hints)
        except FormatError as error:
            raise FormatError(
                f"not a {named.title} file that can be read, as its suffix says: {error.problem}",
                where=error.where,
                received=error.received,
                do=f"{error.do or 'export the line again'} (tried by content: {tried})",
            ) from error
    with path.open("rb") as handle:
        head = handle.read(8)
    raise FormatError(
        "no reader knows this file",
        where=str(path),
        received=f"bytes {head.hex(' ')}",
        do=f"tried {tried}; if its records have a fixed length, describe them in {path.name}.toml",
    )
