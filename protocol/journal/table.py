"""A journal as a table: what is kept of it, and as text, CSV, JSON lines or Apache Parquet.

A row is a line (`lines_of`) or a record (`records_of`). The same columns everywhere; in Parquet the head of
the journal stands in the metadata.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from functools import lru_cache
from pathlib import Path
from typing import Any

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.exchanges import lines
from wirevow.protocol.journal.layout import Head, Kind
from wirevow.protocol.journal.reading import Journal

NS_PER_S = 1_000_000_000
BATCH = 10_000
"""Rows that are in memory at once, at most."""
SUFFIXES = (".csv", ".jsonl", ".parquet")


@dataclass(frozen=True, slots=True)
class Row:
    """One line, or one record."""

    seconds: float
    """Since the recording began."""
    utc: str
    """By the wall clock when it began: ISO 8601, to the microsecond."""
    side: str
    """host or device: who said it."""
    what: str
    """request, reply, notice, bytes (none of them, or not ended), opened, closed, end; record."""
    name: str
    """The point or action it is about; a reply is about what its request was."""
    text: str
    """Without the line end; what is not printable ASCII as \\xHH, and a backslash as \\x5c."""


COLUMNS = tuple(field.name for field in fields(Row))


@dataclass(frozen=True, slots=True)
class Choice:
    """Which rows are wanted; None is all."""

    side: str | None = None
    name: str | None = None
    """A pattern, `sink.*`."""
    since_ns: int | None = None
    until_ns: int | None = None

    def holds(self, row: Row, ns: int) -> bool:
        return (
            self.side in (None, row.side)
            and (self.name is None or fnmatchcase(row.name, self.name))
            and (self.since_ns is None or ns >= self.since_ns)
            and (self.until_ns is None or ns <= self.until_ns)
        )


_PLAIN = bytes(byte for byte in range(0x20, 0x7F) if byte != 0x5C)
_SHOWN = [chr(byte) if byte in _PLAIN else f"\\x{byte:02x}" for byte in range(256)]


def text_of(data: bytes) -> str:
    """Bytes as text from which they can be had again."""
    if not data.translate(None, _PLAIN):
        return data.decode("ascii")
    return "".join(_SHOWN[byte] for byte in data)


def utc(head: Head, ns: int) -> str:
    """An instant of the journal by the wall clock; empty if there is no such date."""
    seconds, rest = divmod(head.began_ns + ns, NS_PER_S)
    text = _second(seconds)
    return f"{text}.{rest // 1000:06d}Z" if text else ""


@lru_cache(1024)
def _second(seconds: int) -> str:
    try:
        return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}"
    except (ValueError, OverflowError, OSError):
        return ""


def rows(journal: Journal, choice: Choice, whole_records: bool = False) -> Iterator[Row]:
    """The rows that are wanted, in order: lines, or with `whole_records` every record as it was read."""
    for ns, row in _records(journal) if whole_records else _lines(journal):
        if choice.holds(row, ns):
            yield row


def _records(journal: Journal) -> Iterator[tuple[int, Row]]:
    for record in journal.records():
        side = "device" if record.kind is Kind.DEVICE else "host" if record.kind < Kind.END else "recorder"
        what = "record" if record.kind in (Kind.HOST, Kind.DEVICE, Kind.OWN) else record.kind.name.lower()
        stamp = utc(journal.head, record.ns)
        yield record.ns, Row(record.ns / NS_PER_S, stamp, side, what, "", text_of(record.data))


def _lines(journal: Journal) -> Iterator[tuple[int, Row]]:
    for line in lines(journal.records()):
        side = "host" if line.kind is Kind.HOST else "device"
        what = line.what if line.whole else "bytes"
        stamp = utc(journal.head, line.ns)
        yield line.ns, Row(line.ns / NS_PER_S, stamp, side, what, line.name, text_of(line.data))


def json_text(row: Row) -> str:
    """A row as one JSON object."""
    return json.dumps(asdict(row))


def export(journal: Journal, chosen: Iterable[Row], path: str) -> int:
    """Write the rows to a file of the kind that its name ends in; how many. Raises WirevowError."""
    write = {".csv": _csv, ".jsonl": _jsonl, ".parquet": _parquet}.get(Path(path).suffix)
    if write is None:
        raise WirevowError(f"{path}: the name has to end in {', '.join(SUFFIXES)}; that says what it becomes")
    try:
        return write(journal, chosen, path)
    except OSError as error:
        raise WirevowError(
            f"{path}: it cannot be written ({error.strerror or error}); name another"
        ) from None


def _csv(journal: Journal, chosen: Iterable[Row], path: str) -> int:
    with open(path, "w", newline="", encoding="ascii") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        return _counted(chosen, lambda row: writer.writerow([getattr(row, name) for name in COLUMNS]))


def _jsonl(journal: Journal, chosen: Iterable[Row], path: str) -> int:
    with open(path, "w", encoding="ascii") as file:
        return _counted(chosen, lambda row: file.write(json_text(row) + "\n"))


def _counted(chosen: Iterable[Row], put: Callable[[Row], object]) -> int:
    count = 0
    for row in chosen:
        put(row)
        count += 1
    return count


def _parquet(journal: Journal, chosen: Iterable[Row], path: str) -> int:
    try:
        import pyarrow
        import pyarrow.parquet
    except ModuleNotFoundError:
        raise WirevowError("pyarrow is missing: install wirevow[tables]") from None
    schema = pyarrow.schema(
        [(name, pyarrow.float64() if name == "seconds" else pyarrow.string()) for name in COLUMNS],
        metadata={"wirevow": json.dumps(asdict(journal.head), sort_keys=True)},
    )
    count = 0
    batch: list[Row] = []
    with pyarrow.parquet.ParquetWriter(path, schema) as writer:

        def flush() -> None:
            table: Any = pyarrow.table(
                {name: [getattr(row, name) for row in batch] for name in COLUMNS}, schema=schema
            )
            writer.write_table(table)
            batch.clear()

        for row in chosen:
            batch.append(row)
            count += 1
            if len(batch) == BATCH:
                flush()
        flush()
    return count
