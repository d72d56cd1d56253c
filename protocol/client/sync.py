"""The client for ordinary programs: an instrument as an object, its points and actions as attributes.

    with wirevow.connect("/dev/ttyUSB0", "mine.yaml") as tarn:
        tarn.input.voltage.read()        # 12.005, in tarn.input.voltage.unit
        tarn.sink.level.put(2.5)         # the value that took effect; Refused says reason and limits
        tarn.read("input.*")             # {"input.voltage": 12.005, ...}: asked together
        tarn.sink.start()                # takes the ticket it needs, arms and starts
        tarn.sleep(10)                   # keeps the link alive; virtual time on a simulated one
        for event in tarn.notices(timeout=60): print(event)

`tarn["input.voltage"]` is the same as `tarn.input.voltage`, for names that Python does not allow. Whatever
ends the block, once something was put or done, the document's safe action is sent and confirmed.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, TypeVar

import serial

from wirevow.protocol.client.failures import Reopened, Silent, UnsafeEnd
from wirevow.protocol.client.names import Tree
from wirevow.protocol.client.operations import (
    NANO,
    NOW,
    Came,
    Event,
    Host,
    Operation,
    Step,
)
from wirevow.protocol.client.surface import (
    AT_THE_END_S,
    ENDINGS,
    LOOK_S,
    RECONNECT_S,
    NamedAction,
    NamedPoint,
    Said,
    Surface,
    alarm,
    default_signals,
    held_back,
    host_of,
    unsafe,
)
from wirevow.protocol.client.values import Plain
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.serialport import PortError, explain, open_port
from wirevow.protocol.vow import Vow

T = TypeVar("T")
MOST = 4096
WRITING_S = 2.0
"""How long a port may take no bytes."""


class Link:
    """An open port, as operations use it: send, then wait for bytes, on the instrument's clock."""

    def __init__(self, url: str, vow: Vow) -> None:
        self.url = url
        self._vow = vow
        self.virtual = url.lower().startswith("emu://")
        self.said = Said()
        self.open()

    def open(self) -> None:
        wire = self._vow.document.wire
        port: Any = open_port(self.url, wire.baud, wire.opening)
        self._port = port
        self.now_ns: Callable[[], int] = port.rig.now_ns if self.virtual else time.monotonic_ns
        self._descriptor: int | None = None
        if not self.virtual and os.name == "posix" and isinstance(self._port, serial.Serial):
            with contextlib.suppress(OSError, AttributeError, serial.SerialException):
                self._descriptor = int(self._port.fileno())
                self._poll = select.poll()
                self._poll.register(self._descriptor, select.POLLIN)

    def turn(self, step: Step) -> Came:
        """Raises PortError."""
        try:
            if step.data:
                self.said.add((">", step.data))
                self._write(step.data)
            if step.until_ns is None:
                return Came(b"", self.now_ns())
            wait_ns = step.until_ns and step.until_ns - self.now_ns()
            data = self._read(wait_ns / NANO if wait_ns > 0 else 0)
            if data:
                self.said.add(("<", data))
            return Came(data, self.now_ns())
        except (OSError, serial.SerialException) as error:
            raise explain(self.url, error) from error

    def close(self) -> None:
        self._descriptor = None  # the system gives its number to the next file
        with contextlib.suppress(Exception):
            self._port.close()

    def _write(self, data: bytes) -> None:
        if self._descriptor is None:
            self._port.write(data)
            return
        end = 0.0
        while data:
            try:
                data = data[os.write(self._descriptor, data) :]
            except BlockingIOError:
                end = end or time.monotonic() + WRITING_S
                if not select.select([], [self._descriptor], [], max(0.0, end - time.monotonic()))[1]:
                    raise OSError("it takes no more bytes") from None

    def _read(self, wait_s: float) -> bytes:
        if self._descriptor is not None:
            if wait_s and not self._poll.poll(wait_s * 1000):
                return b""
            try:
                data = os.read(self._descriptor, MOST)
            except BlockingIOError:
                return b""
            if wait_s and not data:
                # Readable, and yet nothing there. Without waiting nothing only means that nothing has come.
                raise serial.SerialException("the port was disconnected")
            return data
        if not wait_s:
            if self.virtual:
                return b""
            return bytes(self._port.read(self._port.in_waiting)) if self._port.in_waiting else b""
        self._port.timeout = wait_s
        if self.virtual:
            return bytes(self._port.read_until(b"\n"))
        return bytes(self._port.read(max(1, self._port.in_waiting)))


class Driver:
    """Runs operations at a link, one at a time from whatever thread; ends safe."""

    def __init__(self, link: Link, host: Host, reconnect_s: float) -> None:
        self.link = link
        self.host = host
        self._reconnect_s = reconnect_s
        self._lock = threading.RLock()
        self._closed = False
        self._process = os.getpid()

    def run(self, operation: Operation[T]) -> T:
        """Drive an operation; a port that is lost is opened again."""
        with self._lock:
            if self._closed:
                raise WirevowError(f"{self.link.url}: the client is closed; connect again")
            return self._drive(operation)

    def _drive(self, operation: Operation[T]) -> T:
        try:
            step = next(operation)
            if step is NOW:
                step = operation.send(Came(b"", self.link.now_ns()))
            while True:
                try:
                    came = self.link.turn(step)
                except PortError as error:
                    step = operation.throw(self._again(error))
                else:
                    step = operation.send(came)
        except StopIteration as stop:
            found: T = stop.value
            return found
        finally:
            operation.close()

    def _again(self, error: PortError) -> WirevowError:
        """Open the port again, and see what has become of the instrument. What to tell the operation."""
        end = time.monotonic() + self._reconnect_s
        while True:
            self.link.close()
            self.host.dialogue.abandon()
            try:
                self.link.open()
                self._drive_once(self.host.reconnected())
                return Reopened(error.message)
            except (PortError, Silent):
                if time.monotonic() >= end:
                    return error
                time.sleep(LOOK_S)
            except WirevowError as other:
                return other

    def _drive_once(self, operation: Operation[None]) -> None:
        """Without opening the port again."""
        try:
            step = next(operation)
            while True:
                step = operation.send(self.link.turn(step))
        except StopIteration:
            return
        finally:
            operation.close()

    def close(self) -> None:
        """Make the instrument safe if anything was put or done, and let go. UnsafeEnd if that failed."""
        with self._lock:
            if self._closed:
                return
            try:
                # A child of this process has the port too, but it is not the child's to end.
                if self.host.changed and os.getpid() == self._process:
                    with held_back():
                        self._closed = True  # not before: an interrupt here leaves it to the next who closes
                        self._make_safe()
                self._closed = True
            finally:
                if self._closed:
                    self.link.close()

    def _make_safe(self) -> None:
        self._reconnect_s = min(self._reconnect_s, AT_THE_END_S)
        why: WirevowError | None = None
        for _ in range(ENDINGS):
            try:
                self._drive(self.host.make_safe())
                return
            except WirevowError as error:
                why = error
        raise unsafe(self.link.url, self.host.vow, why)


class Point(NamedPoint["Client"]):
    """A point of the document. Numbers are plain, in `unit`."""

    def read(self) -> Plain:
        """Its present value."""
        return self._client.run(self._client.host.read_one(self.name))

    def put(self, value: object) -> Plain:
        """Set it, rounded to its step; a pint quantity is converted. The value that took effect."""
        return self._client.run(self._client.host.put(self.name, value))

    def quantity(self) -> Any:
        """Its present value as a pint quantity."""
        return self._client.run(self._client.host.quantity(self.name))

    def record(self) -> dict[str, Any]:
        """The fields of a record, in steps as its layout says."""
        return self._client.run(self._client.host.record(self.name))


class Action(NamedAction["Client"]):
    """An action of the document: call it."""

    def __call__(self, number: int | None = None) -> str | None:
        """Do it, once, with the number that it may take; one that needs a ticket gets it first.

        Refused, Unsure.
        """
        return self._client.run(self._client.host.act(self.name, number))


class Client(Surface):
    """An instrument at a port. See the module for how it is used; everything raises WirevowError.

    One that is forgotten, or still open when the program ends, is made safe then.
    """

    def __init__(
        self,
        url: str,
        vow: Vow,
        *,
        checks: bool | None = None,
        keep_alive_s: float = 2.0,
        reconnect_s: float = RECONNECT_S,
    ) -> None:
        link = Link(url, vow)
        host = host_of(vow, virtual=link.virtual, checks=checks, keep_alive_s=keep_alive_s)
        tree: Tree[Point | Action] = Tree(
            {name: Point(self, vow, entry) for name, entry in vow.points.items()}
            | {name: Action(self, vow, entry) for name, entry in vow.actions.items()}
        )
        super().__init__(url, vow, host, tree)
        self._driver = Driver(link, host, reconnect_s)
        self._former: dict[int, Any] = {}
        try:
            self._driver.run(host.identify())
        except BaseException:
            link.close()
            raise
        weakref.finalize(self, self._driver.close)

    # ------------------------------------------------------------------------------------------------- doing

    def read(self, *patterns: str) -> dict[str, Plain]:
        """Every point whose name is like one of `patterns` (`input.*`; all without any), asked together."""
        return self.run(self.host.read(*(patterns or "*")))

    def sleep(self, seconds: float) -> None:
        """Let time pass on the instrument's clock, with the link kept alive."""
        self.run(self.host.pause(round(seconds * NANO)))

    def now_s(self) -> float:
        """The clock that its waits follow, seconds: the instrument's own if that is in this process."""
        return self._driver.link.now_ns() / NANO

    def wait_for(
        self, condition: Callable[[], bool], *, timeout: float | None = None, every: float = 1.0
    ) -> bool:
        """Look every so many seconds until `condition` holds; whether it did before `timeout`."""
        begun_s = self.now_s()
        while not condition():
            if self._waited_enough(self.now_s() - begun_s, timeout):
                return False
            self.sleep(every)
        return True

    def last_exchange(self) -> str:
        """What was said last on the wire, a line each: `>` sent, `<` received."""
        return str(self._driver.link.said)

    def notices(self, timeout: float | None = 0.0) -> Iterator[Event]:
        """Events that no iterator has given yet, and those that come; ends after `timeout` without one."""
        while True:
            if not self.host.events:
                self.run(self.host.pause(None if timeout is None else round(timeout * NANO), 1))
            if not self.host.events:
                return
            yield self.host.events.popleft()

    def run(self, operation: Operation[T]) -> T:
        """Drive an operation; a port that is lost is opened again, and a read done then."""
        try:
            return self._driver.run(operation)
        finally:
            self._call_back()

    # ------------------------------------------------------------------------------------------------ ending

    def close(self) -> None:
        """Make the instrument safe if anything was put or done, and let go. UnsafeEnd if that failed."""
        self._driver.close()

    def __enter__(self) -> Client:
        for number in default_signals():
            self._former[number] = signal.signal(number, _leave)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except UnsafeEnd as ended:
            if error is None:
                raise
            alarm(ended, error)
        finally:
            for number, former in self._former.items():
                signal.signal(number, former)
            self._former.clear()


def _leave(number: int, frame: object) -> None:
    """A signal that would end the process at once ends it through every block's end instead."""
    raise SystemExit(128 + number)
