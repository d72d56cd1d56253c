"""A heated room: one heat capacity, a window, a thermometer with lag. Exact exponentials between events.

With the drive constant the room follows T(t) = Tf + (T0 - Tf) exp(-t / tau); the thermometer is a first-order
lag behind it. Both are closed forms, so reads cost nothing and change nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from wirevow.emu.bench import Bench
from wirevow.emu.plant.agenda import Planned, Watch, timeline
from wirevow.emu.plant.converter import Converter
from wirevow.emu.plant.interface import Crossing
from wirevow.emu.plant.terminals import ROOM_CONTROLS as CONTROLS
from wirevow.emu.plant.terminals import ROOM_EVENTS as EVENTS
from wirevow.emu.plant.terminals import ROOM_SIGNALS as SIGNALS
from wirevow.protocol.document.plant import RoomPlant
from wirevow.protocol.document.terminals import Control, Signal

_LOOK_AHEAD_NS = 3600 * 1_000_000_000


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


class Room:
    """The plant of kind `room` (see `wirevow.emu.plant.interface.Plant`)."""

    signals: Mapping[str, Signal] = SIGNALS
    controls: Mapping[str, Control] = CONTROLS
    events: Mapping[str, Control] = EVENTS

    def __init__(self, plant: RoomPlant, bench: Bench | None, seed: int, horizon_ns: int) -> None:
        self._plant = plant
        self.horizon_ns = horizon_ns
        self._agenda: list[Planned] = timeline(bench, EVENTS) if bench is not None else []
        self._next = 0
        self._watches: dict[int, Watch] = {}
        self._converter = (
            Converter(plant.channel, "room.temperature", seed) if plant.channel is not None else None
        )
        self._heater = 0.0
        self._outside = plant.outside_celsius
        self._open = False
        self._works = True
        self.now_ns = 0
        self._quiet_ns: int | None = None
        """Cached answer of `quiet_until_ns`, until something is driven or watched anew."""
        start = plant.start_celsius if plant.start_celsius is not None else plant.outside_celsius
        self._past: deque[_Stretch] = deque()
        self._begin(0, start, start)
        self._fire_planned()

    def _begin(self, ns: int, air: float, sensed: float) -> None:
        self._quiet_ns = None
        plant = self._plant
        way = plant.loss_kelvin_per_watt
        if self._open:
            way = way * plant.window_kelvin_per_watt / (way + plant.window_kelvin_per_watt)
        self._past.append(_Stretch(ns, air, sensed, self._heater, self._outside, way, plant, self._works))
        while len(self._past) > 1 and self._past[1].start_ns < ns - self.horizon_ns:
            self._past.popleft()

    def _restart(self) -> None:
        last = self._past[-1]
        self._begin(self.now_ns, last.air(self.now_ns), last.sensed(self.now_ns))

    def _must_be_now(self, now_ns: int) -> None:
        if now_ns != self.now_ns:
            raise ValueError(f"the plant stands at {self.now_ns} ns, not {now_ns}: advance it first")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self._must_be_now(now_ns)
        for name, value in changes.items():
            if name not in CONTROLS:
                raise ValueError(f"a room has no control {name!r}: write one of {', '.join(CONTROLS)}")
            self._heater = float(CONTROLS[name].checked(name, value))
        self._restart()

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self._must_be_now(now_ns)
        if event not in EVENTS:
            raise ValueError(f"a room has no bench event {event!r}: write one of {', '.join(EVENTS)}")
        checked = EVENTS[event].checked(event, value)
        if event == "window":
            self._open = checked == "open"
        elif event == "sensor":
            self._works = checked == "good"
        else:
            self._outside = float(checked)
        self._restart()

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        watch = Watch(signal, above, threshold, False)
        watch.true = watch.holds(self.at(signal, self.now_ns))
        self._watches[key] = watch
        self._quiet_ns = None
        return watch.true

    def unwatch(self, key: int) -> None:
        self._watches.pop(key, None)
        self._quiet_ns = None

    def _fire_planned(self) -> None:
        while self._next < len(self._agenda) and self._agenda[self._next].when_ns <= self.now_ns:
            planned = self._agenda[self._next]
            self._next += 1
            self.bench(planned.event, planned.value, self.now_ns)

    def advance(self, to_ns: int) -> Crossing | None:
        while True:
            for key in sorted(self._watches):
                watch = self._watches[key]
                true = watch.holds(self.at(watch.signal, self.now_ns))
                if true != watch.true:
                    watch.true = true
                    return Crossing(key, self.now_ns, true)
            if self.now_ns >= to_ns:
                return None
            if to_ns < self.quiet_until_ns():
                self.now_ns = to_ns
                return None
            self.now_ns = self.quiet_until_ns()
            self._quiet_ns = None
            self._fire_planned()

    def quiet_until_ns(self) -> int:
        if self._quiet_ns is None:
            stop = self.now_ns + _LOOK_AHEAD_NS
            if self._next < len(self._agenda):
                stop = min(stop, self._agenda[self._next].when_ns)
            self._quiet_ns = min(
                [stop, *(self._first_change(watch, stop) for watch in self._watches.values())]
            )
        return self._quiet_ns

    def _first_change(self, watch: Watch, stop: int) -> int:
        """First nanosecond in (now, stop] at which the watch's truth is another, else `stop`.

        Air is monotone; the sensed value has one extremum at most: each side of it is bisected.
        """
        stretch = self._past[-1]
        for left, right in self._monotone(stretch, watch.signal, stop):
            if watch.holds(self._value(stretch, watch.signal, right)) != watch.true:
                low, high = left, right
                while high - low > 1:
                    middle = (low + high) // 2
                    if watch.holds(self._value(stretch, watch.signal, middle)) != watch.true:
                        high = middle
                    else:
                        low = middle
                return high
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

    def _value(self, stretch: _Stretch, signal: str, ns: int) -> float:
        if signal == "room.temperature":
            return stretch.sensed(ns) if stretch.works else self._plant.open_reads_celsius
        if signal == "room.air":
            return stretch.air(ns)
        if signal == "heater.power":
            return stretch.heater * self._plant.heater_watt
        if signal == "outside.temperature":
            return stretch.outside
        raise ValueError(f"a room has no signal {signal!r}: write one of {', '.join(sorted(SIGNALS))}")

    def at(self, signal: str, when_ns: int) -> float:
        if not self.now_ns - self.horizon_ns <= when_ns <= self.now_ns:
            raise ValueError(
                f"{when_ns} ns is not within horizon_ns, {self.horizon_ns} ns, before {self.now_ns}"
            )
        for stretch in reversed(self._past):
            if stretch.start_ns <= when_ns:
                return self._value(stretch, signal, when_ns)
        return self._value(self._past[0], signal, max(when_ns, 0))

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = self.at(signal, tick * period_ns)
        if signal == "room.temperature" and self._converter is not None:
            return self._converter.convert(value, tick)
        return value
