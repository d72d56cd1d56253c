"""Faults of readings, counters, levels, the fan and derating."""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal

from wirevow.emu.bench import Bench
from wirevow.emu.control.cooling import FanCurve
from wirevow.emu.faults.boots import does
from wirevow.emu.faults.change import with_document
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.overlay import Overlay, counters, has_reading, main_reading
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.emu.plant.sink import Sink
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.device import Device, Store
from wirevow.protocol.document.model import Fan, FanLevel
from wirevow.protocol.vow import LeaveEntry, PointEntry, Vow

physics = Kind("physics", seen=43)


def _has_counter(vow: Vow) -> bool:
    return bool(counters(vow))


# --------------------------------------------------------------------------------------------------- readings


@physics.plant("point.*.fresh law.*", has_reading)
class ReadingStuck(Overlay):
    """The converter's channel is read once, at the boot; its flag that a sample is ready is not cleared."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        entry = main_reading(vow)
        self.stuck = entry.signal
        self.first = plant.sample(str(entry.signal), 0, entry.period_ns)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return self.first if signal == self.stuck else super().sample(signal, tick, period_ns)


_STALE = 10
_LOOK_BACK_NS = 200_000_000  # a plant can be asked about the last quarter of a second


@physics.plant(
    "point.*.fresh", lambda vow: has_reading(vow) and main_reading(vow).period_ns * _STALE <= _LOOK_BACK_NS
)
class ReadingStale(Overlay):
    """A reading is taken at every tenth tick only."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        if signal == main_reading(self.vow).signal:
            tick -= tick % _STALE
        return super().sample(signal, tick, period_ns)


@physics.plant(
    "law.* limit.*", lambda vow: _has_counter(vow) and main_reading(vow).signal in counters(vow).values()
)
class ReadingLow(Overlay):
    """A reading is 5 % low: its divider has a resistor of the next value."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 0.95 * value if signal == main_reading(self.vow).signal else value


def _trips_below_zero(vow: Vow) -> bool:
    """Whether a trip reports a reading that is below zero then: a bench need not bring others there."""
    return any(
        vow.points[trip.reports].signal is not None
        and any(
            threshold.point == trip.reports and not threshold.above and threshold.expression.number({}) <= 0
            for threshold in trip.when.as_threshold(vow.measured)
            if not threshold.expression.names
        )
        for trip in vow.trips.values()
    )


@physics.plant("trip.*.notice trip.*.report law.*", _trips_below_zero)
class ReadingWithoutSign(Overlay):
    """Readings are taken as unsigned: what is below zero is shown above it."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return abs(value)


@physics.plant("limit.* law.*", lambda vow: bool(_levels(vow)) and bool(vow.document.limits))
class LevelHigh(Overlay):
    """What it draws is 3 % more than what it was told: the converter's reference is off."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        levels = _levels(self.vow)
        wrong = {
            name: 1.03 * value if name in levels and not isinstance(value, str) else value
            for name, value in changes.items()
        }
        super().control(wrong, now_ns)


def _levels(vow: Vow) -> set[str]:
    """The controls that settings in the unit of the main reading drive."""
    unit = main_reading(vow).number.unit if has_reading(vow) else None
    return {
        entry.drives
        for entry in vow.settings
        if entry.drives is not None and entry.scale is not None and entry.scale.unit == unit
    }


# --------------------------------------------------------------------------------------------------- counters


@physics.plant("law.*", _has_counter)
class CounterDrifts(Overlay):
    """The counters run 3 % too fast: they are summed up on a tick that is a little short."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 1.03 * value if signal in counters(self.vow) else value


@physics.plant("law.*", _has_counter)
class CounterWraps(Overlay):
    """A counter is summed up in 16 bits of thousandths before it is scaled."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value % 65.536 if signal in counters(self.vow) else value


class _Missing(Overlay):
    """Counters that miss ticks, or stand still for a while; zeroing them gives that back."""

    begun: dict[str, float] | None = None

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.missed = dict.fromkeys(counters(vow), 0.0)

    def miss(self, seconds: float, now_ns: int) -> None:
        for counter, integrand in counters(self.vow).items():
            self.missed[counter] += seconds * self.inner.at(integrand, now_ns)

    def pause(self, now_ns: int) -> None:
        if self.begun is None:
            self.begun = {counter: self.inner.at(counter, now_ns) for counter in self.missed}

    def go_on(self, now_ns: int) -> None:
        begun, self.begun = self.begun or {}, None
        for counter, value in begun.items():
            self.missed[counter] += max(self.inner.at(counter, now_ns) - value, 0.0)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal not in self.missed:
            return value
        # A counter below what it has missed has been zeroed since.
        self.missed[signal] = min(self.missed[signal], value)
        return value - self.missed[signal]


class _Miscounting(Instrument):
    """An instrument that tells its counters when to miss something."""

    def __init__(
        self,
        vow: Vow,
        bench: Bench | None = None,
        seed: int = 0,
        *,
        device_class: type[Device] = Device,
        store: Store | None = None,
        plant: Plant | None = None,
    ) -> None:
        assert plant is not None
        self.counting = _Missing(plant, vow)
        super().__init__(vow, bench, seed, device_class=device_class, store=store, plant=self.counting)


@physics.instrument("law.*", _has_counter)
class CounterStopsForLines(_Miscounting):
    """While a line is read the counters miss a tick of 100 ms."""

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        self._catch_up()
        for _ in range(data.count(b"\n")):
            self.counting.miss(0.1, now_ns)
        super().receive(data, now_ns)


@physics.device(
    "law.* state.*.leave.*", lambda vow: _has_counter(vow) and bool(_pulses(vow)) and does(vow, "pulse")
)
class CounterLostAtTheEnd(Device):
    """When a state ends by its condition the counters are zeroed for the next run, before anyone reads
    them."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        super().leave(leave, now_ns)
        if leave.when is not None:
            self.world.control(dict.fromkeys(_pulses(self.vow), 1.0), now_ns)


def _pulses(vow: Vow) -> list[str]:
    """The pulses of actions that lead from one state to another: what begins with the new state."""
    return [
        what
        for action in vow.actions.values()
        for effect, what in action.does
        if effect == "pulse" and any(before != after for before, after in action.to.items())
    ]


# ------------------------------------------------------------------------------------------- fan and derating


def _has_fan(vow: Vow) -> bool:
    return vow.document.fan is not None


def _fan(vow: Vow) -> Fan:
    assert vow.document.fan is not None
    return vow.document.fan


def _with_fan(vow: Vow, **changes: object) -> Vow:
    return with_document(vow, fan=_fan(vow).model_copy(update=changes))


@physics.tables("fan.curve", _has_fan)
def fan_late(vow: Vow) -> Vow:
    """Every level of the fan begins 5 K too late: the table is of an older thermistor."""
    levels = [FanLevel(at=level.at + 5, duty=level.duty) for level in _fan(vow).levels]
    return _with_fan(vow, levels=levels)


@physics.tables("fan.curve law.*", lambda vow: _has_fan(vow) and len(_fan(vow).levels) > 2)
def fan_step_back(vow: Vow) -> Vow:
    """One level of the fan is slower than the one below it."""
    levels = list(_fan(vow).levels)
    levels[-2] = FanLevel(at=levels[-2].at, duty=levels[-3].duty * Decimal("0.8"))
    return _with_fan(vow, levels=levels)


@physics.tables("fan.tick fan.curve", _has_fan)
def fan_seldom(vow: Vow) -> Vow:
    """The fan is looked at every twentieth tick."""
    return _with_fan(vow, tick=20 * _fan(vow).tick)


def _has_derating(vow: Vow) -> bool:
    return vow.document.derating is not None


@physics.tables("derating", _has_derating)
def derating_never(vow: Vow) -> Vow:
    """The ceiling stays where it was set however hot it is."""
    derating = vow.document.derating
    assert derating is not None
    return with_document(vow, derating=derating.model_copy(update={"floor": Decimal(1)}))


@physics.tables("derating", _has_derating)
def derating_in_one_step(vow: Vow) -> Vow:
    """The ceiling falls at once where it should begin to fall."""
    derating = vow.document.derating
    assert derating is not None
    return with_document(vow, derating=derating.model_copy(update={"end": derating.start + Decimal("0.001")}))


# ----------------------------------------------------------------------------------------------- second round


@physics.plant(
    "trip.*.notice trip.*.report trip.*.fires law.* limit.*",
    lambda vow: any(entry.signal == "input.voltage" for entry in vow.points.values()),
)
class ReadingClipped(Overlay):
    """A reading is held in 15 bits of thousandths and stands at 32.767."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return min(value, 32.767) if signal == "input.voltage" else value


def _unsaved_controls(vow: Vow) -> list[str]:
    """Controls that settings drive which are not saved."""
    return [entry.drives for entry in vow.settings if entry.drives is not None and not entry.saved]


@physics.plant("point.*.fresh fan.* law.*", lambda vow: len(_unsaved_controls(vow)) > 1)
class HandSettingUnheeded(Overlay):
    """The last of the settings that are not saved is shown and does nothing."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        deaf = _unsaved_controls(self.vow)[-1]
        super().control({name: value for name, value in changes.items() if name != deaf}, now_ns)


@physics.device(
    "promise.clock wire.boot point.*.readable",
    lambda vow: any(entry.system == "uptime" for entry in vow.points.values()),
)
class ClockHalfAPercentFast(Device):
    """The clock of the time since the boot runs from a resonator that was never trimmed."""

    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, ns + ns // 200 if entry.system == "uptime" else ns)


@physics.device(
    "wire.watchdog point.*.readable trip.*.fires",
    lambda vow: any(entry.system == "silence" for entry in vow.points.values()),
)
class SilenceStopsAt25Seconds(Device):
    """The host's silence is counted in a byte of tenths of a second."""

    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, min(ns, 25_500_000_000) if entry.system == "silence" else ns)


@physics.instrument("law.* state.*.leave.* point.*.fresh", _has_counter)
class CounterZeroedByReading(Instrument):
    """Reading a counter zeroes it, as the register it comes from does."""

    taken: dict[str, int] | None = None

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        counts = super().reading(entry, now_ns)
        if entry.signal not in counters(self.vow):
            return counts
        taken = self.taken = self.taken or {}
        rest = max(counts - taken.get(entry.name, 0), 0)
        taken[entry.name] = counts
        return rest


@physics.plant("law.* limit.* state.*.reachable", lambda vow: "level.current" in _levels(vow))
class LevelHasAFloor(Overlay):
    """What it draws ends at a twentieth of the range: below it the amplifier does not follow."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        level = changes.get("level.current")
        if isinstance(level, float) and 0.0 < level < 0.3:
            changes = {**changes, "level.current": 0.3}
        super().control(changes, now_ns)


@physics.plant(
    "point.*.fresh fan.* derating trip.*",
    lambda vow: any(entry.signal == "heat.temperature" for entry in vow.points.values()),
)
class TemperatureClipped(Overlay):
    """The table that makes a temperature of the thermistor's voltage ends at 60."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return min(value, 60.0) if signal == "heat.temperature" else value


# ------------------------------------------------------------------------------------------------ third round


def _products(vow: Vow) -> list[str]:
    """Signals of readings that a law holds against another reading's product."""
    return [
        entry.signal
        for entry in vow.points.values()
        if entry.signal is not None
        and entry.scale is not None
        and entry.scale.unit == "W"
        and any(law.holds is not None and entry.name in law.holds.names for law in vow.document.laws.values())
    ]


@physics.plant("law.*", lambda vow: "input.power" in _products(vow))
class PowerOfLastSetting(Overlay):
    """The power that is read is worked out with the voltage there was at the boot."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        if signal == "input.power":
            return 12.0 * self.inner.sample("input.current", tick, period_ns)
        return super().sample(signal, tick, period_ns)


@physics.plant(
    "fan.* derating trip.* point.*.fresh",
    lambda vow: any(entry.signal == "heat.temperature" for entry in vow.points.values()),
)
class TemperatureTenLow(Overlay):
    """The temperature is ten kelvin low: the thermistor is of another type."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value - max(0.0, min(10.0, (value - 30.0) / 2)) if signal == "heat.temperature" else value


# ----------------------------------------------------------------------------------------------- fourth round


@physics.plant("law.*", lambda vow: {"charge", "energy"} <= counters(vow).keys())
class EnergyAtFixedVoltage(Overlay):
    """The energy is summed up with the voltage there was when it was tried."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        if signal == "energy":
            return 12.0 * self.inner.sample("charge", tick, period_ns)
        return super().sample(signal, tick, period_ns)


# ------------------------------------------------------------------------------------------------ fifth round


@physics.plant(
    "promise.clock law.* point.*.fresh",
    lambda vow: any(entry.signal == "run.time" for entry in vow.points.values()),
)
class ElapsedInBinaryMilliseconds(Overlay):
    """The time a counter has run is summed up in ticks of 1.024 ms that are taken for milliseconds."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value * 1000 / 1024 if signal == "run.time" else value


@physics.plant("record.*.layout law.*.rate", lambda vow: does(vow, "capture") and has_reading(vow))
class CaptureEveryOtherSample(Overlay):
    """In a capture every conversion is stored twice: the converter takes two ticks for one."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return super().sample(signal, tick - tick % 2 if period_ns < 1_000_000 else tick, period_ns)


def _manual_fan(vow: Vow) -> bool:
    return _has_fan(vow) and {"fan.mode", "fan.manual"} <= {entry.drives or "" for entry in vow.settings}


@physics.plant("fan.curve", _manual_fan)
class FanManualReplacesCurve(Overlay):
    """Driven by hand the fan turns as it is told, however hot it is; the higher of both is not taken."""

    manual = False
    share = 0.0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control(changes, now_ns)
        self.manual = changes.get("fan.mode", "manual" if self.manual else "auto") == "manual"
        self.share = float(changes.get("fan.manual", self.share))

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if not self.manual:
            return value
        if signal == "fan.duty":
            return self.share
        return min(value, 4200 * self.share**0.5) if signal == "fan.speed" else value


@physics.plant(
    "law.rail_stands law.*",
    lambda vow: {"supply.rail", "input.current"} <= {entry.signal for entry in vow.points.values()},
)
class RailSagsWithCurrent(Overlay):
    """The box's own rail is measured at the end of a wire that carries the stage's current."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal != "supply.rail":
            return value
        return value - 0.12 * max(self.inner.at("input.current", when_ns), 0.0)


@physics.plant(
    "law.* point.*.fresh", lambda vow: any(entry.signal == "input.current" for entry in vow.points.values())
)
class SmallCurrentReadsZero(Overlay):
    """A current below 50 mA is shown as none, so that the display stands still."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 0.0 if signal == "input.current" and abs(value) < 0.05 else value


# ------------------------------------------------------------------------------------------------ sixth round


@physics.plant(
    "law.elapsed_is_time law.*",
    lambda vow: (
        {"run.time"} <= {entry.signal for entry in vow.points.values()}
        and any(entry.drives == "level.current" for entry in vow.settings)
    ),
)
class ElapsedWaitsForLevel(Overlay):
    """The time a counter has run stands still while the level is zero, for nothing is drawn then."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.told: dict[str, float | str] = {"mode": "current"}
        self.ended: list[tuple[int, int]] = []
        self.since_ns: int | None = None

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.told |= changes
        works = self.told.get("stage") == "run" or (
            self.told.get("stage") == "hold" and self.told["mode"] == "current"
        )
        waits = works and self.told.get("level.current") == 0.0
        if "counters.zero" in changes:
            self.ended, self.since_ns = [], None
        if waits and self.since_ns is None:
            self.since_ns = now_ns
        elif not waits and self.since_ns is not None:
            self.ended.append((self.since_ns, now_ns))
            self.since_ns = None
        super().control(changes, now_ns)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal != "run.time":
            return value
        spans = self.ended if self.since_ns is None else [*self.ended, (self.since_ns, when_ns)]
        return max(value - sum(max(min(end, when_ns) - begin, 0) for begin, end in spans) * 1e-9, 0.0)


@physics.plant(
    "law.power_is_product point.*.fresh law.*",
    lambda vow: any(entry.signal == "input.voltage" for entry in vow.points.values()),
)
class ChannelNotSettled(Overlay):
    """Every eighth sample of the voltage is taken before the multiplexer has settled, and shows half of
    it."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = super().sample(signal, tick, period_ns)
        return value / 2 if signal == "input.voltage" and tick % 8 == 7 else value


@physics.plant(
    "law.resistance_follows_level law.*",
    lambda vow: any(
        entry.drives == "level.resistance" and entry.number.high > 0xFFFF for entry in vow.settings
    ),
)
class ResistanceIn16Bits(Overlay):
    """The resistance goes to the regulator in 16 bits of its steps; a greater one comes round."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        level = passed.get("level.resistance")
        if isinstance(level, float):
            entry = next(each for each in self.vow.settings if each.drives == "level.resistance")
            counts = round(level / entry.si) % 0x10000
            passed["level.resistance"] = max(counts, entry.number.low) * entry.si
        super().control(passed, now_ns)


def _code_ampere(vow: Vow) -> float | None:
    """The current in one step of the level's converter; None if there is none, or it has one byte."""
    plant = vow.document.plant
    if not isinstance(plant, SinkPlant) or plant.level.bits is None or plant.level.bits <= 8:
        return None
    return plant.level.full_scale_ampere / 2.0**plant.level.bits


@physics.plant(
    "law.current_follows_level law.*",
    lambda vow: (
        _code_ampere(vow) is not None and any(entry.drives == "level.current" for entry in vow.settings)
    ),
)
class LevelLowByteOfLast(Overlay):
    """The level's converter is given the new high byte with the low byte of the level before."""

    last = 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        level = passed.get("level.current")
        step = _code_ampere(self.vow)
        if isinstance(level, float) and step is not None:
            code = round(level / step)
            if code != self.last:
                passed["level.current"] = (code - code % 256 + self.last % 256) * step
                self.last = code
            else:
                del passed["level.current"]
        super().control(passed, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


class _FirstLevelOnly(FanCurve):
    """Only what turns the fan off is put off by the hysteresis."""

    def _down(self, present: int) -> float:
        return self.at_celsius[present - 1] - (self.hysteresis_kelvin if present == 1 else 0.0)

    def level(self, present: int, celsius: float) -> int:
        while present < len(self.at_celsius) and celsius >= self.at_celsius[present]:
            present += 1
        while present > 0 and celsius < self._down(present):
            present -= 1
        return present

    def stays(self, present: int) -> tuple[float, float]:
        low, high = super().stays(present)
        return (self._down(present) if present > 0 else low), high


@physics.plant(
    "fan.hysteresis",
    lambda vow: (
        _has_fan(vow)
        and isinstance(vow.document.plant, SinkPlant)
        and len(_fan(vow).levels) > 1
        and _fan(vow).hysteresis > 0
    ),
)
def fan_hysteresis_for_off_only(plant: Plant, vow: Vow) -> Plant:
    """The fan's hysteresis is of a time when it had one level: it holds for turning off, not between
    levels."""
    assert isinstance(plant, Sink)
    assert plant.cooling is not None
    assert plant.cooling.fan is not None
    curve = plant.cooling.fan
    plant.cooling.fan = _FirstLevelOnly(curve.tick_ns, curve.at_celsius, curve.duty, curve.hysteresis_kelvin)
    return plant


@physics.plant(
    "fan.curve point.*.fresh", lambda vow: any(entry.signal == "fan.duty" for entry in vow.points.values())
)
class FanDutyIn255ths(Overlay):
    """The fan's drive is read back from the timer's register, of 255 steps, and what is over is cut off."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return math.floor(value * 255 + 1e-6) / 255 if signal == "fan.duty" else value


@physics.plant(
    "law.elapsed_is_time law.*", lambda vow: any(entry.signal == "run.time" for entry in vow.points.values())
)
class ElapsedIn16Bits(Overlay):
    """The time a counter has run is summed up in 16 bits of milliseconds."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value % 65.536 if signal == "run.time" else value


@physics.plant(
    "law.*.period state.*.leave.* point.*.readable",
    lambda vow: any(entry.signal == "swing.done" for entry in vow.points.values()),
)
class DoneInAByte(Overlay):
    """What is done of an alternation is counted in one byte; what is to be done may be more."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        never = signal == "swing.done" and threshold > 0xFF
        return super().watch(key, signal, above, math.inf if never else threshold)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value % 256 if signal == "swing.done" else value


_TICK_NS = 100_000_000
_PARTS = 16


@physics.plant("law.*", _has_counter)
class CounterCutEachTick(Overlay):
    """What a counter grows by in a tick of 100 ms is cut to sixteenths of its step before it is added."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.cut = dict.fromkeys(counters(vow), 0.0)
        self.live = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.live = changes.get("stage", "on" if self.live else "off") != "off"
        super().control(changes, now_ns)

    def advance(self, to_ns: int) -> Crossing | None:
        while self.live:
            tick_ns = (self.inner.now_ns // _TICK_NS + 1) * _TICK_NS
            if tick_ns > to_ns:
                break
            crossing = self.inner.advance(tick_ns)
            if self.inner.now_ns == tick_ns:
                self.tick(tick_ns)
            if crossing is not None:
                return crossing
        return self.inner.advance(to_ns)

    def tick(self, now_ns: int) -> None:
        for counter, integrand in counters(self.vow).items():
            part = next(entry.si for entry in self.vow.points.values() if entry.signal == counter) / _PARTS
            grown = self.inner.at(integrand, now_ns) * _TICK_NS * 1e-9
            self.cut[counter] += grown - math.floor(grown / part) * part

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal not in self.cut:
            return value
        # A counter below what was cut off it has been zeroed since.
        self.cut[signal] = min(self.cut[signal], value)
        return value - self.cut[signal]


@physics.plant(
    "law.charge_is_integral law.*",
    lambda vow: "charge" in counters(vow) and any(entry.drives == "level.current" for entry in vow.settings),
)
class ChargeOfWhatWasTold(Overlay):
    """In a run the charge is summed up from the level that was told, not from the current that flows."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.told: dict[str, float | str] = {}
        self.extra = self.begun = 0.0
        self.since_ns = 0

    def more(self, charge: float, when_ns: int) -> float:
        """By how much the told charge is above what has flowed since the level was told last."""
        if self.told.get("stage") != "run" or when_ns <= self.since_ns:
            return 0.0
        return float(self.told["level.current"]) * (when_ns - self.since_ns) * 1e-9 - (charge - self.begun)

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.extra += self.more(self.inner.at("charge", now_ns), now_ns)
        super().control(changes, now_ns)
        self.told |= changes
        if "counters.zero" in changes:
            self.extra = 0.0
        self.since_ns, self.begun = now_ns, self.inner.at("charge", now_ns)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value + self.extra + self.more(value, when_ns) if signal == "charge" else value


@physics.instrument("law.*", _has_counter)
class CounterStopsInABegunLine(_Miscounting):
    """The loop waits for the rest of a line that was begun, and meanwhile nothing is summed up."""

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        self._catch_up()
        if b"\n" in data or not self.device._framer._begun:
            self.counting.go_on(now_ns)
        super().receive(data, now_ns)
        self._catch_up()
        if self.device._framer._begun:
            self.counting.pause(now_ns)


@physics.instrument("law.*", _has_counter)
class CounterStopsWhileSending(_Miscounting):
    """Bytes are sent one by one, each waited for, and meanwhile nothing is summed up."""

    def take(self) -> bytes:
        data = super().take()
        if data and self.vow.states[self.device.state].energised:
            self._catch_up()
            self.counting.miss(10 * len(data) / self.vow.document.wire.baud, self.now_ns)
        return data


@physics.instrument("point.*.fresh point.*.accuracy trip.*.clears law.*", has_reading)
class ReadingOfTheLastAsk(Instrument):
    """Asking a reading starts its conversion and answers what the one before has found."""

    converted: Mapping[str, tuple[int, int, int]] = {}

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        tick = now_ns // entry.period_ns
        before = self.converted.get(entry.name)
        if before is not None and before[0] == tick:
            return before[1]
        counts = super().reading(entry, now_ns)
        answer = counts if before is None else before[2]
        self.converted = {**self.converted, entry.name: (tick, answer, counts)}
        return answer


_SLOW_CHANNELS = {"heat.temperature", "heat.sensor_voltage", "supply.rail"}


@physics.plant(
    "point.*.fresh fan.* derating",
    lambda vow: any(entry.signal in _SLOW_CHANNELS for entry in vow.points.values()),
)
class SlowChannelsWaitInOperation(Overlay):
    """While energised the converter serves voltage and current only; what is slow shows what it was
    before."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.held: dict[str, float] = {}
        self.since_ns = 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        stage = changes.get("stage")
        if stage == "off":
            self.held = {}
        elif stage is not None and not self.held:
            self.since_ns = now_ns
            self.held = {
                str(entry.signal): self.inner.sample(
                    str(entry.signal), now_ns // entry.period_ns, entry.period_ns
                )
                for entry in self.vow.points.values()
                if entry.signal in _SLOW_CHANNELS
            }
        super().control(changes, now_ns)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        if signal in self.held and tick * period_ns > self.since_ns:
            return self.held[signal]
        return super().sample(signal, tick, period_ns)


# ---------------------------------------------------------------------------------------------- eighth round


@physics.plant("fan.* point.*.fresh", _manual_fan)
class FanKeptByHandUntilChange(Overlay):
    """That the fan is given back to the temperature is looked at with the next change of state only."""

    given_back = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        mode = passed.get("fan.mode")
        if "stage" not in passed:
            if mode is not None:
                self.given_back = mode == "auto"
            if mode == "auto":
                del passed["fan.mode"]
        elif self.given_back:
            self.given_back = False
            passed["fan.mode"] = "auto"
        super().control(passed, now_ns)


@physics.plant(
    "law.elapsed_is_time point.*.fresh state.*.reachable point.*.readable",
    lambda vow: any(entry.signal == "run.time" for entry in vow.points.values()),
)
class ElapsedRunsOnAtRest(Overlay):
    """The timer of the time a counter has run is started with the stage, and stopped by zeroing only."""

    stage = "off"
    rested_ns = 0
    since_ns: int | None = None

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        stage = str(changes.get("stage", self.stage))
        if "counters.zero" in changes:
            self.rested_ns, self.since_ns = 0, None
        if stage == "off" and self.stage != "off":
            self.since_ns = now_ns
        elif stage != "off" and self.since_ns is not None:
            self.rested_ns += now_ns - self.since_ns
            self.since_ns = None
        self.stage = stage
        super().control(changes, now_ns)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        if signal != "run.time":
            return value
        resting_ns = 0 if self.since_ns is None else max(when_ns - self.since_ns, 0)
        return value + (self.rested_ns + resting_ns) * 1e-9


_AVERAGED = 8


@physics.plant(
    "point.*.fresh",
    lambda vow: any(
        entry.signal == "input.voltage" and _AVERAGED * entry.period_ns <= _LOOK_BACK_NS
        for entry in vow.points.values()
    ),
)
class ReadingAveragedOverEight(Overlay):
    """The voltage is the mean of its last eight samples: the filter was meant for the display."""

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        if signal != "input.voltage":
            return super().sample(signal, tick, period_ns)
        ticks = range(max(tick - _AVERAGED + 1, 0), tick + 1)
        samples = [self.inner.sample(signal, each, period_ns) for each in ticks]
        return math.fsum(samples) / len(samples)


_GAINS = {"trim.voltage_gain", "trim.current_gain"}


@physics.plant(
    "law.power_is_product law.*",
    lambda vow: "input.power" in _products(vow) and {entry.drives or "" for entry in vow.settings} >= _GAINS,
)
class PowerBeforeTrims(Overlay):
    """The power that is read is worked out from voltage and current as they were before they were
    corrected."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.gains: dict[str, float] = {}

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.gains |= {name: float(changes[name]) for name in _GAINS & changes.keys()}
        super().control(changes, now_ns)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = super().sample(signal, tick, period_ns)
        return value / math.prod(self.gains.values()) if signal == "input.power" else value
