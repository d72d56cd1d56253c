"""The checked tree of an expression: what is left of the text once it is known to be harmless.

Numbers are exact (`fractions.Fraction`), points are names, and there is nothing else to compute with.
A chain `a < b < c` is stored as `a < b and b < c`; operands have no side effects, so nothing is lost.
Columns count from 1 in the text and do not take part in equality.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, Literal, TypeAlias

from wirevow.protocol.errors import WirevowError


class ExpressionError(WirevowError):
    """What is wrong with an expression, or with the values it was given, and where.

    `message` says what to write instead; `column` counts from 1 in the expression's text.
    """

    def __init__(self, message: str, column: int = 1) -> None:
        super().__init__(f"{message} (column {column})")
        self.message = message
        self.column = column


ArithmeticOperator: TypeAlias = Literal["+", "-", "*", "/"]
FunctionName: TypeAlias = Literal["min", "max", "abs", "clip"]
Relation: TypeAlias = Literal["<", "<=", ">", ">=", "==", "!="]

# What a comparison becomes when its sides change places (or both change sign).
MIRRORED: dict[Relation, Relation] = {
    "<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "==", "!=": "!=",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Number:
    """Never negative: a sign in the text is a Negation."""

    value: Fraction
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Point:
    name: str
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Negation:
    operand: Quantity
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Arithmetic:
    left: Quantity
    operator: ArithmeticOperator
    right: Quantity
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Call:
    """`clip(x, low, high)` is `max(low, min(x, high))`: should the limits cross, the lower one holds."""

    function: FunctionName
    arguments: tuple[Quantity, ...]
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Word:
    """A choice's word. It stands only on a side of `==` or `!=` whose other side is a point."""

    word: str
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Comparison:
    left: Quantity | Word
    relation: Relation
    right: Quantity | Word
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class And:
    parts: tuple[Condition, ...]
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Or:
    parts: tuple[Condition, ...]
    column: int = field(default=1, compare=False)


@dataclass(frozen=True, slots=True)
class Not:
    part: Condition
    column: int = field(default=1, compare=False)


Quantity: TypeAlias = Number | Point | Negation | Arithmetic | Call
Condition: TypeAlias = Comparison | And | Or | Not
Node: TypeAlias = Quantity | Word | Condition

CONDITIONS = (Comparison, And, Or, Not)
"""The node types of truth expressions, for isinstance."""


def children(node: Node) -> tuple[Node, ...]:
    """The direct operands of `node`, from left to right."""
    match node:
        case Negation(operand=operand):
            return (operand,)
        case Arithmetic(left=left, right=right) | Comparison(left=left, right=right):
            return (left, right)
        case Call(arguments=arguments):
            return arguments
        case And(parts=parts) | Or(parts=parts):
            return parts
        case Not(part=part):
            return (part,)
    return ()


def conjuncts(condition: Condition) -> tuple[Condition, ...]:
    """What must all hold for it to hold: the parts of an `and`, else itself."""
    return condition.parts if isinstance(condition, And) else (condition,)


def substituted(node: Any, values: Mapping[str, Fraction | Point]) -> Any:
    """The same tree with numbers, or other points, in the place of some points."""
    match node:
        case Point(name=name) if name in values:
            given = values[name]
            if isinstance(given, Point):
                return given
            value = Number(abs(given))
            return Negation(value) if given < 0 else value
        case Negation(operand=operand):
            return replace(node, operand=substituted(operand, values))
        case Arithmetic(left=left, right=right) | Comparison(left=left, right=right):
            return replace(node, left=substituted(left, values), right=substituted(right, values))
        case Call(arguments=arguments):
            return replace(node, arguments=tuple(substituted(each, values) for each in arguments))
    return node


def walk(node: Node) -> Iterator[Node]:
    """`node` and everything below it, parents first."""
    yield node
    for child in children(node):
        yield from walk(child)


def names(node: Node) -> frozenset[str]:
    """The names of all points in `node`."""
    return frozenset(part.name for part in walk(node) if isinstance(part, Point))


# How tightly each form binds, loosest first; a part that binds less tightly than its place needs parentheses.
_OR, _AND, _NOT, _COMPARISON, _SUM, _PRODUCT, _SIGN, _ATOM = range(8)


def write(node: Node) -> str:
    """`node` as the text of an expression, in one fixed style; parsing it again gives an equal tree."""
    return _write(node)[0]


def _write(node: Node) -> tuple[str, int]:
    match node:
        case Number(value=value):
            return (_decimal(value), _ATOM)
        case Point(name=name):
            return (name, _ATOM)
        case Word(word=word):
            return (f'"{word}"', _ATOM)
        case Negation(operand=operand):
            return (f"-{_within(operand, _SIGN)}", _SIGN)
        case Arithmetic(left=left, operator=operator, right=right):
            level = _SUM if operator in "+-" else _PRODUCT
            return (f"{_within(left, level)} {operator} {_within(right, level + 1)}", level)
        case Call(function=function, arguments=arguments):
            return (f"{function}({', '.join(write(argument) for argument in arguments)})", _ATOM)
        case Comparison(left=left, relation=relation, right=right):
            return (f"{_within(left, _SUM)} {relation} {_within(right, _SUM)}", _COMPARISON)
        case And(parts=parts):
            return (" and ".join(_within(part, _AND + 1) for part in parts), _AND)
        case Or(parts=parts):
            return (" or ".join(_within(part, _OR + 1) for part in parts), _OR)
        case Not(part=part):
            return (f"not {_within(part, _NOT)}", _NOT)


def _within(node: Node, level: int) -> str:
    text, own = _write(node)
    return text if own >= level else f"({text})"


def _decimal(value: Fraction) -> str:
    digits = 0
    while (value * 10**digits).denominator != 1:
        digits += 1
    whole, part = divmod(int(value * 10**digits), 10**digits)
    return f"{whole}.{part:0{digits}d}" if digits else str(whole)
