"""Trips: each can fire, is not hidden by another, and can be cleared."""

from __future__ import annotations

from itertools import permutations

from wirevow.protocol.document.model import Trip, duration_text
from wirevow.protocol.document.vet.logic import negation
from wirevow.protocol.document.vet.machine import edges
from wirevow.protocol.document.vet.survey import Survey, plain
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.expression.tree import Comparison, Condition, Point, conjuncts


def check(survey: Survey) -> None:
    """Every rule about trips."""
    for name, trip in survey.document.trips.items():
        _armed(survey, name, trip)
        _fires(survey, name, trip)
        _clears(survey, name, trip)
    _shadowed(survey)


def armed(survey: Survey, trip: Trip) -> frozenset[str]:
    """The states that the trip watches; in the one it leads to it has done its work."""
    states = survey.document.states if trip.armed_in is None else trip.armed_in
    return frozenset(states) - {trip.to}


def _armed(survey: Survey, name: str, trip: Trip) -> None:
    if not armed(survey, trip):
        survey.report(
            "trip-unarmed",
            ("trips", name, "in"),
            f"{name} watches no state but {trip.to}, which it leads to",
            "name the states it protects",
        )


def _fires(survey: Survey, name: str, trip: Trip) -> None:
    where = ("trips", name, "when")
    truths = survey.truths(trip.when)
    if truths == {True}:
        survey.report(
            "trip-always",
            where,
            f"the condition of {name} is true for every value that can be read",
            "move the threshold into the quantity's range",
        )
    elif truths == {False} or _against_limits(survey, trip.when.atoms()):
        survey.report(
            "trip-never",
            where,
            f"the condition of {name} is true for no value that can be read or put",
            "move the threshold into the quantity's range",
        )
    else:
        _reach(survey, name, trip)


def _against_limits(survey: Survey, condition: Condition) -> bool:
    """Whether settings' limits alone exclude it, such as `level > ceiling` where ceiling bounds level."""
    held: list[Condition] = []
    for name, point in survey.document.points.items():
        left = Point(name)
        if point.low is not None and point.low.kind == "number":
            held.append(Comparison(left, ">=", point.low.root))  # type: ignore[arg-type]
        if point.high is not None and point.high.kind == "number":
            held.append(Comparison(left, "<=", point.high.root))  # type: ignore[arg-type]
    return any(survey.prover.implies(fact, negation(condition)) for fact in held)


def _reach(survey: Survey, name: str, trip: Trip) -> None:
    """No setting moves the threshold to where the reading cannot follow."""
    # Behind an `or` or a `not` another part may still fire, so only what must hold is judged.
    measured = frozenset(name for name in survey.full_ranges if not survey.is_setting(name))
    for part in conjuncts(trip.when.atoms()):
        if not isinstance(part, Comparison):
            continue
        try:
            thresholds = Expression.of(part).as_threshold(measured)
        except ExpressionError:
            continue
        for threshold in thresholds:
            level = survey.interval(threshold.expression)
            if level is None or not threshold.expression.names or len(thresholds) > 1:
                continue
            low, high = survey.full_ranges[threshold.point]
            beyond = level[1] if threshold.above else level[0]
            if beyond >= high if threshold.above else beyond <= low:
                survey.report(
                    "trip-reach",
                    ("trips", name, "when"),
                    f"{threshold.point} is never {'above' if threshold.above else 'below'}"
                    f" {plain(high if threshold.above else low)}, and settings can move the threshold of"
                    f" {name} to {plain(beyond)}",
                    "narrow the settings, or widen the quantity",
                )
                return


def _clears(survey: Survey, name: str, trip: Trip) -> None:
    if trip.cleared_when is not None:
        if survey.truths(trip.cleared_when) == {False}:
            survey.report(
                "trip-clears",
                ("trips", name, "cleared_when"),
                f"{name} is never cleared, for no value makes this true",
                "compare with values that can be read",
            )
        elif survey.prover.implies(trip.when.atoms(), trip.cleared_when.atoms()):
            survey.report(
                "trip-clears",
                ("trips", name, "cleared_when"),
                f"{name} counts as cleared while its condition holds",
                "clear it on the other side of the threshold",
            )
    if not trip.latched:
        return
    if any(
        "clear_trip" in action.does and trip.to in action.allowed
        for action in survey.document.actions.values()
    ):
        _stays(survey, name, trip)
    else:
        survey.report(
            "trip-no-clear",
            ("trips", name, "to"),
            f"no action clears {name} in {trip.to}",
            "add an action with does: [clear_trip] there, or write latched: false",
        )


def _stays(survey: Survey, name: str, trip: Trip) -> None:
    """A latch is opened by nothing but an action that clears it, or a boot."""
    document = survey.document
    opens = [
        ("actions", each)
        for each, action in document.actions.items()
        if "clear_trip" in action.does or "reboot" in action.does
    ]
    opens += [("trips", each) for each, other in document.trips.items() if other.latched]
    way = next(
        (edge for edge in edges(survey) if edge.source == trip.to != edge.target and edge.where not in opens),
        None,
    )
    if way is not None:
        survey.report(
            "trip-latch",
            ("trips", name, "latched"),
            f"{name} is latched, and {way.name} leads out of {trip.to} without clearing it",
            f"keep {trip.to} there, let nothing but an action that clears lead out, or write latched: false",
        )


def _shadowed(survey: Survey) -> None:
    """A trip whose condition implies that of one that is at least as fast never gets its turn."""
    order = list(survey.document.trips)
    told: set[str] = set()
    for first, second in permutations(order, 2):
        before, after = survey.document.trips[first], survey.document.trips[second]
        if second in told or first in told or before.after > after.after:
            continue
        if not armed(survey, after) <= armed(survey, before) or before.to in armed(survey, after):
            continue
        if survey.prover.implies(after.when.atoms(), before.when.atoms()):
            told.add(second)
            survey.report(
                "trip-shadowed",
                ("trips", second),
                f"{second} never fires, for {first} does in the same cases, {_sooner(before, after)}",
                "move its threshold, or make it faster",
            )


def _sooner(before: Trip, after: Trip) -> str:
    if before.after == after.after:
        return "as fast"
    return f"after {duration_text(before.after)} instead of {duration_text(after.after)}"
