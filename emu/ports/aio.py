"""The simulated instrument for asyncio programs, in process: a transport of its own.

The instrument's clock is the event loop's: it agrees with `asyncio.sleep` and `asyncio.timeout`. On the
usual loop that is real time; on a `VirtualLoop` time jumps to the next thing that is waited for.
"""

import asyncio
import selectors
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from wirevow.emu.clock import RealClock
from wirevow.emu.ports.address import AddressError, make, parse
from wirevow.emu.ports.interface import Instrument
from wirevow.emu.ports.line import INPUT_LIMIT, Line
from wirevow.emu.ports.rig import InstrumentRig


async def open_emu_connection(
    url: str, *, baud: int | None = None, limit: int = 65536
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """An instrument of its own for `emu://NAME?...`, as `asyncio.open_connection` gives streams.

    `baud`: rate of the wire, by default the document's. `writer.get_extra_info("rig")` is the
    instrument's rig. Closing the writer ends the instrument. Raises WirevowError.
    """
    address = parse(url)
    instrument, usual = make(address)
    return connect(instrument, address.document, usual if baud is None else baud, limit=limit)


def connect(
    instrument: Instrument, document: str, baud: int | None, *, limit: int = 65536
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Streams to an instrument that has no host yet; in a running loop."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=limit, loop=loop)
    protocol = asyncio.StreamReaderProtocol(reader, loop=loop)
    transport = InstrumentTransport(loop, protocol, _Place(loop, Line(instrument, baud), document))
    return reader, asyncio.StreamWriter(transport, protocol, reader, loop)


class InProcess:
    """An instrument of its own for a URL, to which one protocol after another is connected."""

    def __init__(self, url: str) -> None:
        """Raises WirevowError."""
        address = parse(url)
        if address.name is not None:
            raise AddressError(
                f"{url}: an instrument with a name has a clock of its own, not the loop's: leave name out"
            )
        instrument, baud = make(address)
        self._line = Line(instrument, baud)
        self._document = address.document
        self._place: _Place | None = None

    async def __call__(self, protocol: asyncio.Protocol) -> asyncio.Transport:
        loop = asyncio.get_running_loop()
        if self._place is None:
            self._place = _Place(loop, self._line, self._document)
        return InstrumentTransport(loop, protocol, self._place)

    @property
    def rig(self) -> InstrumentRig:
        """The hands on it, once a protocol was connected."""
        assert self._place is not None
        return self._place.rig


class _Place:
    """A line, its clock and the hands on it; hosts come and go."""

    def __init__(self, loop: asyncio.AbstractEventLoop, line: Line, document: str) -> None:
        self.line = line
        self.clock = RealClock(lambda: round(loop.time() * 1e9))
        if line.instrument.now_ns:  # it has had a host before, in another loop
            self.clock.hold()
            self.clock.move(line.instrument.now_ns)
            self.clock.run()
        self.host: InstrumentTransport | None = None
        self.rig = InstrumentRig(line, self.clock, document, self._turn)

    @contextmanager
    def _turn(self) -> Iterator[None]:
        yield
        if self.host is not None:
            self.host.look_soon()


class InstrumentTransport(asyncio.Transport):
    """A line as an asyncio transport, on the loop's clock. Whoever had the line before is hung up on."""

    def __init__(self, loop: asyncio.AbstractEventLoop, protocol: asyncio.Protocol, place: _Place) -> None:
        super().__init__({"rig": place.rig})
        if place.host is not None:
            place.host.abort()
        place.host = self
        self._place = place
        self._clock = place.clock
        self._loop = loop
        self._protocol: asyncio.BaseProtocol = protocol
        self._line = line = place.line
        self._reading = True
        self._closing = False
        self._host_waits = False
        self._low, self._high = INPUT_LIMIT // 4, INPUT_LIMIT
        self._timer: asyncio.Handle | None = None
        line.opened(self._clock.now_ns())
        protocol.connection_made(self)
        self.look_soon()

    def look_soon(self) -> None:
        """Look after the line, but not within the caller's own call."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_soon(self._tend)

    def _tend(self) -> None:
        if self._place.host is not self:
            return
        line, clock = self._line, self._clock
        line.run(clock.now_ns())
        if self._host_waits and line.waiting_in <= self._low:
            self._host_waits = False
            self._protocol.resume_writing()
        if self._closing and not line.waiting_in:
            self._end(None)
            return
        if self._reading and line.ready:
            assert isinstance(self._protocol, asyncio.Protocol)
            self._protocol.data_received(line.take())
        due_ns = None if clock.held else line.next_ns()
        if due_ns is None:
            self._timer = None
        else:
            # Waits run from the loop's present time, which may be a little later than the clock's.
            wait_s = max(0, due_ns - clock.now_ns()) / 1e9
            self._timer = self._loop.call_later(wait_s, self._tend)

    def _end(self, error: Exception | None) -> None:
        if self._place.host is not self:
            return  # it has ended before
        self._place.host = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._line.closed(self._clock.now_ns())
        self._loop.call_soon(self._protocol.connection_lost, error)

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Send bytes; they take their time on the wire."""
        if self._closing:
            return
        self._line.receive(bytes(data), self._clock.now_ns())
        if not self._host_waits and self._line.waiting_in > self._high:
            self._host_waits = True
            self._protocol.pause_writing()
        self.look_soon()

    def get_write_buffer_size(self) -> int:
        return self._line.waiting_in

    def get_write_buffer_limits(self) -> tuple[int, int]:
        return self._low, self._high

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        if high is None:
            high = INPUT_LIMIT if low is None else 4 * low
        self._low, self._high = high // 4 if low is None else low, high
        if not 0 <= self._low <= self._high:
            raise ValueError(f"low ({self._low}) is from 0 to high ({self._high})")

    def can_write_eof(self) -> bool:
        return False

    def pause_reading(self) -> None:
        self._reading = False

    def resume_reading(self) -> None:
        self._reading = True
        self.look_soon()

    def is_reading(self) -> bool:
        return self._reading and not self._closing

    def close(self) -> None:
        """Hang up once everything written is with the instrument."""
        if not self._closing:
            self._closing = True
            self.look_soon()

    def abort(self) -> None:
        """Hang up now."""
        if not self._closing or self._timer is not None:
            self._closing = True
            self._end(None)

    def is_closing(self) -> bool:
        return self._closing

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        self._protocol = protocol

    def get_protocol(self) -> asyncio.BaseProtocol:
        return self._protocol


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in which waiting takes no time: its clock jumps to the next timer.

    For programs all of whose waiting is for timers and for instruments of this module: while a
    thread or a socket is waited for, time would rush past. Use it as
    `asyncio.Runner(loop_factory=VirtualLoop)`.
    """

    virtual = True
    """A wait that nothing ends takes no time here: who waits has to notice."""

    def __init__(self) -> None:
        self._skipping = _SkippingSelector()
        super().__init__(self._skipping)

    def time(self) -> float:
        return self._skipping.now_s


class _SkippingSelector(selectors.BaseSelector):
    def __init__(self) -> None:
        self.now_s = 0.0
        self._selector = selectors.DefaultSelector()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            return self._selector.select()
        ready = self._selector.select(0)
        if not ready:
            self.now_s += max(0.0, timeout)
        return ready

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._selector.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._selector.unregister(fileobj)

    def modify(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._selector.modify(fileobj, events, data)

    def close(self) -> None:
        self._selector.close()

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._selector.get_map()
