"""Faults of what only some documents say; their exchanges are with a Skerry (`spec/skerry.yaml`)."""

from __future__ import annotations

from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Device
from wirevow.protocol.vow import PointEntry, Vow

extras = Kind("extras")


def _own_digits(vow: Vow) -> bool:
    return any("#" in word for entry in vow.points.values() for word in entry.text)


@extras.device(
    "text-first-word-only",
    "Of a text of several words only the first is answered.",
    breaks="point.*.text",
    depth=1,
    applies=lambda vow: any(len(entry.text) > 1 for entry in vow.points.values()),
)
class TextFirstWordOnly(Device):
    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        return super()._text(entry)[:1]


@extras.device(
    "text-never-given-out",
    "Nobody has given the instrument its own digits: it answers the pattern.",
    breaks="point.*.text",
    depth=1,
    applies=_own_digits,
)
class TextNeverGivenOut(Device):
    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        return entry.text


@extras.device(
    "text-counts-boots",
    "The digits of its own are kept where the count of boots is.",
    breaks="point.*.text",
    depth=2,
    rig=True,
    applies=_own_digits,
)
class TextCountsBoots(Device):
    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        digits = iter(f"{self.store.boots - 1:0{sum(word.count('#') for word in entry.text)}d}")
        return tuple("".join(next(digits) if each == "#" else each for each in word) for word in entry.text)
