"""The instrument's port, shared: by host programs, of which one at a time has it, and by the page.

A serial wire has one host. The page is that host only while no program is there; when one comes, the page
lets go. Whoever it is, all that passes is overheard.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence

from wirevow.emu.panel.bell import Bell
from wirevow.emu.ports.endpoint import Endpoint, Host

KEPT = 4000
"""Pieces that wait to be shown; older ones are dropped and counted."""

LONGEST_LINE = 400
"""Characters of a line that are shown."""

Piece = tuple[int, str, bytes]
"""When (ns), which way (`>` to the instrument, `<` from it, or `CUT`), and what."""
CUT = ""
"""Instead of a way: what was said before has no end and no answer after, for one side has begun anew."""


class Overheard:
    """What passes at the port, until somebody takes it. Appending is all that is done on the short way."""

    def __init__(self, now_ns: Callable[[], int]) -> None:
        self.now_ns = now_ns
        self._pieces: deque[Piece] = deque(maxlen=KEPT)
        self._came = 0

    def add(self, way: str, data: bytes) -> None:
        self._came += 1
        self._pieces.append((self.now_ns(), way, data))

    def cut(self) -> None:
        """Another host is there, or the instrument has started again."""
        self.add(CUT, b"")

    def take(self) -> tuple[list[Piece], int]:
        """The pieces since the last time, and how many before them were dropped."""
        pieces = list(self._pieces)
        dropped = self._came - len(pieces)
        if dropped:
            pieces.insert(0, (pieces[0][0], CUT, b""))
        self._pieces.clear()
        self._came = 0
        return pieces, dropped


class Lines:
    """Pieces as whole lines, each with the time of its end; of one that has got too long, the beginning."""

    def __init__(self) -> None:
        self._begun = {">": b"", "<": b""}

    def of(self, pieces: Iterable[Piece]) -> list[Piece]:
        """Those that end in these pieces, and the cuts between them."""
        lines: list[Piece] = []
        for now_ns, way, data in pieces:
            if way == CUT:
                self._begun = {">": b"", "<": b""}
                lines.append((now_ns, CUT, b""))
                continue
            *whole, rest = (self._begun[way] + data).split(b"\n")
            self._begun[way] = rest[:LONGEST_LINE]
            lines += [(now_ns, way, line) for line in whole]
        return lines


class PageHost:
    """The page as a host. What it sends comes from another thread; what it gets goes to `heard`."""

    def __init__(self, heard: Callable[[bytes], None]) -> None:
        self._heard = heard
        self._lines: deque[bytes] = deque()
        self._bell = Bell()
        self.descriptor = self._bell.descriptor

    def send(self, data: bytes) -> None:
        """From any thread."""
        self._lines.append(data)
        self._bell.ring()

    def read(self) -> bytes:
        self._bell.hear()
        if not self._lines:
            raise BlockingIOError
        return b"".join(self._lines.popleft() for _ in range(len(self._lines)))

    def write(self, data: bytes) -> int:
        self._heard(data)
        return len(data)

    def close(self) -> None:
        self._bell.close()


class _Overhearing:
    """A host whose bytes are overheard."""

    __slots__ = ("_add", "_host", "descriptor")

    def __init__(self, host: Host, overheard: Overheard) -> None:
        self._host = host
        self._add = overheard.add
        self.descriptor = host.descriptor

    def read(self) -> bytes:
        data = self._host.read()
        if data:
            self._add(">", data)
        return data

    def write(self, data: bytes) -> int:
        written = self._host.write(data)
        if written:
            self._add("<", data[:written])
        return written


class SharedPort:
    """An endpoint that gives its place to the page while nobody else is there.

    `page_has_it` is called with whether it does, whenever that changes; in the server's thread.
    """

    def __init__(
        self, outer: Endpoint, page: PageHost, overheard: Overheard, page_has_it: Callable[[bool], None]
    ) -> None:
        self._outer = outer
        self._page = page
        self._overheard = overheard
        self._page_has_it = page_has_it
        self._wanted = False
        self._paged = False
        self._known: Host | None = None
        self._bell = Bell()
        self.address = outer.address
        self.look_again_s = outer.look_again_s
        self.host: Host | None = None

    def want(self, wanted: bool) -> None:
        """Whether the page wants the port; from any thread."""
        self._wanted = wanted
        self._bell.ring()

    @property
    def who(self) -> str:
        """Who has the port: `page`, `program` or `nobody`."""
        return "page" if self._paged else "nobody" if self.host is None else "program"

    def watched(self) -> Sequence[int]:
        return [self._bell.descriptor, *self._outer.watched()]

    def changes(self) -> list[bool]:
        self._bell.hear()
        return self._settled(self._outer.changes())

    def lost(self) -> list[bool]:
        return [] if self._paged else self._settled(self._outer.lost())

    def _settled(self, told: list[bool]) -> list[bool]:
        self.look_again_s = self._outer.look_again_s
        present = self._outer.host
        changes: list[bool] = []
        if self._paged and (told or present is not None or not self._wanted):
            changes.append(False)
            self._turn(False)
        changes += told
        if present is not None:
            self._wanted = False
        elif self._wanted and not self._paged:
            changes.append(True)
            self._turn(True)
        host: Host | None = self._page if self._paged else present
        if host is not self._known:
            self._known = host
            self._overheard.cut()
            self.host = None if host is None else _Overhearing(host, self._overheard)
        return changes

    def _turn(self, paged: bool) -> None:
        self._paged = paged
        self._page_has_it(paged)

    def last_words(self) -> bytes:
        words = self._outer.last_words()
        if words:
            self._overheard.add(">", words)
            self._overheard.cut()
        return words

    def close(self) -> None:
        self._outer.close()
        self._page.close()
        self._bell.close()
