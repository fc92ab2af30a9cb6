"""Text headers of SEG-Y files: EBCDIC or ASCII, and what they may declare about the sample interval.

References: SEG-Y rev 1 (2002), §4 and annex D (stanzas); SEG-Y rev 2.0 (2017), §§4 and 6. That radar files count
picoseconds where the standard has microseconds is common practice, no source; so the file must say so.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping, Sequence

__all__ = [
    "END_TEXT",
    "TEXT_BYTES",
    "declared_interval_ns",
    "declared_interval_unit",
    "declared_line_names",
    "decode_text",
    "encode_text",
    "line_name_rows",
]

TEXT_BYTES = 3200
"""Bytes of one text header: 40 rows of 80 characters."""

END_TEXT = "((SEG: EndText))"
"""The stanza that ends a variable number of extended text headers."""

_LINE_STANZA = "((YEWLINE: LINE NAMES 1.0))"
_COLUMNS = 80
_COUNTED = dict.fromkeys(map(ord, string.ascii_letters + string.digits + " "))
_UNIT = re.compile(r"SAMPLE\s+INTERVAL\s+UNIT\s*[:=]\s*(PICOSECONDS?|PS|MICROSECONDS?|US)\b", re.IGNORECASE)
_INTERVAL = re.compile(
    r"SAMPLE\s+INTERVAL\s*[:=]\s*([0-9]*\.?[0-9]+(?:E[+-]?[0-9]+)?)\s*(NANOSECONDS?|NS|PICOSECONDS?|PS)\b",
    re.IGNORECASE,
)
_LINE_NAME = re.compile(r"^LINE NUMBER\s+([0-9]+)\s*=\s*(.+)$")


def decode_text(raw: bytes) -> str:
    """Rows of 80 characters, joined by line ends; EBCDIC or ASCII, whichever has more readable characters.

    Examples
    --------
    >>> decode_text("C 1 CLIENT".ljust(80).encode("cp037")).strip()
    'C 1 CLIENT'
    >>> decode_text(b"C 1 CLIENT".ljust(80)).strip()
    'C 1 CLIENT'
    """
    texts = [raw.decode("cp037"), raw.decode("latin-1")]
    # Zeros are padding in both; letters, digits and blanks decide.
    text = max(texts, key=lambda t: len(t) - len(t.translate(_COUNTED)))
    clean = text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
    return "\n".join(clean[k : k + _COLUMNS].rstrip() for k in range(0, len(clean), _COLUMNS)).rstrip()


def encode_text(rows: Sequence[str]) -> bytes:
    """Text header records (multiples of 3200 bytes, EBCDIC) of `rows`, each cut to 80 characters."""
    count = max(1, -(-len(rows) // 40)) * 40
    full = [row[:_COLUMNS].ljust(_COLUMNS) for row in rows] + [" " * _COLUMNS] * (count - len(rows))
    return "".join(full).encode("cp037", "replace")


def declared_interval_unit(text: str) -> str | None:
    """What the text declares that the integer interval counts: "ps", "us", or None.

    Examples
    --------
    >>> declared_interval_unit("C 5 SAMPLE INTERVAL UNIT: PICOSECONDS")
    'ps'
    """
    found = _UNIT.search(text)
    if found is None:
        return None
    return "ps" if found[1].upper().startswith("P") else "us"


def declared_interval_ns(text: str) -> float | None:
    """The sample interval that the text declares with its unit, in ns, or None.

    Examples
    --------
    >>> declared_interval_ns("C 6 SAMPLE INTERVAL: 0.41667 NS")
    0.41667
    """
    found = _INTERVAL.search(text)
    if found is None:
        return None
    return float(found[1]) * (1e-3 if found[2].upper().startswith("P") else 1.0)


def line_name_rows(names: Mapping[int, str]) -> list[str]:
    """Rows of an extended text header that give line numbers their names."""
    return [_LINE_STANZA, *(f"LINE NUMBER {number} = {name}" for number, name in names.items())]


def declared_line_names(text: str) -> dict[int, str]:
    """Names of line numbers, as `line_name_rows` writes them.

    Examples
    --------
    >>> declared_line_names("\\n".join(line_name_rows({1: "A 7"})))
    {1: 'A 7'}
    """
    names: dict[int, str] = {}
    _, found, rows = text.partition(_LINE_STANZA)
    for row in rows.splitlines() if found else ():
        entry = _LINE_NAME.match(row.strip())
        if entry is not None:
            names[int(entry[1])] = entry[2].strip()
    return names
