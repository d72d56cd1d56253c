"""The simulated instrument: a document's device half closed around its plant. No I/O; time is a parameter.

What a port drives: `receive`, `advance`, `take`, `next_event_ns`, `opened`, `closed`. What a rig drives:
`bench`, `power`, `reset`. All times are integer nanoseconds of one clock and never go backwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.emu.bench import Bench
from wirevow.emu.hands import bench_value, declared_event, hands_of, happen, steps_of
from wirevow.emu.plant.agenda import PANEL
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import LooksAhead, Plant
from wirevow.emu.rules import Rules
from wirevow.protocol.device import Device, Store, Values
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.record import span_ns
from wirevow.protocol.vow import PointEntry, TripEntry, Value, Vow, bench_events

SPARED = 16
"""The longer nothing has happened, the rarer are the looks: this part of that time apart (1/16)."""


class _Settings(Mapping[str, Fraction | str]):
    """Settings and system values in engineering units, at the instant they are looked up."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument

    def __getitem__(self, name: str) -> Fraction | str:
        return Values(self._instrument.device, self._instrument.now_ns)[name]

    def __iter__(self):  # type: ignore[no-untyped-def]
        return iter(self._instrument.vow.points)

    def __len__(self) -> int:
        return len(self._instrument.vow.points)


class Instrument:
    """One instrument on one bench. Deterministic: the same seed, calls and times give the same bytes.

    `device_class` is the device half to run; `plant` what is behind it, in place of the document's own plant
    on the bench. Both are seams for faults (`wirevow.emu.faults`).
    """

    rules: type[Rules] = Rules
    """What watches conditions."""

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
        self.vow = vow
        self.now_ns = 0
        self.powered = True
        self.bench_events: Mapping[str, BenchEvent] = bench_events(vow.document)
        self._hands = hands_of(bench, self.bench_events)
        """At the front panel, by the bench's timeline; the last one first."""
        self.plant: Plant = plant if plant is not None else plant_of(vow.document, bench, seed)
        # Before this instant nothing happens unasked: it may be early, never late; 0 when it is not known.
        self._quiet_ns = 0
        self.device = device_class(vow, self, store if store is not None else Store(), seed)
        # What the device has told the plant and the rules in this instant, in order. It is done before
        # anything can see whether it is done, but after the answer: a host goes on with that meanwhile.
        self._owed: list[Callable[[], object]] = []
        self._samples: dict[str, tuple[int, int]] = {}
        self._capture: tuple[str, int, int] | None = None
        # What keeps the highest or lowest of a reading looks at it so often, besides with every request; the
        # longer nothing happens, the more rarely, for then a reading only drifts (`SPARED`).
        self._looks_ns = min((entry.period_ns for entry in vow.extremes), default=0)
        self._look_ns = self._looks_ns
        self._stirred_ns = 0
        self._rules = self.rules(
            vow, self.plant, _Settings(self), self._counted, lambda: self.device.accepted_ns
        )
        self.device.boot("power", 0)

    # ------------------------------------------------------------------------------------------- for ports

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host, all at `now_ns`."""
        if now_ns < self._quiet_ns:
            self.now_ns = now_ns
        else:
            self.advance(now_ns)
        self._stir(now_ns)
        if self.powered:
            self.device.receive(data, now_ns)

    def take(self) -> bytes:
        """Bytes to the host, drained."""
        return self.device.take() if self.powered else b""

    def draw_tickets(self, chance: Callable[[], int | None]) -> None:
        """Let tickets be what nobody can foresee, where `chance` gives a number (16 bits)."""
        self.device.chance = chance

    def opened(self, now_ns: int) -> None:
        """A host opened the port; on some boards that is a reset."""
        self.advance(now_ns)
        if self.vow.document.wire.opening.resets:
            self.reset(now_ns)

    def closed(self, now_ns: int) -> None:
        """The host closed the port, or its cable fell out. Nothing changes but the silence."""
        self.advance(now_ns)

    def advance(self, now_ns: int) -> None:
        """Let the world run to `now_ns`: everything that happens on the way happens in order."""
        self._run(now_ns, pausing=False)

    def advance_to_output(self, to_ns: int) -> None:
        """Run to `to_ns`, but stop at the first instant at which there is something to send."""
        if type(self).next_event_ns is Instrument.next_event_ns:
            self._run(to_ns, pausing=True)
        else:  # one that sends at other times
            due_ns = self.next_event_ns()
            self.advance(due_ns if due_ns is not None and self.now_ns < due_ns < to_ns else to_ns)

    def _run(self, now_ns: int, pausing: bool) -> None:
        if now_ns < self._quiet_ns:
            self.now_ns = now_ns
            return
        while True:
            if self._owed:
                self._pay()
            timer_ns = self._timer_ns() if self.powered else None
            target_ns = now_ns if timer_ns is None or timer_ns >= now_ns else max(self.now_ns, timer_ns)
            crossing = self.plant.advance(target_ns)
            if crossing is not None:
                self.now_ns = crossing.when_ns
                self._rules.crossed(crossing.key, crossing.true, crossing.when_ns)
            elif target_ns > self.now_ns:
                self.now_ns = target_ns
            due = crossing is not None or (timer_ns is not None and timer_ns <= self.now_ns)
            if due and self.powered and self._act():
                if pausing and self.device.output:
                    now_ns = self.now_ns  # all else of this instant comes yet
                continue
            if crossing is None and self.now_ns >= now_ns:
                self._quiet_ns = self._quiet_until_ns(timer_ns)
                return

    def next_event_ns(self) -> int | None:
        """The earliest instant at which something may happen unasked; may be early, never late."""
        if self._quiet_ns <= self.now_ns:
            self._pay()
            self._quiet_ns = self._quiet_until_ns(self._timer_ns() if self.powered else None)
        return max(self.now_ns + 1, self._quiet_ns)

    def look_ahead(self) -> None:
        """Let `next_event_ns` be no earlier than it has to, for whoever jumps there."""
        if isinstance(self.plant, LooksAhead):
            self._follow()
            self.plant.look_ahead()
            self._quiet_ns = 0

    def _quiet_until_ns(self, timer_ns: int | None) -> int:
        quiet_ns = self.plant.quiet_until_ns()
        return quiet_ns if timer_ns is None else min(quiet_ns, timer_ns)

    def _follow(self) -> None:
        # While it is quiet only the instrument's time moves: no watch can change its truth on this stretch.
        if self.plant.now_ns != self.now_ns:
            self.plant.advance(self.now_ns)

    def _catch_up(self) -> None:
        self._follow()
        self._pay()

    def _owe(self, act: Callable[[], object]) -> None:
        self._follow()
        self._quiet_ns = 0
        self._owed.append(act)

    def _pay(self) -> None:
        while self._owed:
            owed, self._owed = self._owed, []
            for act in owed:
                act()

    def _timer_ns(self) -> int | None:
        least = self.device.next_timeout_ns()
        due = self._rules.next_ns()
        if least is None or (due is not None and due < least):
            least = due
        if self._capture is not None and (least is None or self._capture[2] < least):
            least = self._capture[2]
        if self._looks_ns and (least is None or self._look_ns < least):
            least = self._look_ns
        if self._hands and (least is None or self._hands[-1].when_ns < least):
            least = self._hands[-1].when_ns
        return least

    def _stir(self, now_ns: int) -> None:
        """Something happens: what keeps extremes looks often again."""
        if self._looks_ns:
            self._stirred_ns = now_ns
            self._look_ns = min(self._look_ns, now_ns + self._looks_ns)
            self._quiet_ns = 0

    def _act(self) -> bool:
        """Do the first thing that is due now; whether there was one."""
        now_ns = self.now_ns
        if self._looks_ns and self._look_ns <= now_ns:
            self._look_ns = now_ns + max(self._looks_ns, (now_ns - self._stirred_ns) // SPARED)
            self.device.look(now_ns)
            return True
        self._stir(now_ns)
        if self._hands and self._hands[-1].when_ns <= now_ns:
            hand = self._hands.pop()
            if hand.event == "panel.control" or self.device.controller == "local":
                self._hand(hand.event, hand.value, now_ns)
            return True
        if self._capture is not None and self._capture[2] <= now_ns:
            self._finish_capture()
            return True
        found = self._rules.due(now_ns)
        if found is not None:
            act = found[0]
            if isinstance(act, TripEntry):
                self.device.fire(act, self._present(self.vow.points[act.reports]), now_ns)
            else:
                self.device.leave(act, now_ns)
            return True
        timeout_ns = self.device.next_timeout_ns()
        if timeout_ns is not None and timeout_ns <= now_ns:
            self.device.expire(now_ns)
            return True
        return False

    # -------------------------------------------------------------------------------------------- for rigs

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        """Something happens around the instrument, in the document's words and units. ValueError if not."""
        declared = declared_event(self.bench_events, event)
        self.advance(now_ns)
        given = None if event.startswith(PANEL) else bench_value(self.vow, event, declared, value)
        self._quiet_ns = 0
        self._stir(now_ns)
        self._catch_up()
        if event == "link.transmitter":
            self.device.blocked = given == "stalled"
        elif event.startswith(PANEL):
            self._hand(event, value, now_ns)
        else:
            happen(self.plant, self.vow, event, declared, given, now_ns)
        self.advance(now_ns)

    def _hand(self, event: str, value: float | str | None, now_ns: int) -> None:
        """A hand at the front panel. ValueError if there is none, or without control."""
        declared = declared_event(self.bench_events, event)
        if event == "panel.control":
            self.device.panel(event, str(bench_value(self.vow, event, declared, value)), now_ns)
            return
        entry = self.vow.points[event.removeprefix(PANEL)]
        steps = steps_of(declared, value)
        if steps is not None:
            present = self.device.value(entry, now_ns)
            assert isinstance(present, int)
            self.device.panel(entry.name, present + steps, now_ns)
            return
        given = bench_value(self.vow, event, declared, value)
        counts = entry.number.nearest(Fraction(given)) if isinstance(given, Decimal) else given
        self.device.panel(entry.name, "" if counts is None else counts, now_ns)

    def repeat(self, event: str, values: Sequence[str], times: int, now_ns: int) -> None:
        """As `bench` with each of these words in turn, and that so many times. ValueError if not."""
        if event != "panel.control" or type(self).bench is not Instrument.bench:
            for value in (*values,) * times:
                self.bench(event, value, now_ns)
            return
        declared = declared_event(self.bench_events, event)
        for value in values:
            bench_value(self.vow, event, declared, value)
        self.advance(now_ns)
        device, rounds = self.device, times
        if type(device) is Device and not device.notices and not self._rules.concern((event,)):
            rounds = min(times, 1)  # the others do nothing but number what is not sent
            turns = sum(one != other for one, other in zip(values, (*values[-1:], *values), strict=False))
            device.number_on(turns * (times - rounds))
        for value in (*values,) * rounds:
            device.panel(event, value, now_ns)
            if self._owed:
                self.advance(now_ns)  # a rule that is armed looks at who has control
        self._quiet_ns = 0
        self.advance(now_ns)

    def power(self, on: bool, now_ns: int) -> None:
        """The box's own supply fails or comes back. What waited to be sent is lost."""
        self.advance(now_ns)
        if on and not self.powered:
            self.powered = True
            self._restart("power", now_ns)
        elif not on and self.powered:
            self.powered = False
            self.device.output.clear()
            self.device.waiting.clear()
            self._capture = None
            self._quiet_ns = 0
            self._catch_up()
            self.plant.control(self.vow.states[self.vow.initial].outputs, now_ns)

    stores = True
    """Its store can be written (`keep`)."""

    def keep(self, image: bytes) -> None:
        """The store holds this image, whatever firmware has left it. ValueError with power."""
        if self.powered:
            raise ValueError("the store is written while the supply is off: cut it first")
        self.device.keep(image)

    def reset(self, now_ns: int) -> None:
        """The reset pin is pulled."""
        self.advance(now_ns)
        if self.powered:
            self.device.output.clear()
            self._restart("reset", now_ns)

    def _restart(self, cause: str, now_ns: int) -> None:
        self._samples.clear()
        while self._hands and self._hands[-1].when_ns < now_ns:
            self._hands.pop()  # without power, nothing came of it
        self._stir(now_ns)
        self.device.blocked = False
        self.device.boot(cause, now_ns)
        self.advance(now_ns)

    # ------------------------------------------------------------------------ the device's world (`World`)

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        """The last sample of a signal point, in counts; taken on the point's own tick."""
        tick = now_ns // entry.period_ns
        held = self._samples.get(entry.name)
        if held is not None and held[0] == tick:
            return held[1]
        assert entry.signal is not None
        self._catch_up()
        counts = counts_of(entry, self.plant.sample(entry.signal, tick, entry.period_ns))
        self._samples[entry.name] = (tick, counts)
        return counts

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        """The device drives the plant; a converter told too much stands at its end."""
        plant = self.plant
        held: dict[str, float | str] = {}
        for name, value in changes.items():
            known = plant.controls.get(name)
            if known is not None and isinstance(value, float):
                value = min(max(value, known.low), known.high)
            held[name] = value
        self._owe(partial(plant.control, held, now_ns))

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        """Arm the rules anew where they depend on what changed."""
        if names is None:
            self._owe(partial(self._rules.enter, self.device.state, now_ns))
        elif names and (self._owed or self._rules.concern(names)):
            self._owe(partial(self._rules.changed, names, now_ns))
        else:
            self._quiet_ns = 0  # a time has changed: ask for it anew

    def capture(self, record: str, now_ns: int) -> None:
        """Start the series of a record; a capture that runs is begun afresh."""
        self._quiet_ns = 0
        self._capture = (record, now_ns, now_ns + span_ns(self.vow.document.records[record]))

    def booted(self) -> None:
        """A series that is being taken is not completed."""
        self._capture = None

    def _finish_capture(self) -> None:
        assert self._capture is not None
        record, begun_ns, _ = self._capture
        self._capture = None
        series: dict[str, list[int]] = {}
        for field in self.vow.document.records[record].fields:
            if field.count > 1 and field.every is not None and isinstance(field.value, str):
                entry = self.vow.points[field.value]
                assert entry.signal is not None
                first = -(-begun_ns // field.every)
                series[field.name] = [
                    counts_of(entry, self.plant.sample(entry.signal, first + index, field.every))
                    for index in range(field.count)
                ]
        self.device.captured(record, series, self.now_ns)

    def _present(self, entry: PointEntry) -> Value:
        """What the point would show if it were sampled this instant: the value that made a trip act."""
        if entry.signal is None:
            return self.device.value(entry, self.now_ns)
        return counts_of(entry, self.plant.at(entry.signal, self.now_ns))

    def _counted(self, name: str) -> Value:
        """A setting in counts, at this instant."""
        return self.device.value(self.vow.points[name], self.now_ns)


def counts_of(entry: PointEntry, value: float) -> int:
    """What a reading shows of an SI value: the nearest step, half away from zero, within its range."""
    scale = entry.number
    steps = value / entry.si
    counts = math.floor(steps + 0.5) if steps >= 0 else -math.floor(0.5 - steps)
    return min(max(counts, scale.low), scale.high)
