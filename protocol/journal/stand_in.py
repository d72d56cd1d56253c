"""The device's side of a recording, as a stand-in for the device: it answers a host as the device answered.

Where the host is in the recording is told by what it changes. A `put` or an `act` is the next such line of
the recording, and everything the device said unasked before that line is said by then. An `ask` is answered
as it was next until the next change, else as it was last; so a host may ask more often, or less, than the
recorded one. What was never said in the recording is not answered: nobody knows what the device would say.

Bytes in, bytes out; time is integer nanoseconds. Answers and notices take as long as they took.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left
from collections.abc import Callable, Sequence

from wirevow.protocol.framing import Framer
from wirevow.protocol.journal.exchanges import LONGEST_LINE, Exchange, Line
from wirevow.protocol.message import Malformed, Reply, Request, parse_request

Key = tuple[str, ...]


class StandIn:
    """Satisfies what a port asks of an instrument. `strange` is told each line that the recording has not."""

    bench_events: Sequence[str] = ()

    def __init__(
        self, before: Sequence[Line], course: Sequence[Exchange], strange: Callable[[str], None]
    ) -> None:
        self.now_ns = 0
        self._before = before
        self._course = course
        self._strange = strange
        self._framer = Framer(LONGEST_LINE, None)
        self._at: dict[Key, list[int]] = {}
        """Where each request is in the recording."""
        self._changes: list[int] = []
        """Where something was changed."""
        for index, each in enumerate(self._course):
            key = _key(each.line.data)
            self._at.setdefault(key, []).append(index)
            if key[0] != "ask":
                self._changes.append(index)
        self._next = 0
        """The host is before this line of the recording."""
        self._due: list[tuple[int, int, bytes]] = []
        """What is to be said: when, its number, the bytes."""
        self._number = 0
        self._answered_ns = 0
        """When the last answer is due: they keep their order."""
        self._ready = b""

    # ------------------------------------------------------------------------------- as a port sees it

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        for line in self._framer.feed(data, now_ns):
            if isinstance(line, bytes):
                self._asked(line)
        self.advance(now_ns)

    def advance(self, now_ns: int) -> None:
        self.now_ns = now_ns
        while self._due and self._due[0][0] <= now_ns:
            self._ready += heapq.heappop(self._due)[2]

    def next_event_ns(self) -> int | None:
        return self._due[0][0] if self._due else None

    def take(self) -> bytes:
        ready, self._ready = self._ready, b""
        return ready

    def opened(self, now_ns: int) -> None:
        """Every host begins at the beginning."""
        self.now_ns = self._answered_ns = now_ns
        self._framer.reset()
        self._next = 0
        self._due.clear()
        self._ready = b""
        for line in self._before:
            self._say(line.data, now_ns + line.ns - self._before[0].ns)

    def closed(self, now_ns: int) -> None:
        self.now_ns = now_ns

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        raise ValueError("a recording has no bench")

    def power(self, on: bool, now_ns: int) -> None:
        """A recording has no supply."""

    def reset(self, now_ns: int) -> None:
        """Nor a reset pin."""

    # ------------------------------------------------------------------------------------ what is said

    def _asked(self, line: bytes) -> None:
        index, forth = self._found(_key(line))
        if index is None:
            self._strange(line.decode("latin-1"))
            return
        each = self._course[index]
        if forth:
            self._catch_up(index)
            self._next = index + 1
        if each.line.reply is not None:
            due_ns = self.now_ns + each.line.reply.ns - each.line.ns
            self._answered_ns = max(self._answered_ns, due_ns)
            self._say(_answer(each.line.reply, parse_request(line)), self._answered_ns)
        if forth:
            for other in each.unasked:
                self._say(other.data, self.now_ns + other.ns - each.line.ns)

    def _found(self, key: Key) -> tuple[int | None, bool]:
        """Which exchange of the recording this is, and whether the host goes on to there by it."""
        places = self._at.get(key)
        if places is None:
            return None, False
        at = bisect_left(places, self._next)
        change = bisect_left(self._changes, self._next)
        limit = self._changes[change] if change < len(self._changes) else len(self._course)
        if at < len(places) and (key[0] != "ask" or places[at] < limit):
            return places[at], True
        return places[max(0, at - 1)], False

    def _catch_up(self, index: int) -> None:
        """The host is further than the recorded one was at this time: say what was said until then."""
        self._due = [(min(when, self.now_ns), number, said) for when, number, said in self._due]
        heapq.heapify(self._due)
        for skipped in self._course[self._next : index]:
            for line in skipped.unasked:
                self._say(line.data, self.now_ns)

    def _say(self, data: bytes, when_ns: int) -> None:
        self._number += 1
        heapq.heappush(self._due, (when_ns, self._number, data + b"\n"))


def _key(line: bytes) -> Key:
    """What a line asks for, whatever its tag and check."""
    request = parse_request(line)
    if isinstance(request, Malformed):
        return ("", line.decode("latin-1"))
    return (request.verb, request.name, *request.arguments)


def _answer(reply: Line, request: Request | Malformed) -> bytes:
    """A recorded answer as the answer to this request: with its tag, and a check if it has one."""
    meaning = reply.meaning
    if not isinstance(meaning, Reply) or not isinstance(request, Request):
        return reply.data
    return meaning._replace(tag=request.tag, checked=meaning.checked or request.checked).line()
