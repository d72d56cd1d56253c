"""`wirevow replay`: show the failure of a case file again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from protocol.conformance.casefile import Case
    from protocol.document.load import Loaded
    from protocol.document.model import Document


@click.command("replay")
@click.argument("case")
@click.argument("port")
@click.option("--rig", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT, or SCHEME:REST.")
def command(case: str, port: str, rig: str | None) -> int:
    """Do the steps of CASE with the instrument at PORT and judge its answers anew.

    CASE is a file that `wirevow check` has written; steps on the bench need a rig. Status 0: every answer is
    right now, 1: it fails, 2: usage or port error, 3: inconclusive.
    """
    from rich.console import Console

    import emu  # noqa: F401  (teaches pyserial emu://)
    from protocol.conformance.casefile import read_case
    from protocol.conformance.hookup import hooked_up
    from protocol.conformance.replay import replay
    from protocol.conformance.tester import Doubtful, NotSelected
    from protocol.conformance.verdict import EXIT_CODE, Verdict
    from protocol.report import terminal
    from protocol.vow import compile_vow

    given = read_case(case)
    loaded = _document_of(given)
    vow = compile_vow(loaded.document)
    identity = " ".join(vow.identity)
    if identity != given.document:
        click.echo(f"wirevow: {case} is of {given.document}; {loaded.name} is {identity} now.", err=True)
    hookup = None
    try:
        with hooked_up(vow, port, rig, seed=given.seed) as hookup:
            shown = replay(hookup.tester, given)
    except (NotSelected, Doubtful) as why:
        click.echo(f"inconclusive: {why}")
        return EXIT_CODE[Verdict.INCONCLUSIVE]
    finally:
        for warning in hookup.warnings if hookup is not None else ():
            click.echo(f"wirevow: {warning}", err=True)
    if shown is None:
        click.echo(f"pass: {given.requirement} is kept now")
        return EXIT_CODE[Verdict.PASS]
    terminal.show_case(shown, Console(markup=False, highlight=False, emoji=False))
    click.echo(f"\nfail: {shown.requirement}")
    return EXIT_CODE[Verdict.FAIL]


def _document_of(case: Case) -> Loaded[Document]:
    """The document that a case was written for, or the ready one of its name."""
    from emu.ports.address import find
    from protocol.document.load import load_document

    path, _, line = case.written.rpartition(":")
    if not line.isdecimal():
        path = case.written
    return load_document(path if path and Path(path).is_file() else find(case.document.split()[0]))
