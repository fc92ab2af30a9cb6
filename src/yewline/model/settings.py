"""Settings files: frozen models, and errors that name the file, the key and the nearest known key."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from yewline.errors import SettingsError

__all__ = ["Settings", "read_settings", "read_toml"]


class Settings(BaseModel):
    """Base of every settings model: frozen, and unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


S = TypeVar("S", bound=Settings)


def read_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file, raising `SettingsError` with the place of a syntax error."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise SettingsError("file not found", where=str(path), do="write it, or run `yewline new`") from error
    except UnicodeDecodeError as error:
        raise SettingsError("not a text file in UTF-8", where=str(path), do="save it as UTF-8 text") from error
    except tomllib.TOMLDecodeError as error:
        do = "mend that line"
        line = re.search(r"line (\d+)", str(error))
        if line and re.search(
            r"=\s*\d{1,2}[./]\d{1,2}[./]\d{2,4}", path.read_text("utf-8-sig").splitlines()[int(line[1]) - 1]
        ):
            do = "write dates as year-month-day, such as 2031-05-14"
        elif line:
            do = "mend that line; text stands in quotes, and numbers have a decimal point"
        raise SettingsError(f"not valid TOML: {error}", where=str(path), do=do) from error


def read_settings(kind: type[S], data: dict[str, Any], where: str) -> S:
    """Make settings of `kind` from parsed data; the first fault is raised as a `SettingsError`.

    Raises
    ------
    SettingsError : names the key, what was received, and for an unknown key the nearest known one.

    Examples
    --------
    >>> class Antenna(Settings):
    ...     centre_mhz: float
    >>> read_settings(Antenna, {"centre_mhz": 400}, "visit.toml").centre_mhz
    400.0
    >>> read_settings(Antenna, {"centre_mzh": 400}, "visit.toml")
    Traceback (most recent call last):
    ...
    yewline.errors.SettingsError: visit.toml: unknown key 'centre_mzh' (received 400). Did you mean 'centre_mhz'?
    """
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        faults = error.errors()
        # An unknown key is the likely cause of a missing one: name it first.
        fault = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
        key = ".".join(str(part) for part in fault["loc"])
        if fault["type"] == "extra_forbidden":
            known = _known_keys(kind, fault["loc"])
            near = difflib.get_close_matches(str(fault["loc"][-1]), known, n=1, cutoff=0.5)
            advice = f"did you mean '{near[0]}'?" if near else f"known keys: {', '.join(known)}"
            problem = f"unknown key '{key}'"
        elif fault["type"] == "missing":
            problem, advice = f"missing key '{key}'", "add it"
            raise SettingsError(problem, where=where, do=advice) from error
        else:
            message = fault["msg"].removeprefix("Value error, ")
            problem, advice = f"'{key}' cannot be used: {message[:1].lower()}{message[1:]}", "mend the value"
        raise SettingsError(problem, where=where, received=repr(fault["input"]), do=advice) from error


def _known_keys(kind: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Keys of the model that holds the last part of `location`."""
    model = kind
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        inner = None if field is None else _model_in(field.annotation)
        if inner is None:
            break
        model = inner
    return sorted(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _model_in(part)
        if found is not None:
            return found
    return None
