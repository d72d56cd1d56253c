"""An instrument at its end of the serial wire: what is under way, what is due when, and the counts.

No I/O and no clock: a port says what the host sent and what time it is.
"""

from wirevow.emu.ports.interface import Instrument, Pausing, Wired
from wirevow.emu.ports.wire import Wire

INPUT_LIMIT = 4096
"""Bytes that may wait for the wire to the instrument, as in a driver's transmit buffer."""
OUTPUT_LIMIT = 65536
"""Bytes that may wait for a host that does not read; then the instrument's transmitter stalls."""
ANSWER_LIMIT = 1024
"""Bytes of requests the instrument takes while its transmitter is busy; then its receiver stalls."""


class Line:
    """One instrument, one wire each way.

    `baud`: rate of both wires, or None for bytes that take no time. The bytes of requests reach the
    instrument with the instant at which the last bit of their line came, replies leave from that
    very instant. No byte is lost or overtaken: whoever is too fast is made to wait.
    """

    def __init__(self, instrument: Instrument, baud: int | None = None, grain_ns: int | None = None) -> None:
        self.instrument = instrument
        self._pausing = instrument if isinstance(instrument, Pausing) else None
        self.received = 0
        """Bytes from the host since it opened the port."""
        self.emitted = 0
        """Bytes to the host since it opened the port."""
        self.grain_ns = grain_ns
        """How long, at most, a character that has arrived waits to be shown to the host."""
        self._rate = baud
        self._bypassed = False
        self._in = Wire(baud)
        self._out = Wire(baud)
        self._arrived = bytearray()
        self._unanswered = 0
        self._attended = False

    @property
    def baud(self) -> int | None:
        """The rate in force."""
        return self._in.baud

    def pace(self, baud: int | None, now_ns: int) -> None:
        """Another rate from now on."""
        self._rate = baud
        self._repace(now_ns)

    def bypass(self, bypassed: bool, now_ns: int) -> None:
        """While bypassed, bytes take no time whatever the rate; those under way arrive at once."""
        self._bypassed = bypassed
        self._repace(now_ns)
        if isinstance(self.instrument, Wired):
            self.instrument.bypass(bypassed)

    def _repace(self, now_ns: int) -> None:
        baud = None if self._bypassed else self._rate
        if baud != self._in.baud:
            self._in.pace(baud, now_ns)
            self._out.pace(baud, now_ns)

    def opened(self, now_ns: int) -> None:
        """A host is there from now on; the counts begin anew."""
        self.run(now_ns)
        self.received = self.emitted = 0
        self._drop_output()
        self._attended = True
        self.instrument.opened(now_ns)

    def closed(self, now_ns: int) -> None:
        """It is gone: what comes from now on is sent to nobody."""
        self.run(now_ns)
        self._drop_output()
        self._attended = False
        self.instrument.closed(now_ns)

    def exchange(self, data: bytes, now_ns: int) -> bytes:
        """The short way for a wire without a rate: bytes from the host in, bytes to it out.

        Only while nothing waits in either direction.
        """
        self.received += len(data)
        instrument = self.instrument
        instrument.receive(data, now_ns)
        answer = instrument.take()
        self.emitted += len(answer)
        return answer

    def deliver(self, answer: bytes) -> None:
        """What came of an `exchange` lies ready for the host."""
        self._arrived += answer

    def receive(self, data: bytes, now_ns: int) -> None:
        """The host sends bytes. `run` brings them to the instrument."""
        self.received += len(data)
        self._in.send(data, now_ns)

    @property
    def waiting_in(self) -> int:
        """Bytes from the host that the instrument has not got yet."""
        return self._in.queued

    @property
    def busy(self) -> bool:
        """Whether bytes are under way, in either direction."""
        return bool(self._in.queued or self._out.queued)

    def sent_ns(self) -> int:
        """When the last byte from the host is or was through."""
        return self._in.free_ns()

    @property
    def ready(self) -> int:
        """Bytes that have arrived at the host and that it has not taken."""
        return len(self._arrived)

    def ready_ns(self, count: int) -> int | None:
        """When `count` bytes will be ready if the instrument says nothing more; None if nothing comes."""
        return self._out.when_ns(max(1, count - len(self._arrived)))

    @property
    def stalled(self) -> bool:
        """So much has arrived that the wire waits for the host to take some."""
        return len(self._arrived) >= OUTPUT_LIMIT

    def take(self, count: int | None = None) -> bytes:
        """What has arrived at the host (at most `count` bytes)."""
        data = bytes(self._arrived if count is None else self._arrived[:count])
        del self._arrived[: len(data)]
        return data

    def find(self, end: bytes) -> int:
        """Where `end` begins in what has arrived; -1 if it is not there."""
        return self._arrived.find(end)

    def discard_ready(self) -> None:
        """The host throws away what has arrived."""
        self._arrived.clear()

    def discard_unsent(self, now_ns: int) -> None:
        """The host withdraws what is not yet on its way."""
        self.run(now_ns)
        self._in.clear()

    def next_ns(self) -> int | None:
        """When `run` will next have something to do, if the host keeps quiet; None for never."""
        return _earlier(self.instrument.next_event_ns(), self._wire_ns())

    def run(self, until_ns: int) -> None:
        """Do everything that is due by `until_ns`, each thing at its own instant."""
        instrument = self.instrument
        if instrument.now_ns >= until_ns and not self._in.queued and not self._out.queued:
            self._transmit(instrument.now_ns)
            return
        while self.step(until_ns) < until_ns:
            pass
        while (due_ns := self._wire_ns()) is not None and due_ns <= until_ns:
            self.step(until_ns)

    def step(self, until_ns: int) -> int:
        """Do the next thing that is due by `until_ns`; returns the instant reached.

        It is at most `until_ns` (or where the instrument is already), and earlier if something came
        out of the instrument or off a wire, so that whoever waits can look.
        """
        instrument = self.instrument
        wire_ns = self._wire_ns()
        # What had to wait (a stalled wire, a busy program) happens as soon as it can.
        goal_ns = max(instrument.now_ns, until_ns if wire_ns is None else min(until_ns, wire_ns))
        if instrument.now_ns < goal_ns:
            self._advance(goal_ns)
        if instrument.now_ns >= goal_ns and not self._deaf():
            data = self._in.arrived(goal_ns)
            if data:
                self._unanswered += len(data)
                instrument.receive(data, goal_ns)
        self._transmit(instrument.now_ns)
        return instrument.now_ns

    def _advance(self, goal_ns: int) -> None:
        """Run the instrument to `goal_ns`, or to where it may have something to send."""
        instrument = self.instrument
        if self._out.queued:
            instrument.advance(goal_ns)  # its transmitter is busy: it cannot send before
        elif self._pausing is not None:
            self._pausing.advance_to_output(goal_ns)
        else:
            due_ns = instrument.next_event_ns()
            if due_ns is not None and instrument.now_ns < due_ns < goal_ns:
                goal_ns = due_ns
            instrument.advance(goal_ns)

    def _wire_ns(self) -> int | None:
        due_ns = None
        if self._in.queued and not self._deaf():
            due_ns = self._in.next_ns(None)
        if self._out.queued and not self.stalled:
            due_ns = _earlier(due_ns, self._out.next_ns(self.grain_ns))
        return due_ns

    def _transmit(self, now_ns: int) -> None:
        """Let the instrument send if its transmitter is free: until then notices queue and drop in it."""
        if self._out.queued:
            if self.stalled:
                return
            self._arrived += self._out.arrived(now_ns)
            if self._out.queued:
                return
        self._unanswered = 0
        data = self.instrument.take()
        if not data or not self._attended:
            return
        self.emitted += len(data)
        self._out.send(data, now_ns)
        if self._out.baud is None:
            self._arrived += self._out.arrived(now_ns)

    def _deaf(self) -> bool:
        return self._unanswered > ANSWER_LIMIT

    def _drop_output(self) -> None:
        self._arrived.clear()
        self._out.clear()


def _earlier(one_ns: int | None, other_ns: int | None) -> int | None:
    if one_ns is None or other_ns is None:
        return one_ns if other_ns is None else other_ns
    return min(one_ns, other_ns)
