"""Where now comes from: the one seam between an instrument and the passing of time.

Instants are integer nanoseconds since the clock was made. A held clock stands still until someone
moves it; run again, it goes on from where it stands.
"""

import time
from collections.abc import Callable
from typing import Protocol


class Clock(Protocol):
    """What ports and rigs ask of a clock."""

    @property
    def held(self) -> bool:
        """Whether only `move` changes the time."""

    def now_ns(self) -> int:
        """Nanoseconds since the clock was made; never less than the answer before."""

    def hold(self) -> None:
        """Stand still from now on."""

    def run(self) -> None:
        """Go on by itself from where it stands."""

    def move(self, to_ns: int) -> None:
        """Stand at `to_ns`. ValueError if that is past, or the clock does not wait for it."""


class RealClock:
    """A clock that runs by itself (`source`, in nanoseconds; the machine's monotonic one) but can be held.

    One that is not `begun` stands at 0 until it is told to begin, or held.
    """

    __slots__ = ("_begun", "_held_ns", "_origin_ns", "_source")

    def __init__(self, source: Callable[[], int] = time.monotonic_ns, *, begun: bool = True) -> None:
        self._source = source
        self._origin_ns = source()
        self._held_ns: int | None = None if begun else 0
        self._begun = begun

    @property
    def held(self) -> bool:
        return self._begun and self._held_ns is not None

    @property
    def stands(self) -> bool:
        """Whether time does not pass: it is held, or has not begun."""
        return self._held_ns is not None

    def begin(self) -> None:
        """Run, if it has neither run nor been held yet."""
        if not self._begun:
            self._begun = True
            self.run()

    def now_ns(self) -> int:
        return self._source() - self._origin_ns if self._held_ns is None else self._held_ns

    def hold(self) -> None:
        self._held_ns = self.now_ns()
        self._begun = True

    def run(self) -> None:
        if self._held_ns is not None:
            self._origin_ns = self._source() - self._held_ns
            self._held_ns = None

    def move(self, to_ns: int) -> None:
        if self._held_ns is None:
            raise ValueError("the clock runs by itself; hold it first")
        _forward(self._held_ns, to_ns)
        self._held_ns = to_ns


class VirtualClock:
    """A clock that is moved by whoever waits, as fast as it likes; held, only by the rig."""

    __slots__ = ("_now_ns", "held")

    def __init__(self) -> None:
        self._now_ns = 0
        self.held = False

    def now_ns(self) -> int:
        return self._now_ns

    def hold(self) -> None:
        self.held = True

    def run(self) -> None:
        self.held = False

    def move(self, to_ns: int) -> None:
        _forward(self._now_ns, to_ns)
        self._now_ns = to_ns


def _forward(now_ns: int, to_ns: int) -> None:
    if to_ns < now_ns:
        raise ValueError(f"time does not run backwards: it is {now_ns} ns, {to_ns} ns is past")
