"""`wirevow talk`: a console for the instrument at a port."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.client.sync import Client
    from wirevow.protocol.conformance.rig import Rig


@click.command("talk")
@click.argument("port")
@click.option("--doc", metavar="DOC", help="Its document; emu:// names its own.")
@click.option("--rig", "endpoint", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT#SECRET.")
@click.option("--json", "as_json", is_flag=True, help="Answer lines from a pipe in JSON, one object each.")
@click.option("--yes", is_flag=True, help="The cautions have been read; do not ask.")
def command(port: str, doc: str | None, endpoint: str | None, as_json: bool, yes: bool) -> int:
    """Talk to the instrument at PORT: ask points, put settings, do actions.

    Example: wirevow talk emu://tarn

    At a terminal it is a console with completion (Tab), help from the document below the line, and a history.
    Notices appear above the line that is typed. :help tells what can be typed; Ctrl-D or :quit ends it,
    Ctrl-C ends it at once. Whatever ends it, the instrument is made safe if anything was put or done.

    \b
    Lines from a pipe are done one by one, each with one line of answer; notices go to standard error:
      echo 'input.*' | wirevow talk emu://tarn
    The first that is refused ends it.

    The link is kept alive while the console runs. Time of emu:// passes in requests and in :wait only.

    Status 0: every line was done, 1: the instrument refused one, 2: usage, an
    impossible line, or a port error.
    """
    from wirevow.emu.talk import piped
    from wirevow.emu.talk.lines import Talk

    at_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if as_json and at_terminal:
        raise click.UsageError("--json is for lines from a pipe: leave it out at a terminal.")
    if at_terminal:
        from wirevow.emu.talk.terminal import Console, state_file
    with _connected(port, doc, endpoint) as (client, rig, simulated):
        talk = Talk(client, rig, None if simulated else lambda name: _agreed(port, name, yes))
        if not at_terminal:
            return piped.converse(talk, sys.stdin.fileno(), as_json)
        name, version, _ = client.vow.identity
        click.echo(f"{name} {version} at {port}; :help tells what can be typed")
        if client.host.virtual:
            click.echo("its time passes in requests and in :wait only")
        Console(talk, state_file("talk-history")).converse()
    return 0


@contextmanager
def _connected(port: str, doc: str | None, endpoint: str | None) -> Iterator[tuple[Client, Rig | None, bool]]:
    """The client, made safe at the end; a rig if there is one; whether the instrument is simulated."""
    from wirevow.emu.connecting import connect, connected
    from wirevow.emu.loading import load
    from wirevow.emu.ports.address import SCHEME, parse
    from wirevow.protocol.conformance.rig import greeting, open_rig

    if port.lower().startswith(SCHEME):
        if doc is not None or endpoint is not None:
            raise WirevowError(f"{port} names its document and brings its rig: leave --doc and --rig out")
        with connected(port, load(parse(port).document)) as (client, own):
            yield client, own, True
        return
    if doc is None:
        raise WirevowError(f"{port}: name the instrument's document, with --doc DOC")
    rig = None if endpoint is None else open_rig(endpoint)
    try:
        with connect(port, doc) as client:
            if rig is None:
                yield client, None, False
                return
            yield client, rig, greeting(rig, str(endpoint), client.vow.identity[0]).simulated
    finally:
        if rig is not None:
            rig.close()


def _agreed(port: str, name: str, yes: bool) -> None:
    """The person's word before a real instrument may handle power. Raises WirevowError."""
    from wirevow.emu.commands.jobs import consent

    consent(
        port,
        f"`act {name}` lets the instrument at {port} handle power, from whatever is connected to it.",
        yes,
    )
