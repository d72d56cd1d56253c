"""Expressions as C99: integer arithmetic on counts, proved not to overflow.

The printed text computes in the type of its variables, so each of them must have (or be cast to) the width
that `width` gives. Constants follow suit, since every operation has a variable on at least one side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Literal, NamedTuple, TypeAlias

from wirevow.protocol.expression import evaluation
from wirevow.protocol.expression.integer import (
    ONE,
    Choice,
    Constant,
    Count,
    Integer,
    Magnitude,
    Product,
    Ratio,
    Scales,
    Sum,
    Term,
    align,
    lower,
    total,
)
from wirevow.protocol.expression.interval import Ranges
from wirevow.protocol.expression.tree import (
    CONDITIONS,
    And,
    Comparison,
    Condition,
    ExpressionError,
    Not,
    Or,
    Point,
    Quantity,
    Relation,
    Word,
    walk,
    write,
)

Variable: TypeAlias = Callable[[str], str]
"""From a point's name to the C expression of its count, or of its enumeration constant for a choice."""

Enumerator: TypeAlias = Callable[[str, str], str]
"""From a point's name and one of its words to the word's enumeration constant."""


class CFraction(NamedTuple):
    """Two C integer expressions whose ratio is the value; the denominator is above zero."""

    numerator: str
    denominator: str


def fraction(node: Quantity, scales: Scales, ranges: Ranges, step: Fraction, variable: Variable) -> CFraction:
    """The value of `node` in units of `step`, as C."""
    numerator, denominator = in_steps(node, scales, ranges, step)
    return CFraction(_text(numerator, variable), _text(denominator, variable))


def condition(
    node: Condition, scales: Scales, ranges: Ranges, variable: Variable, enumerator: Enumerator
) -> str:
    """The truth of `node` as C; fractions are compared by multiplying crosswise."""
    match node:
        case And(parts=parts) | Or(parts=parts):
            texts = [condition(part, scales, ranges, variable, enumerator) for part in parts]
            nested = [isinstance(part, And | Or) for part in parts]
            joined = [f"({text})" if inner else text for text, inner in zip(texts, nested, strict=True)]
            return (" && " if isinstance(node, And) else " || ").join(joined)
        case Not(part=part):
            return f"!({condition(part, scales, ranges, variable, enumerator)})"
        case Comparison(
            left=Point() | Word() as left, relation=relation, right=Point() | Word() as right
        ) if relates_words(node, scales):
            point = left if isinstance(left, Point) else right
            assert isinstance(point, Point)
            first, second = (
                enumerator(point.name, side.word) if isinstance(side, Word) else variable(side.name)
                for side in (left, right)
            )
            return f"{first} {relation} {second}"
        case Comparison(relation=relation):
            one, other = sides(node, scales, ranges)
            truth = settled(one, relation, other)
            if truth is not None:
                return "1" if truth else "0"
            return f"{_text(one, variable)} {relation} {_text(other, variable)}"


def width(root: Quantity | Condition, scales: Scales, ranges: Ranges, step: Fraction) -> Literal[32, 64]:
    """The smallest integer type, 32 or 64 bits, that holds every value met in the printed C.

    Raises ExpressionError naming the part that does not fit 64 bits.
    """
    counts = {
        name: (math.ceil(low / scales[name]), math.floor(high / scales[name]))
        for name, (low, high) in ranges.items()
        if name in scales
    }
    needed: Literal[32, 64] = 32
    for node, printed in _printed(root, scales, ranges, step):
        peak = max(_span(integer, counts)[2] for integer in printed)
        if peak >= 2**63:
            culprit = _smallest_overflow(node, scales, ranges, counts)
            raise ExpressionError(
                f"{write(culprit)} does not fit 64 bits in steps: it needs {peak.bit_length() + 1};"
                " lessen the digits of its numbers or split it",
                culprit.column,
            )
        if peak >= 2**31:
            needed = 64
    return needed


def in_steps(node: Quantity, scales: Scales, ranges: Ranges, step: Fraction) -> tuple[Integer, Integer]:
    """Numerator and denominator of `node / step`."""
    ratio = lower(node, scales, ranges)
    return Ratio.make(ratio.scale / step, ratio.numerator, ratio.denominators).pair()


def sides(node: Comparison, scales: Scales, ranges: Ranges) -> tuple[Integer, Integer]:
    """The two sides of a comparison of numbers, multiplied by what makes both integers."""
    assert not isinstance(node.left, Word)
    assert not isinstance(node.right, Word)
    _, left, right, _ = align(lower(node.left, scales, ranges), lower(node.right, scales, ranges))
    return left, right


def relates_words(node: Comparison, scales: Scales) -> bool:
    """Whether words are compared: one side is a word, or both are points without a step (choices)."""
    if isinstance(node.left, Word) or isinstance(node.right, Word):
        return True
    return all(isinstance(side, Point) and side.name not in scales for side in (node.left, node.right))


def settled(left: Integer, relation: Relation, right: Integer) -> bool | None:
    """The truth of a comparison whose sides differ by a constant, None for any other."""
    difference = total([(1, left), (-1, right)])
    if isinstance(difference, Constant):
        return evaluation.holds(Fraction(difference.value), relation, Fraction(0))
    return None


def ordered(node: Sum) -> Iterator[tuple[int, Term | Constant]]:
    """The parts of a sum in the order they are printed: one without a leading sign first, if there is any."""
    constant = [(node.constant, ONE)] if node.constant else []
    if node.constant > 0 > node.terms[0][0]:
        yield from constant
        yield from node.terms
    else:
        yield from node.terms
        yield from constant


def _printed(
    root: Quantity | Condition, scales: Scales, ranges: Ranges, step: Fraction
) -> Iterator[tuple[Quantity | Comparison, tuple[Integer, Integer]]]:
    """What is printed as integers for `root`, with the part it stands for."""
    if not isinstance(root, CONDITIONS):
        yield root, in_steps(root, scales, ranges, step)
        return
    for node in walk(root):
        if isinstance(node, Comparison) and not relates_words(node, scales):
            yield node, sides(node, scales, ranges)


def _smallest_overflow(
    root: Quantity | Comparison, scales: Scales, ranges: Ranges, counts: dict[str, tuple[int, int]]
) -> Quantity | Comparison:
    """The deepest part of `root` that alone does not fit 64 bits, else `root`."""
    for node in reversed(list(walk(root))):
        if isinstance(node, (Word, *CONDITIONS)):
            continue
        printed = lower(node, scales, ranges).pair()
        if max(_span(integer, counts)[2] for integer in printed) >= 2**63:
            return node
    return root


def _span(node: Integer, counts: dict[str, tuple[int, int]]) -> tuple[int, int, int]:
    """(least, greatest, peak): the bounds of `node` and the greatest magnitude met while computing it."""
    match node:
        case Constant(value=value):
            return value, value, abs(value)
        case Count(name=name):
            low, high = counts[name]
            return low, high, max(abs(low), abs(high))
        case Sum():
            low = high = peak = 0
            for coefficient, term in ordered(node):
                factors = term.factors if isinstance(term, Product) else (term,)
                part = _product_span(coefficient, factors, counts)
                low, high = low + part[0], high + part[1]
                peak = max(peak, part[2], abs(low), abs(high))
            return low, high, peak
        case Product(factors=factors):
            return _product_span(1, factors, counts)
        case Choice(lesser=lesser, left=left, right=right):
            first, second = _span(left, counts), _span(right, counts)
            pick = min if lesser else max
            peak = max(first[2], second[2])
            return pick(first[0], second[0]), pick(first[1], second[1]), peak
        case Magnitude(operand=operand):
            low, high, peak = _span(operand, counts)
            return max(low, -high, 0), max(-low, high), peak


def _product_span(
    coefficient: int, factors: tuple[Integer, ...], counts: dict[str, tuple[int, int]]
) -> tuple[int, int, int]:
    low = high = coefficient
    peak = abs(coefficient)
    for factor in factors:
        least, greatest, inside = _span(factor, counts)
        corners = (low * least, low * greatest, high * least, high * greatest)
        low, high = min(corners), max(corners)
        # A compiler may carry a constant factor inwards and multiply both operands of a conditional operator
        # instead of its result (gcc 12 does), so everything inside must bear the factor as well.
        peak = max(peak, abs(coefficient) * inside, abs(low), abs(high))
    return low, high, peak


def _text(node: Integer, variable: Variable) -> str:
    match node:
        case Constant(value=value):
            return str(value)
        case Count(name=name):
            return variable(name)
        case Sum():
            text = ""
            for coefficient, term in ordered(node):
                sign = " - " if coefficient < 0 else " + "
                if not text:
                    sign = sign.strip().replace("+", "")
                if isinstance(term, Constant):
                    part = str(abs(coefficient))
                elif abs(coefficient) == 1:
                    part = _factor(term, variable)
                else:
                    part = f"{abs(coefficient)} * {_factor(term, variable)}"
                text += sign + part
            return text
        case Product(factors=factors):
            return " * ".join(_factor(factor, variable) for factor in factors)
        case Choice(lesser=lesser, left=left, right=right):
            first, second = _text(left, variable), _text(right, variable)
            return f"({first} {'<' if lesser else '>'} {second} ? {first} : {second})"
        case Magnitude(operand=operand):
            inner = _text(operand, variable)
            negated = f"-{inner}" if isinstance(operand, Count | Choice) else f"-({inner})"
            return f"({inner} < 0 ? {negated} : {inner})"


def _factor(node: Integer, variable: Variable) -> str:
    text = _text(node, variable)
    return f"({text})" if isinstance(node, Sum) else text
