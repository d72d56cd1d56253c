"""What of a document its firmware can be held to, through a dialect: the rest is left out, and told why.

`narrowed` is the document without what the firmware lacks, as far as the language can do without it. A point
that others are reckoned with (a trip looks at it) stays in the document and is *unasked*; whoever would ask
it is refused by `Unasked`. What speaks of lines, tags and checks is kept by the adapter, and says nothing of
the firmware.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cached_property
from typing import Any

from pydantic import BaseModel

from wirevow.protocol.dialect.file import Feature, Phrasebook, lacked
from wirevow.protocol.document.model import Capture, Document, Pulse
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.expression import Expression
from wirevow.protocol.message import Request, parse_request
from wirevow.protocol.vow import Vow, compile_vow

KEPT_BY_ADAPTER = (
    "wire.framing",
    "wire.length",
    "wire.syntax",
    "wire.idle",
    "wire.resync",
    "wire.tag",
    "wire.order",
    "wire.unit",
    "wire.exact",
    "wire.round",
    "wire.reasons",
    "wire.check",
    "wire.guard",
    "wire.echo_check",
    "wire.once",
    "wire.identity",
    "point.*.unit",
    "point.*.access",
    "point.link.guard.*",
)
"""Requirements about what a line looks like: where there is a dialect, the adapter writes the lines."""

FOR_FEATURE: tuple[tuple[Feature, tuple[str, ...]], ...] = (
    ("tickets", ("wire.ticket", "action.*.ticket")),
    ("notices", ("wire.notice.*", "trip.*.notice", "point.link.notices.*", "point.link.drops.*")),
    ("bulk", ("wire.bulk", "record.*")),
    ("local", ("point.*.local", "point.panel.control.*")),
    ("watchdog", ("wire.watchdog", "point.link.silence.*")),
)
"""Requirements that are there for a feature alone."""

BY_ADAPTER = "the firmware has a syntax of its own: the adapter keeps this for it"
_STAYS = ("identity", "state", "guard", "uptime", "boots", "boot_cause")
"""System points that every document has."""


def narrowed(book: Phrasebook) -> Vow:
    """The document without what the firmware lacks; it answers to the whole document's name and digest."""
    document, dialect = book.vow.document, book.dialect
    points = book.vow.points
    watched = "watchdog" not in dialect.lacks
    silence = book.vow.system_name("silence")
    trips = {name: trip for name, trip in document.trips.items() if watched or silence not in trip.when.names}
    actions = {name: action for name, action in document.actions.items() if name not in dialect.lacks}
    gone = {name for name, entry in points.items() if lacked(name, entry, dialect)}
    gone -= {name for name, entry in points.items() if entry.system in _STAYS}
    while needed := gone & set(_reckoned(document, gone, trips.values(), actions.values())):
        gone -= needed

    def without(sections: Mapping[str, Any]) -> dict[str, Any]:
        return {name: each for name, each in sections.items() if not _mentions(each, gone)}

    def provoked(section: Any) -> Any:
        provoke = section.provoke
        return section.model_copy(update={"provoke": None}) if _mentions(provoke, gone) else section

    tickets = {} if "tickets" not in dialect.lacks else {"gives_ticket": None, "takes_ticket": None}
    checks = {"link.guard"} if "checks" in dialect.lacks else set()
    local = {"local": False} if "local" in dialect.lacks else {}
    narrow = document.model_copy(
        update={
            "wire": document.wire.model_copy(
                update={
                    "parts": [each for each in document.wire.parts if each not in dialect.lacks],
                    "reply_deadline": _deadline_ns(book),
                }
            ),
            "points": {
                name: point.model_copy(
                    update={**local, "follows": None if _mentions(point.follows, gone) else point.follows}
                )
                for name, point in document.points.items()
                if name not in gone
            },
            "records": {} if "bulk" in dialect.lacks else document.records,
            "states": {
                name: state.model_copy(update={"leaves": [provoked(leave) for leave in state.leaves]})
                for name, state in document.states.items()
            },
            "trips": {name: provoked(trip) for name, trip in trips.items()},
            "actions": {
                name: action.model_copy(
                    update={
                        **tickets,
                        "guard": None if _mentions(action.guard, checks) else action.guard,
                        "does": [_effect(each, gone) for each in action.does if _kept(each, dialect.lacks)],
                    }
                )
                for name, action in actions.items()
            },
            "limits": {name: provoked(each) for name, each in without(document.limits).items()},
            "laws": {name: provoked(each) for name, each in without(document.laws).items()},
            "derating": None if _mentions(document.derating, gone) else document.derating,
            "fan": None if _mentions(document.fan, gone) else document.fan,
            "promises": {name: each for name, each in document.promises.items() if name not in gone},
            "bench": {
                name: event.model_copy(
                    update={
                        "shown_by": [each for each in event.shown_by if each not in gone],
                        "moves": {each: span for each, span in event.moves.items() if each not in gone},
                    }
                )
                for name, event in document.bench.items()
            },
            "trial": document.trial.model_copy(
                update={
                    key: None for key in ("safe", "reset") if getattr(document.trial, key) in dialect.lacks
                }
            ),
        }
    )
    return replace(compile_vow(narrow), identity=book.vow.identity)


def left_out(book: Phrasebook) -> dict[str, str]:
    """By the id of each requirement of the document that the firmware is not held to: why not."""
    kept = requirement_ids(narrowed(book).document)
    unasked = Unasked(book)
    reasons: dict[str, str] = {}
    for name in requirement_ids(book.vow.document):
        element = name.partition(".")[2].rpartition(".")[0]
        if name == "wire.identity" and not book.lacks("identity"):
            continue
        if _any(name, KEPT_BY_ADAPTER):
            reasons[name] = BY_ADAPTER
        elif feature := next(
            (each for each, for_it in FOR_FEATURE if _any(name, for_it) and book.lacks(each)), ""
        ):
            reasons[name] = _lacks(feature)
        elif name.startswith(("point.", "action.")) and element in book.dialect.lacks:
            reasons[name] = _lacks(element)
        elif name not in kept:
            reasons[name] = _lacks("what it takes")
        elif name.startswith("point.") and element in unasked.points:
            reasons[name] = _lacks(element)
        elif name == "wire.boot" and book.vow.system_name("boots") in unasked.points:
            reasons[name] = "the firmware does not count its boots, as its dialect says"
    return reasons


def summary_of(book: Phrasebook) -> list[str]:
    """What a dialect says, and what it leaves unsaid, in a few lines."""
    judged = len(requirement_ids(book.vow.document)) - len(left_out(book))
    counts = f"{len(book.asks)} questions, {len(book.puts)} settings, {len(book.acts)} actions"
    lines = [f"{book.name}: {counts}; {judged} requirements can be judged through it"]
    if book.dialect.lacks:
        lines.append(f"the firmware lacks {', '.join(book.dialect.lacks)}")
    if any(reason is None for _, reason in book.refusals):
        lines.append("a refusal without a reason answers `refuse unsaid`, and is right wherever one is due")
    lines += [f"a put of {name} answers `ok unsaid`: nothing can be asked back" for name in book.unsaid()]
    return lines


def _any(name: str, patterns: Iterable[str]) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def _lacks(what: str) -> str:
    return f"the firmware lacks {what}, as its dialect says"


@dataclass(frozen=True)
class Unasked:
    """What the firmware cannot be asked, or not so that it can be judged."""

    book: Phrasebook

    @cached_property
    def points(self) -> frozenset[str]:
        """Points that it does not tell."""
        points = self.book.vow.points
        own = {name for name, entry in points.items() if entry.system in ("identity", "guard")}
        return frozenset(points.keys() - self.book.asks.keys() - own)

    @cached_property
    def settings(self) -> frozenset[str]:
        """Settings of which nobody knows what a put has made of them."""
        return frozenset(self.book.unsaid())

    def refusal(self, lines: Iterable[bytes]) -> str:
        """Why these lines of the wire cannot be judged; empty if they can."""
        for line in lines:
            request = parse_request(line.removesuffix(b"\r"))
            if not isinstance(request, Request):
                continue
            if request.verb == "ask" and request.name in self.points:
                return _lacks(request.name)
            if request.verb == "put" and request.name in self.settings:
                return f"what a put has made of {request.name} cannot be asked back"
        return ""


def _deadline_ns(book: Phrasebook) -> int:
    """An answer on the wire may take two of the firmware's."""
    phrases = [*book.puts.items(), *book.acts.items()]
    twice = any(
        each.answer is None or (name in book.puts and not book.told(name, each.answer))
        for name, each in phrases
    )
    return (2 if twice else 1) * book.deadline_ns


def _reckoned(
    document: Document, gone: set[str], trips: Iterable[Any], actions: Iterable[Any]
) -> Iterator[str]:
    """Names of points that the machine of what is left looks at."""
    for trip in trips:
        yield trip.reports
        yield from _names(trip.when, trip.cleared_when)
    for action in actions:
        yield from _names(action.guard)
    for state in document.states.values():
        for leave in state.leaves:
            yield from _names(leave.when)
    for name, point in document.points.items():
        if name not in gone:
            yield from _names(point.low, point.high, point.derived)
            yield from filter(None, (point.highest, point.lowest))


def _names(*formulas: Expression | None) -> Iterator[str]:
    for formula in formulas:
        if formula is not None:
            yield from formula.names


def _mentions(part: Any, names: set[str]) -> bool:
    """Whether a part of a document speaks of one of these points."""
    if isinstance(part, Expression):
        return not names.isdisjoint(part.names)
    if isinstance(part, str):
        return part in names
    if isinstance(part, BaseModel):
        return any(_mentions(getattr(part, key), names) for key in type(part).model_fields)
    if isinstance(part, dict):
        return any(_mentions(each, names) for pair in part.items() for each in pair)
    return isinstance(part, list | tuple) and any(_mentions(each, names) for each in part)


def _kept(effect: Any, lacks: list[str]) -> bool:
    return not (isinstance(effect, Capture) and "bulk" in lacks)


def _effect(effect: Any, gone: set[str]) -> Any:
    if not isinstance(effect, Pulse):
        return effect
    return effect.model_copy(update={"zeroes": [each for each in effect.zeroes if each not in gone]})
