"""The other way round: a dialect on the host's side, wire version 1 on the instrument's. No I/O.

For a host program that speaks the dialect, tried against a simulated instrument that answers at once. The
first question of the dialect that a line fits is asked on the wire; the answer is written as the dialect
says. A line that is none of its requests is refused with the first refusal that tells no reason.
"""

from __future__ import annotations

from collections.abc import Mapping

from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.template import Template
from wirevow.protocol.dialect.translate import LONGEST
from wirevow.protocol.framing import Framer
from wirevow.protocol.message import Reply, Request, parse_answer


class Speaker:
    """Lines of the dialect to requests of the wire, and replies of the wire to lines of the dialect."""

    def __init__(self, book: Phrasebook) -> None:
        self._book = book
        self._framer = Framer(LONGEST, None)

    def lines(self, data: bytes, now_ns: int) -> list[str]:
        """The lines that these bytes of the host complete."""
        if self._book.end == b"\r":
            data = data.replace(b"\r", b"\n")
        lines = self._framer.feed(data, now_ns)
        return [line.decode("latin-1") if isinstance(line, bytes) else "" for line in lines]

    def requests(self, line: str) -> list[Request]:
        """What the line asks of the instrument; none if it asks nothing that it knows.

        A question that several points answer together is one request for each of them.
        """
        book = self._book
        for name, phrase in book.puts.items():
            fields = phrase.request.read(line)
            if fields is not None:
                words = book.spellings[name].value(next(iter(fields.values())))
                return [] if words is None else [Request(None, "put", name, words)]
        for name, phrase in book.acts.items():
            fields = phrase.request.read(line)
            if fields is not None:
                return [Request(None, "act", name, tuple(fields.values()))]
        found = next((name for name, phrase in book.asks.items() if phrase.request.text == line), None)
        if found is None:
            return []
        answer = book.asks[found].answer
        assert answer is not None
        others = [name for name in answer.fields if name not in ("_", "value", found)]
        return [Request(None, "ask", name) for name in (found, *others)]

    def answer(self, requests: list[Request], replies: list[Reply]) -> bytes:
        """What the firmware says to that, its line end included; nothing where it says nothing."""
        if not requests:
            return self._refusal("unknown")
        failed = next((reply for reply in replies if not reply.ok), None)
        if failed is not None:
            return self._refusal(failed.words[0])
        book, first = self._book, requests[0]
        phrases = {"ask": book.asks, "put": book.puts, "act": book.acts}[first.verb]
        answer = phrases[first.name].answer
        if answer is None:
            return b""
        if first.verb == "act":
            return self._line(answer, {"ticket": "".join(replies[0].words)})
        values: dict[str, str] = {}
        for request, reply in zip(requests, replies, strict=True):
            values[request.name] = book.spellings[request.name].text(reply.words)
        return self._line(answer, {**values, "value": values[first.name]})

    def _refusal(self, reason: str) -> bytes:
        for wanted in (reason, None):
            for template, told in self._book.refusals:
                if told == wanted:
                    return self._line(template, {})
        return self._line(self._book.refusals[0][0], {})

    def _line(self, template: Template, values: Mapping[str, str]) -> bytes:
        return template.written(values).encode("ascii") + self._book.end


def replies_in(data: bytes) -> list[Reply]:
    """The replies of the wire among these bytes."""
    answers = [parse_answer(line) for line in data.split(b"\n") if line]
    return [each for each in answers if isinstance(each, Reply)]
