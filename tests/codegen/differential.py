"""A generated core against the Python device half: the same bytes, times and readings, the same answers.

Two implementations of `spec/wire.md` by two people; a difference is a bug of one of them or of the text. As
a program it goes on for as many lines as asked:

    python -m tests.codegen.differential spec/tarn.yaml --lines 1000000 --seed 1

The readings are random, the world has no physics. Rules that make the instrument act (trips, conditional
leaves) are looked at once a tick by both sides, in the order that the core documents.
"""

from __future__ import annotations

import argparse
import random
import struct
import sys
import tempfile
import time
from binascii import crc_hqx
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

from tests.codegen.build import Core, build_library
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.codegen.tables import MOST_TICK_MS, Tables, tables
from wirevow.protocol.device import Device, Store, Values
from wirevow.protocol.document.load import load_document
from wirevow.protocol.message import check_of
from wirevow.protocol.vow import LeaveEntry, PointEntry, TripEntry, Vow, compile_vow

MS = 1_000_000
SPELLS_MS = (1, 1, 1, 1, 1, 2, 2, 5, 5, 20, 50, 100, 999, 1000, 2000, 2001, 4999, 5000, 5001, 60000)
"""Times that pass: mostly short, else around those that documents name."""
CAUSES = ("power", "reset", "watchdog", "brownout", "request")


class Difference(AssertionError):
    """The two sides have not said or done the same."""


class FineClock(Values):
    """Values for the rules: the silence and the uptime to the millisecond, as time passes."""

    def __getitem__(self, name: str) -> Fraction | str:
        device = self._device
        system = device.vow.points[name].system
        if system == "silence":
            return Fraction(self._now_ns - device.accepted_ns, 10**9)
        if system == "uptime":
            return Fraction(self._now_ns - device.booted_ns, 10**9)
        return super().__getitem__(name)


class Boxed(Device):
    """The device half with the core's tickets (which number is given is not part of the wire).

    A boot forgets how long conditions have held, as a chip does.
    """

    def boot(self, cause: str, now_ns: int) -> None:
        assert isinstance(self.world, Model)
        self.world.forget()
        super().boot(cause, now_ns)
        self._tickets = 0
        # Deafness after a boot is the board's (its bootloader), not the core's.
        self._deaf_until_ns = 0

    def _drawn(self) -> str:
        number = crc_hqx(struct.pack("<HH", self.store.boots, self._tickets & 0xFFFF), 0xFFFF)
        return f"{number:04x}"


class Model:
    """The Python side: the device half in a world of given readings, its rules looked at once a tick."""

    def __init__(self, vow: Vow, found: Tables) -> None:
        self.vow = vow
        self.now_ns = 0
        self.readings = {name: 0 for _, name in found.signals}
        self.log = bytearray()
        self._pulses = {what: index for index, (_, what) in enumerate(found.pulses)}
        self._records = {row.constant: index for index, row in enumerate(found.records)}
        self._record_constant: Callable[[str], str] = lambda name: f"{found.prefix}_record_{name}".upper()
        self._states = {name: index for index, name in enumerate(vow.states)}
        self.rules: list[tuple[TripEntry | LeaveEntry, frozenset[str]]] = [
            *((trip, trip.armed_in) for trip in vow.trips.values()),
            *(
                (leave, frozenset({state.name}))
                for state in vow.states.values()
                for leave in state.leaves
                if leave.when is not None
            ),
        ]
        self._since: list[int | None] = [None] * len(self.rules)
        self.device = Boxed(vow, self, Store())

    # The world of the device.

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        return self.readings[entry.name]

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        for name in changes:
            if name in self._pulses:
                self.log += bytes((ord("p"), self._pulses[name]))

    def capture(self, record: str, now_ns: int) -> None:
        self.log += bytes((ord("c"), self._records[self._record_constant(record)]))

    def booted(self) -> None:
        """Series are completed by whoever drives the model."""

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        if names is None:
            state = self.device.state
            self.log += bytes((ord("e"), self._states[state]))
            for index, (act, armed) in enumerate(self.rules):
                if state not in armed or isinstance(act, LeaveEntry):
                    self._since[index] = None

    def forget(self) -> None:
        """No condition has held for any time."""
        self._since = [None] * len(self.rules)

    def tick(self, elapsed_ms: int) -> None:
        device = self.device
        self.now_ns += elapsed_ms * MS
        device.look(self.now_ns)
        values = FineClock(device, self.now_ns)
        due: TripEntry | LeaveEntry | None = None
        for index, (act, armed) in enumerate(self.rules):
            assert act.when is not None
            if device.state not in armed or not act.when.truth(values):
                self._since[index] = None
                continue
            since = self._since[index]
            if since is None:
                since = self._since[index] = self.now_ns
            if due is None and self.now_ns - since >= act.after_ns:
                due = act
        if isinstance(due, TripEntry):
            self.fire(due.name)
        elif due is not None:
            device.leave(due, self.now_ns)
        else:
            device.expire(self.now_ns)

    def fire(self, name: str) -> None:
        trip = self.vow.trips[name]
        self.device.fire(trip, self.device.value(self.vow.points[trip.reports], self.now_ns), self.now_ns)


class Lines:
    """Request lines for a document: good ones, nearly good ones, hostile ones."""

    def __init__(self, vow: Vow, found: Tables, chance: random.Random) -> None:
        self.vow = vow
        self.chance = chance
        self.points = list(vow.points.values())
        self.settable = [entry for entry in self.points if entry.settable]
        self.bulk = [entry for entry in self.points if entry.record is not None]
        self.actions = list(vow.actions.values())
        self.names = [*vow.points, *vow.actions]
        self.words = sorted({word for entry in self.points for word in entry.choices})
        self.units = sorted({entry.number.unit for entry in self.points if entry.scale is not None})
        self.limit = vow.document.wire.line_limit
        self.ticket = "0000"
        self.checked = 0.01
        """Share of lines with a check; it changes now and then, for one such line turns the guard on."""
        self._last_tagged = b"@1 ask self.vow"
        self._bounds: Callable[[PointEntry], tuple[int, int]] = lambda entry: (
            entry.number.low,
            entry.number.high,
        )

    def follow(self, bounds: Callable[[PointEntry], tuple[int, int]]) -> None:
        """Take limits in force from here, so that numbers are tried on both sides of them."""
        self._bounds = bounds

    def line(self) -> bytes:
        """One line without its LF."""
        chance = self.chance
        kind = chance.random()
        if kind < 0.02:
            return bytes(chance.randrange(256) for _ in range(chance.randrange(1, 40))).replace(b"\n", b"")
        if kind < 0.04:
            return chance.choice((b"", b"\r", b" ", b"@", b"@1 ", b"ask", b"put ", b"~", b"@1f ask \r"))
        if kind < 0.06:
            extra = chance.choice((-2, -1, 0, 1, 2, 3, 60, 400))
            line = b"ask " + b"a" * (self.limit + extra - 4)
            return line + chance.choice((b"", b"\r", b"\r\r"))
        if kind < 0.12:
            return self._last_tagged
        text = self._body()
        if chance.random() < 0.35:
            text = f"@{chance.randrange(1 << 4 * chance.randrange(1, 5)):x} {text}"
        if chance.random() < 0.005:
            self.checked = chance.choice((0.01, 0.3, 0.9))
        checked = chance.random()
        if checked < self.checked:
            text += f" ~{check_of(text.encode())}"
        elif checked > 0.97:
            text += f" ~{chance.randrange(1 << 16):04X}"
        line = text.encode()
        if chance.random() < 0.12:
            line = self._damaged(line)
        if line.startswith(b"@"):
            self._last_tagged = line
        if chance.random() < 0.05:
            line += b"\r"
        return line.replace(b"\n", b" ")

    def _body(self) -> str:
        chance = self.chance
        kind = chance.random()
        if kind < 0.22:
            return f"ask {chance.choice(self.names)}"
        if kind < 0.27 and self.bulk:
            return f"ask {chance.choice(self.bulk).name} {self._index()}"
        if kind < 0.60:
            return f"put {self._put()}"
        if kind < 0.92 and self.actions:
            return f"act {self._act()}"
        if kind < 0.96:
            verb = chance.choice(("ask", "put", "act"))
            return " ".join((verb, chance.choice(self.names), *self._any_words()))
        return chance.choice(
            ("ask no.such", "put no.such 1", "act x", "ask self", "ask self.vow.x", "ask a_1")
        )

    def _any_words(self) -> list[str]:
        chance = self.chance
        pool = (chance.choice(self.words), chance.choice(self.units), self._text(), self.ticket, "on", "off")
        return [chance.choice(pool) for _ in range(chance.randrange(4))]

    def _index(self) -> str:
        return str(self.chance.choice((0, 1, 2, 5, 8, 9, 300, -1, "00", "1.0", "x", 4294967296, 999999999)))

    def _put(self) -> str:
        chance = self.chance
        entry = chance.choice(self.settable)
        if entry.scale is None:
            word = chance.choice(entry.choices) if chance.random() < 0.9 else chance.choice(self.words)
            if entry.system is not None and chance.random() < 0.5:
                word = "off" if entry.system == "guard" else "on"
            return f"{entry.name} {word}"
        scale = entry.number
        low, high = self._bounds(entry) if chance.random() < 0.5 else (scale.low, scale.high)
        counts = chance.choice(
            (
                low,
                high,
                low - 1,
                high + 1,
                chance.randint(min(low, high), max(low, high)),
                chance.randint(-10, 10),
            )
        )
        kind = chance.random()
        text = scale.text(counts)
        if kind < 0.1:
            text = text.rstrip("0").rstrip(".") or "0"
        elif kind < 0.2:
            text = f"{text}{'' if '.' in text else '.'}{chance.choice(('5', '49', '50', '4999', '0'))}"
        elif kind < 0.25:
            text = self._text()
        unit = "" if scale.unit == "1" else f" {scale.unit}"
        if chance.random() < 0.1:
            unit = chance.choice(("", f" {chance.choice(self.units)}", " x", f"{unit} {scale.unit}"))
        return f"{entry.name} {text}{unit}"

    def _text(self) -> str:
        """Something like a number."""
        chance = self.chance
        digits = "".join(chance.choice("0123456789") for _ in range(chance.randrange(1, 11)))
        if chance.random() < 0.5:
            at = chance.randrange(len(digits) + 1)
            digits = f"{digits[:at]}.{digits[at:]}"
        return chance.choice(("", "", "-", "+", "0", "-0")) + digits

    def _act(self) -> str:
        chance = self.chance
        action = chance.choice(self.actions)
        if action.many and chance.random() < 0.9:
            return action.line(chance.choice((*range(action.many), action.many, 255, 256, 4294967296)))
        if action.takes_ticket is None:
            return action.name if chance.random() < 0.95 else f"{action.name} {self.ticket}"
        kind = chance.random()
        if kind < 0.8:
            return f"{action.name} {self.ticket}"
        wrong = chance.choice(("0000", "ffff", self.ticket.upper(), self.ticket[:3], "x", ""))
        return f"{action.name} {wrong}".rstrip()

    def _damaged(self, line: bytes) -> bytes:
        """One or two small things gone wrong on the way."""
        chance = self.chance
        damaged = bytearray(line)
        for _ in range(chance.choice((1, 1, 2))):
            if not damaged:
                break
            at = chance.randrange(len(damaged))
            kind = chance.randrange(6)
            if kind == 0:
                del damaged[at]
            elif kind == 1:
                damaged.insert(at, damaged[at])
            elif kind == 2:
                damaged[at] ^= 1 << chance.randrange(8)
            elif kind == 3:
                damaged.insert(at, chance.choice(b" ~@._-0aA"))
            elif kind == 4:
                damaged[at] = chance.choice(b" ~.\r\t") if chance.random() < 0.5 else damaged[at] ^ 0x20
            else:
                del damaged[at:]
        return bytes(damaged)


def calm_readings(vow: Vow, chance: random.Random) -> dict[str, int]:
    """Readings at which, with default settings, no trip's condition holds and every action's guard does."""
    model = Model(vow, tables(vow))
    model.device.settings = {entry.name: entry.default for entry in vow.settings}
    for _ in range(10_000):
        values = Values(model.device, 0)
        wrong = [trip.when for trip in vow.trips.values() if trip.when.truth(values)]
        guards = [action.guard for action in vow.actions.values() if action.guard is not None]
        wrong += [guard for guard in guards if not guard.truth(values)]
        if not wrong:
            break
        for name in model.readings:
            if name in wrong[0].names:
                number = vow.points[name].number
                model.readings[name] = chance.randint(number.low, number.high)
    return model.readings


class Pair:
    """Both sides, driven alike. Every method raises Difference when they part."""

    def __init__(self, vow: Vow, library: Path, seed: int) -> None:
        self.vow = vow
        self.found = tables(vow)
        self.chance = random.Random(seed)
        self.core = Core(library, identifier(vow.identity[0]))
        self.model = Model(vow, self.found)
        self.lines = Lines(vow, self.found, self.chance)
        self.lines.follow(lambda entry: self.model.device.bounds(entry, self.model.now_ns))
        self.history: deque[str] = deque(maxlen=60)
        self.done = 0
        self.answers: dict[str, int] = {}
        self._numbers = {row.name: index for index, row in enumerate(self.found.names)}
        self._signals = [(index, vow.points[name]) for index, (_, name) in enumerate(self.found.signals)]
        self._gettable = [entry for entry in vow.points.values() if entry.kind in ("number", "choice")]
        self._levels = self._interesting()
        self._calm = calm_readings(vow, self.chance)
        self.states: dict[str, int] = dict.fromkeys(vow.states, 0)
        """Lines answered in each state."""
        self.boot(0)
        for index, entry in self._signals:
            self._set_reading(index, entry, self._calm[entry.name])

    def _interesting(self) -> dict[str, list[int]]:
        """Values at which something may happen: readings near the numbers in the document's conditions."""
        levels: dict[str, list[int]] = {}
        rules = [*(row.rule for row in self.found.trips), *self.found.leaves]
        programs = [*self.found.programs, *(rule.condition for rule in rules)]
        for _, entry in self._signals:
            scale = entry.number
            near = [scale.low, scale.high, 0]
            for program in programs:
                if entry.name in program.text:
                    for word in program.text.replace("(", " ").replace(")", " ").split():
                        try:
                            near.append(scale.nearest(Fraction(word)))
                        except ValueError:
                            continue
            levels[entry.name] = [
                min(max(level + shift, scale.low), scale.high) for level in near for shift in (-1, 0, 1)
            ]
        return levels

    def step(self) -> None:
        """One thing happens: mostly a line, else time, a reading, the panel, a boot ..."""
        chance = self.chance
        kind = chance.random()
        if self.model.device.guard and self.lines.checked < 0.3 and kind < 0.3:
            self.send(b"put link.guard off ~835B\n")
        elif chance.random() < 0.12:
            self.walk()
        elif kind < 0.70:
            self.send(self.lines.line() + b"\n")
        elif kind < 0.84:
            self.tick(chance.choice(SPELLS_MS))
        elif kind < 0.94:
            self.read()
        elif kind < 0.955:
            self.idle()
        elif kind < 0.98:
            self.panel()
        elif kind < 0.985:
            self.stall()
        elif kind < 0.99 and self.found.records and self.found.pulses:
            self.capture()
        elif kind < 0.991 and self.found.trips:
            self.fire()
        elif kind < 0.993:
            self.boot(chance.randrange(len(CAUSES)))

    def walk(self) -> None:
        """Something that leads on from here: an action that the state allows, or calm readings."""
        device = self.model.device
        allowed = [action for action in self.vow.actions.values() if device.state in action.to]
        # Where it goes on from, rather than back or nowhere.
        onward = [
            action for action in allowed if action.to[device.state] != device.state and not action.always
        ]
        if self.chance.random() < 0.05:
            self.provoke()
            return
        if self.chance.random() < 0.4 or not allowed:
            for index, entry in self._signals:
                self._set_reading(index, entry, self._calm[entry.name])
            return
        action = self.chance.choice(onward or allowed)
        text = (
            action.line(self.chance.randrange(max(1, action.many)))
            if action.takes_ticket is None
            else f"act {action.name} {self.lines.ticket}"
        )
        if device.guard:
            text += f" ~{check_of(text.encode())}"
        self.send(text.encode() + b"\n")

    def provoke(self) -> None:
        """Readings that make a rule of the present state true, for as long as it takes or a little less."""
        device = self.model.device
        armed = [act for act, states in self.model.rules if device.state in states]
        if not armed:
            return
        act = self.chance.choice(armed)
        assert act.when is not None
        for _ in range(20):
            for index, entry in self._signals:
                if entry.name in act.when.names:
                    self._set_reading(index, entry, self.chance.choice(self._levels[entry.name]))
            if act.when.truth(Values(device, self.model.now_ns)):
                break
        self.tick(1)
        self.tick(max(1, act.after_ns // MS - self.chance.choice((0, 0, 1))))
        self.tick(1)

    def boot(self, cause: int) -> None:
        self.history.append(f"boot {CAUSES[cause]}")
        self.model.device.output.clear()
        self.core.drain()
        self.model.device.boot(CAUSES[cause], self.model.now_ns)
        self.core.boot(cause)
        self.agree(self.core.drain())

    def send(self, data: bytes) -> None:
        self.history.append(f"send {data!r}")
        self.done += 1
        self.states[self.model.device.state] += 1
        got = self.core.exchange(data)
        for piece in data.splitlines(keepends=True) if b"\n" in data else (data,):
            self.model.device.receive(piece, self.model.now_ns)
        self.agree(got)
        if got.endswith(b"\n"):
            words = got.decode("ascii").split()
            at = 1 if words[0].startswith("@") else 0
            if words[at] == "ok" and len(words) > at + 1 and len(words[at + 1]) == 4:
                self.lines.ticket = words[at + 1]
            answer = words[at] if words[at] == "ok" else " ".join(words[at : at + 2])
            self.answers[answer] = self.answers.get(answer, 0) + 1

    def tick(self, elapsed_ms: int) -> None:
        while elapsed_ms > 0:
            piece_ms = min(elapsed_ms, MOST_TICK_MS)
            elapsed_ms -= piece_ms
            self.history.append(f"tick {piece_ms} ms")
            self.model.tick(piece_ms)
            self.core.tick(piece_ms)
            self.agree(self.core.drain())

    def read(self) -> None:
        """Some reading changes."""
        if not self._signals:
            return
        index, entry = self.chance.choice(self._signals)
        scale = entry.number
        if self.chance.random() < 0.1:
            value = self.chance.randint(scale.low, scale.high)
        elif self.chance.random() < 0.3:
            value = self.chance.choice(self._levels[entry.name])
        else:
            value = self._calm[entry.name]
        self._set_reading(index, entry, value)

    def _set_reading(self, index: int, entry: PointEntry, value: int) -> None:
        self.history.append(f"reading {entry.name} {value}")
        self.model.readings[entry.name] = value
        self.core.readings[index] = value

    def idle(self) -> None:
        """A line comes in two pieces with time between."""
        line = self.lines.line() + b"\n"
        at = self.chance.randrange(len(line))
        self.send(line[:at])
        self.tick(self.chance.choice((1, 1999, 2000, 2001, 5000, 5001, 29999, 30000, 30001, 90000, 90001)))
        self.send(line[at:])

    def panel(self) -> None:
        if "local" not in self.vow.parts:
            return
        device = self.model.device
        local = [entry for entry in self.vow.points.values() if entry.local]
        if device.controller == "local" and local and self.chance.random() < 0.6:
            entry = self.chance.choice(local)
            low, high = (entry.number.low, entry.number.high) if entry.scale else (0, len(entry.choices) - 1)
            value = self.chance.randint(low, high)
            self.history.append(f"panel {entry.name} {value}")
            device.panel(entry.name, value if entry.scale else entry.choices[value], self.model.now_ns)
            self.core.call("panel_put", self._numbers[entry.name], value)
        else:
            who = "local" if device.controller == "remote" and self.chance.random() < 0.15 else "remote"
            self.history.append(f"panel control {who}")
            device.panel("panel.control", who, self.model.now_ns)
            self.core.call("panel_control", int(who == "local"))
        self.agree(self.core.drain())

    def stall(self) -> None:
        """The transmitter stalls while things happen unasked; then a request waits for it."""
        device = self.model.device
        device.blocked = True
        self.history.append("stalled")
        for _ in range(self.chance.randrange(14)):
            if self.found.trips and self.chance.random() < 0.5:
                name = self.chance.choice(list(self.vow.trips))
                self.history.append(f"fire {name}")
                self.core.fire(list(self.vow.trips).index(name))
                self.model.fire(name)
            else:
                elapsed_ms = self.chance.choice((1, 1000, 6000))
                self.history.append(f"tick {elapsed_ms} ms")
                self.model.tick(elapsed_ms)
                self.core.tick(elapsed_ms)
        line = b"ask link.drops\n"
        assert self.core.feed(line) == len(line)
        device.receive(line, self.model.now_ns)
        device.blocked = False
        self.history.append(f"free, with {line!r} waiting")
        self.agree(self.core.drain())

    def capture(self) -> None:
        index = next((index for index, row in enumerate(self.found.records) if row.series), None)
        if index is None:
            return
        row = self.found.records[index]
        record = self.vow.points[row.name].record
        assert record is not None
        series: dict[str, list[int]] = {}
        for each in self.vow.document.records[record].fields:
            if each.count > 1:
                assert isinstance(each.value, str)
                entry = self.vow.points[each.value]
                samples = [
                    self.chance.randint(entry.number.low, entry.number.high) for _ in range(each.count)
                ]
                series[each.name] = samples
                number = self._numbers[each.value]
                for at, sample in enumerate(samples):
                    self.core.samples[number % 8][at] = sample
        self.history.append(f"captured {record}")
        self.model.device.captured(record, series, self.model.now_ns)
        self.core.call("captured", index)

    def fire(self) -> None:
        name = self.chance.choice(list(self.vow.trips))
        self.history.append(f"fire {name}")
        self.model.fire(name)
        self.core.fire(list(self.vow.trips).index(name))
        self.agree(self.core.drain())

    def agree(self, got: bytes) -> None:
        """Both have sent the same bytes, asked the same of the world, and are in the same state."""
        expected = self.model.device.take()
        if got != expected:
            self._part(f"the core sent {got!r}, the device half {expected!r}")
        events, log = self.core.events(), bytes(self.model.log)
        self.model.log.clear()
        if events != log:
            self._part(f"the core did {events!r}, the device half {log!r}")
        state = list(self.vow.states)[self.core.state()]
        if state != self.model.device.state:
            self._part(f"the core is in {state}, the device half in {self.model.device.state}")

    def compare_values(self) -> None:
        """Every point has the same value on both sides."""
        for entry in self._gettable:
            value = self.model.device.value(entry, self.model.now_ns)
            expected = entry.choices.index(value) if isinstance(value, str) else value
            got = self.core.get(self._numbers[entry.name])
            if got != expected:
                self._part(f"{entry.name} is {got} in the core, {expected} in the device half")

    def _part(self, what: str) -> None:
        raise Difference("\n".join((*self.history, what)))


def compare(vow: Vow, library: Path, lines: int, seed: int) -> Pair:
    """Run until so many lines have been sent. Raises Difference with what led to it."""
    pair = Pair(vow, library, seed)
    steps = 0
    while pair.done < lines:
        pair.step()
        steps += 1
        if steps % 64 == 0:
            pair.compare_values()
    return pair


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("documents", type=Path, nargs="+")
    parser.add_argument("--library", type=Path, help="The core of the (one) document, built already.")
    parser.add_argument("--lines", type=int, default=20_000, help="So many for each document.")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        for document in given.documents:
            vow = compile_vow(load_document(document).document)
            library = given.library or build_library(vow, Path(name) / document.stem, ["-O2"])
            begun = time.perf_counter()
            try:
                pair = compare(vow, library, given.lines, given.seed)
            except Difference as difference:
                print(difference)
                return 1
            print(f"{document.name}: {pair.done} lines, no difference; {time.perf_counter() - begun:.0f} s")
            print("  in states:", ", ".join(f"{name} {count}" for name, count in pair.states.items()))
            answers = sorted(pair.answers.items(), key=lambda item: -item[1])
            print("  answers:", ", ".join(f"{answer} {count}" for answer, count in answers), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
