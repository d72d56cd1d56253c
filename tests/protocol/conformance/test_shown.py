"""A number is passed only where it has really been shown; else what was shown is told."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from tests.protocol.conformance.instruments import SPEC, hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.bracket import Look, brackets
from wirevow.protocol.conformance.tester import Broken, NotSelected
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Device
from wirevow.protocol.document.load import load_document
from wirevow.protocol.expression import parse
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
    assert "ppm" in hands.measured["promise.clock"]


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


# ------------------------------------------------------------------------------------------------ thresholds

OVER = parse("input.power > limit.power * 1.1 + 2").as_threshold({"input.power"})[0]


def look(value: str, ceiling: str, acted: bool) -> Look:
    return Look(Fraction(value), {"limit.power": Fraction(ceiling)}, acted)


def test_a_number_is_shown_by_looks_on_both_sides_of_a_tenth() -> None:
    near = [look("111", "100", False), look("113", "100", True)]
    assert [each.shown for each in brackets(OVER, Fraction(1, 10), near)] == [True, False]
    # At a low ceiling the factor does little; what is added stands out.
    low = [look("2.05", "0.1", False), look("2.25", "0.1", True)]
    assert [each.shown for each in brackets(OVER, Fraction(1, 100), low)] == [False, True]
    assert all(each.shown for each in brackets(OVER, Fraction(1, 100), near + low))
    assert not any(each.shown for each in brackets(OVER, Fraction(1, 10), near[:1]))
    # Nothing finer than twice what the reading is accurate to is asked for.
    assert brackets(OVER, Fraction(1), near)[1].needed == 2


@pytest.mark.parametrize(
    ("trip", "fires", "event"),
    [
        ("overpower", "close_to_the_threshold", "input.power"),
        ("thermistor_shorted", "fires", "heat.sensor"),
    ],
)
def test_a_number_that_the_bench_cannot_bracket_is_not_passed(trip: str, fires: str, event: str) -> None:
    hands = clean()
    try_purpose(hands, fires, f"trip.{trip}.fires")
    hands.home()
    with pytest.raises(NotSelected, match=f"shown: nothing at .* and a trip at .*a bench event .*{event}"):
        try_purpose(hands, "numbers_are_shown", f"trip.{trip}.threshold")


def test_one_that_it_can_is() -> None:
    hands = clean()
    try_purpose(hands, "close_to_the_threshold", "trip.overcurrent.fires")
    hands.home()
    try_purpose(hands, "numbers_are_shown", "trip.overcurrent.threshold")
    assert hands.kept["trip.overcurrent.threshold"]
    assert "a trip at" in hands.measured["trip.overcurrent.threshold"]


def test_an_accuracy_without_a_reference_is_listed() -> None:
    with pytest.raises(NotSelected, match="no reference"):
        try_purpose(clean(), "reads_the_bench", "point.input.current.accuracy")


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
