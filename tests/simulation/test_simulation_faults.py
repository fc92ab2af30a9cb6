"""Planted field faults do what they say, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.simulation import FAULT_KINDS, Fault, drift_time_zero, kill_traces, reverse_line, spike_traces


def addressed(traces: int = 6, samples: int = 40) -> np.ndarray:
    """Values that encode their own trace and sample."""
    return (100.0 * np.arange(traces)[:, None] + np.arange(samples)).astype(np.float32)


def test_drift_grows_evenly_along_the_line() -> None:
    t = np.arange(200) * 0.25
    pulse = np.exp(-(((t - 20.0) / 2.0) ** 2)) * np.ones((11, 1))
    late = drift_time_zero(pulse, interval_ns=0.25, drift_ns=2.0)
    centre = (late * t).sum(axis=1) / late.sum(axis=1)
    assert centre - 20.0 == pytest.approx(np.linspace(0.0, 2.0, 11), abs=1e-3)
    assert drift_time_zero(pulse[:1], interval_ns=0.25, drift_ns=0.0) == pytest.approx(pulse[:1], abs=1e-6)


def test_dead_traces_hold_zeros_and_others_are_untouched() -> None:
    line = addressed()
    dead = kill_traces(line, [2, 4])
    assert (dead[[2, 4]] == 0).all()
    assert (dead[[0, 1, 3, 5]] == line[[0, 1, 3, 5]]).all()
    assert (line == addressed()).all()


def test_spikes_stand_out_in_the_named_traces_only() -> None:
    line = addressed(6, 200)
    spiky = spike_traces(line, [1], height=30_000.0, seed=3)
    touched = spiky != line
    assert touched[1].sum() == 8
    assert not touched[[0, 2, 3, 4, 5]].any()
    assert (np.abs(spiky[touched]) >= 18_000).all()
    assert (spiky == spike_traces(line, [1], height=30_000.0, seed=3)).all()


def test_reversal_is_its_own_inverse() -> None:
    line = addressed()
    assert (reverse_line(line)[0] == line[-1]).all()
    assert (reverse_line(reverse_line(line)) == line).all()


def test_record_of_a_fault_is_plain() -> None:
    told = Fault("gap", "dry", "A07").as_dict()
    assert told["kind"] in FAULT_KINDS
    assert told["line"] == "A07"


def test_traces_that_are_not_there_are_refused() -> None:
    with pytest.raises(InputError, match="no such trace .*6 of 6"):
        kill_traces(addressed(), [6])
    with pytest.raises(InputError, match="height must be greater than zero"):
        spike_traces(addressed(), [0], height=0.0, seed=1)
