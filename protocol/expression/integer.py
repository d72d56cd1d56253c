"""A number expression over counts as a ratio of two integer expressions, for arithmetic without fractions.

Every point is an integer count of its step, so an expression of points and decimals is

    scale * numerator / (denominator * denominator * ...)

with a constant `scale`, an integer `numerator` and integer denominators that are proved to be above zero.
Constants are folded and common factors gathered in the scale as the form is built, so that what is printed
from it is short and its intermediate values are small.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TypeAlias

from wirevow.protocol.expression import interval
from wirevow.protocol.expression.evaluation import division_by_zero
from wirevow.protocol.expression.interval import Ranges
from wirevow.protocol.expression.tree import (
    Arithmetic,
    Call,
    ExpressionError,
    Negation,
    Number,
    Point,
    Quantity,
    write,
)

Scales: TypeAlias = Mapping[str, Fraction]
"""The step of each number point."""

SIZE_LIMIT = 250
"""Operands in one printed integer expression; beyond it nobody reads it and nested fractions explode."""


@dataclass(frozen=True, slots=True)
class Constant:
    value: int
    size: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Count:
    """The count of a point."""

    name: str
    size: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Sum:
    """`coefficient * term + ... + constant`; no term is a Sum or a Constant, and none occurs twice."""

    terms: tuple[tuple[int, Term], ...]
    constant: int
    size: int = field(compare=False)


@dataclass(frozen=True, slots=True)
class Product:
    factors: tuple[Integer, ...]
    size: int = field(compare=False)


@dataclass(frozen=True, slots=True)
class Choice:
    """The lesser or the greater of two."""

    lesser: bool
    left: Integer
    right: Integer
    size: int = field(compare=False)


@dataclass(frozen=True, slots=True)
class Magnitude:
    operand: Integer
    size: int = field(compare=False)


Term: TypeAlias = Count | Product | Choice | Magnitude
Integer: TypeAlias = Constant | Sum | Term

ONE = Constant(1)


def total(terms: list[tuple[int, Integer]]) -> Integer:
    """The sum of `coefficient * integer`, flattened, with equal terms collected."""
    constant = 0
    collected: dict[Term, int] = {}

    def add(coefficient: int, item: Integer) -> None:
        nonlocal constant
        if isinstance(item, Constant):
            constant += coefficient * item.value
        elif isinstance(item, Sum):
            constant += coefficient * item.constant
            for inner, term in item.terms:
                collected[term] = collected.get(term, 0) + coefficient * inner
        else:
            collected[item] = collected.get(item, 0) + coefficient

    for coefficient, item in terms:
        add(coefficient, item)
    kept = [(coefficient, term) for term, coefficient in collected.items() if coefficient]
    if not kept:
        return Constant(constant)
    if constant == 0 and len(kept) == 1 and kept[0][0] == 1:
        return kept[0][1]
    # A sum that starts with a positive term needs no leading sign.
    kept.sort(key=lambda pair: pair[0] < 0)
    return Sum(tuple(kept), constant, sum(term.size for _, term in kept) + len(kept) + 1)


def product(factors: list[Integer]) -> Integer:
    """The product, flattened; a constant factor goes into the coefficients of a sum."""
    coefficient = 1
    flat: list[Integer] = []
    for factor in factors:
        match factor:
            case Constant(value=value):
                coefficient *= value
            case Product(factors=inner):
                flat += inner
            case Sum(terms=((inner_coefficient, term),), constant=0):
                coefficient *= inner_coefficient
                flat += term.factors if isinstance(term, Product) else [term]
            case _:
                flat.append(factor)
    if not flat:
        return Constant(coefficient)
    whole = flat[0] if len(flat) == 1 else Product(tuple(flat), sum(factor.size for factor in flat))
    return whole if coefficient == 1 else total([(coefficient, whole)])


def choice(lesser: bool, left: Integer, right: Integer) -> Integer:
    """The lesser (or greater) of two."""
    if isinstance(left, Constant) and isinstance(right, Constant):
        return Constant((min if lesser else max)(left.value, right.value))
    if left == right:
        return left
    # Printed with the conditional operator, each operand appears twice.
    return Choice(lesser, left, right, 2 * (left.size + right.size))


def magnitude(operand: Integer) -> Integer:
    """The absolute value."""
    if isinstance(operand, Constant):
        return Constant(abs(operand.value))
    return operand if isinstance(operand, Magnitude) else Magnitude(operand, 3 * operand.size)


@dataclass(frozen=True, slots=True)
class Ratio:
    """`scale * numerator / product(denominators)`; every denominator is above zero."""

    scale: Fraction
    numerator: Integer
    denominators: tuple[Integer, ...]

    @classmethod
    def make(cls, scale: Fraction, numerator: Integer, denominators: tuple[Integer, ...] = ()) -> Ratio:
        """The ratio with what the numerator's coefficients share moved into the scale."""
        if isinstance(numerator, Constant):
            scale *= numerator.value
            return cls(scale, ONE, denominators if scale else ())
        if isinstance(numerator, Sum):
            shared = math.gcd(numerator.constant, *(coefficient for coefficient, _ in numerator.terms))
            if numerator.constant == 0 and all(coefficient < 0 for coefficient, _ in numerator.terms):
                shared = -shared
            if shared != 1:
                parts: list[tuple[int, Integer]] = [(part // shared, term) for part, term in numerator.terms]
                numerator = total([*parts, (numerator.constant // shared, ONE)])
                scale *= shared
        return cls(scale, numerator, denominators)

    @property
    def size(self) -> int:
        return self.numerator.size + sum(denominator.size for denominator in self.denominators)

    def pair(self) -> tuple[Integer, Integer]:
        """The two integer expressions, the second above zero."""
        upper = product([Constant(self.scale.numerator), self.numerator])
        return upper, product([Constant(self.scale.denominator), *self.denominators])


def align(left: Ratio, right: Ratio) -> tuple[Fraction, Integer, Integer, tuple[Integer, ...]]:
    """(scale, a, b, denominators): left and right are a and b times the scale over the denominators."""
    scale = Fraction(
        math.gcd(
            left.scale.numerator * right.scale.denominator,
            right.scale.numerator * left.scale.denominator,
        ),
        left.scale.denominator * right.scale.denominator,
    ) or Fraction(1)
    have, need = Counter(left.denominators), Counter(right.denominators)
    common = have | need

    def over_common(ratio: Ratio, own: Counter[Integer]) -> Integer:
        missing = list((common - own).elements())
        return product([Constant(int(ratio.scale / scale)), ratio.numerator, *missing])

    return scale, over_common(left, have), over_common(right, need), tuple(common.elements())


def lower(node: Quantity, scales: Scales, ranges: Ranges) -> Ratio:
    """`node` as a ratio of integers over counts.

    `ranges` (engineering values) serve to prove that divisors keep their sign. Raises ExpressionError when a
    divisor can be zero, a point has no step, or the form grows beyond what can be read.
    """
    ratio = _lower(node, scales, ranges)
    if ratio.size > SIZE_LIMIT:
        raise ExpressionError(
            f"{_short(node)} is too involved for integer arithmetic: make a part of it a point of its own",
            node.column,
        )
    return ratio


def _lower(node: Quantity, scales: Scales, ranges: Ranges) -> Ratio:
    match node:
        case Number(value=value):
            return Ratio.make(value, ONE)
        case Point(name=name):
            if name not in scales:
                raise ExpressionError(f"there is no step for {name}: it is no number point", node.column)
            return Ratio.make(Fraction(scales[name]), Count(name))
        case Negation(operand=operand):
            inner = lower(operand, scales, ranges)
            return Ratio(-inner.scale, inner.numerator, inner.denominators)
        case Arithmetic(left=left, operator="/", right=right):
            return _divide(lower(left, scales, ranges), lower(right, scales, ranges), right, ranges)
        case Arithmetic(left=left, operator=operator, right=right):
            first, second = lower(left, scales, ranges), lower(right, scales, ranges)
            if operator == "*":
                return Ratio.make(
                    first.scale * second.scale,
                    product([first.numerator, second.numerator]),
                    first.denominators + second.denominators,
                )
            scale, a, b, denominators = align(first, second)
            return Ratio.make(scale, total([(1, a), (1 if operator == "+" else -1, b)]), denominators)
        case Call(function="abs", arguments=(operand,)):
            inner = lower(operand, scales, ranges)
            return Ratio.make(abs(inner.scale), magnitude(inner.numerator), inner.denominators)
        case Call(function="clip", arguments=(value, low, high)):
            least = _choose(True, lower(value, scales, ranges), lower(high, scales, ranges))
            return _choose(False, lower(low, scales, ranges), least)
        case Call(function=function, arguments=arguments):
            chosen = lower(arguments[0], scales, ranges)
            for argument in arguments[1:]:
                chosen = _choose(function == "min", chosen, lower(argument, scales, ranges))
            return chosen


def _choose(lesser: bool, left: Ratio, right: Ratio) -> Ratio:
    scale, a, b, denominators = align(left, right)
    return Ratio.make(scale, choice(lesser, a, b), denominators)


def _divide(dividend: Ratio, divisor: Ratio, node: Quantity, ranges: Ranges) -> Ratio:
    if divisor.scale == 0:
        raise division_by_zero(node)
    if isinstance(divisor.numerator, Constant):
        return Ratio.make(
            dividend.scale / divisor.scale,
            product([dividend.numerator, *divisor.denominators]),
            dividend.denominators,
        )
    low, _ = interval.bounds(Arithmetic(Number(Fraction(1)), "/", node, node.column), ranges)
    # The divisor is above zero where its reciprocal is; its scale may hide a sign.
    negative = (low < 0) != (divisor.scale < 0)
    denominator = total([(-1, divisor.numerator)]) if negative else divisor.numerator
    return Ratio.make(
        dividend.scale / divisor.scale * (-1 if negative else 1),
        product([dividend.numerator, *divisor.denominators]),
        (*dividend.denominators, denominator),
    )


def _short(node: Quantity) -> str:
    text = write(node)
    return text if len(text) <= 60 else f"{text[:57]}..."
