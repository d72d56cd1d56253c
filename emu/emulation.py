"""The simulated instrument of a document in this process, for as long as a `with` block lasts.

    with wirevow.emulate("tarn", bench="lithium-pack", seed=7) as run:
        tarn = run.client                      # a `wirevow.Client`; virtual time
        tarn.sink.level.put(2.0)
        tarn.capacity.start()                  # arms and starts
        run.advance(hours=1)                   # the client keeps the link alive; takes no time of yours
        run.bench("ambient", 40.0)             # a bench event of the document
        print(tarn.read("capacity.*"))

A program of your own may open `run.url` with pyserial instead: one host at a time has the port.

On asyncio it is `async with`, and the client is a `wirevow.AsyncClient`. The instrument's clock is the
loop's: real time, or, in a loop of `asyncio.Runner(loop_factory=wirevow.VirtualLoop)`, virtual time, which
`asyncio.sleep` follows too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike
from typing import TYPE_CHECKING
from urllib.parse import quote, urlencode
from uuid import uuid4

from wirevow.emu.ports.address import SCHEME, parse
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.world import World, forget, world_of

if TYPE_CHECKING:
    from wirevow.emu.ports.aio import InProcess
    from wirevow.protocol.client.aio import AsyncClient
    from wirevow.protocol.client.sync import Client


@dataclass(slots=True)
class Emulation:
    """A running instrument. Its time passes while a host waits for it, or by `advance`."""

    url: str
    """Opens its port, again and again: `serial.serial_for_url(url)`."""
    doc: str
    _world: World = field(repr=False)
    _client: Client | None = field(default=None, repr=False)

    @property
    def client(self) -> Client:
        """The client of this instrument, opened at its first use and made safe at the block's end."""
        if self._client is None:
            from wirevow.emu.connecting import connect

            self._client = connect(self.url, self.doc)
        return self._client

    @property
    def rig(self) -> InstrumentRig:
        """The hands on its bench, supply and clock."""
        return self._world.rig

    @property
    def now(self) -> float:
        """The virtual time, seconds since the instrument was made."""
        return self._world.rig.now_ns() / 1e9

    def advance(self, seconds: float = 0.0, *, minutes: float = 0.0, hours: float = 0.0) -> None:
        """Let virtual time pass. A client keeps its link alive meanwhile; without one the host is silent."""
        span_s = seconds + 60 * minutes + 3600 * hours
        if self._client is not None:
            self._client.sleep(span_s)
        else:
            self._world.advance(round(span_s * 1e9))

    def bench(self, event: str, value: float | str | None = None) -> None:
        """Make a bench event of the document happen, with its value in SI units or its word."""
        self._world.rig.bench(event, value)

    def power(self, on: bool) -> None:
        """Give or cut the instrument's own supply."""
        self._world.rig.power(on)


@dataclass(slots=True)
class AsyncEmulation:
    """A running instrument on an event loop's clock."""

    client: AsyncClient
    """The client of this instrument, made safe at the block's end."""
    _instrument: InProcess = field(repr=False)

    @property
    def rig(self) -> InstrumentRig:
        """The hands on its bench, supply and clock."""
        return self._instrument.rig

    @property
    def now(self) -> float:
        """Its time, seconds since it was made."""
        return self.rig.now_ns() / 1e9

    async def advance(self, seconds: float = 0.0, *, minutes: float = 0.0, hours: float = 0.0) -> None:
        """Let the loop's time pass, with the link kept alive."""
        await self.client.sleep(seconds + 60 * minutes + 3600 * hours)

    def bench(self, event: str, value: float | str | None = None) -> None:
        """Make a bench event of the document happen, with its value in SI units or its word."""
        self.rig.bench(event, value)

    def power(self, on: bool) -> None:
        """Give or cut the instrument's own supply."""
        self.rig.power(on)


class Emulating:
    """What `emulate` returns: a block, `with` or `async with`, at whose end the instrument is forgotten."""

    def __init__(self, doc: str, given: dict[str, str]) -> None:
        self._doc = doc
        self._given = given
        self._name = uuid4().hex
        self._running: Emulation | None = None
        self._running_on_loop: AsyncEmulation | None = None

    def _url(self, **more: str) -> str:
        return f"{SCHEME}{quote(self._doc)}?{urlencode(self._given | more)}"

    def __enter__(self) -> Emulation:
        url = self._url(name=self._name)
        self._running = Emulation(url, self._doc, world_of(parse(url)))
        return self._running

    def __exit__(self, *error: object) -> None:
        assert self._running is not None
        try:
            if self._running._client is not None:
                self._running._client.close()
        finally:
            forget(self._name)

    async def __aenter__(self) -> AsyncEmulation:
        from wirevow.emu.loading import load
        from wirevow.emu.ports.aio import InProcess
        from wirevow.protocol.client.aio import AsyncClient

        url = self._url()
        instrument = InProcess(url)
        client = AsyncClient(url, load(self._doc), opened=instrument)
        await client.open()
        self._running_on_loop = AsyncEmulation(client, instrument)
        return self._running_on_loop

    async def __aexit__(self, *error: object) -> None:
        assert self._running_on_loop is not None
        await self._running_on_loop.client.close()


def emulate(
    doc: str | PathLike[str],
    *,
    bench: str | PathLike[str] | None = None,
    seed: int = 0,
    fault: str | None = None,
) -> Emulating:
    """Run the instrument of `doc` (a file, or the name of a ready document), forgotten after the block.

    `bench` says what is wired to it (a file, or a ready one's name), `fault` breaks it in one way on purpose,
    `seed` is of its noise and tickets. Raises WirevowError.
    """
    given = {"bench": None if bench is None else str(bench), "seed": str(seed), "fault": fault}
    return Emulating(str(doc), {key: value for key, value in given.items() if value is not None})
