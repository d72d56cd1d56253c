"""`wirevow emulate`: a simulated instrument that other programs reach."""

from __future__ import annotations

import click

MOST = 1000
MAX = "max"


def _speed(context: click.Context, parameter: click.Parameter, value: str) -> int | None:
    """How many times as fast time passes; None for `max`."""
    if value == MAX:
        return None
    if not (value.isascii() and value.isdigit() and 1 <= int(value[:9]) <= MOST):
        raise click.BadParameter(f"{value!r} is neither a whole number from 1 to {MOST} nor {MAX}.")
    return int(value)


@click.command("emulate")
@click.argument("doc")
@click.option("--bench", metavar="FILE", help="What is wired to it (YAML, or the name of a ready one).")
@click.option(
    "--listen",
    metavar="WHERE",
    default="pty",
    show_default=True,
    help="pty, tcp:HOST:PORT (port 0: any free one), or a serial device.",
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option("--pace", metavar="BAUD", type=click.IntRange(min=300), help="Delay bytes as this rate does.")
@click.option("--fault", metavar="NAME", help="Break it in one way on purpose.")
@click.option(
    "--firmware",
    metavar="HOW",
    help="Run firmware instead: host, chip, your own .elf file, or the folder of its C.",
)
@click.option("--dialect", metavar="FILE", help="Let it speak the syntax of its own that FILE describes.")
@click.option("--seed", metavar="N", type=int, default=0, show_default=True, help="Of noise and tickets.")
@click.option(
    "--speed",
    metavar="TIMES",
    callback=_speed,
    default="1",
    show_default=True,
    help="Seconds that pass for the instrument in one of yours, or max; not for firmware.",
)
@click.option("--rig", metavar="ENDPOINT", help="Offer the bench to a checker at tcp:HOST:PORT[#SECRET].")
@click.option("--public", is_flag=True, help="Let other machines connect too, to whatever they find.")
def command(
    doc: str,
    bench: str | None,
    listen: str,
    link: str | None,
    pace: int | None,
    fault: str | None,
    firmware: str | None,
    dialect: str | None,
    seed: int,
    speed: int | None,
    rig: str | None,
    public: bool,
) -> None:
    """Simulate the instrument of DOC on a port until Ctrl-C.

    \b
    Example:  wirevow emulate tarn --link tarn-port
              wirevow emulate tarn --listen tcp:127.0.0.1:0 --rig tcp:127.0.0.1:0 --bench lithium-pack
              wirevow emulate tarn --firmware host
              wirevow emulate sluice --dialect sluice

    Hosts may come and go; the instrument keeps running. Its address is printed once it listens; that of a rig
    ends in a secret, which the checker needs: give it the whole address.

    With --speed 60 an hour of the instrument takes a minute: all its deadlines come sooner too, so a host has
    to keep the link alive 60 times as often.

    With --speed max time stands until the host asks or waits: bytes take their time on the wire, but none of
    yours, and when the host says nothing for 100 ms, time jumps to what the instrument says next. It is for
    hosts that wait by reading; one that sleeps instead trips the link watchdog at once.
    """
    from wirevow.emu.faults import build_instrument
    from wirevow.emu.plant.registry import fitted, wired
    from wirevow.emu.ports.address import find
    from wirevow.emu.ports.interface import Instrument
    from wirevow.emu.ports.server import serve
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    document = fitted(load_document(find(doc)))
    on_bench = wired(find(bench, "bench"), document) if bench is not None else None
    instrument: Instrument
    if dialect is not None:
        if firmware is not None:
            raise click.UsageError("--dialect is for the simulated instrument, not firmware: leave one out.")
        from wirevow.emu.speaking import speaking
        from wirevow.protocol.dialect.file import load_phrasebook

        book = load_phrasebook(find(dialect, "dialects"), compile_vow(document))
        instrument = speaking(book, on_bench, seed, fault)
    elif firmware is None:
        instrument = build_instrument(compile_vow(document), on_bench, seed, fault)
    else:
        if speed != 1:
            raise click.UsageError("--speed is for the simulated instrument, not firmware: leave one out.")
        if fault is not None:
            raise click.UsageError(
                "--fault breaks the simulated instrument, not the firmware: leave one out."
            )
        from wirevow.emu.firmware.run import run_firmware

        instrument = run_firmware(compile_vow(document), firmware, on_bench, seed)

    def ready(port: str, rig_address: str | None) -> None:
        click.echo(f"port {port}")
        if rig_address is not None:
            click.echo(f"rig {rig_address}")
        if public:
            click.echo(
                "wirevow: caution: --public: whoever reaches this machine over a network can connect to that "
                "port and do with the instrument as they like",
                err=True,
            )

    serve(
        instrument,
        document.vow.name,
        listen=listen,
        link=link,
        pace=document.wire.baud if pace is None and speed is None else pace,
        baud=document.wire.baud,
        rig=rig,
        public=public,
        speed=speed,
        ready=ready,
    )
