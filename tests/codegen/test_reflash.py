"""A store written under one document and read under another: the device half and the C core alike."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings

from tests.codegen.build import Core, build_library, have
from tests.codegen.differential import Model
from tests.codegen.versions import Setting, versions, vow_of
from wirevow.protocol.codegen.tables import tables
from wirevow.protocol.compare.stored import stored
from wirevow.protocol.device import Device
from wirevow.protocol.store import declared, image_of, read_image, tied
from wirevow.protocol.vow import Vow


def device(vow: Vow) -> Device:
    model = Model(vow, tables(vow))
    model.device.boot("power", 0)
    model.device.take()
    return model.device


def worn(vow: Vow, chance: random.Random) -> Device:
    """An instrument of which every setting has been put somewhere, by requests, and saved."""
    box = device(vow)
    for entry in vow.settings * 2:
        if entry.scale is None:
            words = chance.choice(entry.choices)
        else:
            words = " ".join(entry.words(chance.randint(*box.bounds(entry, 0))))
        box.receive(f"put {entry.name} {words}\n".encode(), 0)
        assert box.take().startswith(b"ok ")
    box.receive(b"act keep\n", 0)
    box.take()
    return box


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(versions())
def test_a_setting_has_what_was_saved_for_it_or_its_default_and_is_within_its_limits(
    pair: tuple[list[Setting], list[Setting]],
) -> None:
    old, new = map(vow_of, pair)
    assume(any(entry.saved for entry in old.settings))
    before = worn(old, random.Random(0))
    after = device(new)
    after.keep(image_of(old, before.settings, 1))
    after.boot("power", 0)
    lines, had = ({entry.name: declared(entry) for entry in vow.settings} for vow in (new, old))
    groups, were = tied(new), tied(old)
    fates = {each.name: each.fate for each in stored(old, new)}
    for entry in new.settings:
        value = after.settings[entry.name]
        group = groups.get(entry.name, frozenset())
        same = bool(group) and were.get(entry.name) == group
        if same and all(lines[name] == had[name] for name in group):
            assert value == before.settings[entry.name]
            assert fates[entry.name] == "kept"
        else:
            assert value == entry.default
            assert fates.get(entry.name, "lost") in ("lost", "new")
        if entry.scale is not None:
            low, high = after.bounds(entry, 0)
            assert low <= value <= high


def test_two_settings_with_one_mark_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chance of one in four thousand million, so it is helped along here."""
    monkeypatch.setattr("wirevow.protocol.store.crc32", len)
    old = vow_of([Setting("a.one", "length", 3, True, False)])
    new = vow_of([Setting("a.two", "length", 3, True, False)])
    assert [(each.name, each.fate) for each in stored(old, new)] == [("a.one", "lost"), ("a.two", "misread")]


def version(*rows: tuple[str, str, bool]) -> Vow:
    return vow_of([Setting(name, kind, 7, True, tied) for name, kind, tied in rows])


VERSIONS = (
    version(("a.one", "length", True), ("a.two", "length", False), ("b", "left,right", False)),
    version(("b", "left,right", False), ("c.one", "time", False), ("a.one", "length", True),
            ("a.two", "length", False)),
    version(("a.one", "length", False), ("a.two", "fine", False), ("b", "right,left", False)),
    version(("a.one", "far", False), ("a.two", "shift", False), ("b", "left,right", False)),
    version(("c.two", "shift", False), ("a.one", "far", False), ("b", "left,right", False)),
)  # fmt: skip
"""Values of 16 and of 32 bits, with and without a sign; none fits the place of the one before."""


@pytest.mark.skipif(not have("gcc"), reason="gcc is not installed: apt-get install gcc")
def test_the_core_takes_from_a_store_what_the_device_half_does(tmp_path: Path) -> None:
    cores = []
    for at, vow in enumerate(VERSIONS):
        folder = tmp_path / str(at)
        folder.mkdir()
        cores.append(Core(build_library(vow, folder, ["-O0"]), "box"))
    for old, first in zip(VERSIONS, cores, strict=True):
        box = worn(old, random.Random(1))
        first.give_store({})
        first.boot(0)
        first.drain()
        for entry in old.settings:
            first.exchange(f"put {entry.name} {' '.join(entry.words(entry.default))}\n".encode())
        for entry in reversed(old.settings):  # the upper of two first
            line = f"put {entry.name} {' '.join(entry.words(box.settings[entry.name]))}\n".encode()
            assert first.exchange(line).startswith(b"ok ")
        first.exchange(b"act keep\n")
        image = image_of(old, box.settings, 1)
        assert first.store() == read_image(image)
        for new, second in zip(VERSIONS, cores, strict=True):
            after = device(new)
            after.keep(image)
            after.boot("power", 0)
            after.take()
            second.give_store(first.store())
            second.boot(0)
            second.drain()
            for entry in (*new.settings, new.points["self.saves"]):
                line = f"ask {entry.name}\n".encode()
                after.receive(line, 0)
                assert second.exchange(line) == after.take(), (old, new)
