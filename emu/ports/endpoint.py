"""What a server asks of the place where hosts come in."""

from collections.abc import Sequence
from typing import Protocol


class Endpoint(Protocol):
    """A place at which at most one host talks to the instrument, by file descriptors."""

    address: str
    """What a host opens, as pyserial spells it."""
    host: int | None
    """Descriptor for the present host's bytes (not blocking), None while there is none."""
    look_again_s: float | None
    """Ask `changes` at least this often: no descriptor tells."""

    def watched(self) -> Sequence[int]:
        """Descriptors that become readable when `changes` may have something to tell."""

    def changes(self) -> list[bool]:
        """Which hosts came (True) and went (False) since the last call, in order."""

    def lost(self) -> list[bool]:
        """The host's descriptor gave its end. The changes, as from `changes`."""

    def last_words(self) -> bytes:
        """What a host that is gone already had still sent."""

    def close(self) -> None:
        """Leave nothing behind."""
