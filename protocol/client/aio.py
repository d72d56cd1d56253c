"""The client for asyncio programs: the same as `sync`, awaited, and without a thread.

    async with wirevow.connect_async("/dev/ttyUSB0", "mine.yaml") as tarn:
        await tarn.input.voltage.read()
        await tarn.sink.level.put(2.5)
        await tarn.read("input.*")
        await tarn.sink.start()
        await tarn.sleep(10)             # keeps the link alive
        async for event in tarn.notices(timeout=60): print(event)

Tasks may share a client: requests wait for each other, while others sleep or wait for notices. Whatever ends
the block, cancellation too, the document's safe action is sent and confirmed first. `asyncio.sleep` does not
feed the instrument's link watchdog; `tarn.sleep` does.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import weakref
from collections.abc import AsyncIterator, Awaitable, Callable
from types import TracebackType
from typing import Any, TypeVar
from urllib.parse import urlsplit

from wirevow.protocol.client.failures import Reopened, Silent, UnsafeEnd
from wirevow.protocol.client.names import Tree
from wirevow.protocol.client.operations import (
    LOOK,
    NANO,
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
Opener = Callable[[asyncio.Protocol], Awaitable[asyncio.Transport]]
"""Connects a protocol to a port, again and again. Raises WirevowError."""
Overhearing = Callable[[str, bytes], None]
"""Told what is sent (`>`) and what came (`<`), as it passes."""
CANCELLATIONS = 10
"""Cancelled so often while it makes the instrument safe, it gives that up."""
HANGING_UP_S = 1.0


def opener(url: str, vow: Vow) -> Opener:
    """How a real port is opened: a device by pyserial-asyncio, `socket://` by asyncio itself."""

    async def tcp(protocol: asyncio.Protocol) -> asyncio.Transport:
        where = urlsplit(url)
        try:
            host, port = where.hostname, where.port
        except ValueError:
            host = port = None
        if host is None or port is None:
            raise PortError(f"{url}: write socket://HOST:PORT")
        try:
            transport, _ = await asyncio.get_running_loop().create_connection(lambda: protocol, host, port)
        except OSError as error:
            raise explain(url, error) from error
        return transport

    async def device(protocol: asyncio.Protocol) -> asyncio.Transport:
        try:
            from serial_asyncio import SerialTransport
        except ImportError as error:
            raise WirevowError("serial ports on asyncio need: pip install 'wirevow[asyncio]'") from error

        class Transport(SerialTransport):  # type: ignore[misc]
            def _fatal_error(self, error: Exception, message: str = "") -> None:
                # The protocol is told, and tells its user: the loop need not print it too.
                self._abort(error)

        wire = vow.document.wire
        port = open_port(url, wire.baud, wire.opening)
        transport: asyncio.Transport = Transport(asyncio.get_running_loop(), protocol, port)
        return transport

    scheme = url.partition("://")[0].lower() if "://" in url else ""
    if scheme == "socket":
        return tcp
    if scheme:
        raise PortError(f"{url}: on asyncio write a device or socket://HOST:PORT, or use wirevow.connect")
    return device


class Link(asyncio.Protocol):
    """An open port, as operations use it, on the loop's clock."""

    def __init__(
        self, url: str, opened: Opener, heard: Callable[[], None], overheard: Overhearing | None = None
    ) -> None:
        self.url = url
        self.said = Said(overheard)
        self._opened = opened
        self._heard = weakref.WeakMethod(heard)  # the loop holds on to what it reads from, not to the client
        """Called when something has come, or the port was lost, while no operation waits for bytes."""
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._gone = asyncio.Event()
        self._why: PortError | None = None
        self._buffer = bytearray()
        self._waiter: asyncio.Future[None] | None = None

    async def open(self) -> None:
        self._buffer.clear()
        self._why = None
        self._gone = asyncio.Event()
        self._transport = await self._opened(self)

    def now_ns(self) -> int:
        return round(self._loop.time() * NANO)

    async def turn(self, step: Step) -> Came:
        """Raises PortError."""
        self._check()
        if step.data:
            assert self._transport is not None
            self.said.add((">", step.data))
            self._transport.write(step.data)
        if step.until_ns is None:
            return Came(b"", self.now_ns())
        if not self._buffer and step.until_ns:
            await self._wait(step.until_ns)
        return Came(self.take(), self.now_ns())

    @property
    def pending(self) -> bool:
        """Whether there is something to take, or to be told."""
        return bool(self._buffer) or self._why is not None

    def take(self) -> bytes:
        """What has come. Raises PortError if nothing can come any more."""
        data = bytes(self._buffer)
        self._buffer.clear()
        if data:
            self.said.add(("<", data))
        else:
            self._check()
        return data

    async def _wait(self, until_ns: int) -> None:
        self._waiter = self._loop.create_future()
        timer = self._loop.call_at(until_ns / NANO, _wake, self._waiter)
        try:
            await self._waiter
        finally:
            timer.cancel()
            self._waiter = None

    def _check(self) -> None:
        if self._why is not None:
            raise self._why
        if self._transport is None:
            raise PortError(f"{self.url}: the port is closed")

    def shut(self) -> None:
        """Let go of the port at once, even if the loop has ended."""
        transport, self._transport = self._transport, None
        if transport is None:
            return
        with contextlib.suppress(Exception):
            transport.abort()
        with contextlib.suppress(Exception):
            if (port := transport.get_extra_info("serial")) is not None:
                port.close()
            elif (connection := transport.get_extra_info("socket")) is not None:
                connection.shutdown(socket.SHUT_RDWR)

    async def close(self) -> None:
        transport, self._transport = self._transport, None
        if transport is not None and not self._gone.is_set():
            transport.abort()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._gone.wait(), HANGING_UP_S)

    # What the transport calls.

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        self._tell()

    def connection_lost(self, error: Exception | None) -> None:
        self._gone.set()
        if self._transport is not None:
            self._why = explain(self.url, error or OSError("the port was disconnected"))
            self._tell()

    def _tell(self) -> None:
        if self._waiter is not None:
            _wake(self._waiter)
        elif (heard := self._heard()) is not None:
            heard()


def _wake(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)


class AsyncPoint(NamedPoint["AsyncClient"]):
    """A point of the document. Numbers are plain, in `unit`."""

    async def read(self) -> Plain:
        """Its present value."""
        return await self._client.run(self._client.host.read_one(self.name))

    async def put(self, value: object) -> Plain:
        """Set it, rounded to its step; a pint quantity is converted. The value that took effect."""
        return await self._client.run(self._client.host.put(self.name, value))

    async def quantity(self) -> Any:
        """Its present value as a pint quantity."""
        return await self._client.run(self._client.host.quantity(self.name))

    async def record(self) -> dict[str, Any]:
        """The fields of a record, in steps as its layout says."""
        return await self._client.run(self._client.host.record(self.name))


class AsyncAction(NamedAction["AsyncClient"]):
    """An action of the document: call it, and await that."""

    async def __call__(self, number: int | None = None) -> str | None:
        """Do it, once, with the number that it may take; one that needs a ticket gets it first.

        Refused, Unsure.
        """
        return await self._client.run(self._client.host.act(self.name, number))


class AsyncClient(Surface):
    """An instrument at a port, for `async with`, or `await open()` and `await close()`."""

    def __init__(
        self,
        url: str,
        vow: Vow,
        *,
        opened: Opener | None = None,
        checks: bool | None = None,
        keep_alive_s: float = 2.0,
        reconnect_s: float = RECONNECT_S,
        overheard: Overhearing | None = None,
    ) -> None:
        """`opened` opens an instrument in this process, on the loop's clock."""
        host = host_of(vow, virtual=opened is not None, checks=checks, keep_alive_s=keep_alive_s)
        tree: Tree[AsyncPoint | AsyncAction] = Tree(
            {name: AsyncPoint(self, vow, entry) for name, entry in vow.points.items()}
            | {name: AsyncAction(self, vow, entry) for name, entry in vow.actions.items()}
        )
        super().__init__(url, vow, host, tree)
        self._opened = opener(url, vow) if opened is None else opened
        self._reconnect_s = reconnect_s
        self._overheard = overheard
        self._lock = asyncio.Lock()
        self._resting: set[asyncio.Future[None]] = set()
        self._link: Link | None = None
        self._closed = False
        self._task: asyncio.Task[Any] | None = None
        self._signals: list[int] = []
        self._signalled: int | None = None
        self._last: weakref.finalize[..., AsyncClient] | None = None

    @property
    def link(self) -> Link:
        """The port. WirevowError while there is none."""
        if self._link is None or self._closed:
            state = "closed; connect again" if self._closed else "not open; use `async with`"
            raise WirevowError(f"{self.url}: the client is {state}")
        return self._link

    # ------------------------------------------------------------------------------------------------- doing

    async def read(self, *patterns: str) -> dict[str, Plain]:
        """Every point whose name is like one of `patterns` (`input.*`; all without any), asked together."""
        return await self.run(self.host.read(*(patterns or "*")))

    async def sleep(self, seconds: float) -> None:
        """Let time pass on the loop's clock, with the link kept alive; other tasks may use the client."""
        await self.run(self.host.pause(round(seconds * NANO)))

    async def wait_for(
        self, condition: Callable[[], Awaitable[bool]], *, timeout: float | None = None, every: float = 1.0
    ) -> bool:
        """Look every so many seconds until `condition` holds; whether it did before `timeout`."""
        begun_s = self.now_s()
        while not await condition():
            if self._waited_enough(self.now_s() - begun_s, timeout):
                return False
            await self.sleep(every)
        return True

    def now_s(self) -> float:
        """The clock that its waits follow, seconds: the loop's."""
        return self.link.now_ns() / NANO

    async def notices(self, timeout: float | None = 0.0) -> AsyncIterator[Event]:
        """Events that no iterator has given yet, and those that come; ends after `timeout` without one."""
        while True:
            if not self.host.events:
                await self.run(self.host.pause(None if timeout is None else round(timeout * NANO), 1))
            if not self.host.events:
                return
            yield self.host.events.popleft()

    def last_exchange(self) -> str:
        """What was said last on the wire, a line each: `>` sent, `<` received."""
        return "" if self._link is None else str(self._link.said)

    async def run(self, operation: Operation[T]) -> T:
        """Drive an operation; a port that is lost is opened again, and a read done then."""
        try:
            return await self._drive(operation, self.link)
        finally:
            self._heard()

    async def _drive(self, operation: Operation[T], link: Link) -> T:
        async with contextlib.AsyncExitStack() as held:
            await held.enter_async_context(self._lock)
            try:
                step = next(operation)
                while True:
                    if step.rests:
                        await held.aclose()
                        await self._rest(link, step.until_ns or 0)
                        await held.enter_async_context(self._lock)
                        if self._closed:
                            raise WirevowError(f"{self.url}: the client was closed")
                        step = LOOK
                    try:
                        came = await link.turn(step)
                    except PortError as error:
                        step = operation.throw(await self._again(error, link))
                    else:
                        step = operation.send(came)
            except StopIteration as stop:
                found: T = stop.value
                return found
            finally:
                operation.close()

    async def _rest(self, link: Link, until_ns: int) -> None:
        """Until an event comes, the port is lost, or it is time."""
        if until_ns <= link.now_ns():
            return
        loop = asyncio.get_running_loop()
        waiter = loop.create_future()
        self._resting.add(waiter)
        timer = loop.call_at(until_ns / NANO, _wake, waiter)
        try:
            await waiter
        finally:
            timer.cancel()
            self._resting.discard(waiter)

    def _heard(self) -> None:
        """Something has come, or was found by an operation that has ended: tell those who wait for events."""
        link = self._link
        if link is not None and link.pending and not self._lock.locked():
            with contextlib.suppress(PortError):  # whoever uses the port next is told
                self.host.take(Came(link.take(), link.now_ns()))
        for waiter in self._resting:
            _wake(waiter)
        self._call_back()

    async def _again(self, error: PortError, link: Link) -> WirevowError:
        """Open the port again, and see what has become of the instrument. What to tell the operation."""
        end_ns = link.now_ns() + round(self._reconnect_s * NANO)
        while True:
            await link.close()
            self.host.dialogue.abandon()
            try:
                await link.open()
                await _drive_once(self.host.reconnected(), link)
                return Reopened(error.message)
            except (PortError, Silent):
                if link.now_ns() >= end_ns:
                    return error
                await asyncio.sleep(LOOK_S)
            except WirevowError as other:
                return other

    # ----------------------------------------------------------------------------------- beginning and ending

    async def open(self) -> None:
        """Open the port, and see who is there. WirevowError: WrongInstrument if its digest is another."""
        if self._link is not None:
            raise WirevowError(f"{self.url}: the client is open, or was; make a new one")
        self._link = link = Link(self.url, self._opened, self._heard, self._overheard)
        self.host.virtual = getattr(asyncio.get_running_loop(), "virtual", False)
        try:
            await link.open()
            await self._drive(self.host.identify(), link)
        except BaseException:
            self._closed = True
            await link.close()
            raise
        if not self.host.virtual:
            self._last = weakref.finalize(self, _last_resort, link, self.host, os.getpid())

    async def close(self) -> None:
        """Make the instrument safe if anything was put or done, and let go. UnsafeEnd if that failed.

        Cancelled meanwhile it goes on, and is cancelled then.
        """
        if self._closed or self._link is None:
            return
        self._closed = True
        link = self._link
        for waiter in self._resting:
            _wake(waiter)
        try:
            if self.host.changed:
                with held_back():
                    await self._make_safe(link)
            self._settled()
        except (UnsafeEnd, asyncio.CancelledError):
            self._settled()
            raise
        finally:
            await link.close()

    def _settled(self) -> None:
        """It is safe, or a person was told that it is not."""
        if self._last is not None:
            self._last.detach()

    async def _make_safe(self, link: Link) -> None:
        self._reconnect_s = min(self._reconnect_s, AT_THE_END_S)
        why: BaseException | None = None
        cancelled: list[asyncio.CancelledError] = []
        failures = 0
        while failures < ENDINGS and len(cancelled) < CANCELLATIONS:
            try:
                await self._drive(self.host.make_safe(), link)
            except asyncio.CancelledError as error:
                cancelled.append(error)
                why = error
            except WirevowError as error:
                failures += 1
                why = error
            else:
                break
        else:
            raise unsafe(self.url, self.vow, why)
        if cancelled:
            raise cancelled[0]

    async def __aenter__(self) -> AsyncClient:
        await self.open()
        loop = asyncio.get_running_loop()
        self._task = asyncio.current_task()
        for number in default_signals():
            with contextlib.suppress(NotImplementedError, RuntimeError):
                loop.add_signal_handler(number, self._leave, number)
                self._signals.append(number)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self.close()
        except UnsafeEnd as ended:
            if error is None:
                raise
            alarm(ended, error)
        finally:
            for number in self._signals:
                asyncio.get_running_loop().remove_signal_handler(number)
            self._signals.clear()
            if self._signalled is not None:
                raise SystemExit(128 + self._signalled)

    def _leave(self, number: int) -> None:
        """A signal that would end the process at once ends it through every block's end instead."""
        self._signalled = number
        if self._task is not None:
            self._task.cancel()


async def _drive_once(operation: Operation[None], link: Link) -> None:
    """Without opening the port again."""
    try:
        step = next(operation)
        while True:
            step = operation.send(await link.turn(step))
    except StopIteration:
        return
    finally:
        operation.close()


def _last_resort(link: Link, host: Host, process: int) -> None:
    """A client was forgotten, or its loop torn down: the port is opened anew, without a loop."""
    from wirevow.protocol.client.sync import Client

    link.shut()
    if host.changed and os.getpid() == process:
        client = Client(link.url, host.vow, checks=host.dialogue.checks, reconnect_s=AT_THE_END_S)
        client.host.changed = True
        client.close()
