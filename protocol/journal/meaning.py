"""Whether two answers to the same request mean the same, by the instrument's document.

| what                                          | means the same if                                          |
|-----------------------------------------------|------------------------------------------------------------|
| a reading (its value is measured or computed) | no further apart than both may be off the truth (accuracy) |
| a setting, a word, a limit, a refusal         | equal                                                      |
| a ticket                                      | both are tickets                                           |
| time it has run, boots, saves, cause of boot  | always: they are about the box's own past                  |
| a trip's notice                               | the same trip, and its value as a reading                  |
| all parts of a record                         | each of its fields does, as a value of its point           |

Tags, checks and the numbers of notices mean nothing here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from fractions import Fraction

from wirevow.protocol.journal.exchanges import Line
from wirevow.protocol.message import Notice, Reply, Request
from wirevow.protocol.quantity import parse_integer
from wirevow.protocol.record import parse
from wirevow.protocol.vow import PointEntry, Vow, part_count, record_of

OWN_PAST = frozenset({"uptime", "silence", "boots", "boot_cause", "saves"})
"""System values that differ from box to box, and from run to run."""
_TICKET = re.compile(r"[0-9a-f]{4}")


def unlike(vow: Vow, line: Line, one: Reply | None, other: Reply | None) -> str:
    """What is different in meaning between two answers to a line of the host; empty if nothing is.

    None is no answer.
    """
    if one is None or other is None:
        return "" if one is other else "one of them is no answer"
    if one.ok != other.ok:
        return "one is done, the other refused"
    if one.words == other.words:
        return ""
    request = line.meaning
    if not one.ok or not isinstance(request, Request):
        return "another reason, or other details" if not one.ok else "other words"
    if request.verb == "act":
        action = vow.actions.get(request.name)
        if action is not None and action.gives_ticket_ns is not None:
            return "" if all(_is_ticket(each.words) for each in (one, other)) else "one of them is no ticket"
        return "other words"
    entry = vow.points.get(request.name)
    if entry is None:
        return "other words"
    if entry.system in OWN_PAST:
        return ""
    return _apart(entry, one.words, other.words)


@dataclass(slots=True)
class Parts:
    """Records of which some parts were asked for: what they mean is known when all are there."""

    vow: Vow
    _there: dict[str, dict[int, tuple[bytes, bytes]]] = field(default_factory=dict)

    def take(self, line: Line, one: Reply | None, other: Reply | None) -> str | None:
        """As `unlike`, for a part of a record; None if it is none, or was not answered twice."""
        request = line.meaning
        entry = self.vow.points.get(request.name) if isinstance(request, Request) else None
        if entry is None or entry.kind != "record" or not isinstance(request, Request):
            return None
        given = [_part(reply) for reply in (one, other)]
        if given[0] is None or given[1] is None or given[0][0] != given[1][0]:
            return None
        parts = self._there.setdefault(entry.name, {})
        parts[given[0][0]] = given[0][1], given[1][1]
        if len(parts) < part_count(self.vow, entry):
            return ""
        del self._there[entry.name]
        return self._unlike(entry, *(b"".join(parts[at][side] for at in sorted(parts)) for side in (0, 1)))

    def rest(self) -> Iterator[tuple[str, str]]:
        """Records of which parts are missing and those that are there differ: name, and how."""
        for name, parts in self._there.items():
            if any(one != other for one, other in parts.values()):
                yield name, "other bytes, and what they mean is not known: not all parts were asked for"

    def _unlike(self, entry: PointEntry, one: bytes, other: bytes) -> str:
        import construct

        record = record_of(self.vow, entry)
        try:
            values = parse(record, one), parse(record, other)
        except construct.ConstructError:
            return "" if one == other else "one of them is no such record"
        for each in record.fields:
            point = self.vow.points.get(str(each.value))
            pairs = zip(
                *(value if each.count > 1 else [value] for value in (v[each.name] for v in values)),
                strict=True,
            )
            for at, (ours, theirs) in enumerate(pairs):
                how = "" if ours == theirs else "another value"
                words: list[tuple[str, ...]] = [(str(ours),), (str(theirs),)]
                if how and point is not None and point.scale is not None:
                    words = [point.words(ours), point.words(theirs)]
                    how = _apart(point, *words)
                if how:
                    which = f"{each.name}{f' {at}' if each.count > 1 else ''}"
                    return f"{which} {' '.join(words[0])}, now {' '.join(words[1])}: {how}"
        return ""


def _part(reply: Reply | None) -> tuple[int, bytes] | None:
    """Index and bytes of a part, if it is one."""
    if reply is None or not reply.ok or len(reply.words) != 2:
        return None
    index = parse_integer(reply.words[0])
    try:
        return None if index is None else (index, bytes.fromhex(reply.words[1]))
    except ValueError:
        return None


def left_open(vow: Vow, line: Line) -> bool:
    """Whether the answers to this line say nothing that can be compared."""
    request = line.meaning
    entry = vow.points.get(request.name) if isinstance(request, Request) else None
    return entry is not None and entry.system in OWN_PAST


def _is_ticket(words: tuple[str, ...]) -> bool:
    return len(words) == 1 and _TICKET.fullmatch(words[0]) is not None


def _apart(entry: PointEntry, one: tuple[str, ...], other: tuple[str, ...]) -> str:
    """How two values of a point differ, beyond what its accuracy explains."""
    if entry.scale is None or entry.source not in ("signal", "derived"):
        return "" if one == other else "another value"
    values: list[Fraction] = []
    for words in (one, other):
        parsed = entry.number.parse(words[0]) if words else None
        if parsed is None or words[1:] != entry.number.words(0)[1:]:
            return "one of them is no value of it"
        values.append(parsed[0] * entry.number.step)
    distance = abs(values[0] - values[1])
    explained = entry.accuracy(values[0]) + entry.accuracy(values[1])
    if distance <= explained:
        return ""
    unit = "" if entry.number.unit == "1" else f" {entry.number.unit}"
    return f"{float(distance):g}{unit} apart, its accuracy explains {float(explained):.3g}{unit}"


def unlike_notices(
    vow: Vow, one: Sequence[Line], other: Sequence[Line]
) -> Iterator[tuple[Line | None, Line | None, str]]:
    """Where two courses of notices differ: what the first has, what the second has, and how."""
    events = SequenceMatcher(None, [_event(line) for line in one], [_event(line) for line in other], False)
    for what, begin, end, begin2, end2 in events.get_opcodes():
        if what == "equal":
            for ours, theirs in zip(one[begin:end], other[begin2:end2], strict=True):
                how = _values_apart(vow, ours, theirs)
                if how:
                    yield ours, theirs, how
            continue
        for line in one[begin:end]:
            yield line, None, "it does not come"
        for line in other[begin2:end2]:
            yield None, line, "it comes besides"


def _event(line: Line) -> tuple[str, ...]:
    """What kind of a notice it is: the event and its words, without numbers and what follows them."""
    if not isinstance(line.meaning, Notice):
        return ("", line.data.decode("latin-1"))
    words: list[str] = [line.meaning.event]
    for word in line.meaning.words:
        if re.match(r"-?[0-9]", word):
            break
        words.append(word)
    return tuple(words)


def _values_apart(vow: Vow, one: Line, other: Line) -> str:
    if not isinstance(one.meaning, Notice) or not isinstance(other.meaning, Notice):
        return ""
    words = one.meaning.words, other.meaning.words
    trip = vow.trips.get(words[0][0]) if one.meaning.event == "trip" and words[0] else None
    if trip is not None and trip.reports in vow.points:
        return _apart(vow.points[trip.reports], words[0][1:], words[1][1:])
    return "" if words[0] == words[1] else "another value"
