"""Points: defaults, limits and their dependence on each other, derived values, arithmetic on a small chip."""

from __future__ import annotations

import graphlib
import random
from collections.abc import Iterator, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from wirevow.protocol.document.model import Action, FromPoint, Point, Put
from wirevow.protocol.document.vet.survey import Survey, Where, near, on_step, plain
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.expression.tree import (
    Call,
    Comparison,
    Negation,
    Number,
    Quantity,
    names,
    substituted,
    walk,
)
from wirevow.protocol.expression.tree import Point as PointNode

Values = dict[str, Fraction | str]


def check(survey: Survey) -> None:
    """Every rule about points."""
    _put_by_actions(survey)
    _arithmetic(survey)
    _derived(survey)
    _limits(survey)
    _defaults(survey)
    if consistent(survey):
        _walk(survey)
    _constants(survey)
    _saved(survey)
    _sets(survey)
    _drives(survey)


def consistent(survey: Survey) -> bool:
    """Whether limits can be computed and hold at the defaults, so that puts can be followed from there."""
    broken = {"division", "limit-reading", "limit-empty", "limit-one-way", "default-range", "off-step"}
    return not any(finding.code in broken for finding in survey.found)


# ------------------------------------------------------------------------------------------------ limits


def _limits(survey: Survey) -> None:
    bounded = {
        name: point
        for name, point in survey.document.points.items()
        if point.quantity is not None and (point.low is not None or point.high is not None)
    }
    for name, point in bounded.items():
        for key, formula in (("low", point.low), ("high", point.high)):
            if formula is not None:
                _limit_reads_settings(survey, ("points", name, key), formula)
    if not consistent(survey):
        return
    for name, point in bounded.items():
        _limit_binds(survey, name, point)
    pairs: set[frozenset[str]] = set()
    for name, point in bounded.items():
        for key, formula in (("low", point.low), ("high", point.high)):
            if formula is None or not _can_bind(survey, name, key, formula):
                continue
            for other in sorted(formula.names):
                _both_ways(survey, name, key, other)
                if frozenset((name, other)) not in pairs:
                    pairs.add(frozenset((name, other)))
                    _saved_together(survey, name, key, other)


def _limit_reads_settings(survey: Survey, where: Where, formula: Expression) -> None:
    measured = sorted(name for name in formula.names if not survey.is_setting(name))
    if measured:
        survey.report(
            "limit-reading",
            where,
            f"the limit depends on {measured[0]}, which is no setting",
            "use settings and numbers only; what is measured belongs to trips and limits",
        )


def _limit_binds(survey: Survey, name: str, point: Point) -> None:
    low, high = survey.full_ranges[name]
    lowest = highest = None
    if point.low is not None:
        lowest = survey.interval(point.low, survey.full_ranges)
    if point.high is not None:
        highest = survey.interval(point.high, survey.full_ranges)
    if lowest is not None and lowest[1] <= low:
        survey.report(
            "limit-never",
            ("points", name, "low"),
            f"the limit is at most {plain(lowest[1])}, and {name} is never below {plain(low)}",
            "remove it, or make it narrower than the quantity",
        )
    if highest is not None and highest[0] >= high:
        survey.report(
            "limit-never",
            ("points", name, "high"),
            f"the limit is at least {plain(highest[0])}, and {name} is never above {plain(high)}",
            "remove it, or make it narrower than the quantity",
        )
    least = max(low, lowest[0]) if lowest is not None else low
    most = min(high, highest[1]) if highest is not None else high
    if least > most:
        survey.report(
            "limit-empty",
            ("points", name, "low" if point.low is not None else "high"),
            f"{name} is at least {plain(least)} and at most {plain(most)}",
            "widen the limits so that a value is left",
        )


def _can_bind(survey: Survey, name: str, key: str, formula: Expression) -> bool:
    """Whether the limit can be narrower than the quantity's range; else no other setting matters to it."""
    bounds = survey.interval(formula, survey.full_ranges)
    low, high = survey.full_ranges[name]
    return bounds is not None and not (bounds[1] <= low if key == "low" else bounds[0] >= high)


def _both_ways(survey: Survey, name: str, key: str, other: str) -> None:
    """A's limit depends on B: then B's limits must keep A inside."""
    back = survey.document.points[other]
    if any(limit is not None and name in limit.names for limit in (back.low, back.high)):
        return
    survey.report(
        "limit-one-way",
        ("points", name, key),
        f"putting {other} can leave {name} outside its limits, for those of {other} do not mention {name}",
        f"bound {other} by {name} in turn, or take it out of this limit",
    )


def _saved_together(survey: Survey, name: str, key: str, other: str) -> None:
    point, back = survey.document.points[name], survey.document.points[other]
    if point.saved == back.saved:
        return
    saved, not_saved = (name, other) if point.saved else (other, name)
    survey.report(
        "saved-apart",
        ("points", name, key),
        f"after a boot {saved} is as saved and {not_saved} at its default, which may not fit each other",
        "save both or neither",
    )


# ----------------------------------------------------------------------------------------------- defaults


def defaults(survey: Survey) -> Values:
    """Every setting at its default, in engineering values."""
    values: Values = {}
    for name, point in survey.document.points.items():
        if survey.is_setting(name) and point.default is not None:
            values[name] = Fraction(point.default) if isinstance(point.default, Decimal) else point.default
    return values


def limits(survey: Survey, name: str, values: Mapping[str, Fraction | str]) -> tuple[Fraction, Fraction]:
    """The limits in force of a number setting, rounded inwards to its step."""
    point, scale = survey.document.points[name], survey.scales[name]
    low, high = scale.low, scale.high
    if point.low is not None:
        low = max(low, point.low.lower(values, scale.step))
    if point.high is not None:
        high = min(high, point.high.upper(values, scale.step))
    return low * scale.step, high * scale.step


def _defaults(survey: Survey) -> None:
    told = {finding.line for finding in survey.found if finding.code == "limit-empty"}
    wrong: set[str] = set()
    for name, value in defaults(survey).items():
        point = survey.document.points[name]
        limiting = {other for limit in (point.low, point.high) if limit is not None for other in limit.names}
        if limiting & wrong or told & {survey.marks.line("points", name, key) for key in ("low", "high")}:
            continue  # one mistake, told already
        if isinstance(value, Fraction) and not on_step(value, survey.scales[name]):
            _off_step(survey, ("points", name, "default"), name, value)
            continue
        for found in _outside(survey, name, value, defaults(survey)):
            survey.report(
                "default-range",
                ("points", name, "default"),
                f"the default {point.default} of {name} is outside its limits, {found}",
                "write a default that is inside them while all other settings are at theirs",
            )
            wrong.add(name)


def _outside(survey: Survey, name: str, value: Fraction | str, values: Values) -> Iterator[str]:
    """The limits in words, if the value is outside them."""
    if isinstance(value, Fraction):
        try:
            low, high = limits(survey, name, values)
        except (ExpressionError, KeyError):
            return  # reported by the rules about formulas
        if not low <= value <= high:
            yield f"{plain(low)} to {plain(high)}"


# The walk is a search, not a proof: it starts at the defaults, puts settings to their limits and to values in
# between, and looks whether all settings stay inside their limits. The seed is fixed, so a document is
# either found wanting or not.
_PUTS = 1000
_MOST_CHARACTERS = 500_000
"""Of limits that are computed in all: hostile documents end here."""


def _walk(survey: Survey) -> None:
    """Look for a sequence of accepted puts that strands a setting."""
    depends = {
        name: {
            other
            for limit in (survey.document.points[name].low, survey.document.points[name].high)
            if limit is not None
            for other in limit.names
        }
        for name in survey.scales
        if survey.is_setting(name)
    }
    bound = {name for name, others in depends.items() if others} | set().union(*depends.values(), set())
    movable = sorted(bound & set(survey.scales))
    if not movable:
        return
    pick = random.Random(1)
    values = defaults(survey)
    length = {
        name: sum(len(limit.text) for limit in (point.low, point.high) if limit is not None)
        for name, point in survey.document.points.items()
    }
    affected = {name: [other for other in movable if name in depends[other]] for name in movable}
    spent = 0
    for _ in range(_PUTS):
        if spent > _MOST_CHARACTERS:
            return
        name = pick.choice(movable)
        low, high = limits(survey, name, values)
        step = survey.steps[name]
        value = pick.choice((low, high, low + step * pick.randint(0, max(0, int((high - low) / step)))))
        before = values[name]
        values[name] = value
        spent += length[name]
        for other in affected[name]:
            spent += length[other]
            least, most = limits(survey, other, values)
            now = values[other]
            assert isinstance(now, Fraction)
            if not least <= now <= most:
                assert isinstance(before, Fraction)
                survey.report(
                    "limit-strands",
                    ("points", other, "high" if now > most else "low"),
                    f"{name} can be put from {plain(before)} to {plain(value)}, which leaves {other}"
                    f" at {plain(now)}, outside {plain(least)} to {plain(most)}",
                    f"make the limits of {name} and {other} say the same",
                )
                return


# ----------------------------------------------------------------------------------- formulas and constants


def _arithmetic(survey: Survey) -> None:
    """No division by zero, and nothing that does not fit 64 bits on the chip."""
    for where, formula in survey.formulas():
        target = where[1] if where[0] == "points" else None
        step = survey.steps[str(target)] if target is not None else Fraction(1)
        try:
            if formula.kind == "number":
                formula.interval(survey.ranges)
            else:
                formula.truths(survey.ranges)
        except ExpressionError as wrong:
            survey.report(
                "division", where, f"this can divide by zero at column {wrong.column}", wrong.message
            )
            continue
        try:
            steps = {name: survey.steps[name] for name in formula.names if name in survey.steps}
            formula.c_overflow(steps, {name: survey.ranges[name] for name in steps}, step)
        except ExpressionError as wrong:
            survey.report("overflow", where, wrong.message, "write it with smaller numbers or coarser steps")


def _derived(survey: Survey) -> None:
    points = survey.document.points
    depends = {name: point.derived.names for name, point in points.items() if point.derived is not None}
    try:
        graphlib.TopologicalSorter(depends).prepare()
    except graphlib.CycleError as wrong:
        circle: list[str] = wrong.args[1]
        first = min(circle, key=list(depends).index)
        others = [name for name in depends if name in circle and name != first]
        way = " and ".join(others if len(others) < 4 else [*others[:2], f"{len(others) - 2} more"])
        message = f"{first} depends on itself" + (f" by way of {way}" if way else "")
        survey.report("derived-cycle", ("points", first, "derived"), message, "break the circle")
        return
    for name in depends:
        formula = points[name].derived
        assert formula is not None
        bounds = survey.interval(formula)
        if name in survey.full_ranges and bounds is not None:
            low, high = survey.full_ranges[name]
            if bounds[0] < low or bounds[1] > high:
                survey.report(
                    "derived-range",
                    ("points", name, "derived"),
                    f"{name} can be {plain(bounds[0])} to {plain(bounds[1])}, its quantity is {plain(low)}"
                    f" to {plain(high)}",
                    "widen the quantity, or say where it ends with clip(...)",
                )


def _off_step(survey: Survey, where: Where, name: str, value: Fraction) -> None:
    scale = survey.scales[name]
    below = value // scale.step
    survey.report(
        "off-step",
        where,
        f"{plain(value)} is no whole number of steps of {name}, {plain(scale.step)} each",
        f"write {scale.text(below)} or {scale.text(below + 1)}",
    )


def constant(node: Quantity | object) -> Fraction | None:
    """The value of a number that is written out, with its sign."""
    match node:
        case Number(value=value):
            return value
        case Negation(operand=Number(value=value)):
            return -value
    return None


def _constants(survey: Survey) -> None:
    """Numbers that points are compared with or bounded by are on a step."""
    for where, formula, name in survey.numbers():
        value = constant(formula.root)
        if value is not None and where[-1] != "derived" and not on_step(value, survey.scales[name]):
            _off_step(survey, where, name, value)
    for where, condition in survey.conditions():
        for node in walk(condition.root):
            if isinstance(node, Comparison):
                for side, other in ((node.left, node.right), (node.right, node.left)):
                    value = constant(other)
                    if not isinstance(side, PointNode) or value is None:
                        continue
                    if not on_step(value, survey.scales[side.name]):
                        _off_step(survey, where, side.name, value)


# ------------------------------------------------------------------------------------------------- others


def _saved(survey: Survey) -> None:
    document = survey.document
    saved = [name for name, point in document.points.items() if point.saved]
    saving = [name for name, action in document.actions.items() if "save" in action.does]
    if saved and not saving:
        survey.report(
            "saved-no-save",
            ("points", saved[0], "saved"),
            f"{saved[0]} is saved, and no action saves",
            "add an action with does: [save], or remove saved",
        )
    if saving and not saved:
        survey.report(
            "saved-no-save",
            ("actions", saving[0], "does"),
            f"{saving[0]} saves, and no setting is saved",
            "mark the settings with saved: true, or remove save",
        )


def _sets(survey: Survey) -> None:
    for name, point in survey.document.points.items():
        if point.set_in == []:
            survey.report(
                "set-nowhere",
                ("points", name, "set_in"),
                f"{name} can be set in no state",
                "name states, or remove it",
            )


def _put_by_actions(survey: Survey) -> None:
    for name, action in survey.document.actions.items():
        for index, effect in enumerate(action.does):
            if not isinstance(effect, Put):
                continue
            where: Where = ("actions", name, "does", index, "put")
            if {"defaults", "recall"} & {each for each in action.does if isinstance(each, str)}:
                survey.report(
                    "put-beside",
                    where,
                    f"{name} brings back all settings and puts some",
                    "make it two actions",
                )
            for number in range(action.many or 1):
                put = {
                    each.replace("#", str(number)): PointNode(given.point.replace("#", str(number)))
                    if isinstance(given, FromPoint)
                    else given
                    for each, given in effect.put.items()
                }
                if not _put_fits(survey, where, name, action, put):
                    break


def _put_fits(
    survey: Survey,
    where: Where,
    name: str,
    action: Action,
    put: Mapping[str, Decimal | str | PointNode],
) -> bool:
    """Whether all settings keep their limits with these at their values, or at what a point is."""
    points = survey.document.points
    numbers: dict[str, Fraction | PointNode] = {
        each: given if isinstance(given, PointNode) else Fraction(given)
        for each, given in put.items()
        if each in survey.scales
    }
    for each, value in numbers.items():
        if isinstance(value, PointNode):
            continue
        scale = survey.scales[each]
        if not on_step(value, scale) or not scale.low <= value / scale.step <= scale.high:
            survey.report(
                "put-limit",
                (*where, each),
                f"{each} cannot be {plain(value)}",
                "write a value on a step of its quantity, inside its range",
            )
            return False
    for each, point in points.items():
        for limit, relation in ((point.low, ">="), (point.high, "<=")):
            for side in _sides(limit, "max" if relation == ">=" else "min"):
                if not (names(side) & numbers.keys() or each in numbers):
                    continue  # it holds before, and stays as it is
                compared = Comparison(PointNode(each), relation, side)  # type: ignore[arg-type]
                condition = Expression.of(substituted(compared, numbers))
                ranges = {other: survey.ranges[other] for other in condition.names}
                if condition.truths(ranges) == {True}:
                    continue
                if action.guard is None or not survey.prover.implies(action.guard.atoms(), condition.atoms()):
                    survey.report(
                        "put-limit",
                        where,
                        f"the limits of {each} may not allow what {name} puts",
                        f"put other values, or write guard: {condition.text}"
                        if action.many is None
                        else f"give the rows limits with which always {condition.text}",
                    )
                    return False
    return True


def _sides(limit: Expression | None, function: str) -> tuple[Quantity, ...]:
    """What a limit bounds by, each by itself: the narrowest of several is inside if all are."""
    if limit is None:
        return ()
    root: Any = limit.root
    return root.arguments if isinstance(root, Call) and root.function == function else (root,)


def _drives(survey: Survey) -> None:
    drivers: dict[str, str] = {}
    for name, point in survey.document.points.items():
        for word in point.drives_as:
            if word not in (point.choice or ()):
                survey.report(
                    "unknown-word",
                    ("points", name, "drives_as", word),
                    f"{word} is none of the choices of {name}",
                    near(word, point.choice or (), f"write one of {', '.join(point.choice or ())}"),
                )
        if point.drives is not None:
            first = drivers.setdefault(point.drives, name)
            if first != name:
                survey.report(
                    "drives-twice",
                    ("points", name, "drives"),
                    f"{name} and {first} both drive {point.drives}",
                    "let one setting drive each control",
                )
