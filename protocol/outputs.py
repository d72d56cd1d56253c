"""Files that are written for people, whole or not at all."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from wirevow.protocol.errors import WirevowError


def write(file: Path, text: str) -> None:
    """Write a text, all of it or nothing. Raises WirevowError."""
    begun = file.with_name(f"{file.name}.part")
    try:
        begun.write_text(text, "utf-8")
        begun.replace(file)
    except OSError as error:
        with suppress(OSError):
            begun.unlink(missing_ok=True)
        raise WirevowError(
            f"{file}: it cannot be written ({error.strerror}): make room, or name another place"
        ) from None


def make_folder(folder: Path) -> None:
    """See that it is there. Raises WirevowError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WirevowError(f"{folder}: it cannot be a folder ({error.strerror}); name another") from None
