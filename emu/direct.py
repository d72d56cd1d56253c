"""A checker and an instrument in one process with nothing between them, on a held clock.

No port, no threads, no waiting: a check is a plain computation, and the same seeds give the same bytes.
Audits and campaigns run on this.
"""

from __future__ import annotations

from typing import cast

import serial

from wirevow.emu.clock import VirtualClock
from wirevow.emu.ports.interface import Instrument
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.vow import Vow

BUDGET = 20_000
"""Lines after which a check gives up."""


class DirectPort:
    """The host's end of a line: as much of a pyserial port as a session on a held clock uses."""

    port = "in process"

    def __init__(self, line: Line, clock: VirtualClock) -> None:
        self.timeout: float | None = 0
        self._line = line
        self._clock = clock

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read."""
        return self._line.ready

    def read(self, size: int = 1) -> bytes:
        """At most `size` of the bytes that are there."""
        return self._line.take(size)

    def write(self, data: bytes) -> int:
        """The instrument has the bytes, and has answered, on return."""
        now_ns = self._clock.now_ns()
        line = self._line
        if line.instrument.now_ns == now_ns and not line.busy and not line.baud:
            line.deliver(line.exchange(data, now_ns))
        else:
            line.receive(data, now_ns)
            line.run(now_ns)
        return len(data)


def direct_tester(vow: Vow, instrument: Instrument, *, seed: int = 0, budget: int = BUDGET) -> Tester:
    """A tester with its hands on an instrument that has just been made. It may energise: nothing is real."""
    clock = VirtualClock()
    line = Line(instrument)
    line.opened(clock.now_ns())
    rig = InstrumentRig(line, clock, vow.identity[0])
    port = cast(serial.Serial, DirectPort(line, clock))
    session = Session(port, vow.document.wire.line_limit, rig)
    session.hold()
    if vow.document.wire.opening.settle:
        session.wait(vow.document.wire.opening.settle)  # a board that reset when its port opened boots
    return Tester(vow, session, seed=seed, energise=True, budget=budget)
