"""Boundary points: the counts of one point at which an expression changes, all other points held still.

As a function of that point's count k, a number expression is a rational function P(k)/Q(k) piece by piece:
min, max, abs and clip cut the counts into pieces, and a comparison has the sign of a polynomial on each. The
sign of a polynomial on the integers is found exactly, without solving it: between integers where the forward
difference P(k + 1) - P(k) (a polynomial of lower degree, treated the same way first) keeps its sign, P is
monotone, and bisection finds where it passes zero.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias, TypeVar

from wirevow.protocol.expression import evaluation
from wirevow.protocol.expression.evaluation import Value
from wirevow.protocol.expression.tree import (
    CONDITIONS,
    And,
    Arithmetic,
    Call,
    Comparison,
    Condition,
    ExpressionError,
    Negation,
    Not,
    Or,
    Point,
    Quantity,
    Word,
    names,
    write,
)

DEGREE_LIMIT = 16

Polynomial: TypeAlias = tuple[int, ...]
"""Coefficients from the constant up; the last is not zero, and () is zero."""

End: TypeAlias = int | None
"""An end of a piece, itself included; None where there is none."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Piece:
    """The counts from `low` to `high`, where the value is numerator / denominator, the latter above zero."""

    low: End
    high: End
    numerator: Polynomial
    denominator: Polynomial


Run: TypeAlias = tuple[End, End, _T]
"""Counts from one end to the other on which something stays the same."""


def boundaries(
    root: Quantity | Condition,
    values: Mapping[str, Value],
    name: str,
    step: Fraction,
    low: End,
    high: End,
) -> tuple[int, ...]:
    """See `Expression.boundaries`; `low` and `high` are the first and last count of the point."""
    if name not in names(root) or (low is not None and high is not None and low > high):
        return ()
    solver = _Solver(values, name, step)
    changes: set[int] = set()
    if isinstance(root, CONDITIONS):
        for (_, last, before), (first, _, after) in pairwise(solver.truths(root, low, high)):
            if before != after:
                changes |= {_end(last), _end(first)}
    else:
        for left, right in pairwise(solver.pieces(root, low, high)):
            if _multiply(left.numerator, right.denominator) != _multiply(right.numerator, left.denominator):
                changes |= {_end(left.high), _end(right.low)}
    return tuple(sorted(changes))


class _Solver:
    """Pieces and truths of an expression as functions of the count of one point."""

    def __init__(self, values: Mapping[str, Value], name: str, step: Fraction) -> None:
        self._values = values
        self._name = name
        self._step = Fraction(step)

    def truths(self, node: Condition, low: End, high: End) -> list[Run[bool]]:
        """The runs of equal truth over the counts from `low` to `high`, in order."""
        match node:
            case Not(part=part):
                return [(first, last, not truth) for first, last, truth in self.truths(part, low, high)]
            case And(parts=parts) | Or(parts=parts):
                # As in evaluation, a later part counts only where the earlier ones leave the matter open.
                open_truth = isinstance(node, And)
                runs = self.truths(parts[0], low, high)
                for part in parts[1:]:
                    runs = [
                        run
                        for first, last, truth in runs
                        for run in (
                            self.truths(part, first, last) if truth is open_truth else [(first, last, truth)]
                        )
                    ]
                return runs
            case Comparison(left=left, relation=relation, right=right):
                if self._name not in names(node):
                    return [(low, high, evaluation.truth(node, self._values))]
                if isinstance(left, Word) or isinstance(right, Word):
                    raise ExpressionError(f"{self._name} is a word here: it has no boundaries", node.column)
                difference = self.pieces(Arithmetic(left, "-", right, node.column), low, high)
                return [
                    (first, last, evaluation.holds(Fraction(sign), relation, Fraction(0)))
                    for piece in difference
                    for first, last, sign in _signs(piece.numerator, piece.low, piece.high)
                ]

    def pieces(self, node: Quantity, low: End, high: End) -> list[Piece]:
        """The rational functions that `node` is over the counts from `low` to `high`, in order."""
        if self._name not in names(node):
            value = evaluation.number(node, self._values)
            return [_piece(low, high, (value.numerator,), (value.denominator,))]
        match node:
            case Point():
                return [_piece(low, high, (0, self._step.numerator), (self._step.denominator,))]
            case Negation(operand=operand):
                return [_negative(piece) for piece in self.pieces(operand, low, high)]
            case Arithmetic(left=left, operator=operator, right=right):
                firsts, seconds = self.pieces(left, low, high), self.pieces(right, low, high)
                if operator == "/":
                    seconds = [part for piece in seconds for part in self._reciprocals(piece, right)]
                combine = _add if operator in "+-" else _times
                if operator == "-":
                    seconds = [_negative(piece) for piece in seconds]
                result = [combine(*pair) for pair in _overlaps(firsts, seconds)]
                for piece in result:
                    self._check_degree(piece, node)
                return result
            case Call(function="abs", arguments=(operand,)):
                inner = self.pieces(operand, low, high)
                return self._choose(False, inner, [_negative(piece) for piece in inner], node)
            case Call(function="clip", arguments=(clipped, lowest, highest)):
                least = self._choose(
                    True, self.pieces(clipped, low, high), self.pieces(highest, low, high), node
                )
                return self._choose(False, self.pieces(lowest, low, high), least, node)
            case Call(function=function, arguments=arguments):
                chosen = self.pieces(arguments[0], low, high)
                for argument in arguments[1:]:
                    chosen = self._choose(function == "min", chosen, self.pieces(argument, low, high), node)
                return chosen
        raise AssertionError("a number does not depend on a point")

    def _choose(self, lesser: bool, firsts: list[Piece], seconds: list[Piece], node: Quantity) -> list[Piece]:
        """The lesser (or greater) of two; where they are equal, whichever was chosen just before."""
        result: list[Piece] = []
        for first, second in _overlaps(firsts, seconds):
            difference = _add(first, _negative(second))
            self._check_degree(difference, node)
            take_first: bool | None = None
            runs = _signs(difference.numerator, first.low, first.high)
            for index, (low, high, sign) in enumerate(runs):
                if sign:
                    take_first = (sign < 0) == lesser
                elif take_first is None:
                    following = runs[index + 1][2] if index + 1 < len(runs) else 0
                    take_first = (following < 0) == lesser
                taken = first if take_first else second
                result.append(Piece(low, high, taken.numerator, taken.denominator))
        return _merged(result)

    def _reciprocals(self, piece: Piece, node: Quantity) -> Iterator[Piece]:
        for low, high, sign in _signs(piece.numerator, piece.low, piece.high):
            if sign == 0:
                count = low if low is not None else high if high is not None else 0
                raise ExpressionError(
                    f"division by zero: {write(node)} is 0 when {self._name} is {count} steps",
                    node.column,
                )
            yield _piece(low, high, _scale(piece.denominator, sign), _scale(piece.numerator, sign))

    def _check_degree(self, piece: Piece, node: Quantity) -> None:
        if max(len(piece.numerator), len(piece.denominator)) > DEGREE_LIMIT + 1:
            raise ExpressionError(
                f"{self._name} is multiplied with itself more than {DEGREE_LIMIT} times: simplify it",
                node.column,
            )


def _end(end: End) -> int:
    assert end is not None  # only the outermost ends are open
    return end


def _piece(low: End, high: End, numerator: Polynomial, denominator: Polynomial) -> Piece:
    """The piece with the factor common to all coefficients taken out."""
    shared = math.gcd(*numerator, *denominator)
    if shared > 1:
        numerator = tuple(part // shared for part in numerator)
        denominator = tuple(part // shared for part in denominator)
    return Piece(low, high, _trim(list(numerator)), denominator)


def _negative(piece: Piece) -> Piece:
    return Piece(piece.low, piece.high, _scale(piece.numerator, -1), piece.denominator)


def _merged(pieces: list[Piece]) -> list[Piece]:
    result: list[Piece] = []
    for piece in pieces:
        last = result[-1] if result else None
        if last and (last.numerator, last.denominator) == (piece.numerator, piece.denominator):
            result[-1] = Piece(last.low, piece.high, last.numerator, last.denominator)
        else:
            result.append(piece)
    return result


def _overlaps(firsts: list[Piece], seconds: list[Piece]) -> Iterator[tuple[Piece, Piece]]:
    """Both lists, which cover the same counts, cut at the ends of both."""
    left = right = 0
    low = firsts[0].low
    while left < len(firsts) and right < len(seconds):
        first, second = firsts[left], seconds[right]
        if first.high is None or second.high is None:
            high = second.high if first.high is None else first.high
        else:
            high = min(first.high, second.high)
        yield (
            Piece(low, high, first.numerator, first.denominator),
            Piece(low, high, second.numerator, second.denominator),
        )
        left += first.high == high
        right += second.high == high
        low = None if high is None else high + 1


def _add(first: Piece, second: Piece) -> Piece:
    if first.denominator == second.denominator:
        return _piece(first.low, first.high, _plus(first.numerator, second.numerator), first.denominator)
    numerator = _plus(
        _multiply(first.numerator, second.denominator), _multiply(second.numerator, first.denominator)
    )
    return _piece(first.low, first.high, numerator, _multiply(first.denominator, second.denominator))


def _times(first: Piece, second: Piece) -> Piece:
    return _piece(
        first.low,
        first.high,
        _multiply(first.numerator, second.numerator),
        _multiply(first.denominator, second.denominator),
    )


def _trim(coefficients: list[int]) -> Polynomial:
    while coefficients and coefficients[-1] == 0:
        coefficients.pop()
    return tuple(coefficients)


def _scale(polynomial: Polynomial, factor: int) -> Polynomial:
    return tuple(part * factor for part in polynomial)


def _plus(first: Polynomial, second: Polynomial) -> Polynomial:
    length = max(len(first), len(second))
    padded = [(*polynomial, *(0,) * (length - len(polynomial))) for polynomial in (first, second)]
    return _trim([a + b for a, b in zip(*padded, strict=True)])


def _multiply(first: Polynomial, second: Polynomial) -> Polynomial:
    result = [0] * (len(first) + len(second))
    for i, a in enumerate(first):
        for j, b in enumerate(second):
            result[i + j] += a * b
    return _trim(result)


def _value(polynomial: Polynomial, count: int) -> int:
    result = 0
    for coefficient in reversed(polynomial):
        result = result * count + coefficient
    return result


def _difference(polynomial: Polynomial) -> Polynomial:
    """The forward difference P(k + 1) - P(k)."""
    shifted = [0] * len(polynomial)
    for power, coefficient in enumerate(polynomial):
        for lower in range(power + 1):
            shifted[lower] += coefficient * math.comb(power, lower)
    return _plus(tuple(shifted), _scale(polynomial, -1))


def _signs(polynomial: Polynomial, low: End, high: End) -> list[Run[int]]:
    """The runs of equal sign (-1, 0, 1) over the counts from `low` to `high`, in order."""
    if len(polynomial) <= 1:
        return [(low, high, _sign(polynomial[0] if polynomial else 0))]
    # Cauchy's bound: beyond it the leading term decides, so open ends may be drawn in to it.
    bound = 1 + max(abs(part) for part in polynomial[:-1]) // abs(polynomial[-1]) + 1
    first = low if low is not None else min(-bound, high if high is not None else 0)
    last = high if high is not None else max(bound, first)
    runs = _bounded_signs(polynomial, first, last)
    runs[0] = (low, runs[0][1], runs[0][2])
    runs[-1] = (runs[-1][0], high, runs[-1][2])
    return runs


def _bounded_signs(polynomial: Polynomial, first: int, last: int) -> list[Run[int]]:
    runs: list[Run[int]] = []

    def append(start: int, end: int, sign: int) -> None:
        if runs and runs[-1][2] == sign:
            runs[-1] = (runs[-1][0], end, sign)
        else:
            runs.append((start, end, sign))

    append(first, first, _sign(_value(polynomial, first)))
    if last > first:
        # Each run of the difference covers the steps start -> start + 1 up to end -> end + 1.
        for start, end, _ in _signs(_difference(polynomial), first, last - 1):
            assert start is not None
            assert end is not None
            here, goal = start + 1, end + 1
            while here <= goal:
                sign = _sign(_value(polynomial, here))
                until, beyond = here, goal + 1
                while beyond - until > 1:
                    middle = (until + beyond) // 2
                    if _sign(_value(polynomial, middle)) == sign:
                        until = middle
                    else:
                        beyond = middle
                append(here, until, sign)
                here = until + 1
    return runs


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)
