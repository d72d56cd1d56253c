"""What was said in a recording: lines with their times, and which answer belongs to which request.

Requests are answered in the order they came (`wire.order`), and an answer has the tag of its request
(`wire.tag`); `refuse length` and `refuse check` have none. No document is needed for any of this.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from wirevow.protocol.journal.layout import Kind, Record
from wirevow.protocol.message import Malformed, Notice, Reply, Request, parse_answer, parse_request

NS_PER_S = 1_000_000_000
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
LONGEST_LINE = 4096
"""Bytes; what is longer is shown cut and is nobody's request."""
MOST_WAITING = 256
"""Requests that wait for their answers; before that many an instrument has stopped answering."""


@dataclass(slots=True)
class Line:
    """One line of either side, or bytes that no line end came for."""

    ns: int
    """When its last byte came."""
    kind: Kind
    """HOST or DEVICE."""
    data: bytes
    """Without its line end."""
    whole: bool = True
    """A line end came."""
    pause_ns: int = 0
    """Longest silence after it had begun."""
    meaning: Request | Reply | Notice | Malformed = field(default=Malformed("syntax"))
    request: Line | None = None
    """Of a reply: the line it answers."""
    reply: Line | None = None
    """Of a request: the line that answers it."""

    @property
    def what(self) -> str:
        """request, reply, notice, or bytes that are none of them."""
        if isinstance(self.meaning, Malformed):
            return "bytes"
        return type(self.meaning).__name__.lower()

    @property
    def name(self) -> str:
        """Of the point or action that it is about, or the notice's event; empty if there is none."""
        meaning = self.meaning
        if isinstance(meaning, Notice):
            return meaning.event
        about = self.request.meaning if self.request is not None else meaning
        return about.name if isinstance(about, Request) else ""


class Splitter:
    """Cuts one side's bytes into lines; unlike `Framer` it keeps what a device would throw away."""

    def __init__(self, kind: Kind) -> None:
        self._kind = kind
        self._begun = b""
        self._ns = self._pause_ns = 0

    def feed(self, data: bytes, ns: int) -> list[Line]:
        """The lines that these bytes complete; blank ones too."""
        if self._begun:
            self._pause_ns = max(self._pause_ns, ns - self._ns)
        *ended, begun = (self._begun + data).split(b"\n")
        self._begun, self._ns = begun[-LONGEST_LINE:], ns
        parse = parse_request if self._kind is Kind.HOST else parse_answer
        lines = []
        for each in ended:
            text = each.removesuffix(b"\r")
            lines.append(Line(ns, self._kind, text, pause_ns=self._pause_ns, meaning=parse(text)))
            self._pause_ns = 0
        return lines

    def rest(self) -> list[Line]:
        """What was begun and not ended; forgotten."""
        begun, self._begun, self._pause_ns = self._begun, b"", 0
        return [Line(self._ns, self._kind, begun, whole=False)] if begun else []


class Pairing:
    """Finds the request of each reply."""

    def __init__(self) -> None:
        self._waiting: deque[Line] = deque(maxlen=MOST_WAITING)

    def take(self, line: Line) -> None:
        """The next line of either side; a reply and its request are made to know each other."""
        if line.kind is Kind.HOST:
            if line.data:
                self._waiting.append(line)
            return
        if not isinstance(line.meaning, Reply):
            return
        request = self._asked(line.meaning)
        if request is not None:
            line.request, request.reply = request, line

    def forget(self) -> None:
        """Nothing that was asked is answered any more."""
        self._waiting.clear()

    def _asked(self, reply: Reply) -> Line | None:
        damaged = reply.tag is None and not reply.ok and reply.words[0] in ("length", "check")
        for index, line in enumerate(self._waiting):
            if damaged or getattr(line.meaning, "tag", None) == reply.tag:
                for _ in range(index + 1):  # those before it have lost their answers
                    self._waiting.popleft()
                return line
        return None


def lines(records: Iterable[Record]) -> Iterator[Line]:
    """Everything that was said, in the order it was complete. A reply comes with its request known."""
    host = Splitter(Kind.HOST)
    # For the device the recorder's own bytes come from the same wire.
    sides = {Kind.HOST: host, Kind.OWN: host, Kind.DEVICE: Splitter(Kind.DEVICE)}
    pairing = Pairing()
    for record in records:
        if record.kind in sides:
            for line in sides[record.kind].feed(record.data, record.ns):
                pairing.take(line)
                if line.data:
                    yield line
        elif record.kind is Kind.CLOSED:
            yield from host.rest()
    yield from host.rest()
    yield from sides[Kind.DEVICE].rest()


@dataclass(slots=True)
class Exchange:
    """A line of the host, and what the device said from then until the next one that it answered."""

    line: Line
    unasked: list[Line] = field(default_factory=list)
    """Notices, and what else was no answer."""


def exchanges(records: Iterable[Record]) -> tuple[list[Line], list[Exchange]]:
    """What came before the host's first line, and every line of the host with what followed."""
    before: list[Line] = []
    found: list[Exchange] = []
    unasked = before
    for line in lines(records):
        if line.kind is Kind.HOST:
            if line.whole:
                found.append(Exchange(line))
                unasked = found[-1].unasked
        elif line.request is None:
            unasked.append(line)
    return before, found


def asked(records: Iterable[Record]) -> list[str]:
    """The points and actions that the host asked for, in the order in which they first were."""
    names = (line.meaning.name for line in lines(records) if isinstance(line.meaning, Request))
    return list(dict.fromkeys(names))


@dataclass(slots=True)
class Told:
    """What a host was told, with the seconds at which it was."""

    numbers: dict[tuple[str, str], list[tuple[float, float]]] = field(default_factory=dict)
    """By the point's name and unit."""
    states: list[tuple[float, str]] = field(default_factory=list)
    """Each that is another than the one told before."""
    trips: list[tuple[float, str]] = field(default_factory=list)


def told(said: Iterable[Line], verbs: Collection[str] = ("ask", "put")) -> Told:
    """The numbers and states in the good answers to these requests, and in notices."""
    found = Told()
    for line in said:
        at_s = line.ns / NS_PER_S
        match line.meaning:
            case Notice(_, "state", (word, *_)):
                _into(found.states, at_s, word)
            case Notice(_, "trip", (word, *_)):
                found.trips.append((at_s, word))
            case Reply(_, True, (word, *units)) if line.request is not None:
                asked = line.request.meaning
                if not isinstance(asked, Request) or asked.verb not in verbs:
                    continue
                if _NUMBER.fullmatch(word):
                    found.numbers.setdefault((asked.name, " ".join(units)), []).append((at_s, float(word)))
                elif asked.name.endswith(".state"):
                    _into(found.states, at_s, word)
    return found


def _into(states: list[tuple[float, str]], at_s: float, word: str) -> None:
    if not states or states[-1][1] != word:
        states.append((at_s, word))
