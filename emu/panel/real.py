"""An instrument at a port, which may be real: it is only asked, until somebody takes control.

Asking feeds its link watchdog, as every accepted request does. Nothing carries a check before somebody takes
control: the first checked request would turn the guard on, which is a change.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping, Sequence

from wirevow.emu.panel.port import Overheard
from wirevow.emu.panel.source import Glance
from wirevow.protocol.client.aio import AsyncClient
from wirevow.protocol.client.failures import Refused
from wirevow.protocol.client.operations import Operation
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

ROTATING = 8
"""Settings and the like that are asked at one look; readings and the state are asked at each."""
AGAIN_S = 1.0
"""A port that cannot be used is tried again so often."""
NOT_HERE = "that is done to a simulated instrument: what is around a real one is yours"


class Watched:
    """Satisfies `wirevow.emu.panel.source.Source`."""

    kind = "real"
    every_s = 0.2
    wired: Mapping[str, object] = {}
    events: Sequence[str] = ()

    def __init__(self, url: str, vow: Vow) -> None:
        self.vow = vow
        self.address = url
        self._begun_s = time.monotonic()
        self._overheard = Overheard(lambda: round((time.monotonic() - self._begun_s) * 1e9))
        self._client: AsyncClient | None = None
        self._controlled = False
        self._lent = False
        self._free = asyncio.Lock()
        """Held by whatever opens, asks or closes."""
        self._values: dict[str, str] = {}
        state, last = vow.system_name("state"), vow.system_name("last_trip")
        asked = [entry.name for entry in vow.points.values() if entry.kind != "record"]
        self._fast = [
            name
            for name in asked
            if vow.points[name].source in ("signal", "derived") or name in (state, last)
        ]
        self._slow = [name for name in asked if name not in self._fast]
        self._next = 0

    async def start(self) -> None:
        """The port is opened at the first look."""

    async def glance(self) -> Glance:
        trouble = ""
        try:
            async with self._free:
                if not self._lent:
                    await self._ask()
        except WirevowError as error:
            trouble = error.message
            await asyncio.sleep(AGAIN_S)
        pieces, dropped = self._overheard.take()
        return Glance(
            time.monotonic() - self._begun_s,
            {} if trouble else dict(self._values),
            pieces,
            dropped,
            "check" if self._lent else "page",
            trouble=trouble,
        )

    async def _ask(self) -> None:
        if self._client is None:
            client = AsyncClient(
                self.address, self.vow, checks=False, reconnect_s=AGAIN_S, overheard=self._overheard.add
            )
            await client.open()
            client.host.dialogue.checks = self._controlled
            self._client = client
        turn = [self._slow[(self._next + index) % len(self._slow)] for index in range(ROTATING)]
        self._next += ROTATING
        names = list(dict.fromkeys((*self._fast, *turn)))
        for name, words in zip(names, await self._client.run(self._client.host.ask(names)), strict=True):
            self._values[name] = words[0] if self.vow.points[name].scale is not None else " ".join(words)

    # ----------------------------------------------------------------------------------------------- control

    async def take(self, wanted: bool) -> None:
        """Let what changes something pass from now on; or no more, after the instrument was made safe."""
        client = self._client
        if wanted:
            if client is None:
                raise WirevowError(f"{self.address}: there is no instrument yet")
            client.host.dialogue.checks = True
            self._controlled = True
        elif self._controlled:
            self._controlled = False
            if client is not None:
                try:
                    await client.run(client.host.make_safe())
                    client.host.changed = False
                finally:
                    client.host.dialogue.checks = False

    async def lend(self, wanted: bool) -> None:
        async with self._free:
            self._lent = wanted
            if wanted and self._client is not None:
                client, self._client = self._client, None
                await client.close()

    async def say(self, line: str) -> str:
        verb, _, rest = line.partition(" ")
        name, *words = rest.split() or [""]
        client = self._driven()
        if verb == "ask" and name in self.vow.points:
            return await _told(client, client.host.ask([name], tuple(words)))
        if name in {"put": self.vow.points, "act": self.vow.actions}.get(verb, {}):
            return await _told(client, client.host.change(verb, name, tuple(words)))
        raise WirevowError(
            "write ask, put or act and a name of the document: a real one is sent nothing else"
        )

    async def act(self, name: str, number: int = 0) -> str:
        if name not in self.vow.actions:
            raise WirevowError(f"there is no action {name}")
        client = self._driven()
        return await _told(client, client.host.act(name, number if self.vow.actions[name].many else None))

    def _driven(self) -> AsyncClient:
        if self._lent:
            raise WirevowError("a check has the port: stop it, or wait until it has ended")
        if self._client is None or not self._controlled:
            raise WirevowError("nobody has taken control of this instrument")
        return self._client

    async def close(self) -> None:
        """It is made safe if anything was put or done. UnsafeEnd if that failed."""
        if self._client is not None:
            await self._client.close()

    # ------------------------------------------------------------------------------------------- the world

    async def bench(self, event: str, value: str | None) -> None:
        raise WirevowError(NOT_HERE)

    async def power(self, on: bool) -> None:
        raise WirevowError(NOT_HERE)

    async def reset(self) -> None:
        raise WirevowError(NOT_HERE)

    async def speed(self, times: int) -> None:
        raise WirevowError(NOT_HERE)

    async def advance(self, seconds: float) -> None:
        raise WirevowError(NOT_HERE)


async def _told(client: AsyncClient, operation: Operation[object]) -> str:
    """What the instrument answered, as it is written on the wire."""
    try:
        found = await client.run(operation)
    except Refused as error:
        return " ".join(("refuse", error.reason, *error.details))
    if isinstance(found, list):
        found = found[0]
    return " ".join(("ok", *(found if isinstance(found, tuple) else [found] if found else [])))
