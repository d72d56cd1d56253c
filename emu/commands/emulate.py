"""`wirevow emulate`: a simulated instrument that other programs reach."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("emulate")
@click.argument("doc", type=click.Path(path_type=Path))
@click.option("--bench", metavar="FILE", type=click.Path(path_type=Path), help="What is wired to it (YAML).")
@click.option(
    "--listen",
    metavar="WHERE",
    default="pty",
    show_default=True,
    help="pty, tcp:HOST:PORT (port 0: any free one), or a serial device.",
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option("--pace", metavar="BAUD", type=click.IntRange(min=300), help="Delay bytes as this line rate does.")
@click.option("--seed", metavar="N", type=int, default=0, show_default=True, help="Of noise and tickets.")
@click.option("--rig", metavar="ENDPOINT", help="Offer the bench to a checker at tcp:HOST:PORT.")
def command(
    doc: Path,
    bench: Path | None,
    listen: str,
    link: str | None,
    pace: int | None,
    seed: int,
    rig: str | None,
) -> None:
    """Simulate the instrument of DOC on a port until Ctrl-C.

    Hosts may come and go; the instrument keeps running. Its address is printed once it listens.
    """
    from emu.bench import Bench
    from emu.instrument import Instrument
    from emu.ports.server import serve
    from protocol.document.load import load_document, load_yaml_model
    from protocol.vow import compile_vow

    document = load_document(doc).document
    wired = load_yaml_model(bench, Bench).document if bench is not None else None
    vow = compile_vow(document)

    def ready(port: str, rig_address: str | None) -> None:
        click.echo(f"port {port}")
        if rig_address is not None:
            click.echo(f"rig {rig_address}")

    serve(
        Instrument(vow, wired, seed),
        document.vow.name,
        listen=listen,
        link=link,
        pace=pace,
        baud=document.wire.baud,
        rig=rig,
        ready=ready,
    )
