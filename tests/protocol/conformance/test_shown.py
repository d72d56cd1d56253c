"""A number is passed only where it has really been shown; else what was shown is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.protocol.conformance.instruments import SPEC, hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.tester import Broken, NotSelected
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Device
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import PointEntry, Value, compile_vow


def hands_on_device(device: type[Device]) -> Hands:
    vow = vow_of("tarn")
    hands = direct_tester(vow, Instrument(vow, seed=0, device_class=device), seed=0)
    hands.acquaint()
    return hands


def hands_on_other(folder: Path, entry: str, other: str) -> Hands:
    """On an instrument whose tables differ in one entry from the document."""
    text = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
    assert text.count(entry) == 1
    (folder / "other.yaml").write_text(text.replace(entry, other), encoding="utf-8")
    honest = vow_of("tarn")
    tables = compile_vow(load_document(folder / "other.yaml").document)
    hands = direct_tester(honest, Instrument(replace(tables, identity=honest.identity), seed=0), seed=0)
    hands.acquaint()
    return hands


def clean() -> Hands:
    hands = hands_on("tarn")
    hands.acquaint()
    return hands


# ------------------------------------------------------------------------------------------------- the clock


class Slow(Device):
    """Its clock is 300 parts in a million slow."""

    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, ns - ns * 300 // 1_000_000 if entry.system == "uptime" else ns)


def test_a_clock_is_held_against_the_number_of_the_document() -> None:
    with pytest.raises(Broken) as broken:
        try_purpose(hands_on_device(Slow), "promise_in_words", "promise.clock")
    assert broken.value.judgement.requirement == "promise.clock"
    assert "within 100 parts in a million" in broken.value.judgement.expected
    hands = clean()
    try_purpose(hands, "promise_in_words", "promise.clock")
    assert "parts in a million" in hands.measured["promise.clock"]


# -------------------------------------------------------------------------------------------------- latching


def test_a_latch_that_nothing_could_open_is_not_passed(tmp_path: Path) -> None:
    """Nothing keeps the power up once the relay is open, so latched or not looks the same."""
    entry = "every: 1 ms\n    latched: true\n    to: tripped\n    reports: input.power"
    for hands in (clean(), hands_on_other(tmp_path, entry, entry.replace("true", "false"))):
        for aspect in ("latch", "clears"):
            with pytest.raises(NotSelected, match="a bench event that keeps it true there would show more"):
                try_purpose(hands, "seen_on_the_way", f"trip.overpower.{aspect}")
            assert f"trip.overpower.{aspect}" not in hands.kept


def test_a_latch_that_refused_to_open_is() -> None:
    hands = clean()
    try_purpose(hands, "seen_on_the_way", "trip.overvoltage.latch")
    assert hands.kept["trip.overvoltage.latch"]


# ----------------------------------------------------------------------------------------------------- saves


class TornForAMoment(Device):
    """Saves two milliseconds after the request, half of it 300 us before the rest."""

    left: tuple[tuple[int, dict[str, Value]], ...] = ()

    def boot(self, cause: str, now_ns: int) -> None:
        self.left = ()
        super().boot(cause, now_ns)

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        before = {**self._defaults(saved_only=True), **self.store.settings}
        super()._effect(effect, what, now_ns)
        if effect == "save":
            whole = self.store.settings
            half = before | {name: whole[name] for name in list(whole)[: len(whole) // 2]}
            self.store.settings = before
            self.left = ((now_ns + 2_000_000, half), (now_ns + 2_300_000, whole))
            self.world.changed(None, now_ns)

    def next_timeout_ns(self) -> int | None:
        times = [super().next_timeout_ns(), *(when_ns for when_ns, _ in self.left[:1])]
        return min((each for each in times if each is not None), default=None)

    def expire(self, now_ns: int) -> None:
        if self.left and self.left[0][0] <= now_ns:
            self.store.settings = self.left[0][1]
            self.left = self.left[1:]
        else:
            super().expire(now_ns)


def test_cuts_come_closer_until_one_falls_inside_a_save() -> None:
    with pytest.raises(Broken) as broken:
        try_purpose(hands_on_device(TornForAMoment), "promise_in_words", "promise.saves_are_whole")
    assert "as saved:" in broken.value.seen
    hands = clean()
    try_purpose(hands, "promise_in_words", "promise.saves_are_whole")
    assert hands.kept["promise.saves_are_whole"]
