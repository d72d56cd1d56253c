"""A heated room: one heat capacity, a window, a thermometer with lag. Exact exponentials between events.

With the drive constant the room follows T(t) = Tf + (T0 - Tf) exp(-t / tau); the thermometer is a first-order
lag behind it. Both are closed forms, so reads cost nothing and change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from wirevow.emu.bench import Bench
from wirevow.emu.plant.agenda import Watch
from wirevow.emu.plant.converter import Converter
from wirevow.emu.plant.interface import Surroundings
from wirevow.emu.plant.past import Past
from wirevow.emu.plant.room_section import RoomPlant
from wirevow.emu.plant.seam import Seam
from wirevow.emu.plant.terminals import ROOM_CONTROLS as CONTROLS
from wirevow.emu.plant.terminals import ROOM_EVENTS as EVENTS
from wirevow.emu.plant.terminals import ROOM_SIGNALS as SIGNALS
from wirevow.protocol.document.terminals import Control, Signal


class _Stretch:
    """The room from one event to the next: everything constant but two exponentials."""

    __slots__ = (
        "direct",
        "final",
        "heater",
        "lagged",
        "outside",
        "sensor_rate",
        "start_ns",
        "tau_rate",
        "works",
    )

    def __init__(
        self,
        start_ns: int,
        air: float,
        sensed: float,
        heater: float,
        outside: float,
        way: float,
        plant: RoomPlant,
        works: bool,
    ) -> None:
        self.start_ns = start_ns
        self.heater = heater
        self.outside = outside
        self.works = works
        self.tau_rate = 1.0 / (way * plant.room_joule_per_kelvin)
        rate = 1.0 / plant.sensor_lag_second
        if abs(rate - self.tau_rate) < 1e-9 * rate:
            rate *= 1.0 + 1e-9  # resonance: the two exponentials must stay apart
        self.sensor_rate = rate
        self.final = outside + heater * plant.heater_watt * way
        self.direct = air - self.final
        self.lagged = rate / (rate - self.tau_rate) * self.direct
        self.lagged, self.direct = sensed - self.final - self.lagged, self.direct

    def air(self, ns: int) -> float:
        return self.final + self.direct * math.exp(-self.tau_rate * (ns - self.start_ns) * 1e-9)

    def sensed(self, ns: int) -> float:
        t = (ns - self.start_ns) * 1e-9
        rate = self.sensor_rate
        slow = rate / (rate - self.tau_rate) * self.direct * math.exp(-self.tau_rate * t)
        return self.final + slow + self.lagged * math.exp(-rate * t)


def _way(plant: RoomPlant, is_open: bool) -> float:
    """From the room to the outside, in kelvin per watt."""
    way = plant.loss_kelvin_per_watt
    return way * plant.window_kelvin_per_watt / (way + plant.window_kelvin_per_watt) if is_open else way


class Room(Seam):
    """A room and its heater (see `wirevow.emu.plant.interface.Plant`)."""

    Parameters = RoomPlant
    signals: Mapping[str, Signal] = SIGNALS
    controls: Mapping[str, Control] = CONTROLS
    events: Mapping[str, Control] = EVENTS

    def __init__(self, plant: RoomPlant, bench: Bench | None, seed: int, horizon_ns: int) -> None:
        super().__init__("room", bench, horizon_ns)
        self._plant = plant
        self._converter = (
            Converter(plant.channel, "room.temperature", seed) if plant.channel is not None else None
        )
        self._heater = 0.0
        self._outside = plant.outside_celsius
        self._open = False
        self._works = True
        start = plant.start_celsius if plant.start_celsius is not None else plant.outside_celsius
        self._past: Past[_Stretch] = Past()
        self._begin(0, start, start)
        self._fire_planned()

    @classmethod
    def build(cls, parameters: RoomPlant, around: Surroundings) -> Room:
        """A room at 0 ns, its heater off."""
        return cls(parameters, around.bench, around.seed, around.horizon_ns)

    @staticmethod
    def rests(
        parameters: RoomPlant,
        signal: str,
        controls: Mapping[str, float | str],
        events: Mapping[str, float | str],
    ) -> float | None:
        """Where a signal comes to rest, for `vet`: with the window closed, or open for good."""
        heat = float(controls.get("heater", 0.0)) * parameters.heater_watt
        outside = float(events.get("outside.temperature", parameters.outside_celsius))
        if signal == "heater.power":
            return heat
        if signal == "outside.temperature":
            return outside
        if signal == "room.temperature" and events.get("sensor") == "open":
            return parameters.open_reads_celsius
        return outside + heat * _way(parameters, events.get("window") == "open")

    def _begin(self, ns: int, air: float, sensed: float) -> None:
        plant = self._plant
        way = _way(plant, self._open)
        stretch = _Stretch(ns, air, sensed, self._heater, self._outside, way, plant, self._works)
        self._past.begin(stretch, ns - self.horizon_ns)

    def _take(self, changes: Mapping[str, float | str], happened: bool) -> None:
        for name, value in changes.items():
            if name == "heater":
                self._heater = float(value)
            elif name == "window":
                self._open = value == "open"
            elif name == "sensor":
                self._works = value == "good"
            else:
                self._outside = float(value)
        last = self._past[-1]
        self._begin(self.now_ns, last.air(self.now_ns), last.sensed(self.now_ns))

    def _first_change(self, watch: Watch, stop: int) -> int:
        # Air is monotone; the sensed value has one extremum at most: each side of it is bisected.
        stretch = self._past[-1]
        for left, right in self._monotone(stretch, watch.signal, stop):
            if watch.holds(self._of(stretch, watch.signal, right)) != watch.true:
                return self._bisected(watch, left, right)
        return stop

    def _monotone(self, stretch: _Stretch, signal: str, stop: int) -> list[tuple[int, int]]:
        now = self.now_ns
        if signal != "room.temperature":
            return [(now, stop)]
        slow = (
            stretch.sensor_rate / (stretch.sensor_rate - stretch.tau_rate) * stretch.direct * stretch.tau_rate
        )
        fast = stretch.lagged * stretch.sensor_rate
        if slow and -fast / slow > 0.0:
            extremum = math.log(-fast / slow) / (stretch.sensor_rate - stretch.tau_rate)
            at = stretch.start_ns + round(extremum * 1e9)
            if now < at < stop:
                return [(now, at), (at, stop)]
        return [(now, stop)]

    def _value(self, signal: str, ns: int) -> float:
        return self._of(self._past.holding(ns), signal, ns)

    def _of(self, stretch: _Stretch, signal: str, ns: int) -> float:
        if signal == "room.temperature":
            return stretch.sensed(ns) if stretch.works else self._plant.open_reads_celsius
        if signal == "room.air":
            return stretch.air(ns)
        if signal == "heater.power":
            return stretch.heater * self._plant.heater_watt
        return stretch.outside

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return self._converted(signal, self.at(signal, tick * period_ns), tick)

    def foretold(self, signal: str, tick: int, period_ns: int) -> float:
        return self._converted(signal, self._value(signal, tick * period_ns), tick)

    def _converted(self, signal: str, value: float, tick: int) -> float:
        if signal == "room.temperature" and self._converter is not None:
            return self._converter.convert(value, tick)
        return value
