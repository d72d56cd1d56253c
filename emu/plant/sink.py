"""An electronic sink as a hybrid system: closed forms between events, events located to the nanosecond.

Two chains of stretches run side by side: the circuit (`circuit.py`) and the heat ladder (`heat.py`), which
follows the circuit's power and is cut in addition where fan, vents or ambient change. Nothing but an event
ends a stretch, so reads and `advance` calls cannot change what happens.

Events, in this order when they fall on one nanosecond: bench timeline, swing edge, fan and derating tick,
end of the circuit's stretch (a knot of the battery's table, a ramp's end, the loop's tick, a crossing of one
of its conditions); watches are looked at last.

What the firmware does in software is in `wirevow.emu.control`, which the sink asks when something is due. How
a regulation's loop is followed without doing each of its samples is here. In mode `current` (and in `run` and
`swing`) the level is set at once; a power guard pulls it down on the loop's ticks when the power would pass
the ceiling. The other modes are loops on the measured voltage. A loop is `ticking` (each sample is done), or
at rest: `resting` (the code stays until the measured voltage leaves a band) or `slow` (an ideal level
converter follows a source that drains: the loop's fixed point with its lag, see `_slow_law`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from wirevow.emu.bench import Bench
from wirevow.emu.control.cooling import Cooling
from wirevow.emu.control.counters import Counters
from wirevow.emu.control.regulation import Regulation
from wirevow.emu.control.swing import Swing
from wirevow.emu.plant.agenda import Planned, Watch, timeline
from wirevow.emu.plant.circuit import Solved, given
from wirevow.emu.plant.converter import Converter, Level
from wirevow.emu.plant.expoly import Curve, constant, first_exit, product, respond, total
from wirevow.emu.plant.heat import (
    BEAD,
    CASE,
    JUNCTION,
    SECOND,
    SINK,
    Forced,
    HeatStretch,
    Ladder,
    Second,
    air_conductance,
    constants,
    ladder,
    to_kelvin,
    to_modes,
)
from wirevow.emu.plant.interface import Crossing, Surroundings
from wirevow.emu.plant.past import Past
from wirevow.emu.plant.sink_section import Sensor, SinkPlant
from wirevow.emu.plant.sources import Bank, Battery, Feed, Panel, Supply, feed
from wirevow.emu.plant.stage import Transistors
from wirevow.emu.plant.terminals import (
    CONTROLS,
    EVENTS,
    INITIAL,
    SECOND_EVENTS,
    SECOND_SIGNALS,
    SIGNALS,
)
from wirevow.emu.plant.thermistor import celsius, deduced_celsius, divider_volt, told_celsius
from wirevow.protocol.document.terminals import Control, Signal

if TYPE_CHECKING:
    from wirevow.emu.plant.collocation import Array, Bound, Law

_NEVER = 1 << 62
_LONG_SECONDS = 1e7
_SETTLED_AMPERE = 1e-12
_INF = math.inf
_OF_THE_CIRCUIT = frozenset(
    [
        "input.voltage",
        "input.terminal_voltage",
        "input.current",
        "input.power",
        "sense.drop",
        "stage.first",
        "stage.other",
        "stage.spread",
    ]
)
"""Signals that are the same whenever the circuit is; what counts goes on from where it stands."""
_DIVIDERS = {"heat.temperature": "heat.sensor_voltage", "heat.second": "heat.second_voltage"}
"""What is deduced from a thermistor, and its divider's voltage."""
_HEAT_SIGNALS = {"heat.junction": JUNCTION, "heat.case": CASE, "heat.sink": SINK}
_PULSES = frozenset(name for name, control in CONTROLS.items() if control.pulse)
_REGULATION = frozenset(
    [
        "mode",
        "slew",
        "limit.current",
        "level.current",
        "level.power",
        "level.resistance",
        "level.voltage",
        "swing.low",
        "swing.high",
        "swing.low_time",
        "swing.high_time",
        "swing.cue",
        "swing.hold",
        "swing.count",
        *(name for name in CONTROLS if name.startswith("steps.")),
    ]
)
"""Controls that nothing depends on while the stage is off."""

_SURE_SECONDS = 10.0
"""So far ahead it is looked at first whether the slow tick may have something to do."""
_MOST_KNOWN = 64
"""Circuits kept at a time."""


class Stretch:
    """The circuit from `start_ns` to `until_ns`, in the source's frame (voltage and current positive)."""

    __slots__ = (
        "at_source",
        "charge0",
        "clock",
        "done",
        "energy",
        "energy0",
        "forced",
        "goal",
        "heat_power",
        "lead",
        "passed",
        "ramp",
        "reads",
        "rest",
        "row",
        "sense_power",
        "sensed",
        "share",
        "shares",
        "sign",
        "solved",
        "start_ns",
        "steady",
        "target",
        "time0",
        "unsensed",
        "until_ns",
        "upper",
        "why",
    )

    start_ns: int
    until_ns: int
    why: str
    solved: Solved
    steady: bool
    target: float
    goal: float
    ramp: float
    sign: float
    lead: float
    reads: str
    at_source: Curve | None
    sensed: Curve
    sense_power: Curve
    heat_power: Curve
    energy: Curve
    rest: tuple[float, ...]
    charge0: float
    energy0: float
    time0: float
    clock: float
    share: tuple[float, float]
    shares: dict[str, float]
    unsensed: bool
    done: int
    upper: bool
    row: int
    forced: Forced | None
    """What its power does to the ladder, once that has been worked out."""
    passed: list[int]
    """Which watches (`Sink._watched`) were found not to change with the circuit, and for how many ns."""

    def take(self, known: Stretch) -> None:
        """The circuit of another stretch that began in the same condition."""
        self.solved, self.steady, self.why = known.solved, known.steady, known.why
        self.target, self.goal, self.ramp = known.target, known.goal, known.ramp
        self.at_source, self.sensed, self.energy = known.at_source, known.sensed, known.energy
        self.sense_power, self.heat_power, self.forced = known.sense_power, known.heat_power, known.forced
        self.passed = known.passed


class Known:
    """How a stretch of a source without state ran, and what it left regulation with."""

    __slots__ = ("after", "length_ns", "stretch")

    def __init__(
        self, stretch: Stretch, length_ns: int, after: tuple[float, float, float, float, str]
    ) -> None:
        self.stretch, self.length_ns, self.after = stretch, length_ns, after


class Airflow:
    """Fan drive, tachometer and derating between two of their changes."""

    __slots__ = ("ceiling", "duty", "from_speed", "rate", "start_ns", "to_speed")

    def __init__(
        self, start_ns: int, duty: float, from_speed: float, to_speed: float, rate: float, ceiling: float
    ):
        self.start_ns, self.duty, self.ceiling = start_ns, duty, ceiling
        self.from_speed, self.to_speed, self.rate = from_speed, to_speed, rate

    def speed(self, ns: int) -> float:
        decay = math.exp(-self.rate * (ns - self.start_ns) * 1e-9)
        return self.to_speed + (self.from_speed - self.to_speed) * decay


class Sink:
    """A sink (see `wirevow.emu.plant.interface.Plant`)."""

    __slots__ = (
        "_agenda",
        "_airs",
        "_amps",
        "_bead",
        "_check",
        "_converters",
        "_cooled",
        "_cools_by",
        "_counters",
        "_drift",
        "_due_ns",
        "_exact_until_ns",
        "_fan_due_ns",
        "_fan_open",
        "_feed",
        "_guess",
        "_heats",
        "_henry",
        "_known",
        "_ladder",
        "_ladder_of",
        "_level",
        "_loop",
        "_loop_ns",
        "_modes",
        "_next_planned",
        "_plant",
        "_regulation",
        "_second_kelvin",
        "_set",
        "_speeds",
        "_stretches",
        "_swing",
        "_target",
        "_tau",
        "_transistors",
        "_watch_ns",
        "_watched",
        "_watches",
        "_world",
        "cooling",
        "horizon_ns",
        "now_ns",
    )
    """A thousand of them fit a processor's caches better so."""

    Parameters = SinkPlant
    signals: Mapping[str, Signal] = SIGNALS
    controls: Mapping[str, Control] = CONTROLS
    events: Mapping[str, Control] = EVENTS

    def __init__(
        self,
        plant: SinkPlant,
        bench: Bench | None,
        seed: int,
        cooling: Cooling | None,
        horizon_ns: int,
    ) -> None:
        bench = bench if bench is not None else Bench(title="plain supply")
        self._plant = plant
        self.horizon_ns = horizon_ns
        self.cooling = cooling
        """The firmware's; None where that is somebody's own, around the plant."""
        gone_by = cooling.signals if cooling is not None else frozenset()
        by_second = not gone_by.isdisjoint(SECOND_SIGNALS)
        if by_second and "heat.temperature" in gone_by:
            raise ValueError("the fan and the derating go by two thermistors: let both go by one")
        self._cools_by = "second_thermistor" if by_second else "thermistor"
        self._cooled = SECOND if by_second else BEAD
        self._agenda: list[Planned] = timeline(bench, EVENTS)
        self._next_planned = 0
        self._watches: dict[int, Watch] = {}
        self._speeds: set[int] = set()
        """Which of the watches look at the fan's speed."""
        self._bead: tuple[tuple[int, float, str | float], tuple[float, float] | None] | None = None
        """What `_bead_band` has found last, and for what."""
        self._watched = 1
        """Moves on with each change of the watches and of their truth."""
        self._converters: dict[str, Converter] = {
            name: Converter(channel, name, seed) for name, channel in plant.channels.items()
        }
        self._level = Level(plant.level)
        self._tau = 1.0 / (2.0 * math.pi * plant.stage.bandwidth_hertz)
        self._loop_ns = round(plant.regulation.tick_second * 1e9)
        self._transistors = Transistors(plant.stage)
        self._ladder_of = constants(plant.heat, plant.thermistor)
        self.now_ns = 0
        self._set: dict[str, float | str] = dict(INITIAL)
        self._feed: Feed = (
            feed(bench.source) if bench.source is not None else Supply(12.0, 0.002, 10.0, 200.0)
        )
        self._world: dict[str, float | str] = {
            "polarity": "normal",
            "connected": "yes",
            "thermistor": "good",
            "thermistor.voltage": 0.0,
            "second_thermistor": "good",
            "second_thermistor.voltage": 0.0,
            "stage.resistance": plant.stage.saturation_ohm,
            "fan": "good",
            "stage": "good",
            "transistor": "good",
            "sense": bench.leads.sense,
            "lead": bench.leads.loop_ohm,
            "ambient": bench.ambient_celsius,
            "vents": bench.vents_blocked,
        }
        if self._feed.dynamic:
            # numpy takes a while to import: better now than in the middle of a second that a host watches.
            import wirevow.emu.plant.collocation  # noqa: F401
        self._henry = bench.leads.henry
        # What the stretches start from.
        self._amps = 0.0
        self._target = 0.0
        self._counters = Counters(plant.clock_error_ppm)
        self._modes = [0.0] * 4
        self._second_kelvin = 0.0
        self._guess = 1.0
        self._drift = 0.0
        self._loop = "resting"
        """How the regulation's loop is followed, see above."""
        self._exact_until_ns = 0
        # Fan and derating.
        self._fan_due_ns = _NEVER
        self._fan_open = False
        """The slow tick's instant is not worked out yet, only that it is not before `_fan_due_ns`."""
        self._swing = Swing(plant.clock_error_ppm)
        volts = self._converters.get("input.voltage")
        reading = (volts.gain, volts.offset) if volts is not None else (1.0, 0.0)
        self._regulation = Regulation(plant.regulation, self._level, reading, self._set, self._swing)
        self._known: dict[tuple[float | str, ...], Known] = {}
        """By what they began with, the circuits of a source without state; since a hand, the firmware or the
        slow tick moved anything."""
        self._check = True
        self._due_ns = 0
        self._watch_ns: int | None = None
        self._stretches: Past[Stretch] = Past()
        self._heats: Past[HeatStretch] = Past()
        self._airs: Past[Airflow] = Past()
        self._air(0, 0.0)
        self._ladder = self._new_ladder()
        self._begin()
        self._fire_planned()

    # ------------------------------------------------------------------------------- the seam: driving

    @classmethod
    def build(cls, parameters: SinkPlant, around: Surroundings) -> Sink:
        """A sink at 0 ns, its stage off. Without a bench it gets a 12 V supply that limits at 10 A."""
        return cls(parameters, around.bench, around.seed, around.cooling, around.horizon_ns)

    @classmethod
    def without(cls, parameters: SinkPlant) -> frozenset[str]:
        """Names of signals and events that a sink of these parameters does not have."""
        return frozenset(() if parameters.second_thermistor is not None else SECOND_SIGNALS + SECOND_EVENTS)

    def _must_be_now(self, now_ns: int) -> None:
        if now_ns != self.now_ns:
            raise ValueError(f"the plant stands at {self.now_ns} ns, not {now_ns}: advance it first")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self._must_be_now(now_ns)
        checked: dict[str, float | str] = {}
        present = self._set
        for name, value in changes.items():
            if name in present and present[name] == value:
                continue  # most of what is driven stays as it is
            if name not in CONTROLS:
                raise ValueError(f"a sink has no control {name!r}: write one of {', '.join(CONTROLS)}")
            checked[name] = CONTROLS[name].checked(name, value)
        pulses = {name for name in checked if name in _PULSES and checked[name]}
        changed = {name for name in checked if name not in _PULSES and present[name] != checked[name]}
        if not pulses:
            if not changed:
                return
            if present["stage"] == "off" and changed <= _REGULATION:
                # Nothing regulates: it takes effect with the stage.
                for name in changed:
                    present[name] = checked[name]
                return
        self._close()
        self._known.clear()
        before = self._set["stage"]
        signature = self._regulation.signature()
        for name in changed:
            self._set[name] = checked[name]
        if "counters.zero" in pulses:
            self._counters.zero()
        if self._set["stage"] != before:
            self._swing.restart(self.now_ns)
        if "swing.trigger" in pulses:
            self._swing.trigger(self._set, self.now_ns)
        if any(name.startswith("fan.") for name in changed):
            self._drive_fan()
        elif "limit.power" in changed:
            self._air(self.now_ns, self._airs[-1].duty)
        if self._regulation.signature() != signature or "swing.trigger" in pulses:
            self._retune(fresh=before == "off")
        self._swing.plan(self._set, self.now_ns)
        self._begin()

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self._must_be_now(now_ns)
        if event not in EVENTS:
            raise ValueError(f"a sink has no bench event {event!r}: write one of {', '.join(EVENTS)}")
        known = EVENTS[event]
        checked = known.checked(event, 1.0 if known.pulse and value is None else value)
        self._close()
        self._known.clear()
        if event == "trigger":
            if checked:
                self._swing.trigger(self._set, self.now_ns)
                self._retune(fresh=False)
        elif event.startswith(("source.", "battery.")) and event not in (
            "source.polarity",
            "source.connected",
        ):
            self._alter_source(event, float(checked))
            self._disturb()
        else:
            short = event.removeprefix("source.").removeprefix("lead.")
            key = "lead" if event == "lead.resistance" else short
            if key == "ambient":
                # The modes are kelvin above ambient: the nodes stay where they are.
                step = float(self._world["ambient"]) - float(checked)
                self._second_kelvin += step
                kelvin = to_kelvin(self._ladder, self._modes)
                self._modes = to_modes(self._ladder, [k + step for k in kelvin])
            self._world[key] = checked
            if key == "transistor":
                self._transistors.turn(str(checked))
                chain = constants(self._plant.heat, self._plant.thermistor)
                self._ladder_of = self._transistors.heated(chain)
            if key in ("vents", "fan", "transistor"):
                self._drive_fan()
            if key in ("polarity", "connected", "sense", "lead", "stage", "stage.resistance", "transistor"):
                self._disturb()
        self._begin()

    def _alter_source(self, event: str, value: float) -> None:
        source = self._feed
        if event in ("source.voltage", "source.limit"):
            if isinstance(source, Bank) and event == "source.voltage":
                source.volt = value
                return
            volt, ohm, limit, limit_ohm = 12.0, 0.002, 10.0, 200.0
            if isinstance(source, Supply):
                volt, ohm, limit, limit_ohm = source.volt, source.ohm, source.limit, source.limit_ohm
            if event == "source.voltage":
                volt = value
            else:
                limit, limit_ohm = value, 200.0
            self._feed = Supply(volt, ohm, limit, limit_ohm)
        elif event == "source.resistance" and isinstance(source, Supply | Bank):
            source.ohm = value
        elif event == "source.irradiance" and isinstance(source, Panel):
            source.irradiance = value
        elif event == "battery.soc" and isinstance(source, Battery):
            source.set_soc(value)
        elif event == "battery.temperature" and isinstance(source, Battery):
            source.set_celsius(value)
        else:
            kind = type(source).__name__.lower()
            raise ValueError(
                f"{event} does not fit the {kind} on this bench: choose a bench with another source"
            )

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        if signal == "source.emf":
            raise ValueError("source.emf can be read, not watched: watch input.voltage or battery.soc")
        watch = Watch(signal, above, threshold, False)
        watch.true = watch.holds(self.at(signal, self.now_ns))
        self._watches[key] = watch
        if signal == "fan.speed":
            self._speeds.add(key)
        self._watched += 1
        self._watch_ns = None
        return watch.true

    def unwatch(self, key: int) -> None:
        self._watches.pop(key, None)
        self._speeds.discard(key)
        self._watched += 1
        self._watch_ns = None

    def advance(self, to_ns: int) -> Crossing | None:
        while True:
            if self._check:
                s, heat = self._stretches[-1], self._heats[-1]
                values: dict[str, float] = {}
                for key in sorted(self._watches):
                    watch = self._watches[key]
                    value = values.get(watch.signal)
                    if value is None:
                        value = values[watch.signal] = self._value(watch.signal, self.now_ns, s, heat)
                    true = watch.holds(value)
                    if true != watch.true:
                        watch.true = true
                        self._watched += 1
                        self._watch_ns = None
                        return Crossing(key, self.now_ns, true)
                self._check = False
            if self.now_ns >= to_ns:
                return None
            if self._watch_ns is None:
                self._watch_ns = self._next_watch()
            due = min(self._due_ns, self._watch_ns)
            if due > to_ns:
                self.now_ns = to_ns
                return None
            self.now_ns = due
            if self._watch_ns == due:
                self._check = True
                self._watch_ns = None
            if self._due_ns == due:
                self._happen()

    def quiet_until_ns(self) -> int:
        if self._check:
            return self.now_ns
        if self._watch_ns is None:
            self._watch_ns = self._next_watch()
        return min(self._due_ns, self._watch_ns)

    def look_ahead(self) -> None:
        """Work out the slow tick's instant now, so that `quiet_until_ns` is not early."""
        if self._fan_open:
            # Watches were looked at only as far as to the early instant.
            self._fan_open, self._fan_due_ns, self._watch_ns = False, _NEVER, None
            self._fan_due_ns = self._tick_after(self._heats[-1])
            self._plan()

    # ------------------------------------------------------------------------------------------ events

    def _fire_planned(self) -> bool:
        fired = False
        while (
            self._next_planned < len(self._agenda) and self._agenda[self._next_planned].when_ns <= self.now_ns
        ):
            planned = self._agenda[self._next_planned]
            self._next_planned += 1
            self.bench(planned.event, planned.value, self.now_ns)
            fired = True
        return fired

    def _happen(self) -> None:
        """Everything of the plant's own that is due now, in the fixed order."""
        now = self.now_ns
        if self._fire_planned():
            return
        if self._swing.edge_ns <= now:
            self._close()
            self._swing.edge(now)
            self._retune(fresh=False)
            self._begin()
            return
        stretch = self._stretches[-1]
        circuit = stretch.until_ns <= now
        if self._fan_due_ns <= now:
            self.look_ahead()
        if self._fan_due_ns <= now:
            self._close_heat()
            circuit |= self._fan_tick()
            self._check = True
            if not circuit:
                self._begin_heat()
        if circuit:
            self._close()
            if self._loop == "ticking" and now % self._loop_ns == 0:
                self._sample_loop()
            elif stretch.why in ("wake", "replay") or self._loop == "woken":
                self._loop = "ticking"
            # Only an inductance makes the voltage jump where the plant goes from one stretch to the next.
            self._begin(jump=self._henry != 0.0)
        else:
            self._plan()

    def _close_heat(self) -> None:
        heat = self._heats[-1]
        # With another ladder than the present one it has been closed in this very instant, before the fan
        # changed the ladder.
        if heat.start_ns != self.now_ns and heat.ladder is self._ladder:
            self._modes = heat.values(self.now_ns)
            if heat.second is not None:
                self._second_kelvin = heat.node(SECOND)((self.now_ns - heat.start_ns) * 1e-9)

    def _close(self) -> None:
        """Bring the state that stretches start from to now."""
        now = self.now_ns
        stretch = self._stretches[-1]
        self._close_heat()
        if stretch.start_ns == now:
            return
        t = (now - stretch.start_ns) * 1e-9
        solved = stretch.solved
        to_room = stretch.why == "room" and now == stretch.until_ns
        self._feed.draw(solved.used(t), to_room)
        self._feed.pair_volts = [pair(t) for pair in solved.pairs]
        self._amps = solved.current(t)
        ended = stretch.why == "ramp" and now == stretch.until_ns
        self._target = stretch.goal if ended else stretch.target + stretch.ramp * t
        if stretch.clock:
            counters = self._counters
            counters.charge = stretch.charge0 + stretch.sign * stretch.clock * solved.charge(t)
            counters.energy = stretch.energy0 + stretch.clock * stretch.energy(t)
            counters.time = stretch.time0 + stretch.clock * t
        self._drift = 0.0
        if self._loop == "slow":
            poly = solved.current.poly
            self._drift = sum(n * c * t ** (n - 1) for n, c in enumerate(poly[1:], 1))
            self._regulation.be(self._regulation.inverse_level(self._amps))

    # ------------------------------------------------------------------------------------- the circuit

    def _begin(self, jump: bool = True) -> None:
        """Start a stretch of the circuit now, and the heat with it. `jump`: values may not be continuous."""
        now = self.now_ns
        world = self._world
        s = Stretch()
        s.start_ns = now
        s.sign = -1.0 if world["polarity"] == "reversed" else 1.0
        s.lead = float(world["lead"])
        remote = self._set["sense"] == "remote"
        s.reads = "terminals" if not remote else "source" if world["sense"] == "good" else "nothing"
        counters = self._counters
        s.charge0, s.energy0, s.time0 = counters.charge, counters.energy, counters.time
        s.clock = counters.rate(self._set["stage"])
        s.target, s.ramp = self._target, 0.0
        s.rest = self._feed.rest()
        s.share = self._feed.share()
        s.unsensed = world["sense"] == "open"
        s.shares = self._transistors.shares
        s.done, s.upper, s.row = self._swing.done, self._swing.upper, self._swing.row
        s.goal = 0.0
        s.at_source = None
        s.steady = True
        s.why = "end"
        s.forced = None
        s.passed = [0, 0]
        if self._feed.dynamic:
            self._solve_until(s)
        else:
            self._solve_or_recall(s)
        self._stretches.begin(s, s.start_ns - self.horizon_ns)
        self._begin_heat()
        self._plan()
        if jump:
            self._check = True

    def _solve_or_recall(self, s: Stretch) -> None:
        """A source without state gives the same circuit whenever it begins the same: swings come round."""
        if self._loop == "ticking":
            self._solve_until(s)  # ticks are places on the clock
            return
        regulation = self._regulation
        before = (
            self._amps,
            self._target,
            regulation.u,
            regulation.code,
            self._loop,
            self._swing.upper,
            self._swing.row,
            self._airs[-1].ceiling,
        )
        known = self._known.get(before)
        if known is not None:
            s.take(known.stretch)
            s.until_ns = s.start_ns + known.length_ns
            self._amps, self._target, regulation.u, regulation.code, self._loop = known.after
            return
        self._solve_until(s)
        if self._loop != "ticking":
            if len(self._known) >= _MOST_KNOWN:
                self._known.clear()
            after = (self._amps, self._target, regulation.u, regulation.code, self._loop)
            self._known[before] = Known(s, s.until_ns - s.start_ns, after)

    def _solve_until(self, s: Stretch) -> None:
        """Fill in the circuit and how long it holds."""
        now = self.now_ns
        conditions: list[tuple[Curve, float, float, str]] = []
        span = self._solve(s, conditions)
        self._measure(s)
        until = now + _seconds_ns(span)
        if self._feed.dynamic:
            room = self._feed.room()
            if room < _INF:
                at = _time_of(s.solved.used, room, min(span, _LONG_SECONDS))
                if at is not None and now + _seconds_ns(at) <= until:
                    until, s.why = now + max(_seconds_ns(at), 1), "room"
        if self._loop == "ticking":
            tick = (now // self._loop_ns + 1) * self._loop_ns
            if tick <= until:
                until, s.why = tick, "tick"
        for curve, low, high, why in conditions:
            at = first_exit(curve, low, high, 0.0, min((until - now) * 1e-9, _LONG_SECONDS))
            if at is not None:
                when = now + max(_seconds_ns(at), 1)
                if when < until:
                    until, s.why = when, why
        s.until_ns = until

    def _solve(self, s: Stretch, conditions: list[tuple[Curve, float, float, str]]) -> float:
        """Fill in the solution of the circuit; returns how long it may hold, in s."""
        set_, world, stage = self._set, self._world, self._plant.stage
        source = self._feed
        lead = s.lead
        carrying = self._transistors.carrying
        if world["connected"] == "no" or set_["relay"] == "open" or not carrying:
            self._amps = self._target = s.target = 0.0
            self._regulation.rest()
            self._loop = "resting"
            s.solved = given(source, constant(0.0), 0.0, _LONG_SECONDS, lead, 0.0)
            if world["connected"] == "no":
                solved = s.solved
                s.solved = Solved(
                    solved.span, solved.current, constant(0.0), solved.charge, solved.used, solved.pairs
                )
            return _INF
        reversed_ = world["polarity"] == "reversed"
        forced = reversed_ or "shorted" in (world["stage"], world["transistor"])
        drop = stage.diode_volt if reversed_ and world["transistor"] != "shorted" else 0.0
        full_ohm = lead + self._full_ohm()
        available = source.available(full_ohm, drop)
        goal = _INF if forced else max(self._level.current(self._regulation.code), stage.leakage_ampere)
        if not forced and set_["stage"] == "off":
            self._target = goal
        start = min(self._amps, available)
        if forced:
            self._loop = "resting"  # nothing to regulate; `_disturb` wakes it when the circuit is whole again
        if forced or (goal >= available and start >= available * (1.0 - 1e-9)):
            return self._solve_full(s, conditions, goal, available, drop)
        if self._loop == "slow":
            found = self._solve_slow(s, conditions)
            if found is not None:
                return found
            self._loop = "ticking"
        return self._solve_given(s, conditions, start, goal, available)

    def _full_ohm(self) -> float:
        """Resistance of the stage fully on, or of a failed one."""
        shorted = self._world["stage"] == "shorted" and self._world["polarity"] != "reversed"
        return float(self._world["stage.resistance"]) if shorted else self._transistors.full_ohm

    def _solve_full(
        self,
        s: Stretch,
        conditions: list[tuple[Curve, float, float, str]],
        goal: float,
        available: float,
        drop: float,
    ) -> float:
        """The stage fully on: it is a resistance (or, reversed, a diode and one)."""
        ohm = self._full_ohm()
        source = self._feed
        self._amps = available
        self._target = s.target = min(available, goal)
        if not source.dynamic or available < 1e-9:
            s.solved = given(
                source, constant(available), available * (1.0 + 1e-6), _LONG_SECONDS, s.lead, 0.0
            )
            if available > 0.0:
                volt = constant(drop + ohm * available)
                solved = s.solved
                s.solved = Solved(solved.span, solved.current, volt, solved.charge, solved.used, solved.pairs)
            return _INF

        from wirevow.emu.plant.collocation import bound

        def law(emf: Array, to_terminals: Array, asked: bool) -> Bound | None:
            slope = 1.0 / (to_terminals + ohm)
            return (emf - drop) * slope, slope, 0.0 * slope

        solution = bound(source, law, available, _LONG_SECONDS, self._reach(available), s.lead, 0.0)
        if solution is None:
            raise ArithmeticError("the saturated circuit could not be solved: report this bench")
        s.solved, s.steady = solution, False
        self._guess = solution.reach
        if goal < _INF:
            conditions.append((solution.current, -_INF, goal, "released"))
            if self._regulation.kind() == "voltage" and self._loop == "resting":
                conditions.append(
                    (
                        self._sensed_curve(s),
                        self._regulation.from_reading(float(self._set["level.voltage"])),
                        _INF,
                        "wake",
                    )
                )
        return solution.span

    def _reach(self, amps: float) -> float:
        """A span to try: as before, grown; not much beyond the next knot."""
        room = self._feed.room()
        beyond = 1.02 * room / (amps * self._feed.use(amps)) if amps > 0.0 else _INF
        return max(min(self._guess, beyond), 1e-6)

    def _solve_given(
        self,
        s: Stretch,
        conditions: list[tuple[Curve, float, float, str]],
        start: float,
        goal: float,
        available: float,
    ) -> float:
        """The current goes its way to `goal`: ramp, then the loop's exponential, then rest."""
        tau = self._tau
        target = self._target
        rate = 1.0 / tau
        s.goal = goal
        span = _INF
        slew = min(float(self._set["slew"]), self._plant.stage.slew_ampere_per_second)
        # A ramp that is over within a thousandth of the stage's lag is a jump: nothing could tell them apart.
        if abs(goal - target) <= max(_SETTLED_AMPERE, 1e-3 * tau * slew):
            s.target = target = goal
            rest: tuple[float, ...] = (goal,)
            gap = start - goal
        else:
            s.ramp = slew = math.copysign(slew, goal - target)
            s.why = "ramp"
            span = (goal - target) / slew
            rest = (target - slew * tau, slew)
            gap = start - rest[0]
        decays: tuple[tuple[float, float], ...] = ()
        if abs(gap) > _SETTLED_AMPERE:
            window = tau * max(math.log(abs(gap) / (0.5 * _SETTLED_AMPERE)), 1.0)
            if window < span and self._loop != "ticking":
                span, s.why = window, "window"
            decays = ((rate, gap),)
        s.steady = not decays and len(rest) == 1
        if self._loop == "ticking":
            span = min(span, self._loop_ns * 1e-9)
        source = self._feed
        length = min(span, _LONG_SECONDS)
        if not s.steady and source.dynamic:
            length = min(length, max(self._plain_span(goal, start), 1e-6))
            if length < span:
                span, s.why = length, "window"
        current = Curve(rest, decays)
        s.solved = given(source, current, goal, length, s.lead, 0.0 if s.steady else self._henry)
        if self._henry and not s.steady:
            # The leads' inductance is between the sense point and the terminals.
            s.at_source = total([(1.0, s.solved.volt), (s.lead, current), (self._henry, current.slope())])
        if not source.dynamic and not s.steady:
            _, _, low, high = source.branch(start, goal)
            if low > -_INF or high < _INF:
                conditions.append((current, low, high, "branch"))
        self._add_headroom(s, conditions, goal, start)
        if self._loop == "resting" and self._set["stage"] != "off":
            low, high = self._rest_band(s) if s.steady else (-_INF, _INF)
            if not s.steady and self._regulation.kind() == "current":
                power = product(self._sensed_curve(s), current)
                ceiling = self._airs[-1].ceiling * (1.0 + 1e-9)
                if power(0.0) < ceiling:
                    conditions.append((power, -_INF, ceiling, "wake"))
            elif low > -_INF or high < _INF:
                sensed = self._sensed_curve(s)
                here = sensed(0.0)
                if not low < here < high:
                    self._loop = "ticking"
                    return span
                conditions.append((sensed, low, high, "wake"))
        return span

    def _plain_span(self, goal: float, start: float) -> float:
        """A moving current's charge is kept within a table interval, so that its powers stay tame."""
        most = max(abs(goal), abs(start), 1e-9)
        room = self._feed.room()
        return 1.02 * room / most if room < _INF else _INF

    def _add_headroom(
        self, s: Stretch, conditions: list[tuple[Curve, float, float, str]], goal: float, start: float
    ) -> None:
        ohm = self._transistors.full_ohm
        solved = s.solved
        if s.steady:
            if self._feed.dynamic and goal > 0.0:
                conditions.append((solved.volt, ohm * goal, _INF, "full"))
        elif goal > start:
            conditions.append((total([(1.0, solved.volt), (-ohm, solved.current)]), 0.0, _INF, "full"))

    # ------------------------------------------------------------------------------------- regulation

    def _retune(self, fresh: bool) -> None:
        """A setting changed: start the loop anew."""
        self._loop = "ticking" if self._regulation.retune(fresh) else "resting"
        self._swing.plan(self._set, self.now_ns)

    def _disturb(self) -> None:
        """The circuit changed: a loop has to find its place again."""
        regulation = self._regulation
        if self._set["stage"] != "off" and (
            regulation.kind() != "current" or regulation.u < regulation.cap()
        ):
            self._loop = "ticking"
            regulation.afresh()

    def _sensed_curve(self, s: Stretch) -> Curve:
        if s.reads == "source":
            return s.at_source or total([(1.0, s.solved.volt), (s.lead, s.solved.current)])
        if s.reads == "nothing":
            return constant(0.0)
        return s.solved.volt

    def _sample_loop(self) -> None:
        """One sample of the regulation loop, now, and how it is followed from here."""
        s = self._stretches[-1]
        regulation = self._regulation
        t = (self.now_ns - s.start_ns) * 1e-9
        wanted, cap, error, change, moved = regulation.sample(
            self._sensed_curve(s)(t), self._airs[-1].ceiling
        )
        u, step = regulation.u, self._level.step
        if self._exact_until_ns > self.now_ns:
            return
        still = (
            abs(self._amps - max(self._level.current(regulation.code), self._plant.stage.leakage_ampere))
            < 1e-6
        )
        if step:
            if not moved and abs(wanted - u) < 0.02 * step and (still or self._is_full(s)):
                self._loop = "resting"
        elif u == wanted and (u == cap or u == 0.0 or not self._feed.dynamic) and (still or self._is_full(s)):
            self._loop = "resting"
        elif self._is_full(s):
            if abs(error) < 1e-6 and wanted >= self._amps:
                self._loop = "resting"
        elif self._feed.dynamic and abs(change) < 4e-6:
            self._loop = "slow"
            # What answers fastest sets how far a polynomial reaches at first.
            self._guess = min((2.0 / rate for rate, _ in self._feed.pairs), default=1.0)

    def _is_full(self, s: Stretch) -> bool:
        """Whether the stage is saturated at the end of a stretch."""
        ohm = self._transistors.full_ohm
        t = (self.now_ns - s.start_ns) * 1e-9
        return s.solved.volt(t) <= ohm * s.solved.current(t) * (1.0 + 1e-9) and s.solved.current(t) > 0.0

    def _rest_band(self, s: Stretch) -> tuple[float, float]:
        """True sensed voltages between which a resting loop does nothing, for a steady current."""
        if s.reads == "nothing":
            return -_INF, _INF
        return self._regulation.quiet(self._sensed_curve(s)(0.0), self._airs[-1].ceiling)

    def _slow_law(self, s: Stretch) -> Law | None:
        """The fixed point of a sampled loop on a source that drains, with the loop's lag.

        With rho the factor by which the loop's error shrinks each sample, the current follows its fixed point
        late by T (rho / (1 - rho) + 1/2) + tau: the sampled sum's delay, half a sample of holding, the
        stage's lag. It is trusted for rho from -0.9 to 0.97; outside, samples are stepped.
        """
        set_ = self._set
        kind = self._regulation.kind()
        level = self._level
        gain, offset = self._regulation.reading_line()
        loop_gain = self._plant.regulation.gain
        ceiling = self._airs[-1].ceiling
        lead_back = s.lead if s.reads == "source" else 0.0
        trim = float(set_["trim.level_gain"])
        o = level.offset + level.gain * float(set_["trim.level_shift"])
        g = level.gain * trim
        tick, tau = self._plant.regulation.tick_second, self._tau
        ideal = gain == 1.0 and offset == 0.0
        if s.reads == "nothing" or (level.bow and not level.step):
            return None
        if kind == "resistance":
            resistance = float(set_["level.resistance"])

            def solve(emf: Array, ohm: Array, asked: bool) -> Bound | None:
                b = gain * (ohm - lead_back)
                slope = gain / resistance / (1.0 / g + b / resistance)
                amps = ((gain * emf + offset) / resistance + o / g) / (1.0 / g + b / resistance)
                return amps, slope, 1.0 - loop_gain * (1.0 + g * b / resistance)

        elif kind == "voltage":
            level_volt = float(set_["level.voltage"])
            reference = self._plant.regulation.voltage_gain_ohm

            def solve(emf: Array, ohm: Array, asked: bool) -> Bound | None:
                b = gain * (ohm - lead_back)
                if b[0] <= 0.0 or b[-1] <= 0.0:
                    return None
                return (gain * emf + offset - level_volt) / b, gain / b, 1.0 - loop_gain * g * b / reference

        else:
            power = min(float(set_["level.power"]), ceiling) if kind == "power" else ceiling

            def solve(emf: Array, ohm: Array, asked: bool) -> Bound | None:
                a = gain * emf + offset if not ideal else emf
                b = gain * (ohm - lead_back)
                p = a + o * b if o else a
                drawn = o * a + g * power if o else g * power
                square = p * p - 4.0 * drawn * b
                if square[0] <= 0.0 or square[-1] <= 0.0 or p[-1] <= 0.0:
                    return None
                root = square**0.5
                amps = 2.0 * drawn / (p + root)
                if not asked:
                    return amps, None, None
                measured = a - b * amps
                return (
                    amps,
                    -gain * (amps - o) / root,
                    1.0 - loop_gain + loop_gain * g * power * b / (measured * measured),
                )

        def law(emf: Array, ohm: Array, asked: bool) -> Bound | None:
            found = solve(emf, ohm, asked)
            if found is None:
                return None
            amps, slope, rho = found
            if rho is None:
                return found
            if not (-0.9 < rho[0] < 0.97 and -0.9 < rho[-1] < 0.97):
                return None
            return amps, slope, tick * (rho / (1.0 - rho) + 0.5) + tau

        return law

    def _solve_slow(self, s: Stretch, conditions: list[tuple[Curve, float, float, str]]) -> float | None:
        from wirevow.emu.plant.collocation import bound

        law = self._slow_law(s)
        if law is None:
            return None
        solution = bound(
            self._feed, law, self._amps, _LONG_SECONDS, self._reach(self._amps), s.lead, self._drift
        )
        if solution is None or solution.span < 8e-9 * self._loop_ns:
            return None
        s.solved, s.steady = solution, False
        self._guess = solution.reach
        s.why = "end"
        cap = self._level.current(self._regulation.code_of(self._regulation.cap()))
        current = solution.current
        if not 0.0 <= current(0.0) < cap:
            return None
        conditions.append((current, -1e-12, cap, "wake"))
        ohm = self._transistors.full_ohm
        conditions.append((total([(1.0, solution.volt), (-ohm, current)]), 0.0, _INF, "wake"))
        guard = self._regulation.kind() in ("resistance", "voltage")
        if guard and self._airs[-1].ceiling < 1e5:
            conditions.append((product(solution.volt, current), -_INF, self._airs[-1].ceiling, "wake"))
        self._target = s.target = self._amps
        return solution.span

    # -------------------------------------------------------------------------------------- heat and fan

    def _new_ladder(self) -> Ladder:
        plant, world = self._plant, self._world
        share = self._airs[-1].to_speed / plant.fan.full_speed_per_minute
        air = air_conductance(plant.heat, plant.fan.exponent, share, float(world["vents"]))
        return ladder(self._ladder_of, air)

    def _air(self, now: int, duty: float) -> None:
        """A new stretch of fan and ceiling."""
        self._known.clear()
        plant = self._plant
        last = self._airs[-1] if self._airs else None
        top = duty * plant.fan.full_speed_per_minute if self._world["fan"] == "good" else 0.0
        speed = last.speed(now) if last is not None else 0.0
        ceiling = float(self._set["limit.power"]) * (self.cooling.share if self.cooling is not None else 1.0)
        new = Airflow(now, duty, speed, top, 1.0 / plant.fan.spin_second, ceiling)
        self._airs.begin(new, now - self.horizon_ns)

    def _drive_fan(self) -> None:
        """Set duty and air from the present level; the ladder's modes move to the new conductance."""
        duty = float(self._set["fan.manual"])
        if self.cooling is not None:
            duty = self.cooling.duty(str(self._set["fan.mode"]), duty)
        self._air(self.now_ns, duty)
        new = self._new_ladder()
        if new is not self._ladder:
            self._modes = to_modes(new, to_kelvin(self._ladder, self._modes))
            self._ladder = new

    def _condition(self, which: str) -> str | float:
        """Of a thermistor: good, open, shorted, or the voltage that drives its divider instead."""
        condition = str(self._world[which])
        return float(self._world[f"{which}.voltage"]) if condition == "driven" else condition

    def _measured_celsius(self) -> float:
        """What the firmware's cooling goes by."""
        sensor: Sensor = self._plant.thermistor
        if self._cooled == SECOND and self._plant.second_thermistor is not None:
            sensor, kelvin = self._plant.second_thermistor, self._second_kelvin
        else:
            kelvin = _at_node(self._ladder.shape[BEAD], self._modes)
        bead = float(self._world["ambient"]) + kelvin
        return told_celsius(sensor, self._plant.rail_volt, self._condition(self._cools_by), bead)

    def _fan_tick(self) -> bool:
        """The firmware's slow tick: fan level and ceiling. Whether regulation has to look at the ceiling."""
        assert self.cooling is not None
        temperature = self._measured_celsius()
        ceiling_moved = False
        if self.cooling.step_fan(temperature):
            self._drive_fan()
        if self.cooling.step_ceiling(temperature):
            self._air(self.now_ns, self._airs[-1].duty)
            if self._set["stage"] != "off":
                self._loop = "woken"
                self._regulation.afresh()
                ceiling_moved = True
        self._fan_due_ns = _NEVER
        return ceiling_moved

    def _begin_heat(self) -> None:
        now = self.now_ns
        s = self._stretches[-1]
        offset = (now - s.start_ns) * 1e-9
        span = min((min(s.until_ns, self._swing.edge_ns) - now) * 1e-9, _LONG_SECONDS)
        forced = s.forced
        if forced is None or forced.ladder is not self._ladder or forced.span != span or offset:
            forced = Forced(self._ladder, s.heat_power.later(offset), span)
            if not offset:
                s.forced = forced
        ambient = float(self._world["ambient"])
        heat = HeatStretch(now, forced, self._modes, ambient, self._condition("thermistor"))
        if self._plant.second_thermistor is not None:
            condition = self._condition("second_thermistor")
            heat.second = Second(self._plant.second_thermistor, self._second_kelvin, condition)
        self._heats.begin(heat, now - self.horizon_ns)
        self._watch_ns = None
        # When does the slow tick have something to do?
        if self._fan_open:
            self._fan_open, self._fan_due_ns = False, _NEVER
        if self.cooling is None:
            return
        low, high = self.cooling.quiet()
        if low == -_INF and high == _INF:
            return
        here = self._measured_celsius()
        if not low < here < high:
            self._fan_due_ns = self.cooling.tick_from(now + 1, now)
        elif self._world[self._cools_by] == "good" and (
            self._cooled == SECOND or min(here - low, high - here) <= heat.bead_way
        ):
            if span > _SURE_SECONDS and self._loop != "slow":
                # Most stretches end long before: it is worked out once it may matter.
                least, most = heat.node(self._cooled).limits(_SURE_SECONDS)
                if low - heat.ambient < least and most < high - heat.ambient:
                    self._fan_due_ns, self._fan_open = now + _seconds_ns(_SURE_SECONDS), True
                    return
            self._fan_due_ns = self._tick_after(heat)
        elif self._fan_due_ns <= now:
            self._fan_due_ns = _NEVER

    def _tick_after(self, heat: HeatStretch) -> int:
        """The slow tick that first has something to do in a stretch of heat; else that of before, if it is
        to come, or `_NEVER`."""
        assert self.cooling is not None
        low, high = self.cooling.quiet()
        bead = heat.node(self._cooled)
        at = first_exit(bead, low - heat.ambient, high - heat.ambient, 0.0, heat.forced.span)
        if at is not None:
            return self.cooling.tick_from(heat.start_ns + _seconds_ns(at), heat.start_ns)
        return self._fan_due_ns if self._fan_due_ns > self.now_ns else _NEVER

    # ---------------------------------------------------------------------------------------- bookkeeping

    def _measure(self, s: Stretch) -> None:
        """Powers and energy of a stretch that has been solved."""
        solved = s.solved
        current = solved.current
        if current.constant:
            amps = current.poly[0]
            s.heat_power = solved.volt.scaled(amps)
            extra = s.lead * amps
            s.sensed = solved.volt
            if s.reads == "source" and extra:
                s.sensed = Curve((solved.volt.poly[0] + extra, *solved.volt.poly[1:]), solved.volt.decays)
            elif s.reads == "nothing":
                s.sensed = constant(0.0)
            s.sense_power = s.heat_power if s.sensed is solved.volt else s.sensed.scaled(amps)
        else:
            s.heat_power = solved.power if solved.power is not None else product(solved.volt, current)
            s.sensed = self._sensed_curve(s)
            if s.sensed is solved.volt:
                s.sense_power = s.heat_power
            elif solved.square is not None and s.reads == "source":
                s.sense_power = total([(1.0, s.heat_power), (s.lead, solved.square)])
            else:
                s.sense_power = product(s.sensed, current)
        s.energy = respond(0.0, 0.0, s.sense_power, solved.span) if s.clock else constant(0.0)

    def _plan(self) -> None:
        due = min(self._stretches[-1].until_ns, self._swing.edge_ns, self._fan_due_ns)
        if self._next_planned < len(self._agenda):
            due = min(due, self._agenda[self._next_planned].when_ns)
        self._due_ns = max(due, self.now_ns + 1)

    def _next_watch(self) -> int:
        """When, before the next event, a watch first changes its truth (`_NEVER` if none does)."""
        s, heat = self._stretches[-1], self._heats[-1]
        now = self.now_ns
        end = self._due_ns
        bands: dict[int, list[float]] = {}
        curves: dict[int, Curve] = {}
        members: dict[int, list[Watch]] = {}
        lasts_ns = end - s.start_ns
        passed = s.passed[0] == self._watched and lasts_ns <= s.passed[1]
        if passed and heat.bead_way < _INF and (band := self._bead_band(heat)) is not None:
            bead = _at_node(heat.ladder.shape[BEAD], heat.start)
            if min(bead - band[0], band[1] - bead) > heat.bead_way:
                first = self._speed_watches()
                return first if first <= end else _NEVER
        for watch in self._watches.values():
            if passed and watch.signal in _OF_THE_CIRCUIT:
                continue
            found = self._curve_of(watch, s, heat)
            if found is None:
                continue
            node, curve, factor, shift = found
            if not factor:
                continue
            key = node if curve is None else id(curve)
            kept = bands.get(key)
            if kept is None:
                kept = bands[key] = [-_INF, _INF]
                members[key] = []
                if curve is not None:
                    curves[key] = curve
            members[key].append(watch)
            _narrow(kept, watch, factor, shift)
        first = self._speed_watches()
        for key, (low, high) in bands.items():
            start = s.start_ns
            curve = curves.get(key)
            if curve is None:
                start = heat.start_ns
                if key == BEAD and heat.bead_way < _INF:
                    bead = _at_node(heat.ladder.shape[BEAD], heat.start)
                    if min(bead - low, high - bead) > heat.bead_way:
                        continue
                curve = heat.node(key)
            at = first_exit(
                curve, low, high, (now - start) * 1e-9, min((min(end, first) - start) * 1e-9, _LONG_SECONDS)
            )
            if at is None:
                continue
            when = max(start + int(at * 1e9) - 1, now + 1)
            # The root is known to a fraction of a nanosecond; the truth itself says which one it is.
            for ns in range(when, when + 6):
                if any(w.holds(self._value(w.signal, ns, s, heat)) != w.true for w in members[key]):
                    when = ns
                    break
            else:
                when += 1000  # rounding: not there after all, so look again a microsecond on
            if when < first:
                first = when
                if self._loop == "slow" and key in curves and self._exact_until_ns < when:
                    self._replay_before(when)
        if not passed and first > end and now == s.start_ns:
            s.passed[:] = self._watched, lasts_ns
        return first if first <= self._due_ns else _NEVER

    def _bead_band(self, heat: HeatStretch) -> tuple[float, float] | None:
        """Kelvin above ambient of the bead between which no watch changes that does not look at the circuit
        or the fan's speed; None if one looks at something else."""
        given = self._watched, heat.ambient, heat.thermistor
        if self._bead is None or self._bead[0] != given:
            self._bead = given, self._band_of_bead(heat)
        return self._bead[1]

    def _band_of_bead(self, heat: HeatStretch) -> tuple[float, float] | None:
        band = [-_INF, _INF]
        for watch in self._watches.values():
            if watch.signal in _OF_THE_CIRCUIT or watch.signal == "fan.speed":
                continue
            if watch.signal not in ("heat.temperature", "heat.sensor_voltage"):
                return None
            found = self._curve_of(watch, self._stretches[-1], heat)
            if found is not None:
                _narrow(band, watch, *found[2:])
        return band[0], band[1]

    def _speed_watches(self) -> int:
        """When a watch of the fan's speed changes: the tachometer's exponential has one crossing at most."""
        air = self._airs[-1]
        first = _NEVER
        if not self._speeds or air.from_speed == air.to_speed:
            return first
        for watch in self._watches.values():
            if watch.signal != "fan.speed":
                continue
            share = (watch.threshold - air.to_speed) / (air.from_speed - air.to_speed)
            if not 0.0 < share < 1.0:
                continue
            when = max(air.start_ns + int(-math.log(share) / air.rate * 1e9) - 1, self.now_ns + 1)
            for ns in range(when, when + 6):
                if watch.holds(air.speed(ns)) != watch.true:
                    first = min(first, ns)
                    break
        return first

    def _replay_before(self, when: int) -> None:
        """A settled loop near a crossing of its own quantities: leave the fixed point and do its samples."""
        shrinks = abs(1.0 - self._plant.regulation.gain)
        samples = min(max(math.ceil(math.log(1e-3) / math.log(shrinks)) if 0.0 < shrinks < 1.0 else 0, 4), 60)
        begin = (when // self._loop_ns - samples) * self._loop_ns
        self._exact_until_ns = (when // self._loop_ns + 4) * self._loop_ns
        s = self._stretches[-1]
        s.until_ns = max(begin, self.now_ns + 1)
        s.why = "replay"
        self._plan()

    # ------------------------------------------------------------------------------------------- reading

    def _curve_of(
        self, watch: Watch, s: Stretch, heat: HeatStretch
    ) -> tuple[int, Curve | None, float, float] | None:
        """What a watch looks at: a node of the ladder, or a curve of the circuit, with value = factor * it +
        shift; None when it is constant here.

        The divider's voltage falls with the bead's temperature: factor -1, and the shift is the threshold
        itself, as kelvin above ambient.
        """
        signal = watch.signal
        node = _HEAT_SIGNALS.get(signal)
        if node is not None:
            return node, None, 1.0, heat.ambient
        if signal in ("heat.temperature", "heat.sensor_voltage"):
            return _bead_of(watch, BEAD, self._plant.thermistor, heat.thermistor, self._plant.rail_volt, heat)
        if heat.second is not None and signal in SECOND_SIGNALS:
            sensor, condition = self._plant.second_thermistor, heat.second.condition
            assert sensor is not None
            return _bead_of(watch, SECOND, sensor, condition, self._plant.rail_volt, heat)
        solved = s.solved
        amps = solved.current.poly[0] if s.steady and solved.current.constant else None
        if signal == "input.power":
            return (
                (-1, solved.volt, amps, 0.0)
                if amps and s.reads == "terminals"
                else (-1, s.sense_power, 1.0, 0.0)
            )
        if signal == "input.voltage":
            if s.reads == "nothing":
                return None
            if amps is not None and s.reads == "source":
                return -1, solved.volt, s.sign, s.sign * s.lead * amps
            return -1, s.sensed, s.sign, 0.0
        if signal == "input.terminal_voltage" or (signal == "sense.drop" and s.unsensed):
            return -1, solved.volt, s.sign, 0.0
        if signal == "sense.drop" and s.at_source is not None:
            return -1, total([(1.0, solved.volt), (-1.0, s.at_source)]), s.sign, 0.0
        if signal in ("sense.drop", "input.current") or signal in s.shares:
            factor = -s.lead if signal == "sense.drop" else s.shares.get(signal, 1.0)
            return None if amps is not None or not factor else (-1, solved.current, s.sign * factor, 0.0)
        if signal == "battery.soc":
            return -1, solved.used, -s.share[1], s.share[0]
        if not s.clock:
            return None
        if signal == "run.time":
            return -1, _CLOCK, s.clock, s.time0
        if signal == "charge":
            return -1, solved.charge, s.clock * s.sign, s.charge0
        if signal == "energy":
            return -1, s.energy, s.clock, s.energy0
        return None

    def converter(self, name: str) -> Converter:
        """The measuring converter of a signal."""
        return self._converters[name]

    def pieces(self) -> tuple[Stretch, HeatStretch, Airflow]:
        """What holds from now until `quiet_until_ns`, for a reader in a greater hurry than `sample`."""
        return self._stretches[-1], self._heats[-1], self._airs[-1]

    def at(self, signal: str, when_ns: int) -> float:
        now = self.now_ns
        if when_ns > now:
            raise ValueError(f"{when_ns} ns is after now, {now} ns: advance the plant first")
        s = self._stretches[-1]
        if when_ns < s.start_ns:
            s = self._stretches.holding(when_ns)
        heat = self._heats[-1]
        if when_ns < heat.start_ns:
            heat = self._heats.holding(when_ns)
        return self._value(signal, when_ns, s, heat)

    def _value(self, signal: str, ns: int, s: Stretch, heat: HeatStretch) -> float:
        reader = _READERS.get(signal)
        if reader is None:
            raise ValueError(f"a sink has no signal {signal!r}: write one of {', '.join(sorted(SIGNALS))}")
        return reader(self, ns, s, heat)

    def _air_at(self, ns: int) -> Airflow:
        air = self._airs[-1]
        return air if ns >= air.start_ns else self._airs.holding(ns)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        when = tick * period_ns
        if signal == "input.power":
            return self.sample("input.voltage", tick, period_ns) * self.sample(
                "input.current", tick, period_ns
            )
        divider = _DIVIDERS.get(signal)
        if divider is not None:
            sensor = self._plant.thermistor if signal == "heat.temperature" else self._plant.second_thermistor
            if divider not in self._converters or sensor is None:
                return self.at(signal, when)
            return deduced_celsius(sensor, self._plant.rail_volt, self.sample(divider, tick, period_ns))
        value = self.at(signal, when)
        converter = self._converters.get(signal)
        if converter is not None:
            value = converter.convert(value, tick)
        if signal in ("input.voltage", "input.terminal_voltage"):
            value = value * float(self._set["trim.voltage_gain"]) + float(self._set["trim.voltage_shift"])
        elif signal == "input.current":
            value = value * float(self._set["trim.current_gain"]) + float(self._set["trim.current_shift"])
        elif signal == "sense.drop":
            value = self.sample("input.terminal_voltage", tick, period_ns) - (
                self.sample("input.voltage", tick, period_ns)
                if self._set["sense"] == "remote"
                else self.at("input.terminal_voltage", when) - value
            )
        return value


def _narrow(band: list[float], watch: Watch, factor: float, shift: float) -> None:
    """Narrow a band of what a watch looks at to where its truth stays, for value = factor * it + shift."""
    threshold = shift
    if watch.signal not in _DIVIDERS.values():
        # The comparison is strict: at the threshold it is false. A value that only creeps up to
        # it (a sink cooling to the air's own temperature) must not count as there.
        edge = watch.threshold
        if not watch.true:
            edge = math.nextafter(edge, _INF if watch.above else -_INF)
        threshold = (edge - shift) / factor
    rising = (watch.above == (factor > 0.0)) != watch.true
    if rising:
        band[1] = min(band[1], threshold)
    else:
        band[0] = max(band[0], threshold)


def _bead_of(
    watch: Watch, node: int, sensor: Sensor, condition: str | float, rail_volt: float, heat: HeatStretch
) -> tuple[int, None, float, float] | None:
    """`Sink._curve_of` for what is seen of a thermistor's bead, as a temperature or at its divider."""
    if condition != "good":
        return None
    if watch.signal in _DIVIDERS:
        return node, None, 1.0, heat.ambient
    if not 0.0 < watch.threshold < rail_volt:
        return None
    ohm = sensor.divider_ohm * watch.threshold / (rail_volt - watch.threshold)
    return node, None, -1.0, _celsius(sensor.law, ohm) - heat.ambient


def _at_node(shape: Sequence[float], modes: Sequence[float]) -> float:
    """Kelvin above ambient at a node of the ladder, of which the modes are so strong."""
    a, b, c, d = shape
    p, q, r, s = modes
    return a * p + b * q + c * r + d * s


def _time_of(rising: Curve, level: float, span: float) -> float | None:
    """When a rising curve reaches a level within its span: bracketed Newton steps."""
    if level <= 0.0:
        return 0.0
    poly = rising.poly
    if len(poly) == 2 and not rising.decays and not rising.terms:
        at = level / poly[1] if poly[1] > 0.0 else _INF
        return at if at <= span else None
    if rising(span) < level:
        return None
    slope = rising.slope()
    low, high = 0.0, span
    t = span
    for _ in range(100):
        miss = rising(t) - level
        if miss < 0.0:
            low = t
        else:
            high = t
        steep = slope(t)
        following = t - miss / steep if steep > 0.0 else _INF
        if not low <= following <= high:
            following = 0.5 * (low + high)
        if abs(following - t) <= 1e-10 + 2e-16 * t:
            return following
        t = following
    return high


def _seconds_ns(seconds: float) -> int:
    return math.ceil(seconds * 1e9) if seconds < 1e9 else _NEVER - (1 << 61)


_celsius = lru_cache(maxsize=64)(celsius)
"""Thresholds are few, and looked at in every stretch."""

Reader = Callable[[Sink, int, Stretch, HeatStretch], float]


def _node(node: int) -> Reader:
    return lambda plant, ns, s, heat: heat.ambient + heat.node(node)((ns - heat.start_ns) * 1e-9)


def _bead(plant: Sink, ns: int, heat: HeatStretch) -> tuple[Sensor, float, str | float, float]:
    bead = heat.ambient + heat.node(BEAD)((ns - heat.start_ns) * 1e-9)
    return plant._plant.thermistor, plant._plant.rail_volt, heat.thermistor, bead


def _second_bead(plant: Sink, ns: int, heat: HeatStretch) -> tuple[Sensor, float, str | float, float]:
    sensor = plant._plant.second_thermistor
    if heat.second is None or sensor is None:
        raise ValueError("this sink has no second thermistor: write second_thermistor under plant")
    bead = heat.ambient + heat.node(SECOND)((ns - heat.start_ns) * 1e-9)
    return sensor, plant._plant.rail_volt, heat.second.condition, bead


def _drop(plant: Sink, ns: int, s: Stretch, heat: HeatStretch) -> float:
    t = (ns - s.start_ns) * 1e-9
    if s.unsensed:
        return s.sign * s.solved.volt(t)
    if s.at_source is not None:
        return s.sign * (s.solved.volt(t) - s.at_source(t))
    return -s.sign * s.lead * s.solved.current(t)


def _share(name: str) -> Reader:
    return lambda plant, ns, s, heat: s.shares[name] * s.sign * s.solved.current((ns - s.start_ns) * 1e-9)


def _emf(plant: Sink, ns: int, s: Stretch, heat: HeatStretch) -> float:
    used = s.solved.used((ns - s.start_ns) * 1e-9)
    volt = 0.0
    for c in reversed(s.rest):
        volt = volt * used + c
    return volt


_READERS: dict[str, Reader] = {
    "input.voltage": lambda plant, ns, s, heat: s.sign * s.sensed((ns - s.start_ns) * 1e-9),
    "input.terminal_voltage": lambda plant, ns, s, heat: s.sign * s.solved.volt((ns - s.start_ns) * 1e-9),
    "input.current": lambda plant, ns, s, heat: s.sign * s.solved.current((ns - s.start_ns) * 1e-9),
    "input.power": lambda plant, ns, s, heat: s.sense_power((ns - s.start_ns) * 1e-9),
    "sense.drop": _drop,
    **{name: _share(name) for name in ("stage.first", "stage.other", "stage.spread")},
    "heat.junction": _node(JUNCTION),
    "heat.case": _node(CASE),
    "heat.sink": _node(SINK),
    "heat.air": lambda plant, ns, s, heat: heat.ambient,
    "heat.sensor_voltage": lambda plant, ns, s, heat: divider_volt(*_bead(plant, ns, heat)),
    "heat.temperature": lambda plant, ns, s, heat: told_celsius(*_bead(plant, ns, heat)),
    "heat.second_voltage": lambda plant, ns, s, heat: divider_volt(*_second_bead(plant, ns, heat)),
    "heat.second": lambda plant, ns, s, heat: told_celsius(*_second_bead(plant, ns, heat)),
    "heat.ceiling": lambda plant, ns, s, heat: plant._air_at(ns).ceiling,
    "fan.duty": lambda plant, ns, s, heat: plant._air_at(ns).duty,
    "fan.speed": lambda plant, ns, s, heat: plant._air_at(ns).speed(ns),
    "charge": lambda plant, ns, s, heat: (
        s.charge0 + s.sign * s.clock * s.solved.charge((ns - s.start_ns) * 1e-9)
    ),
    "energy": lambda plant, ns, s, heat: s.energy0 + s.clock * s.energy((ns - s.start_ns) * 1e-9),
    "run.time": lambda plant, ns, s, heat: s.time0 + s.clock * ((ns - s.start_ns) * 1e-9),
    "battery.soc": lambda plant, ns, s, heat: (
        s.share[0] - s.share[1] * s.solved.used((ns - s.start_ns) * 1e-9)
    ),
    "source.emf": _emf,
    "swing.done": lambda plant, ns, s, heat: float(s.done),
    "steps.row": lambda plant, ns, s, heat: float(s.row),
    "steps.done": lambda plant, ns, s, heat: float(s.done),
    "swing.upper": lambda plant, ns, s, heat: float(s.upper),
    "supply.rail": lambda plant, ns, s, heat: plant._plant.rail_volt,
}

_CLOCK = Curve((0.0, 1.0))
