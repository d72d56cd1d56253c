"""Consent before a command changes or energises a real instrument: the plan, and the cautions."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, TypeVar

import click

if TYPE_CHECKING:
    from wirevow.protocol.conformance.envelope import Envelope
    from wirevow.protocol.conformance.plan import Plan
    from wirevow.protocol.vow import Vow

C = TypeVar("C", bound=Callable[..., object])
Agree = Callable[[], None]


def within_envelope(command: C) -> C:
    """The options `--envelope FILE` and `--yes`, given as `envelope_file` and `yes`."""
    allows = click.option(
        "--envelope", "envelope_file", metavar="FILE", help="Energise a real instrument, within this."
    )
    return allows(with_yes(command))


def allowing(command: C) -> C:
    """The option `--allow KIND[=N]`, given as `allow`: what may be done to a real instrument, how often."""
    return click.option(
        "--allow",
        metavar="KIND[=N]",
        multiple=True,
        callback=_known,
        help="Save to a real instrument (store), boot it (boot) or switch its outputs (switch), at most N "
        "times; may be given again. An envelope implies switch.",
    )(command)


def _known(context: click.Context, option: click.Parameter, words: tuple[str, ...]) -> tuple[str, ...]:
    if words:
        from wirevow.protocol.conformance.allowance import allowance

        allowance(words)
    return words


def with_yes(command: C) -> C:
    """The option `--yes`, given as `yes`."""
    return click.option("--yes", is_flag=True, help="The cautions have been read; do not ask.")(command)


def consented(path: str, vow: Vow, yes: bool, plan: Callable[[Envelope], Plan]) -> Envelope:
    """The envelope in the file, once cautions and plan have been shown and agreed to. Raises WirevowError."""
    from wirevow.protocol.conformance.cautions import WITHIN_ENVELOPE
    from wirevow.protocol.conformance.envelope import load_envelope

    envelope = load_envelope(path, vow)
    declared = f"Declared by {envelope.source.declared_by}: {envelope.source.means}"
    agreed(WITHIN_ENVELOPE, (declared, *_said(plan(envelope))), yes)
    return envelope


def before_changes(
    plan: Callable[[], Plan], room: Callable[[], AbstractContextManager[object]] = nullcontext
) -> Agree:
    """What makes the plan and has a person agree to it, once it is called: a simulated instrument needs none.

    Within `room` the terminal is free for that.
    """
    from wirevow.protocol.conformance.cautions import DRY_CHECK

    def agree() -> None:
        with room():
            agreed(DRY_CHECK, _said(plan()), False, "Is that all right, and will you stay with it?")

    return agree


def _said(plan: Plan) -> Iterator[str]:
    yield "What will be done to the instrument:"
    for line in plan.text():
        yield f"  {line}"


def agreed(
    cautions: Sequence[str],
    declared: Iterable[str],
    yes: bool,
    question: str = "Is that what is wired up, and will you stay with it?",
) -> None:
    """Show the cautions and what is going to be, and have the person agree. Raises NotAgreed if not."""
    from wirevow.protocol.conformance.plan import NotAgreed

    if yes:
        return
    for caution in cautions:
        click.echo(click.wrap_text(caution, 78, "  - ", "    "), err=True)
    click.echo(err=True)
    for line in declared:
        text = line.lstrip()
        indent = line[: len(line) - len(text)]
        click.echo(click.wrap_text(text, 78, indent, f"{indent}    " if indent else ""), err=True)
    click.echo(err=True)
    if not sys.stdin.isatty():
        raise NotAgreed("nobody is there to agree to this; read it, and say so with --yes")
    if not click.confirm(question, err=True):
        raise NotAgreed("not agreed to: nothing was changed")
