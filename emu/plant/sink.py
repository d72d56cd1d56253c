"""First plant of an electronic sink: quasi-static circuit, explicit steps of a millisecond."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from emu.bench import Bench, BankSource, BatterySource, PanelSource, SupplySource, TheveninSource
from emu.plant.agenda import Planned, Watch, timeline
from emu.plant.converter import Converter, Level
from emu.plant.curves import DeratingCurve, FanCurve
from emu.plant.interface import Control, Crossing
from emu.plant.terminals import CONTROLS, EVENTS, INITIAL, SIGNALS
from emu.plant.thermistor import deduced_celsius, divider_volt
from protocol.document.plant import SinkPlant

_STEP_NS = 1_000_000


class Sink:
    """The plant of kind `sink` (see `emu.plant.interface.Plant`)."""

    signals = SIGNALS
    controls: Mapping[str, Control] = CONTROLS
    events: Mapping[str, Control] = EVENTS
    horizon_ns = 2_000_000_000

    def __init__(self, plant: SinkPlant, bench: Bench | None, seed: int, fan: FanCurve | None,
                 derating: DeratingCurve | None) -> None:
        self._plant = plant
        self._bench = bench if bench is not None else Bench(title="plain supply", source=SupplySource(kind="supply", volt=12.0))
        self._fan_curve = fan
        self._derating = derating
        self._agenda: list[Planned] = timeline(self._bench, EVENTS)
        self._next = 0
        self._watches: dict[int, Watch] = {}
        self._converters: dict[str, Converter] = {name: Converter(channel, name, seed) for name, channel in plant.channels.items()}
        self._level = Level(plant.level)
        self.now_ns = 0
        self._set: dict[str, float | str] = dict(INITIAL)
        self._run = 0.0
        source = self._bench.source
        self._world: dict[str, float | str] = {
            "reverse": "normal", "disconnect": "yes", "thermistor": "good", "fan": "good", "stage": "good",
            "sense": self._bench.leads.sense, "lead": self._bench.leads.loop_ohm, "ambient": self._bench.ambient_celsius,
            "vents": self._bench.vents_blocked, "soc": source.soc if isinstance(source, BatterySource) else 0.0,
            "volt": source.volt if isinstance(source, SupplySource | TheveninSource | BankSource) else 0.0,
            "ohm": source.ohm if isinstance(source, SupplySource | TheveninSource | BankSource | PanelSource) else 0.0,
            "limit": source.limit_ampere if isinstance(source, SupplySource) else 1e9,
        }
        self._t = [float(self._world["ambient"])] * 4
        self._duty = 0.0
        self._level_index = 0
        self._speed = 0.0
        self._charge = self._energy = 0.0
        self._phase_ns = 0
        self._high = False
        self._done = 0
        self._values: dict[str, float] = {}
        self._past: deque[tuple[int, dict[str, float]]] = deque()
        self._fire_planned()
        self._settle(0.0)

    def _emf(self) -> tuple[float, float]:
        source = self._bench.source
        if self._world["disconnect"] == "no" or source is None:
            return 0.0, 0.0
        if isinstance(source, BatterySource):
            soc = float(self._world["soc"])
            for a, b in zip(source.table, source.table[1:], strict=False):
                if soc <= b.soc:
                    w = max((soc - a.soc) / (b.soc - a.soc), 0.0)
                    return source.cells * (a.volt + w * (b.volt - a.volt)), source.cells * (a.ohm + w * (b.ohm - a.ohm))
            return source.cells * source.table[-1].volt, source.cells * source.table[-1].ohm
        if isinstance(source, PanelSource):
            return source.slope_volt * math.log1p(source.photo_ampere * source.irradiance / source.saturation_ampere), source.ohm
        return float(self._world["volt"]), float(self._world["ohm"])

    def _settle(self, seconds: float) -> None:
        plant, set_, world = self._plant, self._set, self._world
        emf, source_ohm = self._emf()
        lead = float(world["lead"])
        ohm = source_ohm + lead
        path = plant.stage.saturation_ohm
        remote = set_["sense"] == "remote"
        sensed_ohm = source_ohm if remote else ohm
        ceiling = float(set_["limit.power"])
        if self._derating is not None:
            ceiling *= self._derating.share(self._values.get("heat.temperature", 0.0))
        stage = set_["stage"]
        regulate = {"off": "none", "run": "current", "swing": "swing"}.get(str(stage), set_["mode"])
        most = emf / (ohm + path)
        wanted = 0.0
        if regulate == "current":
            wanted = float(set_["level.current"])
        elif regulate == "swing":
            self._swing(seconds)
            wanted = float(set_["swing.high" if self._high else "swing.low"])
        elif regulate == "resistance":
            wanted = emf / (sensed_ohm + float(set_["level.resistance"]))
        elif regulate == "voltage":
            wanted = (emf - float(set_["level.voltage"])) / max(sensed_ohm, 1e-9)
        power = min(ceiling, float(set_["level.power"]) if regulate == "power" else math.inf)
        disc = emf * emf - 4.0 * sensed_ohm * power
        if disc >= 0.0:
            top = 2.0 * power / (emf + math.sqrt(disc)) if emf > 0.0 else 0.0
        else:
            top = most
        wanted = top if regulate == "power" else min(wanted, top)
        wanted = self._level.current(self._level.nearest(min(max(wanted, 0.0), float(set_["limit.current"]))))
        if regulate == "none":
            wanted = 0.0
        current = min(max(wanted, plant.stage.leakage_ampere), most, float(world["limit"]))
        if world["stage"] == "shorted":
            current = min(most, float(world["limit"]))
        sign = 1.0
        if world["reverse"] == "reversed":
            sign = -1.0
            current = min(max(emf - plant.stage.diode_volt, 0.0) / (ohm + path), float(world["limit"]))
        if set_["relay"] == "open":
            current = 0.0
        volt = emf - ohm * current
        if current >= float(world["limit"]):
            volt = current * path
        sense = volt + (lead * current if remote else 0.0)
        if remote and world["sense"] == "open":
            sense = 0.0
        heat = plant.heat
        power_in = volt * current
        blow = max(self._speed / plant.fan.full_speed_per_minute * (1.0 - float(world["vents"])), 0.0) ** plant.fan.exponent
        to_air = max(1.0 / heat.still_kelvin_per_watt, blow / heat.blown_kelvin_per_watt)
        t = self._t
        ambient = float(world["ambient"])
        steps = max(1, math.ceil(seconds / 0.002))
        h = seconds / steps
        for _ in range(steps if seconds else 0):
            a = (t[0] - t[1]) / heat.junction_to_case_kelvin_per_watt
            b = (t[1] - t[2]) / heat.case_to_sink_kelvin_per_watt
            t[0] += h * (power_in - a) / heat.junction_joule_per_kelvin
            t[1] += h * (a - b) / heat.case_joule_per_kelvin
            t[2] += h * (b - (t[2] - ambient) * to_air) / heat.sink_joule_per_kelvin
            t[3] += (t[2] - t[3]) * -math.expm1(-h / plant.thermistor.lag_second)
        self._speed += (self._duty * plant.fan.full_speed_per_minute * (world["fan"] == "good") - self._speed) * -math.expm1(
            -seconds / plant.fan.spin_second
        )
        if stage != "off":
            self._run += seconds
            clock = 1.0 + plant.clock_error_ppm * 1e-6
            self._charge += sign * current * seconds * clock
            self._energy += sense * current * seconds * clock
        source = self._bench.source
        if isinstance(source, BatterySource):
            world["soc"] = max(float(world["soc"]) - current * seconds / (3600.0 * source.ampere_hour), 0.0)
        elif isinstance(source, BankSource):
            world["volt"] = max(float(world["volt"]) - current * seconds / source.farad, 0.0)
        sensor = divider_volt(plant.thermistor, plant.rail_volt, str(world["thermistor"]), t[3])
        temperature = deduced_celsius(plant.thermistor, plant.rail_volt, sensor)
        if self._fan_curve is not None:
            self._level_index = self._fan_curve.level(self._level_index, temperature)
            self._duty = self._fan_curve.duty[self._level_index - 1] if self._level_index else 0.0
        if set_["fan.mode"] == "manual":
            self._duty = max(self._duty, float(set_["fan.manual"]))
        self._values = {
            "input.voltage": sign * sense, "input.terminal_voltage": sign * volt, "input.current": sign * current,
            "input.power": sense * current,
            "sense.drop": sign * (volt - (0.0 if world["sense"] == "open" else volt + lead * current)),
            "run.time": self._run, "heat.junction": t[0], "heat.case": t[1], "heat.sink": t[2],
            "heat.air": ambient, "heat.sensor_voltage": sensor, "heat.temperature": temperature,
            "fan.duty": self._duty, "fan.speed": self._speed, "charge": self._charge, "energy": self._energy,
            "battery.soc": float(world["soc"]), "source.emf": emf, "heat.ceiling": ceiling,
            "swing.done": float(self._done), "swing.upper": float(self._high), "supply.rail": plant.rail_volt,
        }
        if self._past and self._past[-1][0] == self.now_ns:
            self._past.pop()
        self._past.append((self.now_ns, self._values))
        while len(self._past) > 1 and self._past[1][0] < self.now_ns - self.horizon_ns:
            self._past.popleft()

    def _swing(self, seconds: float) -> None:
        self._phase_ns += round(seconds * 1e9)
        while True:
            timer = self._set["swing.cue"] == "timer"
            if not self._high and not timer:
                return
            if self._high and not timer and self._set["swing.hold"] == "stay":
                return
            length = round(float(self._set["swing.high_time" if self._high else "swing.low_time"]) * 1e9)
            count = float(self._set["swing.count"])
            if self._phase_ns < length or (count and self._done >= count):
                return
            self._phase_ns -= length
            self._high = not self._high
            self._done += not self._high

    def _must_be_now(self, now_ns: int) -> None:
        if now_ns != self.now_ns:
            raise ValueError(f"the plant stands at {self.now_ns} ns, not {now_ns}: advance it first")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self._must_be_now(now_ns)
        for name in changes:
            if name not in CONTROLS:
                raise ValueError(f"a sink has no control {name!r}: write one of {', '.join(CONTROLS)}")
        for name, value in changes.items():
            checked = CONTROLS[name].checked(name, value)
            if name == "counters.zero":
                self._charge = self._energy = self._run = 0.0
            elif name == "swing.trigger":
                self._trigger()
            else:
                if name == "stage" and checked == "swing" and self._set["stage"] != "swing":
                    self._phase_ns, self._high, self._done = 0, False, 0
                self._set[name] = checked
        self._settle(0.0)

    def _trigger(self) -> None:
        self._high = not self._high if self._set["swing.hold"] == "stay" else True
        self._phase_ns = 0

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self._must_be_now(now_ns)
        if event not in EVENTS:
            raise ValueError(f"a sink has no bench event {event!r}: write one of {', '.join(EVENTS)}")
        known = EVENTS[event]
        checked = known.checked(event, 1.0 if known.pulse and value is None else value)
        key = {"source.voltage": "volt", "source.resistance": "ohm", "source.limit": "limit", "source.polarity": "reverse",
               "source.connected": "disconnect", "battery.soc": "soc", "lead.resistance": "lead", "lead.sense": "sense",
               "ambient": "ambient", "vents": "vents", "thermistor": "thermistor", "fan": "fan", "stage": "stage"}.get(event)
        if event == "trigger":
            self._trigger()
        elif key is not None:
            self._world[key] = checked
        self._settle(0.0)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        watch = Watch(signal, above, threshold, False)
        watch.true = watch.holds(self._values[signal])
        self._watches[key] = watch
        return watch.true

    def unwatch(self, key: int) -> None:
        self._watches.pop(key, None)

    def _fire_planned(self) -> None:
        while self._next < len(self._agenda) and self._agenda[self._next].when_ns <= self.now_ns:
            planned = self._agenda[self._next]
            self._next += 1
            self.bench(planned.event, planned.value, self.now_ns)

    def advance(self, to_ns: int) -> Crossing | None:
        while True:
            for key in sorted(self._watches):
                watch = self._watches[key]
                true = watch.holds(self._values[watch.signal])
                if true != watch.true:
                    watch.true = true
                    return Crossing(key, self.now_ns, true)
            if self.now_ns >= to_ns:
                return None
            stop = min(to_ns, (self.now_ns // _STEP_NS + 1) * _STEP_NS)
            if self._next < len(self._agenda):
                stop = min(stop, self._agenda[self._next].when_ns)
            seconds = (stop - self.now_ns) * 1e-9
            self.now_ns = stop
            self._settle(seconds)
            self._fire_planned()

    def at(self, signal: str, when_ns: int) -> float:
        if when_ns > self.now_ns:
            raise ValueError(f"{when_ns} ns is after now, {self.now_ns} ns")
        for ns, values in reversed(self._past):
            if ns <= when_ns:
                return values[signal]
        return self._past[0][1][signal]

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        when = tick * period_ns
        if signal == "input.power":
            return self.sample("input.voltage", tick, period_ns) * self.sample("input.current", tick, period_ns)
        if signal == "heat.temperature":
            volt = self.sample("heat.sensor_voltage", tick, period_ns)
            return deduced_celsius(self._plant.thermistor, self._plant.rail_volt, volt)
        value = self.at(signal, when)
        converter = self._converters.get(signal)
        if converter is not None:
            value = converter.convert(value, tick)
        kind = {"input.voltage": "voltage", "input.terminal_voltage": "voltage", "input.current": "current"}.get(signal)
        if kind is not None:
            value = value * float(self._set[f"trim.{kind}_gain"]) + float(self._set[f"trim.{kind}_shift"])
        return value
