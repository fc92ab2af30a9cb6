"""Layers of what goes wrong between a clean radargram and a stored one: each by itself, with its truth."""

from __future__ import annotations

import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.faults import Fault
from yewline.simulation.instrument import Instrument
from yewline.simulation.places import Places

__all__ = [
    "Layer",
    "LayerTruth",
    "Layers",
    "LineSetting",
    "PlaceLayer",
    "SignalLayer",
    "check_count",
    "child_rng",
    "truth_arrays",
]

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LineSetting:
    """What a layer may know of the line that it falls on.

    Attributes
    ----------
    interval_ns : sample interval.
    zero_ns : time on the record at which the wave leaves.
    spacing_m : between traces; 0 for a single trace.
    visit, line : names, for the truth; they also enter the random numbers, so that no two lines have the same.
    direct : largest swing of the direct wave in the field's unit, to which shares refer; measured on the clean line
        (median over its traces) where it is None.
    """

    interval_ns: float
    zero_ns: float = 0.0
    spacing_m: float = 0.0
    visit: str = ""
    line: str = ""
    direct: float | None = None

    def __post_init__(self) -> None:
        check_positive(self.interval_ns, "interval_ns")
        check_in_range(self.zero_ns, "zero_ns", 0.0, 1e4)
        check_in_range(self.spacing_m, "spacing_m", 0.0, 1e3)
        if self.direct is not None:
            check_in_range(self.direct, "direct", 0.0, 1e30)

    @classmethod
    def of(cls, instrument: Instrument, spacing_m: float, *, visit: str = "", line: str = "") -> LineSetting:
        """The setting of a line recorded with an instrument."""
        return cls(instrument.interval_ns, instrument.zero_ns, spacing_m, visit, line)

    @property
    def loud(self) -> float:
        """Largest swing of the direct wave; an error where nobody has measured it."""
        if self.direct is None:
            raise InputError(
                "the level of the direct wave is not known", do="give `direct`, or apply the layer through `Layers`"
            )
        return self.direct

    def times_ns(self, samples: int) -> npt.NDArray[np.float64]:
        """(S,) times from the moment at which the wave leaves."""
        return np.asarray(self.interval_ns * np.arange(samples) - self.zero_ns, np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class LayerTruth:
    """What one layer did to one line.

    Attributes
    ----------
    layer : its key; `kind` is that of the layer.
    visit, line : where.
    settings : the layer's own values.
    values : single figures that came out, such as counts a unit of field.
    faults : faults in the terms of a field check.
    arrays : what was done trace by trace or sample by sample, with the unit in the name.
    """

    layer: str
    kind: str
    visit: str
    line: str
    settings: dict[str, Any]
    values: dict[str, float] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    arrays: dict[str, npt.NDArray[Any]] = field(default_factory=dict)

    def as_dict(self, *, arrays: bool = True) -> dict[str, Any]:
        """A plain dictionary for JSON; `arrays` as lists, or only their shapes where they are kept elsewhere."""
        told = {name: getattr(self, name) for name in ("layer", "kind", "visit", "line", "settings", "values")}
        told["faults"] = [fault.as_dict() for fault in self.faults]
        told["arrays"] = {name: data.tolist() if arrays else list(data.shape) for name, data in self.arrays.items()}
        return told


def truth_arrays(truths: Iterable[LayerTruth]) -> dict[str, npt.NDArray[Any]]:
    """The arrays of many truths under names of their own, ``visit/line/layer/array``, ready for one NPZ file.

    Examples
    --------
    >>> truth = LayerTruth("drift", "drift", "dry", "L1", {}, arrays={"drift_ns": np.zeros(2)})
    >>> list(truth_arrays([truth]))
    ['dry/L1/drift/drift_ns']
    """
    return {
        "/".join(part for part in (truth.visit, truth.line, truth.layer, name) if part): data
        for truth in truths
        for name, data in truth.arrays.items()
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer(ABC):
    """One thing that happens to a line.

    `label` tells apart two layers of a kind; random numbers hang on kind and label, so a layer that is switched off
    or added leaves those of the others as they were.
    """

    kind: ClassVar[str]
    label: str = ""

    @property
    @abstractmethod
    def rank(self) -> int:
        """Its place in the order in which things happen."""

    @property
    def key(self) -> str:
        """Kind and label."""
        return f"{self.kind}:{self.label}" if self.label else self.kind

    def told(
        self,
        setting: LineSetting,
        *,
        values: Mapping[str, float] | None = None,
        faults: tuple[Fault, ...] = (),
        arrays: Mapping[str, npt.NDArray[Any]] | None = None,
    ) -> LayerTruth:
        """The truth of this layer on a line."""
        return LayerTruth(
            self.key,
            self.kind,
            setting.visit,
            setting.line,
            asdict(self),
            dict(values or {}),
            faults,
            dict(arrays or {}),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLayer(Layer):
    """A layer that changes samples."""

    @abstractmethod
    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """Samples (T, S) after it, and what it did; `amplitude` is left as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceLayer(Layer):
    """A layer that changes where the antennas truly were."""

    @abstractmethod
    def apply(self, places: Places, setting: LineSetting, rng: np.random.Generator) -> tuple[Places, LayerTruth]:
        """Places after it, and what it did; `places` are left as they are."""


@dataclass(frozen=True, slots=True)
class Layers:
    """Layers that befall every line of a visit, applied in the order in which they happen, however they are listed.

    Attributes
    ----------
    layers : what there is.
    off : keys of those switched off.

    Raises
    ------
    InputError : two layers of one key, or a key in `off` that no layer has.

    Examples
    --------
    >>> from yewline.simulation.disturbances import DeadTraces, ReceiverNoise
    >>> layers = Layers((DeadTraces(count=1), ReceiverNoise(white=0.1)))
    >>> stored, truth = layers.apply(np.zeros((20, 30)), LineSetting(0.5, line="L1"), seed=1)
    >>> [told.layer for told in truth], int((stored == 0).all(axis=1).sum())
    (['noise', 'dead-traces'], 1)
    """

    layers: tuple[Layer, ...] = ()
    off: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        keys = [layer.key for layer in self.layers]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        if twice:
            raise InputError(
                "two layers go by one name", received=", ".join(twice), do="give each of them a label of its own"
            )
        unknown = sorted(set(self.off) - set(keys))
        if unknown:
            known = ", ".join(keys) or "none"
            raise InputError(
                "there is no such layer to switch off", received=", ".join(unknown), do=f"the layers are: {known}"
            )

    def without(self, *keys: str) -> Layers:
        """The same with some more switched off."""
        return replace(self, off=(*self.off, *(key for key in keys if key not in self.off)))

    def active(self) -> tuple[Layer, ...]:
        """Those that are on, in the order in which they happen."""
        return tuple(sorted((x for x in self.layers if x.key not in self.off), key=lambda layer: layer.rank))

    def apply(
        self, amplitude: npt.ArrayLike, setting: LineSetting, *, seed: int
    ) -> tuple[Float32, tuple[LayerTruth, ...]]:
        """Lay all signal layers over a clean line.

        Parameters
        ----------
        amplitude : (T, S) noiseless field.
        setting : of the line.
        seed : of the visit; every line and layer draws from a child of its own.

        Returns
        -------
        stored : (T, S) float32.
        truth : of each layer that is on, in the order in which they happened.

        Raises
        ------
        InputError : samples that are not finite, or a layer that cannot be on this line.
        """
        values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32).copy()
        if setting.direct is None:
            # Shares refer to the clean line, so that one layer's level does not hang on another's being on.
            setting = replace(setting, direct=float(np.median(np.abs(values).max(axis=1))))
        truth = []
        for layer in self.active():
            if isinstance(layer, SignalLayer):
                values, told = layer.apply(values, setting, child_rng(seed, setting, layer.key))
                truth.append(told)
        return values, tuple(truth)

    def walk(self, places: Places, setting: LineSetting, *, seed: int) -> tuple[Places, tuple[LayerTruth, ...]]:
        """Where the antennas truly were on a walk planned as `places`; parameters and errors as for `apply`."""
        truth = []
        for layer in self.active():
            if isinstance(layer, PlaceLayer):
                places, told = layer.apply(places, setting, child_rng(seed, setting, layer.key))
                truth.append(told)
        return places, tuple(truth)


def check_count(value: int, name: str, low: int = 0) -> int:
    """Return `value`, refused when it is not a whole number from `low` to a million."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or not low <= value <= 1_000_000:
        raise InputError(f"{name} must be a whole number, {low} or more and at most a million", received=repr(value))
    return int(value)


def child_rng(seed: int, setting: LineSetting, key: str) -> np.random.Generator:
    """Random numbers of one layer on one line of one visit, whatever else is drawn."""
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise InputError("seed must be a whole number, 0 or more", received=repr(seed))
    names = [zlib.crc32(name.encode()) for name in (setting.visit, setting.line, key)]
    return np.random.default_rng([seed, *names])
