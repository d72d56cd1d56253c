"""What a document requires, one by one: every element's aspects, with stable ids and a sentence for people.

Ids are the currency of the project: verdicts, reports, margins of the manual and comparisons use them. An id
is made of the section, the element's name and the aspect (`point.sink.level.bounds`, `trip.overheat.latch`,
`limit.current`, `fan.tick`), so it stays while the element and the rule about it stay, whatever else changes.

The tables below are the whole list: each row has the aspect, the rule that decides whether an element has
it, and the sentence. `WIRE` holds the rules that every document of wire version 1 shares; their full text
is in `spec/wire.md`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from wirevow.protocol.document.load import Marks
from wirevow.protocol.document.model import (
    SYSTEM_CHOICES,
    Action,
    Document,
    FromPoint,
    Law,
    Leave,
    Limit,
    Point,
    Pulse,
    Put,
    State,
    Trip,
    duration_text,
)
from wirevow.protocol.expression import Expression
from wirevow.protocol.expression.tree import Call, Number, Quantity, walk, write
from wirevow.protocol.expression.tree import Point as PointNode
from wirevow.protocol.quantity import Scale
from wirevow.protocol.record import parts_of, record_bytes
from wirevow.protocol.vow import scale_of


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing that a device of this document does, or never does.

    `section` is wire, point, state, action, trip, limit, derating, fan, law, record or promise; `element` the
    name in it ("" where the section is one element); `aspect` which side of the element ("" where there is
    one only). `line` is where the document says it, when its marks were given.
    """

    id: str
    section: str
    element: str
    aspect: str
    sentence: str
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Aspect:
    """A row of the tables: `applies` is the rule, `key` the member whose line is quoted."""

    name: str
    applies: Callable[[Document, Any], bool]
    sentence: Callable[[Document, str, Any], str]
    key: str = ""


def requirements(document: Document, marks: Marks | None = None) -> tuple[Requirement, ...]:
    """Every requirement of a document that vets without errors, in the order of its text."""
    return tuple(_all(document, marks))


def requirement_ids(document: Document) -> frozenset[str]:
    """The ids alone."""
    return frozenset(requirement.id for requirement in _all(document, None))


# ------------------------------------------------------------------------------------------------- tables


def _always(document: Document, element: Any) -> bool:
    return True


def _has_part(part: str) -> Callable[[Document, Any], bool]:
    return lambda document, wire: part in document.wire.parts


def _numbers(document: Document, settable: bool = False) -> Iterator[str]:
    """Units of the points that are numbers."""
    for point in document.points.values():
        if point.quantity is not None and (point.access == "set" or not settable):
            yield document.quantities[point.quantity].unit


def _said(text: str) -> Callable[[Document, str, Any], str]:
    return lambda document, name, element: text


WIRE = (
    Aspect(
        "framing",
        _always,
        _said("A line ends with LF, one CR before it is ignored; a blank line is not answered."),
    ),
    Aspect(
        "length",
        _always,
        lambda d, n, w: f"A line of more than {w.line_limit} bytes is dropped and answered `refuse length`.",
        "line_limit",
    ),
    Aspect("syntax", _always, _said("A line that the grammar does not produce is answered `refuse syntax`.")),
    Aspect(
        "idle",
        _always,
        lambda d, n, w: (
            f"A begun line is discarded after {duration_text(w.idle_typing)} without a byte"
            f" ({duration_text(w.idle_checked)} while the guard is on), up to and including its LF."
        ),
        "idle_typing",
    ),
    Aspect("resync", _always, _said("Whatever came before, the line after an LF is read afresh.")),
    Aspect("tag", _always, _said("A reply begins with the tag of its request, byte for byte.")),
    Aspect("order", _always, _said("Requests are answered one by one in the order they came.")),
    Aspect(
        "unit",
        lambda d, w: any(unit != "1" for unit in _numbers(d)),
        _said("A reply carries the unit; a request with another unit is refused, never converted."),
    ),
    Aspect(
        "exact",
        lambda d, w: any(True for _ in _numbers(d, settable=True)),
        _said("An unchecked `put` of a number carries the unit and exactly the digits of the step."),
    ),
    Aspect(
        "round",
        lambda d, w: any(True for _ in _numbers(d, settable=True)),
        _said("A value is rounded to the nearest step, half away from zero, before the range is tested."),
    ),
    Aspect(
        "reasons",
        _always,
        _said("When several reasons to refuse apply, the first in the order of the wire is given."),
    ),
    Aspect("atomic", _always, _said("A refused request changes nothing.")),
    Aspect(
        "check", _always, _said("A line whose check does not match is refused `check`, whatever it says.")
    ),
    Aspect("guard", _always, _said("While the guard is on, an unchecked `put` or `act` is refused `check`.")),
    Aspect(
        "echo_check",
        _always,
        _said("A reply carries a check if its request did, or the guard is on after it."),
    ),
    Aspect(
        "once",
        _always,
        _said("The same tagged line again is answered with the same reply and not done again."),
    ),
    Aspect(
        "ticket",
        lambda d, w: any(action.gives_ticket is not None for action in d.actions.values()),
        _said(
            "A ticket is good once, for its time, and void after a boot, a trip, three misses or a newer one."
        ),
    ),
    Aspect(
        "notice.number",
        _has_part("notices"),
        _said("Notices are numbered from 1 after each boot, by one, and start again at 1 after 65535."),
    ),
    Aspect(
        "notice.whole", _has_part("notices"), _said("A notice is a whole line, never inside another line.")
    ),
    Aspect(
        "notice.queue",
        _has_part("notices"),
        lambda d, n, w: f"At most {w.notice_queue} notices wait; one more drops the oldest and is counted.",
        "notice_queue",
    ),
    Aspect(
        "notice.off",
        _has_part("notices"),
        _said("With notices off nothing unasked is sent, and numbers go on; a boot turns notices back on."),
    ),
    Aspect(
        "boot", _always, _said("A boot shows in the count of boots, in its cause and in the time since then.")
    ),
    Aspect(
        "store",
        lambda d, w: any(point.saved for point in d.points.values()),
        _said(
            "Of what firmware of another version has saved it takes what means the same;"
            " the rest is at its default."
        ),
    ),
    Aspect(
        "identity", _always, _said("`self.vow` answers the document's name, its version and its wire digest.")
    ),
    Aspect(
        "bulk",
        _has_part("bulk"),
        _said("The parts of a record are upper-case hex, always checked, and make up the declared layout."),
    ),
    Aspect(
        "watchdog",
        _has_part("watchdog"),
        _said("Only a request answered `ok` is a sign of the host; blank, refused or partial lines are not."),
    ),
    Aspect(
        "deadline",
        _always,
        lambda d, n, w: (
            f"A reply begins within {duration_text(w.reply_deadline)} of its request or of the reply before."
        ),
        "reply_deadline",
    ),
)
"""Rules of the wire; the ids and the rules' full text are those of `spec/wire.md`."""


def choices_of(document: Document, point: Point) -> tuple[str, ...]:
    """The words a point can hold; none for a number, a record, or words that are not from a list."""
    if point.system == "state":
        return tuple(document.states)
    if point.system is not None:
        return SYSTEM_CHOICES.get(point.system, ())
    return tuple(point.choice or ())


def _setting(document: Document, point: Point) -> bool:
    return point.access == "set" and point.system is None


POINTS = (
    Aspect("readable", _always, lambda d, n, p: _readable(d, n, p)),
    Aspect("unit", lambda d, p: p.quantity is not None, lambda d, n, p: _unit(d, n, p), "quantity"),
    Aspect(
        "access",
        _always,
        lambda d, n, p: (
            f"`act {n}` is refused `access`."
            if p.access == "set"
            else f"`put {n}` and `act {n}` are refused `access`."
        ),
        "access",
    ),
    Aspect(
        "bounds",
        lambda d, p: p.access == "set" and p.quantity is not None,
        lambda d, n, p: _bounds(d, n, p),
        "high",
    ),
    Aspect(
        "choices",
        lambda d, p: bool(choices_of(d, p)),
        lambda d, n, p: (
            f"`put {n}` takes {_listed(choices_of(d, p), 'or')}; any other word is refused `type`."
            if p.access == "set"
            else f"`{n}` is always one of {_listed(choices_of(d, p), 'and')}."
        ),
        "choice",
    ),
    Aspect(
        "default",
        _setting,
        lambda d, n, p: f"After a boot with nothing saved `{n}` is {_default(d, p)}.",
        "default",
    ),
    Aspect(
        "quantum",
        lambda d, p: _setting(d, p) and p.quantity is not None,
        lambda d, n, p: (
            f"`put {n}` answers the nearest step of {_step(d, p)}, and `ask {n}` answers the same afterwards."
        ),
        "quantity",
    ),
    Aspect(
        "set_in",
        lambda d, p: p.set_in is not None,
        lambda d, n, p: f"`put {n}` in any state but {_listed(p.set_in, 'and')} is refused `state`.",
        "set_in",
    ),
    Aspect(
        "saved",
        lambda d, p: p.saved,
        lambda d, n, p: f"A save keeps `{n}`: it comes back after a boot.",
        "saved",
    ),
    Aspect(
        "fresh",
        lambda d, p: p.signal is not None,
        lambda d, n, p: f"The answer of `{n}` is never older than {duration_text(p.every)}.",
        "every",
    ),
    Aspect(
        "accuracy",
        lambda d, p: (
            any(d.points.get(name) is p for event in d.bench.values() for name in event.shown_by)
            or (p.signal is not None and d.quantities[p.quantity or ""].accuracy is not None)
        ),
        lambda d, n, p: _accuracy(d, n, p),
        "quantity",
    ),
    Aspect(
        "derived",
        lambda d, p: p.derived is not None,
        lambda d, n, p: f"`{n}` is {write(p.derived.root)}, rounded to the step.",
        "derived",
    ),
    Aspect(
        "keeps",
        lambda d, p: p.highest is not None or p.lowest is not None,
        lambda d, n, p: _kept(d, n, p),
        "every",
    ),
    Aspect("text", lambda d, p: p.text is not None, lambda d, n, p: _text(n, p), "text"),
    Aspect(
        "local",
        lambda d, p: p.local,
        lambda d, n, p: f"`{n}` can be changed at the front panel; a notice `local {n}` tells of it.",
        "local",
    ),
)

STATES = (
    Aspect(
        "reachable",
        _always,
        lambda d, n, s: (
            f"After a boot the instrument is in state {n}."
            if s.initial
            else f"State {n} can be reached, and the state's point answers it then."
        ),
    ),
)
"""Besides one `leave.K` for each leave, counted from 1."""

ACTIONS = (
    Aspect("effect", _always, lambda d, n, a: _effect(d, n, a), "to"),
    Aspect(
        "refused",
        lambda d, a: bool(set(d.states) - set(a.allowed)),
        lambda d, n, a: f"`act {n}` in any state but {_listed(a.allowed, 'and')} is refused `state`.",
        "from",
    ),
    Aspect(
        "guard",
        lambda d, a: a.guard is not None,
        lambda d, n, a: f"`act {n}` is refused `state guard` unless {write(a.guard.root)}.",
        "guard",
    ),
    Aspect(
        "ticket",
        lambda d, a: a.gives_ticket is not None or a.takes_ticket is not None,
        lambda d, n, a: _ticket(n, a),
    ),
    Aspect(
        "number",
        lambda d, a: a.many is not None,
        lambda d, n, a: (
            f"`act {n}` takes one number from 0 to {a.many - 1}; another is refused `range`,"
            " anything else `type`."
        ),
        "many",
    ),
    Aspect(
        "repeat",
        _always,
        lambda d, n, a: (
            f"`act {n}` twice does the same as once."
            if a.repeat == "safe"
            else f"`act {n}` again with the same tag is not done again."
        ),
        "repeat",
    ),
    Aspect(
        "always",
        lambda d, a: a.always,
        lambda d, n, a: f"`act {n}` is done even while the front panel has control.",
        "always",
    ),
)

TRIPS = (
    Aspect("fires", _always, lambda d, n, t: _fires(d, t), "when"),
    Aspect(
        "threshold",
        lambda d, t: any(isinstance(node, Number) for node in walk(t.when.root)),
        lambda d, n, t: f"Each number in `{write(t.when.root)}` is right to within a tenth of it.",
        "when",
    ),
    Aspect(
        "delay",
        lambda d, t: t.after > 0,
        lambda d, n, t: (
            f"The trip acts only after its condition has held for {duration_text(t.after)} without a break"
            + (f" of {duration_text(t.every)} or more." if t.every else ".")
        ),
        "after",
    ),
    Aspect(
        "latch",
        lambda d, t: t.latched,
        lambda d, n, t: (
            f"The trip stays until {_listed(_clearing(d), 'or')} clears it, even when its condition is gone."
        ),
        "latched",
    ),
    Aspect("clears", lambda d, t: t.latched, lambda d, n, t: _clears(d, n, t), "cleared_when"),
    Aspect(
        "report",
        lambda d, t: any(point.system == "last_trip" for point in d.points.values()),
        lambda d, n, t: f"The last trip is answered as `{n}` with the value of {t.reports} at the trip.",
        "reports",
    ),
    Aspect(
        "notice",
        lambda d, t: "notices" in d.wire.parts,
        lambda d, n, t: f"One notice tells of the trip: `trip {n}` with the value of {t.reports}.",
        "reports",
    ),
)

LIMITS = (Aspect("", _always, lambda d, n, x: _limit(d, x)),)

DERATING = (
    Aspect(
        "",
        _always,
        lambda d, n, x: (
            f"The ceiling {x.ceiling} falls linearly with {x.temperature}, from its full value at"
            f" {x.start:f} Cel to {x.floor:f} of it at {x.end:f} Cel."
        ),
    ),
)

FAN = (
    Aspect(
        "curve",
        _always,
        lambda d, n, f: (
            f"{f.duty} follows {f.temperature}: "
            + ", ".join(f"{level.duty:f} from {level.at:f} Cel" for level in f.levels)
            + (", in proportion between them." if f.between == "line" else ".")
        ),
        "levels",
    ),
    Aspect(
        "hysteresis",
        _always,
        lambda d, n, f: (
            f"A level is left for the one below only {f.hysteresis:f} K below the temperature where it"
            " begins."
        ),
        "hysteresis",
    ),
    Aspect(
        "tick", _always, lambda d, n, f: f"{f.duty} changes at most once in {duration_text(f.tick)}.", "tick"
    ),
)


def _alternates(document: Document, law: Law) -> bool:
    return law.alternates is not None


LAWS = (
    Aspect(
        "", lambda d, law: not (law.alternates or law.rate_of or law.steps), lambda d, n, law: _law(d, law)
    ),
    Aspect(
        "settling",
        lambda d, law: law.holds is not None and law.settle > 0,
        lambda d, n, law: (
            f"`law.{n}` holds again {duration_text(law.settle)} after a setting or the state has changed."
        ),
        "settle",
    ),
    Aspect("levels", _alternates, lambda d, n, law: _levels(d, law), "alternates"),
    Aspect("width", _alternates, lambda d, n, law: _widths(d, law), "phases"),
    Aspect("period", _alternates, lambda d, n, law: _period(d, law), "phases"),
    Aspect("rows", lambda d, law: law.steps is not None, lambda d, n, law: _rows(d, law), "rows"),
    Aspect("rate", lambda d, law: law.rate_of is not None, lambda d, n, law: _rate(d, law), "rate_of"),
)

RECORDS = (
    Aspect(
        "layout",
        _always,
        lambda d, n, r: (
            f"The record {n} has {record_bytes(r)} bytes, {r.order}-endian:"
            f" {', '.join(field.name for field in r.fields)}."
        ),
        "fields",
    ),
)

PROMISES = (
    Aspect(
        "",
        _always,
        lambda d, n, p: (
            p if isinstance(p, str) else f"{p.means} It is right to within {p.within_ppm} parts in a million."
        ),
    ),
)

SECTIONS: dict[str, tuple[str, tuple[Aspect, ...]]] = {
    "wire": ("wire", WIRE),
    "point": ("points", POINTS),
    "state": ("states", STATES),
    "action": ("actions", ACTIONS),
    "trip": ("trips", TRIPS),
    "limit": ("limits", LIMITS),
    "derating": ("derating", DERATING),
    "fan": ("fan", FAN),
    "law": ("laws", LAWS),
    "record": ("records", RECORDS),
    "promise": ("promises", PROMISES),
}
"""Section of an id: the document's key, and the aspects of each element there."""


def _all(document: Document, marks: Marks | None) -> Iterator[Requirement]:
    def line(*path: str | int) -> int | None:
        return None if marks is None else marks.line(*path)

    for section, (key, aspects) in SECTIONS.items():
        held = getattr(document, key)
        elements = held.items() if isinstance(held, dict) else [] if held is None else [("", held)]
        for name, element in elements:
            path = (key, name) if name else (key,)
            for aspect in aspects:
                if aspect.applies(document, element):
                    where = line(*path, aspect.key) if aspect.key else line(*path)
                    sentence = aspect.sentence(document, name, element)
                    yield Requirement(
                        _id(section, name, aspect.name), section, name, aspect.name, sentence, where
                    )
            if isinstance(element, State):
                for index, leave in enumerate(element.leaves):
                    aspect_name = f"leave.{index + 1}"
                    yield Requirement(
                        _id(section, name, aspect_name),
                        section,
                        name,
                        aspect_name,
                        _leave(name, leave),
                        line(*path, "leaves", index),
                    )


def _id(*parts: str) -> str:
    return ".".join(part for part in parts if part)


# ---------------------------------------------------------------------------------------------- sentences


def _listed(words: Any, last: str) -> str:
    """`a, b and c`"""
    *most, final = words
    return f"{', '.join(most)} {last} {final}" if most else str(final)


def _scale(document: Document, point: Point) -> Scale:
    assert point.quantity is not None
    return scale_of(document.quantities[point.quantity])


def _amount(scale: Scale, counts: int) -> str:
    return " ".join(scale.words(counts))


def _readable(document: Document, name: str, point: Point) -> str:
    if point.record is not None:
        count = parts_of(document.records[point.record], point.part_bytes or 16)
        return f"`ask {name} K` answers part K of the record {point.record}, of {count} in all."
    return f"`ask {name}` answers `ok` and its value, in every state."


def _kept(document: Document, name: str, point: Point) -> str:
    zeroing = [
        f"`act {action}`"
        for action, declared in document.actions.items()
        if any(isinstance(effect, Pulse) and name in effect.zeroes for effect in declared.does)
    ]
    which = "highest" if point.highest is not None else "lowest"
    return (
        f"`{name}` is the {which} value that {point.highest or point.lowest} has had since"
        f" {_listed(['a boot', *zeroing], 'or')}; what lasts {duration_text(point.every or 0)} is not missed."
    )


def _text(name: str, point: Point) -> str:
    if "#" not in str(point.text):
        return f"`ask {name}` always answers `{point.text}`."
    return (
        f"`ask {name}` always answers `{point.text}`, with a digit for each #: every instrument has its own,"
        " and keeps them after a boot."
    )


def _accuracy(document: Document, name: str, point: Point) -> str:
    event = next((event for event, declared in document.bench.items() if name in declared.shown_by), None)
    accuracy = document.quantities[point.quantity or ""].accuracy
    parts = ("0", "0") if accuracy is None else (accuracy.reading_percent, accuracy.range_percent)
    initial = next(state for state, declared in document.states.items() if declared.initial)
    within = f"within {parts[0]} % of the reading and {parts[1]} % of the range"
    if event is None:
        return f"`{name}` reads the true value, {within}."
    return f"In {initial}, `{name}` reads what {event} of the bench is set to, {within}."


def _unit(document: Document, name: str, point: Point) -> str:
    scale = _scale(document, point)
    decimals = f"{scale.digits} decimal{'' if scale.digits == 1 else 's'}" if scale.digits else "no decimals"
    unit = "no unit" if scale.unit == "1" else f"the unit {scale.unit}"
    return f"`{name}` is answered with {decimals} and {unit}."


def _step(document: Document, point: Point) -> str:
    return _amount(_scale(document, point), 1)


def _default(document: Document, point: Point) -> str:
    if point.quantity is None:
        return str(point.default)
    scale = _scale(document, point)
    return _amount(scale, scale.nearest(Fraction(str(point.default))))


def _bounds(document: Document, name: str, point: Point) -> str:
    scale = _scale(document, point)
    low = _bound("max", "higher", scale, scale.low, point.low)
    high = _bound("min", "lower", scale, scale.high, point.high)
    return f"`put {name}` below {low} or above {high} is refused `range` with these limits."


def _bound(function: str, word: str, scale: Scale, own: int, limit: Expression | None) -> str:
    """The bound in force: the quantity's own, or the narrower of it and the limit."""
    if limit is None:
        return _amount(scale, own)
    root = limit.root
    parts: list[Quantity] = []
    if isinstance(root, Call) and root.function == function:
        parts.extend(root.arguments)
    else:
        parts.append(root)  # type: ignore[arg-type]
    if not limit.names:
        value = limit.number({})
        counts = limit.upper({}, scale.step) if function == "min" else limit.lower({}, scale.step)
        narrower = value < own * scale.step if function == "min" else value > own * scale.step
        return _amount(scale, counts if narrower else own)
    texts = [_amount(scale, own)]
    for part in parts:
        if isinstance(part, Number):
            texts.append(_amount(scale, scale.nearest(part.value)))
        elif isinstance(part, PointNode):
            texts.append(part.name)
        else:
            texts.append(f"({write(part)})")
    superlative = {"higher": "highest", "lower": "lowest"}[word] if len(texts) > 2 else word
    return f"the {superlative} of {_listed(texts, 'and')}"


def _leave(name: str, leave: Leave) -> str:
    if leave.when is None:
        return f"State {name} is left to {leave.to} {duration_text(leave.after)} after it was entered."
    held = f" for {duration_text(leave.after)}" if leave.after else ""
    return f"State {name} is left to {leave.to} once {write(leave.when.root)}{held}."


def _sentence_start(text: str) -> str:
    return text[0].upper() + text[1:]


_EFFECTS = {
    "save": "saves the settings",
    "recall": "brings the saved settings back",
    "defaults": "brings every setting to its default",
    "reboot": "boots the instrument",
    "clear_trip": "clears the trip",
}


def _effect(document: Document, name: str, action: Action) -> str:
    does = []
    if action.to is not None:
        does.append(f"leads to state {action.to}")
    for effect in action.does:
        if isinstance(effect, str):
            does.append(_EFFECTS[effect])
        elif isinstance(effect, Pulse):
            if effect.pulse is not None:
                does.append(f"pulses {effect.pulse}")
            kept = [each for each in effect.zeroes if document.points[each].signal is None]
            if kept:
                does.append(f"lets {_listed(kept, 'and')} begin again")
        elif isinstance(effect, Put):
            does += [f"puts {each} at {_put(document, each, given)}" for each, given in effect.put.items()]
        else:
            does.append(f"starts filling the record {effect.capture}")
    if action.keeps:
        does.append(f"stays in {_listed(action.keeps, 'or')} if it is there")
    where = "every state" if set(action.allowed) >= set(document.states) else _listed(action.allowed, "or")
    number = "" if action.many is None else " #"
    return f"`act {name}{number}` in {where} {_listed(does or ['changes no state'], 'and')}."


def _put(document: Document, name: str, given: Any) -> str:
    if isinstance(given, FromPoint):
        return given.point
    point = document.points[name.replace("#", "0")]
    if point.quantity is None:
        return str(given)
    scale = _scale(document, point)
    return _amount(scale, scale.nearest(Fraction(str(given))))


def _ticket(name: str, action: Action) -> str:
    said = []
    if action.takes_ticket is not None:
        said.append(f"needs the ticket of `{action.takes_ticket}`")
    if action.gives_ticket is not None:
        said.append(f"answers a ticket that is good once, for {duration_text(action.gives_ticket)}")
    return f"`act {name}` {_listed(said, 'and')}."


def _in(document: Document, states: list[str] | None) -> str:
    return (
        "in any state"
        if states is None or set(states) >= set(document.states)
        else f"in {_listed(states, 'or')}"
    )


def _fires(document: Document, trip: Trip) -> str:
    where = _in(document, trip.armed_in)
    return f"When {write(trip.when.root)} {where}, the instrument goes to state {trip.to}."


def _clearing(document: Document) -> list[str]:
    names = [f"`act {name}`" for name, action in document.actions.items() if "clear_trip" in action.does]
    return names or ["a boot"]


def _clears(document: Document, name: str, trip: Trip) -> str:
    gone = f"not ({write(trip.when.root)})" if trip.cleared_when is None else write(trip.cleared_when.root)
    return f"Clearing the trip is refused `fault {name}` until {gone}."


def _settled(settle: int) -> str:
    return f", from {duration_text(settle)} after a change on" if settle else ""


def _limit(document: Document, limit: Limit) -> str:
    bounds = []
    if limit.low is not None:
        bounds.append(f"is at least {write(limit.low.root)}")
    if limit.high is not None:
        bounds.append(f"is at most {write(limit.high.root)}")
    where = _sentence_start(_in(document, limit.armed_in))
    return f"{where}, {limit.of} {_listed(bounds or ['is read'], 'and')}{_settled(limit.settle)}."


def _law(document: Document, law: Law) -> str:
    where = _sentence_start(_in(document, law.armed_in))
    after = _settled(law.settle)
    if law.holds is not None:
        return f"{where}, {write(law.holds.root)}{after}."
    if law.integral_of is not None:
        return (
            f"{where}, {law.counter} is the time integral of {law.integral_of}"
            f" within {law.tolerance_percent:f} %{after}."
        )
    if law.elapses is not None:
        return f"{where}, {law.elapses} counts the time, within {law.tolerance_percent:f} %."
    return f"{where}, {law.never_falls} never falls while {law.while_rises} rises{after}."


def _while(document: Document, law: Law) -> str:
    where = _sentence_start(_in(document, law.armed_in))
    return where if law.when is None else f"{where}, while {write(law.when.root)}"


def _rate(document: Document, law: Law) -> str:
    return f"{_while(document, law)}, {law.rate_of} changes by no more than {law.at_most} in a second."


def _rows(document: Document, law: Law) -> str:
    assert law.rows is not None
    used = f", {law.rows.used} of them" if law.rows.used is not None else ""
    return (
        f"{_while(document, law)}, {law.steps} is {law.rows.level} for {law.rows.lasts},"
        f" one row after the other{used}, within {law.tolerance_percent:f} %, from when the state is entered,"
        " and then again."
    )


def _levels(document: Document, law: Law) -> str:
    assert law.phases is not None
    levels = _listed([phase.level for phase in law.phases], "and")
    return f"{_while(document, law)}, {law.alternates} alternates between {levels}{_settled(law.settle)}."


def _widths(document: Document, law: Law) -> str:
    assert law.phases is not None
    widths = _listed([f"{phase.level} for {phase.lasts}" for phase in law.phases], "and then")
    return (
        f"{_while(document, law)}, {law.alternates} is {widths}, within {law.tolerance_percent:f} %,"
        " from when the state is entered."
    )


def _period(document: Document, law: Law) -> str:
    assert law.phases is not None
    times = " + ".join(phase.lasts for phase in law.phases)
    counted = f", and {law.counted_by} counts the periods" if law.counted_by is not None else ""
    return (
        f"{_while(document, law)}, {law.alternates} repeats every {times},"
        f" within {law.tolerance_percent:f} %{counted}."
    )
