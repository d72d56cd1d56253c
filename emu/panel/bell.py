"""A bell that one thread rings for another, which waits for it as for any descriptor."""

from __future__ import annotations

import socket
from contextlib import suppress


class Bell:
    """However often it is rung before it is heard, it is heard once. After `close` nobody hears it."""

    def __init__(self) -> None:
        self._inside, self._outside = socket.socketpair()
        self._inside.setblocking(False)
        self._outside.setblocking(False)
        self.descriptor = self._inside.fileno()
        """Readable while it has been rung."""

    def ring(self) -> None:
        """From any thread."""
        with suppress(OSError):  # rung so often that more does not fit; or closed
            self._outside.send(b"x")

    def hear(self) -> None:
        """It is quiet again."""
        with suppress(BlockingIOError):
            self._inside.recv(4096)

    def close(self) -> None:
        self._inside.close()
        self._outside.close()
