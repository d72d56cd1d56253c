"""Two simulated instruments beside each other, of an old and a new document, in the same hands.

What a host written for the old document does, and what hands do on the bench, is a course of steps
(`wirevow.protocol.conformance.casefile`). Both instruments go through it on the same physics, with the same
seed, at the same times; what they say is compared by what it means in the old document.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.protocol.conformance.casefile import Step, sent
from wirevow.protocol.document.model import Document, duration_ns
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import decimal_of
from wirevow.protocol.journal.exchanges import Line
from wirevow.protocol.journal.layout import Kind
from wirevow.protocol.journal.meaning import OWN_PAST, Parts, unlike, unlike_notices
from wirevow.protocol.message import Notice, Reply, Request, parse_answer, parse_request
from wirevow.protocol.units import si_per_unit
from wirevow.protocol.vow import PointEntry, Vow, bench_events

OTHER = "other"
"""The kind of a step in which somebody else's host sends a line: what it is answered does not count."""
OPEN = "open"
"""The kind of a step in which the host opens its port again."""
_LOOKS = 8
"""Instants at which what a reading may show is looked at, over its sample period."""
_TICKET = re.compile(r"[0-9a-f]{4}")


@dataclass(frozen=True, slots=True)
class Came:
    """What came in answer to a step, or while time passed in it."""

    line: Line | None
    """What the host said, if it said something."""
    replies: tuple[Reply, ...]
    notices: tuple[Line, ...]
    text: tuple[str, ...]
    """All lines, for people."""
    span: tuple[Fraction, Fraction] | None = None
    """Of a reading: between what it may show, by the old document; in its unit."""

    @property
    def ok(self) -> bool:
        """Whether it is what a lawful host counts on."""
        return bool(self.replies) and all(reply.ok for reply in self.replies)


class _Side(Instrument):
    """One of both. The hands know the bench events of the old document, in its units."""

    def hand(self, event: str, si: float | str | None, now_ns: int) -> None:
        """Something happens on the bench, in SI units."""
        self.advance(now_ns)
        self._quiet_ns = 0
        self._catch_up()
        self.plant.bench(event, 1.0 if si is None else si, now_ns)
        self.advance(now_ns)


class Course:
    """One instrument going through steps, from `start_ns` on. `hands` is the old document, in whose words the
    bench is turned, and whose physics both are built like."""

    def __init__(self, vow: Vow, hands: Vow, start_ns: int) -> None:
        self._vow = vow
        self._hands = hands
        self._events = bench_events(hands.document)
        self._tickets: list[str] = []
        self.now_ns = start_ns
        self._side = _Side(vow, plant=plant_of(_same_physics(vow.document, hands.document), None, 0))
        self._side.opened(0)
        self._side.advance(self.now_ns)
        self._side.take()

    def do(self, step: Step) -> Came:
        """One step, and what came of it."""
        line, span = None, None
        match step.kind:
            case ">" | ">>" | "other":
                data = sent(Step(">", step.text) if step.kind == OTHER else step, self._tickets)
                if step.kind == ">":
                    text = data.removesuffix(b"\n")
                    line = Line(self.now_ns, Kind.HOST, text, meaning=parse_request(text))
                self._side.receive(data, self.now_ns)
                span = None if line is None else self._span(line)
            case "wait":
                self.now_ns += duration_ns(step.text)
                self._side.advance(self.now_ns)
            case "bench":
                self._bench(*step.text.partition(" ")[::2])
            case "power":
                for on in (False, True):
                    self._side.power(on, self.now_ns)
            case "reset":
                self._side.reset(self.now_ns)
            case "open":
                self._side.closed(self.now_ns)
                self._side.opened(self.now_ns)
        return self._heard(step, line, span)

    def _heard(self, step: Step, line: Line | None, span: tuple[Fraction, Fraction] | None) -> Came:
        replies: list[Reply] = []
        notices: list[Line] = []
        text: list[str] = []
        for data in self._side.take().split(b"\n")[:-1]:
            parsed = parse_answer(data)
            if isinstance(parsed, Reply):
                replies.append(parsed)
            elif isinstance(parsed, Notice):
                notices.append(Line(self.now_ns, Kind.DEVICE, data, meaning=parsed))
            text.append(data.decode("ascii", "replace"))
        if step.kind == OTHER:
            replies.clear()
        request = None if line is None else line.meaning
        if isinstance(request, Request) and request.verb == "act" and replies and replies[-1].ok:
            self._tickets += [word for word in replies[-1].words if _TICKET.fullmatch(word)]
        return Came(line, tuple(replies), tuple(notices), tuple(text), span)

    def _bench(self, event: str, value: str) -> None:
        declared = self._events.get(event)
        given = value or None
        try:
            if event.startswith("panel.") or event == "link.transmitter":
                self._side.bench(event, given, self.now_ns)
            elif declared is None:
                return
            elif given is not None and declared.value is not None:
                unit = self._hands.document.quantities[declared.value].unit
                self._side.hand(event, float(decimal_of(given)) * si_per_unit(unit), self.now_ns)
            else:
                self._side.hand(event, given, self.now_ns)
        except (ValueError, KeyError):
            pass  # there is nothing of that name to lay a hand on

    def _span(self, line: Line) -> tuple[Fraction, Fraction] | None:
        """What a reading may show now, its accuracy not counted; None if it is none."""
        request = line.meaning
        entry = self._vow.points.get(request.name) if isinstance(request, Request) else None
        if entry is None or entry.scale is None:
            return None
        if entry.signal is not None:
            return self._signal_span(entry)
        if entry.derived is None or not entry.derived.names & self._vow.measured:
            return None
        ranges = {}
        for name in entry.derived.names:
            part = self._vow.points[name]
            if part.signal is not None:
                low, high = self._signal_span(part)
                error = max(part.accuracy(low), part.accuracy(high))
                ranges[name] = low - error, high + error
            else:
                value = part.exact(self._side.device.value(part, self.now_ns))
                if isinstance(value, str):
                    return None
                ranges[name] = value, value
        return entry.derived.interval(ranges)

    def _signal_span(self, entry: PointEntry) -> tuple[Fraction, Fraction]:
        assert entry.signal is not None
        plant, step = self._side.plant, entry.number.step
        begun_ns = max(0, self.now_ns - entry.period_ns)
        values = [
            plant.at(entry.signal, begun_ns + (self.now_ns - begun_ns) * look // _LOOKS) / entry.si
            for look in range(_LOOKS + 1)
        ]
        return Fraction(min(values)) * step, Fraction(max(values)) * step


def _same_physics(document: Document, hands: Document) -> Document:
    """The document on the build of the other: what differs between them is what is promised, not the box."""
    return document.model_copy(update={"plant": hands.plant})


@dataclass(frozen=True, slots=True)
class Split:
    """Where two courses first differ in meaning: the step, counted from 0, and how."""

    at: int
    how: str


def went(vow: Vow, hands: Vow, steps: Sequence[Step], start_ns: int) -> list[Came]:
    """One instrument through all steps. Raises WirevowError if it cannot be run on those physics."""
    try:
        course = Course(vow, hands, start_ns)
        return [course.do(step) for step in steps]
    except (ValueError, KeyError) as wrong:
        raise WirevowError(f"the new document does not run on the old one's physics: {wrong}") from wrong


def settled_ns(one: Vow, other: Vow) -> int:
    """When both listen after they were switched on."""
    return max(one.document.wire.opening.settle, other.document.wire.opening.settle)


def lawful(steps: Sequence[Step], old: Sequence[Came]) -> bool:
    """Whether the old instrument answers `ok` to all that its host sends."""
    return all(came.ok for step, came in zip(steps, old, strict=True) if step.kind == ">")


def split(vow: Vow, steps: Sequence[Step], old: Sequence[Came], new: Sequence[Came]) -> Split | None:
    """Where the new one's course first means something else in the old document's `vow`."""
    parts = Parts(vow)
    for at, (ours, theirs) in enumerate(zip(old, new, strict=True)):
        how = ""
        if ours.line is not None:
            how = _unlike(vow, parts, ours, theirs)
        elif steps[at].kind == ">>" and len(ours.replies) != len(theirs.replies):
            how = "one of them is no answer"
        if not how:
            how = next((how for *_, how in unlike_notices(vow, ours.notices, theirs.notices)), "")
        if how:
            return Split(at, how)
    return None


def _unlike(vow: Vow, parts: Parts, ours: Came, theirs: Came) -> str:
    assert ours.line is not None
    if len(ours.replies) != len(theirs.replies):
        return "one of them is no answer"
    entry = _asked(vow, ours.line)
    if entry is not None and entry.system == "identity":
        # That the version and the digest are others is what the host has to look at first.
        return "" if theirs.ok else "it does not say who it is"
    for one, other in zip(ours.replies, theirs.replies, strict=True):
        if entry is not None and entry.system in OWN_PAST and one.words != other.words:
            return "another value"  # both have the same past
        if entry is not None and entry.record is not None and one.ok and other.ok:
            lengths = [[len(word) for word in reply.words] for reply in (one, other)]
            if lengths[0] != lengths[1]:
                return "the part has another length"
        lines = _kept(one), _kept(other)
        how = parts.take(ours.line, *lines)
        if how is None:
            how = _form(vow, ours.line, *lines) or unlike(vow, ours.line, *lines)
        if how and not _spanned(vow, ours, other):
            return how
    return ""


def _kept(reply: Reply) -> Reply:
    return reply._replace(tag=None, checked=False)


def _form(vow: Vow, line: Line, one: Reply, other: Reply) -> str:
    """Whether a value that may be any is at least written as one of it is."""
    entry = _asked(vow, line)
    if entry is None or entry.scale is None or not (one.ok and other.ok):
        return ""
    parsed = entry.number.parse(other.words[0]) if other.words else None
    if parsed is None or other.words[1:] != one.words[1:]:
        return "one of them is no value of it"
    digits = [words[0].partition(".")[2] for words in (one.words, other.words)]
    return "" if len(digits[0]) == len(digits[1]) else "its digits are others"


def _spanned(vow: Vow, ours: Came, other: Reply) -> bool:
    """Whether the new answer is one that the old document allows, for a reading that moves."""
    entry = None if ours.line is None else _asked(vow, ours.line)
    if entry is None or entry.scale is None or ours.span is None or not other.ok or not other.words:
        return False
    if _form(vow, ours.line, ours.replies[-1], other):  # type: ignore[arg-type]
        return False
    parsed = entry.number.parse(other.words[0])
    if parsed is None:
        return False
    value, (low, high) = parsed[0] * entry.number.step, ours.span
    return low - entry.accuracy(low) <= value <= high + entry.accuracy(high)


def _asked(vow: Vow, line: Line) -> PointEntry | None:
    request = line.meaning
    return vow.points.get(request.name) if isinstance(request, Request) else None


def exchange(steps: Sequence[Step], old: Sequence[Came], new: Sequence[Came], at: int | None) -> str:
    """The course for people, up to the step where it splits; what both say otherwise is told for both."""
    lines: list[str] = []
    for index, (step, ours, theirs) in enumerate(zip(steps, old, new, strict=True)):
        lines.append(_told(step))
        if at is not None and ours.text != theirs.text:
            lines += [f"< {text}   (old)" for text in ours.text or ("(nothing)",)]
            lines += [f"< {text}   (new)" for text in theirs.text or ("(nothing)",)]
        else:
            lines += [f"< {text}" for text in ours.text]
        if index == at:
            break
    return "\n".join(lines)


def _told(step: Step) -> str:
    match step.kind:
        case "other":
            return f"another host: {step.text}"
        case "open":
            return "the port is opened again"
        case "power":
            return "its supply goes off and on"
        case "reset":
            return "its reset pin is pulled"
        case "bench":
            return f"bench {step.text}"
        case "wait":
            return f"wait {step.text}"
    return f"{step.kind} {step.text}"
