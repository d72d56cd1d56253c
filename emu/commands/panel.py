"""`wirevow panel`: the web bench."""

from __future__ import annotations

from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.consent import with_yes

if TYPE_CHECKING:
    from wirevow.emu.panel.checks import Check
    from wirevow.emu.panel.session import Session
    from wirevow.emu.panel.simulated import Simulated


@click.command("panel")
@click.argument("doc")
@click.option("--bench", metavar="FILE", help="What is wired to it (YAML, or the name of a ready one).")
@click.option("--firmware", metavar="HOW", help="Run firmware: host, chip, or your own .elf file.")
@click.option("--fault", metavar="NAME", help="Break it in one way on purpose.")
@click.option("--seed", metavar="N", type=int, default=0, show_default=True, help="Of noise and tickets.")
@click.option(
    "--listen",
    metavar="WHERE",
    default="pty",
    show_default=True,
    help="Its port for host programs: pty, tcp:HOST:PORT, or a serial device.",
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option("--port", metavar="PORT", help="Watch the instrument at this port instead of a simulated one.")
@click.option(
    "--page",
    "at",
    metavar="HOST:PORT",
    default="127.0.0.1:0",
    show_default=True,
    help="Where the page is served; port 0 is any free one.",
)
@click.option("--public", is_flag=True, help="Let other machines connect too, to page and port.")
@with_yes
@click.pass_context
def command(
    context: click.Context,
    doc: str,
    bench: str | None,
    firmware: str | None,
    fault: str | None,
    seed: int,
    listen: str,
    link: str | None,
    port: str | None,
    at: str,
    public: bool,
    yes: bool,
) -> None:
    """Show the instrument of DOC in a browser until Ctrl-C.

    Open the address that is printed: the page works without a network. The simulated instrument is at a port
    too, as with `wirevow emulate`, and what a host program does there shows in the page at once.

    With --port the page watches the instrument at PORT, which may be real. It is only asked, which feeds its
    link watchdog, until somebody takes control in the page, after the cautions. When that page is gone it is
    made safe. A check that is started there energises, saves, boots and switches nothing; `wirevow check` can
    be allowed to.

    \b
    Example:  wirevow panel tarn --bench lithium-pack
              wirevow panel mine.yaml --port /dev/ttyUSB0
    """
    from wirevow.emu.panel.web import PageServer

    told = ("bench", "firmware", "fault", "seed", "listen", "link")
    simulates = [each for each in told if context.get_parameter_source(each) is not _DEFAULT]
    if port is not None and simulates:
        raise click.UsageError(f"--{simulates[0]} is for a simulated instrument: leave it out with --port.")
    wanted = Wanted(doc, bench, firmware, fault, seed, listen, link, public)

    async def serve() -> None:
        session = wanted.session() if port is None else _watching(doc, port, yes)
        try:
            server = PageServer(session, at, public)
            if session.source is not None:
                await session.source.start()
                click.echo(f"port {session.source.address}")
            click.echo(f"page {server.address}")
            if public:
                click.echo(f"wirevow: caution: --public: {PUBLIC}", err=True)
            await server.run()
        finally:
            if session.source is not None:
                await session.source.close()

    _until_ended(serve())


def _until_ended(serving: Coroutine[object, object, None]) -> None:
    """Run it; a signal that ends the command ends it through every block's end."""
    import asyncio
    import signal

    from wirevow.emu.command import Ended

    came: list[int] = []

    async def run() -> None:
        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        assert task is not None

        def end(number: int) -> None:
            came.append(number)
            task.cancel()

        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                with suppress(NotImplementedError):  # a system without them
                    loop.add_signal_handler(number, end, number)
        await serving

    try:
        asyncio.run(run())
    except asyncio.CancelledError:
        if came:
            raise Ended(came[0]) from None
        raise


PUBLIC = (
    "whoever reaches this machine over a network can connect to that port, and whoever learns the page's "
    "address can use the page"
)
_DEFAULT = click.core.ParameterSource.DEFAULT


@dataclass(frozen=True, slots=True)
class Wanted:
    """A simulated instrument, as the options say."""

    doc: str
    bench: str | None
    firmware: str | None
    fault: str | None
    seed: int
    listen: str
    link: str | None
    public: bool

    def session(self) -> Session:
        """Its pages; where it cannot be simulated, they say why."""
        from wirevow.emu.panel.session import Session
        from wirevow.protocol.errors import WirevowError
        from wirevow.protocol.serialport import PortError

        try:
            source = self._simulated()
        except PortError:
            raise
        except (WirevowError, ValueError) as error:
            click.echo(f"wirevow: {error}", err=True)
            return Session(None, trouble=str(error), title=self.doc)
        return Session(source, checking=None if self.firmware else self._check)

    def _check(self, only: list[str]) -> Check:
        from urllib.parse import quote, urlencode

        from wirevow.emu.panel.checks import Check
        from wirevow.emu.ports.address import SCHEME

        given = {"bench": self.bench, "fault": self.fault, "seed": str(self.seed)}
        query = urlencode({key: value for key, value in given.items() if value is not None})
        return Check(self.doc, f"{SCHEME}{quote(self.doc)}?{query}", self.seed, only)

    def _simulated(self) -> Simulated:
        from wirevow.emu.faults import build_instrument
        from wirevow.emu.loading import sound
        from wirevow.emu.panel.simulated import Simulated
        from wirevow.emu.plant.registry import fitted, wired
        from wirevow.emu.ports.address import find
        from wirevow.emu.ports.interface import Instrument
        from wirevow.protocol.vow import compile_vow

        vow = compile_vow(fitted(sound(self.doc)))
        on_bench = None if self.bench is None else wired(find(self.bench, "bench"), vow.document)
        instrument: Instrument
        if self.firmware is None:
            instrument = build_instrument(vow, on_bench, self.seed, self.fault)
        elif self.fault is not None:
            raise click.UsageError(
                "--fault breaks the simulated instrument, not the firmware: leave one out."
            )
        else:
            from wirevow.emu.firmware.run import run_firmware

            instrument = run_firmware(vow, self.firmware, on_bench, self.seed)
        return Simulated(
            instrument, vow, listen=self.listen, link=self.link, public=self.public, wired=on_bench
        )


def _watching(doc: str, port: str, yes: bool) -> Session:
    """The pages of an instrument that may be real."""
    from wirevow.emu.commands.consent import agreed
    from wirevow.emu.loading import load
    from wirevow.emu.panel.real import Watched
    from wirevow.emu.panel.session import Session
    from wirevow.protocol.conformance.cautions import DRY_CHECK

    vow = load(doc)
    if vow.document.wire.opening.resets:
        agreed(DRY_CHECK, [f"Opening {port} boots the instrument."], yes, "Is that all right?")

    def checking(only: list[str]) -> Check:
        from wirevow.emu.panel.checks import Check

        return Check(doc, port, 0, only)

    return Session(Watched(port, vow), checking=checking)
