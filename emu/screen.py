"""Standard output and error: the one place through which everything goes that a person reads.

Two things are seen to here. What comes from a document, a case or an instrument cannot steer a terminal:
control characters, and those that change the direction of text, are shown as what they are (`\\x1b`,
`\\u202e`). And where the output cannot be used (a full disk, a closed pipe, a terminal that is gone) it is
off from then on: the command goes on to its end, with its status.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, TextIO

from wirevow.protocol.inputs import shown

if TYPE_CHECKING:
    from rich.console import Console

_BEGUN_ANEW = re.compile(r"\r(?:\x1b\[[0-9]{1,2}A)?\x1b\[J")
"""What is written again over itself begins so (`begun_anew`); anywhere else that is shown too."""
NARROWEST = 40
"""Columns; a width that is less (`COLUMNS=0`) is no width."""


def begun_anew(lines: int) -> str:
    """Begins a text that is written over the last so many lines, at least one, of a terminal."""
    return f"\r\x1b[{lines - 1}A\x1b[J" if lines > 1 else "\r\x1b[J"


class Screen:
    """A text stream that shows what it does not let through, and never fails."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.off = False

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError(
                f"text, not {type(text).__name__}"
            )  # so a library knows that this is no binary stream
        found = _BEGUN_ANEW.match(text)
        begun = found[0] if found else ""
        self.pass_on(begun + shown(text.removeprefix(begun)))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        for line in lines:
            self.write(line)

    def pass_on(self, text: str) -> None:
        """Write what needs no cleaning."""
        self._try(lambda: self.stream.write(text))

    def flush(self) -> None:
        self._try(self.stream.flush)

    def isatty(self) -> bool:
        return not self.off and self.stream.isatty()

    def fileno(self) -> int:
        return self.stream.fileno()

    @property
    def encoding(self) -> str:
        return self.stream.encoding

    @property
    def errors(self) -> str | None:
        return self.stream.errors

    def _try(self, work: Any) -> None:
        if self.off:
            return
        try:
            work()
        except (OSError, ValueError):
            self.off = True
            # What is buffered would fail once more when the interpreter ends.
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), self.stream.fileno())


class _Raw:
    """The way of what a library has drawn: its own sequences pass, all else was cleaned before."""

    def __init__(self, screen: Screen) -> None:
        self._screen = screen

    def write(self, text: str) -> int:
        self._screen.pass_on(text)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._screen, name)


@contextmanager
def screens() -> Iterator[None]:
    """Let standard output and error go through here."""
    former = sys.stdout, sys.stderr
    nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name) or nowhere  # none, where it was closed from the beginning
        with suppress(AttributeError):
            stream.reconfigure(errors="backslashreplace")
        setattr(sys, name, Screen(stream))
    try:
        yield
    finally:
        for screen in (sys.stdout, sys.stderr):
            if isinstance(screen, Screen):
                screen.flush()
        sys.stdout, sys.stderr = former
        nowhere.close()


def open_closed() -> None:
    """Let no file of ours take the place of a standard stream that is closed: it would be written to."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number


def terminal() -> TextIO:
    """Standard output for a library that draws on it: what that is given to draw has to be cleaned."""
    raw: Any = _Raw(sys.stdout) if isinstance(sys.stdout, Screen) else sys.stdout
    return raw  # type: ignore[no-any-return]


def console(stderr: bool = False) -> Console:
    """A console of `rich` on standard output or error. What it prints is cleaned, its own colours are not."""
    from rich.console import Console, ConsoleOptions, RenderHook, RenderResult
    from rich.segment import Segment

    class Cleaned:
        def __init__(self, inner: Any) -> None:
            self._inner = inner

        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            for segment in console.render(self._inner, options):
                if segment.control:
                    yield segment
                else:
                    yield Segment(shown(segment.text), segment.style)

    class Hook(RenderHook):
        def process_renderables(self, renderables: list[Any]) -> list[Any]:
            return [Cleaned(each) for each in renderables]

    stream = sys.stderr if stderr else sys.stdout
    columns = os.environ.get("COLUMNS", "")
    made = Console(
        file=_Raw(stream) if isinstance(stream, Screen) else stream,  # type: ignore[arg-type]
        markup=False,
        highlight=False,
        emoji=False,
        width=80 if columns.isdigit() and int(columns) < NARROWEST else None,
    )
    made.push_render_hook(Hook())
    return made
