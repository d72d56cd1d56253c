"""What a save leaves, and what firmware of another version takes from it (`spec/wire.md`, "The store").

A value is kept under a *mark*, not at a place: a digest of everything that gives the number its meaning. So
firmware of another document takes what means the same to it, wherever it stands, and nothing else.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Iterator, Mapping
from zlib import crc32

from wirevow.protocol.expression import write
from wirevow.protocol.vow import PointEntry, Value, Vow

HEAD = struct.Struct("<BH")
"""Number of the image, bytes of its entries."""
ENTRY = struct.Struct("<Ii")
"""Mark and value."""
MOST_ENTRIES = 255
MARK = struct.Struct("<I")
CHECK = struct.Struct("<H")
SAVES = "saves"
"""The line of the number of saves, which is kept under a mark like a setting."""


def tied(vow: Vow) -> dict[str, frozenset[str]]:
    """Each saved setting's group: itself and all that limits tie to it, directly or through others."""
    groups = {entry.name: {entry.name} for entry in vow.settings}
    for entry in vow.settings:
        for limit in (entry.low, entry.high):
            for other in () if limit is None else limit.names & groups.keys():
                joined = groups[entry.name] | groups[other]
                for name in joined:
                    groups[name] = joined
    return {entry.name: frozenset(groups[entry.name]) for entry in vow.settings if entry.saved}


def declared(entry: PointEntry) -> str:
    """What gives a setting's number its meaning, in one line: unit, step, range and limits, or the words."""
    if entry.scale is None:
        return " ".join((entry.name, *entry.choices))
    scale = entry.scale
    words = [entry.name, scale.unit, *map(scale.text, (1, scale.low, scale.high))]
    for key, limit in (("low", entry.low), ("high", entry.high)):
        words += [] if limit is None else [key, write(limit.root)]
    return " ".join(words)


def marks(vow: Vow) -> dict[str, int]:
    """The mark of each saved setting."""
    lines = {entry.name: declared(entry) for entry in vow.settings}
    return {
        name: _mark(vow, lines[name], *(lines[each] for each in sorted(group - {name})))
        for name, group in tied(vow).items()
    }


def saves_mark(vow: Vow) -> int:
    """The mark of the number of saves."""
    return _mark(vow, SAVES)


def _mark(vow: Vow, *lines: str) -> int:
    return crc32("\n".join((vow.identity[0], *lines)).encode())


def image_of(vow: Vow, settings: Mapping[str, Value], saves: int, number: int = 0) -> bytes:
    """The image that a save of these settings leaves, `saves` of them so far."""
    entries = b""
    for name, mark in marks(vow).items():
        value = settings[name]
        counts = value if isinstance(value, int) else vow.points[name].choices.index(value)
        entries += ENTRY.pack(mark, counts)
    entries += ENTRY.pack(saves_mark(vow), saves)
    return whole_image(entries, number)


def whole_image(entries: bytes, number: int = 0) -> bytes:
    """The entries with what goes before and after them."""
    image = HEAD.pack(number % 256, len(entries)) + entries
    return image + CHECK.pack(crc_hqx(image, 0xFFFF))


def read_image(image: bytes) -> dict[int, int] | None:
    """What a whole image at the beginning of these bytes keeps: value by mark; None if there is none."""
    if len(image) < HEAD.size:
        return None
    end = HEAD.size + HEAD.unpack_from(image)[1]
    if len(image) < end + CHECK.size or CHECK.unpack_from(image, end)[0] != crc_hqx(image[:end], 0xFFFF):
        return None
    kept: dict[int, int] = {}
    for at in range(HEAD.size, end - ENTRY.size + 1, ENTRY.size):
        kept.setdefault(*ENTRY.unpack_from(image, at))
    return kept


def taken(vow: Vow, kept: Mapping[int, int]) -> Iterator[tuple[str, Value]]:
    """Settings that firmware of this document takes, with their values; the others are at their defaults."""
    for name, mark in marks(vow).items():
        if mark in kept:
            yield name, value_of_number(vow.points[name], kept[mark])


def value_of_number(entry: PointEntry, number: int) -> Value:
    """What a kept number stands for; the default for one that no firmware of the document can have kept."""
    low, high = (entry.number.low, entry.number.high) if entry.scale else (0, len(entry.choices) - 1)
    if not low <= number <= high:
        return entry.default
    return number if entry.scale is not None else entry.choices[number]
