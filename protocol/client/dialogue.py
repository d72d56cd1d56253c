"""The host's half of the wire, without I/O: requests become lines, lines become answers and notices.

Bytes go in with the time they came, bytes come out; time is integer nanoseconds of any clock. Another event
loop, or a port to another language, can stand on this module alone.

Exactly once (`wire.once`): every request has a tag. The instrument remembers the last tagged request only,
so a `put` or an `act` travels alone: it is sent when nothing waits for an answer, nothing follows until it
has its own. Without an answer the same bytes are sent again, after an LF that ends what noise may have begun.
Reads may be done twice, so as many of them travel together as the instrument lets wait (`wire.pipeline`).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from wirevow.protocol.framing import Framer
from wirevow.protocol.message import Notice, Reply, Request, parse_answer

ATTEMPTS = 6
"""Times a line is sent before it is given up."""
LAST_TAG = 0xFFFF


@dataclass(eq=False, slots=True)
class Call:
    """One request on its way."""

    request: Request
    line: bytes
    most: int = ATTEMPTS
    """Times it may be sent."""
    attempts: int = 0
    sent_ns: int = 0
    reply: Reply | None = None
    refusals: tuple[tuple[str, ...], ...] = ()
    """What came back without a tag while it alone was on its way."""
    damaged: bool = field(default=False, repr=False)
    """Send it again at once: what came back shows that it, or its answer, was damaged."""

    @property
    def changes(self) -> bool:
        """Whether it must not be done twice."""
        return self.request.verb != "ask"


class Dialogue:
    """What is to be sent, what waits for an answer, and what has come.

    `timeout_ns`: longest wait for an answer before the line is sent again. `pipeline`: reads that may wait
    together. `checks`: every request carries a check, and answers without one are not believed.
    """

    def __init__(self, *, line_limit: int, pipeline: int, timeout_ns: int, checks: bool, tag: int) -> None:
        self.checks = checks
        self.timeout_ns = timeout_ns
        self._pipeline = pipeline
        self._framer = Framer(4 * line_limit + 64, None)
        self._tag = tag % (LAST_TAG + 1)
        self._queue: deque[Call] = deque()
        self._waiting: list[Call] = []
        self.strays = 0
        """Lines that were no answer to anything: noise, or answers that came twice."""

    def submit(self, verb: str, name: str, arguments: tuple[str, ...] = (), most: int = ATTEMPTS) -> Call:
        """A request that goes out with the next `to_send`, at most so many times."""
        self._tag = (self._tag + 1) % (LAST_TAG + 1)
        request = Request(f"@{self._tag:x}", verb, name, arguments, self.checks)
        call = Call(request, request.line() + b"\n", most)
        self._queue.append(call)
        return call

    @property
    def busy(self) -> bool:
        """Whether something is neither answered nor given up."""
        return bool(self._waiting or self._queue)

    def to_send(self, now_ns: int) -> bytes:
        """The bytes that go out now."""
        out = b""
        for call in self._waiting.copy():
            if call.damaged or now_ns - call.sent_ns >= self.timeout_ns:
                if call.attempts >= call.most:
                    self._waiting.remove(call)
                    continue
                out += b"\n" + self._send(call, now_ns)
        while self._queue and self._free(self._queue[0]):
            call = self._queue.popleft()
            self._waiting.append(call)
            out += self._send(call, now_ns)
        return out

    def due_ns(self) -> int | None:
        """When `to_send` has something to do if nothing comes; None for never."""
        waiting = self._waiting
        if len(waiting) == 1:
            return waiting[0].sent_ns + self.timeout_ns
        return min([call.sent_ns for call in waiting]) + self.timeout_ns if waiting else None

    def receive(self, data: bytes, now_ns: int) -> list[Notice]:
        """Take what has come; answers go to their calls, notices are returned."""
        notices: list[Notice] = []
        for line in self._framer.feed(data, now_ns):
            answer = parse_answer(line) if isinstance(line, bytes) else None
            if isinstance(answer, Notice):
                notices.append(answer)
            elif isinstance(answer, Reply) and answer.tag is not None:
                self._answered(answer)
            else:
                self.strays += 1
                if len(self._waiting) == 1 and isinstance(answer, Reply):
                    # `refuse check`, `length` or `syntax` without a tag: it was this one, damaged.
                    self._waiting[0].damaged = True
                    self._waiting[0].refusals += (answer.words,)
        return notices

    def forget(self) -> None:
        """Forget everything that is not answered."""
        self._queue.clear()
        self._waiting.clear()

    def abandon(self) -> None:
        """The same, with what has come of a line: the rest will not."""
        self.forget()
        self._framer.reset()

    def _free(self, call: Call) -> bool:
        if not self._waiting:
            return True
        return not call.changes and not self._waiting[0].changes and len(self._waiting) < self._pipeline

    def _send(self, call: Call, now_ns: int) -> bytes:
        call.attempts += 1
        call.sent_ns = now_ns
        call.damaged = False
        return call.line

    def _answered(self, reply: Reply) -> None:
        for index, call in enumerate(self._waiting):
            if call.request.tag == reply.tag and (reply.checked or not self.checks):
                call.reply = reply
                del self._waiting[index]
                for earlier in self._waiting[:index]:
                    # Answers come in order: an earlier one without its answer has lost it. Once is enough.
                    earlier.damaged = earlier.attempts == 1
                return
        self.strays += 1
