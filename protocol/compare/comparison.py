"""Two versions of a document compared: every difference judged, renames offered, the version asked for."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from wirevow.protocol.compare.changes import ELEMENTS, Change, changes, same
from wirevow.protocol.compare.rules import SAFE, Effect, Grade, Pair, Side, effects
from wirevow.protocol.compare.stored import Stored, stored
from wirevow.protocol.document.load import Loaded
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import SECTIONS, requirement_ids
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import compile_vow

Part = Literal["major", "minor", "patch"]
PARTS: tuple[Part, ...] = ("major", "minor", "patch")
SIDES: tuple[Side, ...] = ("bench", "host", "store")
"""In the order of reports: what can hurt stands first."""
_GRADES = ("later", "otherwise", "earlier", "misread", "breaks", "may break", "lost", "safe")
RANK = {grade: rank for rank, grade in enumerate(_GRADES)}

_SECTION = {key: section for section, (key, _) in SECTIONS.items()}


@dataclass(frozen=True, slots=True)
class Difference:
    """One effect of one change: the requirement it bears on, and its place in both texts (`FILE:LINE`)."""

    requirement: str
    name: str
    element: str
    effect: Effect
    old_place: str
    new_place: str
    change: Change = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Rename:
    """An element that has gone and one that has come, the same but for name and prose."""

    section: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two versions of a document differ in. `asked` is the part of the version that has to rise."""

    instrument: str
    old_version: str
    new_version: str
    differences: tuple[Difference, ...]
    renames: tuple[Rename, ...]
    asked: Part | None
    enough: bool
    """The new version is high enough for what has changed."""
    stored: tuple[Stored, ...] = ()
    """What becomes of every setting that is saved, before or now."""
    used: tuple[int, int] | None = None
    """How many of the old document's points and actions a host uses, of how many; None if nobody asked."""

    def counts(self) -> Counter[str]:
        """Differences by grade."""
        return Counter(difference.effect.grade for difference in self.differences)

    def of(self, side: Side) -> list[Difference]:
        """The differences of one side, the gravest first."""
        return [difference for difference in self.differences if difference.effect.side == side]


def compare(old: Loaded[Document], new: Loaded[Document], uses: Collection[str] | None = None) -> Comparison:
    """Compare two documents that vet without errors. `uses`: names that a host touches; nothing else counts.

    Raises WirevowError for two instruments, or two versions of the wire.
    """
    names = old.document.vow.name, new.document.vow.name
    if names[0] != names[1]:
        raise WirevowError(
            f"{new.name}: this is the document of {names[1]}, {old.name} that of {names[0]}; "
            "compare two versions of one instrument's document"
        )
    pair = Pair(old.document, new.document)
    known = requirement_ids(old.document) | requirement_ids(new.document)
    found = [
        Difference(
            _requirement(change, effect, known),
            change.name,
            change.element,
            effect,
            f"{old.name}:{old.marks.line(*change.where[0])}",
            f"{new.name}:{new.marks.line(*change.where[1])}",
            change,
        )
        for change in changes(pair.old, pair.new)
        for effect in effects(pair, change)
    ]
    fates = tuple(stored(compile_vow(pair.old), compile_vow(pair.new)))
    found += [_of_the_store(each, old, new) for each in fates if each.fate in ("lost", "misread")]
    asked = _asked(found)
    used = None
    if uses is not None:
        hosts = {*pair.old.points, *pair.old.actions}
        touched = hosts & set(uses)
        found = [each for each in found if each.element not in hosts or each.element in touched]
        used = len(touched), len(hosts)
    found.sort(key=lambda each: (SIDES.index(each.effect.side), RANK[each.effect.grade]))
    return Comparison(
        pair.old.vow.name,
        pair.old.vow.version,
        pair.new.vow.version,
        tuple(found),
        tuple(_renames(pair)),
        asked,
        _enough(pair.old.vow.version, pair.new.vow.version, asked),
        fates,
        used,
    )


def names_in(text: str, document: Document) -> frozenset[str]:
    """Points and actions of a document that a text (a host program's source, its recording) names."""
    words = set(re.findall(r"[a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)*", text))
    return frozenset(name for name in (*document.points, *document.actions) if name in words)


def _of_the_store(found: Stored, old: Loaded[Document], new: Loaded[Document]) -> Difference:
    path = ("points", found.name)
    grade: Grade = "lost" if found.fate == "lost" else "misread"
    return Difference(
        f"point.{found.name}",
        f"points {found.name} saved",
        found.name,
        Effect("store", grade, found.reason),
        f"{old.name}:{old.marks.line(*path)}",
        f"{new.name}:{new.marks.line(*path)}",
        Change("points", found.name, "saved", None, None, (path, path)),
    )


def _requirement(change: Change, effect: Effect, known: Collection[str]) -> str:
    """The requirement's id, or that of its element where the change bears on all of it."""
    section = _SECTION.get(change.section, change.section)
    element = ".".join(part for part in (section, change.element) if part)
    whole = f"{element}.{effect.aspect}" if effect.aspect else element
    return whole if whole in known else element


def _asked(found: list[Difference]) -> Part | None:
    """Semantic versioning (semver.org, 2.0.0), items 6 to 8: what a host or a bench may notice is major."""
    if not found:
        return None
    if any(difference.effect.grade != SAFE for difference in found):
        return "major"
    come = any(difference.change.key == "" and difference.change.new is not None for difference in found)
    return "minor" if come else "patch"


def _enough(old: str, new: str, asked: Part | None) -> bool:
    before, after = [int(part) for part in old.split(".")], [int(part) for part in new.split(".")]
    if asked is None:
        return after >= before
    # Semantic versioning, item 4: below 1.0.0 anything may change, by custom with the second number.
    last = max(PARTS.index(asked), 1) if before[0] == 0 and after[0] == 0 else PARTS.index(asked)
    return after[: last + 1] > before[: last + 1]


def _renames(pair: Pair) -> Iterator[Rename]:
    for section in ELEMENTS:
        old, new = getattr(pair.old, section), getattr(pair.new, section)
        come = [name for name in new if name not in old]
        for name in old:
            if name in new:
                continue
            like = [other for other in come if _alike(old[name], new[other])]
            if len(like) == 1:
                yield Rename(section, name, like[0])


def _alike(old: Any, new: Any) -> bool:
    if isinstance(old, str):
        return bool(old == new)
    return all(same(getattr(old, key), getattr(new, key)) for key in type(old).model_fields if key != "means")
