"""Characters under way on one direction of a serial wire.

A character takes ten bits (start, eight data bits, stop). The n-th of a burst is there n characters'
time after the burst began, counted from the beginning: a late wake-up delays nothing that follows.
"""

from collections import deque

BITS = 10
_SECOND_NS = 1_000_000_000


class Wire:
    """One direction. `baud` None: bytes are there as soon as they are sent."""

    __slots__ = ("_bursts", "_free_ns", "_taken", "baud", "queued")

    def __init__(self, baud: int | None) -> None:
        self.baud = baud
        self.queued = 0
        """Bytes sent and not yet taken."""
        self._bursts: deque[tuple[int, bytes]] = deque()
        self._taken = 0
        self._free_ns = 0

    def span_ns(self, characters: int) -> int:
        """How long so many characters take, rounded up."""
        return 0 if self.baud is None else -(-characters * BITS * _SECOND_NS // self.baud)

    def send(self, data: bytes, now_ns: int) -> None:
        """Put bytes on the wire at `now_ns`, behind what is on it."""
        if not data:
            return
        start_ns = max(now_ns, self._free_ns)
        self._bursts.append((start_ns, data))
        self._free_ns = start_ns + self.span_ns(len(data))
        self.queued += len(data)

    def arrived(self, now_ns: int) -> bytes:
        """Take the bytes whose last bit has come by `now_ns`."""
        pieces = []
        while self._bursts:
            start_ns, data = self._bursts[0]
            if self.baud is None or now_ns >= start_ns + self.span_ns(len(data)):
                pieces.append(data[self._taken :])
                self._bursts.popleft()
                self._taken = 0
                continue
            whole = max(0, (now_ns - start_ns) * self.baud // (BITS * _SECOND_NS))
            if whole > self._taken:
                pieces.append(data[self._taken : whole])
                self._taken = whole
            break
        taken = pieces[0] if len(pieces) == 1 else b"".join(pieces)
        self.queued -= len(taken)
        return taken

    def when_ns(self, count: int) -> int | None:
        """When the count-th (from 1) of the bytes not yet taken is there; the last if there are fewer."""
        skip = self._taken
        instant = None
        for start_ns, data in self._bursts:
            left = len(data) - skip
            instant = start_ns + self.span_ns(skip + min(count, left))
            if count <= left:
                break
            count -= left
            skip = 0
        return instant

    def next_ns(self, grain_ns: int | None) -> int | None:
        """When it is worth looking again: an LF, the end of a burst, or `grain_ns` of characters."""
        if not self._bursts:
            return None
        start_ns, data = self._bursts[0]
        line_end = data.find(b"\n", self._taken)
        count = len(data) if line_end < 0 else line_end + 1
        if grain_ns is not None and self.baud is not None:
            grain = max(1, grain_ns * self.baud // (BITS * _SECOND_NS))
            count = min(count, self._taken + grain)
        return start_ns + self.span_ns(count)

    def free_ns(self) -> int:
        """When the last character sent so far has left the sender."""
        return self._free_ns

    def clear(self) -> None:
        """Nobody is there to take what is under way, or the sender withdraws it."""
        self._bursts.clear()
        self._taken = self.queued = self._free_ns = 0

    def pace(self, baud: int | None, now_ns: int) -> None:
        """Another rate from now on; None lets everything that is under way arrive."""
        left = b"".join(data[self._taken if at == 0 else 0 :] for at, (_, data) in enumerate(self._bursts))
        self.clear()
        self.baud = baud
        self._free_ns = now_ns
        self.send(left, now_ns)
