"""What a tester brings about: what it is for, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.document.model import Leave, Provoke, duration_text
from wirevow.protocol.document.terminals import Terminals
from wirevow.protocol.document.vet.points import defaults
from wirevow.protocol.document.vet.survey import Departure, Survey
from wirevow.protocol.expression import Comparison, Expression, ExpressionError
from wirevow.protocol.expression.tree import conjuncts
from wirevow.protocol.units import convertible, si_per_unit


def _departures(survey: Survey) -> list[Departure]:
    return [each for each in survey.provocations() if isinstance(each, Departure)]


def check(survey: Survey) -> None:
    """What provokes one thing does not provoke another that may come first, and lead away from it."""
    found = _departures(survey)
    for one in found:
        for other in found:
            if other is one or one.provoke.state not in other.states or other.to in one.states:
                continue
            if _within(other.provoke, one.provoke) and not _sooner(survey, one, other):
                survey.report(
                    "provoke-shared",
                    one.where,
                    f"in {one.provoke.state} this provokes {other.name} as well, which leads to {other.to}: "
                    f"nothing says that {one.name} comes first",
                    f"bring {one.name} about in another state, or with something that {other.name} does not "
                    f"look at; or let it happen within less than the {duration_text(other.after)} that "
                    f"{other.name} takes",
                )
                break


def _within(other: Provoke, one: Provoke) -> bool:
    """Whether all that provokes the other is done to provoke this one."""
    does_something = other.put or other.bench or other.silence
    return (
        bool(does_something)
        and other.put.items() <= one.put.items()
        and other.bench.items() <= one.bench.items()
        and one.silence >= other.silence
    )


def _sooner(survey: Survey, one: Departure, other: Departure) -> bool:
    """Whether it surely comes before the other."""
    if one.provoke.within <= other.after:
        return True
    return one.after < other.after and survey.prover.implies(other.when.atoms(), one.when.atoms())


def at_rest(survey: Survey, plant: Terminals) -> None:
    """Where the plant can tell: the bench brings readings to where a tester needs them, and only there."""
    # Where settings drive it, its states alone do not say what is driven.
    if plant.rests is not None and all(point.drives is None for point in survey.document.points.values()):
        _reached(survey, plant)
        _harmless(survey, plant)


def _reached(survey: Survey, plant: Terminals) -> None:
    """What a bench event brings a reading to is beyond the threshold."""
    for each in _departures(survey):
        if not each.provoke.bench or each.provoke.silence or each.provoke.state not in each.states:
            continue
        for part in conjuncts(each.when.atoms()):
            if isinstance(part, Comparison):
                _reaches(survey, plant, each, Expression.of(part))


def _reaches(survey: Survey, plant: Terminals, each: Departure, part: Expression) -> None:
    document = survey.document
    measured = frozenset(name for name, point in document.points.items() if point.signal is not None)
    try:
        thresholds = part.as_threshold(measured)
    except ExpressionError:
        return
    values = defaults(survey)
    values |= {
        name: value if isinstance(value, str) else Fraction(value)
        for name, value in each.provoke.put.items()
    }  # fmt: skip
    if len(thresholds) != 1 or not thresholds[0].expression.names <= values.keys():
        return
    (threshold,) = thresholds
    rest = _rest(survey, plant, each.provoke.state, each.provoke.bench, threshold.point)
    if rest is None:
        return
    level = threshold.expression.number(values)
    if rest <= level if threshold.above else rest >= level:
        told = ", ".join(f"{name} {value}" for name, value in each.provoke.bench.items())
        survey.report(
            "provoke-short",
            (*each.where, "bench"),
            f"with {told} in {each.provoke.state}, {threshold.point} comes to {float(rest):g}, and "
            f"{each.name} needs {part.text}",
            "go further with the bench, or bring it about in another state",
        )


def _rest(
    survey: Survey, plant: Terminals, state: str, bench: Mapping[str, Decimal | str], point: str
) -> Fraction | None:
    """Where a reading comes to rest in a state and with what the bench is turned to, in its own unit."""
    document = survey.document
    signal, unit = document.points[point].signal, survey.scales[point].unit
    assert plant.rests is not None
    if signal is None or not convertible(unit, plant.signals[signal].unit):
        return None
    controls: dict[str, float | str] = {}
    for name, output in document.states[state].outputs.items():
        if not isinstance(output, Decimal | str):
            return None  # it follows a setting
        controls[name] = float(output) if isinstance(output, Decimal) else output
    events: dict[str, float | str] = {}
    for name, declared in survey.events.items():
        value = bench.get(name, declared.base)
        if name in plant.events and value is not None:
            in_unit = document.quantities[declared.value].unit if declared.value is not None else "1"
            events[name] = value if isinstance(value, str) else float(value) * si_per_unit(in_unit)
    rest = plant.rests(signal, controls, events)
    return None if rest is None else Fraction(rest) / Fraction(si_per_unit(unit))


def _harmless(survey: Survey, plant: Terminals) -> None:
    """No `other` of a bench event trips what would not trip without it."""
    document = survey.document
    for event, declared in survey.events.items():
        if declared.other is None:
            continue
        bench = {event: declared.other}
        for name, trip in document.trips.items():
            for state in document.states if trip.armed_in is None else trip.armed_in:
                if (
                    state != trip.to
                    and not any(
                        _leaves(survey, plant, state, bench, each) for each in document.states[state].leaves
                    )
                    and _holds(survey, plant, state, bench, trip.when)
                    and not _holds(survey, plant, state, {}, trip.when)
                ):
                    survey.report(
                        "event-trips",
                        ("bench", event, "other"),
                        f"with {event} {declared.other} in {state}, {name} trips, "
                        "and a tester may turn it there",
                        f"write a value with which {trip.when.text} stays false, or move the threshold",
                    )
                    return


def _leaves(
    survey: Survey, plant: Terminals, state: str, bench: Mapping[str, Decimal | str], leave: Leave
) -> bool:
    """Whether a state may end before readings have come to rest."""
    return leave.when is None or _holds(survey, plant, state, bench, leave.when)


def _holds(
    survey: Survey, plant: Terminals, state: str, bench: Mapping[str, Decimal | str], when: Expression
) -> bool:
    """Whether a condition is true once readings have come to rest, settings at their defaults."""
    values = defaults(survey)
    for name in when.names - values.keys():
        point = survey.document.points[name]
        rest = _rest(survey, plant, state, bench, name) if point.signal and name in survey.scales else None
        if rest is None:
            return False
        values[name] = rest
    return when.truth(values)
