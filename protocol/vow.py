"""A document made ready to run: tables with every name, limit and transition looked up once.

The device half, the oracle, the checker and the generators all work from a `Vow`; none of them reads the
document's model in a hot path. Nothing here knows what kind of instrument the document describes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

from wirevow.protocol.document.canonical import wire_digest
from wirevow.protocol.document.model import (
    SYSTEM_CHOICES,
    Action,
    BenchEvent,
    Document,
    FromPoint,
    Point,
    Pulse,
    Put,
    Quantity,
    Record,
    System,
    Trip,
)
from wirevow.protocol.expression import Expression
from wirevow.protocol.quantity import Scale, digits_of
from wirevow.protocol.record import parts_of
from wirevow.protocol.units import si_per_unit

Value = int | str
"""A point's value: step counts of a number, or the word of a choice."""

Kind = Literal["number", "choice", "words", "record"]
Source = Literal["setting", "signal", "extreme", "derived", "system", "record", "text"]


@dataclass(frozen=True, slots=True)
class PointEntry:
    """One point, with everything its requests need at hand."""

    name: str
    kind: Kind
    source: Source
    settable: bool
    scale: Scale | None
    """Step arithmetic of a number."""
    choices: tuple[str, ...]
    default: Value
    low: Expression | None
    high: Expression | None
    set_in: frozenset[str] | None
    """States in which it can be put; None is all."""
    saved: bool
    local: bool
    system: System | None
    signal: str | None
    drives: str | None
    drives_as: tuple[tuple[str, str], ...]
    """Its words and the plant's for them, where they differ."""
    period_ns: int
    derived: Expression | None
    extreme_of: str | None
    """The reading whose highest or lowest value it is."""
    highest: bool
    record: str | None
    text: tuple[str, ...]
    """Words that never change; each `#` in them is a digit of the one instrument."""
    si: float
    """SI units in one step; 1 for choices."""
    reading_error: Fraction
    """Accuracy, share of the reading."""
    range_error: Fraction
    """Accuracy, in units of the quantity: the range part."""

    @property
    def number(self) -> Scale:
        """The scale of a number point."""
        assert self.scale is not None, f"{self.name} is no number"
        return self.scale

    def words(self, value: Value) -> tuple[str, ...]:
        """The words of a value in a reply."""
        return self.scale.words(value) if isinstance(value, int) and self.scale is not None else (str(value),)

    def exact(self, value: Value) -> Fraction | str:
        """The value in engineering units, for expressions."""
        return value * self.number.step if isinstance(value, int) else value

    def word_for(self, plant_word: str) -> str:
        """Its own word for one of the plant's; that word itself if it has none."""
        return next((each for each in self.choices if self.plant_word(each) == plant_word), plant_word)

    def plant_word(self, word: str) -> str:
        """The plant's word for one of its own."""
        return dict(self.drives_as).get(word, word)

    def says(self, words: tuple[str, ...]) -> bool:
        """Whether these words are its text, with a digit for each `#`."""
        pairs = zip(" ".join(self.text), " ".join(words), strict=False)
        fit = (given in "0123456789" if due == "#" else given == due for due, given in pairs)
        return list(map(len, self.text)) == list(map(len, words)) and all(fit)

    def accuracy(self, value: Fraction) -> Fraction:
        """How far a reading that should be `value` may be off, its last step included; in its unit."""
        return self.range_error + abs(value) * self.reading_error + self.number.step


@dataclass(frozen=True, slots=True)
class LeaveEntry:
    """An unasked transition out of a state."""

    index: int
    when: Expression | None
    after_ns: int
    to: str


@dataclass(frozen=True, slots=True)
class StateEntry:
    """A state: outputs are constants, or follow a setting."""

    name: str
    energised: bool
    outputs: Mapping[str, float | str]
    followers: Mapping[str, tuple[str, ...]]
    """By setting: the outputs that follow it."""
    leaves: tuple[LeaveEntry, ...]


@dataclass(frozen=True, slots=True)
class TripEntry:
    """A protection."""

    name: str
    when: Expression
    armed_in: frozenset[str]
    after_ns: int
    cleared_when: Expression | None
    latched: bool
    to: str
    reports: str


@dataclass(frozen=True, slots=True)
class ActionEntry:
    """An action and the states it leads to."""

    name: str
    to: Mapping[str, str]
    """State afterwards, by state before; a state not listed refuses the action."""
    guard: Expression | None
    does: tuple[tuple[str, str], ...]
    """Effects in order: (kind, what)."""
    gives_ticket_ns: int | None
    takes_ticket: str | None
    once: bool
    always: bool
    many: int = 0
    """It takes a number below this; 0: it takes none."""

    def at(self, number: int) -> ActionEntry:
        """What it is with this number: `#` in what it does is replaced."""
        if not self.many:
            return self
        does = tuple((kind, what.replace("#", str(number))) for kind, what in self.does)
        return replace(self, does=does)

    def line(self, number: int = 0) -> str:
        """A request for it, without the ticket that it may take."""
        return f"act {self.name} {number}" if self.many else f"act {self.name}"


def _put_by(action: ActionEntry, kind: str) -> tuple[tuple[str, str], ...]:
    rows = [action.at(number) for number in range(max(1, action.many))]
    pairs = (what.partition(" ") for row in rows for effect, what in row.does if effect == kind)
    return tuple(dict.fromkeys((name, value) for name, _, value in pairs))


def puts_of(action: ActionEntry) -> tuple[tuple[str, str], ...]:
    """The settings that an action puts, each with its value: a word, or counts in digits."""
    return _put_by(action, "put")


def copies_of(action: ActionEntry) -> tuple[tuple[str, str], ...]:
    """The settings that an action puts at what others are, each with the other's name."""
    return _put_by(action, "copy")


@dataclass(frozen=True, slots=True)
class Vow:
    """A whole document, compiled."""

    document: Document = field(repr=False)
    identity: tuple[str, str, str]
    """Name, version, first eight digits of the wire digest."""
    points: Mapping[str, PointEntry]
    actions: Mapping[str, ActionEntry]
    states: Mapping[str, StateEntry]
    trips: Mapping[str, TripEntry]
    initial: str
    settings: tuple[PointEntry, ...]
    """Points that are stored settings (not the system's own)."""
    measured: frozenset[str]
    """Points whose value comes from the plant or from the clock."""
    parts: frozenset[str]
    """Optional parts of the wire."""
    extremes: tuple[PointEntry, ...] = ()
    """Points that keep the highest or lowest value of another."""
    made: dict[tuple[str, str], Callable[..., Any]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Limits, derived points and conditions as functions, once they have been needed (`Formulas`)."""

    def system_point(self, system: str) -> PointEntry | None:
        """The point that shows this of the system (`system`), if the document has it."""
        return next((each for each in self.points.values() if each.system == system), None)

    def system_name(self, system: str) -> str | None:
        """The name of that point."""
        entry = self.system_point(system)
        return None if entry is None else entry.name

    def doing(self, effect: str, what: str = "") -> ActionEntry | None:
        """The first action with this effect, if there is one."""
        return next((each for each in self.actions.values() if (effect, what) in each.does), None)


def compile_vow(document: Document) -> Vow:
    """The tables of a document that vets without errors (else a KeyError tells what is missing)."""
    points = {name: _point(name, point, document) for name, point in document.points.items()}
    initial = next(
        (name for name, state in document.states.items() if state.initial), next(iter(document.states))
    )
    return Vow(
        document=document,
        identity=(document.vow.name, document.vow.version, wire_digest(document)[:8]),
        points=points,
        actions={name: _action(name, action, points) for name, action in document.actions.items()},
        states={name: _state(name, document) for name in document.states},
        trips={name: _trip(name, trip, document) for name, trip in document.trips.items()},
        initial=initial,
        settings=tuple(entry for entry in points.values() if entry.settable and entry.source == "setting"),
        measured=frozenset(
            name
            for name, entry in points.items()
            if entry.source in ("signal", "extreme") or entry.system in ("silence", "uptime")
        ),
        parts=frozenset(document.wire.parts),
        extremes=tuple(entry for entry in points.values() if entry.source == "extreme"),
    )


def scale_of(quantity: Quantity) -> Scale:
    """The step arithmetic of a quantity."""
    digits = digits_of(quantity.step)
    grain = int(quantity.step.scaleb(digits))
    low, high = (int((limit / quantity.step).to_integral_value()) for limit in (quantity.low, quantity.high))
    return Scale(quantity.unit, digits, grain, low, high)


def value_of(entry: PointEntry, given: Decimal | int | str) -> Value:
    """A value written in the document, as the point holds it."""
    if entry.scale is None:
        return str(given)
    return entry.scale.nearest(Fraction(str(given)))


def bench_events(document: Document) -> dict[str, BenchEvent]:
    """Bench events of the document and those that the wire's parts bring: the panel and the transmitter."""
    events = dict(document.bench)
    if "local" in document.wire.parts:
        events["panel.control"] = BenchEvent(
            means="Who takes the controls.", choice=["remote", "local"], base="remote"
        )
        for name, point in document.points.items():
            if point.local:
                events[f"panel.{name}"] = BenchEvent(
                    means=f"{name} is changed at the front panel.", value=point.quantity, choice=point.choice
                )
    events["link.transmitter"] = BenchEvent(
        means="Whether the transmitter can send.", choice=["free", "stalled"], base="free"
    )
    return events


def _point(name: str, point: Point, document: Document) -> PointEntry:
    quantity = document.quantities[point.quantity] if point.quantity is not None else None
    scale = scale_of(quantity) if quantity is not None else None
    choices = tuple(point.choice or ())
    kind: Kind = "number" if scale is not None else "choice"
    if point.record is not None:
        kind = "record"
    elif point.text is not None or point.system in ("identity", "last_trip"):
        kind = "words"
    elif point.system == "state":
        choices = tuple(document.states)
    elif point.system in SYSTEM_CHOICES:
        choices = SYSTEM_CHOICES[point.system]
    source: Source = "setting"
    for candidate in ("signal", "derived", "system", "record", "text"):
        if getattr(point, candidate) is not None:
            source = candidate
    if point.highest is not None or point.lowest is not None:
        source = "extreme"
    accuracy = quantity.accuracy if quantity is not None else None
    default: Value = 0 if scale is not None else (choices[0] if choices else "")
    if point.default is not None:
        default = scale.nearest(Fraction(str(point.default))) if scale is not None else str(point.default)
    elif point.system == "notices":
        default = "on"
    return PointEntry(
        name=name,
        kind=kind,
        source=source,
        settable=point.access == "set",
        scale=scale,
        choices=choices,
        default=default,
        low=point.low,
        high=point.high,
        set_in=None if point.set_in is None else frozenset(point.set_in),
        saved=point.saved,
        local=point.local,
        system=point.system,
        signal=point.signal,
        drives=point.drives,
        drives_as=tuple(point.drives_as.items()),
        period_ns=point.every or 0,
        derived=point.derived,
        extreme_of=point.highest or point.lowest,
        highest=point.highest is not None,
        record=point.record,
        text=tuple((point.text or "").split()),
        si=float(scale.step) * si_per_unit(scale.unit) if scale is not None else 1.0,
        reading_error=Fraction(accuracy.reading_percent) / 100 if accuracy is not None else Fraction(0),
        range_error=(
            Fraction(accuracy.range_percent) / 100 * Fraction(quantity.high - quantity.low)
            if accuracy is not None and quantity is not None
            else Fraction(0)
        ),
    )


def _state(name: str, document: Document) -> StateEntry:
    state = document.states[name]
    outputs: dict[str, float | str] = {}
    followers: dict[str, tuple[str, ...]] = {}
    for control, value in state.outputs.items():
        if isinstance(value, Decimal):
            outputs[control] = float(value)
        elif isinstance(value, str):
            outputs[control] = value
        else:
            followers[value.point] = (*followers.get(value.point, ()), control)
    leaves = tuple(
        LeaveEntry(index, leave.when, leave.after, leave.to) for index, leave in enumerate(state.leaves)
    )
    return StateEntry(name, state.energised, outputs, followers, leaves)


def _trip(name: str, trip: Trip, document: Document) -> TripEntry:
    armed = frozenset(trip.armed_in if trip.armed_in is not None else document.states)
    # A trip does not fire in the state it leads to: it has done its work there.
    return TripEntry(
        name, trip.when, armed - {trip.to}, trip.after, trip.cleared_when, trip.latched, trip.to, trip.reports
    )


def _action(name: str, action: Action, points: Mapping[str, PointEntry]) -> ActionEntry:
    does: list[tuple[str, str]] = []
    for effect in action.does:
        if isinstance(effect, str):
            does.append((effect, ""))
        elif isinstance(effect, Pulse):
            if effect.pulse is not None:
                does.append(("pulse", effect.pulse))
            does += [("begin", each) for each in effect.zeroes if points[each].source == "extreme"]
        elif isinstance(effect, Put):
            does += [_put(each, given, points) for each, given in effect.put.items()]
        else:
            does.append(("capture", effect.capture))
    return ActionEntry(
        name=name,
        to={
            state: state if action.to is None or state in action.keeps else action.to
            for state in action.allowed
        },
        guard=action.guard,
        does=tuple(does),
        gives_ticket_ns=action.gives_ticket,
        takes_ticket=action.takes_ticket,
        once=action.repeat == "once",
        always=action.always,
        many=action.many or 0,
    )


def _put(name: str, given: Decimal | str | FromPoint, points: Mapping[str, PointEntry]) -> tuple[str, str]:
    if isinstance(given, FromPoint):
        return "copy", f"{name} {given.point}"
    return "put", f"{name} {value_of(points[name.replace('#', '0')], given)}"


def record_of(vow: Vow, entry: PointEntry) -> Record:
    """The record whose parts the point answers."""
    assert entry.record is not None, f"{entry.name} is no record"
    return vow.document.records[entry.record]


def part_count(vow: Vow, entry: PointEntry) -> int:
    """How many parts a record point answers."""
    return parts_of(record_of(vow, entry), part_bytes(vow, entry))


def part_bytes(vow: Vow, entry: PointEntry) -> int:
    """Bytes of one part of a record point."""
    return vow.document.points[entry.name].part_bytes or 16
