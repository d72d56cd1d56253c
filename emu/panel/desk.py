"""Where the page's wishes are done in the emulator's thread; the server takes it for its rig endpoint."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from wirevow.emu.panel.bell import Bell
from wirevow.protocol.errors import WirevowError

T = TypeVar("T")


class Closed(WirevowError):
    """The emulator has ended."""


class Desk:
    """Satisfies `wirevow.emu.ports.server.RigDesk`."""

    def __init__(self) -> None:
        self._bell = Bell()
        self._asked: deque[Callable[[], None]] = deque()
        self._closed = False

    async def do(self, what: Callable[[], T]) -> T:
        """Call `what` in the emulator's thread; what it returns or raises. Closed."""
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def settle(result: T | None, error: BaseException | None) -> None:
            if done.cancelled():
                return
            if error is not None:
                done.set_exception(error)
            else:
                done.set_result(result)  # type: ignore[arg-type]

        def call() -> None:
            result, failed = None, None
            try:
                result = what()
            except Exception as error:
                failed = error
            with suppress(RuntimeError):  # the loop has ended: nobody waits any more
                loop.call_soon_threadsafe(settle, result, failed)

        self._asked.append(call)
        self._bell.ring()
        if self._closed:
            # Unless the emulator has come to it at its very end, nobody will.
            with suppress(ValueError):
                self._asked.remove(call)
                raise Closed("the emulator has ended")
        return await done

    @property
    def descriptor(self) -> int | None:
        return self._bell.descriptor

    def watched(self) -> list[int]:
        return [self._bell.descriptor]

    def wait_s(self) -> float | None:
        return None

    def serve(self) -> None:
        self.hear()

    def hear(self) -> None:
        self._bell.hear()
        while self._asked:
            self._asked.popleft()()

    def close(self) -> None:
        """Whatever still waits is done now, as far as it can be."""
        self._closed = True
        self.hear()
        self._bell.close()
