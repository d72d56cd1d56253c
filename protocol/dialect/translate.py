"""Wire version 1 on one side, a dialect on the other. No I/O; times are integer nanoseconds.

What a line of the wire looks like is the adapter's own business: tags, checks, the guard, the digits of a
number, and lines that mean nothing are dealt with here, by the device half itself. Everything else is asked
of the firmware, one request after the other, and answered with what it answers:

    ask         the point's question                                    its value
    put         the request; if its answer carries no value, the question after it
    act         the request; if nothing answers it, the question for the state after it (silence is consent)

    an answer that refuses      refuse REASON, or `refuse unsaid` where it tells no reason
    no answer in time           nothing, and the next request waits as long again
    a line that nothing fits    the line itself behind `? `, which is no line of the wire
    no value to be had          `ok unsaid`
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from wirevow.protocol.device import Answer, Device, Store
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.narrow import Unasked, narrowed
from wirevow.protocol.dialect.template import Template
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import UNSAID, Request
from wirevow.protocol.vow import PointEntry

LONGEST = 512
"""Bytes of a line from the firmware."""
STRAY = b"? "
"""Before a line of the firmware that nothing fits: no line of the wire begins so."""


class _Nowhere:
    """The world of a device half that has none."""

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        raise AssertionError(f"{entry.name} is asked of the firmware")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None: ...

    def capture(self, record: str, now_ns: int) -> None: ...

    def booted(self) -> None: ...

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None: ...


@dataclass(frozen=True, slots=True)
class _Step:
    """One request to the firmware. Without `answer` none comes unless it refuses."""

    request: str
    answer: Template | None
    meaning: Callable[[Mapping[str, str]], Answer | None]
    """The answer on the wire, of its fields; None where they do not tell it."""


class _Ask(Exception):
    """The firmware has to be asked this."""

    def __init__(self, steps: list[_Step]) -> None:
        super().__init__()
        self.steps = steps


class _Front(Device):
    """The device half as far as lines go. `line` is kept for when the firmware is free; `judge` does it."""

    def __init__(self, book: Phrasebook) -> None:
        super().__init__(narrowed(book), _Nowhere(), Store())
        self.book = book
        self.lines: deque[bytes | Overlong] = deque()
        self.answer: Answer | None = None
        """What the firmware has said to the line at hand."""
        self._unasked = Unasked(book).points
        self.boot("power", 0)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        self.lines.append(line)

    def look(self, now_ns: int) -> None:
        """What readings have been at most is the firmware's to know."""

    def judge(self, line: bytes | Overlong, now_ns: int) -> None:
        """Raises `_Ask` while it takes the firmware to answer it."""
        super().line(line, now_ns)

    def _ask(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.name in self._unasked:
            return False, ("unknown",)
        if entry is None or request.arguments or entry.name not in self.book.asks:
            self._feed(entry)
            return super()._ask(request, now_ns)
        return self._told([self._question(entry.name)])

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None or entry.name not in self.book.puts:
            self._feed(entry)
            return super()._put(request, now_ns)
        given = self._read(entry, request)
        if isinstance(given, tuple):
            return False, given
        name, phrase = entry.name, self.book.puts[entry.name]
        text = self.book.spellings[name].text(entry.words(given))
        told = phrase.answer is not None and self.book.told(name, phrase.answer)
        written = phrase.request.written({"value": text, name: text})
        unsaid = None if name in self.book.asks else (True, (UNSAID,))
        steps = [_Step(written, phrase.answer, self._value_of(name) if told else lambda fields: unsaid)]
        if not told and unsaid is None:
            steps.append(self._question(name))
        return self._told(steps)

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if action is None or (refusal := self._wrong_arguments(action, request.arguments)):
            return super()._act(request, now_ns) if action is None else (False, refusal or ())
        phrase = self.book.acts[action.name]
        if action.many and not 0 <= self._number_of(request) < action.many:
            return False, ("range", "0", str(action.many - 1))  # nothing of the firmware's own is asked
        written = phrase.request.written(dict.fromkeys(("ticket", "number"), "".join(request.arguments)))

        def done(fields: Mapping[str, str]) -> Answer:
            return True, (fields["ticket"],) if action.gives_ticket_ns is not None else ()

        steps = [_Step(written, phrase.answer, done)]
        if phrase.answer is None:
            state = self._question(self.vow.system_name("state") or "")
            steps = [_Step(written, None, done), _Step(state.request, state.answer, done)]
        answer = self._told(steps)
        self._reboot = answer[0] and ("reboot", "") in action.does
        return answer

    def _feed(self, entry: PointEntry | None) -> None:
        """What is answered here is a sign of the host all the same, which firmware may watch for."""
        if entry is not None and "watchdog" in self.vow.parts:
            state = self._question(self.vow.system_name("state") or "")
            self._told([_Step(state.request, state.answer, lambda fields: (True, ()))])

    def _told(self, steps: list[_Step]) -> Answer:
        if self.answer is None:
            raise _Ask(steps)
        answer, self.answer = self.answer, None
        return answer

    def _question(self, name: str) -> _Step:
        phrase = self.book.asks[name]
        return _Step(phrase.request.text, phrase.answer, self._value_of(name))

    def _value_of(self, name: str) -> Callable[[Mapping[str, str]], Answer | None]:
        spelling = self.book.spellings[name]

        def value(fields: Mapping[str, str]) -> Answer | None:
            words = spelling.value(fields["value" if "value" in fields else name])
            return None if words is None else (True, words)

        return value


class Translator:
    """Between a host that speaks wire version 1 and firmware that speaks the dialect of `book`.

    `character_ns`: how long a character takes on the firmware's wire; `way_ns`: how long an answer may be on
    its way besides. Take `for_firmware` and `for_host` after every call, and call `advance` at `due_ns`.
    """

    def __init__(self, book: Phrasebook, character_ns: int = 0, way_ns: int = 0) -> None:
        self.book = book
        self.asked = 0
        """Requests that the firmware was sent."""
        self._front = _Front(book)
        self._front.output.clear()
        self._character_ns = character_ns
        self._way_ns = way_ns
        self._framer = Framer(LONGEST, None)
        self._to_firmware = bytearray()
        self._line: bytes | Overlong | None = None
        """The host's, that the firmware is being asked about."""
        self._steps: list[_Step] = []
        self._agreed = False
        """The firmware has answered the first of several steps."""
        self._unanswered = False
        """A step was sent that nothing answers unless it is refused."""
        self._refused: Answer | None = None
        """It was; the answer to the step behind it is still to come."""
        self._due_ns = 0
        self._held_ns: int | None = None
        """Until then an answer that was late may come: nothing is asked."""

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host."""
        self.advance(now_ns)
        self._front.receive(data, now_ns)
        self._work(now_ns)

    def hear(self, data: bytes, now_ns: int) -> None:
        """Bytes from the firmware."""
        self._due_ns += len(data) * self._character_ns
        if self.book.end == b"\r":
            data = data.replace(b"\r", b"\n")
        for line in self._framer.feed(data, now_ns):
            self._heard(line, now_ns)
        self._work(now_ns)

    def advance(self, now_ns: int) -> None:
        """Let it be so late."""
        if self._held_ns is not None and now_ns >= self._held_ns:
            self._held_ns = None
        if self._line is not None and now_ns > self._due_ns:
            self._line = None
            self._held_ns = now_ns + self.book.deadline_ns
        self._work(now_ns)

    def due_ns(self) -> int | None:
        """When to call `advance` at the latest; None for never."""
        return self._due_ns + 1 if self._line is not None else self._held_ns

    def booted(self, now_ns: int) -> None:
        """The firmware has booted: whatever was asked or begun is forgotten."""
        self._line = self._held_ns = None
        self._front.lines.clear()
        self._framer.reset()
        self._to_firmware.clear()
        self._front.boot("power", now_ns)

    def for_firmware(self) -> bytes:
        """What is to be sent to the firmware, drained."""
        data = bytes(self._to_firmware)
        self._to_firmware.clear()
        return data

    def for_host(self) -> bytes:
        """What is to be sent to the host, drained."""
        return self._front.take()

    # ---------------------------------------------------------------------------------------------- the work

    def _work(self, now_ns: int) -> None:
        """Answer the host's lines in their order, as far as that can be done now."""
        while self._line is None and self._held_ns is None and self._front.lines:
            line = self._front.lines.popleft()
            try:
                self._front.judge(line, now_ns)
            except _Ask as ask:
                self._line, self._steps, self._agreed = line, ask.steps, False
                self._unanswered, self._refused = False, None
                self._send(now_ns)

    def _send(self, now_ns: int) -> None:
        """Send the step at hand, and those before it that nothing answers."""
        while True:
            data = self._steps[0].request.encode("ascii") + self.book.end
            self._to_firmware += data
            self.asked += 1
            self._due_ns = now_ns + self.book.deadline_ns + self._way_ns + len(data) * self._character_ns
            if self._steps[0].answer is not None:
                return
            self._unanswered = True
            self._steps.pop(0)

    def _heard(self, line: bytes | Overlong, now_ns: int) -> None:
        text = line.decode("latin-1") if isinstance(line, bytes) else "(a line without end)"
        if any(template.read(text) is not None for template in self.book.aside):
            return
        if self._held_ns is not None:
            return  # what was asked for too long ago
        if self._line is None:
            self._stray(text)
            return
        step = self._steps[0]
        assert step.answer is not None
        fields = step.answer.read(text)
        if fields is not None:
            answer = self._refused or step.meaning(fields)
            if answer is None and len(self._steps) > 1:
                self._steps.pop(0)
                self._agreed = True
                self._send(now_ns)
                return
            if answer is not None:
                self._answer(answer, now_ns)
                return
        for template, reason in self.book.refusals:
            if template.read(text) is not None:
                no = self._refused or (False, (reason or UNSAID,))
                if self._unanswered and self._refused is None:
                    self._refused = no
                else:  # it was put, perhaps, and only what was made of it is not told
                    self._answer((True, (UNSAID,)) if self._agreed else no, now_ns)
                return
        self._line = None
        self._stray(text)

    def _answer(self, answer: Answer, now_ns: int) -> None:
        line, self._line = self._line, None
        assert line is not None
        self._front.answer = answer
        self._front.judge(line, now_ns)

    def _stray(self, text: str) -> None:
        shown = "".join(each if " " <= each <= "~" else "?" for each in text)
        self._front.output += STRAY + shown.encode("ascii") + b"\n"
