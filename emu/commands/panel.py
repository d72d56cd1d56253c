"""`wirevow panel`: the web bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
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
@click.option(
    "--page",
    "at",
    metavar="HOST:PORT",
    default="127.0.0.1:0",
    show_default=True,
    help="Where the page is served; port 0 is any free one.",
)
@click.option("--public", is_flag=True, help="Let other machines connect too, to page and port.")
def command(
    doc: str,
    bench: str | None,
    firmware: str | None,
    fault: str | None,
    seed: int,
    listen: str,
    link: str | None,
    at: str,
    public: bool,
) -> None:
    """Show the instrument of DOC in a browser until Ctrl-C.

    Open the address that is printed. The page works without a network. The simulated instrument is at a port
    too, as with `wirevow emulate`: what a host program does there shows in the page at once.

    \b
    Example:  wirevow panel tarn --bench lithium-pack
              wirevow panel mine.yaml --page 127.0.0.1:8440
    """
    import asyncio

    from wirevow.emu.panel.session import Session
    from wirevow.emu.panel.web import PageServer

    async def serve() -> None:
        trouble, source = "", None
        try:
            source = _simulated(doc, bench, firmware, fault, seed, listen, link, public)
        except ValueError as error:
            trouble = str(error)
        session = Session(source, trouble=trouble, title=doc)
        server = PageServer(session, at, public)
        if source is not None:
            source.start()
            click.echo(f"port {source.address}")
        click.echo(f"page {server.address}")
        if public:
            click.echo(
                "wirevow: caution: --public: whoever reaches this machine over a network can connect to that "
                "port, and whoever learns the page's address can use the page",
                err=True,
            )
        try:
            await server.run()
        finally:
            if source is not None:
                await source.close()

    try:
        asyncio.run(serve())
    except ExceptionGroup as errors:  # pragma: no cover - aiohttp raises none today
        raise WirevowError(str(errors)) from errors


def _simulated(
    doc: str,
    bench: str | None,
    firmware: str | None,
    fault: str | None,
    seed: int,
    listen: str,
    link: str | None,
    public: bool,
) -> Simulated:
    from wirevow.emu.faults import build_instrument
    from wirevow.emu.loading import sound
    from wirevow.emu.panel.simulated import Simulated
    from wirevow.emu.plant.registry import fitted, wired
    from wirevow.emu.ports.address import find
    from wirevow.emu.ports.interface import Instrument
    from wirevow.protocol.vow import compile_vow

    vow = compile_vow(fitted(sound(doc)))
    on_bench = wired(find(bench, "bench"), vow.document) if bench is not None else None
    instrument: Instrument
    if firmware is None:
        instrument = build_instrument(vow, on_bench, seed, fault)
    elif fault is not None:
        raise click.UsageError("--fault breaks the simulated instrument, not the firmware: leave one out.")
    else:
        from wirevow.emu.firmware.run import run_firmware

        instrument = run_firmware(vow, firmware, on_bench, seed)
    return Simulated(instrument, vow, listen=listen, link=link, public=public, wired=on_bench)
