"""Signals that end a check (Ctrl-C and its like): the handler only notes the wish, and wakes whoever waits.

No exception is thrown into whatever code happens to run: a library would take it for its own failure, and
the interpreter swallows it in some places. Every send and every wait looks (`Interrupts.look`), and once a
wish is noted each of them raises `Interrupted`. So nothing but the safe action, which does not ask here, can
go out.
"""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

ENDING_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Interrupted(BaseException):
    """Someone wants an end. No Exception, and no KeyboardInterrupt: libraries treat both as their own."""


class Interrupts:
    """The wish for an end, from when `handled` is entered."""

    def __init__(self) -> None:
        self.noted: int | None = None
        """Number of the first signal that came."""
        self.times = 0
        """How many have come."""
        self._former: dict[int, Callable[[int, FrameType | None], Any]] = {}
        self._woken: socket.socket | None = None
        self._waker: socket.socket | None = None

    @contextmanager
    def handled(self) -> Iterator[None]:
        """Handle them inside the block, as far as someone did before: what is ignored stays ignored.

        In a thread other than the main one nothing is handled.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        self._woken, self._waker = socket.socketpair()
        for end in (self._woken, self._waker):
            end.setblocking(False)
        # The system writes there before any Python code runs: a wait that is about to begin ends too.
        former_waker = signal.set_wakeup_fd(self._waker.fileno(), warn_on_full_buffer=False)
        self._take()
        try:
            yield
        finally:
            self._give_back()
            signal.set_wakeup_fd(former_waker)
            self._woken.close()
            self._waker.close()
            self._woken = self._waker = None

    @contextmanager
    def lifted(self) -> Iterator[None]:
        """Inside the block signals do at once what they did before: nothing is at stake there."""
        handled = bool(self._former)
        self._give_back()
        try:
            yield
        finally:
            if handled:
                self._take()

    @property
    def waker(self) -> int | None:
        """A descriptor that can be read once a signal has come: waits wait for it too."""
        return None if self._woken is None else self._woken.fileno()

    def look(self) -> None:
        """Raises `Interrupted` once a wish is noted."""
        if self.noted is not None:
            raise Interrupted

    def woken(self) -> None:
        """The waker can be read. Raises `Interrupted` if it was one of the signals that end a check."""
        with suppress(BlockingIOError):
            while self._woken is not None and (numbers := self._woken.recv(64)):
                for number in numbers:
                    if number in self._former and self.noted is None:
                        self.noted = number
        self.look()

    def act(self) -> None:
        """What was noted acts now, as it would have without us; if that ends nothing, KeyboardInterrupt."""
        if self.noted is not None:
            former = self._former.get(self.noted)
            if former is not None:
                former(self.noted, None)
            raise KeyboardInterrupt

    def _take(self) -> None:
        for name in ENDING_SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and callable(former := signal.getsignal(number)):
                self._former[int(number)] = former
                signal.signal(number, self._came)

    def _give_back(self) -> None:
        for number, former in self._former.items():
            signal.signal(number, former)
        self._former.clear()

    def _came(self, number: int, frame: FrameType | None) -> None:
        self.times += 1
        if self.noted is None:
            self.noted = number
