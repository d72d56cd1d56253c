"""`wirevow record`: write down everything that passes between a host program and a device."""

from __future__ import annotations

import time
from contextlib import ExitStack
from pathlib import Path

import click

from wirevow.protocol.errors import WirevowError


@click.command("record")
@click.argument("port")
@click.option("--out", metavar="FILE", help="The journal, a new file.  [default: named by date and time]")
@click.option(
    "--listen",
    metavar="WHERE",
    default="pty",
    show_default=True,
    help="Where the host program connects: pty, tcp:HOST:PORT (port 0: any free one), or a serial device.",
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option(
    "--document", metavar="DOC", help="Whose instrument it is: baud rate, safe action, head of the journal."
)
@click.option("--baud", metavar="RATE", type=click.IntRange(min=300), help="Of PORT.  [default: 115200]")
@click.option("--public", is_flag=True, help="Let other machines connect too.")
def command(
    port: str,
    out: str | None,
    listen: str,
    link: str | None,
    document: str | None,
    baud: int | None,
    public: bool,
) -> None:
    """Sit between a host program and the device at PORT, and write down every byte with its time.

    The host program opens the port that is printed, in place of PORT; what either side sends is in the
    journal before the other has it. Ends by Ctrl-C. A host program that is still there then can no
    longer make the device safe: with --document the recorder does.

    \b
    Example:  wirevow record /dev/ttyUSB0 --document tarn --link tarn-port --out bench.journal
              wirevow journal bench.journal
    """
    from wirevow.emu.ports.adapter import AdapterPort
    from wirevow.emu.ports.server import open_endpoint
    from wirevow.emu.recording import JournalWriter, Recorder
    from wirevow.protocol.journal.layout import Head

    if port.startswith("emu://"):
        raise WirevowError(
            f"{port}: that instrument lives in one process with its host; start it with `wirevow emulate`,"
            " and record its port"
        )
    rate, opening, known, vow = 115200, None, {}, None
    if document is not None:
        from wirevow.emu.loading import load
        from wirevow.protocol.document.canonical import wire_digest

        vow = load(document)
        rate, opening = vow.document.wire.baud, vow.document.wire.opening
        known = {
            "document": vow.identity[0], "version": vow.identity[1], "digest": wire_digest(vow.document)
        }  # fmt: skip
    file = Path(out or time.strftime("%Y-%m-%d-%H%M%S.journal"))
    with ExitStack() as stack:
        device = AdapterPort(port, baud or rate, opening)
        stack.callback(device.close)
        endpoint = open_endpoint(listen, link, baud or rate, public)
        stack.callback(endpoint.close)
        journal = JournalWriter(file, Head(time.time_ns(), port, **known))
        stack.callback(journal.close)
        recorder = Recorder(endpoint, device, journal, vow)
        click.echo(f"port {endpoint.address}")
        click.echo(f"journal {file}")
        try:
            recorder.run()
        finally:
            sums = f"{recorder.from_host} bytes from the host, {recorder.from_device} from the device"
            click.echo(f"{file}: {sums}", err=True)
            for warning in recorder.warnings:
                click.echo(f"wirevow: {warning}", err=True)
