"""Which crossings of measured points can change a condition.

A comparison with one measured point is solved for that point, so that whoever integrates it can watch it
cross a level. The rules, with `m` holding the measured point and `s` only settings:

    -m > s        m < -s
    m + c > s     m > s - c
    m * c > s     m > s / c           c a constant; < when it is negative
    abs(m) > s    m > s, m < -s
    min(m, c) > s m > s               each measured argument on its own; max and clip alike
    m == s        m >= s, m > s       these two say together whether they are equal
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from fractions import Fraction
from typing import TypeAlias

from wirevow.protocol.expression import evaluation
from wirevow.protocol.expression.tree import (
    MIRRORED,
    Arithmetic,
    ArithmeticOperator,
    Call,
    Comparison,
    Condition,
    ExpressionError,
    Negation,
    Point,
    Quantity,
    Relation,
    Word,
    names,
    walk,
    write,
)

Crossing: TypeAlias = tuple[Point, Relation, Quantity]


def crossings(root: Condition, measured: Set[str]) -> tuple[Crossing, ...]:
    """Every `point relation settings` on which the truth of `root` hangs, without repetitions.

    Between crossings of these (and changes of settings) the truth of `root` stays as it is. Comparisons
    without measured points have none. Raises ExpressionError for a comparison that cannot be solved.
    """
    found: dict[Crossing, None] = {}
    for node in walk(root):
        if isinstance(node, Comparison):
            for crossing in _solve(node, measured):
                found[crossing] = None
    return tuple(found)


def _solve(comparison: Comparison, measured: Set[str]) -> Iterator[Crossing]:
    left, relation, right = comparison.left, comparison.relation, comparison.right
    watched = sorted((names(left) | names(right)) & measured)
    if not watched:
        return
    if isinstance(left, Word) or isinstance(right, Word):
        raise ExpressionError(f"{watched[0]} is measured: it cannot be a word", comparison.column)
    if names(left) & measured and names(right) & measured:
        raise _cannot(comparison, "measured points stand on both sides: compare one of them with settings")
    if not names(left) & measured:
        left, relation, right = right, MIRRORED[relation], left
    yield from _isolate(comparison, left, relation, right, measured)


def _isolate(
    whole: Comparison, node: Quantity, relation: Relation, level: Quantity, measured: Set[str]
) -> Iterator[Crossing]:
    match node:
        case Point():
            if relation in ("==", "!="):
                yield (node, ">=", level)
                yield (node, ">", level)
            else:
                yield (node, relation, level)
        case Negation(operand=operand):
            yield from _isolate(whole, operand, MIRRORED[relation], _negated(level), measured)
        case Call(function="abs", arguments=(operand,)):
            yield from _isolate(whole, operand, relation, level, measured)
            yield from _isolate(whole, operand, MIRRORED[relation], _negated(level), measured)
        case Call(arguments=arguments):
            for argument in arguments:
                if names(argument) & measured:
                    yield from _isolate(whole, argument, relation, level, measured)
        case Arithmetic(left=left, operator=operator, right=right):
            in_left, in_right = bool(names(left) & measured), bool(names(right) & measured)
            if in_left and in_right:
                raise _cannot(whole, f"{write(node)} has measured points twice: compare one with settings")
            if operator == "+":
                moving, fixed = (left, right) if in_left else (right, left)
                yield from _isolate(whole, moving, relation, _join(level, "-", fixed), measured)
            elif operator == "-" and in_left:
                yield from _isolate(whole, left, relation, _join(level, "+", right), measured)
            elif operator == "-":
                yield from _isolate(whole, right, MIRRORED[relation], _join(left, "-", level), measured)
            else:
                moving, fixed = (left, right) if in_left else (right, left)
                factor = _constant(fixed)
                if factor is None or factor == 0 or (operator == "/" and in_right):
                    alone = min(names(moving) & measured)
                    raise _cannot(whole, f"write it with {alone} alone on one side")
                turned = relation if factor > 0 else MIRRORED[relation]
                level = _join(level, "/" if operator == "*" else "*", fixed)
                yield from _isolate(whole, moving, turned, level, measured)


def _negated(node: Quantity) -> Quantity:
    return node.operand if isinstance(node, Negation) else Negation(node, node.column)


def _join(left: Quantity, operator: ArithmeticOperator, right: Quantity) -> Quantity:
    return Arithmetic(left, operator, right, left.column)


def _constant(node: Quantity) -> Fraction | None:
    return None if names(node) else evaluation.number(node, {})


def _cannot(comparison: Comparison, remedy: str) -> ExpressionError:
    return ExpressionError(f"no crossing can be watched for {write(comparison)}: {remedy}", comparison.column)
