"""A number is passed only where it has really been shown; else what was shown is told."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from tests.protocol.conformance.instruments import SPEC, hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.bracket import Bracket, Look, brackets, judged
from wirevow.protocol.conformance.campaign import Finding
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import Device
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirements
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


def test_looks_narrow_the_interval_of_each_number() -> None:
    factor, added = brackets(
        OVER, Fraction(1, 10), [look("111", "100", False), look("113", "100", True)], "W"
    )
    assert (factor.low, factor.high, factor.unit) == (Fraction("1.09"), Fraction("1.11"), "")
    assert (added.low, added.high, added.unit) == (1, 3, "W")
    assert added.words == "the number 2 W between 1 and 3 W"
    # Where the setting is just 1, a factor of it moves the threshold as a summand does, and is none.
    assert [each.unit for each in brackets(OVER, Fraction(1), [look("3", "1", True)], "W")] == ["", "W"]
    wide = Bracket("the delay", Fraction(1), Fraction(1, 10), "s", Fraction("0.5"), Fraction("1.05"))
    assert not wide.shown
    assert wide.joined(replace(wide, low=Fraction("0.95"), high=None)).shown
    assert replace(wide, low=Fraction("1.2"), high=None).refuted


def findings(hands: Hands, *names: str) -> dict[str, Finding]:
    """What a check says of these requirements, looking at nothing else."""
    report = campaign.run(hands, reduce=False, only=set(names))
    return {name: report.findings[name] for name in names}


POWER = "input.power > limit.power * 1.1 + 2"
COLD = "heat.sensor < 0.1"
FAN = "{at: 45.0, duty: 0.50}"
SHORT = "after: 20 ms\n    every: 1 ms\n    latched: true\n    to: tripped\n    reports: input.power"
TICKET = "gives_ticket: 5 s"
OTHER_NUMBERS = [
    (POWER, POWER.replace("1.1", "1.2"), "trip.overpower.threshold", "trip.overpower.fires"),
    (COLD, COLD.replace("0.1", "0.2"), "trip.thermistor_shorted.threshold", "trip.thermistor_shorted.fires"),
    (SHORT, SHORT.replace("20 ms", "25 ms"), "trip.overpower.delay"),
    ("- {after: 10 s,", "- {after: 11 s,", "state.armed.leave.1"),
    (TICKET, TICKET.replace("5", "6"), "action.sink.arm.ticket"),
    (TICKET, TICKET.replace("5 s", "4500 ms"), "action.sink.arm.ticket"),
    ("after: 1 s\n        to: finished", "after: 1200 ms\n        to: finished", "state.discharging.leave.1"),
    (FAN, FAN.replace("45.0", "50.0"), "fan.curve"),
    ("hysteresis: 4.0", "hysteresis: 9.0", "fan.hysteresis", "fan.curve"),
    ("end: 88.0", "end: 98.0", "derating"),
    ("floor: 0.25", "floor: 0.35", "derating"),
]
"""An entry of the document, what the instrument has instead, a tenth off or more, and what must not pass."""


@pytest.mark.parametrize(("entry", "other", "names"), [(a, b, names) for a, b, *names in OTHER_NUMBERS])
def test_a_number_that_is_another_is_not_passed(
    tmp_path: Path, entry: str, other: str, names: list[str]
) -> None:
    found = findings(hands_on_other(tmp_path, entry, other), *names)
    assert found[names[0]].verdict is not Verdict.PASS
    assert any(each.verdict is Verdict.FAIL for each in found.values()), found


def test_a_number_that_is_right_is_passed_with_its_interval() -> None:
    names = {name for _, _, *names in OTHER_NUMBERS for name in names}
    found = findings(clean(), *sorted(names))
    for name, finding in found.items():
        assert finding.verdict is Verdict.PASS, (name, finding.reason)
        assert name.endswith(".fires") or "between" in finding.measured, name


def test_a_limit_is_passed_only_where_it_was_pressed_on() -> None:
    found = findings(clean(), "limit.power", "limit.headroom")
    assert found["limit.power"].verdict is Verdict.PASS
    assert "22 W promised" in found["limit.power"].measured
    # The stage needs less than the document allows it: how much it allows cannot be seen.
    assert found["limit.headroom"].verdict is Verdict.NONE
    assert "would show more" in found["limit.headroom"].reason


def test_a_relation_says_how_far_it_was_off() -> None:
    (found,) = findings(clean(), "law.current_follows_level").values()
    assert found.verdict is Verdict.PASS
    assert re.fullmatch(r"abs\(input.current - sink.level\) at most .* ± .*, 0.03 A allowed", found.measured)


def test_what_was_not_bracketed_is_not_passed() -> None:
    document = load_document(SPEC / "tarn.yaml").document
    known = {each.id: each for each in requirements(document)}
    delay = known["trip.overpower.delay"]
    verdict, words = judged(document, delay, Verdict.PASS, [])
    assert verdict is Verdict.NONE
    assert "its number was not shown" in words
    wide = Bracket("the delay", Fraction(1), Fraction(1, 10), "s", Fraction(0), Fraction(1))
    assert judged(document, delay, Verdict.PASS, [wide])[0] is Verdict.NONE
    assert judged(document, delay, Verdict.FAIL, [wide])[0] is Verdict.FAIL
    # Who promises no number is asked for none.
    assert judged(document, known["trip.overpower.notice"], Verdict.PASS, [])[0] is Verdict.PASS
    assert judged(document, known["state.swinging.leave.1"], Verdict.PASS, [])[0] is Verdict.PASS


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
