"""Settings at a glance: records in which there is nothing else show many of them in a few lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext

from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.vow import PointEntry, part_count, record_of


def images(t: Tester) -> list[PointEntry]:
    """Records in which there is nothing but settings and constants: a few lines show them all."""
    return [
        entry
        for entry in t.vow.points.values()
        if entry.kind == "record"
        and all(
            isinstance(field.value, int)
            or (field.count == 1 and t.vow.points[field.value].source == "setting")
            for field in record_of(t.vow, entry).fields
        )
    ]


def ask_parts(t: Tester, entry: PointEntry) -> None:
    """Ask every part of a record."""
    for index in range(part_count(t.vow, entry)):
        t.say(f"ask {entry.name} {index}")


def look_at_settings(t: Tester) -> None:
    """All that records show of them."""
    for entry in images(t):
        ask_parts(t, entry)


def see_settings(
    t: Tester, entries: Sequence[PointEntry], aspect: Callable[[PointEntry], str] | None = None
) -> None:
    """See what settings are: in records, if that takes fewer lines, and the others one by one.

    `aspect` is what a wrong value of a setting bears on, if that is known. What is wrong in a record is asked
    point by point as well, so that the promise which is broken is accused, and not the record's layout.
    """
    parts = sum(part_count(t.vow, each) for each in images(t))
    fields = {str(field.value) for each in images(t) for field in record_of(t.vow, each).fields}
    shown = [entry for entry in entries if entry.name in fields]
    if len(shown) <= parts:
        shown = []
    if shown:
        try:
            look_at_settings(t)
        except Broken:
            _one_by_one(t, shown, aspect)
            raise
    _one_by_one(t, [entry for entry in entries if entry not in shown], aspect)


def _one_by_one(t: Tester, entries: Sequence[PointEntry], aspect: Callable[[PointEntry], str] | None) -> None:
    for entry in entries:
        with nullcontext() if aspect is None else t.blaming(aspect(entry)):
            t.ask(entry.name)
