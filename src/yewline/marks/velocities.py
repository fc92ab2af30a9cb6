"""Hyperbolas that a person laid on a radargram, by apex and velocity: put into the journal, and given back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from yewline.errors import InputError
from yewline.marks.journal import Act, append_act, read_journal, replay

__all__ = ["VELOCITIES", "DrawnVelocity", "draw_velocity", "drawn_velocities", "remove_velocity"]

VELOCITIES: Final = "velocities"
_NEEDED: Final = ("x_m", "t0_ns", "v_m_per_ns")


@dataclass(frozen=True, slots=True)
class DrawnVelocity:
    """One hyperbola of a person's own.

    Attributes
    ----------
    name : its key in the journal.
    visit, line : where it was laid.
    fit : plain values, as a fitted hyperbola gives and takes them; `x_m`, `t0_ns` and `v_m_per_ns` at least.
    who, when : who laid it last, and when; as they were given.
    """

    name: str
    visit: str
    line: str
    fit: Mapping[str, Any]
    who: str = ""
    when: str = ""


def draw_velocity(
    path: Path, name: str, fit: Mapping[str, Any], *, visit: str, line: str, who: str = "", when: str = ""
) -> Act:
    """Put a person's own hyperbola into the journal, or change the one of that name.

    Parameters
    ----------
    path : the journal.
    name : of the hyperbola.
    fit : its plain values: apex along the line `x_m` [m], time straight down `t0_ns` [ns], `v_m_per_ns` [m/ns], and
        whatever else a fitted hyperbola holds (covariance, picks).
    visit, line : the radargram on which it was laid.
    who, when : kept as given.

    Raises
    ------
    InputError : no visit or line, or a place, time or velocity that is missing or cannot be.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     journal = Path(folder) / "journal.jsonl"
    ...     fit = {"x_m": 4.0, "t0_ns": 20.0, "v_m_per_ns": 0.1}
    ...     _ = draw_velocity(journal, "V1", fit, visit="spring", line="L3", who="surveyor")
    ...     (drawn,) = drawn_velocities(read_journal(journal)[0], "spring")
    >>> drawn.line, drawn.fit["v_m_per_ns"], drawn.who
    ('L3', 0.1, 'surveyor')
    """
    if not (visit and line):
        raise InputError(
            "a hyperbola belongs to a line of a visit", where=name, received=f"visit '{visit}', line '{line}'"
        )
    for key in _NEEDED:
        value = fit.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise InputError(f"{key} of a hyperbola must be a finite number", where=name, received=repr(value))
        if key != "x_m" and value <= 0:
            raise InputError(f"{key} of a hyperbola must be greater than zero", where=name, received=value)
    payload = {"visit": visit, "line": line, "fit": dict(fit)}
    return append_act(path, Act("put", VELOCITIES, name, payload, who=who, when=when))


def remove_velocity(path: Path, name: str, *, who: str = "", when: str = "") -> Act:
    """Take a person's own hyperbola back.

    Raises
    ------
    InputError : there is none of that name.
    """
    held = replay(read_journal(path)[0]).get(VELOCITIES, {})
    if name not in held:
        raise InputError(f"there is no drawn hyperbola '{name}'", where=str(path), received=", ".join(held) or "none")
    return append_act(path, Act("remove", VELOCITIES, name, who=who, when=when))


def drawn_velocities(acts: Sequence[Act], visit: str) -> list[DrawnVelocity]:
    """The hyperbolas of people's own that hold for a visit after all acts, in the order of first drawing.

    An entry that lacks its visit, line or values was not written by `draw_velocity`, and is passed over.
    """
    signed = [replace(act, payload={**act.payload, "who": act.who, "when": act.when}) for act in acts]
    out = []
    for name, held in replay(signed).get(VELOCITIES, {}).items():
        fit, line = held.get("fit"), held.get("line")
        if held.get("visit") == visit and isinstance(line, str) and isinstance(fit, Mapping):
            out.append(DrawnVelocity(name, visit, line, fit, held["who"], held["when"]))
    return out
