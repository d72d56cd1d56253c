"""What may come next in a line of the console, and what the document says of what stands there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from wirevow.emu.talk.lines import COLONS, TIMES, VERBS, Talk


class Offer(NamedTuple):
    """A word that may stand here, and what it means."""

    word: str
    means: str


def offers(talk: Talk, text: str) -> list[Offer]:
    """The words that may complete the last one in `text`, the line up to the cursor."""
    before, last = _split(text)
    return [each for each in _next(talk, before) if each.word.startswith(last) and each.word != last]


def hint(talk: Talk, text: str) -> str:
    """What the document says of the last thing that is named in `text`; empty if nothing is."""
    for word in reversed(text.split()):
        told = talk.means(word)
        if told is not None:
            return told
    return ""


def _split(text: str) -> tuple[list[str], str]:
    words = text.split()
    if not words or text[-1].isspace():
        return words, ""
    return words[:-1], words[-1]


def _next(talk: Talk, before: list[str]) -> Iterable[Offer]:
    vow = talk.vow
    match before:
        case []:
            yield from (Offer(*each) for each in VERBS.items())
            yield from _names(talk, vow.points)
            hidden = () if talk.events else (":bench",)
            yield from (Offer(*each) for each in COLONS.items() if each[0] not in hidden)
        case ["ask"]:
            yield from _names(talk, vow.points)
        case ["put"]:
            yield from _names(talk, (name for name, entry in vow.points.items() if entry.settable))
        case ["put", name] if name in vow.points:
            yield from (Offer(choice, "") for choice in vow.points[name].choices)
        case ["put", name, _] if name in vow.points:
            scale = vow.points[name].scale
            if scale is not None and scale.unit != "1":
                yield Offer(scale.unit, "")
        case ["act"]:
            yield from _names(talk, vow.actions)
        case ["act", name] if name in vow.actions:
            yield from (Offer(str(number), "") for number in range(vow.actions[name].many))
        case [":help"]:
            yield from _names(talk, (*vow.points, *vow.actions, *talk.events))
        case [":bench"]:
            yield from _names(talk, talk.events)
        case [":bench", event] if event in talk.events:
            yield from (Offer(choice, "") for choice in talk.events[event].choice or ())
        case [":bench", event, _] if event in talk.events:
            quantity = talk.events[event].value
            if quantity is not None and vow.document.quantities[quantity].unit != "1":
                yield Offer(vow.document.quantities[quantity].unit, "")
        case [":wait", _]:
            yield from (Offer(unit, "") for unit in TIMES)


def _names(talk: Talk, names: Iterable[str]) -> Iterator[Offer]:
    for name in names:
        # The name is in the column beside.
        yield Offer(name, (talk.means(name) or "").removeprefix(name).removeprefix("()").removeprefix(": "))
