"""`wirevow rerun`: either side of a recording once more."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.consent import allowing, before_changes, consented, within_envelope
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.conformance.envelope import Envelope
    from wirevow.protocol.conformance.plan import Plan
    from wirevow.protocol.journal.reading import Journal
    from wirevow.protocol.journal.rerun import Outcome
    from wirevow.protocol.vow import Vow

AROUND = 300
"""Lines that are sent besides the recording's own, about: getting acquainted, putting back."""
MOST_STRANGE = 1000
"""Lines that a recording does not have, of which each is told once."""


@click.command("rerun")
@click.argument("file", metavar="JOURNAL")
@click.argument("port", required=False)
@click.option("--rig", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT#SECRET, or SCHEME:REST.")
@click.option("--document", metavar="DOC", help="The document, if it is not the one that the journal names.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--listen", metavar="WHERE", help="Instead of PORT: stand in for the device at pty, tcp:HOST:PORT."
)
@click.option("--link", metavar="PATH", help="A name that stays the same for the pseudo-terminal.")
@click.option("--public", is_flag=True, help="With --listen: let other machines connect too.")
@within_envelope
@allowing
def command(
    file: str,
    port: str | None,
    rig: str | None,
    document: str | None,
    as_json: bool,
    listen: str | None,
    link: str | None,
    public: bool,
    envelope_file: str | None,
    yes: bool,
    allow: tuple[str, ...],
) -> int:
    """Send the host's side of JOURNAL to the instrument at PORT, and tell which answers mean something else.

    Readings that are no further apart than their accuracy allows mean the same. It begins in the initial
    state with default settings, as a check does, and so should a recording. As in a check, nothing is
    energised unless a rig says that the instrument is simulated, or within an envelope, a real one is not
    saved to, booted or switched unless --allow says so, and nothing of it is changed before you have agreed
    to that; the first line that must not go out ends it.

    With --listen it stands in for the device instead, until Ctrl-C: a host program is answered as the device
    answered then. What the recording does not have is not answered, and is told.

    \b
    Example:  wirevow rerun bench.journal emu://tarn
              wirevow rerun bench.journal --listen pty --link tarn-port

    Status 0: all answers mean the same, 1: some do not, 2: usage or port error, 3: ended before its end.
    """
    from wirevow.protocol.journal.reading import Journal

    if (port is None) == (listen is None):
        raise click.UsageError(
            "Name a PORT to send the host's side to, or --listen to stand in for the device."
        )
    if listen is not None and (rig or document or envelope_file or allow or as_json):
        raise click.UsageError("--listen goes with --link and --public only; leave the other options out.")
    if listen is None and (link or public):
        raise click.UsageError("--link and --public go with --listen; leave them out.")
    journal = Journal(file)
    if listen is not None:
        _stand_in(journal, listen, link, public)
        return 0
    assert port is not None
    vow = _vow(journal, document)

    from wirevow.emu.commands.jobs import Progress
    from wirevow.protocol.conformance.hookup import hooked_up
    from wirevow.protocol.conformance.plan import ceilings_of, plan_of
    from wirevow.protocol.journal.exchanges import exchanges
    from wirevow.protocol.journal.rerun import Rerun

    _, course = exchanges(journal.records())

    def plan(within: Envelope | None = None) -> Plan:
        usual = plan_of(
            vow, envelope=within, ceilings=ceilings_of(vow, within, allow), lines=AROUND + len(course)
        )
        lasted_ns = course[-1].line.ns - course[0].line.ns if course else 0
        return replace(usual, seconds=usual.seconds + lasted_ns / 1e9)

    envelope = None if envelope_file is None else consented(envelope_file, vow, yes, plan)
    agree = None if yes or envelope is not None else before_changes(plan)
    progress = Progress(quiet=False)
    hookup = None
    try:
        with hooked_up(vow, port, rig, envelope=envelope, allow=allow, agree=agree) as hookup:
            run = Rerun(
                hookup.tester,
                course,
                lambda sent: progress.say(lambda: f"{sent} of {len(course)} lines sent"),
            )
            outcome = run.run()
    finally:
        progress.done()
        for each in (*journal.told, *(hookup.told() if hookup is not None else ())):
            click.echo(f"wirevow: {each}", err=True)
    if as_json:
        click.echo(json.dumps(asdict(outcome), indent=2))
    else:
        _say(outcome)
    return 1 if outcome.differences else 3 if outcome.stopped else 0


def _vow(journal: Journal, given: str | None) -> Vow:
    """The document as given, else the ready one that the journal names. Raises WirevowError."""
    from wirevow.emu.loading import load

    head = journal.head
    if given is not None:
        return load(given)
    if not head.document:
        raise WirevowError(f"{journal.path}: it does not name a document; name it with --document DOC")
    try:
        vow = load(head.document)
    except WirevowError as error:
        raise WirevowError(
            f"{journal.path}: it is of {head.document} {head.version}; name its document with --document DOC"
            f" ({error.message})"
        ) from None
    if not head.digest.startswith(vow.identity[2]):
        raise WirevowError(
            f"{journal.path}: it is of {head.document} {head.version} {head.digest[:8]}, and the ready"
            f" document is {' '.join(vow.identity)}; name that of the instrument with --document DOC"
        )
    return vow


def _say(outcome: Outcome) -> None:
    for each in outcome.differences:
        about = f"> {each.line}" if each.line else "(unasked)"
        click.echo(f"after {each.seconds:.3f} s   {about}")
        click.echo(f"  recorded   < {each.recorded}")
        click.echo(f"  now        < {each.now}")
        click.echo(f"  {each.how}\n")
    if outcome.stopped:
        click.echo(f"ended after {outcome.sent} of {outcome.lines} lines: {outcome.stopped}")
    past = f", {outcome.open} about the box's own past" if outcome.open else ""
    same = f"{outcome.same} answers mean the same{past}"
    count = len(outcome.differences)
    click.echo(f"{outcome.sent} lines sent: {same}, {count} difference{'' if count == 1 else 's'}")


def _stand_in(journal: Journal, listen: str, link: str | None, public: bool) -> None:
    from wirevow.emu.ports.server import serve
    from wirevow.protocol.journal.exchanges import exchanges
    from wirevow.protocol.journal.stand_in import StandIn

    before, course = exchanges(journal.records())
    for each in journal.told:
        click.echo(f"wirevow: {each}", err=True)
    told: set[str] = set()

    def strange(line: str) -> None:
        if line not in told and len(told) < MOST_STRANGE:
            told.add(line)
            click.echo(f"wirevow: not in the recording, and not answered: {line}", err=True)

    serve(
        StandIn(before, course, strange),
        journal.head.document,
        listen=listen,
        link=link,
        public=public,
        ready=lambda address, rig: click.echo(f"port {address}"),
    )
