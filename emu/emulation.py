"""The simulated instrument of a document in this process, for as long as a `with` block lasts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike
from urllib.parse import quote, urlencode
from uuid import uuid4

from wirevow.emu.ports.address import SCHEME, parse
from wirevow.emu.ports.world import forget, world_of


@dataclass(frozen=True, slots=True)
class Emulation:
    """A running instrument. Its time passes while a host waits for it."""

    url: str
    """Opens its port, again and again: `serial.serial_for_url(url)`."""


@contextmanager
def emulate(
    doc: str | PathLike[str],
    *,
    bench: str | PathLike[str] | None = None,
    seed: int = 0,
    fault: str | None = None,
) -> Iterator[Emulation]:
    """Run the instrument of `doc` (a file, or the name of a ready document), forgotten after the block.

    `bench` says what is wired to it (a file, or a ready one's name), `fault` breaks it in one way on purpose,
    `seed` is of its noise and tickets. Raises WirevowError.
    """
    name = uuid4().hex
    given = {"bench": None if bench is None else str(bench), "seed": str(seed), "fault": fault, "name": name}
    query = urlencode({key: value for key, value in given.items() if value is not None})
    url = f"{SCHEME}{quote(str(doc))}?{query}"
    world_of(parse(url))
    try:
        yield Emulation(url)
    finally:
        forget(name)
