"""What a page has to know of a document, as JSON: names, meanings, formulas, what leads where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping

from wirevow.protocol.conformance.envelope import energising_actions
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.expression import Expression
from wirevow.protocol.expression.tree import (
    And,
    Arithmetic,
    Call,
    Comparison,
    Negation,
    Node,
    Not,
    Number,
    Or,
    Point,
    Word,
)
from wirevow.protocol.plane import axes, borders
from wirevow.protocol.quantity import Scale
from wirevow.protocol.vow import PointEntry, Vow, bench_events, scale_of

Json = object
MOST_LEADING = 4
"""Readings that are shown large."""


def describe(vow: Vow, events: Collection[str]) -> dict[str, Json]:
    """The document of a page. `events`: names of the bench events that can be made to happen."""
    document = vow.document
    known = bench_events(document)
    armed: dict[str, Json] = {f"limit {name}": limit.armed_in for name, limit in document.limits.items()}
    armed |= {f"trip {name}": sorted(trip.armed_in) for name, trip in vow.trips.items()}
    return {
        "name": vow.identity[0],
        "version": vow.identity[1],
        "digest": vow.identity[2],
        "title": document.vow.title,
        "initial": vow.initial,
        "safe": document.trial.safe,
        "statePoint": vow.system_name("state"),
        "lastTripPoint": vow.system_name("last_trip"),
        "leading": leading(vow),
        "points": [_point(vow, entry) for entry in vow.points.values()],
        "axes": {name: [axis.kind, float(axis.factor)] for name, axis in axes(vow).items()},
        "borders": [
            {
                "name": border.name,
                "condition": formula(border.condition),
                "holds": border.holds,
                "in": armed.get(border.name),
            }
            for border in borders(vow, axes(vow))
        ],
        "states": [
            {
                "name": name,
                "means": document.states[name].means,
                "energised": state.energised,
                "leaves": [
                    {
                        "to": leave.to,
                        "when": None if leave.when is None else leave.when.text,
                        "after": leave.after_ns / 1e9,
                        "means": document.states[name].leaves[leave.index].means,
                    }
                    for leave in state.leaves
                ],
            }
            for name, state in vow.states.items()
        ],
        "actions": [
            {
                "name": name,
                "means": document.actions[name].means,
                "to": dict(action.to),
                "guard": formula(action.guard),
                "ticket": action.takes_ticket,
                "gives": action.gives_ticket_ns is not None,
                "many": action.many,
                "always": action.always,
                "energises": name in energising_actions(vow),
            }
            for name, action in vow.actions.items()
        ],
        "trips": [
            {
                "name": name,
                "means": document.trips[name].means,
                "when": formula(trip.when),
                "cleared": formula(trip.cleared_when),
                "after": trip.after_ns / 1e9,
                "in": [state for state in vow.states if state in trip.armed_in],
                "latched": trip.latched,
                "to": trip.to,
                "reports": trip.reports,
            }
            for name, trip in vow.trips.items()
        ],
        "limits": [
            {
                "name": name,
                "means": limit.means,
                "of": limit.of,
                "low": formula(limit.low),
                "high": formula(limit.high),
                "in": limit.armed_in,
            }
            for name, limit in document.limits.items()
        ],
        "derating": None
        if document.derating is None
        else {
            "means": document.derating.means,
            "temperature": document.derating.temperature,
            "ceiling": document.derating.ceiling,
            "start": float(document.derating.start),
            "end": float(document.derating.end),
            "floor": float(document.derating.floor),
        },
        "events": [_event(vow, name, known[name]) for name in known if name in events],
        "requirements": [
            {"id": each.id, "section": each.section, "sentence": each.sentence}
            for each in requirements(document)
        ],
    }


def leading(vow: Vow) -> list[str]:
    """The readings that the document's protections, limits and laws speak of most, in its own order."""
    spoken = Counter(name for name in _spoken(vow) if name in vow.points)
    readings = [name for name, entry in vow.points.items() if entry.source in ("signal", "derived")]
    most = sorted(readings, key=lambda name: -spoken[name])[:MOST_LEADING]
    return [name for name in readings if name in most]


def _spoken(vow: Vow) -> Iterator[str]:
    document = vow.document
    for trip in vow.trips.values():
        yield from trip.when.names
        yield trip.reports
    for limit in document.limits.values():
        yield limit.of
    for law in document.laws.values():
        yield from law.holds.names if law.holds is not None else ()
    for state in vow.states.values():
        for leave in state.leaves:
            yield from leave.when.names if leave.when is not None else ()
    if document.derating is not None:
        yield document.derating.temperature
        yield document.derating.power or ""
    if document.fan is not None:
        yield document.fan.temperature


def _point(vow: Vow, entry: PointEntry) -> Mapping[str, Json]:
    return {
        "name": entry.name,
        "means": vow.document.points[entry.name].means,
        "kind": entry.kind,
        "source": entry.source,
        "settable": entry.settable,
        "choices": entry.choices,
        "setIn": None if entry.set_in is None else sorted(entry.set_in),
        "low": formula(entry.low),
        "high": formula(entry.high),
        **_scale(entry.scale),
    }


def _scale(scale: Scale | None) -> Mapping[str, Json]:
    if scale is None:
        return {}
    return {
        "unit": scale.unit,
        "digits": scale.digits,
        "step": float(scale.step),
        "least": float(scale.low * scale.step),
        "most": float(scale.high * scale.step),
    }


def _event(vow: Vow, name: str, event: BenchEvent) -> Mapping[str, Json]:
    scale = None if event.value is None else scale_of(vow.document.quantities[event.value])
    return {
        "name": name,
        "means": event.means,
        "choices": event.choice,
        "base": None if event.base is None else str(event.base),
        **_scale(scale),
    }


def formula(expression: Expression | None) -> Json:
    """A formula as the page computes it: its text, the names in it, and a tree of lists."""
    if expression is None:
        return None
    return {"text": expression.text, "names": sorted(expression.names), "tree": _tree(expression.root)}


def _tree(node: Node) -> Json:
    match node:
        case Number(value=value):
            return float(value)
        case Point(name=name):
            return ["point", name]
        case Word(word=word):
            return ["word", word]
        case Negation(operand=operand):
            return ["negative", _tree(operand)]
        case Arithmetic(left=left, operator=operator, right=right):
            return [operator, _tree(left), _tree(right)]
        case Comparison(left=left, relation=relation, right=right):
            return [relation, _tree(left), _tree(right)]
        case Call(function=function, arguments=arguments):
            return [function, *map(_tree, arguments)]
        case And(parts=parts):
            return ["and", *map(_tree, parts)]
        case Or(parts=parts):
            return ["or", *map(_tree, parts)]
        case Not(part=part):
            return ["not", _tree(part)]
