"""What all firmware here has in common, however it is run: its port, its bench, the hands of a timeline."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from decimal import Decimal

from wirevow.emu.bench import Bench
from wirevow.emu.hands import bench_value, declared_event, hands_of, happen, steps_of
from wirevow.emu.plant.agenda import PANEL
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, bench_events


class Firmware(ABC):
    """Firmware on one bench; the interface is that of `wirevow.emu.instrument.Instrument`."""

    plant: Plant

    def __init__(self, vow: Vow, bench: Bench | None) -> None:
        self.vow = vow
        self.now_ns = 0
        self.powered = True
        self.bench_events: Mapping[str, BenchEvent] = self._events(bench_events(vow.document))
        try:
            self._hands = hands_of(bench, self.bench_events)
        except ValueError as wrong:
            raise WirevowError(f"the bench's timeline: {wrong}") from None
        """At the front panel, by the bench's timeline; the last one first."""
        self._blocked = False
        self._out = bytearray()

    def _events(self, declared: Mapping[str, BenchEvent]) -> Mapping[str, BenchEvent]:
        """Those of the document's events that can happen here."""
        return declared

    # --------------------------------------------------------------------------------------- for ports

    def opened(self, now_ns: int) -> None:
        """A host opened the port; on some boards that is a reset."""
        self.advance(now_ns)
        if self.vow.document.wire.opening.resets:
            self.reset(now_ns)

    def closed(self, now_ns: int) -> None:
        """The host closed the port."""
        self.advance(now_ns)

    def advance(self, now_ns: int) -> None:
        """Run to `now_ns`."""
        self._go(now_ns, False)

    def advance_to_output(self, to_ns: int) -> None:
        """Run to `to_ns`, but stop at the first instant at which `take` gives something."""
        self._go(to_ns, not self._blocked)

    def _go(self, to_ns: int, talk: bool) -> None:
        while self._hands and self._hands[-1].when_ns <= to_ns:
            hand = self._hands[-1]
            self._run(hand.when_ns, talk)
            if talk and self._out:
                return
            self._hands.pop()
            if self.powered:
                self._happen(hand.event, hand.value, hand.when_ns)
        self._run(to_ns, talk)

    # ---------------------------------------------------------------------------------------- for rigs

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        """Something happens around the instrument, in the document's words and units. ValueError if not."""
        declared_event(self.bench_events, event)
        self.advance(now_ns)
        self._happen(event, value, now_ns)

    def _happen(self, event: str, value: float | str | None, now_ns: int) -> None:
        declared = declared_event(self.bench_events, event)
        steps = steps_of(declared, value) if event.startswith(PANEL) else None
        given = None if steps is not None else bench_value(self.vow, event, declared, value)
        if event == "link.transmitter":
            self._stall(given == "stalled")
        elif event.startswith(PANEL):
            self._hand(event, given, steps)
        else:
            happen(self.plant, self.vow, event, declared, given, now_ns)

    @abstractmethod
    def reset(self, now_ns: int) -> None:
        """The reset pin is pulled."""

    @abstractmethod
    def _run(self, now_ns: int, talk: bool) -> None:
        """As `advance`, or with `talk` as `advance_to_output`."""

    @abstractmethod
    def _stall(self, stalled: bool) -> None:
        """The host's side takes nothing, or does again."""

    @abstractmethod
    def _hand(self, event: str, given: Decimal | str | None, steps: int | None) -> None:
        """A hand at the front panel: what is keyed in, or by how many steps an encoder is turned."""
