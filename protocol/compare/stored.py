"""What firmware of a new document makes of what firmware of the old one has saved (`wire.store`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from wirevow.protocol.store import declared, marks, tied
from wirevow.protocol.vow import PointEntry, Vow

Fate = Literal["kept", "lost", "new", "misread"]


@dataclass(frozen=True, slots=True)
class Stored:
    """What becomes of a saved setting, and why.

    `unmarked`: what firmware that goes by places alone would take for it, where the old layout still fits
    the new one; "" where that would be right, or no layout fits.
    """

    name: str
    fate: Fate
    reason: str
    unmarked: str = ""


def stored(old: Vow, new: Vow) -> Iterator[Stored]:
    """Every setting that the old document saves, then those that only the new one does."""
    before, after = marks(old), marks(new)
    by_mark = {mark: name for name, mark in before.items()}
    mistaken = _unmarked(old, new)
    for name, mark in before.items():
        unmarked = mistaken.get(name, "")
        if after.get(name) == mark:
            yield Stored(name, "kept", "it means the same", unmarked)
        else:
            yield Stored(name, "lost", _why(old, new, name), unmarked)
    for name, mark in after.items():
        other = by_mark.get(mark, name)
        if other != name:
            yield Stored(name, "misread", f"its mark is that of {other} of before: give it another name")
        elif name not in before:
            reason = "an image of before has no value for it: it begins at its default"
            yield Stored(name, "new", reason, mistaken.get(name, ""))


def _why(old: Vow, new: Vow, name: str) -> str:
    before, after = _lines(old), _lines(new)
    if name not in after:
        return "it is gone"
    if before[name] != after[name]:
        return f"it was {before[name]}, it is {after[name]}"
    entry = new.points[name]
    if not entry.saved:
        return "a save no longer keeps it"
    groups = tied(old)[name] | tied(new)[name]
    other = min((each for each in groups if before.get(each) != after.get(each)), default=None)
    if other is None:
        other = min(tied(old)[name] ^ tied(new)[name])
    return f"limits tie it to {other}, which is not as it was; it falls to its default with that"


def _lines(vow: Vow) -> dict[str, str]:
    return {entry.name: declared(entry).partition(" ")[2] for entry in vow.settings}


def _unmarked(old: Vow, new: Vow) -> dict[str, str]:
    """By setting of the new document: whose number would be taken for it, if the old layout fits."""
    before, after = _layout(old), _layout(new)
    if len(before) != len(after):
        return {}
    told: dict[str, str] = {}
    for was, now in zip(before, after, strict=True):
        if was.name == now.name and _reads(was) == _reads(now):
            continue
        number = was.number.high if was.scale is not None else len(was.choices) - 1
        told[now.name] = f"{_said(was, number)} of {was.name} would be {_said(now, number)}"
    return told


def _layout(vow: Vow) -> list[PointEntry]:
    """Saved settings by place."""
    return [entry for entry in vow.settings if entry.saved]


def _reads(entry: PointEntry) -> tuple[object, ...]:
    scale = entry.scale
    return entry.choices if scale is None else (scale.unit, scale.step)


def _said(entry: PointEntry, number: int) -> str:
    if entry.scale is not None:
        return " ".join(entry.words(number))
    return entry.choices[number] if number < len(entry.choices) else f"word number {number}, which it has not"
