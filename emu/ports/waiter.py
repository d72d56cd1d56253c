"""Sleeping until a descriptor has something, or it is time."""

import contextlib
import select
import time
from collections.abc import Iterable
from typing import Protocol

from wirevow.protocol.conformance.brisk import let_others

_EARLY_S = 60e-6
"""How late a sleeper may wake up: whoever has to be punctual is awake so long before the time."""
READ = 1
WRITE = 4
"""As EPOLLIN and EPOLLOUT of epoll_ctl(2)."""


class Waiter(Protocol):
    """Waits for a set of descriptors."""

    def watch(self, readers: Iterable[int], writers: Iterable[int]) -> None:
        """From now on wait for these."""

    def wait(self, timeout_s: float | None) -> list[tuple[int, int]]:
        """Sleep, for at most `timeout_s`; returns descriptors and what they are ready for.

        A descriptor with an error or an end is ready for something else than WRITE.
        """

    def close(self) -> None: ...


class EpollWaiter:
    """Linux. Half the time of `select`, which is a good part of a round trip.

    Its timeouts are whole milliseconds, rounded up; `punctual` ones cost a `select` and being awake at last.
    """

    def __init__(self, punctual: bool) -> None:
        self._epoll = select.epoll()
        self._descriptor = self._epoll.fileno()
        self._punctual = punctual
        self._known: set[int] = set()

    def watch(self, readers: Iterable[int], writers: Iterable[int]) -> None:
        wanted = dict.fromkeys(readers, READ)
        for descriptor in writers:
            wanted[descriptor] = wanted.get(descriptor, 0) | WRITE
        for descriptor in self._known - wanted.keys():
            with contextlib.suppress(OSError):  # closed: the kernel has forgotten it already
                self._epoll.unregister(descriptor)
        for descriptor, mask in wanted.items():
            try:
                self._epoll.modify(descriptor, mask)
            except FileNotFoundError:  # new, or the number of one that was closed given out again
                self._epoll.register(descriptor, mask)
        self._known = set(wanted)

    def wait(self, timeout_s: float | None) -> list[tuple[int, int]]:
        if not self._punctual or not timeout_s:
            return self._epoll.poll(timeout_s)
        until = time.perf_counter() + timeout_s
        if timeout_s > _EARLY_S:
            select.select((self._descriptor,), (), (), timeout_s - _EARLY_S)
        while not (ready := self._epoll.poll(0)) and time.perf_counter() < until:
            pass
        return ready

    def close(self) -> None:
        self._epoll.close()


class SelectWaiter:
    """Every other system."""

    def __init__(self) -> None:
        self._readers: list[int] = []
        self._writers: list[int] = []

    def watch(self, readers: Iterable[int], writers: Iterable[int]) -> None:
        self._readers = list(readers)
        self._writers = list(writers)

    def wait(self, timeout_s: float | None) -> list[tuple[int, int]]:
        readable, writable, _ = select.select(self._readers, self._writers, (), timeout_s)
        ready = dict.fromkeys(readable, READ)
        for descriptor in writable:
            ready[descriptor] = ready.get(descriptor, 0) | WRITE
        return list(ready.items())

    def close(self) -> None:
        pass


def make_waiter(punctual: bool) -> Waiter:
    """The best there is; `punctual` if fractions of a millisecond matter."""
    return EpollWaiter(punctual) if hasattr(select, "epoll") else SelectWaiter()


BRISK_S = 300e-6
"""Who comes back in less time is looked for without going to sleep: waking up takes longer than answering, or
passing on. One who takes his time costs nothing."""


def wait_awake(waiter: Waiter, until_s: float) -> list[tuple[int, int]]:
    """As `wait`, without going to sleep, until this time of `time.perf_counter`."""
    ready: list[tuple[int, int]] = []
    while not ready and time.perf_counter() < until_s:
        let_others()
        ready = waiter.wait(0)
    return ready
