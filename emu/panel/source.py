"""What a page looks at: an instrument, simulated or real."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from wirevow.emu.panel.port import Piece
from wirevow.protocol.vow import Vow


@dataclass(slots=True)
class Glance:
    """The instrument at one instant."""

    seconds: float
    """Its clock."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Points as they are written on the wire, without the unit; those that are known."""
    pieces: Sequence[Piece] = ()
    """What has passed at the port since the last glance."""
    dropped: int = 0
    """Pieces before them that nobody kept."""
    port: str = "nobody"
    """Who has the port: `page`, `program` or `nobody`."""
    times: int = 1
    """How fast time passes; 0 while it stands."""
    powered: bool = True
    events: Mapping[str, str] = field(default_factory=dict)
    """What was made to happen on the bench, and not since undone."""
    trouble: str = ""
    """Why nothing more is to be seen, if so."""


class Source(Protocol):
    """An instrument that a page looks at. Everything raises WirevowError."""

    vow: Vow
    kind: str
    """`simulated` or `real`."""
    address: str
    """Where its port is, or what it is."""
    wired: Mapping[str, object]
    """What is wired to it, where that is known: `title`, `means` and `timeline`."""
    every_s: float
    """How often it is looked at while a page is open."""

    @property
    def events(self) -> Sequence[str]:
        """Bench events that can be made to happen."""
        ...

    async def start(self) -> None:
        """Let it run, in the loop of the pages."""
        ...

    async def glance(self) -> Glance:
        """Look at it."""
        ...

    async def say(self, line: str) -> str:
        """Send one request line, as the host; its answer."""
        ...

    async def act(self, name: str, number: int = 0) -> str:
        """Do an action, with the ticket that it needs or the number that it takes; the answer."""
        ...

    async def take(self, wanted: bool) -> None:
        """Be the host from now on, or let go: safe, where it is real."""
        ...

    async def lend(self, wanted: bool) -> None:
        """Leave the port to a check from now on, settled as nobody's; or take it back."""
        ...

    async def bench(self, event: str, value: str | None) -> None:
        """Make something happen around it."""
        ...

    async def power(self, on: bool) -> None:
        """Give or cut its own supply."""
        ...

    async def reset(self) -> None:
        """Pull its reset pin."""
        ...

    async def speed(self, times: int) -> None:
        """Let time pass so many times as fast; 0 holds it."""
        ...

    async def advance(self, seconds: float) -> None:
        """Let so much time pass while it is held."""
        ...

    async def close(self) -> None:
        """Leave nothing behind."""
        ...
