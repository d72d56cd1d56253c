"""A document's expressions as programs of a small machine: an operation comes before its operands.

On a small chip a limit or a condition costs about forty bytes of machine code and about eight as a program,
which is what makes a whole document fit. A program holds the same integer arithmetic, in the same order,
that `Expression.c_overflow` proves to stay inside 32 or 64 bits.

A byte below the number of names, NAMES, reads that point. From there up to the first operation it is a
constant, from 0. The others:

    ONE..FOUR   a constant of so many bytes, high byte first, signed
    ADD SUBTRACT MULTIPLY LESSER GREATER   two numbers become one; GREATER is also `or`, MULTIPLY `and`
    LESS EQUAL                             two numbers become 1 or 0
    DOWN NEAR NEAR_SIGNED                  numerator and denominator become a quotient, so rounded; the second
                                           is for numerators that are never negative

The conditions of rules are looked at in every tick, where the machine would take most of a small chip's time:
`in_c` prints their programs as C. Only they may read `UPTIME_MS` and `SILENCE_MS`, milliseconds of a clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, NamedTuple

from wirevow.protocol.codegen.names import GenerateError
from wirevow.protocol.expression import (
    And,
    Comparison,
    Condition,
    Expression,
    ExpressionError,
    Not,
    Or,
    Quantity,
    Word,
)
from wirevow.protocol.expression.c import in_steps, ordered, relates_words, sides
from wirevow.protocol.expression.integer import Choice, Constant, Count, Integer, Magnitude, Product, Sum
from wirevow.protocol.expression.interval import bounds
from wirevow.protocol.expression.tree import Point
from wirevow.protocol.vow import Vow

OPERATIONS = (
    "ONE", "TWO", "THREE", "FOUR", "ADD", "SUBTRACT", "MULTIPLY", "EQUAL", "LESSER", "GREATER", "LESS",
    "DOWN", "NEAR", "NEAR_SIGNED",
)  # fmt: skip
"""In the order of their codes, which end at 255."""
CONSTANTS = {"ONE": 1, "TWO": 2, "THREE": 3, "FOUR": 4}
"""Operations whose operands are so many bytes."""
FIRST_OPERATION = 256 - len(OPERATIONS)
MOST_MS = 2**31 - 1
"""A clock in a condition counts milliseconds and stops here, after 24 days."""
INT32_MAX = 2**31 - 1
MS = Fraction(1, 1000)

Rounding = Literal["DOWN", "UP", "NEAR", "NEAR_SIGNED"]
Code = tuple[int | str, ...]
"""Bytes: numbers, and the names of operations and points."""


@dataclass(frozen=True, slots=True)
class Program:
    """One expression: its text in the document, its bytes, how deep it nests and its width in bits."""

    text: str
    code: Code
    depth: int
    bits: int


class Compiler:
    """Compiles the expressions of one document.

    `reads` names the byte that reads a point; so many bytes, `names`, stand for a name.
    """

    def __init__(self, vow: Vow, reads: Mapping[str, str], names: int) -> None:
        self._vow = vow
        self._reads = reads
        self._small = FIRST_OPERATION - names
        numbers = [(name, entry.number) for name, entry in vow.points.items() if entry.scale is not None]
        self._scales = {name: scale.step for name, scale in numbers}
        self._ranges = {name: (scale.low * scale.step, scale.high * scale.step) for name, scale in numbers}
        self._clocks = {
            name: f"{entry.system.upper()}_MS"
            for name, entry in vow.points.items()
            if entry.system in ("uptime", "silence")
        }

    def number(
        self,
        expression: Expression,
        step: Fraction,
        rounding: Rounding,
        where: str,
        ends: tuple[int | None, int | None] = (None, None),
    ) -> Program:
        """A number expression in counts of `step`, held inside `ends` and 32 bits."""
        try:
            bits = expression.c_overflow(self._scales, self._ranges, step)
            assert not isinstance(expression.root, And | Or | Not | Comparison)
            numerator, denominator = in_steps(expression.root, self._scales, self._ranges, step)
            least, greatest = bounds(expression.root, self._ranges)
        except ExpressionError as wrong:
            raise GenerateError(f"{where}: {wrong}") from None
        code = self._integer(numerator, {})
        if denominator != Constant(1):
            if rounding == "NEAR" and least < 0:
                rounding = "NEAR_SIGNED"
            code = self._quotient(code, self._integer(denominator, {}), rounding)
        low, high = ends
        if greatest / step >= (INT32_MAX if high is None else high) + 1:
            code = ("LESSER", *code, *self._literal(INT32_MAX if high is None else high))
        if least / step <= (-INT32_MAX if low is None else low) - 1:
            code = ("GREATER", *code, *self._literal(-INT32_MAX if low is None else low))
        return self._program(expression, code, bits)

    def condition(self, expression: Expression, where: str, *, fine: bool) -> Program:
        """A truth expression. With `fine`, clocks count milliseconds instead of the steps they are shown in.

        A protection acts when the silence is longer than the patience, not when its reading says so.
        """
        clocks = {name: op for name, op in self._clocks.items() if fine and name in expression.names}
        scales = {**self._scales, **dict.fromkeys(clocks, MS)}
        ranges = {**self._ranges, **dict.fromkeys(clocks, (Fraction(0), MOST_MS * MS))}
        try:
            bits = expression.c_overflow(scales, ranges)
            code = self._condition(expression.atoms(), scales, ranges, clocks)
        except ExpressionError as wrong:
            raise GenerateError(f"{where}: {wrong}") from None
        return self._program(expression, code, bits)

    def _program(self, expression: Expression, code: Code, bits: int) -> Program:
        return Program(expression.text, code, _depth(code), bits)

    def _condition(
        self,
        node: Condition,
        scales: Mapping[str, Fraction],
        ranges: Mapping[str, tuple[Fraction, Fraction]],
        clocks: Mapping[str, str],
    ) -> Code:
        match node:
            case And(parts=parts) | Or(parts=parts):
                joint = "MULTIPLY" if isinstance(node, And) else "GREATER"
                code = self._condition(parts[0], scales, ranges, clocks)
                for part in parts[1:]:
                    code = (joint, *code, *self._condition(part, scales, ranges, clocks))
                return code
            case Not(part=part):
                return self._not(self._condition(part, scales, ranges, clocks))
            case Comparison(relation=relation):
                left, right = self._sides(node, scales, ranges, clocks)
                match relation:
                    case "<":
                        return ("LESS", *left, *right)
                    case ">":
                        return ("LESS", *right, *left)
                    case ">=":
                        return self._not(("LESS", *left, *right))
                    case "<=":
                        return self._not(("LESS", *right, *left))
                    case "==":
                        return ("EQUAL", *left, *right)
                    case "!=":
                        return self._not(("EQUAL", *left, *right))

    def _sides(
        self,
        node: Comparison,
        scales: Mapping[str, Fraction],
        ranges: Mapping[str, tuple[Fraction, Fraction]],
        clocks: Mapping[str, str],
    ) -> tuple[Code, Code]:
        if isinstance(node.left, Word) or isinstance(node.right, Word) or relates_words(node, scales):
            return self._choice(node.left, node.right), self._choice(node.right, node.left)
        left, right = sides(node, scales, ranges)
        return self._integer(left, clocks), self._integer(right, clocks)

    def _choice(self, side: Quantity | Word, other: Quantity | Word) -> Code:
        """A choice as its index: of the point itself, or of a word among the other side's choices."""
        if isinstance(side, Point):
            return (self._reads[side.name],)
        assert isinstance(side, Word)
        assert isinstance(other, Point)
        return self._literal(self._vow.points[other.name].choices.index(side.word))

    def _integer(self, node: Integer, clocks: Mapping[str, str]) -> Code:
        match node:
            case Constant(value=value):
                return self._literal(value)
            case Count(name=name):
                return (clocks.get(name) or self._reads[name],)
            case Sum():
                code: Code = ()
                for coefficient, term in ordered(node):
                    # A first term is never subtracted: it gets its sign with its coefficient.
                    factor = abs(coefficient) if code else coefficient
                    if isinstance(term, Constant):
                        part = self._literal(factor * term.value)
                    elif factor == 1:
                        part = self._integer(term, clocks)
                    else:
                        factors = term.factors if isinstance(term, Product) else (term,)
                        part = self._product((Constant(factor), *factors), clocks)
                    if not code:
                        code = part
                    else:
                        code = ("SUBTRACT" if coefficient < 0 else "ADD", *code, *part)
                return code
            case Product(factors=factors):
                return self._product(factors, clocks)
            case Choice(lesser=lesser, left=left, right=right):
                joint = "LESSER" if lesser else "GREATER"
                return (joint, *self._integer(left, clocks), *self._integer(right, clocks))
            case Magnitude(operand=operand):
                inner = self._integer(operand, clocks)
                return ("GREATER", *inner, "SUBTRACT", *self._literal(0), *inner)

    def _product(self, factors: tuple[Integer, ...], clocks: Mapping[str, str]) -> Code:
        code = self._integer(factors[0], clocks)
        for factor in factors[1:]:
            code = ("MULTIPLY", *code, *self._integer(factor, clocks))
        return code

    def _quotient(self, numerator: Code, denominator: Code, rounding: Rounding) -> Code:
        if rounding == "UP":
            # The machine rounds down; up is the same from the other side of zero.
            zero = self._literal(0)
            return ("SUBTRACT", *zero, "DOWN", "SUBTRACT", *zero, *numerator, *denominator)
        return (rounding, *numerator, *denominator)

    def _literal(self, value: int) -> Code:
        if 0 <= value < self._small:
            return (f"NAMES + {value}",)
        for size, operation in enumerate(("ONE", "TWO", "THREE", "FOUR"), start=1):
            if -(1 << 8 * size - 1) <= value < 1 << 8 * size - 1:
                return (operation, *value.to_bytes(size, "big", signed=True))
        # Beyond 32 bits: only where the program runs in 64.
        high, low = divmod(value, 1 << 24)
        return ("ADD", "MULTIPLY", *self._literal(high), *self._literal(1 << 24), *self._literal(low))

    def _not(self, code: Code) -> Code:
        return ("SUBTRACT", *self._literal(1), *code)


def _depth(code: Code) -> int:
    """How deep the machine calls itself for this."""
    open_operands: list[int] = []
    most = at = 0
    while at < len(code):
        byte = code[at]
        at += 1 + CONSTANTS.get(str(byte), 0)
        most = max(most, len(open_operands) + 1)
        if byte in OPERATIONS and byte not in CONSTANTS:
            open_operands.append(2)
            continue
        while open_operands:
            open_operands[-1] -= 1
            if open_operands[-1]:
                break
            open_operands.pop()
    assert not open_operands, code
    return most


def in_c(code: Code, read: Callable[[str], str], literal: Callable[[int], str]) -> str:
    """A program as a C expression: the same arithmetic in the same order.

    `read` gives the expression that reads a point or a clock, by its byte, and `literal` that of a constant.
    """
    printed, left = _printed(code, read, literal)
    assert not left, code
    return printed.text


class _Printed(NamedTuple):
    """An operand as C."""

    text: str
    binds: int
    """How tightly its outermost operator does: one that stands in a tighter one needs brackets."""
    truth: bool
    """Whether it is 0 or 1."""


_OR, _AND, _EQUAL, _LESS, _SUM, _PRODUCT, _TIGHTEST = range(7)
_OPERATORS = {
    "MULTIPLY": ("*", _PRODUCT),
    "ADD": ("+", _SUM),
    "SUBTRACT": ("-", _SUM),
    "LESS": ("<", _LESS),
    "EQUAL": ("==", _EQUAL),
}


def _printed(code: Code, read: Callable[[str], str], literal: Callable[[int], str]) -> tuple[_Printed, Code]:
    """The operand with which the code begins, and the code after it."""
    operation, rest = str(code[0]), code[1:]
    value = None
    if operation in CONSTANTS:
        size = CONSTANTS[operation]
        value = int.from_bytes(bytes(map(int, rest[:size])), "big", signed=True)
        rest = rest[size:]
    elif operation.startswith("NAMES + "):
        value = int(operation.removeprefix("NAMES + "))
    if value is not None:
        return _Printed(literal(value), _TIGHTEST, False), rest
    if operation not in OPERATIONS:
        return _Printed(read(operation), _TIGHTEST, False), rest
    left, rest = _printed(rest, read, literal)
    right, rest = _printed(rest, read, literal)
    if operation in ("MULTIPLY", "GREATER") and left.truth and right.truth:
        sign, binds = ("&&", _AND) if operation == "MULTIPLY" else ("||", _OR)
        text = " ".join((_within(left, _AND + 1), sign, _within(right, _AND + 1)))
        return _Printed(text, binds, True), rest
    if operation == "SUBTRACT" and left.text == literal(1) and right.truth:
        return _Printed(f"!({right.text})", _TIGHTEST, True), rest
    if operation in ("LESSER", "GREATER"):
        return _Printed(f"{operation.lower()}({left.text}, {right.text})", _TIGHTEST, False), rest
    sign, binds = _OPERATORS[operation]
    text = f"{_within(left, binds)} {sign} {_within(right, binds + 1)}"
    return _Printed(text, binds, operation in ("LESS", "EQUAL")), rest


def _within(operand: _Printed, binds: int) -> str:
    return operand.text if operand.binds >= binds else f"({operand.text})"
