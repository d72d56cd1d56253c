"""What a plant keeps of its past: pieces, each from one event to the next, as far back as anybody reads."""

from __future__ import annotations

from collections import deque
from typing import Protocol, TypeVar


class _Begun(Protocol):
    start_ns: int


Piece = TypeVar("Piece", bound=_Begun)


class Past(deque[Piece]):
    """Pieces in the order of time; the last goes on."""

    __slots__ = ()

    def begin(self, piece: Piece, oldest_ns: int) -> None:
        """A piece begins. One that began at the same instant never was; what ended by `oldest_ns` goes."""
        if self and self[-1].start_ns == piece.start_ns:
            self.pop()
        self.append(piece)
        while len(self) > 1 and self[1].start_ns <= oldest_ns:
            self.popleft()

    def holding(self, ns: int) -> Piece:
        """The piece that holds at an instant. `ValueError` before the first."""
        for piece in reversed(self):
            if piece.start_ns <= ns:
                return piece
        raise ValueError(
            f"{ns} ns is before the oldest instant kept, {self[0].start_ns} ns: read within horizon_ns"
        )
