"""What goes on while it works, and what an action does and leaves alone: shown where it is broken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pytest

from tests.protocol.conformance.instruments import try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.emu.rules import Rules
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.message import Request
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value, Vow

Breaks = type[Overlay] | type[Device] | type[Instrument]


class _Told(Overlay):
    """What it has been told is kept by whoever changes it."""

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.told: dict[str, float | str] = {}


class CountsInAByte(Overlay):
    """How many upper levels a swing has is kept in a byte."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        kept = {
            name: float(value) % 256 if name == "swing.count" else value for name, value in changes.items()
        }
        super().control(kept, now_ns)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, threshold % 256 if signal == "swing.done" else threshold)


class CountsWhatIsBegun(Overlay):
    """Upper levels are counted when they begin."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, threshold - 1 if signal == "swing.done" else threshold)


class KeepsTheLastLevel(_Told):
    """When a swing ends, the level it was at stays."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = dict(changes)
        if changes.get("stage") == "hold" and self.told.get("stage") == "swing":
            wrong["level.current"] = self.told["swing.high"]
        elif "stage" in changes:
            wrong["level.current"] = changes.get("level.current", self.told.get("level.current", 0.0))
        self.told |= changes
        super().control(wrong, now_ns)


class TakesNoTriggerByWire(Overlay):
    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control({name: each for name, each in changes.items() if name != "swing.trigger"}, now_ns)


class TakesNoTriggerByHand(Overlay):
    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        if event != "trigger":
            super().bench(event, value, now_ns)


class AlwaysReturns(Overlay):
    """What a trigger begins ends by itself, whatever was chosen."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control({name: each for name, each in changes.items() if name != "swing.hold"}, now_ns)


class HoldsTheOtherWay(Overlay):
    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        other = {"stay": "return", "return": "stay"}
        wrong = {name: other.get(str(each), each) for name, each in changes.items()}
        super().control(wrong, now_ns)


class TriggersForTheLowerTime(_Told):
    """What a trigger begins lasts as long as the lower level."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.told |= changes
        wrong = dict(changes)
        if self.told.get("swing.cue") == "trigger":
            wrong["swing.high_time"] = self.told["swing.low_time"]
        super().control(wrong, now_ns)


class TakesLevelsWhenItBegins(Overlay):
    """The levels of a swing are taken over when it begins; what is put meanwhile waits for the next."""

    swings = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        if "stage" in changes:
            self.swings = changes["stage"] == "swing"
        waits = {"swing.high"} if self.swings and "stage" not in changes else set[str]()
        super().control({name: each for name, each in changes.items() if name not in waits}, now_ns)


class RunsPastTheCeiling(_Told):
    """In a capacity run the ceiling of the power is not heeded; it is for the mode."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.told |= changes
        wrong = dict(changes)
        if "limit.power" in self.told:
            wrong["limit.power"] = 120.0 if self.told.get("stage") == "run" else self.told["limit.power"]
        super().control(wrong, now_ns)


class GreatSlewsAreNone(Overlay):
    """The rate is kept in 16 bits with a sign: what looks negative is taken for no bound at all."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = dict(changes)
        if float(changes.get("slew", 0.0)) > 32767:
            wrong["slew"] = self.controls["slew"].high
        super().control(wrong, now_ns)


class CountsTenthsIn16Bits(Overlay):
    """The time of a run is kept in 16 bits of tenths of a second."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value % 6553.6 if signal == "run.time" else value


class ChargesIn16Bits(Overlay):
    """The charge is kept in 16 bits of its steps, 0.1 mA.h."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value % (6.5536 * 3600) if signal == "charge" else value


class DefaultRatesAreNone(Overlay):
    """The rate is bounded by what is put; the default is only shown."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = dict(changes)
        if changes.get("slew") == 5000.0:
            wrong["slew"] = self.controls["slew"].high
        super().control(wrong, now_ns)


class LongTimesComeRound(Overlay):
    """The times of a swing are kept in 16 bits of 100 us."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        times = ("swing.low_time", "swing.high_time")
        wrong = {name: float(each) % 6.5536 if name in times else each for name, each in changes.items()}
        super().control(wrong, now_ns)


class HeedsEveryTrigger(Overlay):
    """A trigger is heeded by a swing that the timer cues as well."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        if changes.get("swing.trigger"):
            super().control({"swing.cue": "trigger"}, now_ns)
            super().control({**changes}, now_ns)
            super().control({"swing.cue": self.cue}, now_ns)
            return
        self.cue = changes.get("swing.cue", self.cue)
        super().control(changes, now_ns)

    cue: float | str = "timer"


class TimesWhatIsOff(Overlay):
    """The time of a run goes on when the run has ended."""

    zeroed_ns = 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        if changes.get("counters.zero"):
            self.zeroed_ns = now_ns
        super().control(changes, now_ns)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return max(when_ns - self.zeroed_ns, 0) / 1e9 if signal == "run.time" else value


class TimesWhatIsArmed(Overlay):
    """The time of a run is that of the relay."""

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.since_ns: int | None = None
        self.sum_ns = 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control(changes, now_ns)
        self.sum_ns = 0 if changes.get("counters.zero") else self._until(now_ns)
        if "relay" in changes:
            self.since_ns = now_ns if changes["relay"] == "closed" else None
        elif self.since_ns is not None:
            self.since_ns = now_ns

    def _until(self, now_ns: int) -> int:
        return self.sum_ns + (max(now_ns - self.since_ns, 0) if self.since_ns is not None else 0)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return self._until(when_ns) / 1e9 if signal == "run.time" else value


class KeepsWhatARunFound(Device):
    """Where a run has ended the counters are kept, also when they are to be zeroed."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        if effect != "pulse" or self.state != "finished":
            super()._effect(effect, what, now_ns)


class LevelsChooseTheMode(Overlay):
    """A current that is put while it works is held, whatever the mode."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = dict(changes)
        if set(changes) == {"level.current"}:
            wrong["mode"] = "current"
        super().control(wrong, now_ns)


class BeginsAfresh(Rules):
    """The delays of protections begin again whenever the state changes."""

    def enter(self, state: str, now_ns: int) -> None:
        for rule in self._active:
            rule.active = False
        super().enter(state, now_ns)


class DelaysBeginAfresh(Instrument):
    rules = BeginsAfresh


class BeginsAgain(Device):
    """A swing that runs is begun again by what is refused for that."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if request.name == "swing.begin" and self.state == "swinging" and not ok:
            self.world.control({"stage": "hold"}, now_ns)
            self.world.control({"stage": "swing"}, now_ns)
        return ok, words


class EndsByTheTimerOnly(Device):
    """The count of upper levels ends a swing that the timer cues."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        if self.state != "swinging" or self.settings["swing.cue"] == "timer":
            super().leave(leave, now_ns)


class CeilingsOfSomeModes(_Told):
    """One ceiling is heeded in some modes only."""

    ceiling, top, deaf = "limit.current", 6.0, "voltage"

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.told |= changes
        wrong = dict(changes)
        if self.ceiling in self.told:
            deaf = self.told.get("mode") == self.deaf
            wrong[self.ceiling] = self.top if deaf else self.told[self.ceiling]
        super().control(wrong, now_ns)


class PowerIsNotForResistance(CeilingsOfSomeModes):
    ceiling, top, deaf = "limit.power", 120.0, "resistance"


class TripsZero(Device):
    """A trip is a new beginning for the counters."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.world.control({"counters.zero": 1.0}, now_ns)


class EveryActionEnters(Device):
    """What is done on the spot enters the state again, and its time begins anew."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        words = super()._perform(action, target, now_ns)
        if target == self.state:
            self.entered_ns = now_ns
        return words


class PutsKeepItThere(Device):
    """While somebody puts its settings a state goes on."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.entered_ns = now_ns


class LevelsActInASwing(Overlay):
    """A level that is put while it swings is the level there and then."""

    swings = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        if "stage" in changes:
            self.swings = changes["stage"] == "swing"
        wrong = dict(changes)
        if self.swings and set(changes) == {"level.current"}:
            wrong |= {"swing.low": changes["level.current"], "swing.high": changes["level.current"]}
        super().control(wrong, now_ns)


class ClearsWhatWasCaptured(Instrument):
    """A capture that begins clears the one before it."""

    def capture(self, record: str, now_ns: int) -> None:
        super().capture(record, now_ns)
        self.device._records.pop(record, None)


class SwingLevelsIn12Bits(Overlay):
    """The levels of a swing are kept in 12 bits of milliamperes."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        levels = ("swing.low", "swing.high")
        wrong = {name: float(each) % 4.096 if name in levels else each for name, each in changes.items()}
        super().control(wrong, now_ns)


class ZeroCutOffIsTheDefault(Overlay):
    """A cut-off of nothing is taken for one that was never put."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        wrong = 3.0 if (signal, above, threshold) == ("input.voltage", False, 0.0) else threshold
        return super().watch(key, signal, above, wrong)


class EndingASwingForgetsHowMany(Device):
    """The count of upper levels is used up as they run, and is nothing when a swing is ended."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        words = super()._perform(action, target, now_ns)
        if action.name == "swing.end":
            self.settings["swing.count"] = 0
        return words


class TrimsEndAtTheirDefaults(Device):
    """A trim that was not saved is gone when trimming ends."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if action.name == "trim.end":
            own = [entry for entry in self.vow.settings if entry.set_in == frozenset({"trimming"})]
            self.settings |= {entry.name: entry.default for entry in own}
        return super()._perform(action, target, now_ns)


class ZeroesAllTheSame(Device):
    """What an action does is done though it is refused for the state."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("state",) and request.name == "capacity.zero":
            self.world.control({"counters.zero": 1.0}, now_ns)
        return ok, words


class SavesAllTheSame(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("state",) and request.name == "settings.save":
            self.store.saves += 1
        return ok, words


class SetsDefaultsAllTheSame(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("state",) and request.name == "settings.defaults":
            self._effect("defaults", "", now_ns)
        return ok, words


class GivesUpCaptures(Instrument):
    """What is recorded is given up when the state changes."""

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        super().changed(names, now_ns)
        if names is None:
            self._capture = None


class CapturesOverABoot(Instrument):
    """The converter goes on by itself, and is heeded when the next one begins to run."""

    begun: tuple[str, int, int] | None = None

    def power(self, on: bool, now_ns: int) -> None:
        if not on:
            self.begun = self._capture
        super().power(on, now_ns)
        if on:
            self._capture, self._quiet_ns = self.begun, 0


class NobodyWatchesAfterThePanel(Instrument):
    """That the host has control again is not heard of."""

    class rules(Rules):
        def changed(self, names: Sequence[str], now_ns: int) -> None:
            if tuple(names) != ("panel.control",) or self._values["panel.control"] != "remote":
                super().changed(names, now_ns)


class TripsTakeTheFirstMode(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.world.control({"mode": "current"}, now_ns)


class RunsTakeTheFirstMode(Overlay):
    """A capacity run is made in mode current, and leaves the stage in it."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        mode = {"mode": "current"} if changes.get("stage") == "run" else {}
        super().control({**changes, **mode}, now_ns)


class PanelTakesTheFirstMode(Device):
    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        self.world.control({"mode": "current"}, now_ns)


class SumsWhatWasPut(Overlay):
    """What a run draws is summed up from the level that was put; what limits it is not looked at."""

    told: Mapping[str, float | str] = {}
    more = 0.0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control(changes, now_ns)
        self.told = {**self.told, **changes}

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = super().sample(signal, tick, period_ns)
        if signal != "energy" or self.told.get("stage") != "run":
            return value
        drawn, put = self.inner.at("input.current", self.inner.now_ns), float(self.told["level.current"])
        return value * put / drawn if drawn > 0.01 else value


class Standing(Overlay):
    """Counters that can be made to stand still for a while."""

    missed: dict[str, float]
    since: dict[str, float] | None = None

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.missed = {"charge": 0.0, "energy": 0.0, "run.time": 0.0}

    def stand(self, stands: bool, now_ns: int) -> None:
        present = {name: self.inner.at(name, now_ns) for name in self.missed}
        for name, value in (self.since or {}).items():
            self.missed[name] += max(present[name] - value, 0.0)
        self.since = present if stands else None

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal not in self.missed:
            return value
        self.missed[signal] = min(self.missed[signal], value)  # it may have been zeroed
        return value - self.missed[signal]


class CountersStand(Instrument):
    """Counters stand still while a subclass says so."""

    def __init__(self, vow: Vow) -> None:
        self.counters = Standing(plant_of(vow.document, None, 0), vow)
        super().__init__(vow, plant=self.counters)

    def stand(self, stands: bool) -> None:
        self._catch_up()
        self.counters.stand(stands, self.now_ns)


class CountersStandInALine(CountersStand):
    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        self.stand(not data.endswith(b"\n"))
        super().receive(data, now_ns)


class CountersStandInAStall(CountersStand):
    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if event == "link.transmitter":
            self.stand(value == "stalled")


class CountersStandAtThePanel(CountersStand):
    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if event == "panel.control":
            self.stand(value == "local")


class CountersStandWhileItSends(CountersStand):
    """Each byte is waited for, and nothing is counted meanwhile."""

    def take(self) -> bytes:
        data = super().take()
        seconds = 10 * len(data) / self.vow.document.wire.baud
        for name, rate in (("charge", "input.current"), ("energy", "input.power"), ("run.time", "")):
            drawn = self.plant.at(rate, self.plant.now_ns) if rate else 1.0
            self.counters.missed[name] += seconds * drawn
        return data


class SwingsAnewAfterALine(Instrument):
    """The end of a line that has been waited for begins a swing again."""

    def receive(self, data: bytes, now_ns: int) -> None:
        waited = bool(self.device._framer._begun)
        super().receive(data, now_ns)
        if waited and self.device.state == "swinging":
            for stage in ("hold", "swing"):
                self.control({"stage": stage}, now_ns)


class SwingsAnewAfterThePanel(Device):
    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if self.state == "swinging":
            for stage in ("hold", "swing"):
                self.world.control({"stage": stage}, now_ns)


class StateTimeStandsAtThePanel(Device):
    since_ns: int | None = None

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if self.since_ns is not None:
            self.entered_ns += now_ns - self.since_ns
        self.since_ns = now_ns if value == "local" else None


class StateTimeStandsInAStall(Instrument):
    since_ns: int | None = None

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if event == "link.transmitter":
            if self.since_ns is not None:
                self.device.entered_ns += now_ns - self.since_ns
            self.since_ns = now_ns if value == "stalled" else None


class NothingEndsAtThePanel(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        if self.controller != "local":
            super().leave(leave, now_ns)


class NothingEndsInALine(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        if not self._framer._begun:
            super().leave(leave, now_ns)


class FanStandsAtThePanel(Instrument):
    """While the panel has control the fan is left as it is, up to a second after that."""

    def __init__(self, vow: Vow) -> None:
        self.fan = FanStands(plant_of(vow.document, None, 0), vow)
        super().__init__(vow, plant=self.fan)

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if event == "panel.control":
            self._catch_up()
            self.fan.held = self.fan.inner.at("fan.duty", now_ns) if value == "local" else self.fan.held
            self.fan.until_ns = now_ns + (1 << 62 if value == "local" else 1_000_000_000)


class FanStands(Overlay):
    held = 0.0
    until_ns = 0

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return self.held if signal == "fan.duty" and when_ns < self.until_ns else value


class PatientAfterAStall(Instrument):
    """When it can send again, the host counts as heard."""

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if (event, value) == ("link.transmitter", "free"):
            self.device.accepted_ns = now_ns


class ReadsNothingMeanwhile(Instrument):
    """Readings are those of before while something goes on, and for the next tenth of a second."""

    event = meanwhile = ""
    before: Mapping[str, int] = {}
    until_ns = 0

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if event == self.event:
            self.until_ns = 1 << 62 if value == self.meanwhile else now_ns + 100_000_000
            if value == self.meanwhile:
                readings = [entry for entry in self.vow.points.values() if entry.source == "signal"]
                self.before = {entry.name: Instrument.reading(self, entry, now_ns) for entry in readings}

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        counts = super().reading(entry, now_ns)
        return self.before[entry.name] if now_ns < self.until_ns else counts


class ReadsNothingAtThePanel(ReadsNothingMeanwhile):
    event, meanwhile = "panel.control", "local"


class ReadsNothingInAStall(ReadsNothingMeanwhile):
    event, meanwhile = "link.transmitter", "stalled"


class NobodyWatchesInAStall(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if not (self.blocked and trip.name == "link_silent"):
            super().fire(trip, value, now_ns)


SHOWN: list[tuple[str, str, Breaks, str]] = [
    ("leave", "state.swinging.leave.1", CountsInAByte, ""),
    ("leave", "state.swinging.leave.1", CountsWhatIsBegun, ""),
    ("leave", "state.swinging.leave.1", KeepsTheLastLevel, "law.current_follows_level"),
    ("pulses_instead_of_time", "action.swing.trigger.effect", TakesNoTriggerByWire, ""),
    ("pulses_instead_of_time", "action.swing.trigger.effect", TakesNoTriggerByHand, ""),
    ("pulses_instead_of_time", "action.swing.trigger.effect", AlwaysReturns, ""),
    ("pulses_instead_of_time", "action.swing.trigger.effect", HoldsTheOtherWay, "law.swing_rests_low"),
    ("pulses_instead_of_time", "action.swing.trigger.effect", TriggersForTheLowerTime, ""),
    ("alternation", "law.swing_alternates.period", TakesLevelsWhenItBegins, "law.swing_alternates.levels"),
    ("limit", "limit.power", RunsPastTheCeiling, ""),
    ("series_of_fast_changes", "law.current_slews.rate", GreatSlewsAreNone, ""),
    ("counted_for_hours", "law.charge_is_integral", CountsTenthsIn16Bits, "law.elapsed_is_time"),
    ("counted_for_hours", "law.charge_is_integral", ChargesIn16Bits, ""),
    ("series_of_fast_changes", "law.current_slews.rate", DefaultRatesAreNone, ""),
    ("alternation", "law.swing_alternates.period", LongTimesComeRound, "law.swing_alternates.width"),
    ("alternation", "law.swing_alternates.period", HeedsEveryTrigger, "law.swing_alternates.width"),
    ("pulses_instead_of_time", "action.swing.trigger.effect", LongTimesComeRound, ""),
    ("zeroing", "action.capacity.zero.effect", TimesWhatIsOff, ""),
    ("zeroing_elsewhere", "action.capacity.zero.effect", TimesWhatIsArmed, ""),
    ("zeroing_elsewhere", "action.capacity.zero.effect", KeepsWhatARunFound, ""),
    ("law", "law.power_follows_level", LevelsChooseTheMode, ""),
    ("over_quick_changes_of_state", "trip.thermistor_open.delay", DelaysBeginAfresh, ""),
    ("over_quick_changes_of_state", "trip.thermistor_shorted.delay", DelaysBeginAfresh, ""),
    ("alternation", "law.swing_alternates.period", BeginsAgain, "law.swing_alternates.width"),
    ("pulses_instead_of_time", "action.swing.trigger.effect", EndsByTheTimerOnly, "state.swinging.leave.1"),
    ("limits_whatever_the_mode", "limit.power", CeilingsOfSomeModes, "limit.current"),
    ("limits_whatever_the_mode", "limit.power", PowerIsNotForResistance, ""),
    ("fires", "trip.overvoltage.fires", TripsZero, ""),
    ("leave", "state.armed.leave.1", EveryActionEnters, ""),
    ("leave", "state.trimming.leave.1", PutsKeepItThere, ""),
    ("alternation", "law.swing_alternates.period", LevelsActInASwing, "law.swing_alternates.levels"),
    ("pulses_instead_of_time", "action.swing.trigger.effect", SwingLevelsIn12Bits, ""),
    ("far_from_the_end", "state.discharging.leave.1", ZeroCutOffIsTheDefault, ""),
    ("captured_stays", "record.capture.layout", ClearsWhatWasCaptured, ""),
    ("captured_stays", "record.capture.layout", GivesUpCaptures, "*"),
    ("nothing_captured_yet", "wire.bulk", CapturesOverABoot, "*"),
    ("settings_stay", "action.sink.arm.effect", EndingASwingForgetsHowMany, "*"),
    ("settings_stay", "action.sink.arm.effect", TrimsEndAtTheirDefaults, "*"),
    ("zeroing", "action.capacity.zero.effect", ZeroesAllTheSame, "wire.atomic"),
    ("reachable", "state.sinking.reachable", SavesAllTheSame, "wire.atomic"),
    ("reachable", "state.armed.reachable", SetsDefaultsAllTheSame, "wire.atomic"),
    ("effect", "action.swing.end.effect", KeepsTheLastLevel, "law.current_follows_level"),
    ("only_if_all_of_it", "trip.link_silent.fires", NobodyWatchesAfterThePanel, ""),
    ("law", "law.power_follows_level", TripsTakeTheFirstMode, ""),
    ("law", "law.power_follows_level", RunsTakeTheFirstMode, ""),
    ("law", "law.resistance_follows_level", PanelTakesTheFirstMode, ""),
    ("law", "law.charge_is_integral", SumsWhatWasPut, "law.energy_is_integral"),
    ("law", "law.charge_is_integral", CountersStandInALine, ""),
    ("law", "law.charge_is_integral", CountersStandInAStall, ""),
    ("law", "law.energy_is_integral", CountersStandAtThePanel, ""),
    ("law", "law.elapsed_is_time", CountersStandInALine, ""),
    ("law", "law.elapsed_is_time", CountersStandInAStall, ""),
    ("counted_while_sending", "law.charge_is_integral", CountersStandWhileItSends, ""),
    ("alternation", "law.swing_alternates.period", SwingsAnewAfterALine, "law.swing_alternates.width"),
    ("alternation", "law.swing_alternates.period", SwingsAnewAfterThePanel, "law.swing_alternates.width"),
    ("leave", "state.armed.leave.1", StateTimeStandsAtThePanel, ""),
    ("leave", "state.trimming.leave.1", StateTimeStandsInAStall, ""),
    ("leave", "state.discharging.leave.1", NothingEndsAtThePanel, ""),
    ("leave", "state.discharging.leave.1", NothingEndsInALine, ""),
    ("leave", "state.swinging.leave.1", SwingsAnewAfterThePanel, ""),
    ("fan_curve", "fan.curve", FanStandsAtThePanel, ""),
    ("followed", "state.sinking.reachable", ReadsNothingAtThePanel, "point.input.voltage.fresh"),
    ("followed", "state.off.reachable", ReadsNothingInAStall, "point.input.voltage.fresh"),
    ("only_if_all_of_it", "trip.link_silent.fires", NobodyWatchesInAStall, ""),
    ("patience_to_its_step", "wire.watchdog", PatientAfterAStall, ""),
]
"""A purpose, what it is tried for, what is broken, and what is accused if not that: `*` is what was done."""


def hands_on(broken: Breaks | None = None) -> Hands:
    vow = vow_of("tarn")
    if broken is None:
        instrument = Instrument(vow)
    elif issubclass(broken, Instrument):
        instrument = broken(vow)
    elif issubclass(broken, Device):
        instrument = Instrument(vow, device_class=broken)
    else:
        instrument = Instrument(vow, plant=broken(plant_of(vow.document, None, 0), vow))
    hands = direct_tester(vow, instrument)
    hands.acquaint()
    for name in ("settings.wear", "capture.count"):
        hands.ask(name)  # where they stand is known from here on
    return hands


def try_it(hands: Hands, name: str, about: str) -> None:
    hands.prepare()
    hands.goto("sinking")
    hands.alive(2_000_000_000)  # counters stand somewhere
    try_purpose(hands, name, about)


@pytest.mark.parametrize(("name", "about"), sorted({(name, about) for name, about, _, _ in SHOWN}))
def test_what_works_well_is_not_accused(name: str, about: str) -> None:
    hands = hands_on()
    began = hands.lines
    try_it(hands, name, about)
    assert hands.lines > began


@pytest.mark.parametrize(("name", "about", "broken", "accused"), SHOWN)
def test_what_is_broken_is_seen(name: str, about: str, broken: Breaks, accused: str) -> None:
    hands = hands_on(broken)
    with pytest.raises(Broken) as seen:
        try_it(hands, name, about)
    assert accused == "*" or seen.value.judgement.requirement == (accused or about)
