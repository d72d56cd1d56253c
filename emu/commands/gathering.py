"""What comes of many trials, gathered behind a bar on a terminal: an audit ended early tells what it has."""

from __future__ import annotations

import sys
from collections.abc import Generator, Iterable, Iterator
from contextlib import AbstractContextManager, closing
from typing import TypeVar

import click

T = TypeVar("T")


def bar(made: Iterable[T], most: int | None, what: str) -> AbstractContextManager[Iterator[T]]:
    """What is made, with a bar on a terminal; `most` is None where nobody knows how many there will be."""
    quiet = not sys.stderr.isatty()
    return click.progressbar(made, most, what, hidden=quiet, show_pos=True, file=sys.stderr)


def gathered(
    made: Generator[T, None, None], most: int, what: str
) -> tuple[list[T], KeyboardInterrupt | None]:
    """All that is made, `most` at most; and what ended it early, if anything did, to be raised again."""
    found: list[T] = []
    try:
        with closing(made), bar(made, most, what) as shown:
            for each in shown:
                found.append(each)
    except KeyboardInterrupt as ended:
        return found, ended
    return found, None
