"""What a server asks of the place where hosts come in."""

import os
import socket
from collections.abc import Sequence
from typing import Protocol

from wirevow.emu.ports.request_line import begins_http

CHUNK = 4096
"""Most bytes taken from a host at once."""


class Host(Protocol):
    """The bytes of the host that is there. Neither way blocks: BlockingIOError instead."""

    descriptor: int
    """For waiting."""

    def read(self) -> bytes:
        """What it has sent; b"" or OSError at the end."""

    def write(self, data: bytes) -> int:
        """Send some of the bytes; returns how many."""


def heard(host: Host) -> bytes | None:
    """What a host has sent: None if that is nothing yet, b"" if it is gone."""
    try:
        return host.read()
    except BlockingIOError:
        return None
    except OSError:
        return b""


def left_of(data: bytes, host: Host) -> bytes | None:
    """Send bytes to a host: what it does not take yet, None if it is gone."""
    try:
        return data[host.write(data) :]
    except BlockingIOError:
        return data
    except OSError:
        return None


class FileHost:
    """A host behind a file descriptor that does not block."""

    __slots__ = ("descriptor",)

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def read(self) -> bytes:
        return os.read(self.descriptor, CHUNK)

    def write(self, data: bytes) -> int:
        return os.write(self.descriptor, data)


class SocketHost:
    """A host behind a socket that does not block; on some systems those are no files.

    One whose first line is HTTP is a web page: nothing of it is heard, and its end comes at once. Where no
    page can be at the other end (`known`), everything is heard.
    """

    __slots__ = ("_begun", "_held", "_socket", "descriptor")

    def __init__(self, connection: socket.socket, known: bool = False) -> None:
        self._socket = connection
        self.descriptor = connection.fileno()
        self._begun = known
        """It is known not to be HTTP."""
        self._held = b""
        """The first bytes, while they may be either."""

    def read(self) -> bytes:
        data = self._socket.recv(CHUNK)
        return data if self._begun else self._first(data)

    def write(self, data: bytes) -> int:
        return self._socket.send(data)

    def _first(self, data: bytes) -> bytes:
        held, self._held = self._held + data, b""
        http = begins_http(held)
        if http:
            return b""
        if http is None and data:
            self._held = held
            raise BlockingIOError
        self._begun = True
        return held


class Endpoint(Protocol):
    """A place at which at most one host talks to the instrument."""

    address: str
    """What a host opens, as pyserial spells it."""
    host: Host | None
    """The present host, None while there is none."""
    look_again_s: float | None
    """Ask `changes` at least this often: no descriptor tells."""

    def watched(self) -> Sequence[int]:
        """Descriptors that become readable when `changes` may have something to tell."""

    def changes(self) -> list[bool]:
        """Which hosts came (True) and went (False) since the last call, in order."""

    def lost(self) -> list[bool]:
        """The host's descriptor gave its end. The changes, as from `changes`."""

    def last_words(self) -> bytes:
        """What the host that has just gone had still sent, unless the next one may have said it."""

    def close(self) -> None:
        """Leave nothing behind."""
