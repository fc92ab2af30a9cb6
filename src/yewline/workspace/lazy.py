"""Lines that are read or made when they are asked for, so that a survey need not fit into memory."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping
from threading import Lock

import numpy as np
import xarray as xr

__all__ = ["KEPT_BYTES", "LazyLines", "lights_of", "without_samples"]

KEPT_BYTES = 96 * 2**20
"""Samples that one set of lines holds on to; beyond that, what was asked for longest ago is read or made again."""


class LazyLines(Mapping[str, xr.DataArray]):
    """Radargrams by line name, each made at its first use and kept while there is room.

    Parameters
    ----------
    names : of the lines, in order.
    make : radargram of a line; called again for a line that had to make room. It may be called from several threads.
    ready : radargrams that exist already, kept like others.
    lights : the lines without their samples, where they are known: where each lies and how long it is.
    kept_bytes : room for samples; `KEPT_BYTES` if it is left out.

    Examples
    --------
    >>> lines = LazyLines(["L1", "L2"], lambda name: xr.DataArray(np.zeros((2, 3), np.float32), attrs={"line": name}))
    >>> len(lines), lines["L2"].attrs["line"], "L3" in lines
    (2, 'L2', False)
    """

    def __init__(
        self,
        names: Iterable[str],
        make: Callable[[str], xr.DataArray],
        *,
        ready: Mapping[str, xr.DataArray] | None = None,
        lights: Mapping[str, xr.DataArray] | None = None,
        kept_bytes: int | None = None,
    ) -> None:
        self._names = tuple(dict.fromkeys(names))
        self._known = frozenset(self._names)
        self._make = make
        self._room = KEPT_BYTES if kept_bytes is None else kept_bytes
        self._held: OrderedDict[str, xr.DataArray] = OrderedDict()
        self._bytes = 0
        self._lock = Lock()
        self._lights = dict(lights or {})
        for name, line in (ready or {}).items():
            self._keep(name, line)

    def __getitem__(self, name: str) -> xr.DataArray:
        if name not in self._known:
            raise KeyError(name)
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
        made = self._make(name)
        self._keep(name, made)
        return made

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return name in self._known

    def only(self, names: Iterable[str]) -> LazyLines:
        """The same lines, fewer of them."""
        wanted = [name for name in names if name in self._known]
        with self._lock:
            ready = {name: self._held[name] for name in self._held if name in set(wanted)}
        return LazyLines(wanted, self._make, ready=ready, lights=self._lights, kept_bytes=self._room)

    def light(self, name: str) -> xr.DataArray:
        """A line without its samples; it is made only if nothing else is known of it."""
        if name not in self._lights:
            self._lights[name] = without_samples(self[name])
        return self._lights[name]

    def _keep(self, name: str, line: xr.DataArray) -> None:
        with self._lock:
            if name in self._held or line.nbytes > self._room:
                return
            self._held[name] = line
            self._bytes += line.nbytes
            while self._bytes > self._room:
                self._bytes -= self._held.popitem(last=False)[1].nbytes


def lights_of(lines: Mapping[str, xr.DataArray]) -> dict[str, xr.DataArray]:
    """All lines without their samples, for whoever asks only where they lie and how long they are."""
    return {name: lines.light(name) if isinstance(lines, LazyLines) else lines[name] for name in lines}


def without_samples(line: xr.DataArray) -> xr.DataArray:
    """The same radargram with NaN for every sample, in next to no memory: where it lies and how long it is."""
    return line.copy(deep=False, data=np.broadcast_to(np.float32(np.nan), line.shape))
