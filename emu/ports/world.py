"""An instrument in the host's own process, whose time passes while the host waits for it.

Time passes, as far as the instrument can tell, in these cases and in no others:

=====================================================  ======================================================
the program                                            the clock
=====================================================  ======================================================
waits: a read that has not got what it wants, a        jumps from event to event to the byte that ends the
flush, a write that finds no room                      wait, or to the end of the timeout; without a timeout
                                                       two days without that byte are an error, `HungWait`
polls: a read with timeout 0, or `in_waiting`, that    goes on by `POLL_NS`, so that a loop of polls ends
finds nothing new
does anything else (computes, sleeps, writes)          stands
has several threads on the port                        runs with the machine's clock, whatever they do
holds it by the rig                                    is moved by the rig alone; a wait ends at once with
                                                       what there is (with several threads: in real time)
has closed the port                                    stands
=====================================================  ======================================================

The thread that opened a port counts as being on it as long as it lives. With one thread everything
is reproducible: the same seed and the same calls give the same bytes at the same instants.
Bytes take their characters' time at the port's baud rate, as on a real wire.
"""

import functools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from wirevow.emu.clock import VirtualClock
from wirevow.emu.ports.address import Address, AddressError, make
from wirevow.emu.ports.interface import Instrument
from wirevow.emu.ports.line import INPUT_LIMIT, Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.client.failures import HungWait

POLL_NS = 1_000_000
"""What a poll in vain costs: the frame of a full-speed USB adapter, which brings news no more often."""
_STRIDE_NS = 1_000_000_000
"""A wait without an end is taken in strides of this length."""
LONGEST_WAIT_NS = 2 * 24 * 3600 * 1_000_000_000
"""A wait without a timeout ends here, with an error: longer than any battery takes."""
_REMEDY = "give the port a timeout (serial_for_url(URL, timeout=1)), and look why nothing comes"
_BREATH = 64
"""Steps of a wait after which other threads get a chance."""


class World:
    """One instrument, its wire and its clock. Every method but `turn` is for whoever has the turn."""

    def __init__(self, instrument: Instrument, document: str) -> None:
        self.line = Line(instrument)
        self.clock = VirtualClock()
        self.rig = InstrumentRig(self.line, self.clock, document, self.turn)
        self.taken = False
        """A host has the port."""
        self._news = threading.Condition()
        self._users: set[threading.Thread] = set()
        self._ahead_ns: int | None = None
        """With several threads: how far the machine's clock is ahead of this one."""
        self._polled = 0

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Have the world to oneself, at its present time; those who wait look again afterwards."""
        with self._news:
            self._users.add(threading.current_thread())
            self._follow()
            yield
            self._news.notify_all()

    def open(self, baud: int) -> None:
        """A host takes the port."""
        self.taken = True
        self._polled = 0
        self.line.pace(baud, self.clock.now_ns())
        self.line.opened(self.clock.now_ns())

    def close(self) -> None:
        """It lets go; whoever waits is woken."""
        self.line.closed(self.clock.now_ns())
        self.taken = False
        self._users.clear()
        self._ahead_ns = None

    def write(self, data: bytes, timeout_s: float | None, given_up: Callable[[], bool]) -> int:
        """Send bytes; returns how many found room in time."""
        line = self.line
        deadline_ns = None if timeout_s is None else self.clock.now_ns() + round(timeout_s * 1e9)
        sent = 0
        while sent < len(data):
            if line.waiting_in >= INPUT_LIMIT:
                left_s = None if deadline_ns is None else (deadline_ns - self.clock.now_ns()) / 1e9
                if (
                    not self._wait(lambda: line.waiting_in < INPUT_LIMIT or given_up(), lambda: None, left_s)
                    or given_up()
                ):
                    break
            piece = data[sent : sent + INPUT_LIMIT - line.waiting_in]
            line.receive(piece, self.clock.now_ns())
            sent += len(piece)
            if line.baud is None:
                line.run(self.clock.now_ns())
        return sent

    def flush(self, given_up: Callable[[], bool]) -> None:
        """Wait until everything written is with the instrument."""
        line = self.line
        self._wait(lambda: not line.waiting_in or given_up(), lambda: None, None)

    def read(self, count: int, timeout_s: float | None, given_up: Callable[[], bool]) -> bytes:
        """Wait for `count` bytes, at most so long; returns what there is then."""
        line = self.line
        return self._take(
            lambda: count if line.ready >= count else None, lambda: line.ready_ns(count), timeout_s, given_up
        )

    def read_until(
        self, end: bytes, most: int | None, timeout_s: float | None, given_up: Callable[[], bool]
    ) -> bytes:
        """Wait for bytes that end with `end`, or `most` of them, at most so long in all."""
        return self._take(lambda: self._length(end, most), lambda: None, timeout_s, given_up)

    def read_line(self, most: int | None, timeout_s: float | None, given_up: Callable[[], bool]) -> bytes:
        """Wait for a line, or `most` bytes of it, as long as the next byte comes in so long a time."""
        line = self.line
        while self._length(b"\n", most) is None and not given_up():
            before = line.ready
            if timeout_s == 0 or not self._wait(
                functools.partial(self._more_than, before, given_up), lambda: None, timeout_s
            ):
                break
        return self._take(lambda: self._length(b"\n", most), lambda: None, 0, given_up)

    def _more_than(self, before: int, given_up: Callable[[], bool]) -> bool:
        return self.line.ready > before or given_up()

    def _length(self, end: bytes, most: int | None) -> int | None:
        """How many of the bytes that have arrived are what is waited for; None if it is not all there."""
        at = self.line.find(end)
        length = self.line.ready if at < 0 else at + len(end)
        if most is not None and length >= most:
            return most
        return None if at < 0 else length

    def _take(
        self,
        length: Callable[[], int | None],
        hint_ns: Callable[[], int | None],
        timeout_s: float | None,
        given_up: Callable[[], bool],
    ) -> bytes:
        line = self.line
        if timeout_s != 0:
            self._wait(lambda: length() is not None or given_up(), hint_ns, timeout_s)
        elif not line.ready:
            self._poll()
        self._polled = 0
        stalled = line.stalled
        data = line.take(length())
        if stalled:
            line.run(self.clock.now_ns())
        return data

    def advance(self, span_ns: int) -> None:
        """Let time pass while the host does nothing."""
        with self.turn():
            self._move(self.clock.now_ns() + span_ns)

    def waiting(self) -> int:
        """Bytes that can be read at once; asking again and again in vain lets time pass."""
        if self.line.ready <= self._polled:
            self._poll()
        self._polled = self.line.ready
        return self._polled

    def _poll(self) -> None:
        if not self.clock.held and self._alone():
            self._move(self.clock.now_ns() + POLL_NS)

    def _wait(
        self, done: Callable[[], bool], hint_ns: Callable[[], int | None], timeout_s: float | None
    ) -> bool:
        """Let time pass until `done`, or for `timeout_s`; `hint_ns` is when it may be done."""
        clock, line = self.clock, self.line
        deadline_ns = None if timeout_s is None else clock.now_ns() + round(timeout_s * 1e9)
        deadline_s = None if timeout_s is None else time.monotonic() + timeout_s
        end_ns = clock.now_ns() + LONGEST_WAIT_NS
        if deadline_ns is None and not clock.held and self._alone():
            line.run(clock.now_ns())  # what the instrument has to say already is not what it is due to do
        steps = 0
        while not done():
            now_ns = clock.now_ns()
            if deadline_ns is not None and now_ns >= deadline_ns:
                return False
            alone = self._alone()
            if clock.held:
                left_s = None if deadline_s is None else deadline_s - time.monotonic()
                if left_s is not None and (alone or left_s <= 0):
                    return False
                if left_s is None and _nobody_else():
                    raise HungWait(
                        "this wait has no timeout, and the rig holds the clock: it would never end; "
                        "let the clock run or advance it, or " + _REMEDY
                    )
                self._news.wait(left_s)
                continue
            goal_ns = min(
                (instant for instant in (deadline_ns, hint_ns()) if instant is not None),
                default=now_ns + _STRIDE_NS,
            )
            if alone:
                if deadline_ns is None:
                    if now_ns >= end_ns:
                        raise HungWait(
                            "this wait has no timeout, and what it waits for has not come in two days of "
                            "virtual time: " + _REMEDY
                        )
                    due_ns = line.next_ns()
                    if due_ns is None:
                        if _nobody_else():
                            raise HungWait(
                                "this wait has no timeout, and nothing will ever happen by itself: " + _REMEDY
                            )
                        self._news.wait()  # as on a real port: another thread may act
                        continue
                    if not line.waiting_in:
                        goal_ns = max(goal_ns, min(due_ns, end_ns))
                clock.move(max(now_ns, line.step(goal_ns)))
                steps += 1
                if steps % _BREATH == 0:
                    self._news.wait(0)
            else:
                due_ns = line.next_ns()
                goal_ns = goal_ns if due_ns is None else min(goal_ns, due_ns)
                self._news.wait(max(0, goal_ns - now_ns) / 1e9)
                self._follow()
        return True

    def _move(self, to_ns: int) -> None:
        self.line.run(to_ns)
        self.clock.move(to_ns)

    def _alone(self) -> bool:
        """Whether one thread at most is on the port."""
        if len(self._users) > 1:
            self._users = {thread for thread in self._users if thread.is_alive()}
        return len(self._users) <= 1

    def _follow(self) -> None:
        """With several threads, be where the machine's clock is by now."""
        if self.clock.held or self._alone():
            self._ahead_ns = None
        elif self._ahead_ns is None:
            self._ahead_ns = time.monotonic_ns() - self.clock.now_ns()
        else:
            self._move(max(self.clock.now_ns(), time.monotonic_ns() - self._ahead_ns))


def _nobody_else() -> bool:
    """Whether no other thread could end a wait."""
    return threading.active_count() == 1


_named: dict[str, tuple[Address, World]] = {}
_naming = threading.Lock()


def world_of(address: Address) -> World:
    """The world that an address means: a new one, or the named one. Raises WirevowError."""
    if address.name is None:
        return _made(address)
    with _naming:
        if address.name not in _named:
            _named[address.name] = (address, _made(address))
        known, world = _named[address.name]
        if known != address:
            raise AddressError(
                f"the instrument named {address.name!r} is running already and was started as {known}; "
                "use the same parameters or another name"
            )
        return world


def forget(name: str) -> None:
    """Let a named world go: the next URL with this name starts a new one."""
    with _naming:
        _named.pop(name, None)


def _made(address: Address) -> World:
    instrument, _ = make(address)
    return World(instrument, address.document)
