"""`wirevow learn`: infer the state machine of the instrument at a port."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.consent import allowing, before_changes, with_yes
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.conformance.abstraction import DocumentMachine
    from wirevow.protocol.conformance.learning import Differs
    from wirevow.protocol.conformance.plan import Plan
    from wirevow.protocol.conformance.suite.machine import Machine


@click.command("learn")
@click.argument("doc")
@click.argument("port")
@click.option("--rig", metavar="ENDPOINT", help="Hands on the bench: tcp:HOST:PORT#SECRET, or SCHEME:REST.")
@click.option("--dot", "dot_file", metavar="F", help="Write the machine as text for Graphviz.")
@click.option("--svg", "svg_file", metavar="F", help="Write it as an SVG picture.")
@with_yes
@click.option(
    "--extra-states",
    metavar="K",
    type=click.IntRange(0, 2),
    default=0,
    show_default=True,
    help="Look for states that only K further inputs lead to.",
)
@allowing
def command(
    doc: str,
    port: str,
    rig: str | None,
    dot_file: str | None,
    svg_file: str | None,
    yes: bool,
    extra_states: int,
    allow: tuple[str, ...],
) -> int:
    """Infer the state machine of the instrument at PORT, and show how it differs from DOC's.

    Example: wirevow learn tarn emu://tarn --svg tarn.svg

    DOC gives the names and the inputs; the instrument's own machine may be another. Nothing is energised
    unless a rig says that the instrument is simulated, and a real one is not booted or switched unless
    --allow says so: the states behind that are not learned. Nothing of a real one is changed before you have
    agreed to that. Status 0: the same machine; 1: it differs; 2: usage or port error.
    """
    if find_spec("aalpy") is None:
        raise WirevowError("learning needs the package aalpy: pip install 'wirevow[automata]'")
    from wirevow.emu.loading import load
    from wirevow.protocol.conformance.abstraction import abstraction, machine_of
    from wirevow.protocol.conformance.gate import NotSelected
    from wirevow.protocol.conformance.hookup import hooked_up
    from wirevow.protocol.conformance.learning import compared, learn, met, named
    from wirevow.protocol.conformance.plan import LEARNED_EACH, ceilings_of, plan_of
    from wirevow.protocol.conformance.suite.drawing import dot, svg
    from wirevow.protocol.conformance.suite.group import reach_of

    vow = load(doc)
    for option, file in (("--dot", dot_file), ("--svg", svg_file)):
        if file is not None and not Path(file).absolute().parent.is_dir():
            raise WirevowError(f"{option} {file}: there is no such folder; make it, or name another")
    hookup = None

    def plan() -> Plan:
        lines = LEARNED_EACH * len(document.machine) * len(document.machine.inputs)
        return plan_of(vow, ceilings=ceilings_of(vow, None, allow), lines=lines)

    try:
        with hooked_up(vow, port, rig, allow=allow, agree=None if yes else before_changes(plan)) as hookup:
            t = hookup.tester
            reach = reach_of(t)
            document = machine_of(abstraction(vow, reach))
            if not t.energise:
                _caution(hookup.profile.reason)
            by_power = t.limits.free and reach.held and "power" in t.abilities
            instrument, identity = met(t, document.abstraction, by_power)
            if identity != vow.identity:
                theirs, ours = " ".join(identity) or "nothing", " ".join(vow.identity)
                _say(f"it calls itself {theirs}, the document is {ours}")
            learned = named(document, learn(document, instrument, extra_states, _say))
            lines, asked = t.lines, instrument.asked
    except NotSelected as why:
        raise WirevowError(f"{port}: it could not be learned: {why}") from why
    finally:
        for line in hookup.told() if hookup is not None else ():
            _say(line)

    found = compared(document, learned)
    marked = _marked(document, learned, found)
    title = f"{vow.identity[0]} {vow.identity[1]} at {port}"
    if dot_file is not None:
        Path(dot_file).write_text(dot(learned, title, marked), encoding="utf-8")
    if svg_file is not None:
        Path(svg_file).write_text(svg(learned, title, marked), encoding="utf-8")
    _report(document, learned, found, lines, asked)
    return 1 if found else 0


def _caution(reason: str) -> None:
    _say(
        f"caution: {reason}, so no input that could handle power is tried, nor one that was not allowed, and "
        "the states behind it are not learned. The firmware is what is on trial: disconnect the source, "
        "above all a battery, and stay with it."
    )


def _marked(
    document: DocumentMachine, learned: Machine, found: tuple[Differs, ...]
) -> dict[tuple[int, int], str]:
    """State and input of the learned machine that differ, with what the document says."""
    return {(learned.after(each.way), each.given): f"document: {each.document}" for each in found}


def _report(
    document: DocumentMachine, learned: Machine, found: tuple[Differs, ...], lines: int, asked: int
) -> None:
    ours = document.machine
    for each in found:
        click.echo(f"in {ours.name(each.state)}, {ours.inputs[each.given]}:")
        click.echo(f"  document    {each.document}")
        click.echo(f"  instrument  {each.seen}")
        click.echo(f"  after       {ours.written(each.way)}")
    if document.abstraction.omitted:
        click.echo("no inputs:")
        for name, why in document.abstraction.omitted:
            click.echo(f"  {name}: {why}")
    inputs = len(document.abstraction.stimuli)
    click.echo(f"{len(learned)} states over {inputs} inputs, {asked} sequences, {lines} lines")
    if found:
        many = "transition differs" if len(found) == 1 else "transitions differ"
        click.echo(f"{len(found)} {many} from the document's machine of {len(ours)} states")
    else:
        click.echo("the document's machine is the same")


def _say(text: str) -> None:
    click.echo(f"wirevow: {text}", err=True)
    sys.stderr.flush()
