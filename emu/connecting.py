"""`wirevow.connect` and its twin: a client of the instrument at a port, from a document's name or file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from os import PathLike
from typing import TYPE_CHECKING
from uuid import uuid4

from wirevow.emu.loading import load
from wirevow.protocol.client.surface import RECONNECT_S
from wirevow.protocol.client.sync import Client
from wirevow.protocol.vow import Vow

if TYPE_CHECKING:
    from wirevow.emu.ports.rig import InstrumentRig
    from wirevow.protocol.client.aio import AsyncClient


def connect(
    url: str,
    doc: str | PathLike[str] | Vow,
    *,
    checks: bool | None = None,
    keep_alive: float = 2.0,
    reconnect: float = RECONNECT_S,
) -> Client:
    """The instrument of `doc` at `url`, a device or any URL of pyserial; for a `with` block.

    `checks`: every line carries a check; by default on real ports. `keep_alive`: seconds between questions
    while the client sleeps, so that the instrument's link watchdog is fed. `reconnect`: seconds for which a
    port that was lost is looked for. Raises WirevowError: WrongInstrument if its digest is another.
    """
    vow = doc if isinstance(doc, Vow) else load(doc)
    return Client(url, vow, checks=checks, keep_alive_s=keep_alive, reconnect_s=reconnect)


@contextmanager
def connected(
    url: str, vow: Vow, reconnect: float = RECONNECT_S
) -> Iterator[tuple[Client, InstrumentRig | None]]:
    """The client of `vow` at `url`, and the hands on its bench where it is simulated in this process.

    Made safe at the end of the block. Raises WirevowError.
    """
    from wirevow.emu.ports.address import SCHEME, parse
    from wirevow.emu.ports.world import forget, world_of

    if not url.lower().startswith(SCHEME):
        with connect(url, vow, reconnect=reconnect) as client:
            yield client, None
        return
    given = parse(url).name
    name = given or uuid4().hex
    named = url if given else f"{url}{'&' if '?' in url else '?'}name={name}"
    try:
        with connect(named, vow) as client:
            yield client, world_of(parse(named)).rig
    finally:
        if given is None:
            forget(name)


def connect_async(
    url: str,
    doc: str | PathLike[str] | Vow,
    *,
    checks: bool | None = None,
    keep_alive: float = 2.0,
    reconnect: float = RECONNECT_S,
) -> AsyncClient:
    """The same for asyncio, without a thread: `async with wirevow.connect_async(...) as tarn`.

    `url` is a device, `socket://HOST:PORT`, or `emu://NAME`, an instrument of its own on the loop's clock:
    time is real, or in a `wirevow.VirtualLoop` jumps to what is waited for.
    """
    from wirevow.emu.ports.address import SCHEME
    from wirevow.emu.ports.aio import InProcess
    from wirevow.protocol.client.aio import AsyncClient

    vow = doc if isinstance(doc, Vow) else load(doc)
    opened = InProcess(url) if url.lower().startswith(SCHEME) else None
    return AsyncClient(url, vow, opened=opened, checks=checks, keep_alive_s=keep_alive, reconnect_s=reconnect)
