"""Clocks: running, held, moved."""

import time

import pytest

from wirevow.emu.clock import Clock, RealClock, VirtualClock


def test_a_real_clock_runs_with_the_machine() -> None:
    before = time.monotonic_ns()
    clock = RealClock()
    time.sleep(0.01)
    assert 10_000_000 <= clock.now_ns() <= time.monotonic_ns() - before


def test_a_held_real_clock_stands_and_goes_on_from_there() -> None:
    clock = RealClock()
    clock.hold()
    assert clock.held
    start = clock.now_ns()
    clock.move(start + 3600 * 10**9)
    time.sleep(0.002)
    assert clock.now_ns() == start + 3600 * 10**9
    clock.run()
    assert not clock.held
    time.sleep(0.002)
    assert start + 3600 * 10**9 + 2_000_000 <= clock.now_ns() < start + 3700 * 10**9


def test_holding_or_running_twice_changes_nothing() -> None:
    clock = RealClock()
    clock.hold()
    start = clock.now_ns()
    clock.hold()
    assert clock.now_ns() == start
    clock.run()
    clock.run()
    assert clock.now_ns() >= start


def test_a_running_real_clock_cannot_be_moved() -> None:
    with pytest.raises(ValueError, match="hold it first"):
        RealClock().move(10**12)


def test_a_virtual_clock_moves_only_when_it_is_moved() -> None:
    clock = VirtualClock()
    time.sleep(0.001)
    assert clock.now_ns() == 0
    clock.move(5)
    assert clock.now_ns() == 5


@pytest.mark.parametrize("clock", [RealClock(), VirtualClock()], ids=["real", "virtual"])
def test_time_does_not_run_backwards(clock: Clock) -> None:
    clock.hold()
    clock.move(clock.now_ns() + 10)
    with pytest.raises(ValueError, match="backwards"):
        clock.move(clock.now_ns() - 1)
