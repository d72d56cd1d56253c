"""Documents for whoever runs something by them: found, vetted and compiled."""

from __future__ import annotations

import subprocess
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from wirevow.emu.plant.registry import looked_at
from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import Loaded, load_document, read_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow

if TYPE_CHECKING:
    from wirevow.protocol.dialect.file import Phrasebook

GIT_S = 20
"""Longest that git may take."""


def sound(doc: str | PathLike[str]) -> Loaded[Document]:
    """A document that does not contradict itself; no instrument could keep another. Raises WirevowError."""
    loaded = load_document(find(str(doc)))
    return _sound(loaded, f"`wirevow vet {loaded.name}` shows all")


def load(doc: str | PathLike[str]) -> Vow:
    """The document in a file, or a ready one by name, vetted and made ready to run. Raises WirevowError."""
    return compile_vow(sound(doc).document)


def spoken(dialect: str | PathLike[str] | None, vow: Vow) -> tuple[Phrasebook | None, Vow]:
    """The dialect in a file, or a ready one by name, and what firmware that speaks it can be held to.

    Without one, none and the document as it is. Raises WirevowError.
    """
    if dialect is None:
        return None, vow
    from wirevow.protocol.dialect.file import load_phrasebook
    from wirevow.protocol.dialect.narrow import narrowed

    book = load_phrasebook(find(str(dialect), "dialects"), vow)
    return book, narrowed(book)


def version(given: str) -> Loaded[Document]:
    """A version of a document: a file's, a ready one's, or REVISION:PATH of git's. Raises WirevowError."""
    revision, colon, path = given.partition(":")
    if not colon or Path(given).exists():
        return sound(given)
    try:
        done = subprocess.run(
            ["git", "show", f"{revision}:{path}"], capture_output=True, timeout=GIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise WirevowError(f"{given}: git cannot be asked ({error}); give a file") from error
    if done.returncode:
        why = done.stderr.decode("utf-8", "replace").strip().splitlines() or ["it says nothing"]
        raise WirevowError(f"{given}: git does not have it ({why[0]}); write REVISION:PATH from its top")
    return _sound(read_document(done.stdout, given), "mend that version first, or compare another")


def _sound(loaded: Loaded[Document], remedy: str) -> Loaded[Document]:
    errors = vet(loaded, looked_at(loaded)).errors
    if errors:
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        raise WirevowError(f"{errors[0].text(loaded.name)}{more}; {remedy}")
    return loaded
