"""Threads of matrix products: one within, as many as before afterwards, and all work done."""

from __future__ import annotations

import threading

import pytest
import threadpoolctl

from yewline.geostat.blas_threads import one_blas_thread, side_by_side


def threads() -> list[int]:
    return [pool["num_threads"] for pool in threadpoolctl.threadpool_info() if pool["user_api"] == "blas"]


def test_one_thread_within_and_as_many_as_before_afterwards() -> None:
    before = threads()
    assert before
    with one_blas_thread():
        assert set(threads()) == {1}
        with one_blas_thread():
            assert set(threads()) == {1}
        assert set(threads()) == {1}
    assert threads() == before


def test_the_second_of_two_that_overlap_does_not_put_the_first_one_s_limit_back_for_good() -> None:
    before = threads()
    inside, leave = threading.Event(), threading.Event()

    def second() -> None:
        with one_blas_thread():
            inside.set()
            leave.wait(10.0)

    with one_blas_thread():
        other = threading.Thread(target=second)
        other.start()
        assert inside.wait(10.0)
    leave.set()
    other.join()
    assert threads() == before


def test_a_fault_in_one_piece_of_work_is_raised_and_the_threads_are_put_back() -> None:
    before = threads()

    def work(start: int) -> None:
        if start == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        side_by_side(work, range(5))
    assert threads() == before
