"""Reading a journal: bytes in, records out; what is cut or damaged is left out, and told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.layout import (
    LAYOUT,
    MAGIC,
    MOST_BYTES,
    MOST_TEXT,
    RECORD_BYTES,
    Head,
    Kind,
    Record,
    declared_head,
    needed,
    record_at,
)

CHUNK = 1 << 20
LONGEST_RECORD = RECORD_BYTES + MOST_BYTES
LONGEST_HEAD = 64 + 4 * MOST_TEXT


class Journal:
    """A journal in a file. `told` is complete once all its `records` were taken."""

    def __init__(self, path: str | Path) -> None:
        """Open it and read its head. Raises WirevowError."""
        self.path = Path(path)
        self.told: list[str] = []
        """What is not as it should be, for people."""
        self.ended = ""
        """Why the recording ended, as it says itself; empty while no end was seen."""
        try:
            if self.path.is_dir() or (self.path.exists() and not self.path.is_file()):
                raise WirevowError(f"{path}: this is not a regular file: name a journal")
            with self.path.open("rb") as file:
                self.head, self._first = read_head(file.read(LONGEST_HEAD), str(path))
        except FileNotFoundError:
            raise WirevowError(f"{path}: there is no such file: check the name") from None
        except (OSError, ValueError) as wrong:
            why = getattr(wrong, "strerror", None) or wrong
            raise WirevowError(f"{path}: the journal cannot be read ({why})") from None

    def records(self) -> Iterator[Record]:
        """The records in order, up to the first that is cut or damaged."""
        self.told, self.ended = [], ""
        with self.path.open("rb") as file:
            file.seek(self._first)
            for record in self._whole(file):
                if record.kind is Kind.END:
                    self.ended = record.data.decode("utf-8", "replace")
                yield record
        if not self.ended and not self.told:
            self.told.append(f"{self.path}: the recording has not ended, or was ended abruptly")

    def _whole(self, file: BinaryIO) -> Iterator[Record]:
        data, at, base, last_ns = b"", 0, self._first, 0
        more = True
        while True:
            if more and len(data) - at < LONGEST_RECORD:
                piece = file.read(CHUNK)
                more = bool(piece)
                data, base, at = data[at:] + piece, base + at, 0
                continue
            found = record_at(data, at)
            if found is None or found[0].ns < last_ns:
                break
            record, at = found
            last_ns = record.ns
            yield record
        if at < len(data):
            left = len(data) - at + sum(len(piece) for piece in iter(lambda: file.read(CHUNK), b""))
            self.told.append(f"{self.path}: {self._left_out(data[at:], left)} from byte {base + at} on")

    @staticmethod
    def _left_out(rest: bytes, count: int) -> str:
        if count < needed(rest) or not rest.strip(b"\0"):
            return f"the last record is cut; its {count} bytes were left out,"
        return f"a record is damaged; {count} bytes were left out,"


def is_journal(path: str | Path) -> bool:
    """Whether a file begins as a journal does."""
    if not Path(path).is_file():
        return False
    with open(path, "rb") as file:
        return file.read(len(MAGIC)) == MAGIC


def read_head(data: bytes, name: str) -> tuple[Head, int]:
    """The head at the beginning of a journal, and where its first record is. Raises WirevowError."""
    import construct

    if not data.startswith(MAGIC):
        if data and MAGIC.startswith(data):
            raise WirevowError(f"{name}: the journal is cut before its head ends; there is nothing in it")
        raise WirevowError(f"{name}: this is not a journal; name a file that `wirevow record` has written")
    layout = int.from_bytes(data[len(MAGIC) : len(MAGIC) + 2], "big")
    if len(data) >= len(MAGIC) + 2 and layout != LAYOUT:
        raise WirevowError(
            f"{name}: the journal has layout {layout}, this Wirevow reads layout {LAYOUT}; use a newer one"
        )
    try:
        parsed = declared_head().parse(data)
    except construct.StreamError:
        raise WirevowError(
            f"{name}: the journal is cut before its head ends; there is nothing in it"
        ) from None
    except (construct.ConstructError, UnicodeDecodeError):
        raise WirevowError(f"{name}: the journal's head is damaged; use another copy of it") from None
    value = parsed.body.value
    head = Head(value.began_ns, value.port, value.document, value.version, value.digest)
    return head, len(parsed.body.data) + 4
