"""What answers that were overheard tell of an instrument's points.

Firmware tells its values on the wire only: whoever asks, page or host program, the page learns from it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from wirevow.emu.panel.port import Piece
from wirevow.protocol.vow import Vow

MOST_WAITING = 64
"""Requests without an answer; older ones will get none."""


class Heard:
    """Values by point, as they are written on the wire, without the unit."""

    def __init__(self, vow: Vow) -> None:
        self.values: dict[str, str] = {}
        self._vow = vow
        self._begun = {">": b"", "<": b""}
        self._waiting: deque[list[str]] = deque(maxlen=MOST_WAITING)

    def learn(self, pieces: Iterable[Piece]) -> None:
        """Requests are answered in order, and notices are none of the answers (`wire.order`)."""
        for _, way, data in pieces:
            *lines, rest = (self._begun[way] + data).split(b"\n")
            self._begun[way] = rest
            for line in lines:
                words = line.decode("ascii", "replace").split()
                if way == ">" and words:
                    self._waiting.append(_bare(words))
                elif words and words[0] != "note" and self._waiting:
                    self._answered(self._waiting.popleft(), _bare(words))

    def _answered(self, request: list[str], answer: list[str]) -> None:
        verb, name, *_ = (*request, "", "")
        entry = self._vow.points.get(name)
        if verb in ("ask", "put") and entry is not None and entry.kind != "record" and answer[:1] == ["ok"]:
            words = answer[1:]
            if words:
                self.values[name] = words[0] if entry.scale is not None else " ".join(words)


def _bare(words: list[str]) -> list[str]:
    """Without a tag and a check."""
    return [word for word in words if word[0] not in "@~"]
