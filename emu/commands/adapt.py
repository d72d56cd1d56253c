"""`wirevow adapt`: firmware with a syntax of its own, as a port that speaks wire version 1."""

from __future__ import annotations

from contextlib import ExitStack

import click

from wirevow.protocol.errors import WirevowError


@click.command("adapt")
@click.argument("dialect")
@click.argument("port")
@click.argument("doc", required=False)
@click.option(
    "--listen",
    metavar="WHERE",
    default="pty",
    show_default=True,
    help="Where hosts connect: pty, tcp:HOST:PORT (port 0: any free one), or a serial device.",
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option("--public", is_flag=True, help="Let other machines connect too.")
def command(dialect: str, port: str, doc: str | None, listen: str, link: str | None, public: bool) -> None:
    """Let the firmware at PORT, which speaks DIALECT, be talked to in the lines of its document.

    DOC is the document; by default that of the name which the dialect gives. Clients, `talk` and `learn`
    open the port that is printed; `check` need not: its --dialect does the same by itself, and knows besides
    what the firmware lacks. Ends by Ctrl-C; a host program that is still there then can no longer make the
    instrument safe: this does.

    \b
    Example:  wirevow adapt sluice /dev/ttyUSB0 --link sluice-port
              wirevow adapt sluice /dev/ttyUSB0 --listen tcp:127.0.0.1:0
    """
    from wirevow.emu.adapting import Adapter
    from wirevow.emu.loading import load
    from wirevow.emu.ports.adapter import AdapterPort
    from wirevow.emu.ports.address import find
    from wirevow.emu.ports.server import open_endpoint
    from wirevow.protocol.dialect.file import document_of, load_phrasebook

    if port.startswith("emu://"):
        raise WirevowError(
            f"{port}: that instrument lives in one process with its host; start it with"
            " `wirevow emulate --dialect`, and adapt its port"
        )
    path = find(dialect, "dialects")
    vow = load(doc if doc is not None else document_of(path))
    book = load_phrasebook(path, vow)
    wire = vow.document.wire
    with ExitStack() as stack:
        device = AdapterPort(port, wire.baud, wire.opening)
        stack.callback(device.close)
        endpoint = open_endpoint(listen, link, wire.baud, public)
        stack.callback(endpoint.close)
        adapter = Adapter(endpoint, device, book)
        click.echo(f"port {endpoint.address}")
        try:
            adapter.run()
        finally:
            for warning in adapter.warnings:
                click.echo(f"wirevow: {warning}", err=True)
