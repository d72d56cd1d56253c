"""Expressions as Python functions over counts, in the integer arithmetic that the C has too.

The source is written from the checked tree, never from a document's text: names appear in it only as quoted
keys. `evaluation` says the same, more slowly. The counts must lie in the ranges: outside them a divisor may
have another sign than was proved.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Literal, TypeAlias

from wirevow.protocol.expression.c import in_steps, relates_words, settled, sides
from wirevow.protocol.expression.integer import (
    ONE,
    Choice,
    Constant,
    Count,
    Integer,
    Magnitude,
    Product,
    Scales,
    Sum,
)
from wirevow.protocol.expression.interval import Ranges
from wirevow.protocol.expression.tree import And, Comparison, Condition, Not, Or, Point, Quantity, Word

Counts: TypeAlias = Mapping[str, int | str]
"""Each point's count, or its word for a choice."""

Rounding: TypeAlias = Literal["down", "up", "nearest"]
"""`nearest` rounds halves away from zero."""


def count_function(
    node: Quantity, scales: Scales, ranges: Ranges, step: Fraction, rounding: Rounding
) -> Callable[[Counts], int]:
    """A function giving the value of `node` as a count of `step`."""
    numerator, denominator = in_steps(node, scales, ranges, step)
    upper, lower = _source(numerator), _source(denominator)
    if denominator == ONE:
        body = upper
    elif rounding == "down":
        body = f"({upper}) // ({lower})"
    elif rounding == "up":
        body = f"-(-({upper}) // ({lower}))"
    else:
        body = f"nearest({upper}, {lower})"
    function: Callable[[Counts], int] = eval(f"lambda counts: {body}", {"nearest": _nearest})
    return function


def truth_function(node: Condition, scales: Scales, ranges: Ranges) -> Callable[[Counts], bool]:
    """A function giving the truth of `node`."""
    function: Callable[[Counts], bool] = eval(f"lambda counts: {_condition(node, scales, ranges)}", {})
    return function


def _nearest(numerator: int, denominator: int) -> int:
    quotient = (2 * abs(numerator) + denominator) // (2 * denominator)
    return quotient if numerator >= 0 else -quotient


def _condition(node: Condition, scales: Scales, ranges: Ranges) -> str:
    match node:
        case And(parts=parts):
            return "(" + " and ".join(_condition(part, scales, ranges) for part in parts) + ")"
        case Or(parts=parts):
            return "(" + " or ".join(_condition(part, scales, ranges) for part in parts) + ")"
        case Not(part=part):
            return f"(not {_condition(part, scales, ranges)})"
        case Comparison(
            left=Point() | Word() as left, relation=relation, right=Point() | Word() as right
        ) if relates_words(node, scales):
            return f"({_word(left)} {relation} {_word(right)})"
        case Comparison(relation=relation):
            first, second = sides(node, scales, ranges)
            truth = settled(first, relation, second)
            if truth is not None:
                return str(truth)
            return f"({_source(first)} {relation} {_source(second)})"


def _word(side: Point | Word) -> str:
    return repr(side.word) if isinstance(side, Word) else f"counts[{side.name!r}]"


def _source(node: Integer) -> str:
    match node:
        case Constant(value=value):
            return str(value)
        case Count(name=name):
            return f"counts[{name!r}]"
        case Sum(terms=terms, constant=constant):
            parts = [f"{coefficient} * {_source(term)}" for coefficient, term in terms]
            return f"({' + '.join([*parts, str(constant)] if constant else parts)})"
        case Product(factors=factors):
            return " * ".join(_source(factor) for factor in factors)
        case Choice(lesser=lesser, left=left, right=right):
            return f"{'min' if lesser else 'max'}({_source(left)}, {_source(right)})"
        case Magnitude(operand=operand):
            return f"abs({_source(operand)})"
