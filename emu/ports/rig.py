"""The rig of a simulated instrument, in the process that has it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

from wirevow.emu.clock import Clock
from wirevow.emu.ports.interface import Covered, Interruptible, Repeated, Slow, Stepping, Storing, Wired
from wirevow.emu.ports.line import Line
from wirevow.protocol.conformance.rig import MOST_REPEATED, Hello, RigError

if TYPE_CHECKING:
    from wirevow.emu.firmware.coverage import Coverage

ABILITIES = frozenset({"bench", "repeat", "power", "reset", "hold", "advance"})
QUICK, STORE = "quick", "store"
LONGEST_NS = 400 * 24 * 3600 * 1_000_000_000
"""Longest single advance: more than a year."""


class InstrumentRig:
    """Satisfies `wirevow.protocol.conformance.rig.Rig` for one line and its clock.

    `turn` is entered around everything that touches them.
    """

    def __init__(
        self,
        line: Line,
        clock: Clock,
        document: str,
        turn: Callable[[], AbstractContextManager[object]] = nullcontext,
    ) -> None:
        self._line = line
        self._clock = clock
        self._document = document
        self._turn = turn

    def hello(self) -> Hello:
        instrument = self._line.instrument
        # A checker counts on that what it does is done at once.
        slow = frozenset(instrument.slow_events if isinstance(instrument, Slow) else ())
        return Hello(
            simulated=True,
            document=self._document,
            events=frozenset(instrument.bench_events) - slow,
            abilities=ABILITIES | self._more(),
            held=self._clock.held,
        )

    def _more(self) -> set[str]:
        instrument = self._line.instrument
        # One with a wire of its own inside is a simulated chip, which is hardly faster than a real one.
        more = set() if isinstance(instrument, Wired | Stepping) else {QUICK}
        return more | {STORE} if isinstance(instrument, Storing) and instrument.stores else more

    def bench(self, event: str, value: float | str | None = None) -> None:
        with self._turn():
            try:
                self._line.instrument.bench(event, value, self._settle())
            except ValueError as error:
                raise RigError(str(error)) from error

    def repeat(self, event: str, values: Sequence[str], times: int) -> None:
        if not 0 <= times * len(values) <= MOST_REPEATED:
            raise RigError(f"a repeat is at most {MOST_REPEATED} events, not {times} times {len(values)}")
        with self._turn():
            try:
                instrument, now_ns = self._line.instrument, self._settle()
                if isinstance(instrument, Repeated):
                    instrument.repeat(event, values, times, now_ns)
                else:
                    for value in (*values,) * times:
                        instrument.bench(event, value, self._settle())
            except ValueError as error:
                raise RigError(str(error)) from error

    def true(self, signal: str) -> float:
        """What a perfect meter would show of a signal of the plant, in SI units. RigError if it has none."""
        with self._turn():
            self._settle()
            plant = getattr(self._line.instrument, "plant", None)
            if plant is None or signal not in plant.signals:
                raise RigError(f"this instrument does not tell what {signal} is: use the simulated one")
            return float(plant.at(signal, plant.now_ns))

    def cut_after(self, steps: int) -> None:
        """The supply is about to go (`wirevow.protocol.conformance.rig.CuttingRig`)."""
        with self._turn():
            self._settle()
            instrument = self._line.instrument
            if isinstance(instrument, Interruptible):
                instrument.cut_after(steps)

    def ways(self) -> int:
        """What of the firmware has been reached (`wirevow.protocol.conformance.rig.CoveringRig`)."""
        with self._turn():
            instrument = self._line.instrument
            return instrument.ways() if isinstance(instrument, Covered) else 0

    def coverage(self) -> Coverage | None:
        """Which lines and branches of the firmware's C have been reached; None where that is not known."""
        with self._turn():
            instrument = self._line.instrument
            return instrument.coverage() if isinstance(instrument, Covered) else None

    def power(self, on: bool) -> None:
        with self._turn():
            self._line.instrument.power(on, self._settle())

    def reset(self) -> None:
        with self._turn():
            self._line.instrument.reset(self._settle())

    def store(self, image: bytes) -> None:
        with self._turn():
            self._settle()
            instrument = self._line.instrument
            if not isinstance(instrument, Storing) or not instrument.stores:
                raise RigError(
                    "where this firmware keeps its images is not known: say so in the board, store"
                )
            try:
                instrument.keep(image)
            except ValueError as error:
                raise RigError(str(error)) from error

    def hold(self) -> None:
        with self._turn():
            if not self._clock.held:
                self._settle()
                self._clock.hold()
                self._line.bypass(True, self._clock.now_ns())
                self._settle()

    def run(self) -> None:
        with self._turn():
            if self._clock.held:
                self._line.bypass(False, self._clock.now_ns())
                self._clock.run()

    def advance(self, span_ns: int, sent: int) -> int:
        if not 0 <= span_ns <= LONGEST_NS:
            raise RigError(f"time advances by 0 to {LONGEST_NS // 10**9} seconds at once, not {span_ns} ns")
        with self._turn():
            if not self._clock.held:
                raise RigError("the clock runs by itself; hold it before advancing it")
            self._expect(sent)
            self._clock.move(self._clock.now_ns() + span_ns)
            self._settle()
            return self._line.emitted

    def counts(self, sent: int) -> int:
        with self._turn():
            self._expect(sent)
            return self._line.emitted

    def close(self) -> None:
        self.run()

    def arrived(self, sent: int) -> bool:
        """Whether the instrument has `sent` bytes from the host since it opened the port."""
        return self._line.received >= sent and not self._line.waiting_in

    def settled(self) -> tuple[int, int]:
        """Bytes the instrument has from the host, and has emitted to it, with everything done that is due."""
        with self._turn():
            self._settle()
            return self._line.received - self._line.waiting_in, self._line.emitted

    def now_ns(self) -> int:
        """The instrument's present time."""
        return self._clock.now_ns()

    def _settle(self) -> int:
        now_ns = self._clock.now_ns()
        self._line.run(now_ns)
        return now_ns

    def _expect(self, sent: int) -> None:
        self._settle()
        if not self.arrived(sent):
            got = self._line.received - self._line.waiting_in
            raise RigError(
                f"only {got} of {sent} bytes have come from the host since it opened the port; "
                "count what is written after opening, and what the host's own driver may have thrown away"
            )
