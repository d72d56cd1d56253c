"""`wirevow.connect`: a client of the instrument at a port, from a document's name or file."""

from __future__ import annotations

from os import PathLike

from wirevow.emu.loading import load
from wirevow.protocol.client.surface import RECONNECT_S
from wirevow.protocol.client.sync import Client
from wirevow.protocol.vow import Vow


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
