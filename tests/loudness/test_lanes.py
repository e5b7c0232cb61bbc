"""Channels side by side."""

from __future__ import annotations

import threading

import pytest

from roomplan.loudness.lanes import Lanes


def test_results_keep_the_order_of_the_items():
    lanes = Lanes(2)
    assert lanes.map(lambda item: item * item, [3, 1, 2]) == [9, 1, 4]
    lanes.close()
    assert lanes.map(lambda item: -item, [3, 1]) == [-3, -1]


def test_two_workers_are_at_work_at_the_same_time():
    meeting = threading.Barrier(2, timeout=20)
    assert sorted(Lanes(2).map(lambda _: meeting.wait(), [0, 1])) == [0, 1]


def test_one_worker_is_the_callers_own_thread():
    threads = Lanes(1).map(lambda _: threading.current_thread(), [0, 1])
    assert threads == [threading.current_thread()] * 2


@pytest.mark.parametrize("bad", [0, 1])
def test_exception_in_any_lane_reaches_the_caller(bad):
    def work(item):
        if item == bad:
            raise ArithmeticError(item)

    with pytest.raises(ArithmeticError):
        Lanes(2).map(work, [0, 1])
