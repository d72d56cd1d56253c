"""What differs between two documents, entry by entry: no judgement yet.

A change of a quantity is told as a change of every point that has it, for hosts know points alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from wirevow.protocol.document.model import Document
from wirevow.protocol.expression import Expression, write

ELEMENTS = ("points", "states", "actions", "trips", "limits", "laws", "records", "promises", "bench")
"""Sections that are mappings of named elements."""
WHOLE = ("vow", "wire", "derating", "fan", "trial", "plant")
"""Sections that are one element; they may be missing."""
GATHERED = ("provoke", "follows", "outputs")
"""Entries that are told as one change, however many of theirs differ."""


@dataclass(frozen=True, slots=True)
class Change:
    """One entry that differs. `old` or `new` is None where it is not there.

    `key` is the entry's name in its element, or "" for an element that has come or gone. `where` are the
    paths of the entry in the old and the new text.
    """

    section: str
    element: str
    key: str
    old: Any
    new: Any
    where: tuple[tuple[str | int, ...], tuple[str | int, ...]]

    @property
    def name(self) -> str:
        """What a person calls it: `points sink.level high`."""
        return " ".join(word for word in (self.section, self.element, self.key) if word)

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        """Where a table by section and entry may tell of it, the nearest first."""
        key = self.key or ("gone" if self.new is None else "come")
        return (self.section, key), ("*", key), (self.section, "*")


def changes(old: Document, new: Document) -> Iterator[Change]:
    """Everything that differs, in the order of the old text; what has come stands after what was there."""
    for section in WHOLE[:2]:
        yield from _whole(section, getattr(old, section), getattr(new, section))
    for section in ELEMENTS:
        yield from _elements(section, old, new)
    for section in WHOLE[2:]:
        yield from _whole(section, getattr(old, section), getattr(new, section))


def text_of(value: Any) -> str:
    """An entry's value as a person would write it."""
    if value is None:
        return "nothing"
    if isinstance(value, Expression):
        return write(value.root)
    if isinstance(value, BaseModel):
        given = value.model_dump(mode="json", by_alias=True, exclude_defaults=True)
        return ", ".join(f"{key}: {text_of(inner)}" for key, inner in given.items())
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return ", ".join(f"{key}: {text_of(inner)}" for key, inner in value.items()) or "nothing"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(text_of(inner) for inner in value) + "]"
    return str(value)


def _whole(section: str, old: BaseModel | None, new: BaseModel | None) -> Iterator[Change]:
    if section == "plant":
        if old != new:
            yield Change(section, "", "parameters", old, new, ((section,), (section,)))
    elif old is None or new is None:
        if old is not new:
            yield Change(section, "", "", old, new, ((section,), (section,)))
    else:
        yield from _fields(section, "", old, new, (section,), (section,))


def _elements(section: str, old: Document, new: Document) -> Iterator[Change]:
    before: Mapping[str, Any] = getattr(old, section)
    after: Mapping[str, Any] = getattr(new, section)
    for name, element in before.items():
        path = (section, name)
        if name not in after:
            yield Change(section, name, "", element, None, (path, (section,)))
        elif section == "promises":
            if element != after[name]:
                yield Change(section, name, "means", element, after[name], (path, path))
        else:
            yield from _fields(section, name, element, after[name], path, path)
            if section == "points":
                yield from _quantity(name, old, new)
    for name, element in after.items():
        if name not in before:
            yield Change(section, name, "", None, element, ((section,), (section, name)))
    common = [name for name in before if name in after]
    if section == "trips" and common != [name for name in after if name in before]:
        order = [name for name in after if name in before]
        yield Change(section, "", "order", common, order, ((section,), (section,)))


def _quantity(name: str, old: Document, new: Document) -> Iterator[Change]:
    before, after = old.points[name].quantity, new.points[name].quantity
    if before is None or after is None:
        return
    yield from _fields(
        "points",
        name,
        old.quantities[before],
        new.quantities[after],
        ("quantities", before),
        ("quantities", after),
        "quantity.",
    )


def _fields(
    section: str,
    element: str,
    old: BaseModel,
    new: BaseModel,
    old_path: tuple[str | int, ...],
    new_path: tuple[str | int, ...],
    prefix: str = "",
) -> Iterator[Change]:
    for key, field in type(old).model_fields.items():
        before, after = getattr(old, key), getattr(new, key)
        if same(before, after) or (section == "points" and key == "quantity"):
            continue
        written = field.alias or key
        if isinstance(before, BaseModel) and isinstance(after, BaseModel) and key not in GATHERED:
            yield from _fields(
                section,
                element,
                before,
                after,
                (*old_path, written),
                (*new_path, written),
                f"{prefix}{key}.",
            )
        else:
            where = ((*old_path, written), (*new_path, written))
            yield Change(section, element, f"{prefix}{key}", before, after, where)


def same(old: Any, new: Any) -> bool:
    """Whether two values mean the same: formulas by their trees, whatever their spaces."""
    if isinstance(old, Expression) and isinstance(new, Expression):
        return write(old.root) == write(new.root)
    return bool(old == new)
