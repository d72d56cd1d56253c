"""An instrument of a few lines, for tests of ports.

`ping WORD` answers `ok WORD`; `time` answers the instant in nanoseconds; `later SECONDS WORD` answers
`ok` and says `note WORD` so much later; `long N` answers N characters; anything else is echoed.
"""

import heapq
from collections import deque


class Fake:
    def __init__(self, notice_queue: int = 4) -> None:
        self.now_ns = 0
        self.bench_events = ("source.voltage", "trigger")
        self.seen: list[tuple[object, ...]] = []
        self.heard = b""
        self._queue = notice_queue
        self._line = b""
        self._replies = bytearray()
        self._notices: deque[bytes] = deque()
        self._due: list[tuple[int, bytes]] = []

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        self.heard += data
        *lines, self._line = (self._line + data).split(b"\n")
        for line in lines:
            match line.split():
                case [b"ping", word]:
                    self._replies += b"ok " + word + b"\n"
                case [b"time"]:
                    self._replies += b"%d\n" % now_ns
                case [b"later", seconds, word]:
                    heapq.heappush(self._due, (now_ns + round(float(seconds) * 1e9), word))
                    self._replies += b"ok\n"
                case [b"long", count]:
                    self._replies += b"x" * (int(count) - 1) + b"\n"
                case _:
                    self._replies += line + b"\n"

    def advance(self, now_ns: int) -> None:
        assert now_ns >= self.now_ns, "time ran backwards"
        self.now_ns = now_ns
        while self._due and self._due[0][0] <= now_ns:
            self._notices.append(b"note " + heapq.heappop(self._due)[1] + b"\n")
            if len(self._notices) > self._queue:
                self._notices.popleft()

    @property
    def output(self) -> bool:
        return bool(self._replies or self._notices)

    def next_event_ns(self) -> int | None:
        return self._due[0][0] if self._due else None

    def take(self) -> bytes:
        data = b"".join(self._notices) + bytes(self._replies)
        self._notices.clear()
        self._replies.clear()
        return data

    def opened(self, now_ns: int) -> None:
        self.advance(now_ns)
        self.seen.append(("opened",))

    def closed(self, now_ns: int) -> None:
        self.advance(now_ns)
        self.seen.append(("closed",))

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self.advance(now_ns)
        if event not in self.bench_events:
            raise ValueError(f"no bench event {event!r}; there are: source.voltage, trigger")
        self.seen.append(("bench", event, value))

    def power(self, on: bool, now_ns: int) -> None:
        self.seen.append(("power", on))

    def reset(self, now_ns: int) -> None:
        self.seen.append(("reset",))


class PausingFake(Fake):
    """One that stops by itself where it has something to say, and is of no help otherwise."""

    def advance_to_output(self, to_ns: int) -> None:
        while not self.output and self._due and self._due[0][0] <= to_ns:
            self.advance(self._due[0][0])
        if not self.output:
            self.advance(to_ns)

    def next_event_ns(self) -> int | None:
        return self.now_ns + 1000
