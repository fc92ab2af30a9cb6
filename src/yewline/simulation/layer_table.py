"""The literal table of all layers, by the kind that a settings file names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from typing import Any, Final, TypeVar

from yewline.errors import InputError
from yewline.simulation.disturbances import Bursts, DeadTraces, ReceiverNoise, Spikes, Transmitter
from yewline.simulation.electronics import Converter, Coupling, Ringing, Wow
from yewline.simulation.layers import Layer
from yewline.simulation.timing import Drift, Jitter
from yewline.simulation.walking import LineShift, Odometer, Slip, StartOffset, Zigzag

__all__ = ["LAYER_KINDS", "make_layer"]

T = TypeVar("T")

LAYER_KINDS: Final[dict[str, type[Layer]]] = {
    "odometer": Odometer,
    "start-offset": StartOffset,
    "zigzag": Zigzag,
    "line-shift": LineShift,
    "coupling": Coupling,
    "ringing": Ringing,
    "wow": Wow,
    "drift": Drift,
    "jitter": Jitter,
    "transmitter": Transmitter,
    "bursts": Bursts,
    "noise": ReceiverNoise,
    "spikes": Spikes,
    "dead-traces": DeadTraces,
    "converter": Converter,
}


def make_layer(kind: str, settings: Mapping[str, Any]) -> Layer:
    """A layer from its kind and settings, as they stand in a truth record or a settings file.

    Raises
    ------
    InputError : no such kind, a setting that it does not have, one that it needs and that is missing, or one out of
        range.

    Examples
    --------
    >>> make_layer("wow", {"strength": 0.03})
    Wow(label='', strength=0.03, decay_ns=15.0, offset=0.0)
    """
    if kind not in LAYER_KINDS:
        raise InputError(f"kind of a layer must be one of {', '.join(LAYER_KINDS)}", received=repr(kind))
    held = dict(settings)
    if "slips" in held:
        held["slips"] = tuple(
            _made(Slip, item, "a slip") if isinstance(item, Mapping) else item for item in held["slips"]
        )
    if "traces" in held:
        held["traces"] = tuple(held["traces"])
    return _made(LAYER_KINDS[kind], held, f"a layer of kind {kind}")


def _made(cls: type[T], settings: Mapping[str, Any], what: str) -> T:
    """The dataclass from its settings, with every name checked first."""
    known = {item.name: item.default is MISSING for item in fields(cls)}  # type: ignore[arg-type]
    unknown = sorted(set(settings) - set(known))
    missing = [name for name, needed in known.items() if needed and name not in settings]
    if unknown:
        raise InputError(
            f"{what} has no such setting", received=", ".join(unknown), do=f"its settings are {', '.join(known)}"
        )
    if missing:
        raise InputError(f"{what} lacks a setting", do=f"give {', '.join(missing)}")
    return cls(**settings)
