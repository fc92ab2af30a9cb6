"""Where kernels are compiled: one decorator in place of Numba's own, which fails where nothing can be kept on disk."""

from __future__ import annotations

import os
import stat
import tempfile
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numba

from yewline.errors import YewlineWarning

__all__ = ["njit"]


def njit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Numba's `njit`, which works where neither the package's folder nor the user's cache folder can be written.

    There the machine code is kept in a folder of the user's own among temporary files, or not at all where that cannot
    be had either. A warning says so once.

    Parameters
    ----------
    options : as of `numba.njit`.

    Examples
    --------
    >>> double = njit(cache=False, nogil=True)(lambda x: 2 * x)
    >>> double(21)
    42
    """

    def compiled(function: Callable[..., Any]) -> Any:
        try:
            return numba.njit(**options)(function)
        except RuntimeError as error:
            if "cannot cache function" not in str(error):
                raise
        folder = _temporary_folder()
        if folder is None:
            return numba.njit(**{**options, "cache": False})(function)
        settings: Any = numba.config
        before = settings.CACHE_DIR
        settings.CACHE_DIR = str(folder)
        try:
            return numba.njit(**options)(function)
        finally:
            settings.CACHE_DIR = before

    return compiled


@cache
def _temporary_folder() -> Path | None:
    """A folder of the user's own among temporary files; None where there is none that nobody else can write to."""
    why = "neither the folder of yewline nor the user's cache folder can be written"
    do = "set NUMBA_CACHE_DIR to a folder of your own that can be written"
    try:
        folder = Path(tempfile.gettempdir()) / f"yewline-kernels-{_user()}"
        folder.mkdir(mode=0o700, exist_ok=True)
        ours = _nobody_elses(folder)
        if ours:
            tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        ours = False
    if not ours:
        text = f"compiled steps cannot be kept and are compiled again at every start, a minute or more: {why}; {do}"
        warnings.warn(text, YewlineWarning, stacklevel=4)
        return None
    text = f"compiled steps are kept in {folder} until it is cleared: {why}; {do}"
    warnings.warn(text, YewlineWarning, stacklevel=4)
    return folder


def _user() -> int:
    # Where users have no numbers, temporary files are each user's own.
    return os.getuid() if hasattr(os, "getuid") else 0


def _nobody_elses(folder: Path) -> bool:
    """Whether only this user can have written there: what lies in it will be run."""
    about = folder.lstat()
    if not hasattr(os, "getuid"):
        return stat.S_ISDIR(about.st_mode)
    return stat.S_ISDIR(about.st_mode) and about.st_uid == _user() and not about.st_mode & 0o022
