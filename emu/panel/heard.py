"""What answers that were overheard tell of an instrument's points.

Firmware tells its values on the wire only: whoever asks, page or host program, the page learns from it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from contextlib import suppress

from wirevow.emu.panel.port import CUT, Lines, Piece
from wirevow.protocol.client.values import BadValue, plain
from wirevow.protocol.vow import Vow

MOST_WAITING = 64
"""Requests without an answer; older ones will get none."""


class Heard:
    """Values by point, as they are written on the wire, without the unit."""

    def __init__(self, vow: Vow) -> None:
        self.values: dict[str, str] = {}
        self._vow = vow
        self._lines = Lines()
        self._waiting: deque[list[str]] = deque(maxlen=MOST_WAITING)

    def learn(self, pieces: Iterable[Piece]) -> None:
        """Requests are answered in order, and notices are none of the answers (`wire.order`)."""
        for _, way, line in self._lines.of(pieces):
            words = line.decode("ascii", "replace").split()
            if way == CUT:
                self._waiting.clear()
            elif way == ">" and words:
                self._waiting.append(words)
            elif words and words[0] != "note":
                self._answered(words)

    def _answered(self, answer: list[str]) -> None:
        """A tagged answer is that of the request with its tag (`wire.tag`): those before it were lost."""
        while self._waiting:
            request = self._waiting.popleft()
            if answer[0][0] != "@" or answer[0] == request[0]:
                self._told(_bare(request), _bare(answer))
                return

    def _told(self, request: list[str], answer: list[str]) -> None:
        verb, name, *_ = (*request, "", "")
        entry = self._vow.points.get(name)
        if verb in ("ask", "put") and entry is not None and entry.kind != "record" and answer[:1] == ["ok"]:
            words = answer[1:]
            with suppress(BadValue):  # not this request's, or of firmware that is wrong: no value is shown
                plain(entry, tuple(words))
                if words:
                    self.values[name] = words[0] if entry.scale is not None else " ".join(words)


def _bare(words: list[str]) -> list[str]:
    """Without a tag and a check."""
    return [word for word in words if word[0] not in "@~"]
