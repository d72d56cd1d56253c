"""Readings that are wrong in one state, at one end, or beside what they follow are shown to be so."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

import pytest

from tests.protocol.conformance.instruments import hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults.change import with_document, with_trip
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.emu.rules import Rule, Rules
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.expression import parse
from wirevow.protocol.vow import Vow


class Told(Overlay):
    """Knows what has been driven."""

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.told: dict[str, float | str] = {"stage": "off"}

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.told |= changes
        super().control(changes, now_ns)


class Frozen(Told):
    """In one state a reading stays what it was when it was first asked there."""

    signal = stage = ""
    held: float | None = None

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control(changes, now_ns)
        if "stage" in changes:
            self.held = None

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = super().sample(signal, tick, period_ns)
        if signal != self.signal or self.told["stage"] != self.stage:
            return value
        self.held = value if self.held is None else self.held
        return self.held


class VoltageFrozenWhileSinking(Frozen):
    signal, stage = "input.voltage", "hold"


class FanFrozenWhileSwinging(Frozen):
    signal, stage = "fan.speed", "swing"


class CeilingFrozenInRuns(Frozen):
    signal, stage = "heat.ceiling", "run"


class ReversedReadsLow(Overlay):
    """The divider is another one below zero."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value * 0.98 if signal == "input.voltage" and value < 0 else value


class FrostHasNoSign(Overlay):
    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return abs(value) if signal == "heat.temperature" else value


class TerminalClipped(Overlay):
    """The terminals' voltage is taken as unsigned, and stands at zero below it."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return max(value, 0.0) if signal == "input.terminal_voltage" else value


class DrivenInSixteenths(Overlay):
    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = {
            name: int(float(value) * 16) / 16 if name == "fan.manual" else value
            for name, value in changes.items()
        }
        super().control(wrong, now_ns)


class DrivenWhateverTheMode(Overlay):
    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control({**changes, "fan.mode": "manual"}, now_ns)


class CeilingNotDerated(Told):
    """What is shown is the ceiling as it is set; what is drawn is right."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return float(self.told["limit.power"]) if signal == "heat.ceiling" else value


class CeilingOfTheLevel(Told):
    """What is shown is the least of the ceiling and of the level in mode power."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        level = float(self.told.get("level.power", 0.0))
        return min(value, level) if signal == "heat.ceiling" and level else value


class _Corrected(Overlay):
    """A correction does something else than it says."""

    names: tuple[str, ...] = ()

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = {
            name: self.made_of(float(value)) if name in self.names else value
            for name, value in changes.items()
        }
        super().control(wrong, now_ns)

    def made_of(self, value: float) -> float:
        return value


class GainsAreHalved(_Corrected):
    names = ("trim.current_gain", "trim.level_gain")

    def made_of(self, value: float) -> float:
        return 1 + (value - 1) / 2


class VoltageIsCorrectedByAFifth(_Corrected):
    names = ("trim.voltage_gain",)

    def made_of(self, value: float) -> float:
        return min(max(value, 0.95), 1.05)


class ShiftsHaveNoSign(_Corrected):
    names = ("trim.voltage_shift", "trim.current_shift")

    def made_of(self, value: float) -> float:
        return abs(value)


class LevelIsNotShiftedDown(_Corrected):
    names = ("trim.level_shift",)

    def made_of(self, value: float) -> float:
        return max(value, 0.0)


class _Counted(Told):
    """What is counted while something is driven is left out, or gone."""

    lost = at = 0.0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        total = self.inner.at("charge", now_ns)
        if self.leaves_out(changes):
            self.lost += total - self.at
        super().control(changes, now_ns)
        self.at = total
        if changes.get("counters.zero"):
            self.lost = self.at = 0.0

    def leaves_out(self, changes: Mapping[str, float | str]) -> bool:
        return False

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal != "charge":
            return value
        return value - self.lost - (value - self.at if self.leaves_out({}) else 0.0)


class LittleIsNotCounted(_Counted):
    """A small current is left out of the sum: the product of a tick is less than a step."""

    def leaves_out(self, changes: Mapping[str, float | str]) -> bool:
        return 0.0 < float(self.told.get("level.current", 0.0)) < 0.1


class CountsAnewAtEachLevel(_Counted):
    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        anew = "level.current" in changes and self.told["stage"] == "run" and "stage" not in changes
        super().control({**changes, "counters.zero": 1.0} if anew else changes, now_ns)


class CountsInHundredths(Overlay):
    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return int(value / 36) * 36 if signal == "charge" else value


class CountsWholeSeconds(Overlay):
    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return float(int(value)) if signal == "run.time" else value


def try_it(hands: Hands, name: str, about: str) -> None:
    hands.acquaint()
    try_purpose(hands, name, about)


SHOWS = [
    ("followed", "state.sinking.reachable", VoltageFrozenWhileSinking),
    ("followed", "state.swinging.reachable", FanFrozenWhileSwinging),
    ("followed", "state.discharging.reachable", CeilingFrozenInRuns),
    ("followed", "state.tripped.reachable", ReversedReadsLow),
    ("followed", "state.tripped.reachable", TerminalClipped),
    ("comes_to_what_it_follows", "point.fan.duty.fresh", DrivenInSixteenths),
    ("comes_to_what_it_follows", "point.heat.ceiling.fresh", CeilingOfTheLevel),
    ("corrects_what_is_read", "point.sink.level.quantum", GainsAreHalved),
    ("corrects_what_is_read", "point.sink.level.quantum", VoltageIsCorrectedByAFifth),
    ("corrects_what_is_read", "point.sink.level.quantum", ShiftsHaveNoSign),
    ("corrects_what_is_read", "point.sink.level.quantum", LevelIsNotShiftedDown),
    ("fan_curve", "fan.curve", DrivenWhateverTheMode),
    ("reads_the_bench", "point.heat.sink.accuracy", FrostHasNoSign),
    ("law", "law.charge_is_integral", LittleIsNotCounted),
    ("law", "law.charge_is_integral", CountsAnewAtEachLevel),
    ("law", "law.charge_is_integral", CountsInHundredths),
    ("law", "law.elapsed_is_time", CountsWholeSeconds),
    ("derating", "derating", CeilingNotDerated),
]


@pytest.mark.parametrize(("name", "about", "plant"), SHOWS)
def test_it_shows_what_is_broken(name: str, about: str, plant: type[Overlay]) -> None:
    vow = vow_of("tarn")
    broken = Instrument(vow, plant=plant(plant_of(vow.document, None, 0), vow))
    with pytest.raises(Broken):
        try_it(direct_tester(vow, broken), name, about)


def _levels(index: int, **changes: Decimal) -> Callable[[Vow], Vow]:
    """One level of the fan is another one."""

    def change(vow: Vow) -> Vow:
        assert vow.document.fan is not None
        levels = list(vow.document.fan.levels)
        levels[index] = levels[index].model_copy(update=changes)
        return with_document(vow, fan=vow.document.fan.model_copy(update={"levels": levels}))

    return change


def _left_at(kelvin: int) -> Callable[[Vow], Vow]:
    """Levels of the fan are left so much below where they begin."""

    def change(vow: Vow) -> Vow:
        assert vow.document.fan is not None
        fan = vow.document.fan.model_copy(update={"hysteresis": Decimal(kelvin)})
        return with_document(vow, fan=fan)

    return change


def _when(trip: str, text: str) -> Callable[[Vow], Vow]:
    return lambda vow: with_trip(vow, trip, when=parse(text))


def _cleared_when(trip: str, text: str) -> Callable[[Vow], Vow]:
    return lambda vow: with_trip(vow, trip, cleared_when=parse(text))


class EndsAreLookedAt(Rules):
    """A delay that has begun is not broken off: whether its condition holds is looked at again at its end."""

    def _update(self, rule: Rule, now_ns: int) -> None:
        since_ns = rule.since_ns
        super()._update(rule, now_ns)
        begun = self.__dict__.setdefault("begun", {})
        if since_ns is not None and rule.since_ns is None and now_ns < since_ns + rule.after_ns:
            begun[rule.order] = since_ns
        elif since_ns is None and rule.since_ns is not None:
            first_ns = begun.pop(rule.order, now_ns)
            if now_ns < first_ns + rule.after_ns:
                rule.since_ns = first_ns


class LooksAtEnds(Instrument):
    rules = EndsAreLookedAt


def _unwatched_in(trip: str, state: str) -> Callable[[Vow], Vow]:
    return lambda vow: with_trip(vow, trip, armed_in=vow.trips[trip].armed_in - {state})


STALLED = "trip.fan_stalled.delay"
TABLES = [
    ("fan_curve", "fan.curve", _levels(1, duty=Decimal("0.55"))),
    ("fan_curve", "fan.curve", _levels(3, at=Decimal(67))),
    ("fan_curve", "fan.curve", _left_at(1)),
    ("fan_curve", "fan.curve", _left_at(9)),
    (
        "reports_what_is_read",
        "trip.overvoltage.report",
        _when("overvoltage", "input.voltage > max(limit.voltage, 6)"),
    ),
    (
        "reports_what_is_read",
        "trip.overcurrent.report",
        _when("overcurrent", "input.current > max(limit.current, 0.3) * 1.1 + 0.1"),
    ),
    (
        "close_to_the_threshold",
        "trip.overheat.fires",
        _when("overheat", "heat.sink > min(limit.temperature, 85)"),
    ),
    (
        "close_to_the_threshold",
        "trip.overcurrent.fires",
        _when("overcurrent", "input.current > min(limit.current, 5) * 1.1 + 0.1"),
    ),
    ("close_to_the_threshold", "trip.overheat.fires", _when("overheat", "heat.sink > limit.temperature + 4")),
    ("close_to_the_threshold", "trip.off_current.fires", _when("off_current", "input.current > 0.1")),
    ("by_what_a_setting_moves", STALLED, _when("fan_stalled", "fan.speed < 300")),
    ("by_what_a_setting_moves", STALLED, _when("fan_stalled", "fan.speed < 300 and fan.duty > 22")),
    ("by_what_a_setting_moves", STALLED, _when("fan_stalled", "fan.speed < 1000 and fan.duty > 20")),
    ("by_what_a_setting_moves", STALLED, _cleared_when("fan_stalled", "fan.speed > 400")),
    ("by_what_a_setting_moves", STALLED, _cleared_when("fan_stalled", "fan.speed > 400 or fan.duty < 19")),
    ("carried_into_other_states", "trip.overheat.fires", _unwatched_in("overheat", "swinging")),
    ("carried_into_other_states", "trip.overheat.fires", _unwatched_in("overheat", "armed")),
    (
        "wherever_armed_at_last",
        "trip.thermistor_shorted.fires",
        _unwatched_in("thermistor_shorted", "discharging"),
    ),
    ("wherever_armed_at_last", "trip.sense_open.fires", _unwatched_in("sense_open", "discharging")),
    (
        "fires",
        "trip.reversed_input.fires",
        _cleared_when("reversed_input", "input.voltage > -0.5"),
    ),
]


@pytest.mark.parametrize(("name", "about", "tables"), TABLES)
def test_it_shows_a_wrong_table(name: str, about: str, tables: Callable[[Vow], Vow]) -> None:
    vow = vow_of("tarn")
    with pytest.raises(Broken):
        try_it(direct_tester(vow, Instrument(tables(vow))), name, about)


DELAYS = [
    ("by_what_a_setting_moves", STALLED),
    ("delay_by_setting", "trip.overheat.delay"),
]


@pytest.mark.parametrize(("name", "about"), DELAYS)
def test_it_shows_a_delay_that_is_not_broken_off(name: str, about: str) -> None:
    with pytest.raises(Broken):
        try_it(direct_tester(vow_of("tarn"), LooksAtEnds(vow_of("tarn"))), name, about)


GOOD = sorted({*(each[:2] for each in (*SHOWS, *TABLES)), *DELAYS})


@pytest.mark.parametrize(("name", "about"), GOOD)
def test_it_bears_a_good_one(name: str, about: str) -> None:
    try_it(hands_on(), name, about)
