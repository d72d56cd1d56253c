"""Names that are used are declared, and are of the kind that is needed there.

These rules come first: while one of them is broken the others are not asked, for they would follow names
that lead nowhere.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from decimal import Decimal
from typing import Any

from wirevow.protocol.document.model import (
    Action,
    Capture,
    FromPoint,
    Point,
    Pulse,
    Put,
    Rows,
    row_name,
    rows_of,
)
from wirevow.protocol.document.vet.survey import Survey, Where, near
from wirevow.protocol.expression import Expression
from wirevow.protocol.expression.tree import Comparison, Word, names, walk
from wirevow.protocol.expression.tree import Point as PointNode


def check(survey: Survey) -> None:
    """Every rule about references."""
    _points(survey)
    _states(survey)
    _actions(survey)
    _trips(survey)
    _envelope(survey)
    _records(survey)
    _testing(survey)
    for where, formula in survey.formulas():
        _formula(survey, where, formula)


def _known(survey: Survey, kind: str, where: Where, name: str, declared: Collection[str]) -> bool:
    if name in declared:
        return True
    remedy = f"declare it, or name one of {_some(list(declared))}"
    survey.report(
        f"unknown-{kind}",
        where,
        f"there is no {'bench event' if kind == 'event' else kind} {name}",
        near(name, declared, remedy),
    )
    return False


def _some(names: list[str]) -> str:
    return (
        ", ".join(names[:4]) + (", ..." if len(names) > 4 else "") if names else "none (there are none yet)"
    )


def _states_known(survey: Survey, where: Where, states: Iterable[str] | None) -> None:
    for index, state in enumerate(states or ()):
        _known(survey, "state", (*where, index), state, survey.document.states)


def _number(survey: Survey, where: Where, name: str) -> None:
    """A point that holds a number."""
    known = _known(survey, "point", where, name, survey.document.points)
    if known and survey.document.points[name].quantity is None:
        survey.report("not-a-reading", where, f"{name} is no number", "name a point with a quantity")


def _extreme(survey: Survey, name: str, point: Point) -> None:
    """What keeps the highest or lowest of a reading is a number of the same kind."""
    key = "highest" if point.highest is not None else "lowest"
    reading = point.highest or point.lowest
    where: Where = ("points", name, key)
    if reading is None or not _known(survey, "point", where, reading, survey.document.points):
        return
    of = survey.document.points[reading]
    if of.signal is None:
        survey.report("extreme-of", where, f"{reading} is not measured", "name a point that has a signal")
    elif point.quantity != of.quantity:
        survey.report(
            "extreme-of",
            ("points", name),
            f"{name} is another quantity than {reading}, whose {key} value it keeps",
            f"write quantity: {of.quantity}",
        )


def _points(survey: Survey) -> None:
    document = survey.document
    for name, point in document.points.items():
        where = ("points", name)
        if point.quantity is not None:
            _known(survey, "quantity", (*where, "quantity"), point.quantity, document.quantities)
        if point.record is not None:
            _known(survey, "record", (*where, "record"), point.record, document.records)
        _extreme(survey, name, point)
        _states_known(survey, (*where, "set_in"), point.set_in)
        if point.default is not None:
            _value(survey, (*where, "default"), name, point.default)


def _value(survey: Survey, where: Where, name: str, value: Decimal | str) -> bool:
    """Whether a value is of the point's kind: a number, or one of its words."""
    point = survey.document.points[name]
    return _fits(survey, where, name, value, point.quantity is not None, survey.choices(name))


def _fits(
    survey: Survey, where: Where, name: str, value: Decimal | str, number: bool, choices: tuple[str, ...]
) -> bool:
    if number:
        if isinstance(value, str):
            survey.report("wrong-kind", where, f"{name} is a number, not {value}", "write a number")
            return False
    elif isinstance(value, Decimal):
        survey.report("wrong-kind", where, f"{name} is no number", f"write one of {_some(list(choices))}")
        return False
    elif value not in choices:
        remedy = near(value, choices, f"write one of {', '.join(choices)}" if choices else "leave it out")
        survey.report("unknown-word", where, f"{value} is none of the choices of {name}", remedy)
        return False
    return True


def _states(survey: Survey) -> None:
    document = survey.document
    for name, state in document.states.items():
        for control, output in state.outputs.items():
            if isinstance(output, FromPoint):
                _setting(survey, ("states", name, "outputs", control, "from"), output.point)
        for index, leave in enumerate(state.leaves):
            _known(survey, "state", ("states", name, "leaves", index, "to"), leave.to, document.states)


def _setting(survey: Survey, where: Where, name: str) -> bool:
    if not _known(survey, "point", where, name, survey.document.points):
        return False
    if not survey.is_setting(name):
        survey.report("not-a-setting", where, f"{name} is no setting", "name a point with access: set")
        return False
    return True


def _actions(survey: Survey) -> None:
    document = survey.document
    for name, action in document.actions.items():
        where = ("actions", name)
        _states_known(survey, (*where, "from"), action.allowed)
        _states_known(survey, (*where, "keeps"), action.keeps)
        if action.to is not None:
            _known(survey, "state", (*where, "to"), action.to, document.states)
        if action.takes_ticket is not None:
            _known(survey, "action", (*where, "takes_ticket"), action.takes_ticket, document.actions)
        for index, effect in enumerate(action.does):
            if isinstance(effect, Capture):
                _known(survey, "record", (*where, "does", index), effect.capture, document.records)


def _trips(survey: Survey) -> None:
    document = survey.document
    for name, trip in document.trips.items():
        where = ("trips", name)
        _states_known(survey, (*where, "in"), trip.armed_in)
        _known(survey, "state", (*where, "to"), trip.to, document.states)
        if _known(survey, "point", (*where, "reports"), trip.reports, document.points):
            point = document.points[trip.reports]
            if point.quantity is None and not survey.choices(trip.reports):
                survey.report(
                    "not-a-reading",
                    (*where, "reports"),
                    f"{trip.reports} is no single value",
                    "name a reading",
                )


def _envelope(survey: Survey) -> None:
    document = survey.document
    for name, limit in document.limits.items():
        _states_known(survey, ("limits", name, "in"), limit.armed_in)
        _number(survey, ("limits", name, "of"), limit.of)
    for name, law in document.laws.items():
        _states_known(survey, ("laws", name, "in"), law.armed_in)
        for key, point in (
            ("integral_of", law.integral_of),
            ("is", law.counter),
            ("never_falls", law.never_falls),
            ("while_rises", law.while_rises),
            ("alternates", law.alternates),
            ("counted_by", law.counted_by),
            ("rate_of", law.rate_of),
            ("at_most", law.at_most),
            ("elapses", law.elapses),
            ("steps", law.steps),
        ):
            if point is not None:
                _number(survey, ("laws", name, key), point)
        for index, phase in enumerate(law.phases or ()):
            _number(survey, ("laws", name, "phases", index, "level"), phase.level)
            _number(survey, ("laws", name, "phases", index, "lasts"), phase.lasts)
        if law.rows is not None:
            _rows(survey, name, law.rows)
    if document.derating is not None:
        _number(survey, ("derating", "temperature"), document.derating.temperature)
        if _setting(survey, ("derating", "ceiling"), document.derating.ceiling):
            _number(survey, ("derating", "ceiling"), document.derating.ceiling)
    if document.fan is not None:
        _number(survey, ("fan", "temperature"), document.fan.temperature)
        _number(survey, ("fan", "duty"), document.fan.duty)


def _rows(survey: Survey, name: str, rows: Rows) -> None:
    """Levels and times are settings in as many rows, of which no more are used than there are."""
    where: Where = ("laws", name, "rows")
    levels, times = (rows_of(survey.document, each) for each in (rows.level, rows.lasts))
    if len(levels) < 2 or len(levels) != len(times):
        remedy = "name two points with # that have the same many"
        survey.report("row-number", where, f"{rows.level} and {rows.lasts} have no rows in common", remedy)
        return
    for key, each in (("level", levels[0]), ("lasts", times[0]), ("used", rows.used)):
        if each is not None and _setting(survey, (*where, key), each):
            _number(survey, (*where, key), each)
    used = survey.document.points.get(rows.used or "")
    if used is not None and used.quantity in survey.document.quantities:
        kind = survey.document.quantities[used.quantity]
        if kind.low < 1 or kind.high > len(levels) or kind.unit != "1":
            remedy = f"give it a quantity without a unit from 1 to {len(levels)}"
            survey.report("row-number", (*where, "used"), f"{rows.used} is no number of rows", remedy)


def _records(survey: Survey) -> None:
    document = survey.document
    for name, record in document.records.items():
        for index, field in enumerate(record.fields):
            where = ("records", name, "fields", index, "from")
            if isinstance(field.value, str) and _known(survey, "point", where, field.value, document.points):
                point = document.points[field.value]
                if point.quantity is None and not survey.choices(field.value):
                    survey.report(
                        "wrong-kind", where, f"{field.value} is no number and no choice", "name another point"
                    )


def _testing(survey: Survey) -> None:
    document = survey.document
    for name, event in document.bench.items():
        if event.value is not None:
            _known(survey, "quantity", ("bench", name, "value"), event.value, document.quantities)
        for reading in event.moves:
            _number(survey, ("bench", name, "moves", reading), reading)
    if any(finding.code == "unknown-quantity" for finding in survey.found):
        return
    for provocation in survey.provocations():
        where, provoke = provocation.where, provocation.provoke
        _known(survey, "state", (*where, "state"), provoke.state, document.states)
        _puts(survey, (*where, "put"), provoke.put)
        _happens(survey, (*where, "bench"), provoke.bench)
        _happens(survey, (*where, "relief"), provoke.relief)
    for name, point in document.points.items():
        if point.follows is not None:
            follow_where: Where = ("points", name, "follows")
            _known(survey, "state", (*follow_where, "state"), point.follows.state, document.states)
            _puts(survey, (*follow_where, "put"), point.follows.put)
            if _setting(survey, (*follow_where, "setting"), point.follows.setting):
                _value(survey, (*follow_where, "to"), point.follows.setting, point.follows.to)
    for name, declared in document.actions.items():
        _number_used(survey, name, declared)
        for index, effect in enumerate(declared.does):
            if isinstance(effect, Put):
                _put_by_action(survey, ("actions", name, "does", index, "put"), declared, effect.put)
            if not isinstance(effect, Pulse):
                continue
            if effect.pulse is None and not effect.zeroes:
                survey.report(
                    "action-idle",
                    ("actions", name, "does", index),
                    "this effect does nothing",
                    "name an impulse of the plant (pulse:), or what begins again (zeroes:)",
                )
            for reading in effect.zeroes:
                _zeroed(survey, ("actions", name, "does", index, "zeroes"), effect, reading)
    _puts(survey, ("trial", "put"), document.trial.put)
    for key, action in (("reset", document.trial.reset), ("safe", document.trial.safe)):
        if action is not None:
            _known(survey, "action", ("trial", key), action, document.actions)


def _zeroed(survey: Survey, where: Where, effect: Pulse, reading: str) -> None:
    _number(survey, where, reading)
    point = survey.document.points.get(reading)
    if effect.pulse is None and point is not None and not (point.highest or point.lowest):
        survey.report(
            "extreme-of",
            where,
            f"{reading} does not begin again without an impulse: it keeps no highest or lowest",
            "name the plant's impulse: pulse:",
        )


def _number_used(survey: Survey, name: str, action: Action) -> None:
    """An action takes a number for its rows, and what a tester needs takes none."""
    puts = [effect.put for effect in action.does if isinstance(effect, Put)]
    used = [
        each for put in puts for name, given in put.items() for each in (name, getattr(given, "point", ""))
    ]
    where: Where = ("actions", name, "many")
    if action.many is not None and not any("#" in each for each in used):
        survey.report("row-number", where, f"{name} puts no rows", "remove many, or write # in what it puts")
    elif action.many is not None and name in (survey.document.trial.safe, survey.document.trial.reset):
        survey.report("row-number", where, f"a tester does {name} without a number", "name another in trial")


def _put_by_action(survey: Survey, where: Where, action: Action, put: Mapping[str, Any]) -> None:
    """Settings at values of their kind, or at those of others of that kind; rows only by a number."""
    points = survey.document.points
    for name, given in put.items():
        at = (*where, name)
        rows = [name, given.point] if isinstance(given, FromPoint) else [name]
        short = (
            each
            for each in rows
            if "#" in each and (action.many is None or each.replace("#", str(action.many - 1)) not in points)
        )
        if row := next(short, None):
            known = [each for each in points if row in row_name(each)]
            remedy = f"write many: {len(known)} in the action" if known else "name a point that has many"
            survey.report("row-number", at, f"{row} has no row for each number of the action", remedy)
            continue
        name, other = (each.replace("#", "0") for each in (name, getattr(given, "point", "")))
        if not _setting(survey, at, name):
            continue
        if not isinstance(given, FromPoint):
            _value(survey, at, name, given)
        elif _setting(survey, (*at, "from"), other):
            if (points[name].quantity, points[name].choice) != (points[other].quantity, points[other].choice):
                survey.report(
                    "put-from", at, f"{name} is not of the same kind as {other}", "name one of its kind"
                )
            elif any(
                given.point.replace("#", str(number)) in {each.replace("#", str(number)) for each in put}
                for number in range(action.many or 1)
            ):
                survey.report("put-from", at, f"{given.point} is put besides", "make it two actions")


def _puts(survey: Survey, where: Where, put: Mapping[str, Any]) -> None:
    for name, value in put.items():
        if _setting(survey, (*where, name), name):
            _value(survey, (*where, name), name, value)


def _happens(survey: Survey, where: Where, bench: Mapping[str, Any]) -> None:
    for name, value in bench.items():
        if _known(survey, "event", (*where, name), name, survey.events):
            event = survey.events[name]
            _fits(survey, (*where, name), name, value, event.value is not None, tuple(event.choice or ()))


def _formula(survey: Survey, where: Where, formula: Expression) -> None:
    points = survey.document.points
    known = True
    for name in sorted(formula.names):
        known = _known(survey, "point", where, name, points) and known
    if not known:
        return
    wanted = "truth" if where[-1] in ("when", "guard", "cleared_when", "holds") else "number"
    if formula.kind != wanted:
        said = (
            ("a number", "write a condition, such as a > b")
            if wanted == "truth"
            else ("a condition", "write a number")
        )
        survey.report("wrong-kind", where, f"this is {said[0]}", said[1])
        return
    # Words stand beside points with choices, everything else is a number.
    words: set[str] = set()
    for node in walk(formula.root):
        if isinstance(node, Comparison):
            words |= _words(survey, where, node)
    for name in sorted(formula.names - words):
        if points[name].quantity is None:
            survey.report("wrong-kind", where, f"{name} is no number", "use points with a quantity here")


def _words(survey: Survey, where: Where, comparison: Comparison) -> set[str]:
    """Points that are compared as words, each held against its choices."""
    sides = (comparison.left, comparison.right)
    choices = {
        side.name: survey.choices(side.name)
        for side in sides
        if isinstance(side, PointNode) and survey.document.points[side.name].quantity is None
    }
    for side, other in (sides, sides[::-1]):
        if isinstance(side, Word):
            (name,) = names(other)
            if name not in choices:
                survey.report(
                    "wrong-kind", where, f'{name} is a number, not "{side.word}"', "compare it with one"
                )
            elif not choices[name]:
                survey.report("wrong-kind", where, f"{name} has no choices", "compare a point that has")
            elif side.word not in choices[name]:
                survey.report(
                    "unknown-word",
                    where,
                    f"{side.word} is none of the choices of {name}",
                    near(side.word, choices[name], f"write one of {', '.join(choices[name])}"),
                )
            return {name}
    if len(choices) == 2:
        return set(choices)  # two choices compared with each other
    return set()
