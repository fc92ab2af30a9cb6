"""Messages say what is wrong, what was received and what to do; checkers return the cleaned value."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from yewline._check import check_array, check_choice, check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import Cancelled, FormatError, InputError, SettingsError, YewlineError
from yewline.progress import SILENT, Progress
from yewline.units import C_M_PER_NS


def test_message_names_place_problem_received_and_advice():
    error = FormatError("the file ends early", where="a.sgy, byte 3840", received=17, do="record it again")
    assert str(error) == "a.sgy, byte 3840: the file ends early (received 17). Record it again."


def test_message_without_place_or_advice():
    assert str(InputError("it is empty")) == "it is empty."
    assert str(SettingsError("unknown key 'a'", do="did you mean 'b'?")) == "unknown key 'a'. Did you mean 'b'?"


def test_errors_survive_pickling():
    error = pickle.loads(pickle.dumps(FormatError("x", where="here", received=3, do="mend it")))
    assert isinstance(error, FormatError)
    assert (error.problem, error.where, error.received, error.do) == ("x", "here", "3", "mend it")


def test_input_error_is_a_value_error_and_a_yewline_error():
    assert issubclass(InputError, ValueError)
    assert issubclass(InputError, YewlineError)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: check_finite("a", "depth_m"), "depth_m must be a number"),
        (lambda: check_finite(np.nan, "depth_m"), "depth_m must be finite"),
        (lambda: check_positive(0, "spacing_m"), "spacing_m must be greater than zero"),
        (lambda: check_in_range(2, "share", 0, 1), "share must lie between 0 and 1"),
        (lambda: check_velocity(-0.1, "v"), "v must be greater than zero"),
        (
            lambda: check_velocity(0.31, "v"),
            r"velocity above that of light .received 0\.31 m/ns.\. Velocities are in m/ns",
        ),
        (lambda: check_choice("c", "rule", ("a", "b")), "rule must be one of a, b"),
        (lambda: check_array("text", "x", ndim=1), "x must be an array of numbers"),
        (lambda: check_array([1.0], "x", ndim=2), "x must have 2 axes"),
        (lambda: check_array([], "x", ndim=1), "x is empty"),
        (lambda: check_array([1.0, np.inf], "x", ndim=1), r"x holds values that are not finite .received inf at .1,."),
    ],
)
def test_checkers_refuse(call, said):
    with pytest.raises(InputError, match=said):
        call()


def test_checkers_return_the_cleaned_value():
    assert check_finite("2.5", "x") == 2.5
    assert check_in_range(1, "x", 0, 1) == 1.0
    assert check_velocity(C_M_PER_NS * (1 + 1e-12), "v") == C_M_PER_NS * (1 + 1e-12)
    assert check_choice("a", "x", ("a",)) == "a"
    array = check_array([[1, 2]], "x", ndim=2, dtype=np.float32)
    assert array.dtype == np.float32
    assert array.flags.c_contiguous


def test_progress_stops_on_request():
    answers = iter([False, False, True])
    progress = Progress(cancelled=lambda: next(answers))
    with pytest.raises(Cancelled, match="stopped during lines"):
        list(progress.over([1, 2, 3], "lines"))


def test_silence_passes_everything():
    assert list(SILENT.over("ab", "letters")) == ["a", "b"]
