"""What a port asks of an instrument. Bytes and instants in, bytes and instants out; no I/O."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from wirevow.emu.firmware.coverage import Coverage


class Instrument(Protocol):
    """A simulated instrument as its serial port and its bench see it.

    Instants are integer nanoseconds and never go back from call to call.
    """

    @property
    def now_ns(self) -> int:
        """The instant it has been run to."""

    @property
    def bench_events(self) -> Collection[str]:
        """Names that `bench` understands."""

    def receive(self, data: bytes, now_ns: int) -> None:
        """Run to `now_ns`, then take these bytes from the host."""

    def advance(self, now_ns: int) -> None:
        """Run to `now_ns`."""

    def next_event_ns(self) -> int | None:
        """Earliest instant at which something may happen unasked, or None for never.

        It may be early but never late, and it is later than the instant run to, so that waiting
        for it always makes progress.
        """

    def take(self) -> bytes:
        """What goes to the host now, drained. A port calls this only when the transmitter is free."""

    def opened(self, now_ns: int) -> None:
        """A host has opened the port."""

    def closed(self, now_ns: int) -> None:
        """The host has closed it."""

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        """Something happens on the bench. ValueError, with the remedy, if it cannot."""

    def power(self, on: bool, now_ns: int) -> None:
        """The supply of the instrument itself comes or goes."""

    def reset(self, now_ns: int) -> None:
        """Its reset pin is pulled."""


@runtime_checkable
class Wired(Protocol):
    """What an instrument with a wire of its own inside, in which bytes take their time, has besides."""

    def bypass(self, bypassed: bool) -> None:
        """While bypassed, bytes and what they ask for take no time."""


@runtime_checkable
class Storing(Protocol):
    """An instrument whose store can be written from outside, as by firmware that ran before."""

    @property
    def stores(self) -> bool:
        """Whether it is known where its firmware looks."""

    def keep(self, image: bytes) -> None:
        """Its store holds this image and no other (`wire.store`); the supply is off meanwhile."""


@runtime_checkable
class Slow(Protocol):
    """What an instrument with a front panel on its pins has besides."""

    @property
    def slow_events(self) -> Collection[str]:
        """Of `bench_events`, those that take time."""


@runtime_checkable
class Interruptible(Protocol):
    """Firmware whose supply can go in the middle of what it does."""

    def cut_after(self, steps: int) -> None:
        """It does so many more steps, and no other until its supply comes back: bytes written to the store,
        or on a chip characters' times of work."""


@runtime_checkable
class Covered(Protocol):
    """Firmware that tells what of it has been reached, if that was asked for when it was built."""

    def ways(self) -> int:
        """A number with a bit for every instruction, and every way of a branch, that has been reached."""

    def coverage(self) -> Coverage:
        """The lines and branches of its C."""


@runtime_checkable
class Repeated(Protocol):
    """What an instrument may have besides, so that thousands of bench events at one instant are quick."""

    def repeat(self, event: str, values: Sequence[str], times: int, now_ns: int) -> None:
        """As `bench` with each of these words in turn, and that so many times."""


@runtime_checkable
class Stepping(Protocol):
    """What an instrument has besides that runs firmware step by step, so that a long time takes long."""

    step_ns: int
    """How far it goes in one step."""


@runtime_checkable
class Pausing(Protocol):
    """What an instrument may have besides, so that hours of silence pass in one call.

    Without it a port has to look at every `next_event_ns` whether there is something to send.
    """

    def advance_to_output(self, to_ns: int) -> None:
        """Run to `to_ns`, but stop at the first instant at which `take` gives something."""


@runtime_checkable
class LookingAhead(Protocol):
    """What an instrument whose next event may be told early has besides."""

    def look_ahead(self) -> None:
        """Let `next_event_ns` be no earlier than it has to."""


@runtime_checkable
class Drawing(Protocol):
    """What an instrument whose tickets need not follow from its seed has besides."""

    def draw_tickets(self, chance: Callable[[], int | None]) -> None:
        """Draw tickets from what `chance` gives, 16 bits; where it gives None, the seed decides."""
