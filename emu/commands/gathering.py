"""What comes of many trials, gathered behind a bar on a terminal: an audit ended early tells what it has."""

from __future__ import annotations

import sys
from collections.abc import Generator
from contextlib import closing
from typing import TypeVar

import click

T = TypeVar("T")


def gathered(
    made: Generator[T, None, None], most: int, what: str
) -> tuple[list[T], KeyboardInterrupt | None]:
    """All that is made, `most` at most; and what ended it early, if anything did, to be raised again."""
    found: list[T] = []
    quiet = not sys.stderr.isatty()
    try:
        with (
            closing(made),
            click.progressbar(made, most, what, hidden=quiet, show_pos=True, file=sys.stderr) as bar,
        ):
            for each in bar:
                found.append(each)
    except KeyboardInterrupt as ended:
        return found, ended
    return found, None
