"""Purposes about a store that firmware of another version of the document has written (`wire.store`)."""

from __future__ import annotations

from collections.abc import Mapping

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.points import doing
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.store import ENTRY, MOST_ENTRIES, marks, saves_mark, tied, whole_image
from wirevow.protocol.vow import PointEntry, Value

MOST_SAVES = 65535
"""The count of saves stays there."""

STRANGE = 0x5A5A5A5A
"""A mark that differs from one of this document's in these bits is a mark of another one's."""


@purpose("wire", "store", 3)
def another_version(t: Tester, r: Requirement) -> None:
    """Images of versions in which one half of the settings means the same and the other something else.

    What limits tie together has the same fate. The entries stand in another order, with one of a setting that
    this version does not have, or as many of such before and behind them as an image has room for. The last
    image is damaged.
    """
    t.need("store")
    save = doing(t, "save")
    if save is None or t.vow.initial not in t.vow.actions[save].to:
        raise NotSelected(f"no action saves in state {t.vow.initial}")
    values = _others(t)
    groups = sorted(set(tied(t.vow).values()), key=min)
    own = marks(t.vow)
    saves = min(t.oracle.twin.store.saves + 3, MOST_SAVES)
    for half in (0, 1):
        same = frozenset().union(*groups[half::2])
        under = {name: mark if name in same else mark ^ STRANGE for name, mark in own.items()}
        kept = {under[name]: values[name] for name in sorted(own, reverse=True)}
        for entries in (MOST_ENTRIES, 0) if half else (0,):
            strange = {STRANGE ^ each: each for each in range(max(entries - 1 - len(kept), 1))}
            before = dict(list(strange.items())[: len(strange) // 2 + 1])
            try:
                _look(t, r, _image(t, {**before, **kept, **strange}, saves), list(own))
                break
            except NotSelected:
                if not entries:
                    raise  # or else this firmware has no room for so many
    whole = _image(t, {own[name]: values[name] for name in own}, saves)
    _look(t, r, bytes([*whole[:-3], whole[-3] ^ 1, *whole[-2:]]), list(own)[:2])
    t.home()
    t.act(save)
    t.keep(r.id)


@purpose("wire", "store", 4)
def saves_at_their_end(t: Tester, r: Requirement) -> None:
    """The count of saves stays at the greatest, and goes on from what an image says."""
    t.need("store")
    save, counted = doing(t, "save"), t.vow.system_name("saves")
    if save is None or counted is None or t.vow.initial not in t.vow.actions[save].to:
        raise NotSelected(f"nothing saves in state {t.vow.initial}, or nothing counts it")
    before = t.oracle.twin.store.saves
    # Behind it what is counted can be told from what was.
    for saves in (MOST_SAVES - 1, min(before + 1, MOST_SAVES - 2)):
        _look(t, r, _image(t, {}, saves), [])
        t.home()
        for _ in range(2):
            t.act(save)
            t.ask(counted)
    t.keep(r.id)


def _others(t: Tester) -> dict[str, int]:
    """Numbers next to the defaults, each within the limits that the others give it."""
    t.home()
    settings = t.oracle.twin.settings
    before = dict(settings)
    found: dict[str, int] = {}
    for entry in (each for each in t.vow.settings if each.saved):
        settings[entry.name] = _next(t, entry, before[entry.name])
        found[entry.name] = _number(entry, settings[entry.name])
    settings.update(before)
    return found


def _next(t: Tester, entry: PointEntry, value: Value) -> Value:
    if not isinstance(value, int):
        return entry.choices[(entry.choices.index(value) + 1) % len(entry.choices)]
    low, high = t.bounds(entry)
    return value + 1 if value < high else max(value - 1, low)


def _number(entry: PointEntry, value: Value) -> int:
    return value if isinstance(value, int) else entry.choices.index(value)


def _image(t: Tester, kept: Mapping[int, int], saves: int) -> bytes:
    entries = {**kept, saves_mark(t.vow): saves}
    return whole_image(b"".join(ENTRY.pack(mark, number) for mark, number in entries.items()))


def _look(t: Tester, r: Requirement, image: bytes, names: list[str]) -> None:
    t.reflash(image)
    try:
        for name in names:
            t.ask(name)
        counted = t.vow.system_name("saves")
        if counted is not None:
            t.ask(counted)
    except Broken as broken:
        due = broken.judgement.expected
        raise Broken(Judgement(False, r.id, due), broken.sent, broken.seen) from broken
