"""`wirevow generate`: what is written from a document."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from wirevow.protocol.vow import Vow


@click.group("generate")
def command() -> None:
    """Write what follows from a document: source code, a grammar, a schema, a manual."""


_INTO = click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder to write to."
)


@command.command("c")
@click.argument("doc")
@_INTO
def c(doc: str, out: Path) -> int:
    """Write the C core of an instrument that keeps DOC.

    Example: wirevow generate c tarn --out core

    Two files, a header and a source, in C99 that is C++ too: no heap, no floating point, tables in flash.
    The header says what the application has to supply. The same document gives the same bytes, and a file
    that is right already is left alone.
    """
    from wirevow.protocol.codegen.c import generate, write

    for path in write(generate(_vetted(doc)), out):
        click.echo(path)
    return 0


@command.command("firmware")
@click.argument("doc")
@_INTO
def firmware(doc: str, out: Path) -> int:
    """Write what firmware for DOC begins with: the core, a Makefile, and C that is yours from then on.

    \b
    Example:  wirevow generate firmware bath --out mere
              make -C mere
              wirevow check bath "emu://bath?firmware=mere/build/host"

    `make` builds a program of this computer, `make chip` the binary of an ATmega328P. What stands in core/ is
    written anew each time; Makefile, app.c and board.c only where they are not there yet.
    """
    from wirevow.emu.firmware.start import start

    for path, kept in start(_vetted(doc), doc, out):
        click.echo(f"{path} (yours: left as it is)" if kept else path)
    return 0


def _vetted(doc: str) -> Vow:
    """The document without errors. Raises WirevowError, after all that is wrong."""
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.vet import vet_file
    from wirevow.protocol.errors import WirevowError
    from wirevow.protocol.vow import compile_vow

    findings = vet_file(find(doc))
    if findings.errors:
        for finding in findings.found:
            click.echo(finding.text(findings.name), err=True)
        raise WirevowError(f"{findings.name} has errors: mend them first", 1)
    return compile_vow(findings.document)


@command.command("stubs")
@click.argument("doc")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; else it is printed."
)
@click.option("--asyncio", "awaited", is_flag=True, help="Of the client of asyncio.")
def stubs(doc: str, out: Path | None, awaited: bool) -> int:
    """Write the types of DOC's points and actions, for editors and mypy.

    Example: wirevow generate stubs tarn --out tarn_types.py

    In a program, `tarn_types.as_tarn(client)` is the client with its types.
    """
    from wirevow.emu.loading import load
    from wirevow.protocol.codegen import stubs as written

    _deliver(written.stubs(load(doc), awaited=awaited), out)
    return 0


@command.command("grammar")
@click.argument("doc")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; else it is printed."
)
def grammar(doc: str, out: Path | None) -> int:
    """Write the grammar of DOC's lines, in ABNF (RFC 5234).

    Example: wirevow generate grammar tarn --out tarn.abnf
    """
    from wirevow.emu.loading import load
    from wirevow.protocol import grammar as written

    _deliver(written.grammar(load(doc)), out)
    return 0


@command.command("schema")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; else it is printed."
)
def schema(out: Path | None) -> int:
    """Write the JSON Schema of documents, for editors to complete and check with.

    Example: wirevow generate schema --out wirevow.schema.json

    A YAML language server takes it from the document's first line:

    \b
      # yaml-language-server: $schema=wirevow.schema.json
    """
    from wirevow.protocol.document.schema import schema_text

    _deliver(schema_text(), out)
    return 0


@command.command("manual")
@click.argument("doc")
@click.option(
    "--out",
    "-o",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    help="File to write.",
)
@click.option(
    "--since", metavar="OLD", help="Say what has changed since OLD: a file, or REVISION:FILE of git."
)
def manual(doc: str, out: Path, since: str | None) -> int:
    """Write a manual of DOC's instrument: one HTML page that needs nothing else, and prints.

    \b
    Example:  wirevow generate manual tarn -o manual.html
              wirevow generate manual mine.yaml -o manual.html --since v1.2.0:mine.yaml

    Its examples are run against the simulated instrument. One that is not answered as DOC says ends it, and
    nothing is written. Its pictures need wirevow[pictures].
    """
    from wirevow.emu.loading import sound, version
    from wirevow.emu.manual.page import manual as written
    from wirevow.emu.plant.registry import fitted
    from wirevow.protocol.compare.comparison import compare
    from wirevow.protocol.vow import compile_vow

    loaded = sound(doc)
    vow = compile_vow(fitted(loaded))
    changed = None if since is None else compare(version(since), loaded)
    if changed is not None and not changed.enough:
        click.echo(
            f"wirevow: version {changed.new_version} is too small for what has changed since "
            f"{changed.old_version}: `wirevow compare {since} {doc}` says which it should be",
            err=True,
        )
    click.echo(f"running the examples of {vow.identity[0]} ...", err=True)
    _deliver(written(vow, since=changed), out)
    return 0


def _deliver(text: str, out: Path | None) -> None:
    """Write `text` to a file, all or nothing, and name it; or print it. Raises WirevowError."""
    from wirevow.protocol.outputs import write

    if out is None:
        click.echo(text, nl=False)
        return
    write(out, text)
    click.echo(out)
