"""Bytes to lines: the framing of `spec/wire.md`, for either end of the wire.

Rules: `wire.framing` (LF, an optional CR before it, blank lines), `wire.length`, `wire.idle`,
`wire.resync`. A `Framer` does no I/O and reads no clock; it holds at most one line of at most
``limit + 2`` bytes, whatever comes.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Overlong:
    """In place of a line: one longer than `limit` bytes ended here (`refuse length LIMIT`)."""

    limit: int


class Framer:
    """Cuts a stream of bytes into lines.

    `limit`: most bytes of a line, line end not counted. `idle_ns`: longest silence inside a begun
    line, in nanoseconds, or None for any; it may be changed at any time and the next byte is held
    to what is in force when it comes.
    """

    __slots__ = ("_begun", "_head", "_last_ns", "_overlong", "_stale", "idle_ns", "limit")

    def __init__(self, limit: int, idle_ns: int | None) -> None:
        if limit < 1:
            raise ValueError(f"the line limit is {limit}; give at least 1 byte")
        self.limit = limit
        self.idle_ns = idle_ns
        self._overlong = Overlong(limit)
        self._head = b""
        self._begun = False
        self._stale = False
        self._last_ns = 0

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        """The lines that `data`, received at `now_ns`, completes, in order.

        A line comes without its line end and may hold any byte but LF. Blank and idle-broken lines
        yield nothing. The outcome does not depend on how bytes of one instant are cut into calls.
        """
        if not data:
            return []
        if not self._begun and data.find(b"\n") == len(data) - 1:
            # One whole line, as from nearly every host.
            line = data[:-2] if data.endswith(b"\r\n") else data[:-1]
            if not line:
                return []
            return [line if len(line) <= self.limit else self._overlong]
        if self._begun and self.idle_ns is not None and now_ns - self._last_ns > self.idle_ns:
            # A tail must never become a command: what follows, up to the LF, goes the same way.
            self._stale = True
        self._last_ns = now_ns
        pieces = data.split(b"\n")
        tail = pieces.pop()
        events: list[bytes | Overlong] = []
        if pieces:
            if self._begun:
                pieces[0] = b"" if self._stale else self._head + pieces[0]
                self._head = b""
                self._begun = self._stale = False
            limit = self.limit
            for line in pieces:
                if line.endswith(b"\r"):
                    line = line[:-1]
                if not line:
                    continue
                events.append(line if len(line) <= limit else self._overlong)
        if tail:
            self._begun = True
            # Two bytes more than the limit are too long whether or not the last is a CR.
            room = self.limit + 2 - len(self._head)
            self._head += tail[:room]
        return events

    def reset(self) -> None:
        """Forget a begun line, as a boot does; the next byte begins one."""
        self._head = b""
        self._begun = self._stale = False
