"""A simulated instrument that speaks a dialect (`wirevow.protocol.dialect`) in place of wire version 1."""

from __future__ import annotations

from collections.abc import Collection

from wirevow.emu.bench import Bench
from wirevow.emu.faults import build_instrument
from wirevow.emu.ports.interface import Instrument
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.narrow import narrowed
from wirevow.protocol.dialect.speak import Speaker, replies_in


def speaking(
    book: Phrasebook, bench: Bench | None = None, seed: int = 0, fault: str | None = None
) -> Speaking:
    """The simulated instrument of what the firmware can keep, speaking its dialect. Raises WirevowError."""
    return Speaking(build_instrument(narrowed(book), bench, seed, fault), book)


class Speaking:
    """An instrument that speaks wire version 1 and answers at once, as firmware that speaks a dialect."""

    def __init__(self, instrument: Instrument, book: Phrasebook) -> None:
        self._instrument = instrument
        self._speaker = Speaker(book)
        self._output = bytearray()

    @property
    def now_ns(self) -> int:
        return self._instrument.now_ns

    @property
    def bench_events(self) -> Collection[str]:
        return self._instrument.bench_events

    def receive(self, data: bytes, now_ns: int) -> None:
        self._instrument.advance(now_ns)
        for line in self._speaker.lines(data, now_ns):
            requests = self._speaker.requests(line)
            replies = []
            for request in requests:
                self._instrument.receive(request.line() + b"\n", now_ns)
                replies += replies_in(self._instrument.take())
            if len(replies) == len(requests):  # else it is off, or boots
                self._output += self._speaker.answer(requests, replies)

    def advance(self, now_ns: int) -> None:
        self._instrument.advance(now_ns)

    def next_event_ns(self) -> int | None:
        return self._instrument.next_event_ns()

    def take(self) -> bytes:
        data = bytes(self._output)
        self._output.clear()
        return data

    def opened(self, now_ns: int) -> None:
        self._instrument.opened(now_ns)

    def closed(self, now_ns: int) -> None:
        self._instrument.closed(now_ns)

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self._instrument.bench(event, value, now_ns)

    def power(self, on: bool, now_ns: int) -> None:
        self._instrument.power(on, now_ns)

    def reset(self, now_ns: int) -> None:
        self._instrument.reset(now_ns)
