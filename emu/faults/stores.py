"""Faults of firmware that finds a store which another version has written."""

from __future__ import annotations

from wirevow.emu.faults.boots import does
from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Device
from wirevow.protocol.store import CHECK, HEAD, marks, read_image, saves_mark, whole_image

stores = Kind("stores")


def _entries(image: bytes) -> bytes:
    return image[HEAD.size : -CHECK.size]


@stores.device("wire.store", lambda vow: does(vow, "save"))
class ForeignImageByPlace(Device):
    """What is in the store is taken by its place, whatever its mark says."""

    def keep(self, image: bytes) -> None:
        super().keep(image)
        kept = read_image(image) or {}
        numbers = [number for mark, number in kept.items() if mark != saves_mark(self.vow)]
        for name, number in zip(marks(self.vow), numbers, strict=False):
            entry = self.vow.points[name]
            words = entry.choices
            self.store.settings[name] = number if entry.scale is not None else words[number % len(words)]


@stores.device("wire.store", lambda vow: does(vow, "save"))
class ForeignImageLostWhole(Device):
    """One setting that is not known in the store, and all of them are taken for damaged."""

    def keep(self, image: bytes) -> None:
        super().keep(image)
        if (read_image(image) or {}).keys() - {*marks(self.vow).values(), saves_mark(self.vow)}:
            self.store.settings = {}


@stores.device("wire.store", lambda vow: does(vow, "save") and vow.system_point("saves") is not None)
class ForeignImageCountsAnew(Device):
    """With a store that another version has written, saves are counted from the beginning."""

    def keep(self, image: bytes) -> None:
        super().keep(image)
        if (read_image(image) or {}).keys() - {*marks(self.vow).values(), saves_mark(self.vow)}:
            self.store.saves = 0


@stores.device("wire.store", lambda vow: does(vow, "save"))
class StoreCheckNotLookedAt(Device):
    """The check of what is in the store is not looked at."""

    def keep(self, image: bytes) -> None:
        super().keep(whole_image(_entries(image)))
