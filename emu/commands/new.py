"""`wirevow new`: a document to grow an own one from."""

from __future__ import annotations

import re
from pathlib import Path

import click

from wirevow.protocol.errors import WirevowError

BEGINNINGS = {
    "bare": ("wire, states and settings; no physics", (".yaml",)),
    "sink": ("a bench load, with the physics of one", (".yaml",)),
    "bath": ("a heated bath, with physics of its own in Python", (".yaml", ".py")),
}
"""What each is, and the files it has."""


@click.command("new")
@click.argument("name")
@click.option(
    "--like",
    type=click.Choice(list(BEGINNINGS)),
    default="bare",
    show_default=True,
    help="; ".join(f"{name}: {what}" for name, (what, _) in BEGINNINGS.items()) + ".",
)
def command(name: str, like: str) -> int:
    """Write NAME.yaml, a document to grow your own from. It can be simulated and checked as it stands.

    \b
    Example:  wirevow new shed --like bare
              wirevow check shed.yaml emu://shed.yaml
    """
    from wirevow.protocol.document.model import WORD_PATTERN
    from wirevow.protocol.outputs import write
    from wirevow.protocol.templates import templates

    if not re.fullmatch(WORD_PATTERN, name):
        raise WirevowError(
            f"{name}: a name is up to 24 small letters, digits and underscores, a letter first: call it so"
        )
    files = {Path(f"{name}{ending}"): f"{like}{ending}.j2" for ending in BEGINNINGS[like][1]}
    for file in files:
        if file.exists():
            raise WirevowError(f"{file}: there is such a file already: choose another name or folder")
    environment = templates("wirevow.emu", html=False)
    for file, template in files.items():
        write(file, environment.get_template(template).render(name=name))
        click.echo(f"wrote {file}")
    click.echo(f"go on with:  wirevow check {name}.yaml emu://{name}.yaml")
    return 0
