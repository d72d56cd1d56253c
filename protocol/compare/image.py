"""A dump of a store, and what firmware of the new document makes of the image that is in it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from pathlib import Path

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import file_content
from wirevow.protocol.store import (
    ENTRY,
    HEAD,
    MARK,
    MOST_ENTRIES,
    marks,
    read_image,
    saves_mark,
    value_of_number,
)
from wirevow.protocol.vow import Value, Vow

MOST_DUMP_BYTES = 256 * 1024
"""Of a dump: far more than a store of settings has."""
AHEAD = 128
"""Of two images the newer is ahead by less than this (`spec/wire.md`, "The store")."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A saved setting of the new document: its value after the change, and why it is that.

    `was` is what the old firmware had there, as its words; "" where the image has nothing of that name.
    """

    name: str
    words: tuple[str, ...]
    kept: bool
    was: str


@dataclass(frozen=True, slots=True)
class Image:
    """The newest whole image of a dump, as firmware of the new document sees it."""

    place: int
    number: int
    saves: int | None
    entries: int
    of_old: int
    """Entries that the old document knows."""
    of_new: int
    settings: tuple[Taken, ...]


def read_dump(path: str, old: Vow, new: Vow) -> Image:
    """The newest whole image in the dump of a store. WirevowError, with the place, where there is none."""
    try:
        dump = file_content(Path(path), MOST_DUMP_BYTES, "dump of a store")
    except ValueError as wrong:
        raise WirevowError(f"{path}: {wrong}") from None
    known = {*_named(old), *_named(new)}
    any_mark = b"|".join(re.escape(MARK.pack(mark)) for mark in known)
    places = {found.start() for found in re.finditer(any_mark, dump, re.DOTALL)}
    if not places:
        hint = " (it looks like Intel HEX: give the bytes themselves)" if dump.startswith(b":") else ""
        raise WirevowError(f"{path}: nothing in it was saved by firmware of either document{hint}")
    whole = {place: image for place in _heads(dump, places) if (image := read_image(dump[place:]))}
    if not whole:
        raise WirevowError(
            f"{path}: from byte {min(places)} on it has settings of these documents, but no image is whole: "
            "it is cut short or damaged; dump the whole store again"
        )
    place = reduce(lambda one, other: _newer(dump, one, other), sorted(whole))
    return _seen(place, dump[place], whole[place], old, new)


def _heads(dump: bytes, places: set[int]) -> Iterator[int]:
    """Where an image may begin that has a known mark at one of these places."""
    for head in range(len(dump) - HEAD.size):
        size = HEAD.unpack_from(dump, head)[1]
        begin = head + HEAD.size
        fits = size % ENTRY.size == 0 and size <= MOST_ENTRIES * ENTRY.size
        if fits and any(place in places for place in range(begin, begin + size, ENTRY.size)):
            yield head


def _newer(dump: bytes, one: int, other: int) -> int:
    return other if (dump[other] - dump[one]) % 256 < AHEAD else one


def _named(vow: Vow) -> dict[int, str]:
    return {**{mark: name for name, mark in marks(vow).items()}, saves_mark(vow): ""}


def _seen(place: int, number: int, kept: Mapping[int, int], old: Vow, new: Vow) -> Image:
    before, after = _named(old), _named(new)
    had = {before[mark]: (old, value) for mark, value in kept.items() if mark in before}
    settings = []
    for name, mark in marks(new).items():
        entry = new.points[name]
        value: Value = value_of_number(entry, kept[mark]) if mark in kept else entry.default
        vow, counts = had.get(name, (new, kept.get(mark)))
        was = "" if counts is None else " ".join(_words(vow, name, counts))
        settings.append(Taken(name, entry.words(value), mark in kept, was))
    return Image(
        place,
        number,
        kept.get(saves_mark(new), kept.get(saves_mark(old))),
        len(kept),
        len(kept.keys() & before.keys()),
        len(kept.keys() & after.keys()),
        tuple(settings),
    )


def _words(vow: Vow, name: str, counts: int) -> tuple[str, ...]:
    entry = vow.points[name]
    return entry.words(value_of_number(entry, counts))
