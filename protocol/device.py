"""The device half of the wire: what an instrument does with the bytes it gets. No I/O, no clock of its own.

One class holds everything the document promises except physics: settings and limits, states and actions,
trips once they fire, tickets, notices, the guard, exactly-once, local control, boots and the store. Physics
is behind `World`. The simulated instrument gives it a plant; the oracle gives it the readings it has seen.

The order of refusals is the order in which `_ask`, `_put` and `_act` test, top to bottom (`spec/wire.md`,
"Refusals"). Each rule is one small method, so that a fault can break exactly one of them.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Protocol

from wirevow.protocol.expression import Expression
from wirevow.protocol.formulas import Formulas
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import LAST_NOTICE, Malformed, Notice, Reply, Request, parse_request
from wirevow.protocol.quantity import Scale, parse_integer
from wirevow.protocol.record import build, parts_of, record_bytes
from wirevow.protocol.store import read_image, saves_mark, taken
from wirevow.protocol.vow import (
    ActionEntry,
    LeaveEntry,
    PointEntry,
    TripEntry,
    Value,
    Vow,
    part_bytes,
    record_of,
)

Answer = tuple[bool, tuple[str, ...]]
"""Whether it is ok, and the words after `ok` or `refuse`."""

NS_PER_S = 1_000_000_000
_TICKET_DIGITS = frozenset("0123456789abcdef")
MISSES = 3
"""So many attempts with a wrong ticket make the right one void (`wire.ticket`)."""


class World(Protocol):
    """What is behind the device: physics, or what an observer knows of it."""

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        """The last sample of a signal point, in counts."""
        ...

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        """The device drives these plant controls from now on."""
        ...

    def capture(self, record: str, now_ns: int) -> None:
        """Start taking the series of a record; `Device.captured` is called when they are complete."""
        ...

    def booted(self) -> None:
        """It boots: what was begun is not completed."""
        ...

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        """These settings (None: the state) changed: look again at conditions that depend on them.

        No names: only the time changed at which the state is left (`Device.next_timeout_ns`).
        """
        ...


@dataclass
class Store:
    """What survives a loss of power: saved settings and two counts."""

    settings: dict[str, Value] = field(default_factory=dict)
    saves: int = 0
    boots: int = 0


class Values(Mapping[str, Fraction | str]):
    """The points' present values in engineering units, for expressions."""

    __slots__ = ("_device", "_now_ns")

    def __init__(self, device: Device, now_ns: int) -> None:
        self._device = device
        self._now_ns = now_ns

    def __getitem__(self, name: str) -> Fraction | str:
        entry = self._device.vow.points[name]
        return entry.exact(self._device.value(entry, self._now_ns))

    def __iter__(self) -> Iterator[str]:
        return iter(self._device.vow.points)

    def __len__(self) -> int:
        return len(self._device.vow.points)


class Counts(Mapping[str, Value]):
    """The points' present values in counts, for formulas."""

    __slots__ = ("_device", "_now_ns")

    def __init__(self, device: Device, now_ns: int) -> None:
        self._device = device
        self._now_ns = now_ns

    def __getitem__(self, name: str) -> Value:
        device = self._device
        return device.value(device.vow.points[name], self._now_ns)

    def __iter__(self) -> Iterator[str]:
        return iter(self._device.vow.points)

    def __len__(self) -> int:
        return len(self._device.vow.points)


class Device:
    """An instrument's protocol and state, fed with bytes and time (integer nanoseconds, never backwards).

    `seed` decides the tickets. Call `boot` before the first byte.
    """

    __slots__ = (
        "__dict__",
        "_deaf_until_ns",
        "_formulas",
        "_framer",
        "_notices_on_wire",
        "_number",
        "_reboot",
        "_records",
        "_remembered",
        "_said",
        "_ticket",
        "_tickets",
        "_wire",
        "accepted_ns",
        "blocked",
        "boot_cause",
        "booted_ns",
        "captures",
        "chance",
        "controller",
        "drops",
        "entered_ns",
        "extremes",
        "guard",
        "last_trip",
        "latched",
        "misses",
        "notices",
        "output",
        "seed",
        "settings",
        "state",
        "store",
        "vow",
        "waiting",
        "world",
    )
    """A thousand of them fit a processor's caches better so; `__dict__` for whoever has one watched."""

    framer: type[Framer] = Framer
    """What cuts the bytes into lines."""

    def __init__(self, vow: Vow, world: World, store: Store, seed: int = 0) -> None:
        self.vow = vow
        self.world = world
        self.store = store
        self.seed = seed
        self.chance: Callable[[], int | None] | None = None
        """Gives 16 bits that nobody can foresee; None from it, or instead of it: the seed decides."""
        wire = vow.document.wire
        self._wire = wire
        self._framer = self.framer(wire.line_limit, wire.idle_typing)
        self.output = bytearray()
        self.blocked = False
        """The transmitter cannot send: notices wait in their queue, and `take` gives nothing."""
        self.waiting: deque[bytes] = deque()
        self._notices_on_wire = "notices" in vow.parts
        self.state = vow.initial
        self.settings: dict[str, Value] = {}
        self.guard = False
        self.notices = True
        self.controller = "remote"
        self.boot_cause = "power"
        self.booted_ns = 0
        self.accepted_ns = 0
        self.entered_ns = 0
        self.drops = 0
        self.captures = 0
        self.last_trip: tuple[str, ...] = ("none",)
        self.extremes: dict[str, int] = {}
        """The highest and lowest values so far; none is there before the first look."""
        self.latched: str | None = None
        self._number = 0
        self._tickets = 0
        self._ticket: tuple[str, str, int] | None = None
        self.misses = 0
        """Attempts with a wrong ticket since the last was given."""
        self._remembered: tuple[bytes, bytes] | None = None
        self._records: dict[str, bytes] = {}
        self._said: dict[str, tuple[Value, tuple[str, ...]]] = {}
        self._formulas = Formulas(vow)
        self._deaf_until_ns = 0
        self._reboot = False

    # -------------------------------------------------------------------------------------- power and time

    def boot(self, cause: str, now_ns: int) -> None:
        """Start afresh: settings from the store, initial state, everything of the session forgotten."""
        self.store.boots = min(self.store.boots + 1, 65535)
        self.boot_cause = cause
        self.booted_ns = self.accepted_ns = now_ns
        self._deaf_until_ns = now_ns + self._wire.opening.settle
        self._framer.reset()
        self._set_guard(False)
        self.notices = True
        self.controller = "remote"
        self.drops = self.captures = self._number = 0
        self.last_trip = ("none",)
        self.latched = None
        self._ticket = self._remembered = None
        self.extremes.clear()
        self._records.clear()
        self.waiting.clear()
        self._reboot = False
        self.world.booted()
        self.settings = {entry.name: entry.default for entry in self.vow.settings}
        self.settings |= self.store.settings
        names = [entry.name for entry in self.vow.settings]
        self._drive(names, now_ns)
        # A condition that the old settings made true does not outlive them.
        self.world.changed([*names, "panel.control"], now_ns)
        self.enter(self.vow.initial, now_ns)
        self.notify("boot", (cause,))

    def keep(self, image: bytes) -> None:
        """Its store holds this image, left by firmware of this document or of another (`wire.store`).

        To be seen from the next boot on.
        """
        kept = read_image(image)
        self.store.settings = {} if kept is None else dict(taken(self.vow, kept))
        self.store.saves = 0 if kept is None else kept.get(saves_mark(self.vow), 0)

    def next_timeout_ns(self) -> int | None:
        """When the present state is left because of time alone; None if it is not."""
        least: int | None = None
        for leave in self.vow.states[self.state].leaves:
            if leave.when is None and (least is None or leave.after_ns < least):
                least = leave.after_ns
        return None if least is None else self.entered_ns + least

    def expire(self, now_ns: int) -> None:
        """Leave the state if its time is over; at most once, the caller asks again for the next state."""
        for leave in self.vow.states[self.state].leaves:
            if leave.when is None and now_ns >= self.entered_ns + leave.after_ns:
                self.leave(leave, self.entered_ns + leave.after_ns)
                return

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        """Take an unasked transition, and say so."""
        self.enter(leave.to, now_ns)
        self.notify("state", (leave.to,))

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        """A protection acts: its state is forced, tickets are void, and the host is told.

        `value` is that of the point it reports, at that instant.
        """
        words = (trip.name, *self.vow.points[trip.reports].words(value))
        self.last_trip = words
        self._ticket = None
        if trip.latched:
            self.latched = trip.name
        self.enter(trip.to, now_ns)
        self.notify("trip", words)

    def enter(self, state: str, now_ns: int) -> None:
        """Be in `state`: its outputs are driven; being there already changes nothing but the timer."""
        self.state = state
        self.entered_ns = now_ns
        entry = self.vow.states[state]
        changes: dict[str, float | str] = dict(entry.outputs)
        for point, controls in entry.followers.items():
            changes |= dict.fromkeys(controls, self._driven(self.vow.points[point]))
        if changes:
            self.world.control(changes, now_ns)
        self.world.changed(None, now_ns)

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        """The series of a record are complete: it can be asked for from now on."""
        self.captures = min(self.captures + 1, 65535)
        self._records[record] = self._image(record, series, now_ns)

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        """The front panel changes a setting, or who has control (`panel.control`). ValueError if not."""
        if name == "panel.control":
            if value != self.controller:
                self.controller = str(value)
                self.notify("control", (self.controller,))
                self.world.changed((name,), now_ns)
            return
        if self.controller != "local":
            raise ValueError(
                f"{name} cannot be changed at the panel while it has no control: send panel.control local"
            )
        entry = self.vow.points[name]
        if isinstance(value, int):
            low, high = self.bounds(entry, now_ns)
            value = min(max(value, low), high)
        self._set(entry, value, now_ns)
        self.notify("local", (name, *entry.words(value)))

    # ----------------------------------------------------------------------------------------------- bytes

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host, all at `now_ns`. Replies are in `output` (or wait, when blocked)."""
        begun = 0
        while begun < len(data) and now_ns >= self._deaf_until_ns:
            # Line by line: one may be a request to boot, and what comes after it is for the time after.
            end = data.find(b"\n", begun) + 1 or len(data)
            for line in self._framer.feed(data[begun:end], now_ns):
                self.line(line, now_ns)
            begun = end

    def take(self) -> bytes:
        """Bytes for the host, drained; empty while blocked."""
        if self.blocked:
            return b""
        if self.waiting:
            self._flush()
        output = self.output
        if not output:
            return b""
        data = bytes(output)
        output.clear()
        return data

    def look(self, now_ns: int) -> None:
        """See whether a reading is higher or lower than it has been. Also done with every line."""
        for entry in self.vow.extremes:
            self._keep(entry, self.world.reading(self.vow.points[str(entry.extreme_of)], now_ns))

    def _keep(self, entry: PointEntry, counts: int) -> None:
        known = self.extremes.setdefault(entry.name, counts)
        if counts > known if entry.highest else counts < known:
            self.extremes[entry.name] = counts

    def _begin(self, entry: PointEntry, now_ns: int) -> None:
        """What it has been so far is forgotten."""
        self.extremes.pop(entry.name, None)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        """One line of any kind: judge it, do it, answer it (`wire.order`)."""
        if self.vow.extremes:
            self.look(now_ns)
        if isinstance(line, Overlong):
            self._answer(self._refuse_overlong(line))
            return
        request = self._parse(line)
        if isinstance(request, Malformed):
            # A wrong check is a check all the same: the reply carries one (`wire.echo_check`).
            checked = self.guard or request.reason == "check"
            self._answer(Reply(request.tag, False, (request.reason,), checked))
            return
        tag, verb, name, _, checked = request
        remembered = self._remembered
        if remembered is not None and tag is not None and self._same(remembered[0], line):
            self._repeat(remembered[1])
            return
        ok, words = self._do(request, now_ns)
        if ok:
            self.accepted_ns = now_ns
            if checked and not (name == "link.guard" and verb == "put"):
                self._set_guard(True)
        if ok or words[0] != "check":
            answer = self._answer(Reply(tag, ok, words, checked or self.guard or self._bulk(request, ok)))
            self._remembered = None if tag is None else (line, answer)
        else:
            # `refuse check` carries no tag and is not remembered; every other answer does and is.
            self._answer(Reply(None, ok, words, checked or self.guard))
        if self._reboot:
            self.reboot(now_ns)

    def _parse(self, line: bytes) -> Request | Malformed:
        return parse_request(line)

    def _do(self, request: Request, now_ns: int) -> Answer:
        verb = request.verb
        if verb == "ask":
            return self._ask(request, now_ns)
        if self.guard and not request.checked:
            return False, ("check",)
        if verb == "put":
            return self._put(request, now_ns)
        return self._act(request, now_ns)

    # ------------------------------------------------------------------------------------------------- ask

    def _ask(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None:
            return False, ("access",) if request.name in self.vow.actions else ("unknown",)
        if entry.record is not None:
            return self._part(entry, request.arguments, now_ns)
        if request.arguments:
            return False, ("type", "none")
        return True, self._words(entry, now_ns)

    def _words(self, entry: PointEntry, now_ns: int) -> tuple[str, ...]:
        if entry.kind == "words":
            return self.words(entry)
        return self._worded(entry, self.value(entry, now_ns))

    def words(self, entry: PointEntry) -> tuple[str, ...]:
        """What a point of words answers."""
        if entry.system == "identity":
            return self.vow.identity
        return self._text(entry) if entry.text else self.last_trip

    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        """What never changes; the digits that every instrument has of its own are zeros in this one."""
        return tuple(word.replace("#", "0") for word in entry.text)

    def _worded(self, entry: PointEntry, value: Value) -> tuple[str, ...]:
        # Most values are asked for more often than they change.
        said = self._said.get(entry.name)
        if said is None or said[0] != value:
            said = self._said[entry.name] = value, entry.words(value)
        return said[1]

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        index = parse_integer(arguments[0]) if len(arguments) == 1 else None
        if index is None:
            return False, ("type", "index")
        record, size = record_of(self.vow, entry), part_bytes(self.vow, entry)
        last = parts_of(record, size) - 1
        if not 0 <= index <= last:
            return False, ("range", "0", str(last))
        assert entry.record is not None
        if any(each.count > 1 for each in record.fields):
            image = self._records.get(entry.record) or bytes(record_bytes(record))
        else:
            image = self._image(entry.record, {}, now_ns)
        return True, (str(index), image[index * size : (index + 1) * size].hex().upper())

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        """The point's present value, inside its quantity's range: what is derived is held there, a reading
        comes so from the world, and a setting never leaves it."""
        source = entry.source
        if source == "setting":
            return self.settings[entry.name]
        if source == "signal":
            return self.world.reading(entry, now_ns)
        if source == "extreme":
            self.look(now_ns)
            return self.extremes[entry.name]
        if source == "derived":
            scale = entry.number
            counts = self._formulas.derived(entry)(Counts(self, now_ns))
            return min(max(counts, scale.low), scale.high)
        return self._system(entry, now_ns)

    def _system(self, entry: PointEntry, now_ns: int) -> Value:
        match entry.system:
            case "state":
                return self.state
            case "guard":
                return "on" if self.guard else "off"
            case "notices":
                return "on" if self.notices else "off"
            case "control":
                return self.controller
            case "boot_cause":
                return self.boot_cause
            case "uptime":
                return self._elapsed(entry, now_ns - self.booted_ns)
            case "silence":
                return self._elapsed(entry, now_ns - self.accepted_ns)
            case "boots":
                return self.store.boots
            case "saves":
                return self.store.saves
            case "drops":
                return self.drops
            case "captures":
                return self.captures
        raise ValueError(f"{entry.name} has no single value")

    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        # Whole steps that have passed: a clock does not round up.
        scale = entry.number
        steps: int = ns * 10**scale.digits // (scale.grain * NS_PER_S)
        return min(steps, scale.high)

    def _image(self, name: str, series: Mapping[str, Sequence[int]], now_ns: int) -> bytes:
        record = self.vow.document.records[name]
        values: dict[str, int | Sequence[int]] = {}
        for each in record.fields:
            if each.count > 1:
                values[each.name] = series[each.name]
            elif isinstance(each.value, int):
                values[each.name] = each.value
            else:
                entry = self.vow.points[each.value]
                value = self.value(entry, now_ns)
                values[each.name] = value if isinstance(value, int) else entry.choices.index(value)
        return build(record, values)

    # ------------------------------------------------------------------------------------------------- put

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None:
            return False, ("access",) if request.name in self.vow.actions else ("unknown",)
        if not entry.settable:
            return False, ("access",)
        given = self._read(entry, request)
        if isinstance(given, tuple):
            return False, given
        if not self._settable_now(entry):
            return False, ("state", self.state)
        if isinstance(given, int):
            low, high = self.bounds(entry, now_ns)
            if not self._inside(given, low, high):
                words = entry.words(high)
                return False, ("range", entry.number.text(low), *words)
        if self._busy():
            return False, ("busy", "local")
        self._set(entry, given, now_ns)
        return True, self._worded(entry, self._taken(entry, given))

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        """The value that a put names, or the words of its refusal (`type` before `unit`)."""
        arguments = request.arguments
        if entry.scale is None:
            if len(arguments) != 1 or arguments[0] not in entry.choices:
                return ("type", "choice")
            return arguments[0]
        scale = entry.scale
        most = 1 if scale.unit == "1" else 2
        if not 1 <= len(arguments) <= most:
            return ("type", "number")
        parsed = scale.parse(arguments[0])
        if parsed is None:
            return ("type", "number")
        counts, digits = parsed
        if not request.checked and not self._exact(scale, arguments[0], digits, counts):
            return ("type", "digits", str(scale.digits))
        if not self._unit(scale.unit, arguments[1:], request.checked):
            return ("unit", scale.unit)
        return counts

    def _exact(self, scale: Scale, text: str, digits: int, counts: int) -> bool:
        """Whether an unchecked number is written just as the point would write it (`wire.exact`)."""
        return digits == scale.digits and (scale.grain == 1 or scale.text(counts) == text)

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        if unit == "1":
            return True
        return given == (unit,) or (checked and not given)

    def _settable_now(self, entry: PointEntry) -> bool:
        return entry.set_in is None or self.state in entry.set_in

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        """The limits in force, in counts: the quantity's own and the document's, rounded inwards."""
        scale = entry.number
        low, high = scale.low, scale.high
        if entry.low is not None:
            low = max(low, self._formulas.low(entry)(Counts(self, now_ns)))
        if entry.high is not None:
            high = min(high, self._formulas.high(entry)(Counts(self, now_ns)))
        return low, high

    def _inside(self, given: int, low: int, high: int) -> bool:
        return low <= given <= high

    def _busy(self) -> bool:
        return self.controller == "local"

    def _taken(self, entry: PointEntry, given: Value) -> Value:
        """The value that took effect."""
        return given if entry.source == "system" else self.settings[entry.name]

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        if entry.system == "guard":
            self._set_guard(value == "on")
        elif entry.system == "notices":
            self.notices = value == "on"
        else:
            self.settings[entry.name] = value
            self._drive([entry.name], now_ns)
            self.world.changed((entry.name,), now_ns)

    def _set_guard(self, on: bool) -> None:
        self.guard = on
        self._framer.idle_ns = self._wire.idle_checked if on else self._wire.idle_typing

    def _driven(self, entry: PointEntry) -> float | str:
        value = self.settings[entry.name]
        return value * entry.si if isinstance(value, int) else value

    def _drive(self, names: Sequence[str], now_ns: int) -> None:
        """Let the plant follow these settings, and the outputs of the present state that follow them."""
        points, followers = self.vow.points, self.vow.states[self.state].followers
        changes: dict[str, float | str] = {}
        for name in names:
            entry = points[name]
            if entry.drives is not None:
                given = self._driven(entry)
                changes[entry.drives] = entry.plant_word(given) if isinstance(given, str) else given
            for control in followers.get(name, ()):
                changes[control] = self._driven(entry)
        if changes:
            self.world.control(changes, now_ns)

    # ------------------------------------------------------------------------------------------------- act

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if action is None:
            return False, ("access",) if request.name in self.vow.points else ("unknown",)
        refusal = self._wrong_arguments(action, request.arguments)
        if refusal is not None:
            return False, refusal
        target = self._target(action)
        if target is None:
            return False, ("state", self.state)
        if action.guard is not None and not self._holds(action.guard, now_ns):
            return False, ("state", "guard")
        if action.takes_ticket is not None and not self._good(
            action.takes_ticket, request.arguments[0], now_ns
        ):
            self._miss()
            return False, ("state", "ticket")
        number = self._number_of(request) if action.many else 0
        if action.many and not 0 <= number < action.many:
            return False, ("range", "0", str(action.many - 1))
        if self._busy() and not action.always:
            return False, ("busy", "local")
        if ("clear_trip", "") in action.does and self.latched is not None:
            trip = self.vow.trips[self.latched]
            if not self._gone(trip, now_ns):
                return False, ("fault", trip.name)
        return True, self._perform(action.at(number), target, now_ns)

    def _number_of(self, request: Request) -> int:
        """The number that an action is given."""
        return parse_integer(request.arguments[0]) or 0

    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        if action.many:
            number = parse_integer(arguments[0]) if len(arguments) == 1 else None
            return ("type", "index") if number is None else None
        if action.takes_ticket is None:
            return ("type", "none") if arguments else None
        if len(arguments) != 1 or len(arguments[0]) != 4 or not _TICKET_DIGITS.issuperset(arguments[0]):
            return ("type", "ticket")
        return None

    def _target(self, action: ActionEntry) -> str | None:
        """The state an action leads to from here; None where it is refused."""
        return action.to.get(self.state)

    def _holds(self, guard: Expression, now_ns: int) -> bool:
        return self._formulas.truth(guard)(Counts(self, now_ns))

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        counts, truth = Counts(self, now_ns), self._formulas.truth
        return (
            truth(trip.cleared_when)(counts)
            if trip.cleared_when is not None
            else not truth(trip.when)(counts)
        )

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        """Whether `given` is the ticket that `giver` gave out, in time."""
        return self._ticket is not None and self._ticket[:2] == (giver, given) and now_ns <= self._ticket[2]

    def _miss(self) -> None:
        """Whoever guesses gets few guesses."""
        self.misses += 1
        if self.misses >= MISSES:
            self._ticket = None

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if action.takes_ticket is not None:
            self._ticket = None
        for effect, what in action.does:
            self._effect(effect, what, now_ns)
        if target != self.state or action.gives_ticket_ns is not None:
            self.enter(target, now_ns)
        if action.gives_ticket_ns is None:
            return ()
        return (self._give(action, now_ns),)

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        assert action.gives_ticket_ns is not None
        self._tickets += 1
        self.misses = 0
        ticket = self._drawn()
        self._ticket = (action.name, ticket, now_ns + action.gives_ticket_ns)
        return ticket

    def _drawn(self) -> str:
        """The number of the next ticket."""
        number = None if self.chance is None else self.chance()
        if number is None:
            # A hash of seed, boot and number: hard to hit by accident, the same in every run of one seed.
            number = crc_hqx(b"%d %d %d" % (self.seed, self.store.boots, self._tickets), 0xFFFF)
        return f"{number:04x}"

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        match effect:
            case "save":
                self._save()
            case "recall":
                self._replace({**self._defaults(saved_only=True), **self.store.settings}, now_ns)
            case "defaults":
                self._replace(self._defaults(saved_only=False), now_ns)
            case "clear_trip":
                self.latched = None
            case "pulse":
                self.world.control({what: 1.0}, now_ns)
            case "put":
                name, _, value = what.partition(" ")
                counted = self.vow.points[name].scale is not None
                self._replace({name: int(value) if counted else value}, now_ns)
            case "copy":
                name, _, other = what.partition(" ")
                self._replace({name: self.settings[other]}, now_ns)
            case "begin":
                self._begin(self.vow.points[what], now_ns)
            case "capture":
                self.world.capture(what, now_ns)
            case "reboot":
                self._reboot = True  # after the reply, which is the last thing said before

    def reboot(self, now_ns: int) -> None:
        """Boot because a host asked."""
        self.boot("request", now_ns)

    def _defaults(self, saved_only: bool) -> dict[str, Value]:
        return {entry.name: entry.default for entry in self.vow.settings if entry.saved or not saved_only}

    def _save(self) -> None:
        self.store.settings = {
            entry.name: self.settings[entry.name] for entry in self.vow.settings if entry.saved
        }
        self.store.saves = min(self.store.saves + 1, 65535)

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        self.settings |= settings
        self._drive(list(settings), now_ns)
        self.world.changed(list(settings), now_ns)

    # ---------------------------------------------------------------------------------------- what is sent

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        """Give the event the next number and, if notices are on, a place on the wire or in the queue."""
        self._number = self._number % LAST_NOTICE + 1
        if not self.notices or not self._notices_on_wire:
            return
        line = Notice(self._number, event, words, self.guard).line() + b"\n"
        if not self.blocked:
            self._flush()
            self.output += line
            return
        if len(self.waiting) >= self._wire.notice_queue:
            self.waiting.popleft()
            self.drops = min(self.drops + 1, 65535)
        self.waiting.append(line)

    def number_on(self, count: int) -> None:
        """Number so many notices of which none is sent."""
        if count:
            self._number = (self._number + count - 1) % LAST_NOTICE + 1

    def _flush(self) -> None:
        while self.waiting:
            self.output += self.waiting.popleft()

    def _answer(self, reply: Reply) -> bytes:
        if self.waiting:
            self._flush()
        line = reply.line() + b"\n"
        self.output += line
        return line

    def _bulk(self, request: Request, ok: bool) -> bool:
        return ok and request.verb == "ask" and self.vow.points[request.name].record is not None

    def _repeat(self, answer: bytes) -> None:
        """Give the remembered reply again (`wire.once`)."""
        self._flush()
        self.output += answer

    def _refuse_overlong(self, line: Overlong) -> Reply:
        return Reply(None, False, ("length", str(line.limit)), self.guard)

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return remembered == line
