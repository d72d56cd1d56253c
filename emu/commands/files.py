"""Files that a command was asked to write: proved to be writable before the work, and written after it."""

from __future__ import annotations

import os
import shutil
import stat
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import click

from wirevow.protocol.errors import WirevowError

K = TypeVar("K")

ROOM_BYTES = 4_000_000
"""More than all the files of a check take."""


@dataclass(frozen=True, slots=True)
class Output:
    """A file that was asked for."""

    option: str
    path: Path

    def prove(self) -> None:
        """Find out before the work whether it can be written after it. Raises WirevowError."""
        try:
            existed = self.path.exists()
            special = existed and not stat.S_ISREG(self.path.stat().st_mode)
            if special and not self.path.is_dir():
                return  # a pipe would wait for its reader
            with self.path.open("ab"):
                pass
            if not existed:
                self.path.unlink()
            free = shutil.disk_usage(self.path.parent).free
        except OSError as error:
            raise self._unwritable(error.strerror or str(error)) from error
        if free < ROOM_BYTES:
            raise self._unwritable(f"{free // 1000} kB are free there, {ROOM_BYTES // 1000} kB are needed")

    def write(self, text: str) -> bool:
        """Write it; if that fails, say so."""
        try:
            self.path.write_text(text, encoding="utf-8")
        except OSError as error:
            click.echo(f"wirevow: {self._unwritable(error.strerror or str(error)).message}", err=True)
            return False
        return True

    def _unwritable(self, why: str) -> WirevowError:
        return WirevowError(f"{self.option} {self.path}: it cannot be written ({why}); name another file")


def prove(document: str, outputs: Iterable[Output]) -> None:
    """Each can be written, and none is the document or another one. Raises WirevowError."""
    taken = {os.path.realpath(document): "the document"}
    for output in outputs:
        real = os.path.realpath(output.path)
        if real in taken:
            what = f"{output.option} {output.path}: that is {taken[real]} already"
            raise WirevowError(f"{what}; name another file")
        if not output.path.is_char_device():
            taken[real] = f"the file of {output.option}"
        output.prove()


def write_cases(folder: Path, cases: Iterable[tuple[K, str, str]]) -> dict[K, str]:
    """Write case files, of which each has a key, a name and a text; their paths by the key.

    Where names are equal, the paths are numbered. What cannot be written is said, and ends it.
    """
    written: dict[K, str] = {}
    numbers: Counter[str] = Counter()
    try:
        for key, name, text in cases:
            folder.mkdir(parents=True, exist_ok=True)
            numbers[name] += 1
            again = "" if numbers[name] == 1 else f"-{numbers[name]}"
            path = folder / f"{name}{again}.case"
            path.write_text(text, encoding="utf-8")
            written[key] = str(path)
    except OSError as error:
        why = error.strerror or str(error)
        click.echo(f"wirevow: {folder}: the case files cannot be written ({why}).", err=True)
    return written
