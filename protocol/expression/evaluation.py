"""Exact evaluation of a checked tree, node by node: the reference that all else is tested against."""

from __future__ import annotations

from collections.abc import Mapping
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

Value: TypeAlias = Fraction | int | str


def number(node: Quantity, values: Mapping[str, Value]) -> Fraction:
    """The exact value of `node`; ExpressionError on division by zero or a missing or unfit value."""
    match node:
        case Number(value=value):
            return value
        case Point(name=name):
            found = _look_up(node, values)
            if isinstance(found, Fraction):
                return found
            if isinstance(found, int):
                return Fraction(found)
            raise ExpressionError(f"{name} is a number here, but its value is {found!r}", node.column)
        case Negation(operand=operand):
            return -number(operand, values)
        case Arithmetic(left=left, operator=operator, right=right):
            first, second = number(left, values), number(right, values)
            if operator == "+":
                return first + second
            if operator == "-":
                return first - second
            if operator == "*":
                return first * second
            if second == 0:
                raise division_by_zero(right)
            return first / second
        case Call(function=function, arguments=arguments):
            given = [number(argument, values) for argument in arguments]
            if function == "min":
                return min(given)
            if function == "max":
                return max(given)
            if function == "abs":
                return abs(given[0])
            return max(given[1], min(given[0], given[2]))


def truth(node: Condition, values: Mapping[str, Value]) -> bool:
    """Whether `node` holds. `and` and `or` stop at the first part that decides, as in Python."""
    match node:
        case And(parts=parts):
            return all(truth(part, values) for part in parts)
        case Or(parts=parts):
            return any(truth(part, values) for part in parts)
        case Not(part=part):
            return not truth(part, values)
        case Comparison(left=left, relation=relation, right=right):
            if isinstance(left, Word) or isinstance(right, Word):
                same = _word(left, values) == _word(right, values)
                return same == (relation == "==")
            if isinstance(left, Point) and isinstance(right, Point):
                first, second = _look_up(left, values), _look_up(right, values)
                if isinstance(first, str) and isinstance(second, str) and relation in ("==", "!="):
                    return (first == second) == (relation == "==")
            return holds(number(left, values), relation, number(right, values))


def holds(left: Fraction, relation: Relation, right: Fraction) -> bool:
    """Whether the two numbers stand in the relation."""
    match relation:
        case "<":
            return left < right
        case "<=":
            return left <= right
        case ">":
            return left > right
        case ">=":
            return left >= right
        case "==":
            return left == right
        case "!=":
            return left != right


def division_by_zero(divisor: Quantity) -> ExpressionError:
    """The error for a divisor that is zero with the values given."""
    return ExpressionError(
        f"division by zero: {write(divisor)} is 0; keep it away from 0, as in max({write(divisor)}, 0.001)",
        divisor.column,
    )


def _look_up(point: Point, values: Mapping[str, Value]) -> Value:
    try:
        return values[point.name]
    except KeyError:
        raise ExpressionError(f"there is no value for {point.name}", point.column) from None


def _word(node: Quantity | Word, values: Mapping[str, Value]) -> str:
    if isinstance(node, Word):
        return node.word
    assert isinstance(node, Point)
    found = _look_up(node, values)
    if not isinstance(found, str):
        raise ExpressionError(f"{node.name} is a word here, but its value is {found}", node.column)
    return found
