"""Bytes and time between the checker and a port.

Time is the checker's own: real time, or, when a rig holds the instrument's clock, the sum of what was
advanced. On a held clock nothing races: the rig counts the bytes both ways, so when as many have come as the
instrument has emitted, all that happened is known.
"""

from __future__ import annotations

import os
import re
import select
import time
from collections.abc import Callable
from contextlib import nullcontext
from hashlib import sha256
from typing import Literal, NamedTuple

import serial

from wirevow.protocol.conformance.account import Account
from wirevow.protocol.conformance.brisk import brisk
from wirevow.protocol.conformance.gate import Gate
from wirevow.protocol.conformance.interrupts import Interrupts
from wirevow.protocol.conformance.rig import Rig
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.serialport import PortError, explain

REAL_PATIENCE_S = 0.003
"""How long a read on a held clock waits before it asks the rig whether anything is to come. Most answers take
a tenth of it; what is simulated in between may take longer."""
GLANCE_S = 0.002
"""Longest single read of a port that is read through its own methods."""
CATCH_UP_S = 0.02
"""Silence after which nothing from before is under way any more."""
GATE_MEMORY = 4096
"""Bytes of a begun line that the gate looks at; far more than any line may have."""
ARRIVAL_S = 5.0
"""Longest way of a byte that the instrument has emitted, through the system to us."""

ON_THE_WAY_NS = 30_000_000
"""Longest way of a byte that has left the wire, through drivers and a network, where the clock runs (common
practice, no source)."""

MOST_UNREAD = 1_000_000
"""Bytes that may come before anybody asks what has come: more than an instrument says unasked in days."""

BITS = 10
"""Of a character on the wire: start, eight data bits, stop."""

ONLY_ASKS = re.compile(rb"((@[0-9a-f]{1,4} )?ask [ -~]+\r?\n|\r?\n)*")
"""What changes nothing: whole questions, and blank lines."""

JournalKind = Literal["send", "line", "wait", "bench", "power", "reset", "store"]


class Entry(NamedTuple):
    """One thing that happened, at the checker's time. There are tens of thousands."""

    when_ns: int
    kind: JournalKind
    data: bytes = b""
    """Bytes sent, or one line received without its LF."""
    ns: int = 0
    name: str = ""
    value: str | float | None = None


class Session:
    """One open port, perhaps with a rig. Raises PortError when the port is lost."""

    def __init__(self, port: serial.Serial, line_limit: int, rig: Rig | None = None) -> None:
        self.port = port
        self.rig = rig
        self.held = False
        self.journal: list[Entry] = []
        self.gate: Gate | None = None
        """Sees every line before it goes out, begun ones too, and raises if one must not."""
        self.consent: Callable[[], None] | None = None
        """Has a person agree before the first thing that changes anything; raises if they do not. None once
        that is done, or where nobody need be asked."""
        self.account: Account | None = None
        """Sees every whole line that goes out, and every one that comes."""
        self.interrupts: Interrupts | None = None
        """Looked at by every send and every wait: they raise `Interrupted` once somebody wants an end."""
        self.begun = b""
        """What was sent of a line that is not ended yet; the last of it, if it is long."""
        self.sent = 0
        """Bytes written since the port was opened."""
        self.character_ns = -(-BITS * 10**9 // int(getattr(port, "baudrate", 0) or 10**9))
        """How long a character takes on the wire while the clock runs."""
        self._free_ns = 0
        self._there_ns = 0
        """When all that was sent is surely with the instrument, on a clock that runs."""
        self.late_ns = 0
        """How late waits ended at most, since somebody has set it to nothing."""
        self.heard_ns = 0
        """When the last byte came, on a clock that runs."""
        self._bytes = sha256(), sha256()
        """What was sent and what came, since the clock was held or the port opened."""
        self._there = -1
        """How much of what was sent is known to be with the instrument, on a held clock."""
        self._got = 0
        self._looked = 0
        """Of those, what had come when lines were last asked for."""
        self._got_offset = 0
        self._held_ns = 0
        self._lines: list[bytes | Overlong] = []
        self.longest = 4 * line_limit + 64
        """Bytes of a line from the instrument; more are one without end."""
        self._framer = Framer(self.longest, None)
        self.descriptor = _descriptor(port)
        """Of a port whose reads and writes are the system's own."""
        if self.descriptor is None:
            port.timeout = GLANCE_S

    def look(self) -> None:
        """Raises `Interrupted` once somebody wants an end."""
        if self.interrupts is not None:
            self.interrupts.look()

    def agree(self) -> None:
        """Before anything is changed, by the wire or by hand: have the consent that is still wanted."""
        if self.consent is None:
            return
        with nullcontext() if self.interrupts is None else self.interrupts.lifted():
            self.consent()
        self.consent = None

    # ------------------------------------------------------------------------------------------------ time

    def now_ns(self) -> int:
        """The checker's time."""
        return self._held_ns if self.held else time.monotonic_ns()

    def hold(self) -> None:
        """Hold the instrument's clock, if the rig can."""
        assert self.rig is not None
        self.rig.hold()
        self.held = True
        self._held_ns = 0
        self._catch_up(self.rig.counts(self.sent))
        self._bytes = sha256(), sha256()

    def wait(self, ns: int, until: Callable[[], bool] | None = None) -> None:
        """Let time pass; lines that come are kept. On a real clock `until` may end it early."""
        self.look()
        self.journal.append(Entry(self.now_ns(), "wait", ns=ns))
        if self.held:
            assert self.rig is not None
            emitted = self.rig.advance(ns, self.sent)
            self._held_ns += ns
            self._read_to(emitted)
            return
        end_ns = time.monotonic_ns() + ns
        while (left_ns := end_ns - time.monotonic_ns()) > 0:
            self._read(left_ns / 1e9)
            if until is not None and until():
                return
        self.late_ns = max(self.late_ns, time.monotonic_ns() - end_ns)

    # ------------------------------------------------------------------------------------------------ wire

    def wire_ns(self, count: int) -> int:
        """How long so many characters take on the wire; nothing on a held clock."""
        return 0 if self.held else count * self.character_ns

    @property
    def left_ns(self) -> int:
        """When all that was sent has left the wire, as far as its rate tells."""
        return self.now_ns() if self.held else max(self._free_ns, time.monotonic_ns())

    def arrived(self, but: int = 0) -> None:
        """What came shows that all that was sent is there, but for the last so many bytes."""
        self._free_ns = min(self._free_ns, self.now_ns() + self.wire_ns(but))
        self._there_ns = self._free_ns + ON_THE_WAY_NS if but else 0

    # ----------------------------------------------------------------------------------------------- bytes

    def admit(self, data: bytes) -> None:
        """Raises if the gate does not let `data` out, which comes after what was sent before."""
        if self.gate is not None:
            *lines, begun = (self.begun + data).split(b"\n")
            self.gate.judge(lines, begun, self.now_ns())

    def send(self, data: bytes, pieces: int = 1) -> None:
        """Write all of `data`, in so many writes, or nothing if the gate or the person is against it."""
        self.admit(data)
        if self.consent is not None and not ONLY_ASKS.fullmatch(data):
            self.agree()
        *lines, begun = (self.begun + data).split(b"\n")
        self.begun = begun[-GATE_MEMORY:]
        if self.gate is not None:
            self.gate.sent(lines, self.now_ns())
        if self.account is not None:
            self.account.sent(lines, self.now_ns())
        size = max(1, -(-len(data) // pieces))
        for start in range(0, len(data), size):
            self._write(data[start : start + size])

    def _write(self, data: bytes) -> None:
        self.look()
        self.journal.append(Entry(self.now_ns(), "send", data))
        self.sent += len(data)
        self._bytes[0].update(data)
        if not self.held:
            self._free_ns = self.left_ns + self.wire_ns(len(data))
            self._there_ns = self._free_ns + ON_THE_WAY_NS
        try:
            if self.descriptor is None:
                self.port.write(data)
                return
            view = memoryview(data)
            while view:
                try:
                    view = view[os.write(self.descriptor, view) :]
                except BlockingIOError:
                    self._awake(1.0, [self.descriptor])
        except (OSError, serial.SerialException) as error:
            raise self._lost(error) from error

    def line(self, timeout_ns: int) -> bytes | Overlong | None:
        """The next line, or None if none comes within `timeout_ns` of the checker's time."""
        self.look()
        if self._lines:
            return self._pop()
        self._looked = self._got
        if not self.held:
            end_ns = time.monotonic_ns() + timeout_ns
            while not self._lines:
                left_ns = end_ns - time.monotonic_ns()
                if left_ns <= 0:
                    return None
                self._read(left_ns / 1e9)
            return self._pop()
        assert self.rig is not None
        self._read(REAL_PATIENCE_S)
        if not self._lines:
            self._read_to(self.rig.counts(self.sent))
        if not self._lines and timeout_ns:
            self.wait(timeout_ns)
        return self._pop() if self._lines else None

    def arrive(self) -> None:
        """Before hands are laid on the bench, let all that was sent be with the instrument.

        Bytes and hands take different ways, and a hand may be the quicker. Where the clock runs an answer
        shows that they are there; if none has come, they are given the time that they take.
        """
        if self.held:
            assert self.rig is not None
            if self._there != self.sent:
                self.rig.counts(self.sent)
                self._there = self.sent
        elif (way_ns := self._there_ns - self.now_ns()) > 0:
            self.wait(way_ns)
            self._there_ns = 0

    def answered(self) -> None:
        """The last line has been answered, and none is begun: all that was sent is with the instrument."""
        self._there = self.sent

    def settle(self) -> None:
        """Read all that is there already, without letting time pass."""
        if self.held:
            assert self.rig is not None
            self._read_to(self.rig.counts(self.sent))
        else:
            self._read(0.0)

    @property
    def bytes_sha256(self) -> str:
        """Digest of all bytes both ways: of the digests of what was sent and of what came."""
        return sha256(b"".join(each.digest() for each in self._bytes)).hexdigest()

    @property
    def received(self) -> int:
        """Bytes that have come since the port was opened."""
        return self._got

    @property
    def waiting(self) -> bool:
        """Whether a whole line is there."""
        return bool(self._lines)

    def discard(self) -> None:
        """Forget everything that has come."""
        self._read(0.0)
        self._lines.clear()
        self._framer.reset()
        self._looked = self._got

    def _pop(self) -> bytes | Overlong:
        line = self._lines.pop(0)
        self.journal.append(
            Entry(self.now_ns(), "line", line if isinstance(line, bytes) else b"(a line without end)")
        )
        if self.gate is not None and isinstance(line, bytes):
            self.gate.heard(line, self.now_ns())
        return line

    def _awake(self, timeout_s: float, writable: list[int] | None = None) -> bool:
        """Wait until the port can be read, or written to; whether it can. A signal ends the wait."""
        waker = None if self.interrupts is None else self.interrupts.waker
        wakers = [] if waker is None else [waker]
        reading = [] if writable is not None or self.descriptor is None else [self.descriptor]
        if self.held and reading and timeout_s and (ready := brisk((*reading, *wakers))):
            if waker not in ready:
                return True
            timeout_s = 0
        ready, free, _ = select.select([*reading, *wakers], writable or [], [], timeout_s)
        if waker in ready and self.interrupts is not None:
            self.interrupts.woken()
        return bool(free) or self.descriptor in ready

    def _read(self, timeout_s: float) -> int:
        self.look()
        try:
            if self.descriptor is None:
                data = (
                    self.port.read(max(1, self.port.in_waiting)) if timeout_s or self.port.in_waiting else b""
                )
            else:
                if not self._awake(timeout_s):
                    return 0
                data = os.read(self.descriptor, 4096)
                if not data:
                    raise serial.SerialException("the port was disconnected")
        except BlockingIOError:
            return 0
        except (OSError, serial.SerialException) as error:
            raise self._lost(error) from error
        if data:
            self._got += len(data)
            self._bytes[1].update(data)
            if not self.held:
                self.heard_ns = time.monotonic_ns()
            if self._got - self._looked > MOST_UNREAD:
                raise self._flooded()
            lines = self._framer.feed(data, 0)
            self._lines += lines
            if self.account is not None:
                for line in lines:
                    if isinstance(line, bytes):
                        self.account.heard(line, self.now_ns())
        return len(data)

    def _read_to(self, emitted: int) -> None:
        if emitted - self._got_offset - self._looked > MOST_UNREAD:
            raise self._flooded()
        end = time.monotonic() + ARRIVAL_S
        while self._got + self._got_offset < emitted:
            if not self._read(REAL_PATIENCE_S) and time.monotonic() > end:
                raise PortError(
                    f"{self.port.port}: the instrument has sent {emitted} bytes, "
                    f"{self._got + self._got_offset} have come; is something else reading this port?"
                )

    def _flooded(self) -> PortError:
        return PortError(
            f"{self.port.port}: more than {MOST_UNREAD} bytes came that nobody asked for; "
            "is this the instrument's port, and its baud rate?"
        )

    def _catch_up(self, emitted: int) -> None:
        """Read what is under way; whatever a driver has thrown away before is not waited for."""
        while self._read(CATCH_UP_S):
            pass
        self._got_offset = emitted - self._got

    def _lost(self, error: Exception) -> PortError:
        return explain(str(self.port.port), error)


def _descriptor(port: object) -> int | None:
    """The file descriptor of a port whose reads and writes are the system's own; None for any other."""
    if not isinstance(port, serial.Serial) or os.name != "posix":
        return None
    try:
        return int(port.fileno())
    except (OSError, AttributeError, serial.SerialException):
        return None
