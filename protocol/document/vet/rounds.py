"""What happens by itself comes to rest: conditions that hold together do not lead round and round.

Left out are rounds in which time alone leads on, or in which a condition on a reading leaves a state: those
wait for what the state brings about. Where a protection is part of a round, or all of it takes no time,
nothing is waited for, and no state is a safe one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from wirevow.protocol.document.vet.logic import negation
from wirevow.protocol.document.vet.survey import Survey, Where
from wirevow.protocol.expression import Condition

MOST_STEPS = 5_000
"""Steps that are followed in all; hostile documents have more."""


@dataclass(frozen=True, slots=True)
class _Edge:
    """A transition that a condition makes."""

    source: str
    target: str
    where: Where
    name: str
    when: Condition
    after: int
    forced: bool


def check(survey: Survey) -> None:
    """Report each transition that closes such a round, once."""
    ways: dict[str, list[_Edge]] = {}
    for edge in _edges(survey):
        ways.setdefault(edge.source, []).append(edge)
    steps = MOST_STEPS
    told: set[Where] = set()
    order = {state: index for index, state in enumerate(survey.document.states)}
    waiting: list[tuple[_Edge, ...]] = [
        (edge,)
        for state in survey.document.states
        for edge in ways.get(state, ())
        if order[edge.target] >= order[state]
    ]
    while waiting and steps:
        steps -= 1
        path = waiting.pop(0)
        last = path[-1]
        if last.target == path[0].source:
            _tell(survey, path, told)
            continue
        for edge in ways.get(last.target, ()):
            # Each round is found once, from the first of its states.
            visited = any(edge.target == each.source for each in path[1:])
            if visited or order[edge.target] < order[path[0].source]:
                continue
            if not any(survey.prover.implies(each.when, negation(edge.when)) for each in path):
                waiting.append((*path, edge))


def _edges(survey: Survey) -> Iterator[_Edge]:
    document = survey.document
    for name, trip in document.trips.items():
        for state in document.states if trip.armed_in is None else trip.armed_in:
            if state != trip.to and not trip.latched:
                where: Where = ("trips", name)
                yield _Edge(state, trip.to, where, name, trip.when.atoms(), trip.after, forced=True)
    for name, state_ in document.states.items():
        for index, leave in enumerate(state_.leaves):
            if leave.when is None or not all(_put(survey, point) for point in leave.when.names):
                continue
            where = ("states", name, "leaves", index)
            label = f"leave {index + 1} of {name}"
            yield _Edge(name, leave.to, where, label, leave.when.atoms(), leave.after, forced=False)


def _put(survey: Survey, name: str) -> bool:
    """Whether nothing but the host or the panel moves it."""
    return survey.is_setting(name) or survey.document.points[name].system == "control"


def _tell(survey: Survey, path: tuple[_Edge, ...], told: set[Where]) -> None:
    last = path[-1]
    at_once = not any(edge.after for edge in path)
    if last.where in told or not (at_once or any(edge.forced for edge in path)):
        return
    told.add(last.where)
    others = " and ".join(dict.fromkeys(edge.name for edge in path[:-1]))
    survey.report(
        "state-round",
        last.where,
        f"{last.name} leads back to {last.target}, and {others} out of it again:"
        " while their conditions hold together it goes round and round",
        "lead to a state where none of them watches, latch it, or make the conditions exclude each other",
    )
