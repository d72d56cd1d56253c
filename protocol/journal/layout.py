"""The bytes of a journal (`spec/journal.md`), declared with `construct`, and a fast way to write records.

A head, then records, each whole in itself: kind, time, bytes, check. Nothing is ever changed after it was
written, so that what was written before an abrupt end is right whatever came then. The check is
CRC-32/ISO-HDLC (catalogue of parametrised CRC algorithms; check value 0xCBF43926), which is `zlib.crc32`.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from typing import Any

MAGIC = b"\xb7VOWJ\r\n\x1a"
"""No text begins so, and a transfer that changes line ends damages it."""
LAYOUT = 1
MOST_BYTES = 0xFFFF
"""Of one record; more are several records of the same time."""
MOST_TEXT = 4096
"""Bytes of a text in the head."""

_FRONT = struct.Struct(">BQH")
_CHECK = struct.Struct(">I")
RECORD_BYTES = _FRONT.size + _CHECK.size
"""Of a record without data."""


class Kind(IntEnum):
    """What a record is about."""

    HOST = 1
    """Bytes from the host program."""
    DEVICE = 2
    """Bytes from the device."""
    OPENED = 3
    """A host program has opened the port."""
    CLOSED = 4
    """It has closed it."""
    END = 5
    """The recording ended in order; its data says why."""
    OWN = 6
    """Bytes that the recorder itself sent to the device, to leave it safe."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a journal says of itself. A text that is not known is empty."""

    began_ns: int
    """When the recording began: the wall clock, in nanoseconds since 1970-01-01 UTC."""
    port: str
    """Where the device was."""
    document: str = ""
    """Name of its document."""
    version: str = ""
    digest: str = ""
    """SHA-256 of the document's wire part, in hex."""


@dataclass(frozen=True, slots=True)
class Record:
    """One thing that happened, `ns` after the recording began on a clock that is never set."""

    kind: Kind
    ns: int
    data: bytes = b""


@cache
def declared_head() -> Any:
    """The head, as `construct` declares it."""
    import construct as c

    text = c.PascalString(c.Int16ub, "utf8")
    body = c.Struct(
        "magic" / c.Const(MAGIC),
        "layout" / c.Int16ub,
        "began_ns" / c.Int64ub,
        "port" / text,
        "document" / text,
        "version" / text,
        "digest" / text,
    )
    return c.Struct("body" / c.RawCopy(body), "check" / c.Checksum(c.Int32ub, zlib.crc32, c.this.body.data))


@cache
def declared_record() -> Any:
    """A record, as `construct` declares it."""
    import construct as c

    body = c.Struct("kind" / c.Int8ub, "ns" / c.Int64ub, "data" / c.Prefixed(c.Int16ub, c.GreedyBytes))
    return c.Struct("body" / c.RawCopy(body), "check" / c.Checksum(c.Int32ub, zlib.crc32, c.this.body.data))


def head_bytes(head: Head) -> bytes:
    """The head, as it stands in a file."""
    texts = {name: getattr(head, name) for name in ("port", "document", "version", "digest")}
    body = {"magic": MAGIC, "layout": LAYOUT, "began_ns": head.began_ns, **texts}
    return bytes(declared_head().build({"body": {"value": body}}))


def record_bytes(kind: int, ns: int, data: bytes = b"") -> bytes:
    """A record of at most `MOST_BYTES`, as it stands in a file.

    What `declared_record` builds, in a hundredth of the time: it is on the way of every byte.
    """
    body = _FRONT.pack(kind, ns, len(data)) + data
    return body + _CHECK.pack(zlib.crc32(body))


def record_at(data: bytes, at: int) -> tuple[Record, int] | None:
    """The record that begins at this offset, and where the next one does; None if none does."""
    if len(data) - at < RECORD_BYTES:
        return None
    kind, ns, length = _FRONT.unpack_from(data, at)
    end = at + _FRONT.size + length
    if not Kind.HOST <= kind <= Kind.OWN or len(data) - end < _CHECK.size:
        return None
    if _CHECK.unpack_from(data, end)[0] != zlib.crc32(memoryview(data)[at:end]):
        return None
    return Record(Kind(kind), ns, data[at + _FRONT.size : end]), end + _CHECK.size


def needed(data: bytes) -> int:
    """How many bytes the record that begins here has, as far as it says."""
    length = _FRONT.unpack_from(data)[2] if len(data) >= _FRONT.size else 0
    return RECORD_BYTES + int(length)
