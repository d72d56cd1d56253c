"""A port and a rig of firmware with a dialect, as those of an instrument that speaks wire version 1."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any, cast

import serial

from wirevow.protocol.conformance.rig import Hello, Repeating, Rig, StoringRig
from wirevow.protocol.conformance.session import ARRIVAL_S, BITS, CATCH_UP_S, ON_THE_WAY_NS, REAL_PATIENCE_S
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.translate import Translator
from wirevow.protocol.serialport import PortError


class AdaptedPort:
    """As much of a pyserial port as a session and its end use. `inner` is the firmware's port, opened."""

    def __init__(self, inner: Any, book: Phrasebook) -> None:
        self.port = inner.port
        self.baudrate = int(getattr(inner, "baudrate", 0) or 10**9)
        self.timeout: float | None = 0
        self.write_timeout: float | None = None
        self.emitted = 0
        """Bytes for the host so far."""
        self.sent = 0
        """Bytes that the firmware was sent."""
        self._inner = inner
        self._got = self._offset = 0
        self._ready = bytearray()
        self._held_ns: int | None = None
        self._book = book
        self._translator = Translator(book, BITS * 10**9 // self.baudrate, ON_THE_WAY_NS)

    def _now_ns(self) -> int:
        return time.monotonic_ns() if self._held_ns is None else self._held_ns

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        if not self._ready:
            self._pump(0.0)
        return len(self._ready)

    def read(self, size: int = 1) -> bytes:
        """At most `size` bytes, waiting at most `timeout` seconds of the machine's for the first."""
        end_s = time.monotonic() + (self.timeout or 0.0)
        while not self._ready:
            left_s = end_s - time.monotonic()
            self._pump(max(0.0, min(left_s, CATCH_UP_S)))
            if left_s <= 0:
                break
        data = bytes(self._ready[:size])
        del self._ready[: len(data)]
        return data

    def write(self, data: bytes) -> int:
        """All of it is with the translator on return."""
        self._translator.receive(bytes(data), self._now_ns())
        self._exchange()
        self._pump(0.0)
        return len(data)

    def reset_output_buffer(self) -> None:
        """Withdraw what the firmware was not sent yet."""
        self._inner.reset_output_buffer()

    def close(self) -> None:
        """Let go of the firmware's port."""
        self._inner.close()

    # ------------------------------------------------------------------------------------- for the rig's sake

    def hold(self, rig: Rig) -> None:
        """From now on time is what `advance` lets pass."""
        self._held_ns = 0
        self._translator = Translator(self._book)
        while self._pump(CATCH_UP_S):
            pass
        self._offset = rig.counts(self.sent) - self._got
        self.settle(rig)

    def advance(self, span_ns: int, rig: Rig) -> None:
        """Let so much time pass, and look at the translator's own deadlines on the way."""
        assert self._held_ns is not None
        end_ns = self._held_ns + span_ns
        self.settle(rig)
        while self._held_ns < end_ns:
            due_ns = self._translator.due_ns()
            next_ns = end_ns if due_ns is None else max(self._held_ns + 1, min(end_ns, due_ns))
            step_ns, self._held_ns = next_ns - self._held_ns, next_ns
            self._read_to(rig.advance(step_ns, self.sent))
            self._translator.advance(next_ns)
            self.settle(rig)

    def settle(self, rig: Rig) -> None:
        """Until the firmware has answered all that takes no time."""
        while True:
            self._exchange()
            sent = self.sent
            self._read_to(rig.counts(sent))
            self._exchange()
            if self.sent == sent:
                return

    def booted(self) -> None:
        """Hands have booted it."""
        self._translator.booted(self._now_ns())
        self._exchange()

    def _read_to(self, emitted: int) -> None:
        end_s = time.monotonic() + ARRIVAL_S
        while self._got + self._offset < emitted:
            if not self._pump(REAL_PATIENCE_S) and time.monotonic() > end_s:
                raise PortError(f"{self.port}: what the firmware sends does not come; who else reads it?")

    def _pump(self, timeout_s: float) -> int:
        """Let the translator hear what has come from the firmware; how much that was."""
        inner = self._inner
        waiting = inner.in_waiting
        if not waiting and timeout_s:
            inner.timeout = timeout_s
        data = inner.read(max(1, waiting)) if waiting or timeout_s else b""
        self._got += len(data)
        if data:
            self._translator.hear(data, self._now_ns())
        else:
            self._translator.advance(self._now_ns())
        self._exchange()
        return len(data)

    def _exchange(self) -> None:
        while data := self._translator.for_firmware():
            self.sent += len(data)
            self._inner.write(data)
        said = self._translator.for_host()
        self.emitted += len(said)
        self._ready += said


class AdaptedRig:
    """The rig of the firmware, its counts those of an `AdaptedPort`."""

    def __init__(self, rig: Rig, port: AdaptedPort) -> None:
        self._rig = rig
        self._port = port

    def hello(self) -> Hello:
        return self._rig.hello()

    def bench(self, event: str, value: float | str | None = None) -> None:
        self._rig.bench(event, value)

    def repeat(self, event: str, values: Sequence[str], times: int) -> None:
        assert isinstance(self._rig, Repeating)
        self._rig.repeat(event, values, times)

    def store(self, image: bytes) -> None:
        assert isinstance(self._rig, StoringRig)
        self._rig.store(image)

    def power(self, on: bool) -> None:
        self._rig.power(on)
        self._port.booted()

    def reset(self) -> None:
        self._rig.reset()
        self._port.booted()

    def hold(self) -> None:
        self._rig.hold()
        self._port.hold(self._rig)

    def run(self) -> None:
        self._rig.run()

    def advance(self, span_ns: int, sent: int) -> int:
        self._port.advance(span_ns, self._rig)
        return self._port.emitted

    def counts(self, sent: int) -> int:
        self._port.settle(self._rig)
        return self._port.emitted

    def close(self) -> None:
        self._rig.close()


def adapted(rig: Rig | None, port: serial.Serial, book: Phrasebook) -> tuple[Rig | None, serial.Serial]:
    """Both, as those of an instrument that speaks wire version 1."""
    through = AdaptedPort(port, book)
    return None if rig is None else AdaptedRig(rig, through), cast(serial.Serial, through)
