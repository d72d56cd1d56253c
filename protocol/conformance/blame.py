"""Which promise a wrong answer breaks, by the kind of the difference.

What was being tried says little about it: a notice that comes damaged is a fault of notices, whatever was
asked just then. The first row of `KINDS` that fits decides; where none does, the oracle's judgement stands,
or what was being tried (`Tester._bearing`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Set
from dataclasses import dataclass

from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Notice, Reply, Request, parse_answer, parse_request
from wirevow.protocol.vow import PointEntry, Vow

EVENT = re.compile(rb"(?:^|[0-9t] )(?:boot|trip|state|local|control) |^n?ote? |^no?te? |^not |note \d")
"""What is left of a notice that is damaged, or stands inside another line."""
WHOLE_EVENT = re.compile(rb"note \d+ (?:boot|trip|state|local|control) ")
"""A notice inside a line that still reads as a reply."""
ILL_FORMED = re.compile(r"-0(?:\.0*)?|[+-]?\.\d+|[+-]?\d+\.|\+.*|-?0\d.*")
"""Digits that are no NR1 or NR2 with a point, though they read like a number (`spec/wire.md`, numbers)."""
UNTAGGED = ("length", "check", "syntax")
"""Refusals that may carry no tag: a tag that misses is no fault of tags then."""


@dataclass(frozen=True, slots=True)
class Difference:
    """What was due and what came. `line` is the request, None for what came unasked."""

    line: bytes | Overlong | None
    due: str
    seen: bytes | None
    after_overlong: bool
    """The line before was too long."""
    after: str = ""
    """Why the line before was refused; empty if it was not."""

    @property
    def reply(self) -> Reply | None:
        """What came, if it is a reply."""
        parsed = parse_answer(self.seen) if self.seen is not None else None
        return parsed if isinstance(parsed, Reply) else None

    @property
    def reason(self) -> str:
        """Of the refusal that came; empty if none did."""
        reply = self.reply
        return reply.words[0] if reply is not None and not reply.ok and reply.words else ""


def _damaged_notice(d: Difference, vow: Vow) -> str | None:
    if d.seen is None or "notices" not in vow.parts:
        return None
    traces = WHOLE_EVENT if d.reply is not None else EVENT
    return "wire.notice.whole" if traces.search(d.seen) else None


def _no_message(d: Difference, vow: Vow) -> str | None:
    """Neither a reply nor a notice: a reply that is damaged, or text that nobody is to send."""
    parsed = parse_answer(d.seen) if d.seen is not None else None
    if d.seen is None or d.line is None or not isinstance(parsed, Malformed) or parsed.reason != "syntax":
        return None
    if re.search(rb"\bok\b|\brefuse\b", d.seen) or "quiet" not in vow.document.promises:
        return "wire.framing"
    return "promise.quiet"


def _too_long(d: Difference, vow: Vow) -> str | None:
    return "wire.length" if isinstance(d.line, Overlong) else None


def _deaf_after_no_line(d: Difference, vow: Vow) -> str | None:
    if d.line is None or d.seen is not None:
        return None
    whole = isinstance(d.line, bytes) and not isinstance(parse_request(d.line), Malformed)
    return "wire.resync" if d.after_overlong or (d.after == "syntax" and whole) else None


def _tail_of_overlong(d: Difference, vow: Vow) -> str | None:
    return "wire.length" if d.line is None and (d.reason == "length" or d.after_overlong) else None


def _bad_check_accepted(d: Difference, vow: Vow) -> str | None:
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    if not isinstance(request, Malformed) or request.reason != "check" or d.reply is None:
        return None
    return "wire.check" if d.reason not in UNTAGGED else None


def _tag_left_out(d: Difference, vow: Vow) -> str | None:
    """A refusal without a tag where an answer with one was due."""
    reply = d.reply
    if reply is None or reply.tag is not None or not d.due.startswith("@") or d.reason not in UNTAGGED:
        return None
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    if d.reason == "check" and not isinstance(request, Malformed) and request is not None:
        return "wire.check" if request.checked else "wire.guard"
    return f"wire.{d.reason}" if f" {d.reason}" not in d.due else None


def _number_ill_formed(d: Difference, vow: Vow) -> str | None:
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    reply = d.reply
    if request is None or isinstance(request, Malformed) or reply is None or not reply.ok or not reply.words:
        return None
    entry = vow.points.get(request.name)
    if entry is None or entry.scale is None:
        return None
    digits = len(reply.words[0].partition(".")[2])
    plain = re.fullmatch(r"-?\d+(?:\.\d+)?", reply.words[0]) and request.verb != "act"
    ill = ILL_FORMED.fullmatch(reply.words[0]) or (plain and digits != entry.scale.digits)
    return f"point.{entry.name}.unit" if ill else None


def _echoed(d: Difference, vow: Vow) -> str | None:
    """The request itself comes back."""
    if d.seen is None or d.seen != d.line:
        return None
    return "promise.quiet" if "quiet" in vow.document.promises else "wire.order"


def _check_left_out(d: Difference, vow: Vow) -> str | None:
    """The right answer, without the check that it was to carry."""
    words, _, check = d.due.rpartition(" ~")
    if not words or not re.fullmatch(r"[0-9A-F]{4}", check) or d.seen is None:
        return None
    return "wire.echo_check" if d.seen == words.encode("latin-1") else None


def _let_through(d: Difference, vow: Vow) -> str | None:
    """Without its check, while the guard is on, a request was looked at."""
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    if request is None or isinstance(request, Malformed) or request.checked or d.reply is None:
        return None
    due = re.search(r"refuse check\b", d.due)
    return "wire.guard" if due and d.reason != "check" and d.reason not in UNTAGGED else None


def _guard_unasked(d: Difference, vow: Vow) -> str | None:
    """The right refusal of what is no request, with a check: who turned the guard on?"""
    words, _, check = (d.seen or b"").rpartition(b" ~")
    if not re.fullmatch(rb"[0-9A-F]{4}", check) or words != d.due.encode("latin-1"):
        return None
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    return "wire.guard" if isinstance(request, Malformed) else None


def _ticket_ill_formed(d: Difference, vow: Vow) -> str | None:
    reply = d.reply
    if reply is None or not reply.ok or "ok {ticket}" not in d.due or len(reply.words) != 1:
        return None
    return None if re.fullmatch(r"[0-9a-f]{4}", reply.words[0]) else "wire.ticket"


def _reasons_out_of_order(d: Difference, vow: Vow) -> str | None:
    """Of the two reasons that a state has for refusing, the one that comes later."""
    late = d.reply is not None and d.reply.words[:2] == ("state", "ticket")
    return "wire.reasons" if late and re.search(r"refuse state guard\b", d.due) else None


def _numbers(d: Difference, vow: Vow) -> tuple[Request, PointEntry, int, int] | None:
    """What was asked or put, and the number due and the one that came, in counts, where both are numbers."""
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    due, reply = parse_answer(d.due.encode("latin-1")), d.reply
    if not isinstance(request, Request) or not isinstance(due, Reply) or reply is None:
        return None
    entry = vow.points.get(request.name)
    if entry is None or entry.scale is None or not (due.ok and reply.ok):
        return None
    right, seen = (entry.scale.parse(each.words[0]) if each.words else None for each in (due, reply))
    return None if right is None or seen is None else (request, entry, right[0], seen[0])


def _number_another(d: Difference, vow: Vow) -> str | None:
    """What was put with fewer digits is answered as another number, by more than rounding does."""
    found = _numbers(d, vow)
    if found is None or found[0].verb != "put" or f" {found[0].arguments[0]} " in f"{d.due} ":
        return None
    _, entry, right, seen = found
    return f"point.{entry.name}.quantum" if abs(right - seen) > 1 else None


def _clock_ahead(d: Difference, vow: Vow) -> str | None:
    """The time since the boot is answered as more than has passed: that is no answer of before."""
    found = _numbers(d, vow)
    if found is None or found[0].verb != "ask" or found[1].system != "uptime":
        return None
    return f"point.{found[1].name}.readable" if found[3] > found[2] else None


def counted_less(d: Difference, vow: Vow) -> str | None:
    """The promise of a count that is answered as less than is due."""
    found = _numbers(d, vow)
    if found is None or found[1].system not in ("saves", "captures", "drops") or found[3] >= found[2]:
        return None
    return "wire.notice.queue" if found[1].system == "drops" else f"point.{found[1].name}.readable"


KINDS: tuple[Callable[[Difference, Vow], str | None], ...] = (
    _damaged_notice,
    _echoed,
    _no_message,
    _check_left_out,
    _guard_unasked,
    _let_through,
    _too_long,
    _deaf_after_no_line,
    _tail_of_overlong,
    _bad_check_accepted,
    _tag_left_out,
    _number_ill_formed,
    _ticket_ill_formed,
    _reasons_out_of_order,
    _number_another,
    _clock_ahead,
)


def blamed(difference: Difference, vow: Vow) -> str | None:
    """The requirement that is broken, if the difference alone shows it."""
    return next((named for kind in KINDS if (named := kind(difference, vow)) is not None), None)


# ---------------------------------------------------------------------------------------------- notices


@dataclass(frozen=True, slots=True)
class Unexpected:
    """A notice that the document does not allow, and what is known of the instrument just then."""

    notice: Notice
    state: str
    last_trip: str
    """The name of the last trip; empty if there was none."""
    silent: bool
    """Whether the host has been silent for longer than is allowed."""
    doing: str = ""
    """The action that waits for its answer; empty if none does."""


def _trip_told_wrong(u: Unexpected, vow: Vow) -> str | None:
    """A trip with a value that is none of what it reports."""
    words = u.notice.words
    trip = vow.trips.get(words[0]) if u.notice.event == "trip" and words else None
    if trip is None:
        return None
    scale = vow.points[trip.reports].scale
    unit = () if scale is None or scale.unit == "1" else (scale.unit,)
    return None if words[2:] == unit else f"trip.{trip.name}.notice"


def _fed_too_little(u: Unexpected, vow: Vow) -> str | None:
    """A trip for the host's silence, when it was not silent so long."""
    if u.notice.event != "trip" or u.silent or "watchdog" not in vow.parts:
        return None
    return "wire.watchdog" if u.notice.words[:1] and u.notice.words[0] in for_silence(vow) else None


def _trip_told_as_state(u: Unexpected, vow: Vow) -> str | None:
    """A state, where a trip had led to it, or has to lead to it now."""
    if u.notice.event != "state":
        return None
    to = u.notice.words[:1]
    if u.last_trip and to == (u.state,) == (vow.trips[u.last_trip].to,):
        return f"trip.{u.last_trip}.notice"
    due = [name for name in for_silence(vow) if u.silent and u.state in vow.trips[name].armed_in]
    return next((f"trip.{name}.notice" for name in due if to == (vow.trips[name].to,)), None)


def _asked_for(u: Unexpected, vow: Vow) -> str | None:
    """A change of state that was asked for: it is answered, and not noticed."""
    action = vow.actions.get(u.doing)
    if action is None or u.notice.event != "state" or u.notice.words != (action.to.get(u.state),):
        return None
    return f"action.{action.name}.effect"


def _latch_open(u: Unexpected, vow: Vow) -> str | None:
    """The state that a latched trip has led to is left by itself."""
    trip = vow.trips.get(u.last_trip)
    here = trip is not None and trip.latched and u.state == trip.to
    return f"trip.{u.last_trip}.latch" if here and u.notice.event == "state" else None


def for_silence(vow: Vow) -> list[str]:
    """The trips that look at the host's silence."""
    name = vow.system_name("silence")
    return [trip.name for trip in vow.trips.values() if name in trip.when.names]


NOTICES: tuple[Callable[[Unexpected, Vow], str | None], ...] = (
    _trip_told_wrong,
    _fed_too_little,
    _asked_for,
    _trip_told_as_state,
    _latch_open,
)


def blamed_for_notice(unexpected: Unexpected, vow: Vow) -> str | None:
    """The requirement that a notice breaks, if its kind shows it."""
    return next((named for kind in NOTICES if (named := kind(unexpected, vow)) is not None), None)


# ------------------------------------------------------------------------------------------- one cause

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_RANGE = re.compile(r"\{[^{}]*\.\.[^{}]*\}")
_WORD = re.compile(r"[a-z_]+(?:\.[a-z_]+)+")


def shape(text: str, names: Set[str] = frozenset()) -> str:
    """What is the same in two failures of one cause: no tags, checks, numbers, names of points, nor any of
    the document's `names`."""
    words = [word for word in _RANGE.sub("0", text).split(" ") if word[:1] not in ("@", "~")]
    signs = [_WORD.sub("NAME", _NUMBER.sub(_sign, word)) for word in words]
    return " ".join("NAME" if sign in names else sign for sign in signs)


def names_of(vow: Vow) -> frozenset[str]:
    """The words that a document brings along: its elements, and the units of its points."""
    units = {entry.scale.unit for entry in vow.points.values() if entry.scale is not None}
    return frozenset({*vow.points, *vow.trips, *vow.states, *vow.actions, *units})


def _sign(found: re.Match[str]) -> str:
    return "-0" if ILL_FORMED.fullmatch(found.group()) else "N"
