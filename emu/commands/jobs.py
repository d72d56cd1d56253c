"""What the commands of the bench's jobs have in common: options, consent, progress."""

from __future__ import annotations

import functools
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from wirevow.emu.screen import begun_anew
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.vow import Vow

C = TypeVar("C", bound=Callable[..., Any])
_EVERY_S, _SELDOM_S = 0.2, 15.0


def named_points(*parts: str) -> Callable[[C], C]:
    """Options `--PART POINT` for what a document does not make clear, given as `named`."""

    def decorate(command: C) -> C:
        @functools.wraps(command)
        def with_names(**given: Any) -> Any:
            named = {part: given.pop(f"{part}_point") for part in parts}
            return command(named=named, **given)

        decorated: Any = with_names
        for part in reversed(parts):
            decorated = click.option(
                f"--{part}", f"{part}_point", metavar="POINT",
                help=f"The {part}, where the document leaves it open.",
            )(decorated)  # fmt: skip
        return decorated  # type: ignore[no-any-return]

    return decorate


def consent(port: str, declared: str, yes: bool) -> None:
    """On a port that may be real: the cautions, and the person's word. Raises WirevowError."""
    if port.startswith("emu://"):
        return
    from wirevow.emu.commands.consent import agreed
    from wirevow.protocol.conformance.cautions import AT_WORK

    agreed(AT_WORK, (declared,), yes)


def loaded(doc: str) -> Vow:
    """The document, checked and compiled."""
    from wirevow.emu.loading import load

    return load(doc)


def folder(out: str | None) -> Path | None:
    """A folder for results, made if it is not there. Raises WirevowError."""
    if out is None:
        return None
    path = Path(out)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WirevowError(f"{out}: it cannot be a folder ({error.strerror}); name another") from None
    return path


def duration(seconds: float) -> str:
    """About how long, for people."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02} min"


class Progress:
    """A line on standard error, renewed on a terminal (with others above it), else now and then."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._live = sys.stderr.isatty()
        self._last = -1e9 if self._live else time.monotonic()
        self._open = 0
        """Lines that stand on the terminal."""

    def say(self, text: Callable[[], str], above: Callable[[], list[str]] = list) -> None:
        """Say where it is; `above`: lines that stand above it on a terminal."""
        now = time.monotonic()
        if self._quiet or now - self._last < (_EVERY_S if self._live else _SELDOM_S):
            return
        self._last = now
        if self._live:
            lines = [*above(), text()]
            click.echo(begun_anew(self._open) + "\n".join(lines), err=True, nl=False)
            self._open = len(lines)
        else:
            click.echo(text(), err=True)

    def done(self) -> None:
        if self._open:
            click.echo(err=True)
            self._open = 0
