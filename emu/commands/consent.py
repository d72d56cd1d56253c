"""Consent before a command energises a real instrument: an envelope, and the cautions."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

import click

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.conformance.envelope import Envelope
    from wirevow.protocol.vow import Vow

C = TypeVar("C", bound=Callable[..., object])


def within_envelope(command: C) -> C:
    """The options `--envelope FILE` and `--yes`, given as `envelope_file` and `yes`."""
    asks = click.option("--yes", is_flag=True, help="The cautions have been read; do not ask.")
    allows = click.option(
        "--envelope", "envelope_file", metavar="FILE", help="Energise a real instrument, within this."
    )
    return allows(asks(command))


def consented(path: str, vow: Vow, yes: bool) -> Envelope:
    """The envelope in the file, once the cautions have been shown and agreed to. Raises WirevowError."""
    from wirevow.protocol.conformance.envelope import CAUTIONS, load_envelope

    envelope = load_envelope(path, vow)
    declared = f"Declared by {envelope.source.declared_by}: {envelope.source.means} {envelope.text()}."
    agreed(CAUTIONS, declared, yes)
    return envelope


def agreed(cautions: Sequence[str], declared: str, yes: bool) -> None:
    """Show the cautions and what was declared, and have the person agree. Raises WirevowError if not."""
    if yes:
        return
    for caution in cautions:
        click.echo(click.wrap_text(caution, 78, "  - ", "    "), err=True)
    click.echo(f"\n{click.wrap_text(declared, 78)}\n", err=True)
    if not sys.stdin.isatty():
        raise WirevowError("nobody is there to agree to the cautions; read them, and say so with --yes")
    if not click.confirm("Is that what is wired up, and will you stay with it?", err=True):
        raise WirevowError("not agreed to: nothing was sent")
