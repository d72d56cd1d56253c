"""Interval arithmetic: bounds that hold for every value the points may take.

The rules are those of IEEE Std 1788 for closed, bounded intervals, here with exact rational ends. Each point
counts as independent wherever it occurs, so the bounds are sound but may be wider than the true range
(`a - a` over [0, 1] gives [-1, 1]); only `a * a` is seen to be a square.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import TypeAlias

from wirevow.protocol.expression.tree import (
    And,
    Arithmetic,
    Call,
    Comparison,
    Condition,
    ExpressionError,
    Negation,
    Not,
    Number,
    Or,
    Point,
    Quantity,
    Relation,
    Word,
    write,
)

Interval: TypeAlias = tuple[Fraction, Fraction]
Ranges: TypeAlias = Mapping[str, Interval]

_BOTH = frozenset({False, True})


def bounds(node: Quantity, ranges: Ranges) -> Interval:
    """The least and greatest value `node` can take; ExpressionError when a divisor may be zero."""
    match node:
        case Number(value=value):
            return (value, value)
        case Point(name=name):
            try:
                low, high = ranges[name]
            except KeyError:
                raise ExpressionError(f"there is no range for {name}", node.column) from None
            return (Fraction(low), Fraction(high))
        case Negation(operand=operand):
            low, high = bounds(operand, ranges)
            return (-high, -low)
        case Arithmetic(left=left, operator=operator, right=right):
            first, second = bounds(left, ranges), bounds(right, ranges)
            if operator == "+":
                return (first[0] + second[0], first[1] + second[1])
            if operator == "-":
                return (first[0] - second[1], first[1] - second[0])
            if operator == "/":
                if second[0] <= 0 <= second[1]:
                    raise ExpressionError(
                        f"the divisor {write(right)} can be 0: it runs from {_text(second[0])} to"
                        f" {_text(second[1])}; keep it away from 0, as in max({write(right)}, 0.001)",
                        right.column,
                    )
                second = (1 / second[1], 1 / second[0])
            corners = [a * b for a in first for b in second]
            if operator == "*" and left == right:
                return (Fraction(0) if first[0] <= 0 <= first[1] else min(corners), max(corners))
            return (min(corners), max(corners))
        case Call(function=function, arguments=arguments):
            given = [bounds(argument, ranges) for argument in arguments]
            if function == "min":
                return _least(given)
            if function == "max":
                return _greatest(given)
            if function == "clip":
                return _greatest([given[1], _least([given[0], given[2]])])
            low, high = given[0]
            return (max(low, -high, Fraction(0)), max(-low, high))


def truths(node: Condition, ranges: Ranges) -> frozenset[bool]:
    """The truth values `node` can take: {True}, {False} or both. Words count as able to be anything."""
    match node:
        case And(parts=parts):
            return _conjunction([truths(part, ranges) for part in parts])
        case Or(parts=parts):
            return _negated(_conjunction([_negated(truths(part, ranges)) for part in parts]))
        case Not(part=part):
            return _negated(truths(part, ranges))
        case Comparison(left=left, relation=relation, right=right):
            if isinstance(left, Word) or isinstance(right, Word):
                return _BOTH
            if (
                isinstance(left, Point)
                and isinstance(right, Point)
                and relation in ("==", "!=")
                and not {left.name, right.name} & set(ranges)
            ):
                return _BOTH  # two choices: words have no ranges
            return _compared(bounds(left, ranges), relation, bounds(right, ranges))


def _compared(left: Interval, relation: Relation, right: Interval) -> frozenset[bool]:
    match relation:
        case ">":
            return _compared(right, "<", left)
        case ">=":
            return _compared(right, "<=", left)
        case "<=":
            return _negated(_compared(right, "<", left))
        case "!=":
            return _negated(_compared(left, "==", right))
        case "<":
            if left[1] < right[0]:
                return frozenset({True})
            return frozenset({False}) if left[0] >= right[1] else _BOTH
        case "==":
            if left[1] < right[0] or right[1] < left[0]:
                return frozenset({False})
            return frozenset({True}) if left[0] == left[1] == right[0] == right[1] else _BOTH


def _conjunction(parts: list[frozenset[bool]]) -> frozenset[bool]:
    if any(part == {False} for part in parts):
        return frozenset({False})
    return frozenset({True}) if all(part == {True} for part in parts) else _BOTH


def _negated(part: frozenset[bool]) -> frozenset[bool]:
    return frozenset(not truth for truth in part)


def _least(given: list[Interval]) -> Interval:
    return (min(low for low, _ in given), min(high for _, high in given))


def _greatest(given: list[Interval]) -> Interval:
    return (max(low for low, _ in given), max(high for _, high in given))


def _text(value: Fraction) -> str:
    # Not by way of float, which overflows.
    return f"{Decimal(value.numerator) / Decimal(value.denominator):.6g}"
