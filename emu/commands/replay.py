"""`wirevow replay`: show the failure of a case file again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.consent import allowing, before_changes, consented, within_envelope
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.conformance.casefile import Case
    from wirevow.protocol.conformance.envelope import Envelope
    from wirevow.protocol.conformance.plan import Plan

AROUND = 300
"""Lines that a replay sends besides the case's own, about: getting acquainted, its purpose, putting back."""


@click.command("replay")
@click.argument("case_file", metavar="CASE")
@click.argument("port")
@click.option("--rig", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT#SECRET, or SCHEME:REST.")
@click.option("--document", metavar="DOC", help="The document, if it is not where the case says.")
@click.option("--dialect", metavar="F", help="What the firmware at PORT speaks instead.")
@click.option("--shorter", metavar="FILE", help="If it fails, look for a shorter way and write it to FILE.")
@within_envelope
@allowing
def command(
    case_file: str,
    port: str,
    rig: str | None,
    document: str | None,
    dialect: str | None,
    shorter: str | None,
    envelope_file: str | None,
    yes: bool,
    allow: tuple[str, ...],
) -> int:
    """Do the steps of CASE with the instrument at PORT and judge its answers anew.

    CASE is a file that `wirevow check` has written, or one like it; steps on the bench need a rig. As in a
    check, nothing is energised unless a rig says that the instrument is simulated, or within an envelope, and
    a real one is not saved to, booted or switched unless --allow says so. Nothing of a real one is changed
    before you have agreed to that.

    \b
    Example:  wirevow replay cases/tarn-0-action.sink.start.ticket.case emu://tarn
              wirevow replay cases/sluice-0-wire.boot.case /dev/ttyUSB0 --dialect sluice

    Status 0: every answer is right now, 1: it fails, 2: usage or port error, 3: inconclusive.
    """
    from wirevow.emu.loading import spoken
    from wirevow.protocol.conformance.casefile import read_case, write_case
    from wirevow.protocol.conformance.gate import NotSelected
    from wirevow.protocol.conformance.hookup import hooked_up
    from wirevow.protocol.conformance.outcome import Doubtful
    from wirevow.protocol.conformance.plan import ceilings_of, plan_of
    from wirevow.protocol.conformance.replay import MOST_TRIES_REAL, replay, shortened
    from wirevow.protocol.conformance.verdict import EXIT_CODE, Verdict
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    case = read_case(case_file)
    path = _document_of(case, document)
    vow = compile_vow(load_document(path).document)
    if case.document != " ".join(vow.identity):
        raise WirevowError(
            f"{case_file}: the case is of {case.document}, and {path} is {' '.join(vow.identity)}; "
            "name its own document with --document DOC, or check anew"
        )
    book, vow = spoken(dialect, vow)

    def plan(within: Envelope | None = None) -> Plan:
        lines = AROUND + (MOST_TRIES_REAL * case.sends if shorter is not None else case.sends)
        return plan_of(vow, envelope=within, ceilings=ceilings_of(vow, within, allow), lines=lines)

    envelope = None if envelope_file is None else consented(envelope_file, vow, yes, plan)
    agree = None if yes or envelope is not None else before_changes(plan)
    shown: Case | None = None
    hookup = None
    try:
        with hooked_up(
            vow, port, rig, seed=case.seed, envelope=envelope, allow=allow, agree=agree, book=book
        ) as hookup:
            shown = replay(hookup.tester, case)
            if shown is not None and shorter is not None:
                shown = shortened(hookup.tester, shown) or shown
    except (NotSelected, Doubtful) as why:
        click.echo(f"inconclusive: {why}")
        return EXIT_CODE[Verdict.INCONCLUSIVE]
    finally:
        for line in hookup.told() if hookup is not None else ():
            click.echo(f"wirevow: {line}", err=True)
    if shown is None:
        click.echo(f"pass: {case.requirement} is kept now")
        return EXIT_CODE[Verdict.PASS]
    _say(shown, case)
    if shorter is not None:
        write_case(shown, shorter)
        click.echo(f"{shorter}: {shown.sends} lines sent, {case.sends} in {case_file}")
    return EXIT_CODE[Verdict.FAIL]


def _document_of(case: Case, given: str | None) -> Path:
    """The document's file: as given, else where the case says, else the ready one of its name."""
    from wirevow.emu.ports.address import find

    if given is not None:
        return find(given)
    if case.source and Path(case.source).is_file():
        return Path(case.source)
    try:
        return find(case.document.split()[0])
    except WirevowError as error:
        where = case.source or "its document"
        raise WirevowError(f"{where} is not there; name it with --document DOC") from error


def _say(shown: Case, case: Case) -> None:
    """The promise, the exchange, what was due and what came, as a check prints them."""
    from wirevow.emu.screen import console
    from wirevow.protocol.report import terminal

    terminal.show_case(shown, console())
    other = "" if shown.requirement == case.requirement else f", another failure than {case.requirement}"
    click.echo(f"\nfail: {shown.requirement}{other}")
